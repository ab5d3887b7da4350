"""The next test: gain per cost, to the printed digits."""

from __future__ import annotations

import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bandwright.advice.findings import FINDINGS
from bandwright.advice.nexttest import TESTS, entropy_bits, gain_bits_of, next_tests

CHANCES = {"cell_load": 0.45, "deprioritised": 0.40, "unknown": 0.15}
ROWS = {row.key: row for row in TESTS}


def test_entropy() -> None:
    assert abs(entropy_bits(CHANCES) - 1.4577) < 5e-5
    assert entropy_bits({"a": 0.5, "b": 0.5}) == 1
    assert entropy_bits({}) == 0


@pytest.mark.parametrize(
    ("key", "gain", "per_cost"),
    # (.9, .9, .1): P(yes) .78; (.1, .9, .1): .42; (.4, .15, .15): .2625; (.05 each): 0
    [("repeat_at_0400", 0.2912, 0.0728), ("second_plan", 0.5125, 0.0342), ("after_reset", 0.5125, 0.0171), ("pin_other_cell", 0.0582, 0.0145), ("cable", 0.0, 0.0)],
)
def test_worked_gains(key: str, gain: float, per_cost: float) -> None:
    found = gain_bits_of(ROWS[key], CHANCES)
    assert abs(found - gain) < 5.1e-5
    assert abs(found / ROWS[key].cost - per_cost) < 5.1e-5


def test_worked_answers_after_a_yes() -> None:
    row = ROWS["second_plan"]
    yes = {k: p * row.likely.get(k, row.otherwise) for k, p in CHANCES.items()}
    total = math.fsum(yes.values())
    assert round(total, 2) == 0.42
    assert [round(yes[k] / total, 3) for k in ("cell_load", "deprioritised", "unknown")] == [0.107, 0.857, 0.036]


def test_best_first_and_what_is_answered_is_left_out() -> None:
    found = [t.key for t in next_tests(CHANCES, {})]
    assert found[0] == "repeat_at_0400"
    assert found.index("second_plan") < found.index("after_reset")
    assert "cable" not in found
    answered = [t.key for t in next_tests(CHANCES, {"hour_ratio": 2.0})]
    assert "repeat_at_0400" not in answered
    assert answered.index("second_plan") < answered.index("after_reset")


def test_no_ladder_before_a_free_test() -> None:
    chances = {"interference_limited": 0.5, "ca_idle_reading": 0.25, "unknown": 0.25}
    found = next_tests(chances, {})
    ladders = [i for i, t in enumerate(found) if t.ladder]
    free = [i for i, t in enumerate(found) if t.cost <= 2]
    assert ladders
    assert free
    assert max(free) < min(ladders)


def test_hardly_likely_findings_are_not_worth_a_test() -> None:
    assert next_tests({"shaped_traffic": 0.04, "unknown": 0.96}, {}) == ()


def test_tests_of_the_lead_come_last_rather_than_not_at_all() -> None:
    chances = {"cell_load": 0.95, "unknown": 0.05}
    assert "second_plan" not in [t.key for t in next_tests(chances, {})]
    found = [t.key for t in next_tests(chances, {}, settle_by=("second_plan", "pin_other_cell"))]
    assert found[-1] == "second_plan"


def test_a_full_reading_comes_first_where_nothing_is_known() -> None:
    found = next_tests(CHANCES, {}, anything_known=False)
    assert found[0].key == "full_reading"
    assert found[1].key == "repeat_at_0400"


@settings(deadline=None)
@given(st.dictionaries(st.sampled_from([r.key for r in FINDINGS]), st.floats(0.001, 1), min_size=1, max_size=8))
def test_a_test_never_adds_doubt(weights: dict[str, float]) -> None:
    total = sum(weights.values()) + 0.1
    chances = {k: v / total for k, v in weights.items()} | {"unknown": 0.1 / total}
    for row in TESTS:
        assert 0 <= gain_bits_of(row, chances) <= entropy_bits(chances) + 1e-9


def test_table_of_tests() -> None:
    keys, findings = [row.key for row in TESTS], {row.key for row in FINDINGS}
    assert len(keys) == len(set(keys))
    for row in TESTS:
        assert row.cost >= 1
        assert set(row.likely) <= findings
        assert all(0 <= y <= 1 for y in row.likely.values())
    for finding in FINDINGS:
        assert set(finding.settle_by) <= set(keys), finding.key
        # each finding has a test that it is likelier to answer with "yes" than others are
        assert any(ROWS[k].likely.get(finding.key, 0) > ROWS[k].otherwise for k in finding.settle_by), finding.key

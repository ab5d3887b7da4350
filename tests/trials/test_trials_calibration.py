"""Whether the trial is as often right as it says: simulation-based calibration, families defined apart, labels, repeatability."""

from __future__ import annotations

import importlib.util
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from bandwright.advice.verdict import verdict
from bandwright.trials.allocation import chances, keep, risks
from bandwright.trials.analysis import _values_cached, values
from bandwright.trials.ledger import read
from bandwright.trials.model import frame_of
from bandwright.trials.prior import PriorWorld
from bandwright.trials.simulate import run
from bandwright.words.campaign import Allowance, Tested
from bandwright.words.rig import Setup


def _chi_square_tail(statistic: float, freedom: int) -> float:
    from scipy.special import gammaincc

    return float(gammaincc(freedom / 2, statistic / 2))


@pytest.mark.timeout(240)
def test_ranks_of_the_truth_among_the_draws_are_uniform(make) -> None:
    """Sites drawn from the model, whole campaigns on them, stopping included: 150 here, 1,000 in bench/trials_speed.py."""
    bins, campaigns = 10, 150
    counts = np.zeros(bins, dtype=int)
    for seed in range(campaigns):
        design = make.design(rigs=1 + seed % 2, tunings=2 + seed % 3 % 2, seed=seed, allowance=Allowance(days=2.0, rig_changes=2))
        world = PriorWorld(design, seed=seed + 500, clipped=False)
        records = run(design, world)
        found = values(frame_of(read(design, records)), seed)
        which = seed % len(design.setups)
        rank = float((found.draws[:, which] < world.truth[design.setups[which].key]).mean())
        counts[min(bins - 1, int(rank * bins))] += 1
    statistic = float(((counts - campaigns / bins) ** 2 / (campaigns / bins)).sum())
    assert _chi_square_tail(statistic, bins - 1) > 0.01, counts


@pytest.fixture(scope="module")
def families():
    """The benchmark's families of sites, which know nothing of the analysis."""
    path = Path(__file__).resolve().parents[2] / "bench" / "trials_families.py"
    spec = importlib.util.spec_from_file_location("trials_families", path)
    module = importlib.util.module_from_spec(spec)
    sys.modules["trials_families"] = module
    spec.loader.exec_module(module)
    return module


@pytest.mark.timeout(240)
def test_on_eight_families_the_trial_is_mostly_right_and_mostly_answers(families) -> None:
    """Loose bounds, 8 families of 12 campaigns; the figures with 300 each are in docs/trials.md."""
    names = ("calm", "middle", "tied", "hours", "failing", "slow carriers", "two rigs", "three rigs")
    right = answered = inside = intervals = 0
    total = 12 * len(names)
    for name in names:
        for draw in range(12):
            site = families.site(name, draw)
            design = site.design()
            value, _, _ = site.truth(2000)
            said = verdict(design, run(design, site.world()))
            keys = [s.key for s in design.setups]
            if said.kind in {"best", "no difference"}:
                answered += 1
                right += value[keys.index(said.lead)] >= value.max() - design.indifference
            inside += sum(c.difference.low <= value[keys.index(c.a)] - value[keys.index(c.b)] <= c.difference.high for c in said.comparisons)
            intervals += len(said.comparisons)
    assert answered / total > 0.70
    assert right / answered > 0.90
    assert 0.82 < inside / intervals <= 1.0


def _relabelled(design, records, rigs: dict[str, str], tunings: dict[str, str]):
    def key(setup: str) -> str:
        r, t = setup.split("/")
        return f"{rigs[r]}/{tunings[t]}"

    new = replace(design, setups=tuple(Setup(key=key(s.key), rig=rigs[s.rig], tuning=tunings[s.tuning]) for s in design.setups), mounted=rigs[design.mounted])
    changed = []
    for r in records:
        if isinstance(r, Tested):
            changed.append(replace(r, setup=key(r.setup), seen=None))
        elif hasattr(r, "order"):
            changed.append(replace(r, rig=rigs[r.rig], order=tuple(key(k) for k in r.order)))
        else:
            changed.append(replace(r, rig=rigs[r.rig]))
    return new, changed, key


def test_permuted_labels_permute_the_answer(make) -> None:
    design = make.design(rigs=2, tunings=3, allowance=Allowance(days=5.0))
    records = run(design, PriorWorld(design, seed=12))
    said = verdict(design, records)
    new, changed, key = _relabelled(design, records, {"r0": "r1", "r1": "r0"}, {"t0": "t2", "t1": "t0", "t2": "t1"})
    again = verdict(new, changed)
    assert again.lead == key(said.lead)
    theirs = {s.setup: s for s in again.setups}
    for s in said.setups:
        assert theirs[key(s.setup)].value == s.value  # the columns stay where they were: not a digit differs
        assert theirs[key(s.setup)].chance_good == s.chance_good
    reordered = replace(design, setups=design.setups[::-1])
    backwards = {s.setup: s for s in verdict(reordered, records).setups}
    for s in said.setups:  # columns change places, so other draws: equal to within their error, 4,000 of them
        assert backwards[s.setup].chance_good == pytest.approx(s.chance_good, abs=0.04)
        assert backwards[s.setup].value.value == pytest.approx(s.value.value, abs=0.015)


def test_the_same_records_and_seed_give_the_same_answer_bit_for_bit(make) -> None:
    design = make.design(rigs=2, tunings=2, allowance=Allowance(days=4.0))
    records = run(design, PriorWorld(design, seed=6))
    first = verdict(design, records)
    _values_cached.cache_clear()
    assert verdict(design, tuple(records)) == first
    assert verdict(design, records, seed=99) != first
    _values_cached.cache_clear()
    assert run(design, PriorWorld(design, seed=6)) == records


def test_a_round_run_in_one_go_is_the_round_that_the_fold_asks_for_step_by_step(make) -> None:
    from bandwright.trials.course import course

    design = make.design(tunings=4, allowance=Allowance(days=3.0))
    records = run(design, PriorWorld(design, seed=4))
    for cut, record in enumerate(records):
        if isinstance(record, Tested):
            step = course(design, records[:cut]).next
            assert (step.kind, step.setup, step.round, step.visit) == ("test", record.setup, record.round, record.visit)


def test_chances_by_hand() -> None:
    draws = np.array([[0.5, 0.45, 0.0], [0.5, 0.7, 0.0], [0.5, 0.3, 0.1], [0.5, 0.59, 0.0]])
    odds = chances(draws, ["a", "b", "c"], 0.1)
    assert odds.good == pytest.approx([0.75, 0.75, 0.0])
    assert odds.first == pytest.approx([0.5, 0.5, 0.0])
    assert odds.lead_key == "b"  # equal chances to be good: the higher mean
    assert odds.second == pytest.approx([1.0, 0.0, 0.0])
    risk = risks(draws, odds, 0.1)
    assert risk == pytest.approx([0.25, 0.0, 0.0])  # only in the third draw is a above b by more than 0.1
    assert keep(odds, risk, ["a", "b", "c"], draws.mean(axis=0)) == ("a", "b")
    assert keep(odds, risk, ["c"], draws.mean(axis=0)) == ("c",)

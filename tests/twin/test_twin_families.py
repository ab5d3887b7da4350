from __future__ import annotations

import subprocess
import sys
from datetime import timedelta

import numpy as np
import pytest

from bandwright.errors import UsageError
from bandwright.twin.families import FAMILIES, family
from bandwright.twin.site import SimulatedSite

KEYS = [row.key for row in FAMILIES]


def test_there_are_at_least_ten_families_with_keys_of_their_own():
    assert len(set(KEYS)) == len(KEYS) >= 10
    with pytest.raises(UsageError, match="calm"):
        family("no such family")


@pytest.mark.parametrize("key", KEYS)
def test_a_case_follows_from_its_seed_and_hangs_together(key):
    case = family(key).case(3)
    assert case == family(key).case(3)
    assert case != family(key).case(4)
    assert [s.key for s in case.setups] == [s.key for s in case.plan.setups]
    assert {s.rig for s in case.setups} <= {r.key for r in case.plan.rigs}
    assert case.mounted in {r.key for r in case.plan.rigs}
    assert all(-1 <= s.predicted_score <= 1 for s in case.setups)
    assert all(s.key == f"{s.rig}/{s.tuning}" for s in case.setups)
    assert case.needs
    site = SimulatedSite(case.plan, case.seed)
    for setup in case.setups:
        moment = site.moment(setup.key, case.start + timedelta(hours=10), load_s=20.0)
        assert moment.down_mbps > 0
        assert moment.up_mbps > 0


def test_a_case_is_the_same_in_another_process():
    code = "from bandwright.twin.families import family; c = family('two rigs').case(11); print([s.predicted_score for s in c.setups], c.plan.setups[1].down_mbps)"
    there = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True).stdout.strip()
    case = family("two rigs").case(11)
    assert there == f"{[s.predicted_score for s in case.setups]} {case.plan.setups[1].down_mbps}"


def _figures(key: str, n: int = 60):
    return [family(key).case(seed) for seed in range(n)]


def test_sizes_are_what_the_rows_say():
    assert all(12 <= len(c.setups) <= 18 for c in _figures("many tunings"))
    assert all(len({s.rig for s in c.setups}) == 2 for c in _figures("two rigs"))
    assert all(len({s.rig for s in c.setups}) == 3 for c in _figures("bad mountings"))
    assert all(len(c.plan.rigs) == 1 for c in _figures("calm"))
    assert all(c.allowance.data_gb <= 5 and c.allowance.days <= 4 for c in _figures("small allowance"))
    assert all({s.cell for s in c.plan.setups} == {"rig1", "rig2"} for c in _figures("two networks"))


def test_ties_are_ties():
    for case in _figures("ties", 20):
        levels = sorted((s.down_mbps for s in case.plan.setups), reverse=True)
        assert levels[0] == levels[1]
        assert levels[2] >= levels[0] * np.exp(-0.08)


def _agreement(key: str) -> float:
    """Mean correlation of the predicted score with ln of the setup's typical product of rates."""
    found = []
    for case in _figures(key):
        predicted = np.array([s.predicted_score for s in case.setups])
        level = np.log([s.down_mbps * s.up_mbps for s in case.plan.setups])
        found.append(np.corrcoef(predicted, level)[0, 1])
    return float(np.nanmean(found))


def test_predictions_point_the_right_way_but_where_they_mislead():
    assert _agreement("middle") > 0.2
    assert _agreement("misleading") < -0.2


def test_the_best_setup_changes_with_the_hour_where_it_should():
    changed = []
    for case in _figures("reversals", 15):
        site = SimulatedSite(case.plan, case.seed)
        best = []
        for hours in (range(8, 12), range(19, 22)):
            weights = [float(h in hours) for h in range(24)]
            best.append(max(case.setups, key=lambda s: np.log(site.sample_fresh(s.key, 800, weights, np.random.default_rng(1)).down_mbps).mean()).key)
        changed.append(best[0] != best[1])
    assert np.mean(changed) > 0.3


def test_setups_drift_against_each_other_more_where_the_row_says_so():
    def apart(key: str) -> float:
        out = []
        for case in _figures(key, 12):
            site = SimulatedSite(case.plan, case.seed)
            pair = [s.key for s in case.setups[:2]]
            daily = []
            for day in range(12):
                ln = [[np.log(site.moment(k, case.start + timedelta(days=day, hours=9, minutes=20 * i), load_s=60.0).down_mbps) for i in range(8)] for k in pair]
                daily.append(np.mean(ln[0]) - np.mean(ln[1]))
            out.append(np.std(daily))
        return float(np.mean(out))

    assert apart("drifting") > 1.25 * apart("middle")


def test_failures_are_common_where_the_row_says_so():
    def failing(key: str) -> float:
        return float(np.mean([s.failed_share for c in _figures(key) for s in c.plan.setups]))

    assert failing("heavy tails") > 4 * failing("middle")


def test_needs_are_neither_hopeless_nor_idle_in_most_cases():
    """The best setup meets its main need in a share of fresh moments that leaves something to find out."""
    shares = []
    for row in FAMILIES:
        for seed in range(4):
            case = row.case(seed)
            site = SimulatedSite(case.plan, case.seed)
            asked = case.needs[0].requirements
            best = 0.0
            for setup in case.setups:
                f = site.sample_fresh(setup.key, 400, [float(9 <= h < 17) for h in range(24)], np.random.default_rng(2))
                met = ~f.failed & (f.down_mbps >= (asked.downlink_mbps or 0)) & (f.up_mbps >= (asked.uplink_mbps or 0))
                best = max(best, float(met.mean()))
            shares.append(best)
    assert 0.5 < np.median(shares) < 0.98
    assert np.mean(np.array(shares) < 0.1) < 0.1

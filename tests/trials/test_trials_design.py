"""What a trial will take, before anything runs."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace

from bandwright.trials.design import plan
from bandwright.trials.prior import PriorWorld
from bandwright.trials.simulate import run
from bandwright.words.campaign import Allowance, RigMounted, Tested


def test_a_longer_design_is_clearer_and_a_cheaper_one_uses_less(make) -> None:
    found = plan(make.design(rigs=2, tunings=2, allowance=Allowance(days=6.0, rig_changes=6)), campaigns=12)
    assert found.cheaper.chance_clear <= found.as_designed.chance_clear <= found.longer.chance_clear
    assert 0.0 < found.longer.chance_clear <= 1.0
    assert found.cheaper.days.p90 <= 3.0 + 1e-9
    assert found.as_designed.days.p90 <= 6.0 + 1e-9
    assert found.cheaper.rig_changes.p90 <= 3
    for outlook in (found.cheaper, found.as_designed, found.longer):
        for span in (outlook.days, outlook.tests, outlook.gigabytes, outlook.rig_changes, outlook.person_minutes):
            assert span.p50 <= span.p90
        assert outlook.gigabytes.p90 <= outlook.allowance.data_gb


def test_the_plan_is_what_the_simulated_campaigns_come_to(make) -> None:
    design = make.design(tunings=2, allowance=Allowance(days=3.0))
    found = plan(design, campaigns=1, seed=5)
    longest = replace(design, allowance=found.longer.allowance)
    records = run(longest, PriorWorld(longest, seed=5000))
    tests = [r for r in records if isinstance(r, Tested)]
    assert found.longer.tests.p50 == len(tests)
    assert found.longer.gigabytes.p50 == sum(r.megabytes for r in tests) / 1000
    assert found.as_designed.tests.p50 == sum((r.at - design.start).total_seconds() <= 3 * 86400 for r in tests)
    assert not any(isinstance(r, RigMounted) for r in records)


def test_the_same_seed_gives_the_same_plan_and_an_executor_changes_nothing(make) -> None:
    design = make.design(tunings=2, allowance=Allowance(days=2.0))
    alone = plan(design, campaigns=4)
    with ThreadPoolExecutor(2) as pool:
        assert plan(design, campaigns=4, executor=pool) == alone
    assert plan(design, campaigns=4, seed=2) != alone


def test_by_hand_the_persons_minutes_are_counted(make) -> None:
    found = plan(make.design(tunings=2, by_hand=True, allowance=Allowance(days=3.0)), campaigns=3)
    assert found.as_designed.person_minutes.p50 == 4.0 * found.as_designed.tests.p50

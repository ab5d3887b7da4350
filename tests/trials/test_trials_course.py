"""What a campaign does next: the fold over its records, its odd records, and its allowance."""

from __future__ import annotations

import random
from dataclasses import replace
from datetime import timedelta

import pytest

from bandwright.advice.verdict import verdict
from bandwright.errors import UsageError
from bandwright.trials.course import course
from bandwright.trials.ledger import read
from bandwright.trials.prior import PriorWorld
from bandwright.trials.simulate import run
from bandwright.words.campaign import Allowance, AllowanceChanged, EventNamed, NotShown, RigMounted, RoundDrawn, SetupAdded, SetupWithdrawn, Stopped, Tested
from bandwright.words.rig import Setup
from bandwright.words.site import Hours


def _campaign(make, **changes):
    design = make.design(**changes)
    return design, run(design, PriorWorld(design, seed=3))


def test_a_campaign_begins_with_a_round_of_every_setup_on_the_mounted_rig(make) -> None:
    step = course(make.design(rigs=2, mounted="r1"), ()).next
    assert step.kind == "round"
    assert (step.rig, step.round, step.visit) == ("r1", 1, 1)
    assert sorted(step.order) == ["r1/t0", "r1/t1", "r1/t2"]
    assert step.not_before is not None
    assert make.waking.includes(step.not_before.weekday(), step.not_before.hour * 60 + step.not_before.minute)


def test_the_tests_of_a_round_follow_its_recorded_order_whatever_comes_of_them(make) -> None:
    design = make.design()
    order = ("r0/t2", "r0/t0", "r0/t1")
    records = [make.drawn(1, order, minute=120)]
    for place, (setup, score) in enumerate(zip(order, (0.9, -1.0, 0.2), strict=True)):
        step = course(design, records).next
        assert (step.kind, step.setup, step.round) == ("test", setup, 1)
        assert step.warmup_s == design.warmup_s
        records.append(make.result(setup, score, minute=121 + place, outcome="failed" if score == -1.0 else "ok"))
    assert course(design, records).next.kind == "round"


def test_a_repeat_of_the_same_tuning_needs_no_warm_up(make) -> None:
    records = [make.drawn(1, ("r0/t0", "r0/t1", "r0/t1", "r0/t0"), minute=60), make.result("r0/t0", 0.1, minute=61), make.result("r0/t1", 0.1, minute=62)]
    step = course(make.design(tunings=2), records).next
    assert (step.setup, step.warmup_s) == ("r0/t1", 0.0)
    assert step.warmups_s == (0.0, 10.0)


@pytest.mark.parametrize("rigs", [1, 2])
def test_every_crash_point_leads_to_the_same_campaign(make, rigs: int) -> None:
    """Stop after every single event, forget everything, go on from the records: the records come out the same."""
    design = make.design(rigs=rigs, tunings=2, allowance=Allowance(days=4.0))
    world = _Fixed()
    whole = run(design, world)
    assert len(whole) > 20
    for cut in range(len(whole)):
        now = course(design, whole[:cut])
        following = whole[cut]
        assert now == course(design, list(whole[:cut]))
        if isinstance(following, RoundDrawn):
            assert (now.next.kind, now.next.order, now.next.round, now.next.bracket) == ("round", following.order, following.round, following.bracket)
        elif isinstance(following, RigMounted):
            assert (now.next.kind, now.next.rig, now.next.visit) == ("mount", following.rig, following.visit)
        else:
            assert (now.next.kind, now.next.setup, now.next.round) == ("test", following.setup, following.round)
    half = run(design, _Fixed(), already=whole[: len(whole) // 2])
    assert [(type(a), a.at) for a in half] == [(type(a), a.at) for a in whole]


class _Fixed:
    """A world whose answer depends on the setup and the time alone, so that it can be taken up anywhere."""

    def test(self, *, setup, visit, at, warmup_s):
        from bandwright.trials.simulate import Sample

        noise = random.Random(f"{setup} {at.isoformat()}").gauss(0, 0.25)
        return Sample(score=max(-1.0, min(1.0, (0.3 if setup.endswith("t0") else 0.15) + noise)), met=(("use", noise > 0),))


def test_the_order_of_arrival_and_repeats_change_nothing(make) -> None:
    design, records = _campaign(make, rigs=2, tunings=2, allowance=Allowance(days=5.0))
    expected, said = course(design, records), verdict(design, records)
    shuffled = [*records, *records[::3]]
    random.Random(4).shuffle(shuffled)
    assert course(design, shuffled) == expected
    assert verdict(design, shuffled) == said


def test_a_late_record_is_counted_where_it_belongs(make) -> None:
    design, records = _campaign(make, tunings=2, allowance=Allowance(days=3.0))
    late = next(r for r in records if isinstance(r, Tested))
    without = [r for r in records if r is not late]
    assert course(design, without).tests == course(design, records).tests - 1
    assert verdict(design, [*without, late]) == verdict(design, records)


def test_two_records_of_one_test_that_disagree_make_it_void_and_it_is_repeated(make) -> None:
    design = make.design(tunings=2)
    records = [make.drawn(1, ("r0/t0", "r0/t1"), minute=60), make.result("r0/t0", 0.3, minute=61, test="a"), make.result("r0/t1", 0.3, minute=62)]
    assert course(design, records).next.kind == "round"
    torn = [*records, make.result("r0/t0", -0.8, minute=61, test="a")]
    step = course(design, torn).next
    assert (step.kind, step.setup) == ("test", "r0/t0")
    assert "contradictory: 1 tests" in verdict(design, torn).notes
    same_but_for_its_megabytes = [*records, replace(records[1], megabytes=90.0)]
    assert course(design, same_but_for_its_megabytes).tests == 2


def test_a_void_test_is_kept_and_repeated_within_its_round_three_times_at_most(make) -> None:
    design = make.design(tunings=2)
    records = [make.drawn(1, ("r0/t0", "r0/t1"), minute=60)]
    for i in range(3):
        step = course(design, records).next
        assert (step.setup, step.repeat) == ("r0/t0", i > 0)
        records.append(make.result("r0/t0", None, minute=61 + i, outcome="void", reason="the far end failed"))
    now = course(design, records)
    assert now.next.setup == "r0/t1"
    assert (now.tests, now.void_share) == (0, 1.0)
    assert "void: 3 of 3 tests" in verdict(design, records).notes


def test_a_failed_test_is_a_result_of_the_worst_score(make) -> None:
    records = [make.drawn(1, ("r0/t0",), minute=60), make.result("r0/t0", None, minute=61, outcome="failed", phase="uplink")]
    ledger = read(make.design(tunings=1), records)
    assert [(r.score, r.failed) for r in ledger.results] == [(-1.0, True)]
    assert course(make.design(tunings=1), records).tests == 1


def test_a_ramping_test_is_set_aside_and_its_tuning_warmed_up_longer(make) -> None:
    design = make.design(tunings=2)
    records = [make.drawn(1, ("r0/t0", "r0/t1"), minute=60), make.result("r0/t0", 0.1, minute=61, ramping=True)]
    step = course(design, records).next
    assert (step.setup, step.repeat, step.warmup_s) == ("r0/t0", True, 18.0)
    records.append(make.result("r0/t0", 0.1, minute=62, ramping=True))
    assert course(design, records).next.warmup_s == 26.0
    assert course(design, records).tests == 0
    records.append(make.result("r0/t0", 0.1, minute=63, ramping=True))  # what still ramps then is the setup's own way
    assert course(design, records).tests == 1
    assert read(design, records).ramping == 2
    assert course(design, records).next.setup == "r0/t1"
    many = [*records, *(make.result("r0/t0", 0.1, minute=100 + i, round_=2, ramping=True) for i in range(9))]
    assert read(design, many).warmup_s["r0/t0"] == 45.0


def test_a_moved_test_counts_for_the_setup_asked_for(make) -> None:
    records = [
        make.drawn(1, ("r0/t0", "r0/t1"), minute=60),
        make.result("r0/t0", 0.3, minute=61, moved=True, seen="r0/t1"),
        make.result("r0/t1", 0.2, minute=62),
    ]
    now = course(make.design(tunings=2), records)
    assert dict(now.tests_by_setup) == {"r0/t0": 1, "r0/t1": 1}
    assert now.moved_share == 0.5


def test_by_hand_the_wrong_thing_set_counts_for_what_was_set_and_the_place_stays_open(make) -> None:
    design = make.design(tunings=3, by_hand=True)
    records = [make.drawn(1, ("r0/t0", "r0/t1", "r0/t2"), minute=60), make.result("r0/t0", 0.3, minute=61, seen="r0/t2")]
    now = course(design, records)
    assert dict(now.tests_by_setup) == {"r0/t0": 0, "r0/t1": 0, "r0/t2": 1}
    assert now.next.setup == "r0/t0"
    assert now.next.order == ("r0/t0", "r0/t1")


def test_what_no_reading_shows_is_passed_over_and_in_the_end_not_attainable(make) -> None:
    design = make.design(tunings=2)
    refused = [NotShown(at=make.at(61 + i), setup="r0/t0", why="not shown within 90 s", round=1) for i in range(2)]
    records = [make.drawn(1, ("r0/t0", "r0/t1"), minute=60), *refused]
    assert course(design, records[:2]).next.setup == "r0/t0"
    assert course(design, records).next.setup == "r0/t1"
    more = [NotShown(at=make.at(200 + i), setup="r0/t0", why="refused", round=2) for i in range(2)]
    now = course(design, [*records, *more])
    assert now.not_attainable == (("r0/t0", "refused"),)
    assert now.next.order == ("r0/t1",)
    # half the setup's tests are added to what it may be refused
    done = [make.result("r0/t0", 0.1, minute=300 + i, round_=3) for i in range(4)]
    assert course(design, [*records, *more, *done]).not_attainable == ()


def test_where_nothing_can_be_applied_the_campaign_ends(make) -> None:
    design = make.design(tunings=1)
    records = [NotShown(at=make.at(i), setup="r0/t0", why="refused") for i in range(4)]
    step = course(design, records).next
    assert (step.kind, step.why) == ("finish", "not attainable")
    assert verdict(design, records).kind == "not attainable"


def test_a_clock_that_stepped_within_a_round_does_not_tear_it_apart(make) -> None:
    design = make.design(tunings=3)
    records = [make.drawn(1, ("r0/t0", "r0/t1", "r0/t2"), minute=60), make.result("r0/t0", 0.1, minute=61), make.result("r0/t1", 0.1, minute=62)]
    stepped = [*records, make.result("r0/t2", 0.1, minute=63 + 7 * 60)]
    minutes = [r.minute for r in read(design, stepped).results]
    assert max(minutes) - min(minutes) < 5
    back = [*records, make.result("r0/t2", 0.1, minute=63 - 5 * 60)]
    assert max(r.minute for r in read(design, back).results) - min(r.minute for r in read(design, back).results) < 5


def test_a_candidate_added_later_is_tested_before_anything_is_dropped(make) -> None:
    design, records = _campaign(make, tunings=2, allowance=Allowance(days=2.0))
    design = replace(design, allowance=Allowance())
    end = max(r.at for r in records)
    added = [*records, SetupAdded(at=end + timedelta(minutes=1), setup=Setup(key="r0/new", rig="r0", tuning="new"))]
    step = course(design, added).next
    assert step.kind == "round"
    assert "r0/new" in step.order
    # and its tests count even where they arrive before the record that adds it
    early = [*added, make.result("r0/new", 0.5, minute=(end - design.start).total_seconds() / 60 + 5, round_=99)]
    assert dict(course(design, early[::-1]).tests_by_setup)["r0/new"] == 1


def test_a_test_of_an_unknown_setup_is_kept_aside_and_said(make) -> None:
    records = [make.drawn(1, ("r0/t0", "r0/t1"), minute=60), make.result("elsewhere", 0.5, minute=61), make.result("r0/t0", 0.2, minute=62)]
    assert course(make.design(tunings=2), records).tests == 1
    assert "unknown: 1 tests of setups that are not declared" in verdict(make.design(tunings=2), records).notes


def test_a_withdrawn_candidate_is_tested_no_more_and_its_tests_stay(make) -> None:
    design = make.design(tunings=3)
    records = [make.drawn(1, ("r0/t0", "r0/t1", "r0/t2"), minute=60), make.result("r0/t0", 0.9, minute=61)]
    gone = [*records, SetupWithdrawn(at=make.at(62), setup="r0/t0", why="too dear")]
    now = course(design, gone)
    assert now.next.order == ("r0/t1", "r0/t2")
    assert dict(now.tests_by_setup)["r0/t0"] == 1
    assert verdict(design, gone).lead != "r0/t0"


def test_the_allowance_ends_a_campaign_and_a_changed_cap_takes_effect_at_once(make) -> None:
    design, records = _campaign(make, tunings=2, allowance=Allowance(days=1.0))
    assert course(design, records).next.why == "days"
    longer = [*records, AllowanceChanged(at=max(r.at for r in records), allowance=Allowance(days=30.0))]
    assert course(design, longer).next.kind == "round"
    small = [*records[:6], AllowanceChanged(at=records[5].at, allowance=Allowance(data_gb=0.3))]
    assert course(design, small).next.kind == "finish"
    assert course(design, small).next.why == "data"
    dated = make.design(tunings=2, allowance=Allowance(deadline=make.start + timedelta(hours=30)))
    assert course(dated, run(dated, PriorWorld(dated, seed=3))).next.why in {"deadline", "settled"}
    assert all(r.at <= dated.allowance.deadline + timedelta(minutes=30) for r in run(dated, PriorWorld(dated, seed=3)))


def test_stopping_and_taking_up_again(make) -> None:
    design = make.design()
    stopped = [Stopped(at=make.at(5), why="guests in the house")]
    assert course(design, stopped).next.why == "stopped: guests in the house"
    assert course(design, [*stopped, Stopped(at=make.at(9), resumed=True)]).next.kind == "round"


def test_an_event_that_splits_leaves_the_tests_before_it_out(make) -> None:
    design, records = _campaign(make, tunings=2, allowance=Allowance(days=2.0))
    split = [*records, EventNamed(at=max(r.at for r in records) + timedelta(minutes=1), what="a new mast", splits=True)]
    assert course(design, split).tests == 0
    assert course(design, records).tests > 0
    assert any(n.startswith("split: ") for n in verdict(design, split).notes)
    named = [*records, EventNamed(at=max(r.at for r in records), what="rain")]
    assert course(design, named).tests == course(design, records).tests


def test_every_rig_is_visited_and_every_change_is_bracketed(make) -> None:
    _, records = _campaign(make, rigs=3, tunings=2)
    changes = [i for i, r in enumerate(records) if isinstance(r, RigMounted)]
    assert {records[i].rig for i in changes} >= {"r1", "r2"}
    rounds = [r for r in records if isinstance(r, RoundDrawn)]
    for i in changes:
        before = max((r for r in rounds if r.at <= records[i].at), key=lambda r: r.round)
        after = min((r for r in rounds if r.at >= records[i].at), key=lambda r: r.round)
        assert before.bracket
        assert after.bracket
        assert (after.rig, after.visit) == (records[i].rig, records[i].visit)
        assert after.at - before.at < timedelta(minutes=45)
    spacing = [b.at - a.at for a, b in zip([records[i] for i in changes], [records[i] for i in changes[1:]], strict=False)]
    assert min(spacing) >= timedelta(hours=18)


def test_a_rig_change_waits_for_the_persons_hours_and_stops_at_what_is_allowed(make) -> None:
    evenings = Hours(text="daily 18:00-20:00", spans=tuple((d, 1080, 1200) for d in range(7)))
    design = make.design(rigs=2, tunings=2, allowance=Allowance(rig_changes=2, person_hours=evenings))
    records = run(design, PriorWorld(design, seed=5))
    mounts = [r for r in records if isinstance(r, RigMounted)]
    assert 1 <= len(mounts) <= 2
    begun = [r.at - timedelta(minutes=r.person_minutes) for r in mounts]  # after a round that began in the hours
    assert all(18 * 60 <= t.hour * 60 + t.minute <= 20 * 60 + 10 for t in begun)
    poor = replace(design, allowance=Allowance(person_minutes=20.0))
    assert sum(isinstance(r, RigMounted) for r in run(poor, PriorWorld(poor, seed=5))) <= 1


def test_rigs_side_by_side_share_their_rounds_and_cost_no_person(make) -> None:
    design = make.design(rigs=2, tunings=2, rigs_at_once=(("r0", "r1"),))
    step = course(design, ()).next
    assert {s.split("/")[0] for s in step.order} == {"r0", "r1"}
    records = run(design, PriorWorld(design, seed=2))
    assert not any(isinstance(r, RigMounted) for r in records)
    assert course(design, records).used_person_minutes == 0.0
    assert course(design, records).tests > 20


def test_a_rig_changed_by_hand_begins_a_new_visit_and_leaves_the_round(make) -> None:
    design = make.design(rigs=2, tunings=2)
    records = [make.drawn(1, ("r0/t0", "r0/t1"), minute=60), make.result("r0/t0", 0.1, minute=61), make.mounted("r1", minute=90, visit=2)]
    now = course(design, records)
    assert (now.mounted, now.visit) == ("r1", 2)
    assert now.next.kind == "round"
    assert now.next.rig == "r1"
    assert now.next.bracket


def test_rounds_that_were_forgotten_are_not_caught_up_and_a_stale_round_is_left(make) -> None:
    design = make.design(tunings=2)
    records = [make.drawn(1, ("r0/t0", "r0/t1"), minute=120), make.result("r0/t0", 0.1, minute=121)]
    assert course(design, records, now=make.at(130)).next.kind == "test"
    days_later = make.at(3 * 1440 + 200)
    step = course(design, records, now=days_later).next
    assert (step.kind, step.round) == ("round", 2)
    assert step.not_before is not None
    assert step.not_before >= days_later - timedelta(minutes=45)  # so late a round may still begin


def test_by_hand_there_are_two_sittings_a_day_at_most_and_pairs_are_tested_twice(make) -> None:
    design = make.design(tunings=2, by_hand=True, allowance=Allowance(days=8.0))
    records = run(design, PriorWorld(design, seed=8))
    rounds = [r for r in records if isinstance(r, RoundDrawn)]
    days = [r.at.date() for r in rounds]
    assert max(days.count(d) for d in days) <= 2
    assert all(len(r.order) == 4 for r in rounds)


def test_a_campaign_by_hand_of_three_visits_with_mistakes_ends_in_a_verdict_or_not_yet(make) -> None:
    """24 tests in three visits; one step is forgotten, one is done wrongly; stopped and taken up another day."""
    design = make.design(rigs=2, tunings=2, by_hand=True, allowance=Allowance(rig_changes=2, days=10.0))
    world, records, now, number = PriorWorld(design, seed=21), [], design.start, 0
    for _ in range(200):
        step = course(design, records, now=now).next
        if step.kind == "finish" or number >= 24:
            break
        now = max(now, step.not_before or now) + timedelta(minutes=2)
        if step.kind == "round":
            records.append(RoundDrawn(at=now, round=step.round, rig=step.rig, visit=step.visit, order=step.order, bracket=step.bracket))
        elif step.kind == "mount":
            records.append(RigMounted(at=now, rig=step.rig, visit=step.visit, person_minutes=step.minutes))
        else:
            number += 1
            if number == 5:  # forgotten: nobody comes back for a day
                now += timedelta(days=1)
                continue
            other = step.setup[:-1] + ("1" if step.setup.endswith("0") else "0")
            done = other if number == 9 else step.setup
            records.append(
                make.result(
                    step.setup,
                    world.test(setup=done, visit=step.visit, at=now, warmup_s=0).score,
                    minute=(now - design.start).total_seconds() / 60,
                    round_=step.round,
                    visit=step.visit,
                    test=str(number),
                    seen=done,
                )
            )
            if number == 12:
                records += [Stopped(at=now, why="another day"), Stopped(at=now + timedelta(days=1), resumed=True)]
                now += timedelta(days=1)
    said = verdict(design, records)
    assert 18 <= said.tests <= 24
    assert said.kind in {"best", "no difference", "not yet"}
    assert said.lead is not None
    assert sum(dict(course(design, records).tests_by_setup).values()) == said.tests


def test_what_cannot_be_a_campaign_is_refused(make) -> None:
    with pytest.raises(UsageError, match="at least one setup"):
        course(replace(make.design(), setups=()), ())
    with pytest.raises(UsageError, match="time with its zone"):
        course(replace(make.design(), start=make.start.replace(tzinfo=None)), ())
    with pytest.raises(UsageError, match="time with its zone"):
        course(make.design(), [replace(make.drawn(1, ("r0/t0",), minute=5), at=make.start.replace(tzinfo=None))])
    with pytest.raises(UsageError, match="Area/City"):
        course(make.design(timezone="Nowhere/Atall"), ())

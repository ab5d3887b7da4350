"""The fold over tests, hours and events; and a small seeded form of the study (bench/watch_study.py)."""

import math

import numpy as np
import pytest

from bandwright.jobs.rehearse_watch import rehearse_watch
from bandwright.trials.change import EVENT_MASS, READINGS, ChangeWatch, WatchedHour, WatchedTest


def _feed(watch, *, days, seed=1, sd=0.12, drop_day=None, drop=0.0, back_day=None, cells=None, hours=True, rsrp_step=0.0, loss_from=None):
    rng = np.random.default_rng(seed)
    found, notices = [], []
    for d in range(days):
        for h in range(24):
            at = 24.0 * d + h
            moved = drop_day is not None and at >= 24 * drop_day and not (back_day is not None and at >= 24 * back_day)
            if hours:
                values = {"rsrp": -95.0 + rng.normal(0, 0.8) + (rsrp_step if moved else 0.0), "sinr": 10.0 + rng.normal(0, 1.2)}
                cell = cells(at) if cells else "a"
                if cell == "b":
                    values["rsrp"] -= 9.0
                notices += watch.hour(WatchedHour(at_h=at + 1, hour=h + 0.5, weekend=d % 7 >= 5, values=values, cell=cell))
            if h % 4 == 1:
                y = drop if moved else 0.0
                lossy = loss_from is not None and d >= loss_from and rng.random() < 0.5
                found += watch.test(
                    WatchedTest(
                        at_h=at + rng.random(), hour=h + 0.5, weekend=d % 7 >= 5, ln_down=4.0 + y + rng.normal(0, sd), ln_up=2.0 + y + rng.normal(0, sd),
                        ln_delay=4.5 - y + rng.normal(0, 0.1), lossy=bool(lossy), learning=d < 7,
                    )
                )  # fmt: skip
    return found, notices


def test_a_drop_is_one_change_in_however_many_channels_it_shows():
    watch = ChangeWatch()
    found, _ = _feed(watch, days=40, drop_day=25, drop=-0.6)
    assert [f.news for f in found].count(True) == 1
    assert {f.thread for f in found} == {1}
    first = found[0]
    assert first.at_h - 24 * 25 < 48
    assert first.shift.since_low_h - 12 <= 24 * 25 <= first.shift.since_high_h + 12


def test_a_change_that_goes_back_is_told_as_back_in_the_same_thread():
    watch = ChangeWatch()
    found, _ = _feed(watch, days=40, drop_day=22, drop=-0.6, back_day=27)
    news, back = [f for f in found if f.news], [f for f in found if f.reversed]
    assert len(news) == 1
    assert back
    assert back[0].thread == news[0].thread
    assert back[0].shift.size * news[0].shift.size < 0


def test_two_changes_weeks_apart_are_two_threads():
    rng = np.random.default_rng(3)
    watch = ChangeWatch()
    found = []
    for i in range(6 * 60):
        at = 4.0 * i
        y = -0.5 * (at > 24 * 20) - 0.6 * (at > 24 * 45)
        found += watch.test(WatchedTest(at_h=at, hour=at % 24, ln_down=4 + y + rng.normal(0, 0.1), ln_up=2 + y + rng.normal(0, 0.1), ln_delay=4.5, lossy=False, learning=i < 42))
    assert sorted({f.thread for f in found if f.news}) == [1, 2]


def test_a_step_in_a_reading_is_a_notice_and_no_alarm():
    watch = ChangeWatch()
    found, notices = _feed(watch, days=40, drop_day=25, drop=0.0, rsrp_step=-6.0)
    assert not found
    assert [n.kind for n in notices] == ["rsrp"]
    assert notices[0].size == pytest.approx(-6.0, abs=2.0)
    assert abs(notices[0].since_h - 24 * 25) < 12


def test_switches_between_usual_cells_are_no_notices():
    watch = ChangeWatch()
    _, notices = _feed(watch, days=60, cells=lambda at: "b" if int(at / 7) % 3 == 0 else "a")
    assert len(notices) <= 1  # cell b is 9 dB weaker


def test_a_new_cell_is_noticed_once():
    watch = ChangeWatch()
    _, notices = _feed(watch, days=40, cells=lambda at: "new" if at >= 24 * 30 else "a")
    assert [n.kind for n in notices].count("cell") == 1
    assert next(n for n in notices if n.kind == "cell").at_h == pytest.approx(24 * 30 + 5, abs=1.5)


def test_an_event_dates_the_change_and_makes_it_likelier():
    told, untold = ChangeWatch(), ChangeWatch()
    rng = np.random.default_rng(5)
    first = {}
    for name, watch in (("told", told), ("untold", untold)):
        rng = np.random.default_rng(5)
        for i in range(6 * 40):
            at = 4.0 * i
            if name == "told" and i == 6 * 25:
                watch.event("firmware", at + 0.5)
            y = -0.35 * (at > 24 * 25)
            for f in watch.test(WatchedTest(at_h=at + 1, hour=(at + 1) % 24, ln_down=4 + y + rng.normal(0, 0.3), ln_up=2 + y + rng.normal(0, 0.3), lossy=False, learning=i < 42)):
                first.setdefault(name, f)
    assert first["told"].at_h <= first.get("untold", first["told"]).at_h
    assert first["told"].dated_by.kind == "firmware"
    assert first["told"].dated_by.since_h == 24 * 25 + 0.5


def test_loss_appearing_alone_is_found():
    watch = ChangeWatch()
    found, _ = _feed(watch, days=40, loss_from=25)
    assert [f.channel for f in found if f.news] == ["loss"]
    assert found[0].at_h - 24 * 25 < 24 * 5


def _at_changing_width(watch, *, told, drop=0.0, usual=(20.0, 100.0), narrow_from=None, explained=True):
    """Tests at a place whose carriers come and go: ln rate moves by .42 an ln of width beside noise of .1."""
    rng, found = np.random.default_rng(12), []
    for i in range(6 * 40):
        at = 4.0 * i + rng.random()
        width = math.log(20.0 if narrow_from is not None and at >= 24 * narrow_from else rng.choice(usual))
        y = 0.42 * (width if explained else 0.0) + (-drop if at >= 24 * 20 else 0.0) + rng.normal(0, 0.1)
        found += watch.test(WatchedTest(at_h=at, hour=at % 24, ln_down=3 + y, ln_up=1 + y, ln_width=width if told else None, learning=at < 168))
    return found


def test_a_drop_is_found_sooner_where_the_carriers_of_each_test_are_known():
    # rates swing by .68 with the carriers: at equal carriers the noise is a fifth of that
    told, untold = (_at_changing_width(ChangeWatch(), told=t, drop=0.35) for t in (True, False))
    assert told[0].channel == "both"
    assert told[0].shift.size < 0
    assert [f.news for f in told].count(True) == 1
    assert told[0].at_h - 480 < 36  # nine tests
    assert not untold or untold[0].at_h > told[0].at_h + 12


def test_a_carrier_lost_is_found_in_the_rates_and_width_alone_is_no_alarm():
    # what the carriers explain is still a change of the rates; carriers that rates do not follow are none
    lost = _at_changing_width(ChangeWatch(), told=True, usual=(60.0, 100.0), narrow_from=20)
    assert lost
    assert all(f.shift.size < 0 for f in lost)
    assert _at_changing_width(ChangeWatch(), told=True, usual=(60.0, 100.0), narrow_from=20, explained=False) == []


def test_stalled_tests_count_against_rates_and_loss():
    watch = ChangeWatch()
    rng = np.random.default_rng(2)
    found = []
    for i in range(6 * 30):
        at = 4.0 * i
        stalled = i > 6 * 20 and i % 2 == 0
        found += watch.test(
            WatchedTest(at_h=at, hour=at % 24, ln_down=None if stalled else 4 + rng.normal(0, 0.1), ln_up=None if stalled else 2 + rng.normal(0, 0.1), lossy=stalled, stalled=stalled, learning=i < 42)
        )
    assert any(f.channel == "loss" for f in found)


def test_the_same_records_give_the_same_answers():
    a, b = ChangeWatch(), ChangeWatch()
    assert _feed(a, days=30, drop_day=20, drop=-0.4) == _feed(b, days=30, drop_day=20, drop=-0.4)
    assert a.found == b.found


def test_every_reading_has_its_mass_and_an_unknown_event_is_refused():
    assert {r.key for r in READINGS} <= set(EVENT_MASS)
    with pytest.raises(KeyError):
        ChangeWatch().event("sunspots", 0.0)


# small seeded form of the study; hundreds of sites are in bench/watch_study.py
@pytest.mark.parametrize("kind", ["calm", "middle", "wild"])
def test_nothing_is_told_where_nothing_changed(kind):
    # budget .25 a site and 90 days: one false alarm in 45 days has a chance of .12 at most, and this seed has none
    assert rehearse_watch(kind, 11, readings=1, days=45).alarms_h == ()


@pytest.mark.parametrize(("kind", "hours"), [("calm", 48), ("middle", 24 * 14)])
def test_a_halving_is_found(kind, hours):
    for seed in (21, 22):
        found = rehearse_watch(kind, seed, change="rates", size=math.log(2), readings=0, change_day=15.0, days=40)
        assert found.delay_h is not None
        assert found.delay_h < hours


def test_charts_for_independent_tests_call_where_nothing_changed():
    found = [rehearse_watch("calm", seed, readings=0, days=45) for seed in (11, 12, 13)]
    for chart in (0, 1):
        assert sum(len(f.charted[chart].alarms_h) for f in found) >= 2
    assert sum(len(f.alarms_h) for f in found) == 0


def test_the_cause_is_named_where_readings_hold_it():
    for change in ("obstruction", "carrier lost", "throttle"):
        found = rehearse_watch("calm", 31, change=change, size=math.log(2), readings=2, change_day=10.0, days=25)
        assert found.cause == found.true_cause

"""The watch on the simulated practice, in simulated time: days in seconds, its records, its restarts, its alerts."""

from __future__ import annotations

import math
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest

from bandwright.jobs import watch_plan
from bandwright.jobs.house import House
from bandwright.jobs.watch import detect_here, setup_in_use, watch
from bandwright.jobs.watch_fold import WatchAnswer
from bandwright.jobs.watch_plan import budget_of, planned_times, spent_mb
from bandwright.needs.hours import parse_hours
from bandwright.words.answers import Alert
from bandwright.words.declared import CampaignPlan, Declared
from bandwright.words.measurement import Measurement, Method, Outcome, Value
from bandwright.words.radio import Capture
from bandwright.words.rig import GatewayPlan, Rig, Setup, Tuning
from bandwright.words.settings import defaults
from bandwright.words.site import Line, Need, Requirements, Site
from bandwright.words.watch import AlertRaised, AlertSent, HourKept, ObservedKept, OutageKept
from bandwright.workspace.records import DiskRecords

START = datetime(2026, 3, 2, tzinfo=UTC)
ALWAYS = Need(key="calls", kind="video", requirements=Requirements(uplink_mbps=4.0), hours=parse_hours("daily 06:00-24:00"))


class Clock:
    """Simulated time whose wall part can step."""

    def __init__(self, start=START):
        self.wall, self.mono = start, 0.0
        self.jumps = []  # (at monotonic, seconds of wall time)

    def now(self):
        return self.wall

    def monotonic_s(self):
        return self.mono

    async def sleep(self, seconds):
        self.mono += seconds
        self.wall += timedelta(seconds=seconds)
        while self.jumps and self.mono >= self.jumps[0][0]:
            self.wall += timedelta(seconds=self.jumps.pop(0)[1])


PAGE = 'AT+QENG="servingcell"\n\n+QENG: "servingcell","NOCONN","LTE","FDD",001,01,1A2B301,{pci},1300,3,5,5,21,{rsrp},-11,-65,{sinr},12,40,-\n\nOK\n'


class Radio:
    """A gateway that always answers, with the text of one modem manual."""

    kind = "at-serial"

    def __init__(self, clock, pci=101, rsrp=-95):
        self.clock, self.pci, self.rsrp, self.asked = clock, pci, rsrp, 0

    async def abilities(self):
        from bandwright.ports import GatewayAbilities

        return GatewayAbilities(can_tune=False)

    async def fetch(self, *, moment="idle"):
        self.asked += 1
        return Capture(key=f"k{self.asked}", at=self.clock.now(), kind="at-serial", text=PAGE.format(pci=self.pci, rsrp=self.rsrp, sinr=12), moment=moment)

    async def close(self):
        pass


class Path:
    """A path whose rates are set by a function of the time."""

    def __init__(self, clock, rates, megabytes=3.0):
        self.clock, self.rates, self.megabytes, self.plans = clock, rates, megabytes, []

    def cost_megabytes(self, plan, *, load_s=0.0):
        return self.megabytes

    async def load(self, seconds, *, plan):
        return 0.0

    async def measure(self, plan, *, listener=None):
        self.plans.append(plan)
        down, up = self.rates(self.clock.now())
        at = self.clock.now()
        await self.clock.sleep(4.0)
        values = (Value(quantity="goodput_down_mbps", value=down), Value(quantity="goodput_up_mbps", value=up), Value(quantity="delay_loaded_up_ms", value=80.0), Value(quantity="loss_ratio", value=0.0))
        return Measurement(key=f"m{at.timestamp():.0f}", at=at, method=Method.SIMULATED, values=values, megabytes=self.megabytes, seconds=4.0)


def _house(tmp_path, clock, *, rates=lambda at: (50.0, 10.0), glance=None, cap=None, sent=None, settings=None, radio=None, megabytes=3.0):
    declared = Declared(
        site=Site(name="x", timezone="Europe/Madrid"),
        needs=(ALWAYS,),
        lines=(Line(key="l", cap_gb_per_month=cap),),
        gateways=(GatewayPlan(key="g", kind="at-serial"),),
        rigs=(Rig(key="r", line="l", gateway="g"),),
        tunings=(Tuning(key="t"),),
        setups=(Setup(key="r/t", rig="r", tuning="t"),),
        campaign=CampaignPlan(in_use="r/t"),
        settings={**defaults(), "watch_poll_s": 60.0, "watch_look_s": 60.0, "quiet_hours": "none", **(settings or {})},
    )

    async def send(alert):
        sent.append(alert)
        return 1

    path = Path(clock, rates, megabytes)
    house = House(
        folder=tmp_path, declared=declared, records=DiskRecords(tmp_path), clock=clock, gateway_maker=lambda _: radio or Radio(clock), probe_maker=lambda _: path,
        shown=lambda *_: (True, ""), glance=glance, send_alert=send if sent is not None else None,
    )  # fmt: skip
    return house, path


async def _run(house, *, days, detect=None):
    return [e async for e in watch(house, until=house.clock.now() + timedelta(days=days), detect=detect or detect_here(house, "r/t"))]


def _noise(at):
    x = at.timestamp()
    return math.exp(0.1 * math.sin(x / 977.0) + 0.05 * math.sin(x / 3511.0))


async def test_a_drop_is_found_told_once_and_a_restart_does_not_repeat_it(tmp_path):
    clock, sent = Clock(), []
    drop = START + timedelta(days=9)

    def rates(at):
        factor = _noise(at) * (0.5 if at >= drop else 1.0)
        return 50.0 * factor, 10.0 * factor

    house, path = _house(tmp_path, clock, rates=rates, sent=sent, settings={"watch_poll_s": 1200.0})

    async def later(now):  # nothing happened before, so folding every few hours of it only takes time
        return await detect_here(house, "r/t")(now) if now > drop + timedelta(hours=8) else WatchAnswer()

    events = await _run(house, days=10.6, detect=later)
    assert len(path.plans) >= 60
    assert len(sent) == 1
    assert sent[0].need == "calls" or sent[0].need is None
    assert "50 % less" in sent[0].sentence or "less than before" in sent[0].sentence
    assert abs((sent[0].since - drop).total_seconds()) < 12 * 3600
    assert math.expm1(sent[0].size.value) == pytest.approx(-0.5, abs=0.15)
    assert [e.kind for e in events].count("change") == 1
    before = len(path.plans)
    await _run(house, days=0.4)
    assert len(sent) == 1
    assert 1 <= len(path.plans) - before <= 8
    assert sum(isinstance(r, AlertRaised) for r in house.records.watched()) == 1
    assert sum(isinstance(r, AlertSent) for r in house.records.watched()) == 1


async def test_the_same_day_is_planned_the_same_way_after_a_restart(tmp_path):
    clock = Clock()
    house, _ = _house(tmp_path, clock, settings={"watch_poll_s": 300.0})
    calm = _nothing
    await _run(house, days=0.5, detect=calm)
    await _run(house, days=0.5, detect=calm)
    kept = [m.fact("watch_for") for m in house.records.measurements()]
    assert len(kept) == len(set(kept)) == 6
    times = planned_times(START.date(), 6, [ALWAYS], zone=ZoneInfo("Europe/Madrid"), seed=0)
    assert sorted(kept)[:3] == [t.isoformat() for t in times][:3]


async def _nothing(_now):
    return WatchAnswer()


async def test_data_never_pass_the_declared_share(tmp_path):
    clock = Clock(datetime(2026, 3, 1, tzinfo=UTC))
    # 1 GB x 5 % = 50 MB a month: at 3 MB a test 16 tests, and no more however eagerly the detector asks; 38 MB are taken already
    house, path = _house(tmp_path, clock, cap=1.0, settings={"watch_poll_s": 1100.0})
    taken_before = Measurement(key="before", at=clock.now(), method=Method.SIMULATED, megabytes=38.0, facts=(("watch", "r/t"),))
    house.records.add_measurement(taken_before)

    async def eager(now):
        return WatchAnswer(suspicion=True, ask_extra_since=now)

    events = await _run(house, days=13, detect=eager)
    taken = sum(m.megabytes for m in house.records.measurements())
    assert 44.0 <= taken <= 50.0 * 1.02
    assert sum(bool(m.fact("watch_extra")) for m in house.records.measurements()) >= 1
    assert all(p.max_megabytes <= 50.0 for p in path.plans)
    assert any("share of the month's volume is used" in e.text for e in events)


async def test_outages_are_kept_with_phase_and_time_and_told_when_they_are_over(tmp_path):
    clock, sent = Clock(), []
    down = [(START + timedelta(hours=2), START + timedelta(hours=2, minutes=20), "names"), (START + timedelta(hours=5), START + timedelta(hours=5, minutes=3), "far end")]

    async def glance():
        return next((phase for a, b, phase in down if a <= clock.now() < b), None)

    house, _ = _house(tmp_path, clock, glance=glance, sent=sent, settings={"watch_poll_s": 30.0, "watch_look_s": 30.0})
    await _run(house, days=0.3, detect=_nothing)
    outages = [r for r in house.records.watched() if isinstance(r, OutageKept)]
    assert [o.phase for o in outages] == ["names", "far end"]
    for o, (a, b, _) in zip(outages, down, strict=True):
        assert abs((o.at - a).total_seconds()) <= 30
        assert abs((o.end - b).total_seconds()) <= 30
    assert len(sent) == 1  # the three-minute one is below alert_outage_min
    assert "20 minutes" in sent[0].sentence
    observed = sum((r.end - r.at).total_seconds() for r in house.records.watched() if isinstance(r, ObservedKept))
    assert observed == pytest.approx(0.3 * 86400, rel=0.02)


async def test_one_lost_look_is_asked_again_and_is_no_outage(tmp_path):
    clock = Clock()
    looks = []

    async def glance():
        looks.append(clock.mono)
        return "far end" if len(looks) == 5 else None

    house, _ = _house(tmp_path, clock, glance=glance, settings={"watch_poll_s": 30.0, "watch_look_s": 30.0})
    events = await _run(house, days=0.01, detect=_nothing)
    assert looks[5] - looks[4] == pytest.approx(3.0, abs=0.5)
    assert not [r for r in house.records.watched() if isinstance(r, OutageKept)]
    assert "outage" not in {e.kind for e in events}


async def test_sleep_is_not_observed_and_a_clock_step_is_not_an_outage(tmp_path):
    clock = Clock()
    clock.jumps = [(3600.0, 7200.0), (4 * 3600.0, -90.0)]  # sleeps two hours (the steady clock stands); later the clock is set back

    async def glance():
        return None

    house, _ = _house(tmp_path, clock, glance=glance)
    events = await _run(house, days=0.4, detect=_nothing)
    assert [e.kind for e in events].count("not observed") == 1
    assert any("was set by -90 s" in e.text for e in events)
    assert not [r for r in house.records.watched() if isinstance(r, OutageKept)]
    observed = sum((r.end - r.at).total_seconds() for r in house.records.watched() if isinstance(r, ObservedKept))
    assert observed == pytest.approx(0.4 * 86400 - 7200 + 90, abs=600)


async def test_alerts_wait_for_the_end_of_quiet_hours(tmp_path):
    clock, sent = Clock(START + timedelta(hours=21)), []  # 22:00 at the site
    house, _ = _house(tmp_path, clock, sent=sent, settings={"quiet_hours": "daily 22:00-07:00", "watch_poll_s": 300.0, "watch_look_s": 300.0})
    alert = Alert(at=clock.now() + timedelta(hours=1), key="change 1 up", sentence="Upload is less.")

    async def finds(now):
        return WatchAnswer(alerts=(alert,) if now >= alert.at else ())

    events = await _run(house, days=0.6, detect=finds)
    assert [e.kind for e in events].count("held") == 1
    assert [a.key for a in sent] == ["change 1 up"]
    went = next(e.at for e in events if e.kind == "alert").astimezone(ZoneInfo("Europe/Madrid"))
    assert went.hour == 7


async def test_an_alert_that_nobody_took_is_tried_again_after_a_restart(tmp_path):
    clock = Clock()
    house, _ = _house(tmp_path, clock, sent=[])
    tried = []

    async def nobody(alert):
        tried.append(alert.key)
        return 0

    house.send_alert = nobody
    house.records.add_watched(AlertRaised(at=START, key="k", alert=Alert(at=START, key="k", sentence="s")))
    await _run(house, days=0.02, detect=_nothing)
    assert set(tried) == {"k"}
    sent = []

    async def takes(alert):
        sent.append(alert.key)
        return 1

    house.send_alert = takes
    await _run(house, days=0.02, detect=_nothing)
    assert sent == ["k"]
    await _run(house, days=0.02, detect=_nothing)
    assert sent == ["k"]


async def test_hours_hold_the_means_of_many_readings_and_few_captures(tmp_path):
    clock = Clock()
    radio = Radio(clock)
    house, _ = _house(tmp_path, clock, radio=radio)
    await _run(house, days=0.25, detect=_nothing)
    hours = [r for r in house.records.watched() if isinstance(r, HourKept)]
    assert len(hours) == 6
    assert all(dict(h.values)["rsrp"] == -95.0 for h in hours)
    assert hours[0].cell == "1300/101"
    assert sum(h.readings for h in hours) >= 350
    assert len(house.records.captures()) <= 8 + 2 * 6


def test_fractions_of_a_test_carry_over():
    days = [START.date() + timedelta(days=i) for i in range(50)]
    assert sum(watch_plan.tests_of_day(d, 1.6) for d in days) == 80
    assert {watch_plan.tests_of_day(d, 1.6) for d in days} == {1, 2}


def test_tests_fall_in_the_hours_that_matter_one_in_each_part():
    zone = ZoneInfo("Europe/Madrid")
    office = replace(ALWAYS, hours=parse_hours("Mon-Fri 09:00-17:00"))
    times = planned_times(date(2026, 10, 26), 4, [office], zone=zone, seed=3)
    local = [t.astimezone(zone) for t in times]
    assert [int((t.hour * 60 + t.minute - 540) // 120) for t in local] == [0, 1, 2, 3]
    assert len(planned_times(date(2026, 10, 25), 4, [office], zone=zone, seed=3)) == 4  # a Sunday: the whole day


def test_the_plan_of_the_allowance():
    # 50 / 10 Mbit/s, light tests of .12 MB per Mbit/s, 5 % of 40 GB: 2 GB a month, 30 % of it in reserve
    budget = budget_of(cap_gb=40.0, share=0.05, per_test_mb=7.2)
    assert budget.tests_a_day == pytest.approx(0.7 * 2000 / 30 / 7.2)
    assert budget_of(cap_gb=None, share=0.05, per_test_mb=7.2).tests_a_day == 6.0
    m = Measurement(key="a", at=START, method=Method.SIMULATED, outcome=Outcome.OK, megabytes=7.0, facts=(("watch", "x"),))
    other = replace(m, key="b", facts=())
    before = replace(m, key="c", at=START - timedelta(days=20))
    assert spent_mb([m, other, before], month=START.date(), zone=ZoneInfo("UTC")) == 7.0


def test_which_setup_is_watched(tmp_path):
    house, _ = _house(tmp_path, Clock())
    assert setup_in_use(house) == "r/t"
    with pytest.raises(Exception, match="allowed: r/t"):
        setup_in_use(house, "r/other")


def test_the_watch_keeps_heavy_libraries_out():
    import subprocess
    import sys

    code = "import bandwright.jobs.watch, bandwright.workspace.records, bandwright.jobs.assembly, sys; print([m for m in ('scipy','numpy','numba','polars','altair','apprise') if m in sys.modules])"
    assert subprocess.run([sys.executable, "-c", code], capture_output=True, text=True).stdout.strip() == "[]"

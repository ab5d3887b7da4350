"""The recheck: as it was, worse and why, or cannot tell; and its error rates on simulated places."""

from __future__ import annotations

import math
from datetime import UTC, datetime, timedelta

import numpy as np
import pytest

from bandwright.errors import UsageError
from bandwright.jobs.house import House
from bandwright.jobs.recheck import again, compare
from bandwright.needs.hours import parse_hours
from bandwright.ports import GatewayAbilities, ProbeEvent
from bandwright.words.campaign import Allowance
from bandwright.words.declared import CampaignPlan, Declared
from bandwright.words.measurement import Measurement, Method, Value
from bandwright.words.radio import Capture
from bandwright.words.rig import GatewayPlan, Rig, Setup, Tuning
from bandwright.words.site import Line, Need, Requirements, Site
from bandwright.workspace.records import DiskRecords

START = datetime(2026, 3, 4, 10, tzinfo=UTC)
PAGE = 'AT+QENG="servingcell"\n\n+QENG: "servingcell","NOCONN","LTE","FDD",001,01,1A2B301,{pci},1300,3,5,5,21,{rsrp},-11,-65,{sinr},12,40,-\n\nOK\n'


class Clock:
    def __init__(self):
        self.at = START

    def now(self):
        return self.at

    def monotonic_s(self):
        return self.at.timestamp()

    async def sleep(self, seconds):
        self.at += timedelta(seconds=seconds)


class Radio:
    kind = "at-serial"

    def __init__(self, clock):
        self.clock, self.n, self.pci, self.rsrp, self.sinr = clock, 0, 101, -95, 12

    async def abilities(self):
        return GatewayAbilities(can_tune=False)

    async def fetch(self, *, moment="idle"):
        self.n += 1
        return Capture(key=f"now{self.n}", at=self.clock.now(), kind="at-serial", text=PAGE.format(pci=self.pci, rsrp=self.rsrp, sinr=self.sinr), moment=moment)

    async def close(self):
        pass


class Path:
    def __init__(self, clock, *, factor=1.0, hop_ms=0.6, link="cable", sd=0.08):
        self.clock, self.factor, self.hop_ms, self.link, self.sd, self.n = clock, factor, hop_ms, link, sd, 0
        self.rng = np.random.default_rng(3)

    def cost_megabytes(self, plan, *, load_s=0.0):
        return 20.0

    async def load(self, seconds, *, plan):
        return 0.0

    async def measure(self, plan, *, listener=None):
        for phase in ("idle", "downlink", "uplink"):
            await listener(ProbeEvent(kind="phase", phase=phase))
        self.n += 1
        return _measurement(f"now{self.n}", self.clock.now(), math.exp(self.sd * self.rng.standard_normal()) * self.factor, hop_ms=self.hop_ms, link=self.link)


def _measurement(key, at, factor, *, hop_ms=0.6, link="cable", captures=()):
    values = (
        Value(quantity="goodput_down_mbps", value=50.0 * factor), Value(quantity="goodput_up_mbps", value=10.0 * factor), Value(quantity="delay_loaded_up_ms", value=100.0),
        Value(quantity="first_hop_idle_ms", value=hop_ms), Value(quantity="loss_ratio", value=0.0),
    )  # fmt: skip
    return Measurement(key=key, at=at, method=Method.SIMULATED, setup_asked="r/t", values=values, facts=(("link", link), ("campaign", "c1")), megabytes=20.0, captures=captures)


def _house(tmp_path, *, campaign=24, sd=0.08, **path):
    clock = Clock()
    radio = Radio(clock)
    need = Need(key="calls", kind="video", requirements=Requirements(uplink_mbps=4.0), hours=parse_hours("always"))
    declared = Declared(
        site=Site(name="x"), needs=(need,), lines=(Line(key="l"),), gateways=(GatewayPlan(key="g", kind="at-serial"),), rigs=(Rig(key="r", line="l", gateway="g"),), tunings=(Tuning(key="t"),),
        setups=(Setup(key="r/t", rig="r", tuning="t"),), campaign=CampaignPlan(in_use="r/t", allowance=Allowance()),
    )  # fmt: skip
    probe = Path(clock, sd=sd, **path)
    house = House(folder=tmp_path, declared=declared, records=DiskRecords(tmp_path), clock=clock, gateway_maker=lambda _: radio, probe_maker=lambda _: probe, shown=lambda *_: (True, ""))
    rng = np.random.default_rng(1)
    for i in range(campaign):
        at = START - timedelta(days=90) + timedelta(days=i % 10, hours=(i // 10) * 0.7)
        house.records.add_capture(Capture(key=f"then{i}", at=at, kind="at-serial", text=PAGE.format(pci=101, rsrp=-95 + int(rng.integers(-1, 2)), sinr=12 + int(rng.integers(-2, 3))), moment="idle"))
        house.records.add_measurement(_measurement(f"then{i}", at, math.exp(sd * rng.standard_normal()), captures=(("idle", f"then{i}"),)))
    return house, radio, clock


async def _answer(house, **options):
    events = [e async for e in again(house, **options)]
    assert [e.kind for e in events][-1] == "answer"
    return events[-1].answer


async def test_nothing_changed_is_as_it_was_and_takes_ten_minutes(tmp_path):
    house, _, clock = _house(tmp_path, sd=0.06)
    answer = await _answer(house)
    assert answer.kind == "as it was"
    assert answer.sentence.startswith("As it was, give or take")
    assert answer.same_hours
    assert len(answer.measurements) == 6
    assert clock.at - START <= timedelta(minutes=10)
    assert answer.megabytes == 120.0
    assert all(m.fact("again") == "yes" for m in answer.measurements)


async def test_worse_with_a_weaker_signal_names_what_probably_did_it(tmp_path):
    house, radio, _ = _house(tmp_path, factor=0.5)
    radio.rsrp, radio.sinr = -107, 4
    answer = await _answer(house)
    assert answer.kind == "worse"
    assert answer.cause.key == "obstruction"
    assert "Probably the signal fell" in answer.sentence
    assert "50 % less" in answer.sentence or "less" in answer.sentence


async def test_worse_on_another_cell_says_so(tmp_path):
    house, radio, _ = _house(tmp_path, factor=0.55)
    radio.pci, radio.rsrp, radio.sinr = 333, -97, 9
    answer = await _answer(house)
    assert answer.kind == "worse"
    assert answer.cause.key == "cell change"


async def test_the_houses_own_network_is_looked_at_first(tmp_path):
    house, _, _ = _house(tmp_path, factor=0.4, hop_ms=28.0, link="wifi")
    events = [e async for e in again(house)]
    assert events[0].kind == "house"
    assert "28 ms" in events[0].text
    answer = events[-1].answer
    assert answer.kind == "worse"
    assert "look at Wi-Fi and cables" in answer.sentence
    assert "joined by wifi" in answer.sentence


async def test_a_noisy_place_cannot_tell_and_says_how_many_more(tmp_path):
    house, _, _ = _house(tmp_path, sd=0.6)
    answer = await _answer(house)
    assert answer.kind == "cannot tell"
    assert answer.more >= 1
    assert f"about {answer.more} more" in answer.sentence


async def test_it_keeps_to_its_data_and_refuses_where_nothing_was_tested(tmp_path):
    house, _, _ = _house(tmp_path)
    answer = await _answer(house, megabytes=45.0)
    assert answer.megabytes <= 45.0
    assert len(answer.measurements) == 2
    (tmp_path / "b").mkdir()
    empty, _, _ = _house(tmp_path / "b", campaign=2)
    with pytest.raises(UsageError, match="nothing to set a recheck beside"):
        await _answer(empty)


@pytest.mark.parametrize(("sd_lasting", "sd_fast"), [(0.08, 0.08), (0.2, 0.25), (0.35, 0.2)])
def test_a_place_that_did_not_change_is_seldom_called_worse(sd_lasting, sd_fast):
    # 600 places: lasting part (hours and days) common to the ten minutes, fast part new in each test; 90 % two-sided, and past .10 in ln
    rng = np.random.default_rng(5)
    wrong = found = 0
    for _ in range(600):
        before = np.exp(np.hypot(sd_lasting, sd_fast) * rng.standard_normal(24)).tolist()
        now = np.exp(sd_lasting * rng.standard_normal() + sd_fast * rng.standard_normal(6)).tolist()
        wrong += compare("goodput_down_mbps", before, now).verdict == "worse"
        found += compare("goodput_down_mbps", before, [0.4 * x for x in now]).verdict == "worse"
    assert wrong / 600 <= 0.08
    assert found / 600 >= (0.9 if sd_lasting < 0.3 else 0.5)


def test_more_tests_are_not_promised_where_they_would_not_help():
    row = compare("goodput_down_mbps", [10.0, 30.0, 12.0, 50.0], [20.0])
    assert row.verdict == "cannot tell"
    assert row.more == 20  # four tests before are the limit: the most that is ever named
    assert compare("goodput_down_mbps", [10.0, 30.0, 12.0], [20.0]) is None

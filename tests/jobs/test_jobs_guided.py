"""Guided jobs on simulated places: a walk through the house, and the search for a heading; stopped and resumed."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from types import SimpleNamespace

import pytest

from bandwright.errors import GatewayUnreachable, UsageError
from bandwright.jobs.aim import aim, aim_state, sun_now, undo_heading
from bandwright.jobs.assembly import open_house
from bandwright.jobs.house import Left
from bandwright.jobs.walk import walk
from bandwright.ports import GatewayAbilities, Question
from bandwright.twin.clock import SimulatedClock
from bandwright.twin.path import draw_aim_scene
from bandwright.twin.practice import START
from bandwright.words.measurement import Measurement, Method, Outcome, Value
from bandwright.words.radio import Capture

SITE = """
[site]
name = "Guided"
latitude_deg = 51.0
longitude_deg = -1.0

[[need]]
kind = "video call"

[[line]]
key = "A"

[[gateway]]
key = "own"
kind = "at-tcp"
address = "192.0.2.1:5000"

[[rig]]
key = "gable"
line = "A"
gateway = "own"
antenna = { kind = "panel", gain_dbi = 9, beamwidth_deg = 60, height_m = 5 }
"""


class Gateway:
    kind = "at-tcp"

    def __init__(self, clock, level) -> None:
        self.clock, self.level, self.count = clock, level, 0

    async def abilities(self) -> GatewayAbilities:
        return GatewayAbilities(can_tune=False)

    async def fetch(self, *, moment: str = "idle") -> Capture:
        self.count += 1
        rsrp, sinr = self.level()
        text = f'+QENG: "servingcell","CONNECT","LTE","FDD",001,01,1A2B30C,12,1300,3,5,5,1A2B,{round(rsrp)},-11,-70,{round((sinr + 20) / 2)},9,230,27\nOK\n'
        return Capture(key=f"k{self.clock.monotonic_s():.3f}-{self.count}-{id(self)}", at=self.clock.now(), kind=self.kind, text=text, moment=moment)

    async def close(self) -> None:
        return


def house_with(folder: Path, gateway, probe, person, clock):
    folder.mkdir(exist_ok=True)
    (folder / "site.toml").write_text(SITE)
    plain = open_house(folder)
    return replace(plain, clock=clock, gateway_maker=lambda _k: gateway, probe_maker=lambda _r: probe, person=person, _gateways={}, _probes={})


def weak(level_db: float) -> tuple[float, float]:
    """RSRP and SINR of a link that noise limits: -125.2 dBm a resource element at 7 dB of noise figure (k·290 K, 15 kHz)."""
    rsrp = level_db - 25.0
    return rsrp, rsrp + 125.2


class Turner:
    """Turns to what is asked; leaves after so many questions."""

    def __init__(self, leaves_after: int = 10_000) -> None:
        self.heading, self.asked, self.leaves_after = 0.0, [], leaves_after

    async def ask(self, question: Question) -> str:
        self.asked.append(question)
        if len(self.asked) > self.leaves_after:
            raise Left
        self.heading = float(question.text.split("Turn to ")[1].split("°")[0])
        return "done"


@pytest.mark.parametrize("seed", [1, 2, 3])
async def test_the_heading_found_costs_little_against_the_true_one(tmp_path: Path, seed: int) -> None:
    scene, clock, turner = draw_aim_scene(seed, beamwidth_deg=60.0), SimulatedClock(START), Turner()
    gateway = Gateway(clock, lambda: weak(scene.true_db(turner.heading)))
    house = house_with(tmp_path, gateway, None, turner, clock)
    events = [e async for e in aim(house, rig="gable")]
    answer = events[-1]
    assert answer.kind == "answer"
    assert answer.fits[0].state == "found"
    assert answer.fits[0].heading is not None
    assert scene.pointing_loss_db(answer.fits[0].heading.value) < 0.5  # dB; readings are rounded to 1 dB here
    assert turner.asked[0].cautions
    assert not turner.asked[1].cautions
    assert events[0].compass_deg is not None


async def test_a_search_that_is_stopped_goes_on_where_it_was(tmp_path: Path) -> None:
    scene, clock = draw_aim_scene(5, beamwidth_deg=60.0), SimulatedClock(START)
    first = Turner(leaves_after=5)
    gateway = Gateway(clock, lambda: weak(scene.true_db(first.heading)))
    stopped = [e async for e in aim(house_with(tmp_path, gateway, None, first, clock), rig="gable")]
    assert stopped[-1].kind == "answer"
    second = Turner()
    gateway = Gateway(clock, lambda: weak(scene.true_db(second.heading)))
    events = [e async for e in aim(house_with(tmp_path, gateway, None, second, clock), rig="gable")]
    turned = [e.heading_deg for e in events if e.kind == "turn"]
    before = [e.heading_deg for e in stopped if e.kind == "read"]
    assert len(before) == 5
    assert not set(before) & set(turned[:3])  # 360 / (3/4 of 60) is 8 coarse headings: the three that were left come first
    assert events[-1].fits[0].state == "found"


async def test_aiming_needs_a_declared_rig_with_a_beamwidth(tmp_path: Path) -> None:
    clock = SimulatedClock(START)
    house = house_with(tmp_path, Gateway(clock, lambda: (-100, 3)), None, Turner(), clock)
    with pytest.raises(UsageError, match="gable"):
        _ = [e async for e in aim(house, rig="roof")]


SPOTS = {"kitchen sill": (-108.0, 2.0, 18.0), "west bedroom": (-96.0, 13.0, 60.0), "landing": (-104.0, 6.0, 30.0), "back room": (-114.0, -2.0, 6.0)}


class Carrier:
    def __init__(self, leaves_after: int = 10_000) -> None:
        self.spot, self.count, self.leaves_after = "", 0, leaves_after

    async def ask(self, question: Question) -> str:
        self.count += 1
        if self.count > self.leaves_after:
            raise Left
        self.spot = question.text.split("to: ")[1].split(" (")[0]
        return "done"


async def test_a_walk_ranks_the_spots_and_survives_being_stopped(tmp_path: Path) -> None:
    clock = SimulatedClock(START)
    state = SimpleNamespace(person=Carrier(leaves_after=3))

    class Probe:
        async def load(self, seconds, *, plan):
            await clock.sleep(seconds)
            return 0.0

        async def measure(self, plan, *, listener=None):
            await clock.sleep(3)
            down = SPOTS[state.person.spot][2]
            values = (Value(quantity="goodput_down_mbps", value=down), Value(quantity="goodput_up_mbps", value=down / 8))
            return Measurement(key="light", at=clock.now(), method=Method.SIMULATED, outcome=Outcome.OK, values=values)

    gateway = Gateway(clock, lambda: SPOTS[state.person.spot][:2])
    partial = [e async for e in walk(house_with(tmp_path, gateway, Probe(), state.person, clock), spots=list(SPOTS))]
    assert partial[-1].kind == "answer"
    state.person = Carrier()
    events = [e async for e in walk(house_with(tmp_path, gateway, Probe(), state.person, clock), spots=list(SPOTS))]
    assert sum(e.kind == "visited" for e in partial) + sum(e.kind == "visited" for e in events) == 8
    answer = events[-1].answer
    assert answer is not None
    assert answer.candidates == ("west bedroom", "landing")
    assert all(s.visits == 2 for s in answer.spots)


async def test_a_walk_takes_four_to_eight_spots(tmp_path: Path) -> None:
    clock = SimulatedClock(START)
    house = house_with(tmp_path, Gateway(clock, lambda: (-100, 3)), None, Carrier(), clock)
    with pytest.raises(UsageError, match="4 to 8"):
        _ = [e async for e in walk(house, spots=["one", "two"])]


class Undoer(Turner):
    """Takes the third heading back once, when it is asked for the fourth."""

    undone = False

    async def ask(self, question: Question) -> str:
        if len(self.asked) == 3 and not self.undone:
            self.undone = True
            return "undo"
        return await super().ask(question)


async def test_a_heading_taken_back_is_turned_to_again_and_nothing_kept_is_lost(tmp_path: Path) -> None:
    scene, clock, person = draw_aim_scene(1, beamwidth_deg=60.0), SimulatedClock(START), Undoer(leaves_after=5)
    house = house_with(tmp_path, Gateway(clock, lambda: weak(scene.true_db(person.heading))), None, person, clock)
    events = [e async for e in aim(house, rig="gable")]
    turned = [e.heading_deg for e in events if e.kind == "read"]
    assert turned[:4] == [0.0, 45.0, 90.0, 90.0]
    assert next(e for e in events if e.kind == "undone").heading_deg == 90.0
    kept = [c for c in house.records.captures() if dict(c.meta).get("heading_deg") == "90.00"]
    state = aim_state(house, "gable")
    (mark,) = [m for m in state.marks if m.heading_deg == 90.0]
    assert len(kept) == 2 * mark.readings  # both stays are kept, one counts
    assert undo_heading(house, "gable").heading_deg == turned[-1]
    assert turned[-1] not in [m.heading_deg for m in aim_state(house, "gable").marks]
    while undo_heading(house, "gable").heading_deg is not None:
        pass
    assert aim_state(house, "gable").marks == ()


async def test_holding_still_is_counted_down_and_silence_is_said(tmp_path: Path) -> None:
    clock, person = SimulatedClock(START), Turner(leaves_after=2)
    gateway = Gateway(clock, lambda: weak(-70.0))
    house = house_with(tmp_path, gateway, None, person, clock)
    plain = gateway.fetch

    async def fetch(*, moment: str = "idle") -> Capture:
        if gateway.count == 7:
            gateway.count += 1
            raise GatewayUnreachable("no answer")
        return await plain(moment=moment)

    gateway.fetch = fetch
    events = [e async for e in aim(house, rig="gable")]
    holds = [e for e in events if e.kind == "hold"]
    assert [e.left_s for e in holds[:10]] == [10.0, 9.0, 8.0, 7.0, 6.0, 5.0, 4.0, 3.0, 2.0, 1.0]
    assert [e.lost for e in holds].count(True) == 1
    second = [e for e in events if e.kind == "read"][1]
    assert second.change_db == pytest.approx(0.0)  # the same level everywhere
    assert second.best_deg == 0.0
    assert second.noise_db is not None
    assert 0.4 < second.noise_db < 1.5  # dB: steady to rounding, so drift of 0.7 dB over 10 s and the floor of fading are what is left


@pytest.mark.parametrize(("at", "word"), [(datetime(2026, 3, 20, 9, tzinfo=UTC), ""), (datetime(2026, 6, 21, 12, tzinfo=UTC), "above 60°"), (datetime(2026, 3, 20, 0, tzinfo=UTC), "down")])
def test_the_sun_serves_between_5_and_60_degrees(tmp_path: Path, at: datetime, word: str) -> None:
    house = house_with(tmp_path, None, None, None, SimulatedClock(at))
    answer = sun_now(house)
    assert word in answer.why_not
    assert bool(answer.why_not) == bool(word)
    assert answer.position is not None
    if word:
        assert answer.from_at is not None
        assert answer.from_at > at
    bare = replace(house, declared=replace(house.declared, site=replace(house.declared.site, latitude_deg=None)))
    assert sun_now(bare).position is None
    assert "not declared" in sun_now(bare).why_not

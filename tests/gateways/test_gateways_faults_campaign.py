"""Each thing a line does wrong, in each phase of a real campaign: what the person is told, what is recorded, that service and setting come back.

One round of two setups runs through `jobs.campaign` on the simulated practice, over a line without a wire in simulated time.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from pathlib import Path

import pytest
from stage import Script, over_no_wire
from test_gateways_faults import a_read_back, a_reading, a_setting
from twin_bench import small

from bandwright.jobs.campaign import put_back, run
from bandwright.twin.modem import Fault
from bandwright.words.campaign import NotShown

LINE_S = 5.0  # how long nothing may come while an answer is waited for: the setting's default
NOTHING = None
CLOSED, NO_ANSWER, CME, ERROR = "closed the line", "no answer within 5 s", r"\+CME ERROR: 100", "ERROR"

# phase -> fault -> what the person is told. NOTHING: it is got over without a word, by asking again.
TOLD: dict[str, dict[Fault, str | None]] = {
    "read": dict.fromkeys(Fault, NOTHING),
    "apply": {**dict.fromkeys(Fault, NOTHING), Fault.VANISH: f"{CLOSED}; trying again", Fault.CME: f"not applied: .*{CME}", Fault.ERROR: f"not applied: .*{ERROR}"},
    "wait": {**dict.fromkeys(Fault, NOTHING), Fault.VANISH: f"{CLOSED}; trying again"},
    "test": {**dict.fromkeys(Fault, NOTHING), Fault.LATE: NO_ANSWER, Fault.SILENT: NO_ANSWER, Fault.VANISH: CLOSED},
    "restore": dict.fromkeys(Fault, NOTHING),
}


@dataclass
class Ran:
    twin: object
    house: object
    notes: list[str]
    events: list[object]
    seconds: float
    used: bool
    link: object


async def one_round(folder: Path, faults: list[Fault], phase: str, *, guard: object = None) -> Ran:
    """Run a campaign until the long wait after its first round has begun, with faults in one phase."""
    twin, house = await small(folder, days=0.2)
    gateway, link = over_no_wire(twin.world.modem, twin.world.clock)
    house.gateway_maker, house.guard = (lambda _key: gateway), guard
    doing = "start"
    where = {"read": ("start", a_reading), "apply": ("applying", a_setting), "wait": ("applying", a_read_back), "test": ("measuring", a_reading), "restore": ("tested", a_setting)}
    at, picks = where[phase]
    script = Script(faults, when=lambda command: doing == at and picks(command) and (phase != "wait" or any(a_setting(h) for h in twin.world.modem.heard)))
    twin.world.modem.faults = script
    notes, tests, began = [], 0, house.clock.monotonic_s()
    stream = run(house)
    async for event in stream:
        doing = event.kind if event.kind in {"applying", "measuring", "tested"} else doing
        notes += [event.text] if event.kind == "note" else []
        tests += event.kind == "tested"
        if tests >= 2 and event.kind == "waiting" and (event.until - event.at).total_seconds() > 600:
            break
    seconds = house.clock.monotonic_s() - began
    await stream.aclose()
    return Ran(twin, house, notes, list(house.records.events("c1")), seconds, not script.faults, link)


@pytest.fixture(scope="module")
def undisturbed_s() -> dict[str, float]:
    return {}


@pytest.mark.parametrize("fault", Fault)
@pytest.mark.parametrize("phase", TOLD)
async def test_a_fault_in_a_phase_of_a_campaign(phase, fault, tmp_path, undisturbed_s) -> None:
    if "plain" not in undisturbed_s:
        plain = await one_round(tmp_path / "plain", [], "read")
        undisturbed_s["plain"] = plain.seconds
        await plain.house.close()
        await plain.twin.close()
    ran = await one_round(tmp_path / "faulty", [fault], phase)
    modem = ran.twin.world.modem
    assert ran.used, "the fault was never met"
    # told
    expected = TOLD[phase][fault]
    heard = [note for note in ran.notes if "is set to" not in note and "still being added" not in note]
    assert [note for note in heard if expected is None or not re.search(expected, note)] == []
    assert bool(heard) == (expected is not None), heard
    # recorded
    measurements = ran.house.records.measurements()
    not_shown = [event for event in ran.events if isinstance(event, NotShown)]
    assert len(not_shown) == (1 if expected is not None and "not applied" in expected else 0)
    assert {m.setup_asked for m in measurements} == {"sill-own/standalone", "sill-own/anchor 20"}
    said = [text for m in measurements if (text := m.fact("gateway_fault"))]
    assert len(said) == (1 if phase == "test" and expected is not None else 0)
    assert all(re.search(str(expected), text) for text in said)
    # no answer of one command stands as another's
    for capture in ran.house.records.captures():
        for done in capture.exchanges:
            for word in ("QENG", "QCAINFO", "C5GREG", "COPS", "QNWPREFCFG", "QNWLOCK"):
                assert f"+{word}:" not in done.received or word in done.sent, (done.sent, done.received)
    # service and setting are back, in time
    assert modem.configured.mode == "automatic"
    assert modem.configured.cell is None
    assert ran.seconds < undisturbed_s["plain"] + 30 * LINE_S
    await ran.house.clock.sleep(20.0)
    assert modem.in_force.mode == "automatic"
    await ran.house.clock.sleep(120.0)
    assert modem.state().registration == "home"
    await ran.house.close()
    await ran.twin.close()


class Noted:
    """A guard that notes what it is told."""

    def __init__(self) -> None:
        self.told: list[str] = []

    def arm(self, rig, former, *, seconds, tuning="") -> None:
        self.told.append(f"arm {rig.gateway} {former.mode} {seconds:g}")

    def extend(self, seconds: float) -> None:
        self.told.append("extend")

    def disarm(self, gateway=None) -> None:
        self.told.append(f"disarm {gateway}")


async def test_a_setting_that_cannot_be_put_back_is_told_and_left_to_the_timed_return(tmp_path) -> None:
    guard = Noted()
    ran = await one_round(tmp_path, [Fault.ERROR] * 40, "restore", guard=guard)
    assert any("could not be put back" in note and "goes on trying" in note for note in ran.notes)
    assert "arm own automatic 180" in guard.told
    ran.twin.world.modem.faults = None
    assert await put_back(ran.house) == ("the former setting of own is back (automatic)",)
    assert ran.twin.world.modem.configured.mode == "automatic"
    assert guard.told[-1] == "disarm own"
    await ran.house.close()
    await ran.twin.close()

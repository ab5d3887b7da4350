"""Where in the house: a guided walk over named spots, there and back, before anybody climbs. A fold over kept visits."""

from __future__ import annotations

import re
import uuid
from collections.abc import AsyncGenerator, Callable, Sequence
from contextlib import suppress
from dataclasses import dataclass
from datetime import datetime
from typing import Literal

from bandwright.advice.walk import SpotVisit, Walk, WalkAnswer, next_step, plan_walk, rank_spots
from bandwright.errors import GatewayError, UsageError
from bandwright.jobs.house import House, Left
from bandwright.jobs.tuning import look
from bandwright.ports import Question
from bandwright.words.declared import Declared
from bandwright.words.measurement import Fact, Measurement, MeasurementPlan, Method, Outcome, Size
from bandwright.words.radio import Reading
from bandwright.words.rig import Rig

__all__ = ["WalkProgress", "accept_spots", "rigs_from", "visits_of", "walk"]

_READ_EACH_S = 5.0
_P_CMAX_DBM = 23.0  # power class 3, TS 36.101 6.2.2


@dataclass(frozen=True, slots=True, kw_only=True)
class WalkProgress:
    """One event: "go" (carry the gateway to `spot`), "visited", "answer"."""

    kind: Literal["go", "visited", "answer"]
    at: datetime
    text: str
    spot: str | None = None
    answer: WalkAnswer | None = None


async def walk(house: House, *, spots: Sequence[str], rig: str | None = None, attic: Sequence[str] = ()) -> AsyncGenerator[WalkProgress, None]:
    """Guide a person over four to eight spots. The gateway may be unplugged between them; stopping keeps every visit.

    rig: whose gateway is carried; None is the first declared. Raises UsageError.
    """
    plan = plan_walk(spots, attic=attic)
    if not house.declared.rigs:
        raise UsageError("no rig is declared", todo="Declare the gateway and one [[rig]] in site.toml")
    key = rig or house.declared.rigs[0].key
    try:
        while True:
            step = next_step(plan, visits_of(house, plan))
            if step.kind == "finish" or step.spot is None:
                break
            text = f"Carry the gateway to: {step.spot} ({step.done + 1} of {step.of}). Plug it in, and let it find service."
            yield WalkProgress(kind="go", at=house.clock.now(), text=text, spot=step.spot)
            await house.the_person().ask(Question(kind="mount", text=text, cautions=plan.cautions, rig=None))
            visit = await _visit(house, plan, step.spot, key)
            yield WalkProgress(kind="visited", at=house.clock.now(), text=_told(visit), spot=step.spot)
    except Left:
        pass
    done = visits_of(house, plan)
    answer = rank_spots(done, seed=house.declared.campaign.seed) if done else None
    yield WalkProgress(kind="answer", at=house.clock.now(), text=_said(answer), answer=answer)


async def _visit(house: House, plan: Walk, spot: str, rig: str) -> SpotVisit:
    declared = house.declared.rig(rig)
    gateway, probe = house.gateway(declared.gateway), house.probe(rig)
    by_person = (await gateway.abilities()).by_person
    await house.clock.sleep(plan.settle_s)
    at, began = house.clock.now(), house.clock.monotonic_s()
    readings: list[Reading] = []
    light = await probe.measure(MeasurementPlan(size=Size.LIGHT))
    while house.clock.monotonic_s() - began < plan.seconds_each:
        with suppress(GatewayError):
            _, reading = await look(house, gateway, moment="load_down")
            if reading is not None and reading.serving():
                readings.append(reading)
        if by_person:
            break
        await probe.load(_READ_EACH_S, plan=MeasurementPlan(size=Size.LIGHT))
    seconds = plan.seconds_each if by_person else house.clock.monotonic_s() - began
    facts: list[tuple[str, Fact]] = [("spot", spot), ("seconds", seconds), ("cells", ",".join(dict.fromkeys(c for r in readings for c in _cells(r))))]
    for name, value in (("rsrp_dbm", _mean(readings, "rsrp")), ("sinr_db", _mean(readings, "sinr")), ("headroom_db", _headroom(readings))):
        facts.append((name, value))
    kept = Measurement(
        key=str(uuid.uuid4()), at=at, method=light.method, outcome=light.outcome, phase=light.phase, reason=light.reason, size=Size.LIGHT,
        values=light.values, series=light.series, facts=(*light.facts, *facts), megabytes=light.megabytes, seconds=light.seconds, far_end=light.far_end,
    )  # fmt: skip
    house.records.add_measurement(kept)
    return _visit_of(kept)


def rigs_from(house: House, answer: WalkAnswer, *, rig: str | None = None) -> tuple[Rig, ...]:
    """Return the best spots as rigs to be declared: the carried gateway and its line at each spot that no rig of that gateway stands at yet."""
    declared = house.declared
    if not declared.rigs:
        return ()
    carried = declared.rig(rig) if rig is not None else declared.rigs[0]
    there = {r.place.strip().lower() for r in declared.rigs if r.gateway == carried.gateway}
    taken = {r.key for r in declared.rigs}
    found: list[Rig] = []
    for spot in answer.candidates:
        if spot.strip().lower() not in there:
            base = " ".join(re.sub(r"[/\x00-\x1f]", " ", spot).split())[:50] or "spot"
            key, number = base, 2
            while key in taken:
                key, number = f"{base} {number}", number + 1
            taken.add(key)
            found.append(Rig(key=key, line=carried.line, gateway=carried.gateway, place=spot, change_minutes=carried.change_minutes))
    return tuple(found)


def accept_spots(answer: WalkAnswer, rigs: Sequence[Rig], write: Callable[[Sequence[Rig], Sequence[str]], Declared]) -> Declared:
    """Write rigs at the best spots into `site.toml`, each with what the walk found there, and return what is declared now.

    write: what puts them into the file. Raises DeclarationError, StoreError.
    """
    by_spot = {row.spot: row for row in answer.spots}
    why = []
    for rig in rigs:
        row = by_spot[rig.place]
        sinr = f", SINR {row.sinr.low:.0f} to {row.sinr.high:.0f} dB" if row.sinr is not None else ""
        why.append(f"From the walk through the house: {round(100 * row.chance_best)} in 100 that it is the best place{sinr}.")
    return write(rigs, why)


def visits_of(house: House, plan: Walk) -> list[SpotVisit]:
    """Return the kept visits to a walk's spots, oldest first."""
    kept = [m for m in house.records.measurements(limit=500) if dict(m.facts).get("spot") in plan.spots and m.method is not Method.ENTERED]
    return [_visit_of(m) for m in kept]


def _visit_of(m: Measurement) -> SpotVisit:
    facts = dict(m.facts)

    def number(name: str) -> float | None:
        value = facts.get(name)
        return float(value) if isinstance(value, int | float) else None

    return SpotVisit(
        spot=str(facts["spot"]),
        at=m.at,
        seconds=number("seconds") or 0.0,
        rsrp_dbm=number("rsrp_dbm"),
        sinr_db=number("sinr_db"),
        headroom_db=number("headroom_db"),
        down_mbps=m.number("goodput_down_mbps"),
        up_mbps=m.number("goodput_up_mbps"),
        cells=tuple(c for c in str(facts.get("cells") or "").split(",") if c),
        failed=m.outcome is Outcome.FAILED,
    )


def _mean(readings: Sequence[Reading], name: str) -> float | None:
    values = [v for r in readings if (v := r.serving()[0].number(name)) is not None]
    return sum(values) / len(values) if values else None


def _headroom(readings: Sequence[Reading]) -> float | None:
    powers = [p for r in readings for c in r.serving() if (p := c.number("tx_power")) is not None]
    return _P_CMAX_DBM - max(powers) if powers else None


def _cells(reading: Reading) -> list[str]:
    return [f"{c.rat.value} {p.value}" for c in reading.serving() if (p := c.get("pci")) is not None and p.value is not None]


def _told(visit: SpotVisit) -> str:
    if visit.failed:
        return f"{visit.spot}: no service"
    parts = [f"SINR {visit.sinr_db:.1f} dB" if visit.sinr_db is not None else "", f"{visit.down_mbps:.0f} down, {visit.up_mbps or 0:.1f} Mbit/s up" if visit.down_mbps is not None else ""]
    return f"{visit.spot}: {', '.join(p for p in parts if p) or 'visited'}"


def _said(answer: WalkAnswer | None) -> str:
    if answer is None or not answer.candidates:
        return "No spot had service yet."
    if len(answer.candidates) == 1:
        return f"Only {answer.candidates[0]} had service."
    first, second = answer.candidates
    return f"{first} and {second} are the two to try" + ("; the walk does not tell them apart: a trial will." if answer.close else f"; {first} looks better.")

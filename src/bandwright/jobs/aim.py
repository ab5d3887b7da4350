"""Aim an antenna: turn, hold still, read, coarse then fine; a fit with its interval, separate peaks kept. A fold over kept captures.

Each reading is kept as a capture with its heading, so an interrupted search goes on, and the fit can be made again. The person turns;
the program reads. Headings are true; what a compass shows is said beside them where the place is declared.
"""

from __future__ import annotations

from collections.abc import AsyncGenerator
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Literal

from bandwright.antenna.aiming import AimFit, AimReading, SearchPlan, coarse_plan, fine_plan, fit_by_cell, quantity_to_turn_for
from bandwright.antenna.bearings import declination
from bandwright.errors import GatewayError, RangeError, UsageError
from bandwright.jobs.house import House, Left
from bandwright.ports import Question
from bandwright.readings.parse import parse
from bandwright.words.radio import Capture, Reading
from bandwright.words.rig import Rig

__all__ = ["AimProgress", "aim", "aim_so_far"]

_DWELL_READS_S = 1.0
_CAUTIONS = ("weather", "ladder", "roof", "power lines", "lightning", "rf", "codes")


@dataclass(frozen=True, slots=True, kw_only=True)
class AimProgress:
    """One event: "turn" (to heading_deg next), "read" (a level there), "answer" (the fits, the best cell first).

    compass_deg: what a compass shows for the heading, where the place is declared. change_db: against the best heading so far.
    """

    kind: Literal["turn", "read", "answer"]
    at: datetime
    text: str
    heading_deg: float | None = None
    compass_deg: float | None = None
    value_db: float | None = None
    change_db: float | None = None
    fits: tuple[AimFit, ...] = ()


async def aim(house: House, *, rig: str, from_deg: float = 0.0, arc_deg: float = 360.0) -> AsyncGenerator[AimProgress, None]:
    """Guide a person through the search for a heading. Stopping keeps every reading; the same call goes on.

    Raises UsageError where the rig is not declared or its antenna has no beamwidth.
    """
    found = next((r for r in house.declared.rigs if r.key == rig), None)
    if found is None:
        raise UsageError("that rig is not declared", given=rig, allowed=", ".join(r.key for r in house.declared.rigs))
    beam = found.antenna.beamwidth_deg
    if beam is None:
        raise UsageError(f"the antenna of {rig} has no beamwidth_deg, so it is not known how finely to turn", todo="Declare beamwidth_deg (about 60 for a flat panel)")
    first_ask = True
    try:
        for kind in ("coarse", "fine"):
            plan = _plan(house, found, kind, beam, from_deg, arc_deg)
            if plan is None:
                break
            for heading in plan.headings_deg[len(_kept(house, rig, kind)) :]:
                compass = _compass(house, heading)
                said = f"Turn to {heading:.0f}° true" + (f" ({compass:.0f}° by compass)" if compass is not None else "") + f" and hold still for {plan.settle_s + plan.dwell_s:.0f} s."
                yield AimProgress(kind="turn", at=house.clock.now(), text=said, heading_deg=heading, compass_deg=compass)
                await house.the_person().ask(Question(kind="set", text=said, cautions=_CAUTIONS if first_ask else (), rig=rig))
                first_ask = False
                yield await _read(house, found, kind, heading, plan)
    except Left:
        pass
    fits = aim_so_far(house, rig)
    yield AimProgress(kind="answer", at=house.clock.now(), text=_said(fits), fits=fits)


def aim_so_far(house: House, rig: str) -> tuple[AimFit, ...]:
    """Return the fits over all readings kept for a rig's search, one for each serving cell, the best first."""
    found = house.declared.rig(rig)
    readings, quantity = _readings(house, rig)
    return fit_by_cell(readings, beamwidth_deg=found.antenna.beamwidth_deg or 60.0, quantity=quantity) if readings else ()


def _plan(house: House, rig: Rig, kind: str, beam: float, from_deg: float, arc_deg: float) -> SearchPlan | None:
    if kind == "coarse":
        return coarse_plan(beamwidth_deg=beam, from_deg=from_deg, arc_deg=arc_deg)
    coarse = [float(dict(c.meta)["heading_deg"]) for c in _kept(house, rig.key, "coarse")]
    if not coarse:
        return None
    readings, _ = _readings(house, rig.key, "coarse")
    best = max(readings, key=lambda r: r.value_db, default=None)
    return None if best is None else fine_plan(around_deg=best.heading_deg, beamwidth_deg=beam)


async def _read(house: House, rig: Rig, kind: str, heading: float, plan: SearchPlan) -> AimProgress:
    before = [r.value_db for r in _readings(house, rig.key)[0]]
    gateway = house.gateway(rig.gateway)
    await house.clock.sleep(plan.settle_s)
    values: list[float] = []
    began = house.clock.monotonic_s()
    while house.clock.monotonic_s() - began < plan.dwell_s:
        try:
            capture = await gateway.fetch(moment="aim")
        except GatewayError as error:
            return AimProgress(kind="read", at=house.clock.now(), text=f"No reading at {heading:.0f}°: {error}", heading_deg=heading)
        meta = (*capture.meta, ("aim", rig.key), ("search", kind), ("heading_deg", f"{heading:.2f}"), ("at_s", f"{house.clock.monotonic_s():.2f}"))
        house.records.add_capture(replace(capture, meta=meta))
        _, value = _level(capture, _readings(house, rig.key)[1])
        if value is not None:
            values.append(value)
        await house.clock.sleep(_DWELL_READS_S)
    if not values:
        return AimProgress(kind="read", at=house.clock.now(), text=f"No level at {heading:.0f}°", heading_deg=heading)
    mean = sum(values) / len(values)
    change = None if not before else mean - max(before)
    against = "" if change is None else f", {change:+.1f} dB against the best so far"
    return AimProgress(kind="read", at=house.clock.now(), text=f"{heading:.0f}°: {mean:.1f}{against}", heading_deg=heading, value_db=mean, change_db=change)


def _kept(house: House, rig: str, search: str) -> list[Capture]:
    """Captures of a rig's search, one for each stay: the first of each heading turned to."""
    stays: list[Capture] = []
    for capture in house.records.captures(limit=5000):
        meta = dict(capture.meta)
        if meta.get("aim") == rig and meta.get("search") == search and (not stays or dict(stays[-1].meta)["heading_deg"] != meta["heading_deg"]):
            stays.append(capture)
    return stays


def _readings(house: House, rig: str, search: str | None = None) -> tuple[list[AimReading], Literal["rsrp", "sinr"]]:
    kept = [c for c in house.records.captures(limit=5000) if dict(c.meta).get("aim") == rig and (search is None or dict(c.meta).get("search") == search)]
    quantity: Literal["rsrp", "sinr"] = "rsrp"
    pairs = [(c, r) for c in kept for r in parse(c)[-1:] if r.serving()]
    if pairs:
        main = pairs[0][1].serving()[0]
        rsrp, sinr = main.number("rsrp"), main.number("sinr")
        if rsrp is not None:
            quantity = quantity_to_turn_for(rsrp_dbm=rsrp, sinr_db=sinr, scs_khz=main.number("scs") or 15.0)
    out = []
    for capture, _reading in pairs:
        cell, value = _level(capture, quantity)
        if value is not None:
            meta = dict(capture.meta)
            out.append(AimReading(at_s=float(meta["at_s"]), heading_deg=float(meta["heading_deg"]), value_db=value, cell=cell))
    return out, quantity


def _level(capture: Capture, quantity: str) -> tuple[str, float | None]:
    readings: tuple[Reading, ...] = parse(capture)
    if not readings or not readings[-1].serving():
        return "", None
    main = readings[-1].serving()[0]
    pci = main.get("pci")
    return str(pci.value) if pci is not None and pci.value is not None else "", main.number(quantity)


def _compass(house: House, heading: float) -> float | None:
    site = house.declared.site
    if site.latitude_deg is None or site.longitude_deg is None:
        return None
    try:
        turn = declination(latitude_deg=site.latitude_deg, longitude_deg=site.longitude_deg, on=house.clock.now())
    except RangeError:
        return None
    return (heading - turn.declination_deg) % 360.0


def _said(fits: tuple[AimFit, ...]) -> str:
    if not fits:
        return "Nothing was read yet."
    best = fits[0]
    if best.state == "found" and best.heading is not None:
        again = " A second pass would pay: the range is wider than a third of the beam." if best.again else ""
        return f"Best heading {best.heading.value:.0f}° true ({best.heading.low:.0f} to {best.heading.high:.0f}, nine times in ten).{again}"
    if best.state == "go on turning" and best.turn_towards_deg is not None:
        return f"Not found: the best is at the edge of what was turned to. Go on turning towards {best.turn_towards_deg:.0f}°."
    return "No direction stands out here." if best.state == "flat" else "Too few headings yet to say."

"""Aim an antenna: turn, hold still, read, coarse then fine; a fit with its interval, separate peaks kept. A fold over kept captures.

Each reading is kept as a capture with its heading, so an interrupted search goes on, and the fit can be made again. The person turns;
the program reads. Headings are true; what a compass shows is said beside them where the place is declared.
"""

from __future__ import annotations

from collections.abc import AsyncGenerator
from contextlib import suppress
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Literal

from bandwright.antenna.aiming import AimFit, AimReading, AimStep, fit_by_cell, next_heading, quantity_to_turn_for
from bandwright.antenna.bearings import declination
from bandwright.errors import GatewayError, GatewayUnreachable, RangeError, UsageError
from bandwright.jobs.house import House, Left
from bandwright.ports import Question
from bandwright.readings.parse import parse
from bandwright.words.radio import Capture, Carrier
from bandwright.words.rig import Rig

__all__ = ["AimProgress", "aim", "aim_so_far"]

_READ_EACH_S = 1.0
_MOST_MISSED = 3
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
    readings, quantity = _readings(house, rig)
    first_ask, missed = True, 0
    try:
        while True:
            step = next_heading(readings, beamwidth_deg=beam, from_deg=from_deg, arc_deg=arc_deg, quantity=quantity)
            if step.kind == "finish" or step.heading_deg is None:
                break
            compass = _compass(house, step.heading_deg)
            said = f"Turn to {step.heading_deg:.0f}° true" + (f" ({compass:.0f}° by compass)" if compass is not None else "")
            said += f" and hold still for {step.settle_s + step.dwell_s:.0f} s ({step.phase}, {step.done + 1} of {step.of})."
            yield AimProgress(kind="turn", at=house.clock.now(), text=said, heading_deg=step.heading_deg, compass_deg=compass)
            await house.the_person().ask(Question(kind="set", text=said, cautions=_CAUTIONS if first_ask else (), rig=rig))
            first_ask = False
            captures = await _stay(house, found, step)
            if not readings and captures:
                quantity = _quantity(captures[0])
            new = [r for c in captures if (r := _reading_of(c, quantity)) is not None]
            yield _heard(house, step.heading_deg, new, readings)
            readings += new
            if not new:
                missed += 1
                if missed > _MOST_MISSED:
                    raise GatewayUnreachable(f"no level was read at {missed} headings in a row", todo="Look at the gateway; the readings so far are kept")
            else:
                missed = 0
    except Left:
        pass
    fits = fit_by_cell(readings, beamwidth_deg=beam, quantity=quantity) if readings else ()
    yield AimProgress(kind="answer", at=house.clock.now(), text=_said(fits), fits=fits)


def aim_so_far(house: House, rig: str) -> tuple[AimFit, ...]:
    """Return the fits over all readings kept for a rig's search, one for each serving cell, the best first."""
    found = house.declared.rig(rig)
    readings, quantity = _readings(house, rig)
    return fit_by_cell(readings, beamwidth_deg=found.antenna.beamwidth_deg or 60.0, quantity=quantity) if readings else ()


async def _stay(house: House, rig: Rig, step: AimStep) -> list[Capture]:
    """Let the level settle, read once a second, and keep each capture with its heading."""
    gateway = house.gateway(rig.gateway)
    await house.clock.sleep(step.settle_s)
    kept: list[Capture] = []
    began = house.clock.monotonic_s()
    while house.clock.monotonic_s() - began < step.dwell_s:
        with suppress(GatewayError):
            capture = await gateway.fetch(moment="aim")
            meta = (*capture.meta, ("aim", rig.key), ("heading_deg", f"{step.heading_deg:.2f}"), ("at_s", f"{house.clock.now().timestamp():.2f}"))
            kept.append(replace(capture, meta=meta))
            house.records.add_capture(kept[-1])
        await house.clock.sleep(_READ_EACH_S)
    return kept


def _heard(house: House, heading_deg: float, new: list[AimReading], before: list[AimReading]) -> AimProgress:
    if not new:
        return AimProgress(kind="read", at=house.clock.now(), text=f"No level was read at {heading_deg:.0f}°", heading_deg=heading_deg)
    mean = sum(r.value_db for r in new) / len(new)
    best = max((r.value_db for r in before), default=None)
    change = None if best is None else mean - best
    against = "" if change is None else f", {change:+.1f} dB against the best so far"
    return AimProgress(kind="read", at=house.clock.now(), text=f"{heading_deg:.0f}°: {mean:.1f}{against}", heading_deg=heading_deg, value_db=mean, change_db=change)


def _readings(house: House, rig: str) -> tuple[list[AimReading], Literal["rsrp", "sinr"]]:
    """Return the readings kept of a rig's search, and what it turns for."""
    kept = [c for c in house.records.captures(limit=5000) if dict(c.meta).get("aim") == rig]
    quantity = _quantity(kept[0]) if kept else "rsrp"
    return [r for c in kept if (r := _reading_of(c, quantity)) is not None], quantity


def _main(capture: Capture) -> Carrier | None:
    readings = parse(capture)
    serving = readings[-1].serving() if readings else ()
    return serving[0] if serving else None


def _quantity(capture: Capture) -> Literal["rsrp", "sinr"]:
    main = _main(capture)
    rsrp = main.number("rsrp") if main is not None else None
    if main is None or rsrp is None:
        return "rsrp"
    return quantity_to_turn_for(rsrp_dbm=rsrp, sinr_db=main.number("sinr"), scs_khz=main.number("scs") or 15.0)


def _reading_of(capture: Capture, quantity: str) -> AimReading | None:
    main = _main(capture)
    value = main.number(quantity) if main is not None else None
    if main is None or value is None:
        return None
    meta, pci = dict(capture.meta), main.get("pci")
    return AimReading(at_s=float(meta["at_s"]), heading_deg=float(meta["heading_deg"]), value_db=value, cell="" if pci is None or pci.value is None else str(pci.value))


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

"""Aim an antenna: turn, hold still, read, coarse then fine; a fit with its interval, separate peaks kept. A fold over kept captures.

Each reading is kept as a capture with its heading, so an interrupted search goes on, and the fit can be made again. Taking the last heading
back is a capture too: nothing that was read is lost, it only no longer counts. The person turns; the program reads. Headings are
true; what a compass shows is said beside them where the place is declared.
"""

from __future__ import annotations

import uuid
from collections.abc import AsyncGenerator
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from typing import Literal

from bandwright.antenna.aiming import AimFit, AimReading, AimStep, Mark, against_best, fit_by_cell, fitted_curve, marks, next_heading, quantity_to_turn_for
from bandwright.antenna.bearings import Declination, SunPosition, declination, sun_position
from bandwright.errors import GatewayError, GatewayUnreachable, RangeError, UsageError
from bandwright.jobs.house import House, Left
from bandwright.ports import Question
from bandwright.readings.parse import parse
from bandwright.words.radio import Capture, Carrier
from bandwright.words.rig import Rig

__all__ = ["AIM_CAUTIONS", "AimProgress", "AimState", "SunAnswer", "aim", "aim_so_far", "aim_state", "rigs_to_aim", "sun_now", "undo_heading"]

AIM_CAUTIONS = ("weather", "ladder", "roof", "mast", "power line", "lightning", "rf distance", "wind", "codes")
_READ_EACH_S = 1.0
_MOST_MISSED = 3
_SUN_AHEAD_H = 24


@dataclass(frozen=True, slots=True, kw_only=True)
class AimProgress:
    """One event: "turn" (to heading_deg next), "hold" (still for left_s more), "read" (a level there), "undone", "answer" (the fits, the best cell first).

    compass_deg: what a compass shows for the heading, where the place is declared. change_db, noise_db, best_deg: against the best heading so far, give or
    take. lost: the gateway did not answer at this moment.
    """

    kind: Literal["turn", "hold", "read", "undone", "answer"]
    at: datetime
    text: str
    heading_deg: float | None = None
    compass_deg: float | None = None
    value_db: float | None = None
    change_db: float | None = None
    fits: tuple[AimFit, ...] = ()
    noise_db: float | None = None
    best_deg: float | None = None
    left_s: float | None = None
    taken: int = 0  # readings of this stay so far
    lost: bool = False
    quantity: str = "rsrp"


@dataclass(frozen=True, slots=True, kw_only=True)
class AimState:
    """Where the search of a rig stands: headings marked, the fits, the curve of the best one, the last heading heard, and what is next."""

    rig: Rig
    quantity: Literal["rsrp", "sinr"]
    marks: tuple[Mark, ...]
    fits: tuple[AimFit, ...]
    curve: tuple[tuple[float, float, float, float], ...]
    step: AimStep
    last: AimProgress | None
    compass_deg: float | None
    declination: Declination | None


@dataclass(frozen=True, slots=True, kw_only=True)
class SunAnswer:
    """The sun as a compass, now. why_not: why it cannot be used now, or "". from_at: when it can be next, within a day; None where not."""

    position: SunPosition | None
    why_not: str
    from_at: datetime | None = None


async def aim(house: House, *, rig: str, from_deg: float = 0.0, arc_deg: float = 360.0) -> AsyncGenerator[AimProgress, None]:
    """Guide a person through the search for a heading. Stopping keeps every reading; the same call goes on. The answer "undo" takes the last heading back.

    Raises UsageError where the rig is not declared or its antenna has no beamwidth.
    """
    found, beam = _to_turn(house, rig)
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
            yield AimProgress(kind="turn", at=house.clock.now(), text=said, heading_deg=step.heading_deg, compass_deg=compass, quantity=quantity)
            answer = await house.the_person().ask(Question(kind="set", text=said, cautions=AIM_CAUTIONS if first_ask else (), rig=rig))
            first_ask = False
            if answer.strip().lower() == "undo":
                yield undo_heading(house, rig)
                readings, quantity = _readings(house, rig)
                continue
            new: list[AimReading] = []
            async for event, reading in _stay(house, found, step, readings, quantity if readings else None):
                new += [reading] if reading is not None else []
                quantity = "sinr" if event.quantity == "sinr" else "rsrp"
                yield event
            yield _heard(house, step.heading_deg, new, readings, quantity)
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
    yield AimProgress(kind="answer", at=house.clock.now(), text=_said(fits), fits=fits, quantity=quantity)


def aim_so_far(house: House, rig: str) -> tuple[AimFit, ...]:
    """Return the fits over all readings kept for a rig's search, one for each serving cell, the best first."""
    found = house.declared.rig(rig)
    readings, quantity = _readings(house, rig)
    return fit_by_cell(readings, beamwidth_deg=found.antenna.beamwidth_deg or 60.0, quantity=quantity) if readings else ()


def aim_state(house: House, rig: str, *, from_deg: float = 0.0, arc_deg: float = 360.0) -> AimState:
    """Return where a rig's search stands, from what is kept. Raises UsageError where the rig is not declared or its antenna has no beamwidth."""
    found, beam = _to_turn(house, rig)
    readings, quantity = _readings(house, rig)
    fits = fit_by_cell(readings, beamwidth_deg=beam, quantity=quantity) if readings else ()
    step = next_heading(readings, beamwidth_deg=beam, from_deg=from_deg, arc_deg=arc_deg, quantity=quantity)
    best = [r for r in readings if fits and r.cell == fits[0].cell]
    compass = None if step.heading_deg is None else _compass(house, step.heading_deg)
    last = None
    if readings:
        new = _last_stay(house, rig, quantity)
        before = readings[: len(readings) - len(new)]
        last = replace(_heard(house, new[-1].heading_deg, new, before, quantity), at=datetime.fromtimestamp(new[-1].at_s, UTC), compass_deg=_compass(house, new[-1].heading_deg))
    return AimState(
        last=last, rig=found, quantity=quantity, marks=marks(readings), fits=fits, curve=fitted_curve(best, fits[0]) if fits else (), step=step, compass_deg=compass, declination=_declination(house)
    )


def rigs_to_aim(house: House) -> tuple[Rig, ...]:
    """Return the declared rigs whose antennas have a beam to turn."""
    return tuple(r for r in house.declared.rigs if r.antenna.beamwidth_deg is not None and r.antenna.beamwidth_deg <= 180.0)


def undo_heading(house: House, rig: str) -> AimProgress:
    """Take the last heading of a rig's search back: its readings stay kept, and no longer count. Says so where there is none."""
    last = _counted(house, rig)
    now = house.clock.now()
    if not last:
        return AimProgress(kind="undone", at=now, text="There is no heading to take back.")
    heading = dict(last[-1].meta)["heading_deg"]
    kind = house.declared.gateway(house.declared.rig(rig).gateway).kind
    house.records.add_capture(Capture(key=str(uuid.uuid4()), at=now, kind=kind, text="", moment="aim", meta=(("aim", rig), ("undo", _stay_of(last[-1])))))
    return AimProgress(kind="undone", at=now, text=f"The reading at {float(heading):.0f}° is taken back.", heading_deg=float(heading))


def sun_now(house: House) -> SunAnswer:
    """Return where the sun stands for someone at the site, and whether its shadow can serve as a compass."""
    site, now = house.declared.site, house.clock.now()
    if site.latitude_deg is None or site.longitude_deg is None:
        return SunAnswer(position=None, why_not="The position of the site is not declared, so where the sun stands is not known.")

    def stands(at: datetime) -> SunPosition:
        return sun_position(latitude_deg=site.latitude_deg or 0.0, longitude_deg=site.longitude_deg or 0.0, at=at)

    here = stands(now)
    if here.usable:
        return SunAnswer(position=here, why_not="")
    if here.elevation_deg > 60.0:
        why = f"The sun is {here.elevation_deg:.0f}° high: above 60° a shadow is too short and turns too fast."
    elif here.elevation_deg > 0.0:
        why = f"The sun is {here.elevation_deg:.0f}° high: below 5° the air bends it and shadows are faint."
    else:
        why = "The sun is down."
    ahead = (now + timedelta(minutes=10 * k) for k in range(1, 6 * _SUN_AHEAD_H))
    return SunAnswer(position=here, why_not=why, from_at=next((at for at in ahead if stands(at).usable), None))


def _to_turn(house: House, rig: str) -> tuple[Rig, float]:
    found = next((r for r in house.declared.rigs if r.key == rig), None)
    if found is None:
        raise UsageError("that rig is not declared", given=rig, allowed=", ".join(r.key for r in house.declared.rigs))
    beam = found.antenna.beamwidth_deg
    if beam is None:
        raise UsageError(f"the antenna of {rig} has no beamwidth_deg, so it is not known how finely to turn", todo="Declare beamwidth_deg (about 60 for a flat panel)")
    return found, beam


async def _stay(
    house: House, rig: Rig, step: AimStep, before: list[AimReading], quantity: Literal["rsrp", "sinr"] | None
) -> AsyncGenerator[tuple[AimProgress, AimReading | None], None]:
    """Let the level settle, read once a second, and keep each capture with its heading; tell every second how long it takes yet.

    quantity: what to turn for; None lets the first reading decide.
    """
    gateway = house.gateway(rig.gateway)
    heading, stay = step.heading_deg or 0.0, str(uuid.uuid4())
    new: list[AimReading] = []

    def told(left_s: float, *, lost: bool = False) -> AimProgress:
        against = against_best(new, before)
        return AimProgress(
            kind="hold",
            at=house.clock.now(),
            text=f"Hold still {left_s:.0f} s more.",
            heading_deg=heading,
            compass_deg=_compass(house, heading),
            value_db=sum(r.value_db for r in new) / len(new) if new else None,
            change_db=against.change_db if against else None,
            noise_db=against.noise_db if against else None,
            best_deg=against.best_deg if against else None,
            left_s=left_s,
            taken=len(new),
            lost=lost,
            quantity=quantity or "rsrp",
        )

    left = step.settle_s
    while left > 0.0:
        yield told(left + step.dwell_s), None
        await house.clock.sleep(min(1.0, left))
        left -= 1.0
    began = house.clock.monotonic_s()
    while (gone := house.clock.monotonic_s() - began) < step.dwell_s:
        reading, lost = None, False
        try:
            capture = await gateway.fetch(moment="aim")
        except GatewayError:
            lost = True
        else:
            meta = (*capture.meta, ("aim", rig.key), ("heading_deg", f"{heading:.2f}"), ("at_s", f"{house.clock.now().timestamp():.2f}"), ("stay", stay))
            house.records.add_capture(kept := replace(capture, meta=meta))
            quantity = quantity or _quantity(kept)
            reading = _reading_of(kept, quantity)
            new += [reading] if reading is not None else []
        yield told(max(0.0, step.dwell_s - gone), lost=lost or reading is None), reading
        await house.clock.sleep(_READ_EACH_S)


def _heard(house: House, heading_deg: float, new: list[AimReading], before: list[AimReading], quantity: str) -> AimProgress:
    if not new:
        return AimProgress(kind="read", at=house.clock.now(), text=f"No level was read at {heading_deg:.0f}°", heading_deg=heading_deg, lost=True, quantity=quantity)
    mean = sum(r.value_db for r in new) / len(new)
    against = against_best(new, before)
    words = "" if against is None else f", {against.change_db:+.1f} dB against the best so far, give or take {against.noise_db:.1f}"
    return AimProgress(
        kind="read",
        at=house.clock.now(),
        text=f"{heading_deg:.0f}°: {mean:.1f}{words}",
        heading_deg=heading_deg,
        value_db=mean,
        change_db=against.change_db if against else None,
        noise_db=against.noise_db if against else None,
        best_deg=against.best_deg if against else None,
        taken=len(new),
        quantity=quantity,
    )


def _stay_of(capture: Capture) -> str:
    meta = dict(capture.meta)
    return meta.get("stay") or meta["heading_deg"]


def _counted(house: House, rig: str) -> list[Capture]:
    """Return the captures of a rig's search that count: those of stays that were taken back later are left out. A stay without an identity is a run at one heading."""
    out: list[Capture] = []
    for capture in house.records.captures(limit=5000):
        meta = dict(capture.meta)
        if meta.get("aim") != rig:
            continue
        if "undo" in meta:
            while out and _stay_of(out[-1]) == meta["undo"]:
                out.pop()
        else:
            out.append(capture)
    return out


def _last_stay(house: House, rig: str, quantity: str) -> list[AimReading]:
    """Return the readings of the last stay that has any."""
    read = [(c, r) for c in _counted(house, rig) if (r := _reading_of(c, quantity)) is not None]
    last = _stay_of(read[-1][0])
    out: list[AimReading] = []
    for capture, reading in reversed(read):
        if _stay_of(capture) != last:
            break
        out.append(reading)
    return out[::-1]


def _readings(house: House, rig: str) -> tuple[list[AimReading], Literal["rsrp", "sinr"]]:
    """Return the readings kept of a rig's search, and what it turns for."""
    kept = _counted(house, rig)
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


def _declination(house: House) -> Declination | None:
    site = house.declared.site
    if site.latitude_deg is None or site.longitude_deg is None:
        return None
    try:
        return declination(latitude_deg=site.latitude_deg, longitude_deg=site.longitude_deg, on=house.clock.now())
    except RangeError:
        return None


def _compass(house: House, heading: float) -> float | None:
    turn = _declination(house)
    return None if turn is None else (heading - turn.declination_deg) % 360.0


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

"""Aiming, told to someone on a ladder with a phone in one hand: one figure, what to do next, and the plan of headings below."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Protocol
from zoneinfo import ZoneInfo

from bandwright.antenna.aiming import AimFit, AimStep, Mark
from bandwright.antenna.bearings import Declination, SunPosition
from bandwright.telling.charts import headings as headings_chart
from bandwright.telling.document import Block, Document, Items, Para, Part, Plate
from bandwright.telling.numbers import NBSP, number
from bandwright.telling.said import Said, said, strong

__all__ = ["AimHeard", "AimTold", "SunTold", "aim_plan", "aim_told", "found_sentence", "sun_document"]


class AimHeard(Protocol):
    """What was heard at a heading; see `jobs.aim.AimProgress`."""

    @property
    def kind(self) -> str: ...  # noqa: D102 -- named by itself
    @property
    def at(self) -> datetime: ...  # noqa: D102 -- named by itself
    @property
    def heading_deg(self) -> float | None: ...  # noqa: D102 -- named by itself
    @property
    def value_db(self) -> float | None: ...  # noqa: D102 -- named by itself
    @property
    def change_db(self) -> float | None: ...  # noqa: D102 -- named by itself
    @property
    def noise_db(self) -> float | None: ...  # noqa: D102 -- named by itself
    @property
    def best_deg(self) -> float | None: ...  # noqa: D102 -- named by itself
    @property
    def left_s(self) -> float | None: ...  # noqa: D102 -- named by itself
    @property
    def lost(self) -> bool: ...  # noqa: D102 -- named by itself
    @property
    def compass_deg(self) -> float | None: ...  # noqa: D102 -- named by itself


class SunTold(Protocol):
    """The sun as a compass; see `jobs.aim.SunAnswer`."""

    @property
    def position(self) -> SunPosition | None: ...  # noqa: D102 -- named by itself
    @property
    def why_not(self) -> str: ...  # noqa: D102 -- named by itself
    @property
    def from_at(self) -> datetime | None: ...  # noqa: D102 -- named by itself


@dataclass(frozen=True, slots=True, kw_only=True)
class AimTold:
    """What the screen says. label stands above the figure; give beside it; read under it; orders: what to do; spoken: the same for ears."""

    label: Said
    figure: str
    unit: str
    give: str
    read: str
    orders: tuple[Said, ...]
    spoken: str


def aim_told(
    heard: AimHeard | None, step: AimStep, *, quantity: str, compass_deg: float | None, hold: AimHeard | None, fits: Sequence[AimFit], timezone: str, declination_deg: float | None = None
) -> AimTold:
    """Return what the screen says. heard: the last heading with a value, or the one being held; hold: while holding still."""
    orders: list[Said] = []
    if hold is not None:
        seconds = f"{max(0.0, hold.left_s or 0.0):.0f}{NBSP}s"
        orders.append(said("Hold still ", strong(seconds), " more."))
        orders.append(said("Panel at ", strong(f"{hold.heading_deg or 0.0:.0f}°"), _by_compass(hold.compass_deg), "."))
        spoken = f"Hold still at {hold.heading_deg or 0.0:.0f} degrees."
    elif step.kind == "finish" or step.heading_deg is None:
        orders.append(found_sentence(fits, declination_deg=declination_deg))
        spoken = str(orders[0])
    else:
        orders.append(said("Next: ", strong(f"{step.heading_deg:.0f}°"), _by_compass(compass_deg), "."))
        orders.append(said(f"Turn there, then mark. {_phase(step)}"))
        spoken = f"Turn to {step.heading_deg:.0f} degrees true, then mark."
    if hold is not None and hold.lost:
        orders.append(said(strong("The gateway does not answer now. "), "What was heard last stays."))
    label, figure, unit, give = _figure(heard, quantity)
    read = "" if heard is None or heard.value_db is None else f"{_quantity(quantity)}, read at {heard.at.astimezone(ZoneInfo(timezone)):%H:%M:%S}"
    return AimTold(label=label, figure=figure, unit=unit, give=give, read=read, orders=tuple(orders), spoken=spoken)


def found_sentence(fits: Sequence[AimFit], *, declination_deg: float | None = None) -> Said:
    """Return what a finished search says; by compass too where the declination is known."""
    best = fits[0] if fits else None
    if best is None:
        return said("Nothing was read yet.")
    if best.state == "found" and best.heading is not None:
        low, high = best.heading.low % 360.0, best.heading.high % 360.0
        again = " A second pass would pay: the range is wider than a third of the beam." if best.again else ""
        compass = None if declination_deg is None else (best.heading.value - declination_deg) % 360.0
        return said("Set it to ", strong(f"{best.heading.value % 360.0:.0f}°"), _by_compass(compass), f" ({low:.0f}° to {high:.0f}°, nine times in ten), and tighten.{again}")
    if best.state == "go on turning" and best.turn_towards_deg is not None:
        return said(strong("Not found: "), f"the best is at the edge of what was turned to. Go on turning towards {best.turn_towards_deg:.0f}°.")
    return said("No direction stands out here: any will do." if best.state == "flat" else "Too few headings yet to say.")


def aim_plan(marks: Sequence[Mark], fits: Sequence[AimFit], curve: Sequence[tuple[float, float, float, float]], step: AimStep, *, quantity: str) -> tuple[Block, ...]:
    """Return the plan of marked headings with the fit, and the separate peaks; () before the first heading."""
    best = fits[0].heading if fits else None
    rows = [headings_chart.Heading(azimuth_deg=m.heading_deg, level_db=m.level_db, noise_db=m.noise_db) for m in marks]
    data = headings_chart.headings(rows, curve=curve, best_deg=None if best is None else (best.low, best.value, best.high), unit="dB" if quantity == "sinr" else "dBm", next_deg=step.heading_deg)
    if data is None:
        return ()
    pale = " Pale: the fitted curve for every best heading in its range, nine times in ten." if curve else ""
    reading = f"From above: the longer a line, the stronger the {_quantity(quantity)}.{pale}"
    blocks: list[Block] = [Plate(finding=said(headings_chart.finding(data)), reading=said(reading), drawing=headings_chart.draw(data), table=headings_chart.table(data))]
    peaks = [p for f in fits for p in f.peaks]
    if len(peaks) > 1:
        items = tuple(said(strong(f"{p.heading_deg:.0f}°"), f", {_below(p.below_best_db)}{f' (cell {f.cell})' if len(fits) > 1 and f.cell else ''}") for f in fits for p in f.peaks)
        blocks += [Para(said(strong("Separate peaks: "), "each is a candidate; a reflection can serve better than the straight way. Let a trial decide.")), Items(items=items)]
    return tuple(blocks)


def sun_document(answer: SunTold, *, timezone: str, headings: Sequence[float] = (), compass: Declination | None = None) -> Document:
    """Return the page of the sun: where a shadow points now, and how far from it each heading lies."""
    never = Para(said(strong("Never look at the sun. "), "Hang a weight on a string and look at its shadow on the ground. The disc is 0.5° wide, and the whole method is good to about 1°."), "lede")
    at = answer.position
    if at is None:
        return Document(title="The sun", headline=said("Where the sun stands ", strong("is not known here"), "."), parts=(Part(blocks=(never, Para(said(answer.why_not, " Declare latitude_deg and longitude_deg under [site] in site.toml.")))),))
    where = said(f"{at.at:%d %B %Y, %H:%M:%S} UTC, {at.at.astimezone(ZoneInfo(timezone)):%H:%M} at the site ({timezone})")
    if answer.why_not:
        later = "" if answer.from_at is None else f" It can be used from {answer.from_at:%H:%M} UTC, {answer.from_at.astimezone(ZoneInfo(timezone)):%H:%M} at the site."
        return Document(title="The sun", where=where, headline=said("The sun ", strong("cannot be used now"), "."), parts=(Part(blocks=(never, Para(said(f"{answer.why_not}{later}")))),))
    blocks: list[Block] = [never, Para(said(f"The sun is at {at.azimuth_deg:.1f}° true and {at.elevation_deg:.0f}° high. A minute of clock error turns it by {at.minute_error_deg:.2f}° at most: check that the clock is right, and load this page again just before you mark."))]
    if headings:
        blocks.append(Items(items=tuple(said(strong(f"{h:.0f}° true: "), _from_shadow(h, at.shadow_deg), "") for h in headings)))
    if compass is not None:
        blocks.append(Para(said(f"A compass here shows {(at.shadow_deg - compass.declination_deg) % 360.0:.0f}° along that shadow; where it shows otherwise, steel bends it."), "quiet"))
    return Document(title="The sun", where=where, headline=said("The shadow of a plumb line points to ", strong(f"{at.shadow_deg:.1f}° true"), " now."), parts=(Part(blocks=tuple(blocks)),))


def _from_shadow(heading: float, shadow: float) -> str:
    turn = (heading - shadow + 180.0) % 360.0 - 180.0
    return f"{abs(turn):.0f}° {'clockwise' if turn >= 0 else 'anticlockwise'} from the shadow, seen from above"


def _figure(heard: AimHeard | None, quantity: str) -> tuple[Said, str, str, str]:
    if heard is None or heard.heading_deg is None:
        return said("No heading is marked yet."), "", "", ""
    panel = ("Panel at ", strong(f"{heard.heading_deg:.0f}°"), ". ")
    if heard.value_db is None:
        return said(*panel, "No level was read there."), "", "", ""
    if heard.change_db is None or heard.best_deg is None:
        return said(*panel, "The first heading: there is nothing to compare it with yet."), number(heard.value_db), "dB" if quantity == "sinr" else "dBm", ""
    sign = "+" if heard.change_db >= 0.05 else ""
    give = "" if heard.noise_db is None else f"give or take {number(heard.noise_db, 1)}{NBSP}dB"
    return said(*panel, f"Change from the best heading so far ({heard.best_deg:.0f}°):"), sign + number(heard.change_db, 1), "dB", give


def _below(db: float) -> str:
    return "the strongest" if db == 0.0 else f"{number(db, 1)}{NBSP}dB below it"


def _quantity(quantity: str) -> str:
    return "SINR" if quantity == "sinr" else "level (RSRP)"


def _by_compass(compass_deg: float | None) -> str:
    return " true" if compass_deg is None else f" true, by compass {compass_deg:.0f}°"


def _phase(step: AimStep) -> str:
    words = {"coarse": "All round first", "fine": "Finer, there and back", "again": "Once more, to be surer", "onwards": "Onwards past the edge"}[step.phase]
    return f"{words}: {step.done + 1}{NBSP}of{NBSP}{step.of}."

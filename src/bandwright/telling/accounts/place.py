"""What the place says, laid out: which way, how clear, what height brings, and where the mast can be. What is missing is said with what to do.

No position is ever named: distances and directions only. Cautions stand before the numbers that invite a climb.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Protocol

from bandwright.antenna.bearings import CompassBearing
from bandwright.propagation.clearance import Clearance, HeightGain
from bandwright.telling.cautions import cautions_by_key
from bandwright.telling.charts import clearance as clearance_chart
from bandwright.telling.charts import height as height_chart
from bandwright.telling.charts import plan as plan_chart
from bandwright.telling.document import Block, Caution, Document, Items, Note, Para, Part, Plate, Table, row
from bandwright.telling.numbers import NBSP, certainty, joined, number, ranged
from bandwright.telling.said import Said, link, said, strong
from bandwright.words.declared import Declared
from bandwright.words.rig import Rig

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

__all__ = ["PlaceArea", "PlaceRelief", "PlaceTiming", "PlaceTold", "PlaceView", "PlaceWant", "place_document", "ways_sentence"]

_HARDLY_DB = 1.0


class PlaceView(Protocol):
    """A way to a mast; see `jobs.place.MastView`."""

    @property
    def name(self) -> str: ...  # noqa: D102 -- named by itself
    @property
    def way(self) -> CompassBearing: ...  # noqa: D102 -- named by itself
    @property
    def height_m(self) -> float: ...  # noqa: D102 -- named by itself
    @property
    def height_assumed(self) -> bool: ...  # noqa: D102 -- named by itself
    @property
    def guessed(self) -> bool: ...  # noqa: D102 -- named by itself
    @property
    def clear(self) -> Clearance | None: ...  # noqa: D102 -- named by itself
    @property
    def gains(self) -> Sequence[HeightGain]: ...  # noqa: D102 -- named by itself


class PlaceArea(Protocol):
    """Where a mast can be; see `predict.masts.MastArea`."""

    @property
    def azimuths_deg(self) -> NDArray[np.float64]: ...  # noqa: D102 -- named by itself
    @property
    def ranges_m(self) -> NDArray[np.float64]: ...  # noqa: D102 -- named by itself
    @property
    def inside(self) -> NDArray[np.bool_]: ...  # noqa: D102 -- named by itself
    @property
    def level(self) -> float: ...  # noqa: D102 -- named by itself
    @property
    def along_m(self) -> float: ...  # noqa: D102 -- named by itself
    @property
    def across_m(self) -> float: ...  # noqa: D102 -- named by itself
    @property
    def area_km2(self) -> float: ...  # noqa: D102 -- named by itself
    @property
    def clues(self) -> Sequence[str]: ...  # noqa: D102 -- named by itself


class PlaceRelief(Protocol):
    """Light on the ground; see `jobs.place.Relief`."""

    @property
    def light(self) -> NDArray[np.float64]: ...  # noqa: D102 -- named by itself
    @property
    def west_m(self) -> float: ...  # noqa: D102 -- named by itself
    @property
    def south_m(self) -> float: ...  # noqa: D102 -- named by itself
    @property
    def east_m(self) -> float: ...  # noqa: D102 -- named by itself
    @property
    def north_m(self) -> float: ...  # noqa: D102 -- named by itself


class PlaceWant(Protocol):
    """What is missing; see `jobs.place.Missing`."""

    @property
    def what(self) -> str: ...  # noqa: D102 -- named by itself
    @property
    def todo(self) -> str: ...  # noqa: D102 -- named by itself


class PlaceTiming(Protocol):
    """A distance by timing advance, and its age; see `predict.masts.TimingClue`."""

    @property
    def distance_m(self) -> float: ...  # noqa: D102 -- named by itself
    @property
    def age_h(self) -> float: ...  # noqa: D102 -- named by itself


class PlaceTold(Protocol):
    """What the place says; see `jobs.place.PlaceAnswer`."""

    @property
    def declared(self) -> Declared: ...  # noqa: D102 -- named by itself
    @property
    def height_m(self) -> float: ...  # noqa: D102 -- named by itself
    @property
    def from_height_m(self) -> float: ...  # noqa: D102 -- named by itself
    @property
    def frequency_mhz(self) -> float: ...  # noqa: D102 -- named by itself
    @property
    def rig(self) -> Rig | None: ...  # noqa: D102 -- named by itself
    @property
    def views(self) -> Sequence[PlaceView]: ...  # noqa: D102 -- named by itself
    @property
    def area(self) -> PlaceArea | None: ...  # noqa: D102 -- named by itself
    @property
    def area_with_terrain(self) -> bool: ...  # noqa: D102 -- named by itself
    @property
    def timing(self) -> Sequence[PlaceTiming]: ...  # noqa: D102 -- named by itself
    @property
    def wide(self) -> PlaceRelief | None: ...  # noqa: D102 -- named by itself
    @property
    def slim(self) -> PlaceRelief | None: ...  # noqa: D102 -- named by itself
    @property
    def missing(self) -> Sequence[PlaceWant]: ...  # noqa: D102 -- named by itself
    @property
    def assumed(self) -> Sequence[str]: ...  # noqa: D102 -- named by itself


def place_document(answer: PlaceTold) -> Document:
    """Return the Place page."""
    first = answer.views[0] if answer.views else None
    parts = [_lede(first)]
    rests = _rests_on(answer, first)
    if first is not None and first.gains:
        caution = Caution(title="First the cautions", items=cautions_by_key(("ladder", "power line", "lightning", "rf distance")))
        parts.append(Part(title="Before you climb", blocks=(caution,), note=rests))
    else:
        parts = [Part(blocks=parts[0].blocks, note=rests)]
    if answer.missing:
        items = tuple(said(strong(m.what), f". {m.todo}." if m.todo and not m.todo.endswith(".") else f". {m.todo}") for m in answer.missing)
        parts.append(Part(title="What is missing", blocks=(Items(items=items),)))
    if first is not None and first.clear is not None:
        parts.append(_clear(answer, first, first.clear))
    parts += [p for p in (_plan(answer), _height(answer, first)) if p is not None]
    foot = "Terrain by ITU-R P.1812 and P.526, surroundings by P.2108. Shrubs, trees and houses that the elevation files do not hold can change all of it: only a trial decides. Positions are not shown and stay in this folder."
    return Document(title="Place", where=said(f"Before the first climb · {answer.declared.site.name} · position withheld"), headline=_headline(answer, first), parts=tuple(parts), foot=said(foot))


def ways_sentence(view: PlaceView) -> Said:
    """Return which way a mast lies, true and by compass, and how far."""
    compass = view.way.magnetic_deg
    by = f" true, {compass:.0f}° by compass" if compass is not None else " true"
    who = "The likeliest place" if view.guessed else _upper(view.name)
    far = plan_chart.distance_text(view.way.distance_m)
    return said(f"{who} lies at ", strong(f"{view.way.true_deg:.0f}°{by}"), f", {'about ' if view.guessed else ''}{far} away.")


def _headline(answer: PlaceTold, first: PlaceView | None) -> Said:
    if answer.declared.site.latitude_deg is None or answer.declared.site.longitude_deg is None:
        return said("Where is the place? ", strong("Declare its position"), ", and this page says which way the mast is and what height would bring.")
    if first is None:
        return said("Which way the mast is, ", strong("is not known yet"), ".")
    gain = _gain(answer, first)
    if answer.area is not None:
        return said("The mast is not known; ", strong(certainty(answer.area.level)), " that it stands within ", strong(_size(answer.area)), ".")
    if gain is None:
        return said("Start at ", strong(f"{first.way.true_deg:.0f}° true"), f": {first.name} is {plan_chart.distance_text(first.way.distance_m)} away.")
    heights = f"from {answer.from_height_m:g} to {gain.height_m:g}{NBSP}m"
    stands = _stands(first.clear)
    if (gain.low_db + gain.high_db) / 2.0 < _HARDLY_DB:
        return said("Going up ", heights, " should ", strong("hardly change the level"), f": {stands}.")
    return said("Going up ", heights, ", the level should change by ", strong(ranged(gain.low_db, gain.high_db, "dB")), f": {stands}.")


def _stands(clear: Clearance | None) -> str:
    if clear is None:
        return "how clear the way is, is not known"
    if clear.clear:
        return "the way to the mast is clear"
    if clear.worst_share > 0:
        return "the mast is in sight, but an edge reaches near the line"
    return "an edge cuts the line to the mast"


def _gain(answer: PlaceTold, view: PlaceView) -> HeightGain | None:
    return min(view.gains, key=lambda g: abs(g.height_m - answer.height_m)) if len(view.gains) > 1 and answer.height_m > answer.from_height_m else None


def _lede(first: PlaceView | None) -> Part:
    nothing = said("What is known is answered below; what is missing is said with what to do about it.")
    return Part(blocks=(Para(nothing if first is None else ways_sentence(first), "lede"),))


def _rests_on(answer: PlaceTold, first: PlaceView | None) -> Note | None:
    paras = []
    if answer.assumed:
        paras.append(said(strong("Assumed: "), "; ".join(answer.assumed), "."))
    if first is not None:
        compass = first.way.declination
        if compass is not None:
            turn = f"{abs(compass.declination_deg):.1f}° {'east' if compass.declination_deg >= 0 else 'west'}"
            unsure = " The needle is weak here: trust the sun." if compass.unsure else ""
            paras.append(said(strong("Compass: "), f"north by the needle lies {turn} of true north ({compass.source}). Steel bends it by 5 to 10° or more.{unsure}"))
        elif first.way.why_no_compass:
            paras.append(said(strong("Compass: "), f"none here. {first.way.why_no_compass}."))
        paras.append(said(strong("Sun check: "), "without a compass, use the shadow of a plumb line; ", link("Aim", "/aim/sun"), " has the minute."))
    return Note(label="What this rests on", paras=tuple(paras)) if paras else None


def _clear(answer: PlaceTold, view: PlaceView, clear: Clearance) -> Part:
    total = clear.distance_m[0] + clear.distance_m[-1]
    points = [
        clearance_chart.ClearancePoint(distance_m=total - d, ground_m=ground, line_m=line, clearance=share)
        for d, ground, line, share in zip(reversed(clear.distance_m), reversed(clear.surface_m), reversed(clear.line_m), reversed(clear.share), strict=True)
    ]
    worst = min(points, key=lambda p: p.clearance)
    every = max(1, len(points) // 400)
    data = clearance_chart.Clearance(points=tuple(p for i, p in enumerate(points) if i % every == 0 or p is worst), worst=worst, frequency_mhz=answer.frequency_mhz)
    where = "the likeliest place" if view.guessed else view.name
    reading = f"From the antenna at {answer.height_m:g}{NBSP}m to {where}, {view.height_m:g}{NBSP}m high{' (assumed)' if view.height_assumed else ''}, at {number(answer.frequency_mhz)}{NBSP}MHz. The curve should stay above 0.6; the earth’s curve is in the ground."
    paras = []
    if not clear.clear:
        far = plan_chart.distance_text(worst.distance_m)
        paras.append(said(strong("The edge that blocks "), f"is {far} from the site. Alone it costs about {number(clear.edge_loss_db)}{NBSP}dB (single edge, ITU-R P.526)."))
    if view.guessed:
        paras.append(said(strong("A guess: "), "this is the way to the likeliest place. The mast itself may stand elsewhere in the area."))
    paras.append(said(strong("Not known: "), "trees and houses on the way, where the elevation file shows bare ground."))
    plate = Plate(finding=said(clearance_chart.finding(data)), reading=said(reading), drawing=clearance_chart.draw(data), table=clearance_chart.table(data))
    return Part(title="How clear the way is", blocks=(plate,), note=Note(label="About the edge", paras=tuple(paras)))


def _plan(answer: PlaceTold) -> Part | None:
    ways = [
        plan_chart.Way(
            label=v.name,
            azimuth_deg=v.way.true_deg,
            distance_m=v.way.distance_m,
            guessed=v.guessed,
            first=i == 0,
            edge_m=None if v.clear is None or v.clear.clear else v.way.distance_m - v.clear.worst_at_m,
            compass_deg=v.way.magnetic_deg,
        )
        for i, v in enumerate(answer.views)
    ]
    beam = answer.rig.antenna.beamwidth_deg if answer.rig is not None else None
    area = None if answer.area is None else plan_chart.Area(cells=_cells(answer.area), level=answer.area.level)
    data = plan_chart.plan(ways, wide=_ground(answer.wide), slim=_ground(answer.slim), area=area, rings_m=[t.distance_m for t in answer.timing], beam_deg=beam)
    if data is None:
        return None
    blocks: list[Block] = []
    if answer.area is not None:
        blocks.append(Plate(finding=said(f"Shaded: {certainty(answer.area.level)} that the mast stands here."), reading=said(_area_reading(answer)), drawing=plan_chart.draw(data)))
    else:
        says = f"Solid: the way to try first{f', with a beam of {beam:.0f}°' if beam else ''}. Dashed: other ways. A short thick stroke is the edge that blocks."
        blocks.append(Plate(finding=said(plan_chart.finding(data)), reading=said(says), drawing=plan_chart.draw(data)))
    if len(answer.views) > 1:
        blocks.append(_others(answer.views))
    paras = []
    if answer.area is not None:
        paras.append(said(strong("From: "), joined(list(answer.area.clues)) + ("" if answer.area_with_terrain else "; without terrain") + "."))
        stale = max((t.age_h for t in answer.timing), default=0.0)
        if answer.timing:
            paras.append(said(strong("Timing advance "), f"bounds the distance from above; the reading is {_age(stale)} old, and many gateways never refresh it."))
    else:
        paras.append(said(strong("Masts "), "stand where they are declared; nothing is looked up."))
    return Part(title="Where the mast can be" if answer.area is not None else "Which way to look", blocks=tuple(blocks), note=Note(label="About the plan", paras=tuple(paras)))


def _area_reading(answer: PlaceTold) -> str:
    area = answer.area
    if area is None:
        return ""
    over = ", and where the terrain lets it be seen" if answer.area_with_terrain else ""
    ring = " Long dashes: distance by timing advance." if answer.timing else ""
    return f"{number(area.area_km2, 2 if area.area_km2 < 1 else 1)}{NBSP}km² in all, from rings and bearings{over}. It is an area, not a place: coordinates that you enter go before it.{ring}"


def _cells(area: PlaceArea) -> tuple[tuple[float, float, float, float], ...]:
    """The cells inside, neighbours along a direction joined."""
    half = 180.0 / len(area.azimuths_deg)
    step = float(area.ranges_m[1] - area.ranges_m[0])
    out: list[tuple[float, float, float, float]] = []
    for azimuth, line in zip(area.azimuths_deg, area.inside, strict=True):
        start: float | None = None
        for distance, held in [*zip(area.ranges_m, line, strict=True), (0.0, False)]:
            if held and start is None:
                start = float(distance) - step / 2.0
                end = start
            if held:
                end = float(distance) + step / 2.0
            elif start is not None:
                out.append((float(azimuth) - half, float(azimuth) + half, start, end))
                start = None
    return tuple(out)


def _ground(relief: PlaceRelief | None) -> plan_chart.Ground | None:
    return None if relief is None else plan_chart.Ground(light=relief.light, west_m=relief.west_m, south_m=relief.south_m, east_m=relief.east_m, north_m=relief.north_m)


def _others(views: Sequence[PlaceView]) -> Table:
    rows = []
    for v in views:
        clear = "not known" if v.clear is None else "clear" if v.clear.clear else f"{number(v.clear.worst_share, 1)} radii, about {number(v.clear.edge_loss_db)}{NBSP}dB"
        compass = "not known" if v.way.magnetic_deg is None else f"{v.way.magnetic_deg:.0f}°"
        rows.append(row(_upper(v.name), f"{v.way.true_deg:.0f}°", compass, plan_chart.distance_text(v.way.distance_m), clear))
    return Table(caption=said("Masts, the least loss first"), heads=("Mast", "True", "By compass", "Distance", "Tightest place"), rows=tuple(rows), numeric=(1, 2, 3))


def _height(answer: PlaceTold, view: PlaceView | None) -> Part | None:
    if view is None or not view.gains:
        return None
    rows = [height_chart.HeightRow(height_m=g.height_m, terrain_db=g.terrain_db, low_db=g.low_db, high_db=g.high_db) for g in view.gains]
    label = (answer.rig.label or answer.rig.key) if answer.rig is not None else "assumed"
    marks = [height_chart.HeightMark(height_m=answer.height_m, label=label[:18])] if answer.height_m > answer.from_height_m else []
    data = height_chart.heights(rows, marks=marks)
    if data is None:
        return None
    paras = [said(strong("The band "), "runs from what the terrain alone brings to what it brings together with houses and trees near the site, and 4 dB beyond for heights that differ (common practice).")]
    if view.clear is not None and not view.clear.clear:
        lift = view.clear.raise_site_m
        paras.append(said(strong("To clear the edge "), "more than 100 m would not do: another heading may." if lift is None else f"the antenna would have to hang {number(lift, 1)}{NBSP}m higher. Less height still helps: the loss shrinks smoothly."))
    caution = Caution(title="Height is where people fall", items=cautions_by_key(("ladder", "roof", "mast", "wind")))
    reading = "Change of level on the way above. Each metre has its range; where the range holds zero, a metre may bring nothing."
    plate = Plate(finding=said(height_chart.finding(data)), reading=said(reading), drawing=height_chart.draw(data), table=height_chart.table(data))
    return Part(title="How high", blocks=(caution, plate), note=Note(label="About height", paras=tuple(paras)))


def _size(area: PlaceArea) -> str:
    """Across and along where the area fills that much; else its square kilometres: a ring is no rectangle."""
    if area.area_km2 * 1e6 > 0.4 * area.across_m * area.along_m:
        return f"about {_metres(area.across_m)} × {_metres(area.along_m)}"
    return f"{number(area.area_km2, 2 if area.area_km2 < 1 else 1)}{NBSP}km² round about"


def _age(hours: float) -> str:
    if hours < 1.0:
        return "less than an hour"
    return f"{hours:.0f}{NBSP}h" if hours < 48.0 else f"{hours / 24.0:.0f} days"


def _metres(value: float) -> str:
    if value >= 1000:
        return f"{value / 1000:.1f}{NBSP}km"
    return f"{max(10, round(value, -1)):.0f}{NBSP}m"


def _upper(text: str) -> str:
    return text[:1].upper() + text[1:]

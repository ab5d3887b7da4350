"""What the place says before anybody climbs: which way the mast is, how clear the way to it is, and what each metre of height brings.

From the declared position, the elevation files of the workspace, and a mast whose position is declared; where it is not, from the clues
there are (timing advance, headings that served best, the terrain), as an area with a probability. What is missing is said, with
what to do about it, and the rest is still answered. Positions stay in here: the answer holds distances and directions only.
"""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from bandwright.antenna.bearings import CompassBearing, compass_bearing
from bandwright.errors import BandwrightError, RangeError, TerrainError, UsageError
from bandwright.jobs.aim import aim_so_far
from bandwright.jobs.house import House, Terrain
from bandwright.predict.carriers import active_carriers
from bandwright.predict.masts import BearingClue, MastArea, TimingClue, locate_mast
from bandwright.propagation.clearance import Clearance, HeightGain, clearance, height_gains
from bandwright.propagation.geodesy import series_places
from bandwright.propagation.kernels import ensemble_losses_db, fan
from bandwright.propagation.profile import profile
from bandwright.propagation.relief import hillshade
from bandwright.propagation.surroundings import height_gain_loss_db
from bandwright.radio.levels import timing_advance_m
from bandwright.readings.parse import parse
from bandwright.words.declared import Declared
from bandwright.words.radio import Reading
from bandwright.words.rig import Rig
from bandwright.words.site import Mast

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    Grid = NDArray[np.float64]

__all__ = ["MastView", "Missing", "PlaceAnswer", "Relief", "place"]

# Where nothing is declared or read (common practice, no source).
_MAST_HEIGHT_M = 30.0
_ANTENNA_HEIGHT_M = 6.0
_FREQUENCY_MHZ = 1800.0
_REACHES_KM = (15.0, 8.0, 4.0, 2.0)
_MOST_CLEARANCE_KM = 60.0
_MOST_PLAN_M = 40_000.0  # the local series is within 2 m to 30 km and grows with the cube: little in a picture
_CLUTTER_TOP_GHZ = 3.0  # P.2108 3.1 ends there; above, its figure at 3 GHz stands in
_POSITION = re.compile(r"-?\d+\.\d{3,},? -?\d+\.\d{3,}")


@dataclass(frozen=True, slots=True, kw_only=True)
class Missing:
    """Something that is not known here, and what to do about it."""

    what: str
    todo: str


@dataclass(frozen=True, slots=True, kw_only=True)
class MastView:
    """A way from the site to a mast. guessed: it leads to the likeliest place, not to a known mast. clear: None where there is no terrain.

    east_m, north_m: from the site, for a plan. gains: what each height at the site brings on this way.
    """

    name: str
    way: CompassBearing
    height_m: float
    height_assumed: bool
    east_m: float
    north_m: float
    guessed: bool = False
    clear: Clearance | None = None
    gains: tuple[HeightGain, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Relief:
    """The lie of the land as a picture: light 0..1, rows from north, NaN where not known; its edges in m east and north of the site."""

    light: Grid
    west_m: float
    south_m: float
    east_m: float
    north_m: float


@dataclass(frozen=True, slots=True, kw_only=True)
class PlaceAnswer:
    """What the place says. views: declared masts, the least loss first, or the likeliest direction. wide, slim: relief under the plan, one for each layout.

    from_height_m: what the gains are against; height_m: of the antenna that clearance speaks of, with where it comes from.
    """

    declared: Declared
    height_m: float
    height_from: str
    from_height_m: float
    frequency_mhz: float
    frequency_from: str
    rig: Rig | None
    views: tuple[MastView, ...] = ()
    area: MastArea | None = None
    area_with_terrain: bool = False
    timing: tuple[TimingClue, ...] = ()
    wide: Relief | None = None
    slim: Relief | None = None
    missing: tuple[Missing, ...] = ()
    assumed: tuple[str, ...] = ()


def place(house: House, *, rig: str | None = None) -> PlaceAnswer:
    """Return what the place says. rig: whose antenna height counts; None is the highest declared one. Raises UsageError for a rig that is not declared."""
    declared = house.declared
    chosen = _rig(declared, rig)
    height = chosen.antenna.height_m if chosen is not None and chosen.antenna.height_m else None
    reading = _latest(house)
    frequency = _frequency(reading)
    mounted = next((r for r in declared.rigs if r.key == declared.campaign.mounted), None)
    low = (mounted.antenna.height_m if mounted else None) or 2.0
    answer = PlaceAnswer(
        declared=declared,
        height_m=height or _ANTENNA_HEIGHT_M,
        height_from="declared" if height else "assumed",
        from_height_m=max(1.0, min(low, height or _ANTENNA_HEIGHT_M)),
        frequency_mhz=frequency or _FREQUENCY_MHZ,
        frequency_from="read" if frequency else "assumed",
        rig=chosen,
    )
    return _Place(house, answer, reading).answered()


class _Place:
    """Puts one answer together, noting what is missing on the way."""

    def __init__(self, house: House, empty: PlaceAnswer, reading: Reading | None) -> None:
        self._house, self._at, self._reading = house, empty, reading
        self._site = house.declared.site
        self._missing: list[Missing] = []
        self._assumed: list[str] = []

    def answered(self) -> PlaceAnswer:
        """Return the answer."""
        at = self._at
        if at.height_from == "assumed":
            self._assumed.append(f"antenna {at.height_m:g} m above ground")
        if at.frequency_from == "assumed":
            self._assumed.append(f"{at.frequency_mhz:.0f} MHz, as no reading shows a channel")
        if self._site.latitude_deg is None or self._site.longitude_deg is None:
            self._missing.append(Missing(what="The position of the site is not declared", todo="Give latitude_deg and longitude_deg under [site] in site.toml; they stay in this folder"))
            return self._made()
        terrain = self._terrain()
        views = tuple(sorted((self._view(m, terrain) for m in self._house.declared.masts), key=_burden_db))
        area, over, timing = (None, False, ()) if views else self._area(terrain)
        if area is not None:
            views = (self._likeliest(area, terrain),)
        wide, slim = (None, None) if terrain is None else (self._relief(terrain, views, area, 720, 500), self._relief(terrain, views, area, 288, 330))
        return self._made(views=views, area=area, area_with_terrain=over, timing=timing, wide=wide, slim=slim)

    def _made(self, **more: object) -> PlaceAnswer:
        return replace(self._at, **more, missing=tuple(self._missing), assumed=tuple(dict.fromkeys(self._assumed)))  # type: ignore[arg-type] # its own fields

    def _lacks(self, what: str, error: BandwrightError) -> None:
        given = _POSITION.sub("a place on the way", str(error.given)) if error.given is not None else error.what
        self._missing.append(Missing(what=f"{what}: {given}", todo=error.todo or ""))

    def _terrain(self) -> Terrain | None:
        site = self._site
        try:
            terrain = self._house.terrain()
            if terrain is None:
                self._missing.append(
                    Missing(what="There is no elevation file", todo='Put an .hgt tile or a GeoTIFF of the area (public agencies give them away) into the folder "elevation" beside site.toml')
                )
                return None
            terrain.ground_m(lat_deg=site.latitude_deg or 0.0, lon_deg=site.longitude_deg or 0.0)
        except (TerrainError, UsageError) as error:
            self._lacks("The elevation files do not serve", error)
            return None
        return terrain

    def _view(self, mast: Mast, terrain: Terrain | None, *, guessed: bool = False) -> MastView:
        site = self._site
        here = (site.latitude_deg or 0.0, site.longitude_deg or 0.0)
        label = mast.name or ("the likeliest place" if guessed else "the mast")
        way = compass_bearing(from_lat_deg=here[0], from_lon_deg=here[1], to_lat_deg=mast.latitude_deg, to_lon_deg=mast.longitude_deg, on=self._house.clock.now())
        height = mast.height_m or _MAST_HEIGHT_M
        if mast.height_m is None:
            self._assumed.append(f"mast {_MAST_HEIGHT_M:g} m high")
        clear, gains = (None, ()) if terrain is None else self._along(mast, label, height, way.distance_m, terrain)
        turned = math.radians(way.true_deg)
        return MastView(
            name=label, way=way, height_m=height, height_assumed=mast.height_m is None, east_m=way.distance_m * math.sin(turned), north_m=way.distance_m * math.cos(turned), guessed=guessed, clear=clear, gains=gains
        )

    def _along(self, mast: Mast, label: str, mast_height_m: float, distance_m: float, terrain: Terrain) -> tuple[Clearance | None, tuple[HeightGain, ...]]:
        """Clearance, and what height brings; what cannot be said is noted."""
        at, site = self._at, self._site
        if distance_m > 1000.0 * _MOST_CLEARANCE_KM:
            self._missing.append(Missing(what=f"{label} is {distance_m / 1000:.0f} km away: no mast serves a home from there", todo="Check its latitude_deg and longitude_deg"))
            return None, ()
        try:
            d, ground = terrain.profile_m(
                from_lat_deg=mast.latitude_deg, from_lon_deg=mast.longitude_deg, to_lat_deg=site.latitude_deg or 0.0, to_lon_deg=site.longitude_deg or 0.0, step_m=max(10.0, distance_m / 1000.0)
            )
            path = profile(distance_km=[x / 1000.0 for x in d], ground_m=ground)
            clear = clearance(path, tx_height_m=mast_height_m, rx_height_m=at.height_m, frequency_mhz=at.frequency_mhz)
        except (TerrainError, RangeError) as error:
            self._lacks(f"The way to {label} cannot be drawn", error)
            return None, ()
        try:
            return clear, self._gains(d, ground, mast_height_m)
        except RangeError as error:
            self._missing.append(Missing(what=f"What height brings on the way to {label} is not worked out: {error}", todo="Try it: hold the antenna up and read"))
            return clear, ()

    def _gains(self, d: Sequence[float], ground: Sequence[float], mast_height_m: float) -> tuple[HeightGain, ...]:
        at = self._at
        top = max(12.0, math.ceil(at.height_m) + 4.0)
        steps = round(2.0 * (top - at.from_height_m))
        heights = sorted({at.from_height_m, at.height_m, *(at.from_height_m + 0.5 * k for k in range(steps + 1))})
        ghz = at.frequency_mhz / 1000.0
        losses = ensemble_losses_db(
            distance_km=[x / 1000.0 for x in d],
            ground_m=ground,
            tx_heights_m=[mast_height_m] * len(heights),
            rx_heights_m=heights,
            frequencies_ghz=[ghz] * len(heights),
            delta_ns=[45.0] * len(heights),
            latitude_deg=self._site.latitude_deg or 0.0,
        )
        around = [-height_gain_loss_db(frequency_ghz=min(ghz, _CLUTTER_TOP_GHZ), height_m=h, clutter="suburban") for h in heights]
        return height_gains(heights, losses.tolist(), clutter_gains_db=around)

    def _area(self, terrain: Terrain | None) -> tuple[MastArea | None, bool, tuple[TimingClue, ...]]:
        """Where the mast can be, whether terrain took part, and the rings."""
        timing, bearings = self._timing(), self._bearings()
        if not timing and not bearings:
            self._missing.append(
                Missing(what="Where the mast is, is not known", todo="Declare a [[mast]] in site.toml, or turn an antenna with `bandwright aim`, or take a reading that shows the timing advance: each narrows it")
            )
            return None, False, ()
        far = max((c.distance_m for c in timing), default=0.0)
        reaches = [max(r, min(28.0, 1.4 * far / 1000.0)) for r in _REACHES_KM] if timing else list(_REACHES_KM)
        azimuths = [2.0 * k for k in range(180)]
        for reach in dict.fromkeys(reaches):
            found = self._fan(terrain, azimuths, reach)
            if found is not None:
                ranges, bent, ground = found
                return locate_mast(timing=timing, bearings=bearings, azimuths_deg=azimuths, ranges_m=ranges, diffraction_db=bent, ground_m=ground), True, timing
        if terrain is not None:
            self._assumed.append("no terrain in the area of the mast, as the elevation files do not reach far enough round")
        ranges = [1000.0 * max(reaches) * (k + 1) / 60.0 for k in range(60)]
        return locate_mast(timing=timing, bearings=bearings, azimuths_deg=azimuths, ranges_m=ranges), False, timing

    def _fan(self, terrain: Terrain | None, azimuths: list[float], reach_km: float) -> tuple[list[float], Grid, Grid] | None:
        if terrain is None:
            return None
        every, count = 4, 60
        step = 1000.0 * reach_km / (every * count)
        try:
            radials = terrain.radials_m(lat_deg=self._site.latitude_deg or 0.0, lon_deg=self._site.longitude_deg or 0.0, azimuths_deg=azimuths, step_m=step, points=every * count + 1)
        except TerrainError:
            return None
        ghz = min(6.0, max(0.03, self._at.frequency_mhz / 1000.0))
        seen = fan(radials, step_m=step, every=every, centre_height_m=self._at.height_m, far_height_m=_MAST_HEIGHT_M, frequency_ghz=ghz)
        return seen.ranges_m.tolist(), seen.diffraction_db, radials[:, every::every]

    def _likeliest(self, area: MastArea, terrain: Terrain | None) -> MastView:
        import numpy as np

        turned = math.radians(area.best_azimuth_deg)
        east, north = np.array([area.best_range_m * math.sin(turned)]), np.array([area.best_range_m * math.cos(turned)])
        lat, lon = series_places(from_lat_deg=self._site.latitude_deg or 0.0, from_lon_deg=self._site.longitude_deg or 0.0, east_m=east, north_m=north)
        return self._view(Mast(latitude_deg=float(lat[0]), longitude_deg=float(lon[0])), terrain, guessed=True)

    def _timing(self) -> tuple[TimingClue, ...]:
        if self._reading is None:
            return ()
        age = max(0.0, (self._house.clock.now() - self._reading.at).total_seconds() / 3600.0) if self._reading.at is not None else 0.0
        out = []
        for carrier in self._reading.serving():
            steps, scs = carrier.number("timing_advance"), int(carrier.number("scs") or 15)
            if steps is not None:
                out.append(TimingClue(distance_m=timing_advance_m(int(steps), scs_khz=scs), scs_khz=scs, age_h=age))
        return tuple(out)

    def _bearings(self) -> tuple[BearingClue, ...]:
        out = []
        for rig in self._house.declared.rigs:
            if rig.antenna.beamwidth_deg is None:
                continue
            best = next(iter(aim_so_far(self._house, rig.key)), None)
            if best is not None and best.heading is not None:
                out.append(BearingClue(azimuth_deg=best.heading.value % 360.0, sd_deg=max(2.0, (best.heading.high - best.heading.low) / 3.29)))
        return tuple(out)

    def _relief(self, terrain: Terrain, views: tuple[MastView, ...], area: MastArea | None, width: int, height: int) -> Relief:
        import numpy as np

        near = [(v.east_m, v.north_m) for v in views if v.way.distance_m <= _MOST_PLAN_M] or [(0.0, 0.0)]
        if area is not None:
            rows, columns = np.nonzero(area.inside)
            turned, reach = np.radians(area.azimuths_deg[rows]), area.ranges_m[columns]
            near += list(zip((reach * np.sin(turned)).tolist(), (reach * np.cos(turned)).tolist(), strict=True))
        xs, ys = [0.0, *(x for x, _ in near)], [0.0, *(y for _, y in near)]
        across = max(1500.0, 1.3 * (max(xs) - min(xs)), 1.3 * (max(ys) - min(ys)) * width / height)
        middle_x, middle_y, down = (max(xs) + min(xs)) / 2.0, (max(ys) + min(ys)) / 2.0, across * height / width
        columns_, rows_ = width // 2, height // 2
        x = middle_x + across * ((np.arange(columns_) + 0.5) / columns_ - 0.5)
        y = middle_y - down * ((np.arange(rows_) + 0.5) / rows_ - 0.5)
        east, north = (g.ravel() for g in np.meshgrid(x, y))
        lats, lons = series_places(from_lat_deg=self._site.latitude_deg or 0.0, from_lon_deg=self._site.longitude_deg or 0.0, east_m=east, north_m=north)
        heights = terrain.known_m(lats, lons).reshape(rows_, columns_)
        span = float(np.nanmax(heights) - np.nanmin(heights)) if np.isfinite(heights).any() else 0.0
        stretch = min(8.0, max(1.0, 0.08 * across / max(span, 1.0)))
        return Relief(light=hillshade(heights, step_m=across / columns_, stretch=stretch), west_m=middle_x - across / 2.0, east_m=middle_x + across / 2.0, south_m=middle_y - down / 2.0, north_m=middle_y + down / 2.0)


def _burden_db(view: MastView) -> float:
    """What a way takes, for the order of trying: free space by distance, and the edge that blocks."""
    return 20.0 * math.log10(view.way.distance_m) + (view.clear.edge_loss_db if view.clear is not None else 0.0)


def _rig(declared: Declared, key: str | None) -> Rig | None:
    if key is not None:
        found = next((r for r in declared.rigs if r.key == key), None)
        if found is None:
            raise UsageError("that rig is not declared", given=key, allowed=", ".join(r.key for r in declared.rigs))
        return found
    known = [r for r in declared.rigs if r.antenna.height_m]
    return max(known, key=lambda r: r.antenna.height_m or 0.0, default=None)


def _latest(house: House) -> Reading | None:
    kept = [r for c in house.records.captures(limit=60) for r in parse(c) if r.serving()]
    return kept[-1] if kept else None


def _frequency(reading: Reading | None) -> float | None:
    if reading is None:
        return None
    return next((c.frequency_mhz for c in active_carriers(reading) if c.frequency_mhz is not None), None)

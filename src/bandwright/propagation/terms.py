"""The table of loss terms: what the air takes between mast and gateway, one row a term, each with its spread and its source.

`path_terms(link)` walks the table. A base term (free space with terrain, or with a statistical scenario) always applies; the others
apply where the link says so. Where a model does not reach, the row that stands in says so in its note: below 0.25 km and above 6 GHz
P.526 diffraction replaces P.1812, without terrain TR 38.901 does.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

from bandwright.errors import RangeError
from bandwright.propagation.diffraction import VERTICAL, delta_bullington, smooth_surface
from bandwright.propagation.entry import Building, building_entry_db, building_entry_sd_db, material_db
from bandwright.propagation.freespace import effective_earth_radius_km, free_space_loss_db
from bandwright.propagation.profile import SEA, Profile
from bandwright.propagation.statistical import Scenario, line_of_sight_chance, path_loss
from bandwright.propagation.surroundings import CLUTTER_HEIGHT_M, Clutter, height_gain_loss_db, statistical_clutter_db, weissberger_db
from bandwright.propagation.terrain import p1812
from bandwright.propagation.weather import gas_db_per_km, rain_db

__all__ = ["TERMS", "Link", "PathLoss", "Term", "TermLoss", "diffraction_loss_db", "path_terms"]

# One sigma of a terrain model on a path nobody has measured: 6 to 8 dB (common practice, no source).
_TERRAIN_SD_DB = 7.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Link:
    """A path between a base station and an antenna at the site.

    tx is the base station. profile: None where no terrain is known. surface_model: the heights hold trees and roofs. clutter: what surrounds the site's
    antenna; used only where the profile has no clutter of its own. building: the antenna is indoors. through: material in front of it, instead.
    trees_m: depth of trees on the way in. latitude_deg, longitude_deg: (tx, rx), for the time variation of P.1812.
    """

    distance_m: float
    frequency_mhz: float
    tx_height_m: float
    rx_height_m: float
    profile: Profile | None = None
    surface_model: bool = False
    scenario: Scenario = "rural"
    clutter: Clutter | None = None
    building: Building | None = None
    through: str | None = None
    trees_m: float = 0.0
    rain_mm_per_h: float = 0.0
    time_percent: float = 50.0
    polarization: int = VERTICAL
    delta_n: float = 45.0
    n0: float = 325.0
    latitudes_deg: tuple[float, float] = (50.0, 50.0)
    longitudes_deg: tuple[float, float] = (0.0, 0.0)

    @property
    def frequency_ghz(self) -> float:
        """Frequency in GHz, as ITU-R formulas take it."""
        return self.frequency_mhz / 1000.0


@dataclass(frozen=True, slots=True, kw_only=True)
class TermLoss:
    """One term of one path: its loss, one sigma, its source, and what stands in for what."""

    key: str
    label: str
    loss_db: float
    sd_db: float
    source: str
    note: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class PathLoss:
    """All terms of a path, their sum and the spread of the sum (independent terms)."""

    terms: tuple[TermLoss, ...]

    @property
    def loss_db(self) -> float:
        """Sum of the medians."""
        return sum(t.loss_db for t in self.terms)

    @property
    def sd_db(self) -> float:
        """Root of the sum of squares."""
        return math.sqrt(sum(t.sd_db**2 for t in self.terms))

    @property
    def notes(self) -> tuple[str, ...]:
        """What stands in for what, in the order of the terms."""
        return tuple(t.note for t in self.terms if t.note)


@dataclass(frozen=True, slots=True, kw_only=True)
class Term:
    """A row: when it applies, and what it takes as (loss, one sigma, note)."""

    key: str
    label: str
    source: str
    applies: Callable[[Link], bool]
    take: Callable[[Link], tuple[float, float, str]]


def path_terms(link: Link) -> PathLoss:
    """Return the loss of a path, term by term. Raises RangeError where a term's own range is left (see each row's source)."""
    if not link.distance_m > 0:
        raise RangeError("distance_m", given=link.distance_m, allowed="above 0")
    rows = []
    for term in TERMS:
        if term.applies(link):
            loss, sd, note = term.take(link)
            rows.append(TermLoss(key=term.key, label=term.label, loss_db=loss, sd_db=sd, source=term.source, note=note))
    return PathLoss(terms=tuple(rows))


def diffraction_loss_db(link: Link) -> float:
    """Return the delta-Bullington diffraction loss of a link's profile at the median earth radius, in dB. Source: ITU-R P.526-15, 4.5.2."""
    path = _profile_of(link)
    tx, rx = float(path.ground_m[0]) + link.tx_height_m, float(path.ground_m[-1]) + link.rx_height_m
    return delta_bullington(
        path,
        smooth_surface(path, tx_masl_m=tx, rx_masl_m=rx),
        tx_masl_m=tx,
        rx_masl_m=rx,
        earth_radius_km=effective_earth_radius_km(delta_n=link.delta_n),
        frequency_ghz=link.frequency_ghz,
        polarization=link.polarization,
        sea_share=float((path.zone == SEA).mean()),
    ).loss_db


def _profile_of(link: Link) -> Profile:
    if link.profile is None:
        raise RangeError("profile", given="none", allowed="a terrain profile")
    return link.profile


def _slant_m(link: Link) -> float:
    rise = link.tx_height_m - link.rx_height_m
    if link.profile is not None:
        rise += float(link.profile.ground_m[0] - link.profile.ground_m[-1])
    return math.hypot(link.distance_m, rise)


def _within_p1812(link: Link) -> bool:
    return link.profile is not None and 30.0 <= link.frequency_mhz <= 6000.0 and link.profile.length_km >= 0.25


def _free(link: Link) -> tuple[float, float, str]:
    return free_space_loss_db(distance_m=_slant_m(link), frequency_mhz=link.frequency_mhz), 0.0, ""


def _terrain(link: Link) -> tuple[float, float, str]:
    path = _profile_of(link)
    found = p1812(
        frequency_ghz=link.frequency_ghz,
        distance_km=path.distance_km.tolist(),
        terrain_height_m=path.ground_m.tolist(),
        clutter_height_m=path.clutter_m.tolist(),
        zone=path.zone.tolist(),
        tx_height_m=link.tx_height_m,
        rx_height_m=link.rx_height_m,
        tx_lat_deg=link.latitudes_deg[0],
        rx_lat_deg=link.latitudes_deg[1],
        tx_lon_deg=link.longitudes_deg[0],
        rx_lon_deg=link.longitudes_deg[1],
        time_percent=link.time_percent,
        polarization=link.polarization,
        delta_n=link.delta_n,
        n0=link.n0,
    )
    note = "the site lies on the sea: no spread over locations" if path.zone[-1] == SEA else ""
    return found.basic_transmission_loss_db - _free(link)[0], _TERRAIN_SD_DB, note


def _edges(link: Link) -> tuple[float, float, str]:
    why = "the path is shorter than 0.25 km" if _profile_of(link).length_km < 0.25 else f"{link.frequency_ghz:g} GHz is outside 0.03..6 GHz"
    return diffraction_loss_db(link), _TERRAIN_SD_DB, f"{why}: diffraction by P.526 in place of P.1812"


def _statistical(link: Link) -> tuple[float, float, str]:
    """The mean over line of sight and not, weighted by its chance; the spread holds both."""
    sight = line_of_sight_chance(scenario=link.scenario, distance_m=link.distance_m, user_height_m=link.rx_height_m)
    free = _free(link)[0]
    clear, hidden = (
        path_loss(scenario=link.scenario, distance_m=link.distance_m, frequency_ghz=link.frequency_ghz, in_sight=seen, user_height_m=link.rx_height_m) for seen in (True, False)
    )
    mean = sight * clear.loss_db + (1.0 - sight) * hidden.loss_db
    variance = sight * (clear.sigma_db**2 + (clear.loss_db - mean) ** 2) + (1.0 - sight) * (hidden.sigma_db**2 + (hidden.loss_db - mean) ** 2)
    return mean - free, math.sqrt(variance), f"no terrain: TR 38.901 {link.scenario}, in sight with chance {sight:.2f}"


def _clutter(link: Link) -> tuple[float, float, str]:
    if link.clutter is None:
        return 0.0, 0.0, ""
    if link.frequency_ghz <= 3.0:
        return height_gain_loss_db(frequency_ghz=link.frequency_ghz, height_m=link.rx_height_m, clutter=link.clutter), 4.0, ""
    if link.clutter == "open" or link.rx_height_m >= CLUTTER_HEIGHT_M[link.clutter]:
        return 0.0, 4.0, ""
    spread = [statistical_clutter_db(frequency_ghz=link.frequency_ghz, distance_km=link.distance_m / 1000.0, location_share=s) for s in (0.1587, 0.5, 0.8413)]
    return spread[1], (spread[2] - spread[0]) / 2.0, "well below the roofs is assumed (P.2108 3.2)"


def _entry(link: Link) -> tuple[float, float, str]:
    if link.through is not None:
        return (*material_db(frequency_ghz=link.frequency_ghz, material=link.through), "")
    if link.building is None:
        return 0.0, 0.0, ""
    return (
        building_entry_db(frequency_ghz=link.frequency_ghz, building=link.building),
        building_entry_sd_db(frequency_ghz=link.frequency_ghz, building=link.building),
        "",
    )


def _trees(link: Link) -> tuple[float, float, str]:
    loss = weissberger_db(depth_m=link.trees_m, frequency_ghz=link.frequency_ghz)
    return loss, max(3.0, 0.3 * loss), "leaves, wind and wet move this by several dB"


def _rain(link: Link) -> tuple[float, float, str]:
    return rain_db(distance_km=link.distance_m / 1000.0, frequency_ghz=link.frequency_ghz, rain_mm_per_h=link.rain_mm_per_h), 0.0, ""


def _gas(link: Link) -> tuple[float, float, str]:
    return gas_db_per_km(frequency_ghz=link.frequency_ghz) * link.distance_m / 1000.0, 0.0, ""


def _clutter_applies(link: Link) -> bool:
    bare = link.profile is not None and not link.surface_model and not link.profile.clutter_m.any()
    return link.clutter is not None and bare and (link.frequency_ghz <= 3.0 or link.distance_m >= 250.0)


TERMS: tuple[Term, ...] = (
    Term(key="free space", label="free space", source="ITU-R P.525", applies=lambda _: True, take=_free),
    Term(key="terrain", label="terrain", source="ITU-R P.1812-6", applies=_within_p1812, take=_terrain),
    Term(key="edges", label="terrain, diffraction only", source="ITU-R P.526-15, 4.5.2", applies=lambda k: k.profile is not None and not _within_p1812(k), take=_edges),
    Term(key="scenario", label="surroundings, statistical", source="TR 38.901 tables 7.4.1-1, 7.4.2-1", applies=lambda k: k.profile is None, take=_statistical),
    Term(key="clutter", label="roofs and trees around the site", source="ITU-R P.2108-1", applies=_clutter_applies, take=_clutter),
    Term(
        key="entry", label="into the building", source="ITU-R P.2109-2, TR 38.901 table 7.4.3-1", applies=lambda k: k.building is not None or k.through is not None, take=_entry
    ),
    Term(key="trees", label="trees in the way", source="Weissberger (from memory), ITU-R P.833", applies=lambda k: k.trees_m > 0 and not k.surface_model, take=_trees),
    Term(key="rain", label="rain", source="ITU-R P.838-3, P.530", applies=lambda k: k.rain_mm_per_h > 0 and k.frequency_ghz >= 6.0, take=_rain),
    Term(key="gas", label="air", source="ITU-R P.676-12", applies=lambda k: k.frequency_ghz >= 6.0, take=_gas),
)

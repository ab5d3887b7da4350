"""How clear a path is: room under the straight line in units of the Fresnel radius, the edge that blocks, and what height would clear it.

0.6 of the first Fresnel radius is the usual criterion, not a border: short of it, the loss grows smoothly by J(ν). Source: ITU-R P.526 2 and 4.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from bandwright.errors import RangeError
from bandwright.propagation.diffraction import knife_edge_db
from bandwright.propagation.freespace import effective_earth_radius_km, wavelength_m
from bandwright.propagation.profile import Profile

__all__ = ["Clearance", "HeightGain", "clearance", "height_gains"]

_USUAL = 0.6


@dataclass(frozen=True, slots=True, kw_only=True)
class Clearance:
    """Point by point, ends left out: distance from the mast, surface (ground, clutter and the earth's bulge) and line (m above sea level), Fresnel radius (m), room / radius.

    worst_at_m, worst_share: the tightest point. edge_loss_db: J(ν) of that point alone. clear: 0.6 or more everywhere.
    raise_site_m: how much higher the site's antenna must hang to clear it, 0 where it is clear, None where more than 100 m would not do.
    """

    distance_m: tuple[float, ...]
    surface_m: tuple[float, ...]
    line_m: tuple[float, ...]
    fresnel_m: tuple[float, ...]
    share: tuple[float, ...]
    worst_at_m: float
    worst_share: float
    edge_loss_db: float
    clear: bool
    raise_site_m: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class HeightGain:
    """What a height brings against the lowest one: the terrain's part, and a range that the surroundings of the site make of it."""

    height_m: float
    terrain_db: float
    low_db: float
    high_db: float


def clearance(path: Profile, *, tx_height_m: float, rx_height_m: float, frequency_mhz: float, delta_n: float = 39.25) -> Clearance:
    """Return the clearance of a path. The first point is the mast, the last the site; heights above ground, over 0. Raises RangeError outside."""
    import numpy as np

    for name, value in (("tx_height_m", tx_height_m), ("rx_height_m", rx_height_m)):
        if not value > 0.0:
            raise RangeError(name, given=value, allowed="above 0")
    radius_m = effective_earth_radius_km(delta_n=delta_n) * 1e3
    d = path.distance_km[1:-1] * 1e3
    length = path.length_km * 1e3
    rest = length - d
    surface = path.surface_m[1:-1] + d * rest / (2.0 * radius_m)
    tx, rx = float(path.ground_m[0]) + tx_height_m, float(path.ground_m[-1]) + rx_height_m
    line = tx + (rx - tx) * d / length
    fresnel = np.sqrt(wavelength_m(frequency_mhz) * d * rest / length)
    share = (line - surface) / fresnel
    worst = int(share.argmin())
    lift = float(((surface + _USUAL * fresnel - line) * length / d).max())  # raising the site by x lifts the line at d by x·d/D
    return Clearance(
        distance_m=tuple(d.tolist()),
        surface_m=tuple(surface.tolist()),
        line_m=tuple(line.tolist()),
        fresnel_m=tuple(fresnel.tolist()),
        share=tuple(share.tolist()),
        worst_at_m=float(d[worst]),
        worst_share=float(share[worst]),
        edge_loss_db=knife_edge_db(-math.sqrt(2.0) * float(share[worst])),
        clear=bool(share.min() >= _USUAL),
        raise_site_m=max(0.0, lift) if lift <= 100.0 else None,
    )


def height_gains(heights_m: Sequence[float], terrain_losses_db: Sequence[float], *, clutter_gains_db: Sequence[float] | None = None) -> tuple[HeightGain, ...]:
    """Return what each height brings against the first. terrain_losses_db: of the path per height (`kernels.ensemble_losses_db`).

    clutter_gains_db: what the site's own surroundings may add per height, e.g. by P.2108 3.1; the range runs from terrain alone to both, and 4 dB beyond
    for heights that differ (σ of surroundings, common practice, no source). Raises RangeError for lists of unlike lengths.
    """
    extra = [0.0] * len(heights_m) if clutter_gains_db is None else list(clutter_gains_db)
    if not heights_m or not len(heights_m) == len(terrain_losses_db) == len(extra):
        raise RangeError("heights_m", given=len(heights_m), allowed="as many as losses and gains, 1 or more")
    rows = []
    for height, loss, more in zip(heights_m, terrain_losses_db, extra, strict=True):
        gain = terrain_losses_db[0] - loss
        both = gain + more - extra[0]
        spread = 0.0 if height == heights_m[0] else 4.0
        rows.append(HeightGain(height_m=height, terrain_db=gain, low_db=min(gain, both) - spread, high_db=max(gain, both) + spread))
    return tuple(rows)

"""The terrain between two antennas as one frozen value, checked once: distances, ground, clutter, zones.

Knows nothing of frequency or loss. Distances in km and heights in m above sea level, as ITU-R P.1812 and P.526 write them.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from bandwright.errors import RangeError, TerrainError

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

__all__ = ["COAST", "INLAND", "SEA", "Profile", "profile"]

SEA, COAST, INLAND = 1, 3, 4
_SOURCE = "ITU-R P.1812, 3.2"


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Profile:
    """A path profile, first point under the transmitting antenna, last under the receiving one.

    distance_km: rising from 0. ground_m: terrain above sea level. clutter_m: height of what stands on it. zone: SEA, COAST or INLAND.
    """

    distance_km: NDArray[np.float64]
    ground_m: NDArray[np.float64]
    clutter_m: NDArray[np.float64]
    zone: NDArray[np.int64]

    @property
    def length_km(self) -> float:
        """Length of the path."""
        return float(self.distance_km[-1])

    @property
    def surface_m(self) -> NDArray[np.float64]:
        """Ground with clutter on it, but bare at both ends (P.1812, 3.2.1: g_1 = h_1 and g_n = h_n)."""
        surface: NDArray[np.float64] = self.ground_m + self.clutter_m
        surface[0], surface[-1] = self.ground_m[0], self.ground_m[-1]
        return surface


def profile(
    *,
    distance_km: Sequence[float],
    ground_m: Sequence[float],
    clutter_m: Sequence[float] | None = None,
    zone: Sequence[int] | None = None,
) -> Profile:
    """Return a checked profile. clutter_m: none where left out. zone: INLAND where left out.

    Raises TerrainError where the arrays do not fit one another, hold voids or do not rise from 0, and RangeError below 3 points.
    """
    import numpy as np

    try:
        d = np.asarray(distance_km, dtype=np.float64)
        h = np.asarray(ground_m, dtype=np.float64)
        c = np.zeros_like(d) if clutter_m is None else np.asarray(clutter_m, dtype=np.float64)
        z = np.full(d.shape, INLAND) if zone is None else np.asarray(zone, dtype=np.int64)
    except (TypeError, ValueError) as error:
        raise TerrainError("profile", given=str(error), todo="Give plain lists of numbers.") from error
    if not d.ndim == h.ndim == c.ndim == z.ndim == 1 or not d.size == h.size == c.size == z.size:
        raise TerrainError("profile", given=f"{d.size} distances, {h.size} heights, {c.size} clutter heights, {z.size} zones", todo="Give one of each per point.")
    if d.size < 3:
        raise RangeError("points of a profile", given=int(d.size), allowed="3 or more", source=_SOURCE)
    if not (np.isfinite(d).all() and np.isfinite(h).all() and np.isfinite(c).all()):
        raise TerrainError("profile", given="a point without a height", todo="Fill the void from another elevation file; nothing is interpolated across it.")
    if abs(d[0]) > 1e-9 or (np.diff(d) <= 0).any():
        raise TerrainError("distance_km", given="distances that do not rise from 0", todo="Sort the points along the path, the first at 0.")
    if (c < 0).any():
        raise RangeError("clutter_m", given=float(c.min()), allowed="0 or more", source=_SOURCE)
    if not np.isin(z, (SEA, COAST, INLAND)).all():
        raise RangeError("zone", given=int(z[~np.isin(z, (SEA, COAST, INLAND))][0]), allowed="1 sea, 3 coastal land, 4 inland", source=_SOURCE)
    if math.isclose(float(d[-1]), 0.0):
        raise RangeError("distance_km", given=0.0, allowed="above 0")
    return Profile(distance_km=d, ground_m=h, clutter_m=c, zone=z)

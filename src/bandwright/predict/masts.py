"""Where the mast can be, from what the site knows: timing advance, headings that served best, and the terrain. An area with a probability, never a pin.

The posterior is laid over rings and directions round the site. Timing advance bounds the distance from above (echoes only lengthen a
path); a heading may be a reflection's, so part of its weight is spread over all directions; terrain that hides a place makes it unlikely, and
masts stand on high ground rather than in hollows. Coordinates that a user enters beat all of this.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from bandwright.antenna.patterns import wrap_deg
from bandwright.errors import RangeError, UsageError

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    Cells = NDArray[np.float64]

__all__ = ["BearingClue", "MastArea", "TimingClue", "locate_mast"]

# One sigma of a timing advance in line of sight: ±67 m (15 kHz) and ±57 m (30 kHz) hold 90 % with 12 T_s of timing error (simulated; the error from memory).
_TIMING_SD_M = {15: 41.0, 30: 35.0}
_EXCESS_MEAN_M = 150.0
_REFLECTION_SHARE = 0.2  # 10 to 30 % (common practice, no source)


@dataclass(frozen=True, slots=True, kw_only=True)
class TimingClue:
    """A timing advance as distance (m), its subcarrier spacing, and its age: many gateways never refresh it, and a stale one is widened."""

    distance_m: float
    scs_khz: int = 15
    age_h: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class BearingClue:
    """A heading (true) that served best, with one sigma; from a fit, or by hand."""

    azimuth_deg: float
    sd_deg: float


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class MastArea:
    """Probability over azimuths × ranges (adds up to 1), and the smallest area that holds `level` of it.

    along_m, across_m: its extent along and across the line of sight from the site (outermost cells); area_km2. best: azimuth and range of the densest cell.
    """

    azimuths_deg: Cells
    ranges_m: Cells
    probability: Cells
    inside: NDArray[np.bool_]
    level: float
    best_azimuth_deg: float
    best_range_m: float
    along_m: float
    across_m: float
    area_km2: float
    clues: tuple[str, ...]


def locate_mast(
    *,
    timing: Sequence[TimingClue] = (),
    bearings: Sequence[BearingClue] = (),
    azimuths_deg: Sequence[float],
    ranges_m: Sequence[float],
    diffraction_db: Cells | None = None,
    ground_m: Cells | None = None,
    level: float = 0.80,
) -> MastArea:
    """Return where a mast can be. Cells of one base-station id share a mast: give the clues of all of them together.

    azimuths_deg: evenly spaced over the circle. ranges_m: evenly spaced, rising. diffraction_db, ground_m: azimuths × ranges, from a fan round the site and the terrain under it.
    Raises UsageError without a clue, RangeError for shapes that do not fit.
    """
    import numpy as np

    if not timing and not bearings:
        raise UsageError("clues to a mast", given="none", todo="Read the timing advance, or turn an antenna, or enter the mast's coordinates.")
    azimuths, ranges = np.asarray(azimuths_deg, dtype=np.float64), np.asarray(ranges_m, dtype=np.float64)
    if azimuths.size < 8 or ranges.size < 2 or (np.diff(ranges) <= 0).any() or ranges[0] <= 0 or not 0.0 < level < 1.0:
        raise RangeError("grid round the site", given=(azimuths.size, ranges.size), allowed="8 or more azimuths, 2 or more rising ranges above 0, level within 0..1")
    for name, cells in (("diffraction_db", diffraction_db), ("ground_m", ground_m)):
        if cells is not None and cells.shape != (azimuths.size, ranges.size):
            raise RangeError(name, given=cells.shape, allowed=f"{azimuths.size} azimuths × {ranges.size} ranges")
    size = np.broadcast_to(ranges * (ranges[1] - ranges[0]) * 2.0 * math.pi / azimuths.size, (azimuths.size, ranges.size))
    density = np.ones((azimuths.size, ranges.size))
    for clue in timing:
        density *= _timing(clue, ranges)[None, :]
    for bearing in bearings:
        off = np.array([wrap_deg(a - bearing.azimuth_deg) for a in azimuths])
        peak = np.exp(-0.5 * (off / bearing.sd_deg) ** 2)
        density *= ((1.0 - _REFLECTION_SHARE) * peak / peak.mean() + _REFLECTION_SHARE)[:, None]
    if diffraction_db is not None:
        density *= 0.05 + 1.0 / (1.0 + np.exp((diffraction_db - 12.0) / 4.0))
    if ground_m is not None:
        density *= np.exp(np.clip((ground_m - np.median(ground_m)) / 40.0, -1.0, 1.5))
    mass = density * size
    mass /= mass.sum()
    inside = _smallest(density, mass, level)
    rows, columns = np.nonzero(inside)
    best = np.unravel_index(int(density.argmax()), density.shape)
    centre = float(azimuths[best[0]])
    turned = [math.radians(wrap_deg(float(azimuths[r]) - centre)) for r in rows]
    across = [float(ranges[c]) * math.sin(t) for c, t in zip(columns, turned, strict=True)]
    along = [float(ranges[c]) * math.cos(t) for c, t in zip(columns, turned, strict=True)]
    step = float(ranges[1] - ranges[0])
    return MastArea(
        azimuths_deg=azimuths,
        ranges_m=ranges,
        probability=mass,
        inside=inside,
        level=level,
        best_azimuth_deg=centre,
        best_range_m=float(ranges[best[1]]),
        along_m=max(along) - min(along) + step,
        across_m=max(across) - min(across) + 2.0 * math.pi / azimuths.size * float(ranges[best[1]]),
        area_km2=float(size[inside].sum()) / 1e6,
        clues=tuple(f"timing {c.distance_m:.0f} m" for c in timing) + tuple(f"heading {b.azimuth_deg:.0f}° ± {b.sd_deg:.0f}°" for b in bearings),
    )


def _timing(clue: TimingClue, ranges: Cells) -> Cells:
    """Likelihood of a timing advance at each range: half without excess path, half with an exponential excess. One-sided by nature."""
    import numpy as np
    from scipy.special import erfc

    sd = _TIMING_SD_M.get(clue.scs_khz, 30.0) * (1.0 + clue.age_h / 24.0)
    over = clue.distance_m - ranges
    straight = np.exp(-0.5 * (over / sd) ** 2) / (sd * math.sqrt(2.0 * math.pi))
    rate = 1.0 / _EXCESS_MEAN_M
    tail = np.clip(rate / 2.0 * (rate * sd**2 - 2.0 * over), -700.0, 700.0)
    bounced = rate / 2.0 * np.exp(tail) * erfc((rate * sd**2 - over) / (math.sqrt(2.0) * sd))
    return np.asarray(0.5 * straight + 0.5 * bounced, dtype=np.float64)


def _smallest(density: Cells, mass: Cells, level: float) -> NDArray[np.bool_]:
    """The densest cells that together hold `level` of the mass."""
    import numpy as np

    order = np.argsort(-density, axis=None)
    held = np.cumsum(mass.ravel()[order])
    count = int(np.searchsorted(held, level)) + 1
    inside = np.zeros(density.size, dtype=bool)
    inside[order[:count]] = True
    return inside.reshape(density.shape)

"""Terrain as a picture: how light each point is, lit from the north-west, as maps have it.

Knows nothing of files or colours. Source: Horn, "Hill shading and the reflectance map", Proc. IEEE 69(1), 1981 (third-order finite
differences), with the map maker's light at 315°, 45° high (common practice, no source).
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from bandwright.errors import RangeError

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

__all__ = ["hillshade"]


def hillshade(heights_m: NDArray[np.float64], *, step_m: float, stretch: float = 1.0, sun_azimuth_deg: float = 315.0, sun_elevation_deg: float = 45.0) -> NDArray[np.float64]:
    """Return the light on each point, 0 (none) to 1 (straight on); flat ground gets sin(elevation). NaN where a height or a neighbour is NaN.

    heights_m: rows from north, columns from west, 3 × 3 or more, equal steps. stretch: heights are multiplied by it first. Raises RangeError.
    """
    import numpy as np

    if heights_m.ndim != 2 or min(heights_m.shape) < 3:
        raise RangeError("heights_m", given=heights_m.shape, allowed="3 rows and 3 columns or more")
    if not step_m > 0.0:
        raise RangeError("step_m", given=step_m, allowed="above 0")
    z = np.pad(heights_m * stretch, 1, mode="reflect", reflect_type="odd")
    west, middle, east = z[:, :-2], z[:, 1:-1], z[:, 2:]
    to_east = ((east[:-2] + 2.0 * east[1:-1] + east[2:]) - (west[:-2] + 2.0 * west[1:-1] + west[2:])) / (8.0 * step_m)
    to_north = ((west[:-2] + 2.0 * middle[:-2] + east[:-2]) - (west[2:] + 2.0 * middle[2:] + east[2:])) / (8.0 * step_m)
    azimuth, elevation = math.radians(sun_azimuth_deg), math.radians(sun_elevation_deg)
    # A point itself takes no part in its slope, so 0 × height passes a NaN on. The cosine between the surface's normal (−dz/dx, −dz/dy, 1) and the light.
    light = 0.0 * heights_m + math.sin(elevation) - math.cos(elevation) * (to_east * math.sin(azimuth) + to_north * math.cos(azimuth))
    return np.clip(np.asarray(light / np.sqrt(1.0 + to_east**2 + to_north**2), dtype=np.float64), 0.0, 1.0)

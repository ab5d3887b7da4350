"""What stands around an antenna: clutter (ITU-R P.2108) and vegetation (P.833, Weissberger's screening model).

Clutter is a loss beside that of the path; do not add it where the terrain profile holds clutter heights or comes from a surface
model, which has trees and roofs in it already. Vegetation is a range, not a number: leaves, wind and wet move it by several dB.
"""

from __future__ import annotations

import math
from statistics import NormalDist
from typing import Literal

from bandwright.errors import RangeError
from bandwright.propagation.diffraction import knife_edge_db

__all__ = ["CLUTTER_HEIGHT_M", "Clutter", "height_gain_loss_db", "statistical_clutter_db", "weissberger_db", "woodland_db"]

Clutter = Literal["open", "suburban", "urban", "woodland", "dense urban"]

# P.2108 table 3: representative clutter heights R.
CLUTTER_HEIGHT_M: dict[Clutter, float] = {"open": 10.0, "suburban": 10.0, "urban": 15.0, "woodland": 15.0, "dense urban": 20.0}


def height_gain_loss_db(*, frequency_ghz: float, height_m: float, clutter: Clutter, clutter_height_m: float | None = None, street_width_m: float = 27.0) -> float:
    """Return the additional loss at a terminal below its clutter, in dB; 0 at or above clutter height.

    frequency_ghz: 0.03..3. height_m: above ground, over 0. clutter_height_m: the class's representative height where left out.
    Raises RangeError outside. Source: ITU-R P.2108-1, 3.1.
    """
    if not 0.03 <= frequency_ghz <= 3.0:
        raise RangeError("frequency_ghz", given=frequency_ghz, allowed="0.03..3", todo="Above 3 GHz take the statistical clutter model.", source="ITU-R P.2108-1, 3.1")
    if not height_m > 0:
        raise RangeError("height_m", given=height_m, allowed="above 0")
    top = CLUTTER_HEIGHT_M[clutter] if clutter_height_m is None else clutter_height_m
    if height_m >= top:
        return 0.0
    if clutter == "open":
        return -(21.8 + 6.2 * math.log10(frequency_ghz)) * math.log10(height_m / top)
    below_m = top - height_m
    angle_deg = math.degrees(math.atan(below_m / street_width_m))
    nu = 0.342 * math.sqrt(frequency_ghz) * math.sqrt(below_m * angle_deg)
    return knife_edge_db(nu) - 6.03


def statistical_clutter_db(*, frequency_ghz: float, distance_km: float, location_share: float = 0.5) -> float:
    """Return the clutter loss at one terminal well below its surroundings, not exceeded at location_share of places, in dB.

    frequency_ghz: 0.5..67. distance_km: 0.25 or more (1 or more where used at both ends). location_share: 0..1, ends excluded.
    Raises RangeError outside. Source: ITU-R P.2108-1, 3.2; the normal quantile is exact, not the Recommendation's approximation (2e-3 dB).
    """
    for name, value, low, high in (("frequency_ghz", frequency_ghz, 0.5, 67.0), ("distance_km", distance_km, 0.25, math.inf)):
        if not low <= value <= high:
            raise RangeError(name, given=value, allowed=f"{low:g}..{high:g}", source="ITU-R P.2108-1, 3.2")
    if not 0.0 < location_share < 1.0:
        raise RangeError("location_share", given=location_share, allowed="0..1, ends excluded")
    return min(_clutter_at(frequency_ghz, distance_km, location_share), _clutter_at(frequency_ghz, 2.0, location_share))


def woodland_db(*, depth_m: float, frequency_mhz: float, specific_db_per_m: float, tropical: bool = False) -> float:
    """Return the loss with one terminal inside woodland at depth_m, A_m·(1 − e^(−d·γ/A_m)), in dB.

    specific_db_per_m: γ, about 0.05 at 400 MHz to 0.3 near 2 GHz (from memory: it is read off a figure). Raises RangeError for negative input.
    Source: ITU-R P.833-10; A_m = 1.15·f^0.43 (temperate) or 0.18·f^0.752 (tropical), f in MHz, constants from memory.
    """
    if depth_m < 0 or specific_db_per_m < 0:
        raise RangeError("depth_m, specific_db_per_m", given=(depth_m, specific_db_per_m), allowed="0 or more")
    most = 0.18 * math.pow(frequency_mhz, 0.752) if tropical else 1.15 * math.pow(frequency_mhz, 0.43)
    return most * (1.0 - math.exp(-depth_m * specific_db_per_m / most))


def weissberger_db(*, depth_m: float, frequency_ghz: float) -> float:
    """Return the loss through depth_m of dense, dry, leafy trees on the path, in dB.

    depth_m: 0..400. frequency_ghz: 0.23..95. Raises RangeError outside. Source: Weissberger's modified exponential decay (from memory).
    """
    if not 0.0 <= depth_m <= 400.0:
        raise RangeError("depth_m", given=depth_m, allowed="0..400", todo="Deeper woods: treat the wood as terrain clutter instead.")
    if not 0.23 <= frequency_ghz <= 95.0:
        raise RangeError("frequency_ghz", given=frequency_ghz, allowed="0.23..95")
    if depth_m <= 14.0:
        return 0.45 * math.pow(frequency_ghz, 0.284) * depth_m
    return 1.33 * math.pow(frequency_ghz, 0.284) * math.pow(depth_m, 0.588)


def _clutter_at(f: float, distance_km: float, share: float) -> float:
    street = 32.98 + 23.9 * math.log10(distance_km) + 3.0 * math.log10(f)
    low_band = -2.0 * math.log10(math.pow(10.0, -5.0 * math.log10(f) - 12.5) + math.pow(10.0, -16.5))
    weight_l, weight_s = math.pow(10.0, -0.2 * low_band), math.pow(10.0, -0.2 * street)
    sigma = math.sqrt((4.0**2 * weight_l + 6.0**2 * weight_s) / (weight_l + weight_s))
    return -5.0 * math.log10(weight_l + weight_s) + sigma * NormalDist().inv_cdf(share)

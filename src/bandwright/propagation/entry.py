"""Into a building: ITU-R P.2109 for a building as a whole, TR 38.901 for walls and windows by material.

P.2109 speaks of the population of buildings: its spread is wide (at 3.5 GHz 6 to 29 dB between the 10th and 90th percentile of
traditional buildings), and a forecast must carry it. A material's figure is for the material, not for the house.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from statistics import NormalDist
from typing import Literal

from bandwright.errors import RangeError

__all__ = ["MATERIALS", "Building", "Material", "building_entry_db", "building_entry_sd_db", "material_db", "outdoor_to_indoor_db"]

Building = Literal["traditional", "thermally efficient"]

# ITU-R P.2109-2, table 1: r s t (median), u v (spread), w x y z (second component).
_P2109: dict[Building, tuple[float, ...]] = {
    "traditional": (12.64, 3.72, 0.96, 9.6, 2.0, 9.1, -3.0, 4.5, -2.0),
    "thermally efficient": (28.19, -3.00, 8.48, 13.5, 3.8, 27.8, -2.9, 9.4, -2.1),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Material:
    """Loss through one material, dB: at_0 + per_ghz·f. sd_db: how far real walls differ (common practice, no source)."""

    key: str
    at_0_db: float
    per_ghz_db: float
    sd_db: float = 4.0
    source: str = "TR 38.901 V19.4 table 7.4.3-1"


# One row a material; roof rows are for what commonly lies over an attic.
MATERIALS: tuple[Material, ...] = (
    Material(key="glass", at_0_db=2.0, per_ghz_db=0.2, sd_db=2.0),
    Material(key="coated glass", at_0_db=25.4, per_ghz_db=0.11, sd_db=5.0),
    Material(key="concrete", at_0_db=5.0, per_ghz_db=4.0, sd_db=5.0),
    Material(key="wood", at_0_db=4.85, per_ghz_db=0.12, sd_db=2.0),
    Material(key="plywood", at_0_db=1.03, per_ghz_db=0.17, sd_db=1.0),
    Material(key="clay tile roof", at_0_db=2.0, per_ghz_db=0.6, sd_db=2.5, source="common practice, no source"),
    Material(key="slate roof", at_0_db=2.5, per_ghz_db=0.8, sd_db=3.0, source="common practice, no source"),
    Material(key="wet roof", at_0_db=4.0, per_ghz_db=1.5, sd_db=4.0, source="common practice, no source"),
    Material(key="foil insulation", at_0_db=20.0, per_ghz_db=2.0, sd_db=8.0, source="common practice, no source"),
    Material(key="metal roof", at_0_db=30.0, per_ghz_db=2.0, sd_db=8.0, source="common practice, no source"),
)


def building_entry_db(*, frequency_ghz: float, building: Building, share: float = 0.5, elevation_deg: float = 0.0) -> float:
    """Return the building entry loss not exceeded with probability share, in dB.

    frequency_ghz: 0.08..100. share: 0..1, ends excluded. elevation_deg: of the path above the horizon at the façade.
    Raises RangeError outside. Source: ITU-R P.2109-2.
    """
    if not 0.08 <= frequency_ghz <= 100.0:
        raise RangeError("frequency_ghz", given=frequency_ghz, allowed="0.08..100", source="ITU-R P.2109-2")
    if not 0.0 < share < 1.0:
        raise RangeError("share", given=share, allowed="0..1, ends excluded", source="ITU-R P.2109-2")
    r, s, t, u, v, w, x, y, z = _P2109[building]
    log_f = math.log10(frequency_ghz)
    mu1 = r + s * log_f + t * log_f**2 + 0.212 * abs(elevation_deg)
    quantile = NormalDist().inv_cdf(share)
    a = quantile * (u + v * log_f) + mu1
    b = quantile * (y + z * log_f) + w + x * log_f
    return 10.0 * math.log10(sum(math.pow(10.0, 0.1 * part) for part in (a, b, -3.0)))


def building_entry_sd_db(*, frequency_ghz: float, building: Building) -> float:
    """Return half the spread between P.2109's 16th and 84th percentile, in dB: one sigma of a building nobody has measured."""
    high = building_entry_db(frequency_ghz=frequency_ghz, building=building, share=0.8413)
    return (high - building_entry_db(frequency_ghz=frequency_ghz, building=building, share=0.1587)) / 2.0


def material_db(*, frequency_ghz: float, material: str) -> tuple[float, float]:
    """Return (loss, one sigma) of a material in dB. Raises RangeError for a material that is not in the table."""
    row = next((m for m in MATERIALS if m.key == material), None)
    if row is None:
        raise RangeError("material", given=material, allowed=", ".join(m.key for m in MATERIALS))
    return row.at_0_db + row.per_ghz_db * frequency_ghz, row.sd_db


def outdoor_to_indoor_db(*, frequency_ghz: float, high_loss: bool, indoor_m: float = 0.0) -> float:
    """Return the mean outdoor-to-indoor loss of a façade of glass and concrete, in dB.

    high_loss: coated glass. indoor_m: way inside, 0.5 dB a metre. Source: TR 38.901 V19.4 tables 7.4.3-1, 7.4.3-2 (coated glass 25.4 + 0.11·f).
    """
    glass, _ = material_db(frequency_ghz=frequency_ghz, material="coated glass" if high_loss else "glass")
    concrete, _ = material_db(frequency_ghz=frequency_ghz, material="concrete")
    share = 0.7 if high_loss else 0.3
    through = share * math.pow(10.0, -glass / 10.0) + (1.0 - share) * math.pow(10.0, -concrete / 10.0)
    return 5.0 - 10.0 * math.log10(through) + 0.5 * indoor_m

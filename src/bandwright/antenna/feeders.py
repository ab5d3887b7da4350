"""Between antenna and receiver: feeder loss by frequency, connectors, mismatch, noise figure of the chain.

A feeder's loss grows as a·√f + b·f (conductor and dielectric). Names such as RG-58 are classes of size: makers differ by 20 to 30 %, so
measured or declared points are preferred, and fitted here. A feeder costs the uplink and a noise-limited downlink its full loss,
and an interference-limited downlink nothing.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from bandwright.errors import RangeError

__all__ = ["FEEDER_CLASSES", "Feeder", "FeederClass", "cascade_noise_figure_db", "connector_loss_db", "fit_feeder", "gain_eaten_at_m", "mismatch_loss_db", "return_loss_db", "vswr"]

_FOOT_M = 0.3048
_LONGEST_M = 100.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Feeder:
    """Loss coefficients: (a·√f + b·f) dB per metre, f in MHz."""

    a_db_per_m: float
    b_db_per_m: float
    label: str = ""

    def loss_db(self, *, length_m: float, frequency_mhz: float) -> float:
        """Return the matched loss. length_m: 0..100; a longer run eats any antenna's gain. Raises RangeError outside."""
        if not 0.0 <= length_m <= _LONGEST_M:
            raise RangeError("length_m", given=length_m, allowed=f"0..{_LONGEST_M:g}", todo="Put the gateway at the antenna and run its data cable down instead.")
        if not frequency_mhz > 0.0:
            raise RangeError("frequency_mhz", given=frequency_mhz, allowed="above 0")
        return length_m * (self.a_db_per_m * math.sqrt(frequency_mhz) + self.b_db_per_m * frequency_mhz)


@dataclass(frozen=True, slots=True, kw_only=True)
class FeederClass:
    """A class of feeder by its published points: (MHz, dB per 100 ft)."""

    key: str
    points: tuple[tuple[float, float], ...]
    source: str
    impedance_ohm: float = 50.0

    def feeder(self) -> Feeder:
        """Return the fitted feeder."""
        return fit_feeder([(f, loss / (100.0 * _FOOT_M)) for f, loss in self.points], label=self.key)


_HANDBOOK = "radio amateurs' handbook, attenuation per 100 ft at 30 and 150 MHz"
FEEDER_CLASSES: tuple[FeederClass, ...] = (
    FeederClass(key="RG-174 class", points=((30.0, 4.56), (150.0, 10.3)), source=_HANDBOOK),
    FeederClass(key="RG-58 class", points=((30.0, 2.47), (150.0, 5.63)), source=_HANDBOOK),
    FeederClass(key="RG-8X class", points=((30.0, 1.96), (150.0, 4.53)), source=_HANDBOOK),
    FeederClass(key="RG-59 class", points=((30.0, 1.79), (150.0, 4.11)), source=_HANDBOOK, impedance_ohm=75.0),
    FeederClass(key="RG-6 class", points=((100.0, 1.8), (1000.0, 5.9)), source="handbook spot values at 100 MHz and 1 GHz (from memory)", impedance_ohm=75.0),
    FeederClass(key="RG-213 class", points=((30.0, 1.08), (150.0, 2.53)), source=_HANDBOOK),
)


def fit_feeder(points: Sequence[tuple[float, float]], *, label: str = "") -> Feeder:
    """Return the feeder through points of (frequency_mhz, loss in dB per metre): exact for two, least relative squares for more, a·√f alone for one.

    Neither coefficient falls below 0: where the fit would, the other takes all. Raises RangeError without a usable point.
    """
    usable = [(f, loss) for f, loss in points if f > 0.0 and loss > 0.0]
    if not usable:
        raise RangeError("feeder points", given=list(points), allowed="one or more (frequency_mhz, loss_db) above 0")
    roots = [(math.sqrt(f) / loss, f / loss) for f, loss in usable]
    sxx, sxy, syy = (sum(p * q for p, q in pairs) for pairs in ([(r, r) for r, _ in roots], [(r, s) for r, s in roots], [(s, s) for _, s in roots]))
    tx, ty = sum(r for r, _ in roots), sum(s for _, s in roots)
    determinant = sxx * syy - sxy * sxy
    if len(usable) == 1 or determinant <= 1e-12 * sxx * syy:
        return Feeder(a_db_per_m=tx / sxx, b_db_per_m=0.0, label=label)
    a, b = (tx * syy - ty * sxy) / determinant, (ty * sxx - tx * sxy) / determinant
    if a < 0.0:
        a, b = 0.0, ty / syy
    elif b < 0.0:
        a, b = tx / sxx, 0.0
    return Feeder(a_db_per_m=a, b_db_per_m=b, label=label)


def connector_loss_db(*, connectors: int, frequency_mhz: float) -> float:
    """Return 0.05·√(f GHz) dB a connector (common practice, no source)."""
    if connectors < 0:
        raise RangeError("connectors", given=connectors, allowed="0 or more")
    return connectors * 0.05 * math.sqrt(frequency_mhz / 1000.0)


def vswr(return_loss_db: float) -> float:
    """Return the standing wave ratio of a return loss above 0 dB."""
    reflection = _reflection(return_loss_db)
    return (1.0 + reflection) / (1.0 - reflection)


def return_loss_db(vswr: float) -> float:
    """Return the return loss of a standing wave ratio above 1."""
    if not vswr > 1.0:
        raise RangeError("vswr", given=vswr, allowed="above 1")
    return -20.0 * math.log10((vswr - 1.0) / (vswr + 1.0))


def mismatch_loss_db(return_loss_db: float) -> float:
    """Return −10·log10(1 − Γ²), the power that does not enter, dB."""
    return -10.0 * math.log10(1.0 - _reflection(return_loss_db) ** 2)


def cascade_noise_figure_db(stages: Sequence[tuple[float, float]]) -> float:
    """Return the noise figure of stages of (noise figure dB, gain dB), first at the antenna. A feeder at 290 K is (L, −L). Source: Friis (1944)."""
    if not stages:
        raise RangeError("stages", given=0, allowed="1 or more")
    total, gain = 0.0, 1.0
    for place, (figure_db, gain_db) in enumerate(stages):
        factor = math.pow(10.0, figure_db / 10.0)
        total += factor if place == 0 else (factor - 1.0) / gain
        gain *= math.pow(10.0, gain_db / 10.0)
    return 10.0 * math.log10(total)


def gain_eaten_at_m(feeder: Feeder, *, gain_difference_db: float, frequency_mhz: float) -> float:
    """Return the length at which a feeder has eaten the whole difference in gain, in metres."""
    if not gain_difference_db > 0.0:
        raise RangeError("gain_difference_db", given=gain_difference_db, allowed="above 0")
    return gain_difference_db / feeder.loss_db(length_m=1.0, frequency_mhz=frequency_mhz)


def _reflection(return_loss_db: float) -> float:
    if not return_loss_db > 0.0:
        raise RangeError("return_loss_db", given=return_loss_db, allowed="above 0")
    return math.pow(10.0, -return_loss_db / 20.0)

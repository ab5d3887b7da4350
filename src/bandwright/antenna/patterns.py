"""Antenna patterns: gain against angle off the boresight, and what a spread of arriving angles takes from the nominal gain.

Four shapes with one interface: the TR 38.901 element, the ITU-R F.1336 sector, a parabola with a floor (serves any panel), and a
maker's cut given as plain rows of angle and attenuation. Angles are degrees off boresight; attenuation is 0 or more.
"""

from __future__ import annotations

import itertools
import math
from bisect import bisect_right
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Protocol

from bandwright.errors import RangeError

__all__ = ["Cut", "Element38901", "Omni", "Parabola", "Pattern", "SectorF1336", "angular_spread_loss_db", "aperture_gain_dbi", "gain_dbi", "mean_attenuation_db", "wrap_deg"]


class Pattern(Protocol):
    """What every pattern answers."""

    @property
    def gain_dbi(self) -> float:
        """Gain at the peak."""
        ...

    def attenuation_db(self, off_azimuth_deg: float, off_elevation_deg: float = 0.0) -> float:
        """Return how far the gain at these angles off boresight lies below the peak, dB."""
        ...


@dataclass(frozen=True, slots=True, kw_only=True)
class Omni:
    """The same gain in every azimuth: a gateway's own antennas, roughly."""

    gain_dbi: float = 0.0

    def attenuation_db(self, off_azimuth_deg: float, off_elevation_deg: float = 0.0) -> float:  # noqa: ARG002 -- the interface's arguments
        """Return 0."""
        return 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Parabola:
    """min(12·(Δ/θ3)², floor) in each plane, added, with the same floor on the sum. Source: the form of TR 38.901 table 7.3-1."""

    gain_dbi: float
    beamwidth_deg: float
    elevation_beamwidth_deg: float | None = None
    floor_db: float = 25.0

    def __post_init__(self) -> None:
        for name, width in (("beamwidth_deg", self.beamwidth_deg), ("elevation_beamwidth_deg", self.elevation_beamwidth_deg)):
            if width is not None and not 0.0 < width <= 360.0:
                raise RangeError(name, given=width, allowed="0..360, 0 excluded")

    def attenuation_db(self, off_azimuth_deg: float, off_elevation_deg: float = 0.0) -> float:
        """See Pattern."""
        across = 12.0 * (wrap_deg(off_azimuth_deg) / self.beamwidth_deg) ** 2
        up = 12.0 * (off_elevation_deg / (self.elevation_beamwidth_deg or self.beamwidth_deg)) ** 2
        return min(min(across, self.floor_db) + min(up, self.floor_db), self.floor_db)


@dataclass(frozen=True, slots=True, kw_only=True)
class Element38901:
    """The element of TR 38.901 table 7.3-1: 65° in both planes, floors of 30 dB, 8 dBi."""

    gain_dbi: float = 8.0

    def attenuation_db(self, off_azimuth_deg: float, off_elevation_deg: float = 0.0) -> float:
        """See Pattern."""
        return Parabola(gain_dbi=self.gain_dbi, beamwidth_deg=65.0, floor_db=30.0).attenuation_db(off_azimuth_deg, off_elevation_deg)


@dataclass(frozen=True, slots=True, kw_only=True)
class SectorF1336:
    """Peak side-lobe pattern of a sector antenna, 400 MHz to 6 GHz. k_p, k_h, k_v: typical improved side-lobe values (from memory).

    Source: ITU-R F.1336-5, 3.1.1.
    """

    gain_dbi: float
    beamwidth_deg: float
    k_p: float = 0.7
    k_h: float = 0.7
    k_v: float = 0.3

    def __post_init__(self) -> None:
        if not 0.0 < self.beamwidth_deg <= 120.0:
            raise RangeError("beamwidth_deg", given=self.beamwidth_deg, allowed="0..120, 0 excluded", source="ITU-R F.1336-5, 3.1.1")

    @property
    def elevation_beamwidth_deg(self) -> float:
        """θ3 = 31000·10^(−0.1·G0)/φ3."""
        return 31000.0 * math.pow(10.0, -0.1 * self.gain_dbi) / self.beamwidth_deg

    def attenuation_db(self, off_azimuth_deg: float, off_elevation_deg: float = 0.0) -> float:
        """See Pattern."""
        across = self._across_db(abs(wrap_deg(off_azimuth_deg)))
        behind = self._across_db(180.0)
        return -(across + (across - behind) / (0.0 - behind) * self._up_db(abs(off_elevation_deg)))

    def _behind_db(self) -> float:
        return -12.0 + 10.0 * math.log10(1.0 + 8.0 * self.k_p) - 15.0 * math.log10(180.0 / self.elevation_beamwidth_deg)

    def _across_db(self, azimuth_deg: float) -> float:
        x = azimuth_deg / self.beamwidth_deg
        shape = -12.0 * x**2 if x <= 0.5 else -12.0 * math.pow(x, 2.0 - self.k_h) - 3.0 * (1.0 - math.pow(0.5, -self.k_h))
        return max(shape, self._behind_db())

    def _up_db(self, elevation_deg: float) -> float:
        width = self.elevation_beamwidth_deg
        x = elevation_deg / width
        edge = math.pow(4.0, -1.5) + self.k_v
        if x < math.sqrt(1.0 - 0.36 * self.k_v):
            return -12.0 * x**2
        if x < 4.0:
            return -12.0 + 10.0 * math.log10(math.pow(x, -1.5) + self.k_v)
        if elevation_deg < 90.0:
            slope = 10.0 * math.log10(math.pow(180.0 / width, 1.5) * edge / (1.0 + 8.0 * self.k_p)) / math.log10(22.5 / width)
            start = 12.0 - slope * math.log10(4.0) - 10.0 * math.log10(edge)
            return -start - slope * math.log10(x)
        return self._behind_db()


@dataclass(frozen=True, slots=True, kw_only=True)
class Cut:
    """A maker's cut: rows of (angle off boresight, attenuation dB), straight lines between them; a cut of 0..180 is mirrored.

    rows: angles rising, the first at or below 0 or at 0, the last at 180 where the cut is full. Elevation takes a parabola of elevation_beamwidth_deg.
    """

    gain_dbi: float
    rows: tuple[tuple[float, float], ...]
    elevation_beamwidth_deg: float | None = None
    floor_db: float = 40.0

    def __post_init__(self) -> None:
        angles = [a for a, _ in self.rows]
        if len(angles) < 3 or any(b <= a for a, b in itertools.pairwise(angles)) or angles[0] > 0.0 or angles[-1] <= 0.0:
            raise RangeError("rows of a cut", given=angles, allowed="three or more rising angles that span 0", todo="Copy the maker's table, angle and attenuation in dB.")
        if any(loss < 0.0 for _, loss in self.rows):
            raise RangeError("attenuation_db", given=min(loss for _, loss in self.rows), allowed="0 or more", todo="Give attenuation below the peak, not gain.")

    def attenuation_db(self, off_azimuth_deg: float, off_elevation_deg: float = 0.0) -> float:
        """See Pattern."""
        angle = wrap_deg(off_azimuth_deg)
        if self.rows[0][0] >= 0.0:
            angle = abs(angle)
        across = self._between(angle)
        up = 0.0 if self.elevation_beamwidth_deg is None else 12.0 * (off_elevation_deg / self.elevation_beamwidth_deg) ** 2
        return min(across + up, self.floor_db)

    def _between(self, angle: float) -> float:
        place = bisect_right(self.rows, (angle, math.inf))
        if place == 0:
            return self.rows[0][1]
        if place == len(self.rows):
            return self.rows[-1][1]
        (a0, l0), (a1, l1) = self.rows[place - 1], self.rows[place]
        return l0 + (l1 - l0) * (angle - a0) / (a1 - a0)


def wrap_deg(angle_deg: float) -> float:
    """Return the same direction within −180..180, 180 included."""
    wrapped = math.fmod(angle_deg + 180.0, 360.0)
    return wrapped + 180.0 if wrapped <= 0.0 else wrapped - 180.0


def gain_dbi(pattern: Pattern, *, off_azimuth_deg: float, off_elevation_deg: float = 0.0) -> float:
    """Return the gain in a direction."""
    return pattern.gain_dbi - pattern.attenuation_db(off_azimuth_deg, off_elevation_deg)


def mean_attenuation_db(pattern: Pattern, *, weights: Sequence[float] | None = None) -> float:
    """Return how far the azimuth-averaged gain (power) lies below the peak: what evenly spread interferers lose. weights: per azimuth, evenly spaced from boresight."""
    n = 3600 if weights is None else len(weights)
    share = [1.0] * n if weights is None else list(weights)
    total = sum(w * math.pow(10.0, -0.1 * pattern.attenuation_db(360.0 * i / n)) for i, w in enumerate(share))
    return -10.0 * math.log10(total / sum(share))


def angular_spread_loss_db(*, beamwidth_deg: float, spread_deg: float) -> float:
    """Return what a Gaussian spread of arriving angles takes from the nominal gain in one plane, 5·log10(1 + 8·ln2·(σ/θ3)²), dB.

    spread_deg: one sigma; 5..20 on a roof, 40..90 indoors (common practice, no source). Derived for Gaussian beam and spread.
    """
    if not beamwidth_deg > 0.0 or spread_deg < 0.0:
        raise RangeError("beamwidth_deg, spread_deg", given=(beamwidth_deg, spread_deg), allowed="above 0, and 0 or more")
    return 5.0 * math.log10(1.0 + 8.0 * math.log(2.0) * (spread_deg / beamwidth_deg) ** 2)


def aperture_gain_dbi(*, diameter_m: float, frequency_mhz: float, efficiency: float = 0.6) -> float:
    """Return 10·log10(η·(πD/λ)²), the gain of a dish."""
    wavelength = 299.792458 / frequency_mhz
    return 10.0 * math.log10(efficiency * (math.pi * diameter_m / wavelength) ** 2)

"""Which way: true and compass bearings, declination with its date, and the sun as a compass.

A phone compass near steel is off by 5 to 10 degrees or more (common practice, no source); the shadow of a plumb line is good to about 1 degree. Never
look at the sun. Declination by the World Magnetic Model 2025, valid to the end of 2029; the sun by NOAA's low-precision formulae.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import UTC, datetime
from functools import cache
from typing import Any

from bandwright.errors import RangeError, UsageError
from bandwright.propagation.geodesy import inverse

__all__ = ["CompassBearing", "Declination", "SunPosition", "compass_bearing", "declination", "sun_position"]

_CAUTION_NT, _REFUSE_NT = 6000.0, 2000.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Declination:
    """Angle from true to magnetic north, east positive; the horizontal field; the date it holds for. unsure: the needle is weak here."""

    declination_deg: float
    horizontal_nt: float
    on: datetime
    unsure: bool
    source: str = "World Magnetic Model 2025"


@dataclass(frozen=True, slots=True, kw_only=True)
class CompassBearing:
    """A direction: true, and as a compass shows it (None near the magnetic poles, with the reason)."""

    true_deg: float
    magnetic_deg: float | None
    distance_m: float
    declination: Declination | None
    why_no_compass: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class SunPosition:
    """Azimuth (true) and elevation of the sun's centre without refraction. shadow_deg: where a plumb line's shadow points."""

    azimuth_deg: float
    elevation_deg: float
    at: datetime
    usable: bool
    minute_error_deg: float

    @property
    def shadow_deg(self) -> float:
        """The opposite of the sun's azimuth, 0..360."""
        return (self.azimuth_deg + 180.0) % 360.0


def declination(*, latitude_deg: float, longitude_deg: float, on: datetime, altitude_km: float = 0.0) -> Declination:
    """Return the magnetic declination at a place and time.

    on: 2025-01-01 to 2029-12-31. Raises RangeError outside, and where the horizontal field is below 2000 nT: a compass shows nothing there.
    Source: WMM2025. The thresholds of 6000 and 2000 nT are its caution and blackout zones (from memory).
    """
    if not -90.0 <= latitude_deg <= 90.0 or not -180.0 <= longitude_deg <= 360.0:
        raise RangeError("latitude_deg, longitude_deg", given=(latitude_deg, longitude_deg), allowed="-90..90 and -180..360")
    year = _decimal_year(on)
    if not 2025.0 <= year < 2030.0:
        raise RangeError("date", given=on.date().isoformat(), allowed="2025-01-01..2029-12-31", todo="Use the sun, or a newer edition of the model.", source="WMM2025")
    # The longitude is brought to -180..180, which the model's code expects.
    found = _model().calculate(glat=latitude_deg, glon=(longitude_deg + 180.0) % 360.0 - 180.0, alt=altitude_km, time=year)
    if found.h < _REFUSE_NT:
        raise RangeError("horizontal field", given=f"{found.h:.0f} nT", allowed="2000 nT or more", todo="A compass is no use here: use the sun.", source="WMM2025 blackout zone")
    return Declination(declination_deg=float(found.d), horizontal_nt=float(found.h), on=on, unsure=bool(found.h < _CAUTION_NT))


def compass_bearing(*, from_lat_deg: float, from_lon_deg: float, to_lat_deg: float, to_lon_deg: float, on: datetime) -> CompassBearing:
    """Return the way from one place to another, true and magnetic (compass = true − declination)."""
    way = inverse(from_lat_deg=from_lat_deg, from_lon_deg=from_lon_deg, to_lat_deg=to_lat_deg, to_lon_deg=to_lon_deg)
    try:
        turn = declination(latitude_deg=from_lat_deg, longitude_deg=from_lon_deg, on=on)
    except RangeError as error:
        return CompassBearing(true_deg=way.azimuth_deg, magnetic_deg=None, distance_m=way.distance_m, declination=None, why_no_compass=str(error))
    return CompassBearing(true_deg=way.azimuth_deg, magnetic_deg=(way.azimuth_deg - turn.declination_deg) % 360.0, distance_m=way.distance_m, declination=turn)


def sun_position(*, latitude_deg: float, longitude_deg: float, at: datetime) -> SunPosition:
    """Return where the sun stands. at: aware, any zone. usable: 5 to 60 degrees high, where a shadow is long and a minute's error small.

    Raises UsageError for a time without a zone. Source: NOAA solar calculator; within 0.03° of an ephemeris for 2025 to 2029.
    """
    if at.tzinfo is None:
        raise UsageError("time", given=at.isoformat(), todo="Give a time with its zone, e.g. UTC.")
    if not -90.0 <= latitude_deg <= 90.0:
        raise RangeError("latitude_deg", given=latitude_deg, allowed="-90..90")
    utc = at.astimezone(UTC)
    days = (utc - datetime(2000, 1, 1, 12, tzinfo=UTC)).total_seconds() / 86400.0
    t = days / 36525.0
    mean_longitude = math.radians((280.46646 + t * (36000.76983 + 0.0003032 * t)) % 360.0)
    anomaly = math.radians(357.52911 + t * (35999.05029 - 0.0001537 * t))
    eccentricity = 0.016708634 - t * (0.000042037 + 0.0000001267 * t)
    centre = (
        math.sin(anomaly) * (1.914602 - t * (0.004817 + 0.000014 * t)) + math.sin(2.0 * anomaly) * (0.019993 - 0.000101 * t) + math.sin(3.0 * anomaly) * 0.000289
    )
    node = math.radians(125.04 - 1934.136 * t)
    longitude = mean_longitude + math.radians(centre - 0.00569 - 0.00478 * math.sin(node))
    tilt = math.radians(23.0 + (26.0 + (21.448 - t * (46.815 + t * (0.00059 - 0.001813 * t))) / 60.0) / 60.0 + 0.00256 * math.cos(node))
    sun_declination = math.asin(math.sin(tilt) * math.sin(longitude))
    y = math.tan(tilt / 2.0) ** 2
    equation_of_time_min = 4.0 * math.degrees(
        y * math.sin(2.0 * mean_longitude)
        - 2.0 * eccentricity * math.sin(anomaly)
        + 4.0 * eccentricity * y * math.sin(anomaly) * math.cos(2.0 * mean_longitude)
        - 0.5 * y**2 * math.sin(4.0 * mean_longitude)
        - 1.25 * eccentricity**2 * math.sin(2.0 * anomaly)
    )
    minutes = utc.hour * 60.0 + utc.minute + utc.second / 60.0 + utc.microsecond / 6e7
    hour_angle = math.radians((minutes + equation_of_time_min + 4.0 * longitude_deg) / 4.0 - 180.0)
    phi = math.radians(latitude_deg)
    up = math.sin(phi) * math.sin(sun_declination) + math.cos(phi) * math.cos(sun_declination) * math.cos(hour_angle)
    elevation = math.asin(max(-1.0, min(1.0, up)))
    azimuth = math.atan2(-math.cos(sun_declination) * math.sin(hour_angle), math.sin(sun_declination) * math.cos(phi) - math.cos(sun_declination) * math.sin(phi) * math.cos(hour_angle))
    degrees_high = math.degrees(elevation)
    return SunPosition(
        azimuth_deg=math.degrees(azimuth) % 360.0,
        elevation_deg=degrees_high,
        at=utc,
        usable=5.0 <= degrees_high <= 60.0,
        minute_error_deg=0.25 / max(1e-6, math.cos(elevation)),
    )


def _decimal_year(on: datetime) -> float:
    start, end = datetime(on.year, 1, 1, tzinfo=UTC), datetime(on.year + 1, 1, 1, tzinfo=UTC)
    moment = on if on.tzinfo is not None else on.replace(tzinfo=UTC)
    return on.year + (moment - start).total_seconds() / (end - start).total_seconds()


@cache
def _model() -> Any:
    from pygeomag import GeoMag

    return GeoMag(coefficients_file="wmm/WMM_2025.COF")

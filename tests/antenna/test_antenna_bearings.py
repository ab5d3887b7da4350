"""True and compass bearings, declination, the sun."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta, timezone

import numpy as np
import pytest

from bandwright.antenna.bearings import compass_bearing, declination, sun_position
from bandwright.errors import RangeError, UsageError
from bandwright.propagation import geodesy
from bandwright.propagation.geodesy import inverse, series_inverse, series_points, track

# Year, km, lat, lon -> declination, horizontal nT. Source: test values published with WMM2025.
PUBLISHED = [
    (2025.0, 65, 43, 93, 0.50, 24300.8), (2025.0, 51, -33, 109, -5.49, 21838.0), (2025.5, 69, 38, -144, 12.93, 23096.3), (2025.5, 22, -37, 140, 9.28, 21688.8),
    (2026.0, 74, -57, 3, -22.51, 14362.2), (2026.5, 14, 0, 80, -3.10, 39489.1), (2027.5, 8, 62, 53, 19.39, 12997.8), (2028.5, 28, 54, -120, 15.43, 15286.1), (2029.5, 31, 13, -132, 9.04, 28145.0),
]  # fmt: skip


def moment(year: float) -> datetime:
    start = datetime(int(year), 1, 1, tzinfo=UTC)
    return start + (datetime(int(year) + 1, 1, 1, tzinfo=UTC) - start) * (year - int(year))


@pytest.mark.parametrize(("year", "km", "lat", "lon", "degrees", "nanotesla"), PUBLISHED)
def test_declination(year, km, lat, lon, degrees, nanotesla) -> None:
    found = declination(latitude_deg=lat, longitude_deg=lon, on=moment(year), altitude_km=km)
    assert found.declination_deg == pytest.approx(degrees, abs=0.0051)  # printed to 0.01
    assert found.horizontal_nt == pytest.approx(nanotesla, abs=1.0)
    assert not found.unsure


def test_no_compass_near_the_magnetic_poles() -> None:
    """The published row at 89 N, 121 W has H 1504 nT: below the model's 2000 nT no compass bearing is given; below 6000 it is unsure."""
    with pytest.raises(RangeError, match="sun"):
        declination(latitude_deg=89.0, longitude_deg=-121.0, on=moment(2025.0), altitude_km=28.0)
    assert declination(latitude_deg=76.0, longitude_deg=-100.0, on=moment(2026.0)).unsure
    way = compass_bearing(from_lat_deg=89.0, from_lon_deg=-121.0, to_lat_deg=88.9, to_lon_deg=-121.0, on=moment(2025.0))
    assert way.magnetic_deg is None
    assert "sun" in way.why_no_compass
    assert way.true_deg == pytest.approx(180.0)


@pytest.mark.parametrize("on", [datetime(2024, 12, 31, tzinfo=UTC), datetime(2030, 1, 1, tzinfo=UTC)])
def test_the_model_ends(on: datetime) -> None:
    with pytest.raises(RangeError, match="2025"):
        declination(latitude_deg=50.0, longitude_deg=0.0, on=on)
    with pytest.raises(RangeError):
        declination(latitude_deg=91.0, longitude_deg=0.0, on=moment(2026.0))


def test_compass_is_true_less_declination() -> None:
    on = moment(2028.5)
    way = compass_bearing(from_lat_deg=54.0, from_lon_deg=-120.0, to_lat_deg=54.0, to_lon_deg=-119.9, on=on)
    turn = declination(latitude_deg=54.0, longitude_deg=-120.0, on=on).declination_deg
    assert turn > 15.0
    assert way.magnetic_deg == pytest.approx((way.true_deg - turn) % 360.0)
    assert way.declination is not None
    assert way.declination.on == on


SUN = [
    # UTC, lat, lon -> azimuth, elevation without refraction; source: an astronomical almanac library, 0.03 degrees.
    ((2026, 3, 20, 9, 0), 48, 11, 135.84, 32.75), ((2026, 6, 21, 16, 30), 52, -1, 266.67, 32.88), ((2026, 12, 21, 12, 0), 40, -3, 177.42, 26.52),
    ((2027, 9, 1, 22, 0), -33.9, 151.2, 64.54, 20.32), ((2026, 10, 5, 21, 15), 36.6, -84.3, 245.06, 22.29),
]  # fmt: skip


@pytest.mark.parametrize(("utc", "lat", "lon", "azimuth", "elevation"), SUN)
def test_sun(utc, lat, lon, azimuth, elevation) -> None:
    at = datetime(*utc, tzinfo=UTC)
    found = sun_position(latitude_deg=lat, longitude_deg=lon, at=at)
    assert found.azimuth_deg == pytest.approx(azimuth, abs=0.03)
    assert found.elevation_deg == pytest.approx(elevation, abs=0.03)
    assert found.usable
    assert found.shadow_deg == pytest.approx((found.azimuth_deg + 180.0) % 360.0)
    zoned = sun_position(latitude_deg=lat, longitude_deg=lon, at=at.astimezone(timezone(timedelta(hours=-7))))
    assert zoned.azimuth_deg == pytest.approx(found.azimuth_deg, abs=1e-9)


def test_sun_when_it_is_no_use() -> None:
    high = sun_position(latitude_deg=10.0, longitude_deg=0.0, at=datetime(2026, 4, 15, 12, 0, tzinfo=UTC))
    assert high.elevation_deg > 60.0
    assert not high.usable
    night = sun_position(latitude_deg=48.0, longitude_deg=11.0, at=datetime(2026, 3, 20, 0, 0, tzinfo=UTC))
    assert not night.usable
    forty = sun_position(latitude_deg=48.0, longitude_deg=11.0, at=datetime(2026, 3, 20, 11, 20, tzinfo=UTC))
    # A minute is 0.25 degrees of hour angle: at most 0.25/cos(elevation) of azimuth, 0.33 at 40 degrees (algebra).
    assert forty.minute_error_deg == pytest.approx(0.25 / np.cos(np.radians(forty.elevation_deg)))
    with pytest.raises(UsageError, match="zone"):
        sun_position(latitude_deg=48.0, longitude_deg=11.0, at=datetime(2026, 3, 20, 9, 0))  # noqa: DTZ001 -- the refused case


def test_inverse_against_known_lines() -> None:
    """Two lines on a published terrain sample, by a geodesic library (WGS 84)."""
    a = inverse(from_lat_deg=36.60, from_lon_deg=-84.35, to_lat_deg=36.52, to_lon_deg=-84.12)
    assert a.azimuth_deg == pytest.approx(113.2551, abs=1e-4)
    assert a.distance_m == pytest.approx(22422.321, abs=2e-3)
    assert inverse(from_lat_deg=36.50, from_lon_deg=-84.10, to_lat_deg=36.55, to_lon_deg=-84.16).distance_m == pytest.approx(7724.132, abs=2e-3)


@pytest.mark.parametrize("latitude", [-70.0, -35.0, 0.0, 36.6, 52.0, 70.0])
def test_the_series_stays_within_two_metres_to_thirty_kilometres(latitude: float) -> None:
    from pyproj import Geod

    geod = Geod(ellps="WGS84")
    for azimuth in range(0, 360, 30):
        along = np.linspace(1000.0, 30_000.0, 7)
        lats, lons = series_points(from_lat_deg=latitude, from_lon_deg=10.0, azimuth_deg=azimuth, along_m=along)
        true_lons, true_lats, _ = geod.fwd([10.0] * 7, [latitude] * 7, [azimuth] * 7, along)
        assert max(geod.inv(lons, lats, true_lons, true_lats)[2]) < 2.0
        back = series_inverse(from_lat_deg=latitude, from_lon_deg=10.0, to_lat_deg=float(true_lats[-2]), to_lon_deg=float(true_lons[-2]))
        assert back.distance_m == pytest.approx(along[-2], abs=2.0)


def test_without_the_library_the_series_serves_and_says_how_far(monkeypatch) -> None:
    monkeypatch.setattr(geodesy, "_geod", lambda: None)
    a = inverse(from_lat_deg=36.60, from_lon_deg=-84.35, to_lat_deg=36.52, to_lon_deg=-84.12)
    assert a.distance_m == pytest.approx(22422.321, abs=2.0)
    lats, lons, length = track(from_lat_deg=36.60, from_lon_deg=-84.35, to_lat_deg=36.52, to_lon_deg=-84.12, points=11)
    assert (lats[0], lons[0]) == pytest.approx((36.60, -84.35))
    assert (lats[-1], lons[-1]) == pytest.approx((36.52, -84.12), abs=2e-5)
    assert length == a.distance_m
    with pytest.raises(UsageError, match="30 km"):
        inverse(from_lat_deg=36.0, from_lon_deg=-84.0, to_lat_deg=37.0, to_lon_deg=-84.0)


def test_places_that_make_no_line() -> None:
    with pytest.raises(RangeError):
        inverse(from_lat_deg=91.0, from_lon_deg=0.0, to_lat_deg=0.0, to_lon_deg=0.0)
    with pytest.raises(RangeError, match="same place"):
        inverse(from_lat_deg=1.0, from_lon_deg=2.0, to_lat_deg=1.0, to_lon_deg=2.0)
    with pytest.raises(RangeError):
        track(from_lat_deg=1.0, from_lon_deg=2.0, to_lat_deg=1.1, to_lon_deg=2.0, points=1)

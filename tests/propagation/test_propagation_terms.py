"""Free space, clutter, entry, weather, statistical scenarios, and the table that joins them."""

from __future__ import annotations

import warnings

import pytest

from bandwright.errors import RangeError
from bandwright.propagation.entry import MATERIALS, building_entry_db, building_entry_sd_db, material_db, outdoor_to_indoor_db
from bandwright.propagation.freespace import earth_bulge_m, effective_earth_radius_km, free_space_loss_db, fresnel_radius_m, horizon_km
from bandwright.propagation.profile import profile
from bandwright.propagation.statistical import line_of_sight_chance, path_loss
from bandwright.propagation.surroundings import height_gain_loss_db, statistical_clutter_db, weissberger_db, woodland_db
from bandwright.propagation.terms import TERMS, Link, diffraction_loss_db, path_terms
from bandwright.propagation.weather import gas_db_per_km, rain_coefficients, rain_db, rain_db_per_km, rain_path_factor


@pytest.mark.parametrize(("mhz", "m", "db"), [(800, 1000, 90.510), (1800, 5000, 111.533), (3500, 2000, 109.350), (28000, 500, 115.370)])
def test_free_space(mhz: float, m: float, db: float) -> None:
    """ITU-R P.525 with c = 299 792 458 m/s, worked to three decimals."""
    assert free_space_loss_db(distance_m=m, frequency_mhz=mhz) == pytest.approx(db, abs=6e-4)


@pytest.mark.parametrize(("distance_m", "frequency_mhz"), [(0.0, 800.0), (-1.0, 800.0), (1.0, 0.0)])
def test_free_space_refuses(distance_m: float, frequency_mhz: float) -> None:
    with pytest.raises(RangeError):
        free_space_loss_db(distance_m=distance_m, frequency_mhz=frequency_mhz)


def test_geometry() -> None:
    """ITU-R P.526: bulge d1 d2 / 2ka, Fresnel radius, horizon; worked figures for k = 4/3."""
    assert [earth_bulge_m(from_start_m=a, to_end_m=b) for a, b in ((5e3, 5e3), (1e4, 1e4), (2e3, 8e3))] == pytest.approx([1.4715, 5.8860, 0.9418], abs=1e-4)
    assert horizon_km(height_1_m=30, height_2_m=6) == pytest.approx(32.67, abs=5e-3)
    assert effective_earth_radius_km(delta_n=45.0) == pytest.approx(8930.777, abs=1e-3)
    assert effective_earth_radius_km() == pytest.approx(8494.67, abs=5e-3)
    for mhz, a, b, r in ((800, 1e3, 4e3, 17.315), (3500, 1e3, 1e3, 6.544), (3500, 2e3, 3e3, 10.138), (28000, 250, 250, 1.157)):
        assert fresnel_radius_m(from_start_m=a, to_end_m=b, frequency_mhz=mhz) == pytest.approx(r, abs=1e-3)
    with pytest.raises(RangeError):
        fresnel_radius_m(from_start_m=0, to_end_m=0, frequency_mhz=800)


@pytest.mark.parametrize(("ghz", "km", "db"), [(3.5, 1.0, 30.105), (3.5, 0.25, 20.203), (0.8, 1.0, 23.991), (1.8, 2.0, 27.547), (28.0, 0.5, 29.614)])
def test_statistical_clutter(ghz: float, km: float, db: float) -> None:
    """ITU-R P.2108-1, 3.2: figures on which three public implementations agree."""
    assert statistical_clutter_db(frequency_ghz=ghz, distance_km=km) == pytest.approx(db, abs=2e-3)


def test_statistical_clutter_against_another_library() -> None:
    from ITS.ITU.PSeries.P2108 import TerrestrialStatisticalModel

    for ghz, km, share in ((3.5, 1.0, 0.9), (3.5, 1.0, 0.1), (0.7, 4.0, 0.5), (26.0, 0.3, 0.7)):
        theirs = TerrestrialStatisticalModel(ghz, km, share * 100)
        assert statistical_clutter_db(frequency_ghz=ghz, distance_km=km, location_share=share) == pytest.approx(theirs, abs=3e-3)  # its quantile is approximate


def test_statistical_clutter_refuses() -> None:
    for change in ({"distance_km": 0.24}, {"frequency_ghz": 0.49}, {"frequency_ghz": 67.1}, {"location_share": 1.0}):
        with pytest.raises(RangeError):
            statistical_clutter_db(**{"frequency_ghz": 3.5, "distance_km": 1.0} | change)


@pytest.mark.parametrize(
    ("ghz", "m", "clutter", "db"), [(0.8, 4, "suburban", 15.344), (1.8, 4, "urban", 23.916), (2.6, 6, "dense urban", 27.499), (2.6, 6, "open", 5.407), (0.8, 4, "open", 8.436)]
)
def test_height_gain(ghz: float, m: float, clutter: str, db: float) -> None:
    """ITU-R P.2108-1, 3.1; worked figures on which public implementations agree."""
    assert height_gain_loss_db(frequency_ghz=ghz, height_m=m, clutter=clutter) == pytest.approx(db, abs=1e-3)


def test_height_gain_ends_at_the_roofs_and_at_3_ghz() -> None:
    assert height_gain_loss_db(frequency_ghz=0.8, height_m=10.0, clutter="suburban") == 0.0
    assert height_gain_loss_db(frequency_ghz=0.8, height_m=9.9, clutter="suburban") >= 0.0
    with pytest.raises(RangeError, match="statistical"):
        height_gain_loss_db(frequency_ghz=3.01, height_m=4.0, clutter="urban")
    # From 3 to 6 m among suburban roofs: 4.6 to 4.8 dB (P.2108 3.1; range over 0.8 to 2.6 GHz, worked).
    gains = [height_gain_loss_db(frequency_ghz=f, height_m=3.0, clutter="suburban") - height_gain_loss_db(frequency_ghz=f, height_m=6.0, clutter="suburban") for f in (0.8, 2.6)]
    assert all(4.4 < g < 5.0 for g in gains)


def test_vegetation() -> None:
    # P.833-10's A_m fits: tropical 900 MHz 29.98, 1800 50.49; temperate 21.43, 28.87 dB (worked; constants from memory).
    for mhz, tropical, most in ((900, True, 29.98), (1800, True, 50.49), (900, False, 21.43), (1800, False, 28.87)):
        assert woodland_db(depth_m=1e5, frequency_mhz=mhz, specific_db_per_m=0.2, tropical=tropical) == pytest.approx(most, abs=6e-3)
    assert woodland_db(depth_m=5.0, frequency_mhz=1800, specific_db_per_m=0.2) == pytest.approx(1.0, abs=0.02)  # nearly γ·d at first
    # Weissberger: 3.5 GHz 10 m 6.423, 50 m 18.939, 28 GHz 10 m 11.593 dB (worked; formula from memory).
    for ghz, m, db in ((3.5, 10, 6.423), (3.5, 50, 18.939), (28, 10, 11.593)):
        assert weissberger_db(depth_m=m, frequency_ghz=ghz) == pytest.approx(db, abs=1e-3)
    with pytest.raises(RangeError):
        weissberger_db(depth_m=401, frequency_ghz=3.5)


@pytest.mark.parametrize(
    ("ghz", "building", "share", "elevation", "db"),
    [
        (0.8, "traditional", 0.5, 0, 14.171), (1.8, "traditional", 0.5, 0, 14.843), (3.5, "traditional", 0.5, 0, 15.721), (26, "traditional", 0.5, 0, 19.984), (28, "traditional", 0.5, 0, 20.182),
        (3.5, "traditional", 0.1, 0, 5.882), (3.5, "traditional", 0.9, 0, 28.738), (3.5, "thermally efficient", 0.1, 0, 16.561), (3.5, "thermally efficient", 0.9, 0, 49.272),
        (0.8, "thermally efficient", 0.5, 0, 31.339), (1.8, "thermally efficient", 0.5, 0, 30.555), (3.5, "thermally efficient", 0.5, 0, 30.886), (28, "traditional", 0.5, 45, 29.591), (28, "thermally efficient", 0.5, 45, 51.156),
    ],
)  # fmt: skip
def test_building_entry(ghz, building, share, elevation, db) -> None:
    """ITU-R P.2109-2; figures on which two implementations and published reference curves agree within 5e-4 dB."""
    assert building_entry_db(frequency_ghz=ghz, building=building, share=share, elevation_deg=elevation) == pytest.approx(db, abs=6e-4)


def test_building_entry_spread_and_range() -> None:
    assert 7.0 < building_entry_sd_db(frequency_ghz=3.5, building="traditional") < 10.0  # P10 to P90 is 5.9 to 28.7 dB: 2.56 sigma
    for change in ({"frequency_ghz": 0.07}, {"frequency_ghz": 101.0}, {"share": 0.0}):
        with pytest.raises(RangeError):
            building_entry_db(**{"frequency_ghz": 3.5, "building": "traditional"} | change)


def test_outdoor_to_indoor_and_materials() -> None:
    # TR 38.901 V19.4 table 7.4.3: 3.5 GHz 12.698 and 27.499, 28 GHz 17.829 and 35.029 dB (worked).
    for ghz, high, db in ((3.5, False, 12.698), (3.5, True, 27.499), (28, False, 17.829), (28, True, 35.029)):
        assert outdoor_to_indoor_db(frequency_ghz=ghz, high_loss=high) == pytest.approx(db, abs=1e-3)
    assert material_db(frequency_ghz=3.5, material="concrete")[0] == pytest.approx(19.0)
    with pytest.raises(RangeError, match="allowed"):
        material_db(frequency_ghz=3.5, material="paper")
    assert all(m.source for m in MATERIALS)


def test_rain_table_and_path() -> None:
    """ITU-R P.838-3 and P.530, values on which two implementations agree."""
    for ghz, k_h, a_h, k_v, a_v, g_h, g_v in (
        (24.25, 0.14608, 1.00734, 0.14358, 0.95435, 3.7392, 3.0989),
        (26, 0.17240, 0.98843, 0.16687, 0.94208, 4.1525, 3.4623),
        (28, 0.20509, 0.96788, 0.19645, 0.92767, 4.6236, 3.8911),
        (39, 0.42150, 0.87432, 0.40576, 0.84855, 7.0313, 6.2301),
        (60, 0.86061, 0.76563, 0.85152, 0.74856, 10.1185, 9.4764),
    ):
        h, v = (rain_coefficients(frequency_ghz=ghz, polarization=p) for p in ("horizontal", "vertical"))
        assert (h.k, h.alpha, v.k, v.alpha) == pytest.approx((k_h, a_h, k_v, a_v), abs=1e-5)
        assert rain_db_per_km(frequency_ghz=ghz, rain_mm_per_h=25, polarization="horizontal") == pytest.approx(g_h, abs=1e-4)
        assert rain_db_per_km(frequency_ghz=ghz, rain_mm_per_h=25, polarization="vertical") == pytest.approx(g_v, abs=1e-4)
    alpha = rain_coefficients(frequency_ghz=28, polarization="vertical").alpha
    assert rain_path_factor(distance_km=1, frequency_ghz=28, rain_mm_per_h=30, alpha=alpha) == pytest.approx(1.5292, abs=1e-4)
    for ghz, km, db in ((28, 1.0, 7.047), (26, 0.5, 4.527), (39, 2.0, 15.518)):
        assert rain_db(distance_km=km, frequency_ghz=ghz, rain_mm_per_h=30, polarization="vertical") == pytest.approx(db, abs=1e-3)
    assert rain_path_factor(distance_km=0.05, frequency_ghz=28, rain_mm_per_h=30, alpha=alpha) == 2.5
    assert rain_db(distance_km=1, frequency_ghz=28, rain_mm_per_h=0) == 0.0


def test_slant_rain_and_gas_against_another_library() -> None:
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        from itur.models.itu676 import gamma_exact
        from itur.models.itu838 import rain_specific_attenuation

        for ghz in (1.5, 7.0, 28.0, 60.0):
            theirs = rain_specific_attenuation(f=ghz, R=40.0, el=0.0, tau=45.0).value
            assert rain_db_per_km(frequency_ghz=ghz, rain_mm_per_h=40.0) == pytest.approx(theirs, rel=1e-6)
        for ghz in (3.5, 26.0, 28.0, 39.0, 60.0, 71.0, 118.75, 183.31):
            assert gas_db_per_km(frequency_ghz=ghz) == pytest.approx(gamma_exact(ghz, 1013.25, 7.5, 288.15).value, rel=1e-9)
    # ITU-R P.676: 3.5 GHz 0.0078, 26 0.125, 28 0.102, 39 0.123, 60 14.78 dB/km.
    assert [gas_db_per_km(frequency_ghz=f) for f in (3.5, 26, 28, 39, 60)] == pytest.approx([0.0078, 0.125, 0.102, 0.123, 14.78], rel=8e-3)


@pytest.mark.parametrize(
    ("scenario", "ghz", "m", "sight", "height", "db", "tolerance"),
    [
        ("rural", 0.7, 1000, True, 1.5, 93.39, 0.02),  # 0.02: the breakpoint is read as a distance on the ground or along the slant
        ("rural", 0.7, 1000, False, 1.5, 116.445, 1e-3),
        ("rural", 0.8, 2000, True, 5.0, 100.198, 1e-3),
        ("rural", 0.8, 2000, False, 5.0, 124.182, 1e-3),
        ("urban", 3.5, 100, True, 1.5, 83.138, 1e-3),
        ("urban", 3.5, 500, True, 1.5, 98.269, 1e-3),
        ("urban", 3.5, 500, False, 1.5, 129.916, 1e-3),
        ("urban", 3.5, 500, False, 6.0, 127.209, 6e-3),
        ("street", 28, 100, True, 1.5, 103.376, 1e-3),
        ("street", 28, 100, False, 1.5, 123.880, 1e-3),
    ],
)
def test_statistical_scenarios(scenario, ghz, m, sight, height, db, tolerance) -> None:
    """TR 38.901 table 7.4.1-1, worked from its text; a public library agrees on the rural and urban ones."""
    assert path_loss(scenario=scenario, distance_m=m, frequency_ghz=ghz, in_sight=sight, user_height_m=height).loss_db == pytest.approx(db, abs=tolerance)


def test_scenarios_are_continuous_at_their_breakpoint_and_refuse_beyond() -> None:
    # d'_BP = 4·24·0.5·3.5e9/3e8 = 560 m (UMa, 3.5 GHz, 1.5 m).
    a, b = (path_loss(scenario="urban", distance_m=d, frequency_ghz=3.5, in_sight=True).loss_db for d in (559.9, 560.1))
    assert abs(a - b) < 0.05
    with pytest.raises(RangeError, match="distance_m"):
        path_loss(scenario="urban", distance_m=5001.0, frequency_ghz=3.5, in_sight=True)
    with pytest.raises(RangeError, match="user_height_m"):
        path_loss(scenario="rural", distance_m=500.0, frequency_ghz=0.8, in_sight=True, user_height_m=12.0)
    assert [line_of_sight_chance(scenario=s, distance_m=10.0) for s in ("rural", "urban", "street")] == [1.0, 1.0, 1.0]
    # UMi at 100 m: 0.18 + e^(-100/36)·0.82 = 0.2310; UMa likewise with 63: 0.3477 (TR 38.901 table 7.4.2-1).
    assert line_of_sight_chance(scenario="street", distance_m=100.0) == pytest.approx(0.2310, abs=1e-4)
    assert line_of_sight_chance(scenario="urban", distance_m=100.0) == pytest.approx(0.3477, abs=1e-4)
    assert line_of_sight_chance(scenario="urban", distance_m=100.0, user_height_m=20.0) > 0.3477


HILL = profile(distance_km=[0, 1, 2, 3, 4, 5], ground_m=[100, 105, 140, 110, 102, 100])


def link(**changes: object) -> Link:
    return Link(**{"distance_m": 5000.0, "frequency_mhz": 800.0, "tx_height_m": 30.0, "rx_height_m": 6.0} | changes)


def keys(found) -> list[str]:
    return [t.key for t in found.terms]


def test_terms_with_terrain() -> None:
    found = path_terms(link(profile=HILL))
    assert keys(found) == ["free space", "terrain"]
    # In the median, free space and delta-Bullington make the loss here: 25.28 dB at k = 4/3; P.1812 takes its own earth radius.
    assert found.terms[1].loss_db == pytest.approx(25.28, abs=0.3)
    assert found.sd_db == pytest.approx(7.0)


def test_terms_where_p1812_does_not_reach() -> None:
    above = path_terms(link(profile=HILL, frequency_mhz=28000.0, rain_mm_per_h=30.0))
    assert keys(above) == ["free space", "edges", "rain", "gas"]
    assert "outside 0.03..6 GHz" in above.notes[0]
    short = profile(distance_km=[0, 0.1, 0.2], ground_m=[10, 14, 10])
    near = path_terms(link(profile=short, distance_m=200.0))
    assert keys(near) == ["free space", "edges"]
    assert "shorter than 0.25 km" in near.notes[0]
    assert near.terms[1].loss_db == pytest.approx(diffraction_loss_db(link(profile=short, distance_m=200.0)))


def test_terms_without_terrain_and_indoors() -> None:
    found = path_terms(link(distance_m=800.0, building="traditional", trees_m=20.0))
    assert keys(found) == ["free space", "scenario", "entry", "trees"]
    assert any("no terrain" in n for n in found.notes)
    assert found.loss_db == pytest.approx(sum(t.loss_db for t in found.terms))
    assert found.sd_db > 8.0
    through = path_terms(link(distance_m=800.0, through="clay tile roof"))
    assert through.terms[-1].loss_db == pytest.approx(2.0 + 0.6 * 0.8)


def test_clutter_is_never_added_twice() -> None:
    assert "clutter" in keys(path_terms(link(profile=HILL, clutter="suburban")))
    assert "clutter" not in keys(path_terms(link(profile=HILL, clutter="suburban", surface_model=True)))
    grown = profile(distance_km=[0, 1, 2, 3, 4, 5], ground_m=[100, 105, 140, 110, 102, 100], clutter_m=[10] * 6)
    assert "clutter" not in keys(path_terms(link(profile=grown, clutter="suburban")))
    assert "trees" not in keys(path_terms(link(profile=HILL, trees_m=20.0, surface_model=True)))


def test_a_site_on_the_sea_is_said() -> None:
    wet = profile(distance_km=[0, 1, 2, 3, 4, 5], ground_m=[20, 5, 0, 0, 0, 0], zone=[4, 3, 1, 1, 1, 1])
    assert any("sea" in n for n in path_terms(link(profile=wet)).notes)


def test_every_term_names_its_source_and_bad_links_are_refused() -> None:
    assert all(t.source and t.label for t in TERMS)
    assert len({t.key for t in TERMS}) == len(TERMS)
    with pytest.raises(RangeError):
        path_terms(link(distance_m=0.0))

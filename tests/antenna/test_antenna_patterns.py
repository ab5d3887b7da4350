"""Patterns, spread loss, feeders, polarisation, exposure and wind against published and independently derived figures."""

from __future__ import annotations

import math

import numpy as np
import pytest

from bandwright.antenna.exposure import LIMIT_SETS, far_field_m, limit_set_for, power_density_w_per_m2, safe_distance
from bandwright.antenna.feeders import (
    FEEDER_CLASSES,
    cascade_noise_figure_db,
    connector_loss_db,
    fit_feeder,
    gain_eaten_at_m,
    mismatch_loss_db,
    return_loss_db,
    vswr,
)
from bandwright.antenna.patterns import (
    Cut,
    Element38901,
    Omni,
    Parabola,
    SectorF1336,
    angular_spread_loss_db,
    aperture_gain_dbi,
    gain_dbi,
    mean_attenuation_db,
    wrap_deg,
)
from bandwright.antenna.polarisation import capacity_bit_per_s_per_hz, co_polar, cross_polar, polarisation_loss_db, rotated
from bandwright.antenna.wind import wind_load
from bandwright.errors import RangeError


@pytest.mark.parametrize(("az", "el", "dbi"), [(0, 0, 8.0), (32.5, 0, 5.0), (60, 0, -2.225), (90, 0, -15.006), (180, 0, -22.0), (30, 10, 5.160), (0, 30, 5.444)])
def test_element(az: float, el: float, dbi: float) -> None:
    """TR 38.901 table 7.3-1, values on which an independent library agrees (5e-4 dB)."""
    assert gain_dbi(Element38901(), off_azimuth_deg=az, off_elevation_deg=el) == pytest.approx(dbi, abs=6e-4)


@pytest.mark.parametrize(("az", "el", "dbi"), [(0, 0, 17.0), (32.5, 0, 14.0), (60, 0, 8.059), (90, 0, 0.554), (180, 0, -5.957), (0, 5, 13.687), (0, 20, 2.981)])
def test_sector(az: float, el: float, dbi: float) -> None:
    """ITU-R F.1336-5, 3.1.1 with 17 dBi and 65 degrees: worked values (1e-3 dB)."""
    sector = SectorF1336(gain_dbi=17.0, beamwidth_deg=65.0)
    assert sector.elevation_beamwidth_deg == pytest.approx(9.516, abs=1e-3)
    assert gain_dbi(sector, off_azimuth_deg=az, off_elevation_deg=el) == pytest.approx(dbi, abs=1e-3)


def test_sector_elevation_meets_the_back_at_a_right_angle() -> None:
    """With k_v in C the curve reaches G180 exactly at 90 degrees: the standard's construction."""
    sector = SectorF1336(gain_dbi=17.0, beamwidth_deg=65.0)
    assert sector.attenuation_db(0.0, 89.999) == pytest.approx(sector.attenuation_db(0.0, 90.0), abs=1e-3)
    assert sector.attenuation_db(0.0, 120.0) == sector.attenuation_db(0.0, 90.0)
    with pytest.raises(RangeError):
        SectorF1336(gain_dbi=17.0, beamwidth_deg=121.0)


def test_parabola_at_its_known_points_and_across_north() -> None:
    beam = Parabola(gain_dbi=9.0, beamwidth_deg=60.0, floor_db=25.0)
    for off, loss in ((30.0, 3.0), (15.0, 0.75), (6.0, 0.12), (180.0, 25.0)):
        assert beam.attenuation_db(off) == pytest.approx(loss)
    assert beam.attenuation_db(350.0) == pytest.approx(beam.attenuation_db(-10.0)) == pytest.approx(beam.attenuation_db(10.0))
    with pytest.raises(RangeError):
        Parabola(gain_dbi=9.0, beamwidth_deg=0.0)


def test_cut_of_a_maker() -> None:
    cut = Cut(gain_dbi=11.0, rows=((0.0, 0.0), (20.0, 3.0), (90.0, 20.0), (180.0, 25.0)))
    assert cut.attenuation_db(10.0) == pytest.approx(1.5)
    assert cut.attenuation_db(-10.0) == pytest.approx(1.5)
    assert cut.attenuation_db(135.0) == pytest.approx(22.5)
    full = Cut(gain_dbi=11.0, rows=((-180.0, 25.0), (-30.0, 10.0), (0.0, 0.0), (20.0, 3.0), (180.0, 25.0)))
    assert full.attenuation_db(-15.0) == pytest.approx(5.0)
    assert full.attenuation_db(180.0) == full.attenuation_db(-180.0)
    for rows in (((0.0, 0.0), (20.0, 3.0)), ((0.0, 0.0), (20.0, 3.0), (20.0, 5.0)), ((5.0, 0.0), (20.0, 3.0), (90.0, 5.0)), ((0.0, -1.0), (20.0, 3.0), (90.0, 5.0))):
        with pytest.raises(RangeError):
            Cut(gain_dbi=11.0, rows=rows)


@pytest.mark.parametrize(("angle", "same"), [(0, 0), (180, 180), (-180, 180), (181, -179), (540, 180), (-190, 170), (720, 0)])
def test_wrap(angle: float, same: float) -> None:
    assert wrap_deg(angle) == pytest.approx(same)


def test_mean_attenuation() -> None:
    # Without a floor the mean of a Gaussian beam is sqrt(pi / (1.2 ln 10)) = 1.066 beamwidths of 360 degrees (algebra); the floor of 25 dB adds a little.
    assert mean_attenuation_db(Parabola(gain_dbi=0.0, beamwidth_deg=65.0, floor_db=200.0)) == pytest.approx(-10 * math.log10(1.066 * 65 / 360), abs=5e-3)
    assert mean_attenuation_db(Parabola(gain_dbi=0.0, beamwidth_deg=65.0, floor_db=25.0)) == pytest.approx(7.124, abs=1e-3)
    assert mean_attenuation_db(Omni(gain_dbi=3.0)) == pytest.approx(0.0, abs=1e-12)


@pytest.mark.parametrize(("beamwidth", "spread", "loss"), [(65, 15, 0.562), (30, 15, 1.889), (15, 15, 4.080), (30, 30, 4.080)])
def test_e7_spread_loss_and_its_derivation(beamwidth: float, spread: float, loss: float) -> None:
    """E7 (worked), and the integral it is derived from: a Gaussian beam seen through a Gaussian spread."""
    assert angular_spread_loss_db(beamwidth_deg=beamwidth, spread_deg=spread) == pytest.approx(loss, abs=1e-3)
    angles = np.linspace(-400.0, 400.0, 80001)
    weight = np.exp(-0.5 * (angles / spread) ** 2)
    power = 2.0 ** (-4.0 * (angles / beamwidth) ** 2)  # half at half a beamwidth
    through = 10 * np.log10((weight * power).sum() / weight.sum())
    assert -through == pytest.approx(loss, abs=1e-3)


def test_spread_loss_refuses() -> None:
    assert angular_spread_loss_db(beamwidth_deg=60.0, spread_deg=0.0) == 0.0
    for change in ({"beamwidth_deg": 0.0}, {"spread_deg": -1.0}):
        with pytest.raises(RangeError):
            angular_spread_loss_db(**{"beamwidth_deg": 60.0, "spread_deg": 10.0} | change)


def test_aperture() -> None:
    # 0.3 m at 28 GHz, 60 %: 20 log(pi 0.3 / 0.010707) + 10 log 0.6 = 38.891 - 2.218 (algebra).
    assert aperture_gain_dbi(diameter_m=0.3, frequency_mhz=28000.0) == pytest.approx(36.673, abs=2e-3)


CLASSES = {c.key: c.feeder() for c in FEEDER_CLASSES}


@pytest.mark.parametrize(
    ("key", "losses"), [("RG-58 class", {800: 4.458, 1800: 6.940, 2600: 8.526, 3500: 10.096}), ("RG-213 class", {800: 2.123, 1800: 3.458, 2600: 4.355, 3500: 5.273})]
)
def test_feeder_classes(key: str, losses: dict[int, float]) -> None:
    """Two-point fits to a handbook's figures at 30 and 150 MHz, per 10 m (worked)."""
    for mhz, loss in losses.items():
        assert CLASSES[key].loss_db(length_m=10.0, frequency_mhz=mhz) == pytest.approx(loss, abs=1e-3)


def test_a_fit_passes_its_points_and_never_falls_below_nothing() -> None:
    for feeder_class in FEEDER_CLASSES:
        feeder = feeder_class.feeder()
        for mhz, per_100_ft in feeder_class.points:
            assert feeder.loss_db(length_m=30.48, frequency_mhz=mhz) == pytest.approx(per_100_ft, rel=0.02)
    one = fit_feeder([(1000.0, 0.2)])
    assert one.loss_db(length_m=10.0, frequency_mhz=4000.0) == pytest.approx(4.0)  # root of four times the frequency
    made = fit_feeder([(f, 0.004 * math.sqrt(f) + 1e-5 * f) for f in (450.0, 900.0, 1800.0, 3500.0)])
    assert (made.a_db_per_m, made.b_db_per_m) == pytest.approx((0.004, 1e-5), rel=1e-6)
    falling = fit_feeder([(100.0, 0.30), (1000.0, 0.31)])
    assert falling.b_db_per_m == 0.0
    assert falling.a_db_per_m > 0.0
    steep = fit_feeder([(100.0, 0.01), (1000.0, 0.9)])
    assert steep.a_db_per_m == 0.0


def test_feeders_refuse_what_is_not_sensible() -> None:
    with pytest.raises(RangeError, match="gateway at the antenna"):
        CLASSES["RG-213 class"].loss_db(length_m=101.0, frequency_mhz=800.0)
    assert CLASSES["RG-213 class"].loss_db(length_m=100.0, frequency_mhz=800.0) > 20.0
    for bad in ([], [(0.0, 1.0)], [(100.0, 0.0)]):
        with pytest.raises(RangeError):
            fit_feeder(bad)
    with pytest.raises(RangeError):
        gain_eaten_at_m(CLASSES["RG-58 class"], gain_difference_db=0.0, frequency_mhz=800.0)
    with pytest.raises(RangeError):
        connector_loss_db(connectors=-1, frequency_mhz=800.0)


@pytest.mark.parametrize(("rl", "ratio", "loss"), [(6, 3.0095, 1.2563), (10, 1.9250, 0.4576), (14, 1.4985, 0.1764), (20, 1.2222, 0.0436), (26, 1.1055, 0.0109)])
def test_mismatch(rl: float, ratio: float, loss: float) -> None:
    """Textbook relations of reflection, worked to four decimals."""
    assert vswr(rl) == pytest.approx(ratio, abs=1e-4)
    assert mismatch_loss_db(rl) == pytest.approx(loss, abs=1e-4)
    assert return_loss_db(vswr(rl)) == pytest.approx(rl)


def test_return_loss_table_and_range() -> None:
    for ratio, rl in ((1.2, 20.828), (1.5, 13.979), (2.0, 9.542), (3.0, 6.021)):
        assert return_loss_db(ratio) == pytest.approx(rl, abs=1e-3)
    for call in (lambda: return_loss_db(1.0), lambda: mismatch_loss_db(0.0), lambda: vswr(-1.0)):
        with pytest.raises(RangeError):
            call()


def test_cascades_against_friis_and_another_library() -> None:
    for stages, figure in (([(3, -3), (7, 0)], 10.0), ([(1, 20), (3, -3), (7, 0)], 1.300), ([(6, -6), (9, 0)], 15.0)):
        assert cascade_noise_figure_db(stages) == pytest.approx(figure, abs=1e-3)
    with pytest.raises(RangeError):
        cascade_noise_figure_db([])
    import skrf

    # A matched attenuator at 290 K has the noise figure of its loss; two in a row add up.
    frequency = skrf.Frequency(1, 1, 1, unit="GHz")
    line = skrf.media.DefinedGammaZ0(frequency)
    pad = line.attenuator(-6.0) ** line.attenuator(-3.0)
    lost = -20.0 * math.log10(abs(pad.s[0, 1, 0]))
    assert cascade_noise_figure_db([(6, -6), (3, -3)]) == pytest.approx(lost, abs=1e-6)


def test_e6_two_ports() -> None:
    """E6 at 20 dB (worked): one port, two of one polarisation, dual-polarised pairs."""
    assert math.log2(1 + 100) == pytest.approx(6.6582, abs=1e-4)
    assert capacity_bit_per_s_per_hz(co_polar(), snr_db=20.0) == pytest.approx(7.6511, abs=1e-4)
    for xpd, bits in ((20.0, 11.3176), (10.0, 11.0607)):
        pair = cross_polar(xpd_db=xpd)
        assert capacity_bit_per_s_per_hz(pair, snr_db=20.0) == pytest.approx(bits, abs=1e-4)
        assert capacity_bit_per_s_per_hz(rotated(pair, angle_deg=45.0), snr_db=20.0) == pytest.approx(bits, abs=1e-4)


def test_two_port_capacity_against_the_determinant() -> None:
    rng = np.random.default_rng(3)
    for _ in range(5):
        h = rng.normal(size=(2, 2)) + 1j * rng.normal(size=(2, 2))
        direct = np.log2(np.linalg.det(np.eye(2) + 10.0 ** (1.3) / 2 * h @ h.conj().T).real)
        assert capacity_bit_per_s_per_hz(tuple(map(tuple, h)), snr_db=13.0) == pytest.approx(direct)


def test_one_port_turned_and_unlike_feeders() -> None:
    assert polarisation_loss_db(angle_deg=45.0, xpd_db=200.0) == pytest.approx(3.0103, abs=1e-4)
    assert polarisation_loss_db(angle_deg=0.0) == 0.0
    even, uneven = (capacity_bit_per_s_per_hz(cross_polar(xpd_db=20.0, imbalance_db=d), snr_db=20.0) for d in (0.0, 6.0))
    assert 1.5 < even - uneven < 2.0  # 6 dB on one of two layers: log2 of 4, all of it the weaker layer's
    with pytest.raises(RangeError):
        cross_polar(xpd_db=-1.0)


LIMITS = {s.key: s for s in LIMIT_SETS}


def test_limits() -> None:
    """ICNIRP 2020 tables 5 and 6 and 47 CFR 1.1310(e)(1), general public (worked figures)."""
    for mhz, whole, local in ((700, 3.5, 16.23), (1800, 9.0, 36.56), (3500, 10.0, 40.0), (26000, 10.0, 30.90), (28000, 10.0, 30.49), (39000, 10.0, 28.76), (60000, 10.0, 26.65)):
        assert LIMITS["icnirp"].limit_w_per_m2(mhz) == pytest.approx(whole, abs=5e-3)
        assert LIMITS["icnirp local"].limit_w_per_m2(mhz) == pytest.approx(local, abs=6e-3)
    for mhz, limit in ((700, 4.667), (915, 6.1), (1500, 10.0), (3500, 10.0)):
        assert LIMITS["fcc"].limit_w_per_m2(mhz) == pytest.approx(limit, abs=1e-3)
    assert limit_set_for("us").key == "fcc"
    assert limit_set_for("ZZ").key == limit_set_for(None).key == "icnirp"


def test_distances() -> None:
    """OET Bulletin 65: S = k EIRP / (4 pi R^2); worked for 10 W/m^2, and for 4 W/m^2 at 800 MHz."""
    for eirp, k, metres in ((36.0, 1.0, 0.178), (41.0, 1.0, 0.317), (53.0, 1.0, 1.260), (41.0, 2.56, 0.506)):
        found = safe_distance(eirp_dbm=eirp, frequency_mhz=3500.0, reflection=k)
        assert found.distance_m == pytest.approx(metres, abs=1e-3)
    assert safe_distance(eirp_dbm=41.0, frequency_mhz=800.0, reflection=1.0).distance_m == pytest.approx(0.500, abs=1e-3)
    for eirp, s in ((36.0, 0.317), (41.0, 1.002), (53.0, 15.88)):
        assert power_density_w_per_m2(eirp_dbm=eirp, distance_m=1.0) == pytest.approx(s, abs=5e-3)


def test_near_field_and_instruction_win() -> None:
    found = safe_distance(eirp_dbm=30.0, frequency_mhz=3500.0, largest_side_m=0.25)
    assert found.distance_m < found.far_field_m == pytest.approx(max(2 * 0.25**2 / 0.085655, 3 * 0.085655), rel=1e-4) == pytest.approx(far_field_m(largest_side_m=0.25, frequency_mhz=3500.0))
    assert not found.reliable
    assert found.keep_m == pytest.approx(max(0.2, found.distance_m))
    for call in (lambda: safe_distance(eirp_dbm=30.0, frequency_mhz=100.0), lambda: power_density_w_per_m2(eirp_dbm=30.0, distance_m=0.0)):
        with pytest.raises(RangeError):
            call()


def test_wind() -> None:
    """EN 1991-1-4: 0.625 v^2; a panel of 0.25 m^2 with c_f 1.2."""
    for v, q, force in ((20, 250.0, 75.0), (30, 562.5, 168.75), (40, 1000.0, 300.0), (50, 1562.5, 468.75)):
        found = wind_load(wind_m_per_s=v, area_m2=0.25, lever_m=2.0)
        assert (found.pressure_pa, found.force_n, found.moment_nm) == pytest.approx((q, force, 2 * force))
    for change in ({"wind_m_per_s": 101.0}, {"area_m2": -1.0}):
        with pytest.raises(RangeError):
            wind_load(**{"wind_m_per_s": 20.0, "area_m2": 0.25} | change)

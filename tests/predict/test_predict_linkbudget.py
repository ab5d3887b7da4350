"""Would gain help? The worked cases E1 to E7 of the link budget, and what the algebra must keep.

The figures of E1..E6 were worked by hand from the formulas of the module's docstring and checked by a separate program (1e-3 dB).
"""

from __future__ import annotations

import math

import pytest

from bandwright.antenna.feeders import FEEDER_CLASSES, gain_eaten_at_m, mismatch_loss_db
from bandwright.antenna.patterns import Parabola, mean_attenuation_db
from bandwright.errors import RangeError
from bandwright.predict.linkbudget import changed_sinr_db, interferer_change_db, noise_limited_slope, split_noise, uplink_power, without_ceiling_db
from bandwright.propagation.entry import building_entry_db

CLASSES = {c.key: c.feeder() for c in FEEDER_CLASSES}


def test_e1_gain_alone_where_interference_rules() -> None:
    lost = CLASSES["RG-213 class"].loss_db(length_m=10.0, frequency_mhz=800.0) + mismatch_loss_db(14.0)
    assert lost == pytest.approx(2.2998, abs=1e-3)
    change = 7.0 - lost
    assert change == pytest.approx(4.7002, abs=1e-3)
    split = split_noise(rsrp_dbm=-115.0, sinr_db=3.0, scs_khz=15.0)
    assert split.noise_dbm == pytest.approx(-125.214, abs=1e-3)
    assert split.inr_db == pytest.approx(6.299, abs=1e-3)
    after = changed_sinr_db(sinr_db=3.0, inr_db=split.inr_db, signal_change_db=change, interference_change_db=change)
    assert after == pytest.approx(3.583, abs=1e-3)


def test_e1b_the_same_where_noise_rules() -> None:
    split = split_noise(rsrp_dbm=-121.0, sinr_db=4.0, scs_khz=15.0)
    assert split.inr_db == pytest.approx(-12.964, abs=1e-3)
    assert changed_sinr_db(sinr_db=4.0, inr_db=split.inr_db, signal_change_db=4.7002, interference_change_db=4.7002) == pytest.approx(8.311, abs=1e-3)


def test_e2_direction_is_what_beats_interference() -> None:
    split = split_noise(rsrp_dbm=-90.0, sinr_db=4.0, scs_khz=15.0)
    assert split.inr_db == pytest.approx(31.21, abs=5e-3)
    beam = Parabola(gain_dbi=7.0, beamwidth_deg=65.0, floor_db=25.0)
    mean = mean_attenuation_db(beam)
    assert mean == pytest.approx(7.124, abs=1e-3)
    changes = {
        "a": 7.0,
        "b": interferer_change_db(common_db=0.0, serving_gain_change_db=7.0, mean_attenuation_db=mean, off_axis_db=beam.attenuation_db(60.0)),
        "c": interferer_change_db(common_db=0.0, serving_gain_change_db=7.0, mean_attenuation_db=mean),
    }
    for case, expected in (("a", 4.003), ("b", 14.221), ("c", 11.124)):
        after = changed_sinr_db(sinr_db=4.0, inr_db=split.inr_db, signal_change_db=7.0, interference_change_db=changes[case])
        assert after == pytest.approx(expected, abs=1.5e-3), case


@pytest.mark.parametrize(("key", "losses"), [("RG-58 class", (4.990, 0.952, -9.145)), ("RG-213 class", (5.473, 3.364, -1.909))])
def test_e3_the_feeder_eats_the_gain(key: str, losses: tuple[float, ...]) -> None:
    feeder = CLASSES[key]
    for length, net in zip((1.0, 5.0, 15.0), losses, strict=True):
        assert 6.0 - feeder.loss_db(length_m=length, frequency_mhz=3500.0) == pytest.approx(net, abs=1e-3)
    assert gain_eaten_at_m(feeder, gain_difference_db=6.0, frequency_mhz=3500.0) == pytest.approx(5.943 if key == "RG-58 class" else 11.379, abs=1e-3)


def test_e4_uplink_capped_and_not() -> None:
    before, after = (uplink_power(p0_dbm=-90.0, alpha=0.8, path_loss_db=loss, blocks=50, max_dbm=23.0) for loss in (132.0, 124.0))
    assert (before.required_dbm, after.required_dbm) == pytest.approx((32.590, 26.190), abs=1e-3)
    assert (before.blocks_at_full_density, after.blocks_at_full_density) == (5, 23)
    assert after.received_dbm - before.received_dbm == pytest.approx(8.0)  # capped: dB for dB
    assert before.headroom_db == pytest.approx(23.0 - 32.590, abs=1e-3)
    free, better = (uplink_power(p0_dbm=-90.0, alpha=0.8, path_loss_db=loss, blocks=50, max_dbm=23.0) for loss in (105.0, 97.0))
    assert better.received_dbm - free.received_dbm == pytest.approx(1.6)  # (1 - alpha) of 8 dB


@pytest.mark.parametrize(
    ("p0", "alpha", "loss", "blocks", "mu", "most", "required", "sent"),
    [(-90, 0.8, 120, 10, 1, 23, 19.010, 19.010), (-90, 0.8, 120, 50, 1, 23, 26.0, 23.0), (-100, 1, 110, 50, 0, 23, 26.990, 23), (-90, 0.8, 130, 273, 1, 26, 41.372, 26)],
)
def test_open_loop_power(p0, alpha, loss, blocks, mu, most, required, sent) -> None:
    """TS 38.213 7.1.1, worked values."""
    found = uplink_power(p0_dbm=p0, alpha=alpha, path_loss_db=loss, blocks=blocks, max_dbm=most, numerology=mu)
    assert (found.required_dbm, found.sent_dbm) == pytest.approx((required, sent), abs=1e-3)
    for change in ({"alpha": 1.1}, {"blocks": 0}):
        with pytest.raises(RangeError):
            uplink_power(**{"p0_dbm": p0, "alpha": alpha, "path_loss_db": loss, "blocks": blocks, "max_dbm": most} | change)


def test_e5_taking_a_wall_away() -> None:
    wall = building_entry_db(frequency_ghz=3.5, building="traditional")
    assert wall == pytest.approx(15.721, abs=1e-3)
    for rsrp, sinr, change in ((-112.0, 6.0, 2.004), (-85.0, 6.0, 0.003)):
        split = split_noise(rsrp_dbm=rsrp, sinr_db=sinr, scs_khz=30.0)
        after = changed_sinr_db(sinr_db=sinr, inr_db=split.inr_db, signal_change_db=wall, interference_change_db=wall)
        assert after - sinr == pytest.approx(change, abs=1e-3)


def test_slope_is_the_derivative_of_the_change() -> None:
    """Independent derivation: the noise share against a small step of the sum of powers."""
    for inr in (-20.0, -3.0, 0.0, 8.0, 30.0):
        step = changed_sinr_db(sinr_db=5.0, inr_db=inr, signal_change_db=1e-4, interference_change_db=1e-4) - 5.0
        assert step / 1e-4 == pytest.approx(noise_limited_slope(inr), abs=1e-4)
    assert noise_limited_slope(-math.inf) == 1.0


def test_sums_of_powers_say_the_same() -> None:
    """SINR' = (RSRP + s) - ((I + i) + N), summed as powers, against the shorter form."""
    for rsrp, sinr, s, i in ((-115.0, 3.0, 4.7, 4.7), (-90.0, 4.0, 7.0, -0.124), (-100.0, 12.0, -3.0, 2.0)):
        split = split_noise(rsrp_dbm=rsrp, sinr_db=sinr, scs_khz=15.0)
        interference = 10 ** (split.noise_dbm / 10) * 10 ** (split.inr_db / 10)
        after = rsrp + s - 10 * math.log10(interference * 10 ** (i / 10) + 10 ** (split.noise_dbm / 10))
        assert changed_sinr_db(sinr_db=sinr, inr_db=split.inr_db, signal_change_db=s, interference_change_db=i) == pytest.approx(after, abs=1e-9)


def test_noise_alone_has_no_interference() -> None:
    assert split_noise(rsrp_dbm=-121.0, sinr_db=6.0, scs_khz=15.0).inr_db == -math.inf


def test_ceiling_goes_out_and_comes_back() -> None:
    for sinr in (-5.0, 10.0, 20.0, 24.0):
        out = without_ceiling_db(sinr, ceiling_db=27.0)
        assert out > sinr
        assert without_ceiling_db(out, ceiling_db=27.0, back=True) == pytest.approx(sinr, abs=1e-9)
    # 20 dB under a ceiling of 25: 0.01 - 0.003162 = 0.006838 -> 21.651 dB (algebra).
    assert without_ceiling_db(20.0, ceiling_db=25.0) == pytest.approx(21.651, abs=1e-3)
    assert without_ceiling_db(30.0, ceiling_db=25.0) == pytest.approx(45.0)

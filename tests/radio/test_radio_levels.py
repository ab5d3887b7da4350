"""Noise, RSRQ and load, cell selection, timing advance, uplink power."""

from __future__ import annotations

import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bandwright.errors import RangeError
from bandwright.radio.levels import (
    lte_rsrq_of_load_db,
    lte_sinr_from_rsrq_db,
    max_input_rsrp_dbm,
    noise_dbm,
    noise_gap_db,
    rsrq_db,
    squal_db,
    srxlev_db,
    timing_advance_m,
)
from bandwright.radio.uplink import (
    POWER_CLASS_DBM,
    capacity_limit_mbps,
    capacity_mbps,
    duty_cost_db,
    endc_power_left_dbm,
    nr_pc1_min_eirp_dbm,
    power_headroom_db,
    power_limited_blocks,
    required_power_dbm,
    transmit_power_dbm,
)


@pytest.mark.parametrize(
    ("hz", "dbm"),
    [(15e3, -132.214), (30e3, -129.204), (180e3, -121.422), (360e3, -118.412), (18e6, -101.422), (20e6, -100.965), (98.28e6, -94.051)],
)
def test_thermal_noise(hz: float, dbm: float) -> None:
    assert abs(noise_dbm(hz) - dbm) < 5.1e-4  # dB, half the last digit; k T0 B at 290 K


def test_noise_with_a_noise_figure() -> None:
    assert abs(noise_dbm(15e3, noise_figure_db=7) - -125.214) < 6e-4
    assert abs(noise_dbm(30e3, noise_figure_db=7) - -122.204) < 6e-4
    with pytest.raises(RangeError):
        noise_dbm(0)


def test_noise_gap_tells_noise_from_interference() -> None:
    assert abs(noise_gap_db(rsrp_dbm=-121, sinr_db=2, scs_khz=15) - 2.2) < 0.05
    assert abs(noise_gap_db(rsrp_dbm=-84, sinr_db=2, scs_khz=15) - 39.2) < 0.05


def test_rsrq_from_its_parts() -> None:
    # TS 36.214 5.1.3, TS 38.215 5.1.3
    for blocks, rsrp, rssi, expected in ((100, -95, -67, -8.00), (50, -100, -75, -8.01), (273, -90, -58, -7.64)):
        assert abs(rsrq_db(rsrp_dbm=rsrp, rssi_dbm=rssi, resource_blocks=blocks) - expected) < 5.1e-3
    with pytest.raises(RangeError):
        rsrq_db(rsrp_dbm=-95, rssi_dbm=-67, resource_blocks=0)


@pytest.mark.parametrize(
    ("load", "sinr", "rsrq"),
    [(0, None, -6.02), (1, None, -13.01), (0.5, 10, -11.21), (0, 0, -12.04), (1, 0, -15.05), (0, -10, -20.93), (1, -10, -21.46)],
)
def test_rsrq_of_load_two_ports(load: float, sinr: float | None, rsrq: float) -> None:
    assert abs(lte_rsrq_of_load_db(load=load, sinr_db=sinr) - rsrq) < 5.1e-3  # our algebra


def test_rsrq_bounds_of_one_port() -> None:
    assert abs(lte_rsrq_of_load_db(load=0, sinr_db=None, ports=1) - -3.01) < 5e-3
    assert abs(lte_rsrq_of_load_db(load=1, sinr_db=None, ports=1) - -10.79) < 5e-3
    for load in (-0.1, 1.1):
        with pytest.raises(RangeError):
            lte_rsrq_of_load_db(load=load, sinr_db=None)


@settings(deadline=None)
@given(st.floats(-10, 25), st.floats(0.05, 1))
def test_sinr_from_rsrq_undoes_the_same_algebra(sinr: float, share: float) -> None:
    ratio = 10 ** (sinr / 10)
    rsrq = 10 * math.log10(1 / (12 * share + 12 / ratio))  # RSSI of one block: 12 share S + 12 (I + N)
    found = lte_sinr_from_rsrq_db(rsrq, own_share=share)
    assert found is not None
    assert abs(found - sinr) < 1e-6


def test_impossible_rsrq_gives_no_sinr() -> None:
    assert lte_sinr_from_rsrq_db(-3.0, own_share=1.0) is None


def test_cell_selection() -> None:
    # TS 36.304 5.2.3.2
    assert srxlev_db(rsrp_dbm=-100, q_rxlevmin_dbm=-124) == 24
    assert srxlev_db(rsrp_dbm=-100, q_rxlevmin_dbm=-124, q_rxlevmin_offset_db=2, p_compensation_db=3, q_offset_temp_db=1) == 18
    assert squal_db(rsrq=-12, q_qualmin_db=-20) == 8
    assert squal_db(rsrq=-12, q_qualmin_db=-20, q_qualmin_offset_db=2, q_offset_temp_db=1) == 5


def test_largest_input() -> None:
    # TS 36.101 7.4 through TS 36.521-1
    assert abs(max_input_rsrp_dbm(100) - -55.8) < 0.05
    assert abs(max_input_rsrp_dbm(100, max_input_dbm=-27) - -57.8) < 0.05
    assert abs(max_input_rsrp_dbm(50) - -52.8) < 0.05


def test_timing_advance_in_metres() -> None:
    # TS 36.211 8.1, TS 38.213 4.2
    for scs, metres in ((15, 78.071), (30, 39.035), (60, 19.518), (120, 9.759), (240, 4.879)):
        assert abs(timing_advance_m(1, scs_khz=scs) - metres) < 6e-4
    assert abs(timing_advance_m(1282) - 100_087) < 0.5
    assert abs(timing_advance_m(3846) - 300_261) < 0.5
    assert abs(timing_advance_m(3846, scs_khz=30) - 150_130) < 0.6
    for wrong in (-1, 3847):
        with pytest.raises(RangeError):
            timing_advance_m(wrong)


@pytest.mark.parametrize(
    ("p0", "alpha", "loss", "blocks", "mu", "cap", "required", "sent"),
    [
        (-90, 0.8, 120, 10, 1, 23, 19.010, 19.010),
        (-90, 0.8, 120, 50, 1, 23, 26.000, 23),
        (-100, 1, 110, 50, 0, 23, 26.990, 23),
        (-76, 0.8, 100, 4, 1, 23, 13.031, 13.031),
        (-90, 0.8, 130, 273, 1, 26, 41.372, 26),
    ],
)
def test_uplink_power(p0: float, alpha: float, loss: float, blocks: int, mu: int, cap: float, required: float, sent: float) -> None:
    asked = required_power_dbm(p0_dbm=p0, alpha=alpha, path_loss_db=loss, resource_blocks=blocks, mu=mu)  # TS 38.213 7.1.1
    assert abs(asked - required) < 6e-4
    assert abs(transmit_power_dbm(required_dbm=asked, p_cmax_dbm=cap) - sent) < 6e-4
    assert power_headroom_db(p_cmax_dbm=cap, power_dbm=asked) == cap - asked


@settings(deadline=None)
@given(st.floats(-110, -70), st.sampled_from([0.6, 0.8, 1.0]), st.floats(80, 140), st.sampled_from([0, 1]))
def test_power_runs_out_exactly_at_the_limited_blocks(p0: float, alpha: float, loss: float, mu: int) -> None:
    blocks = power_limited_blocks(p0_dbm=p0, alpha=alpha, path_loss_db=loss, p_cmax_dbm=23, mu=mu)
    whole = math.floor(blocks * (1 + 1e-9))
    if whole >= 1:
        assert required_power_dbm(p0_dbm=p0, alpha=alpha, path_loss_db=loss, resource_blocks=whole, mu=mu) <= 23 + 1e-6
    assert required_power_dbm(p0_dbm=p0, alpha=alpha, path_loss_db=loss, resource_blocks=whole + 1, mu=mu) > 23 - 1e-6
    half = power_limited_blocks(p0_dbm=p0, alpha=alpha, path_loss_db=loss + 10 * math.log10(2) / alpha, p_cmax_dbm=23, mu=mu)
    assert half == pytest.approx(blocks / 2)  # 3 dB cost half the blocks


def test_uplink_power_refuses_nonsense() -> None:
    for alpha, blocks in ((1.1, 5), (-0.1, 5), (0.8, 0)):
        with pytest.raises(RangeError):
            required_power_dbm(p0_dbm=-90, alpha=alpha, path_loss_db=100, resource_blocks=blocks)
    for share in (0, 1.01):
        with pytest.raises(RangeError):
            duty_cost_db(share)


def test_power_sharing_of_two_legs() -> None:
    # TS 38.213 7.6.1: 23 dBm in all
    for lte, left in ((20, 19.98), (22, 16.13), (22.9, 6.57)):
        found = endc_power_left_dbm(total_dbm=23, lte_dbm=lte)
        assert found is not None
        assert abs(found - left) < 5.1e-3
    assert endc_power_left_dbm(total_dbm=23, lte_dbm=23) is None


def test_a_wide_carrier_does_not_help_a_capped_uplink() -> None:
    for width, mbps in ((0.36, 0.603), (1.8, 0.945), (5, 1.058), (18, 1.115)):
        assert abs(capacity_mbps(received_dbm=-110, bandwidth_mhz=width) - mbps) < 6e-4  # Shannon, noise figure 5 dB
    assert abs(capacity_limit_mbps(received_dbm=-110) - 1.139) < 6e-4


def test_cost_of_sending_part_of_the_time() -> None:
    assert abs(duty_cost_db(8 / 35) - 6.41) < 5e-3  # DDDSU with 10:2:2
    assert abs(duty_cost_db(8 / 35) + 20 * math.log10(3.5 / 1.8) - 12.19) < 5e-3  # with 3.5 against 1.8 GHz


def test_power_classes() -> None:
    assert (POWER_CLASS_DBM["3"], POWER_CLASS_DBM["2"], POWER_CLASS_DBM["1.5"]) == (23, 26, 29)  # TS 38.101-1 6.2.1
    assert nr_pc1_min_eirp_dbm(257) == 40.0  # TS 38.101-2 6.2.1
    assert nr_pc1_min_eirp_dbm(262) == 34.2
    assert nr_pc1_min_eirp_dbm(78) is None

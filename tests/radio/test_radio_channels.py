"""Channel numbers and frequencies."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bandwright.errors import ChannelError
from bandwright.radio.bands import LTE_BANDS, NR_BANDS, lte_band_of_earfcn, nr_range_of_arfcns
from bandwright.radio.channels import (
    earfcn_to_mhz,
    mhz_to_earfcns,
    mhz_to_nr_arfcn,
    nb_iot_offset_mhz,
    nr_arfcn_to_mhz,
    nr_carrier_centre_mhz,
    uplink_earfcn,
    uplink_nr_arfcn,
    usable_earfcns,
)
from bandwright.radio.sync import SYNC_ROWS, gscn_to_mhz, mhz_to_gscn, ssb_width_mhz, sync_numbers


@pytest.mark.parametrize(
    ("earfcn", "mhz"),
    [
        (300, 2140.0),
        (18300, 1950.0),
        (1575, 1842.5),
        (3050, 2650.0),
        (6300, 806.0),
        (24300, 847.0),
        (9435, 780.5),
        (38950, 2330.0),
        (40620, 2593.0),
        (55990, 3625.0),
        (66486, 2115.0),
        (68661, 624.5),
        (70366, 728.0),
        (6600, 3510.0),
        (54590, 5860.0),  # TS 36.508
    ],
)
def test_earfcn_to_mhz(earfcn: int, mhz: float) -> None:
    assert earfcn_to_mhz(earfcn) == mhz  # TS 36.101 5.7.3


@pytest.mark.parametrize("earfcn", [-1, 65000, 60400, 262144, 5000, 30000])
def test_earfcn_of_no_band_is_refused(earfcn: int) -> None:
    with pytest.raises(ChannelError, match=str(earfcn)):
        earfcn_to_mhz(earfcn)


def test_one_frequency_has_several_earfcn() -> None:
    assert mhz_to_earfcns(2140.0) == {1: 300, 4: 2250, 10: 4450, 65: 65836, 66: 66736}  # TS 36.101 table 5.7.3-1
    assert mhz_to_earfcns(1950.0, direction="up") == {1: 18300, 36: 37150, 65: 131372}
    assert mhz_to_earfcns(2140.05) == {}
    assert mhz_to_earfcns(300.0) == {}


@settings(deadline=None)
@given(st.sampled_from(sorted(LTE_BANDS)), st.floats(0, 1))
def test_earfcn_there_and_back(band: int, where: float) -> None:
    row = LTE_BANDS[band]
    earfcn = row.dl_first + round(where * (row.dl_last - row.dl_first))
    assert mhz_to_earfcns(earfcn_to_mhz(earfcn))[band] == earfcn
    assert lte_band_of_earfcn(earfcn) == band


def test_uplink_of_an_earfcn() -> None:
    # TS 36.101 table 5.7.3-1
    assert uplink_earfcn(300) == 18300
    assert uplink_earfcn(6300) == 24300
    assert uplink_earfcn(38950) == 38950
    assert uplink_earfcn(9700) is None  # band 29
    assert uplink_earfcn(66436 + 699) == 132671  # the last of band 66 with an uplink
    assert uplink_earfcn(66436 + 700) is None
    with pytest.raises(ChannelError):
        uplink_earfcn(18300)


def test_edges_of_a_band_are_not_usable_as_centres() -> None:
    # TS 36.101 table 5.7.3-1, note 1: first 7/15/25/50/75/100 and last 6/14/24/49/74/99
    assert usable_earfcns(1, 20) == (100, 500)
    assert usable_earfcns(3, 1.4) == (1207, 1943)
    assert usable_earfcns(3, 3) == (1215, 1935)
    first, last = usable_earfcns(20, 10)
    assert (first, last) == (6200, 6400)
    assert earfcn_to_mhz(first) - 5 == 791.0
    assert earfcn_to_mhz(last) + 5 == 821.0
    with pytest.raises(ChannelError):
        usable_earfcns(15, 10)


def test_nb_iot_offsets() -> None:
    assert nb_iot_offset_mhz(-10, direction="down") == pytest.approx(-0.0475)  # TS 36.104 5.7.3: 0.0025 (2 M + 1)
    assert nb_iot_offset_mhz(0, direction="down") == pytest.approx(0.0025)
    assert nb_iot_offset_mhz(-2, direction="up") == pytest.approx(-0.01)


@pytest.mark.parametrize(
    ("nr_arfcn", "mhz"),
    [
        (0, 0.0),
        (428000, 2140.0),
        (499200, 2496.0),
        (599999, 2999.995),
        (600000, 3000.0),
        (620000, 3300.0),
        (632628, 3489.42),
        (633984, 3509.76),
        (636667, 3550.005),
        (653333, 3799.995),
        (693334, 4400.01),
        (2016666, 24249.99),
        (2016667, 24250.08),
        (2079167, 28000.08),
        (2229166, 37000.02),
        (3279165, 99999.96),
    ],
)
def test_nr_arfcn_to_mhz(nr_arfcn: int, mhz: float) -> None:
    assert nr_arfcn_to_mhz(nr_arfcn) == mhz  # TS 38.104 table 5.4.2.1-1
    assert mhz_to_nr_arfcn(mhz) == nr_arfcn


@pytest.mark.parametrize("nr_arfcn", [-1, 3279166])
def test_nr_arfcn_outside_the_raster(nr_arfcn: int) -> None:
    with pytest.raises(ChannelError, match=r"0\.\.3279165"):
        nr_arfcn_to_mhz(nr_arfcn)


@pytest.mark.parametrize(
    ("mhz", "nr_arfcn"), [(763.0, 152600), (1842.5, 368500), (3500.01, 633334), (3700.005, 646667), (27000.0, 2062499), (2999.9974, 599999), (2999.998, 600000)]
)
def test_mhz_to_nr_arfcn(mhz: float, nr_arfcn: int) -> None:
    assert mhz_to_nr_arfcn(mhz) == nr_arfcn  # TS 38.104 table 5.4.2.1-1


@pytest.mark.parametrize("mhz", [-1.0, 24250.035, 100000.1])
def test_frequencies_off_the_raster_are_refused(mhz: float) -> None:
    with pytest.raises(ChannelError):
        mhz_to_nr_arfcn(mhz)  # the gap of 90 kHz at 24.25 GHz is wider than half a step on both sides


@settings(deadline=None)
@given(st.integers(0, 3279165))
def test_nr_there_and_back_and_as_nrarfcn(nr_arfcn: int) -> None:
    from nrarfcn import get_frequency

    assert mhz_to_nr_arfcn(nr_arfcn_to_mhz(nr_arfcn)) == nr_arfcn
    assert nr_arfcn_to_mhz(nr_arfcn) == pytest.approx(get_frequency(nr_arfcn), abs=1e-6)


def test_uplink_of_an_nr_channel() -> None:
    assert uplink_nr_arfcn(428000, 1) == 390000  # TS 38.101-1 table 5.4.4-1: 190 MHz apart
    assert uplink_nr_arfcn(640000, 78) == 640000
    assert uplink_nr_arfcn(145000, 29) is None
    assert uplink_nr_arfcn(438000, 66) is None  # beyond the uplink's width
    assert uplink_nr_arfcn(400000, 70) is None  # no fixed distance
    with pytest.raises(ChannelError):
        uplink_nr_arfcn(428000, 78)


@settings(deadline=None)
@given(st.sampled_from([1, 2, 3, 5, 7, 8, 12, 13, 14, 18, 20, 25, 26, 28, 30, 65, 71, 74]), st.floats(0, 1))
def test_paired_nr_bands_keep_their_distance(band: int, where: float) -> None:
    row = NR_BANDS[band]
    limits = nr_range_of_arfcns(band)
    assert limits is not None
    assert row.ul_low_mhz is not None
    assert row.dl_low_mhz is not None
    number = limits[0] + round(where * (limits[1] - limits[0]))
    up = uplink_nr_arfcn(number, band)
    assert up is not None
    assert nr_arfcn_to_mhz(number) - nr_arfcn_to_mhz(up) == pytest.approx(row.dl_low_mhz - row.ul_low_mhz, abs=1e-9)


def test_centre_of_a_carrier_from_point_a() -> None:
    # TS 38.104 table 5.4.2.2-1: 273 blocks (odd): k = 6 of block 136; 106 (even): k = 0 of block 53
    assert nr_carrier_centre_mhz(point_a_mhz=3400.0, resource_blocks=273, scs_khz=30) == pytest.approx(3400.0 + (136 * 12 + 6) * 0.03)
    assert nr_carrier_centre_mhz(point_a_mhz=2110.0, resource_blocks=106, scs_khz=15) == pytest.approx(2110.0 + 53 * 12 * 0.015)
    # an odd carrier's marked element is its very middle (half a block each side)
    assert nr_carrier_centre_mhz(point_a_mhz=0.0, resource_blocks=51, scs_khz=30) == pytest.approx(51 * 12 * 0.03 / 2)


@pytest.mark.parametrize(
    ("gscn", "mhz"),
    [
        (2, 1.25),
        (5279, 2112.05),
        (7498, 2999.05),
        (7499, 3000.0),
        (7711, 3305.28),
        (7880, 3548.64),
        (8051, 3794.88),
        (22255, 24248.64),
        (22256, 24250.08),
        (22388, 26531.04),
    ],
)
def test_sync_raster(gscn: int, mhz: float) -> None:
    assert gscn_to_mhz(gscn) == mhz  # TS 38.104 table 5.4.3.1-1
    assert mhz_to_gscn(mhz) == gscn


@settings(deadline=None)
@given(st.integers(2, 26639))
def test_sync_raster_there_and_back_and_as_nrarfcn(gscn: int) -> None:
    from nrarfcn import get_frequency_by_gscn

    assert gscn_to_mhz(gscn) == pytest.approx(get_frequency_by_gscn(gscn), abs=1e-6)
    assert mhz_to_gscn(gscn_to_mhz(gscn)) == gscn


@pytest.mark.parametrize("gscn", [1, 0, -3, 26640])
def test_sync_numbers_outside(gscn: int) -> None:
    with pytest.raises(ChannelError):
        gscn_to_mhz(gscn)


def test_off_the_sync_raster() -> None:
    with pytest.raises(ChannelError):
        mhz_to_gscn(3000.5)


def test_sync_numbers_of_bands() -> None:
    # TS 38.104 table 5.4.3.3-1
    assert sync_numbers(78)[0] == 7711
    assert sync_numbers(78)[-1] == 8051
    assert sync_numbers(41, 15)[:2] == (6246, 6249)
    assert sync_numbers(28, 15) == tuple(range(1901, 2003))
    assert sync_numbers(258, 120)[0] == 22257
    assert sync_numbers(80) == ()


def test_every_sync_block_of_a_band_lies_inside_it() -> None:
    for row in SYNC_ROWS:
        band = NR_BANDS[row.band]
        assert band.dl_low_mhz is not None
        assert band.dl_high_mhz is not None
        for number in (row.numbers[0], row.numbers[-1]):
            assert band.dl_low_mhz <= gscn_to_mhz(number) <= band.dl_high_mhz, row


@pytest.mark.parametrize(("scs", "mhz"), [(15, 3.6), (30, 7.2), (120, 28.8)])
def test_width_of_a_sync_block(scs: int, mhz: float) -> None:
    assert ssb_width_mhz(scs) == pytest.approx(mhz)  # TS 38.211 7.4.3

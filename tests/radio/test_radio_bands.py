"""Band tables: published rows, both sides of every edge, other libraries where they are right, and where they are wrong."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bandwright.errors import ChannelError
from bandwright.radio.bands import (
    LTE_BANDS,
    NR_BANDS,
    duplex_of,
    guard_band_khz,
    is_known_band,
    lte_band_of_earfcn,
    lte_bandwidths_mhz,
    lte_resource_blocks,
    nr_bands_of_arfcn,
    nr_bandwidths_mhz,
    nr_default_scs_khz,
    nr_range_of_arfcns,
    nr_resource_blocks,
    split_band,
    uplink_range_mhz,
)


def test_lte_rows_hold_as_many_numbers_as_their_megahertz() -> None:
    # TS 36.101 table 5.7.3-1: 100 kHz raster, so (f_hi - f_lo)/0.1 numbers in both directions
    for row in LTE_BANDS.values():
        assert row.dl_last - row.dl_first + 1 == round((row.dl_high_mhz - row.dl_low_mhz) * 10), row.band
        if row.ul_first is not None and row.ul_last is not None and row.ul_low_mhz is not None and row.ul_high_mhz is not None:
            assert row.ul_last - row.ul_first + 1 == round((row.ul_high_mhz - row.ul_low_mhz) * 10), row.band


def test_lte_rows_equal_nrarfcn_except_band_47_which_it_lacks() -> None:
    from nrarfcn.tables.rel19.lte_bands import table_lte_bands
    from nrarfcn.tables.rel19.lte_earfcn import table_lte_earfcn

    duplex = {int(str(r[0]).lstrip("B")): r[-1] for r in table_lte_bands().data}
    rows = table_lte_earfcn()
    theirs = {}
    for line in rows.data:
        row = dict(zip(rows.header, line, strict=True))
        theirs[int(str(row["band"]).lstrip("B"))] = row
    ours = {b: r for b, r in LTE_BANDS.items() if b in theirs}
    assert set(LTE_BANDS) - set(theirs) == {47}
    assert len(ours) >= 65
    for band, row in ours.items():
        their = theirs[band]
        assert (row.dl_low_mhz, row.dl_first, row.dl_last) == (their["f_dl_low"], their["dl_first"], their["dl_last"]), band
        if row.ul_first is not None and row.duplex != "TDD":
            assert (row.ul_low_mhz, row.ul_first, row.ul_last) == (their["f_ul_low"], their["ul_first"], their["ul_last"]), band
        # the page writes downlink-only bands as "FDD" with a note that they serve carrier aggregation alone
        assert row.duplex == duplex[band] or (row.duplex, duplex[band]) == ("SDL", "FDD"), band


def test_earfcn_library_is_wrong_for_bands_6_22_23_64_and_72_and_right_elsewhere() -> None:
    from earfcn.convert import bands

    wrong = set()
    for row in bands:
        ours = LTE_BANDS.get(row["band"])
        if ours is None or (ours.dl_low_mhz, ours.dl_high_mhz, ours.dl_first) != (row["FDL_Low"], row["FDL_Hi"], row["NDL_Min"]):
            wrong.add(row["band"])
    assert wrong == {6, 22, 23, 64, 72}  # 22 at 3500 for 3510; 6 and 23 of no width; dummies "64" and "72" at 0 MHz


@pytest.mark.parametrize(
    ("earfcn", "band"),
    [
        (0, 1),
        (599, 1),
        (600, 2),
        (1575, 3),
        (3050, 7),
        (6300, 20),
        (9435, 28),
        (38950, 40),
        (40620, 41),
        (55990, 48),
        (66486, 66),
        (68661, 71),
        (70366, 85),
        (6600, 22),
        (54590, 47),
    ],  # TS 36.508: 5860 MHz
)
def test_lte_band_of_a_channel(earfcn: int, band: int) -> None:
    assert lte_band_of_earfcn(earfcn) == band  # TS 36.101 table 5.7.3-1


@pytest.mark.parametrize("earfcn", [-1, 4950, 5009, 5380, 5729, 7400, 7499, 10360, 17999, 18300, 27809, 35999, 60305, 60400, 65000, 65535, 262144])
def test_gaps_between_lte_bands_belong_to_none(earfcn: int) -> None:
    assert lte_band_of_earfcn(earfcn) is None  # TS 36.101 table 5.7.3-1; 18000..27809 are uplink numbers


def test_uplink_numbers_have_their_band_when_asked_for_as_such() -> None:
    assert lte_band_of_earfcn(18300, direction="up") == 1
    assert lte_band_of_earfcn(38950, direction="up") == 40
    assert lte_band_of_earfcn(9700, direction="up") is None  # band 29 has no uplink


@settings(deadline=None)
@given(st.integers(-5, 270_000))
def test_a_channel_has_at_most_one_lte_band(earfcn: int) -> None:
    holders = [row.band for row in LTE_BANDS.values() if row.dl_first <= earfcn <= row.dl_last]
    assert ([lte_band_of_earfcn(earfcn)] if holders else []) == holders


def test_nr_rows_equal_nrarfcn_except_n47_which_it_lacks() -> None:
    from nrarfcn.tables.rel19.applicable_nrarfcn_fr1 import table_applicable_nrarfcn_fr1
    from nrarfcn.tables.rel19.applicable_nrarfcn_fr2 import table_applicable_nrarfcn_fr2
    from nrarfcn.tables.rel19.bands_fr1 import table_bands_fr1
    from nrarfcn.tables.rel19.bands_fr2 import table_bands_fr2

    def number(x: object) -> float | None:
        return None if x == "N/A" else float(str(x))

    seen = set()
    for line in table_bands_fr1().data + table_bands_fr2().data:
        row = NR_BANDS[int(line[0][1:])]
        seen.add(row.band)
        assert (row.ul_low_mhz, row.ul_high_mhz, row.dl_low_mhz, row.dl_high_mhz, row.duplex) == (*map(number, line[1:5]), line[5]), line[0]
    assert set(NR_BANDS) - seen == {47}
    limits: dict[tuple[int, str], tuple[int, int]] = {}
    for line in table_applicable_nrarfcn_fr1().data:
        for direction, first, last in (("up", line[2], line[4]), ("down", line[5], line[7])):
            if first != "N/A" and last:
                key = int(line[0][1:]), direction
                was = limits.get(key, (first, last))
                limits[key] = min(was[0], first), max(was[1], last)
    assert len(limits) > 100
    for (band, direction), expected in limits.items():
        assert nr_range_of_arfcns(band, direction=direction) == expected, (band, direction)
    first_last = [x for x in table_applicable_nrarfcn_fr2().data if x[0] == "n258"]
    assert first_last
    assert nr_range_of_arfcns(258) == (2016667, 2070832)  # TS 38.101-2 table 5.4.2.3-1


@pytest.mark.parametrize(
    ("nr_arfcn", "bands"),
    [
        (0, ()),
        (428000, (1, 65, 66)),
        (499199, ()),
        (499200, (41, 90)),
        (537999, (7, 41, 90)),
        (538000, (7, 90)),
        (538001, ()),
        (599999, ()),
        (600000, ()),
        (620000, (77, 78)),
        (632628, (77, 78)),
        (636667, (48, 77, 78)),
        (653333, (77, 78)),
        (653334, (77,)),
        (693334, (79,)),
        (2016667, (258,)),
        (2079167, (257, 261)),
        (2229166, (260,)),
        (790334, (46, 47)),
    ],
)
def test_nr_bands_of_a_channel(nr_arfcn: int, bands: tuple[int, ...]) -> None:
    assert nr_bands_of_arfcn(nr_arfcn) == bands  # TS 38.104 table 5.4.2.3-1


def test_supplementary_uplink_bands_hold_uplink_numbers_only() -> None:
    assert 80 not in nr_bands_of_arfcn(350000)
    assert nr_bands_of_arfcn(350000, direction="up") == (3, 66, 80, 86)  # 1750 MHz; TS 38.101-1 table 5.2-1
    assert nr_range_of_arfcns(80) is None
    assert nr_range_of_arfcns(29, direction="up") is None


@pytest.mark.parametrize(
    ("band", "duplex"),
    [("B20", "FDD"), ("n78", "TDD"), ("B29", "SDL"), ("n75", "SDL"), ("n80", "SUL"), ("B42", "TDD"), ("n28", "FDD"), ("b3", "FDD"), ("N257", "TDD")],
)
def test_duplex_of_a_band(band: str, duplex: str) -> None:
    assert duplex_of(band) == duplex  # TS 36.101 table 5.5-1, TS 38.101-1 table 5.2-1


@pytest.mark.parametrize("text", ["", "78", "B15", "n999", "x20", "B", "n78a", "B16", "B0"])
def test_what_is_no_band_is_refused_with_what_would_be(text: str) -> None:
    assert not is_known_band(text)
    with pytest.raises(ChannelError) as caught:
        split_band(text)
    assert "n78" in str(caught.value)


def test_uplink_ranges() -> None:
    assert uplink_range_mhz("B20") == (832, 862)  # TS 36.101 table 5.5-1
    assert uplink_range_mhz("n77") == (3300, 4200)
    assert uplink_range_mhz("B32") is None


def test_lte_widths() -> None:
    # TS 36.521-1 table 5.4.2.1-1
    assert lte_bandwidths_mhz(8) == (1.4, 3, 5, 10)
    assert lte_bandwidths_mhz(20) == (5, 10, 15, 20)
    assert lte_bandwidths_mhz(28) == (3, 5, 10, 15, 20)
    assert lte_bandwidths_mhz(3) == (1.4, 3, 5, 10, 15, 20)
    assert lte_bandwidths_mhz(26) == (1.4, 3, 5, 10, 15)
    assert lte_bandwidths_mhz(31) == (1.4, 3, 5)
    with pytest.raises(ChannelError):
        lte_bandwidths_mhz(15)


def test_no_lte_width_is_wider_than_its_band() -> None:
    for row in LTE_BANDS.values():
        assert row.widths_mhz
        assert max(row.widths_mhz) <= row.dl_high_mhz - row.dl_low_mhz, row.band
        for width in row.widths_mhz:
            assert lte_resource_blocks(width) > 0


def test_nr_widths() -> None:
    # TS 38.101-1 table 5.3.5-1, Rel-19
    assert 70 not in nr_bandwidths_mhz(78, 15)
    assert 70 in nr_bandwidths_mhz(78, 30)
    assert 35 in nr_bandwidths_mhz(71, 15, direction="down", optional=False)
    assert 35 in nr_bandwidths_mhz(71, 15, direction="up")
    assert 35 not in nr_bandwidths_mhz(71, 15, direction="up", optional=False)
    assert 25 not in nr_bandwidths_mhz(20, 15)
    assert 45 in nr_bandwidths_mhz(41, 30)
    assert 50 in nr_bandwidths_mhz(80, 15, direction="up")
    assert nr_bandwidths_mhz(80, 15, direction="down") == ()
    assert nr_bandwidths_mhz(28, 15) == (3, 5, 10, 15, 20, 25, 30, 40)
    assert nr_bandwidths_mhz(28, 30) == (10, 15, 20, 25, 30, 40)
    assert nr_bandwidths_mhz(28, 60) == ()
    assert nr_bandwidths_mhz(5, 15, direction="up") == (3, 5, 7, 10, 15, 20)
    assert nr_bandwidths_mhz(5, 15, direction="down") == (3, 5, 7, 10, 15, 20, 25)
    assert nr_bandwidths_mhz(91, 15, direction="down") == (5,)
    assert nr_bandwidths_mhz(91, 15, direction="up") == (5, 10)
    assert nr_bandwidths_mhz(257, 60) == (50, 100, 200)  # TS 38.101-2 table 5.3.5-1
    assert nr_bandwidths_mhz(257, 120) == (50, 100, 200, 400)
    with pytest.raises(ChannelError):
        nr_bandwidths_mhz(4, 15)


def test_release_16_widths_were_narrower() -> None:
    # TS 38.101-1 table 5.3.5-1, Rel-16 edition: n3 40, n25 40, n8 20, n28 30
    assert max(nr_bandwidths_mhz(3, 15, release=16)) == 40
    assert max(nr_bandwidths_mhz(25, 15, release=16)) == 40
    assert max(nr_bandwidths_mhz(8, 15, release=16)) == 20
    assert max(nr_bandwidths_mhz(28, 15, release=16)) == 30
    assert 45 not in nr_bandwidths_mhz(1, 15, release=16)


def test_every_nr_width_has_resource_blocks_and_fits_its_band() -> None:
    checked = 0
    for row in NR_BANDS.values():
        low, high = (row.dl_low_mhz, row.dl_high_mhz) if row.dl_low_mhz is not None else (row.ul_low_mhz, row.ul_high_mhz)
        for scs in (15, 30, 60, 120, 480, 960):
            for width in nr_bandwidths_mhz(row.band, scs):
                assert nr_resource_blocks(width, scs, fr2=row.band >= 257) > 0
                assert width <= max(high - low, (row.ul_high_mhz or 0) - (row.ul_low_mhz or 0)), (row.band, width)
                checked += 1
    assert checked > 900


@pytest.mark.parametrize(("width", "blocks"), [(1.4, 6), (3, 15), (5, 25), (10, 50), (15, 75), (20, 100)])
def test_lte_resource_blocks(width: float, blocks: int) -> None:
    assert lte_resource_blocks(width) == blocks  # TS 36.101 table 5.6-1


@pytest.mark.parametrize("width", [0, 2, 4.99, 25])
def test_lte_widths_that_do_not_exist(width: float) -> None:
    with pytest.raises(ChannelError, match=r"1\.4, 3, 5"):
        lte_resource_blocks(width)


@pytest.mark.parametrize(
    ("width", "scs", "fr2", "blocks"),
    [
        (100, 30, False, 273),
        (20, 15, False, 106),
        (70, 30, False, 189),
        (45, 30, False, 119),
        (7, 15, False, 35),
        (60, 60, False, 79),
        (100, 60, True, 132),
        (400, 120, False, 264),
        (50, 120, True, 32),
    ],
)
def test_nr_resource_blocks(width: float, scs: int, fr2: bool, blocks: int) -> None:
    assert nr_resource_blocks(width, scs, fr2=fr2) == blocks  # TS 38.101-1 and -2 table 5.3.2-1


@pytest.mark.parametrize(("width", "scs"), [(70, 15), (3, 30), (5, 60), (55, 30), (12.5, 15), (20, 45)])
def test_nr_cells_that_the_table_leaves_empty(width: float, scs: int) -> None:
    with pytest.raises(ChannelError):
        nr_resource_blocks(width, scs)


@pytest.mark.parametrize(
    ("width", "scs", "khz"),
    [(100, 30, 845), (20, 15, 452.5), (40, 30, 905), (10, 15, 312.5), (5, 30, 505), (60, 60, 1530)],
)
def test_guard_bands(width: float, scs: int, khz: float) -> None:
    assert guard_band_khz(width, scs) == khz  # TS 38.101-1 table 5.3.3-1


def test_guards_are_wide_enough_everywhere() -> None:
    for scs in (15, 30, 60):
        for width in (5, 10, 15, 20, 25, 30, 35, 40, 45, 50, 60, 70, 80, 90, 100):
            try:
                guard = guard_band_khz(width, scs)
            except ChannelError:
                continue
            assert guard > 0


def test_usual_spacing() -> None:
    # common practice, no source
    assert (nr_default_scs_khz(78), nr_default_scs_khz(28), nr_default_scs_khz(257), nr_default_scs_khz(51)) == (30, 15, 120, 15)

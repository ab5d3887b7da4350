"""Rates expected from a reading: the formula against worked figures, the interval, what is left out, and the score."""

from __future__ import annotations

import math
from pathlib import Path

import pytest

from bandwright.predict.carriers import active_carriers
from bandwright.predict.forecast import (
    DOWN_RATIO,
    DOWN_SD_LN,
    UP_RATIO,
    UP_SD_LN,
    Device,
    RateSpread,
    downlink_formula_mbps,
    expected_rates,
    prior_scores,
    uplink_formula_mbps,
)
from bandwright.radio.tdd import TddShares
from bandwright.words.answers import Forecast
from bandwright.words.radio import Carrier, Field, Rat, Reading, Role
from bandwright.words.site import Hours, Need, Requirements


def carrier(rat: Rat, role: Role, **values: float | str) -> Carrier:
    return Carrier(rat=rat, role=role, fields=tuple(Field(name=n, value=v) for n, v in values.items()))


LTE = carrier(Rat.LTE, Role.PCELL, band="B3", dl_bandwidth=20.0, sinr=20.0, rsrp=-95.0)


@pytest.mark.parametrize(
    ("sinr_db", "layers", "blocks", "scs_khz", "share", "mbps"),
    [
        # Worked: 20 + 20 + 15 MHz at 20, 15, 18 dB, two layers: 110.27 + 79.15 + 73.26; NR 100 MHz TDD 20 dB: 741.3 on four layers, 447.3 on two.
        (20.0, 2, 100, 15, 1.0, 110.27),
        (15.0, 2, 100, 15, 1.0, 79.15),
        (18.0, 2, 75, 15, 1.0, 73.26),
        (20.0, 4, 273, 30, 0.7429, 741.3),
        (40.0, 1, 100, 15, 1.0, 4.4 * 18.0 * 0.9),  # capped: TR 36.942 Annex A, 4.4 bit/s/Hz
        (-10.1, 1, 100, 15, 1.0, 0.0),  # below its -10 dB
    ],
)
def test_downlink_formula(sinr_db: float, layers: int, blocks: int, scs_khz: int, share: float, mbps: float) -> None:
    got = downlink_formula_mbps(sinr_db=sinr_db, layers=layers, blocks=blocks, scs_khz=scs_khz, share=share)
    assert got == pytest.approx(mbps, rel=5e-4)


def test_one_layer_is_the_published_baseline() -> None:
    # TR 36.942 Annex A: 10 dB carries 2.0757 bit/s/Hz, 0 dB 0.6; 1000 blocks of 180 kHz are 180 MHz.
    assert downlink_formula_mbps(sinr_db=10.0, layers=1, blocks=1000, scs_khz=15) == pytest.approx(2.0757 * 180 * 0.9, rel=1e-4)
    assert downlink_formula_mbps(sinr_db=0.0, layers=1, blocks=1000, scs_khz=15) == pytest.approx(0.6 * 180 * 0.9, rel=1e-9)


@pytest.mark.parametrize(("rat", "rsrp_dbm", "median_mbps"), [
    (Rat.LTE, -107, 3), (Rat.LTE, -102, 4), (Rat.LTE, -97, 11), (Rat.LTE, -92, 19), (Rat.LTE, -87, 23), (Rat.LTE, -75, 39),
    (Rat.NR, -107, 12), (Rat.NR, -102, 22), (Rat.NR, -97, 29), (Rat.NR, -92, 35), (Rat.NR, -87, 53), (Rat.NR, -82, 87),
])  # fmt: skip
def test_uplink_formula_passes_the_published_medians(rat: Rat, rsrp_dbm: float, median_mbps: float) -> None:
    """Median upload by RSRP of a year-long published uplink study (IFIP Networking 2024); the factor is what the code claims."""
    blocks, scs, share = (100, 15, 1.0) if rat is Rat.LTE else (273, 30, 0.2286)
    got = uplink_formula_mbps(rsrp_dbm=rsrp_dbm, power_dbm=23.0, rat=rat, blocks=blocks, scs_khz=scs, share=share)
    assert abs(math.log(got / median_mbps)) < math.log(1.9)


def test_uplink_rises_with_power_only_until_its_cap() -> None:
    def at(power_dbm: float, rsrp_dbm: float) -> float:
        return uplink_formula_mbps(rsrp_dbm=rsrp_dbm, power_dbm=power_dbm, rat=Rat.LTE, blocks=100, scs_khz=15)

    assert at(26, -105) / at(23, -105) > 1.5
    assert at(26, -70) == at(23, -70) == pytest.approx(2.0 * 18.0 * 0.9)


def test_sum_and_carriers_with_what_was_left_out() -> None:
    second = carrier(Rat.LTE, Role.SCELL, band="B7", dl_bandwidth=20.0, sinr=15.0, rsrp=-104.0)
    blind = carrier(Rat.LTE, Role.SCELL, band="B20", sinr=9.0)
    neighbour = carrier(Rat.LTE, Role.NEIGHBOUR, band="B3", dl_bandwidth=20.0, sinr=30.0)
    rows = expected_rates(Reading(carriers=(LTE, second, blind, neighbour)))
    down = {r.of: r for r in rows if r.quantity == "goodput_down_mbps"}
    assert set(down) == {"", "LTE B3 1", "LTE B7 2"}
    assert down[""].median == pytest.approx(0.58 * (110.27 + 79.15), rel=1e-3)
    assert any("B20" in note and "width" in note for note in down[""].assumptions)
    up = [r for r in rows if r.quantity == "goodput_up_mbps"]
    assert {r.of for r in up} == {"", "LTE B3 1"}  # a secondary cell does not send


def test_a_carrier_whose_sinr_was_not_printed_counts_with_the_usual_one_and_widens_the_interval() -> None:
    narrow = carrier(Rat.NR, Role.PCELL, band="n28", dl_bandwidth=10.0, scs=15.0, sinr=12.0, rsrp=-95.0)
    printed = carrier(Rat.NR, Role.SCELL, band="n78", dl_bandwidth=100.0, scs=30.0, sinr=8.0, rsrp=-100.0)
    silent = carrier(Rat.NR, Role.SCELL, band="n78", dl_bandwidth=100.0, scs=30.0, rsrp=-100.0)
    (known, *_), (guessed, *_) = expected_rates(Reading(carriers=(narrow, printed))), expected_rates(Reading(carriers=(narrow, silent)))
    assert guessed.median == pytest.approx(known.median)  # 8 dB is the usual SINR at -100 dBm
    assert guessed.low < known.low
    assert any("SINR was not printed" in note for note in guessed.assumptions)
    assert not any("SINR was not printed" in note for note in known.assumptions)
    weak = expected_rates(Reading(carriers=(narrow, carrier(Rat.NR, Role.SCELL, band="n78", dl_bandwidth=100.0, scs=30.0, rsrp=-130.0))))[0]
    strong = expected_rates(Reading(carriers=(narrow, carrier(Rat.NR, Role.SCELL, band="n78", dl_bandwidth=100.0, scs=30.0, rsrp=-60.0))))[0]
    assert weak.median < guessed.median < strong.median


def test_interval_is_wider_for_one_reading_and_holds_its_level() -> None:
    (one, *_), (mean, *_) = expected_rates(Reading(carriers=(LTE,))), expected_rates(Reading(carriers=(LTE,)), averaged=True)
    assert one.low < mean.low < mean.median < mean.high < one.high
    # 80 % of ln-normal residuals of sd 0.55 lie within 1.2816 sd; the SINR scatter widens that a little.
    assert math.log(mean.high / mean.median) >= 1.2816 * 0.55
    assert math.log(mean.high / mean.median) < 1.2816 * 0.70
    assert mean.level == 0.80


def test_nothing_to_go_by_is_nothing() -> None:
    assert expected_rates(Reading()) == ()
    assert expected_rates(Reading(carriers=(carrier(Rat.LTE, Role.PCELL, band="B3", dl_bandwidth=20.0),))) == ()


def test_device_limits_count() -> None:
    second = carrier(Rat.LTE, Role.SCELL, band="B7", dl_bandwidth=20.0, sinr=15.0)
    four = carrier(Rat.LTE, Role.PCELL, band="B3", dl_bandwidth=20.0, sinr=20.0, rank=4.0)
    one_carrier = expected_rates(Reading(carriers=(second, LTE)), device=Device(max_dl_carriers=1))
    assert {r.of for r in one_carrier if r.quantity == "goodput_down_mbps"} == {"", "LTE B3 2"}
    all_four, only_two = (expected_rates(Reading(carriers=(four,)), device=Device(max_layers=n))[0].median for n in (4, 2))
    assert all_four / only_two == pytest.approx(11.281 / 6.807, rel=1e-3)  # 20 dB on 4 and on 2 layers


def test_tdd_divides_time_and_fdd_does_not() -> None:
    nr = carrier(Rat.NR, Role.PSCELL, band="n78", dl_bandwidth=100.0, scs=30.0, sinr=20.0, rsrp=-90.0)
    (state,) = active_carriers(Reading(carriers=(nr,)), tdd=TddShares(down=0.5, up=0.4, guard=0.1))
    assert (state.blocks, state.down_share, state.up_share, state.of) == (273, 0.5, 0.4, "NR n78 1")
    (lte,) = active_carriers(Reading(carriers=(LTE,)))
    assert (lte.blocks, lte.down_share) == (100, 1.0)


def test_what_a_carrier_is_read_from() -> None:
    """Band as a number or a name, frequency from the channel number or the middle of the band; what no table has is missing, not guessed."""
    (by_channel,) = active_carriers(Reading(carriers=(carrier(Rat.LTE, Role.PCELL, band=20.0, arfcn=6300.0, dl_bandwidth=10.0),)))
    assert (by_channel.band, by_channel.frequency_mhz, by_channel.blocks) == ("B20", 806.0, 50)  # TS 36.101 5.7.3
    (by_band,) = active_carriers(Reading(carriers=(carrier(Rat.NR, Role.PCELL, band="78", dl_bandwidth=33.0),)))
    assert (by_band.band, by_band.frequency_mhz, by_band.duplex, by_band.scs_khz) == ("n78", 3550.0, "TDD", 30)
    assert by_band.blocks is None
    assert set(by_band.missing) == {"width", "SINR"}
    (down_only,) = active_carriers(Reading(carriers=(carrier(Rat.LTE, Role.SERVING, band="B32", dl_bandwidth=20.0),)))
    assert not down_only.uplink
    (unknown,) = active_carriers(Reading(carriers=(carrier(Rat.LTE, Role.PCELL, band="B250"),)))
    assert unknown.band is None
    assert unknown.frequency_mhz is None


def test_ceiling_is_what_the_standard_allows() -> None:
    nr = carrier(Rat.NR, Role.PCELL, band="n78", dl_bandwidth=100.0, scs=30.0, sinr=20.0, rsrp=-90.0, rank=4.0)
    down = next(r for r in expected_rates(Reading(carriers=(nr,))) if r.quantity == "goodput_down_mbps" and not r.of)
    assert down.ceiling == pytest.approx(2337.0 * 0.742857, rel=1e-4)  # TS 38.306 4.1.2: 273 RB, 4 layers, 256QAM, times DDDSU's 0.7429
    assert down.median < down.high < down.ceiling
    near = carrier(Rat.LTE, Role.PCELL, band="B3", dl_bandwidth=20.0, sinr=25.0, rsrp=-70.0)
    up = next(r for r in expected_rates(Reading(carriers=(near,))) if r.quantity == "goodput_up_mbps" and not r.of)
    assert up.high == up.ceiling == pytest.approx(75.376)  # TS 36.213 8.6: 100 blocks, one layer, 64QAM


def need(*, weight: float = 1.0, **required: float) -> Need:
    return Need(key="n", kind="any", requirements=Requirements(**required), hours=Hours("", ()), weight=weight)


def sum_of(quantity: str, median: float, sd_ln: float = 0.5) -> Forecast:
    spread = RateSpread(median_mbps=median, sd_ln=sd_ln)
    return Forecast(quantity=quantity, median=median, low=spread.quantile_mbps(0.1), high=spread.quantile_mbps(0.9), level=0.8, unit="Mbit/s")


def test_score_is_the_expected_clipped_margin() -> None:
    # By symmetry, a median equal to what is required scores 0; far above scores 1, far below -1.
    for median, score in ((20.0, 0.0), (20_000.0, 1.0), (0.02, -1.0)):
        (got,) = prior_scores({"a": [sum_of("goodput_down_mbps", median)]}, [need(downlink_mbps=20.0)]).values()
        assert got == pytest.approx(score, abs=1e-6)
    # Narrow spread: the score is the margin itself, ln(1.5).
    (near,) = prior_scores({"a": [sum_of("goodput_down_mbps", 30.0, 0.01)]}, [need(downlink_mbps=20.0)]).values()
    assert near == pytest.approx(math.log(1.5), abs=5e-3)  # 400 steps over 2


def test_score_takes_the_worse_direction_and_weighs_needs() -> None:
    rows = [sum_of("goodput_down_mbps", 1e6), sum_of("goodput_up_mbps", 1e-6)]
    scores = prior_scores({"a": rows}, [need(downlink_mbps=20.0, uplink_mbps=5.0)])
    assert scores["a"] == pytest.approx(-1.0, abs=1e-6)
    mixed = prior_scores({"a": rows}, [need(downlink_mbps=20.0, weight=3.0), need(uplink_mbps=5.0, weight=1.0)])
    assert mixed["a"] == pytest.approx(0.5, abs=1e-6)
    assert prior_scores({"a": rows, "b": []}, [need(loaded_delay_ms=50.0)]) == {}


def test_rate_spread() -> None:
    spread = RateSpread(median_mbps=50.0, sd_ln=0.5)
    assert spread.chance_of(50.0) == pytest.approx(0.5)
    assert spread.chance_of(spread.quantile_mbps(0.1)) == pytest.approx(0.9)
    assert spread.chance_of(0.0) == 1.0
    assert RateSpread(median_mbps=0.0, sd_ln=0.5).chance_of(1.0) == 0.0


@pytest.mark.shared
def test_download_interval_on_measured_minutes(shared_data: Path) -> None:
    """615 one-minute downloads at fixed places, LTE with carrier aggregation (open traces, read in place): the 80 % interval holds 75 to 85 %.

    The primary cell's SINR stands for all carriers and the blocks are those of all of them, as the traces give them.
    """
    import polars as pl

    runs = (
        pl.read_parquet(shared_data / "traces" / "icell19_static.parquet")
        .group_by("trace")
        .agg(pl.col("dl_mbps").mean(), pl.col("sinr_db").mean(), pl.col("rb_max").mean())
        .drop_nulls()
        .filter((pl.col("rb_max") > 0) & (pl.col("dl_mbps") > 0))
    )
    held = 0
    for row in runs.iter_rows(named=True):
        alone = downlink_formula_mbps(sinr_db=row["sinr_db"], layers=2, blocks=1, scs_khz=15) * row["rb_max"]
        spread = RateSpread(median_mbps=DOWN_RATIO * alone, sd_ln=DOWN_SD_LN)
        held += spread.quantile_mbps(0.1) <= row["dl_mbps"] <= spread.quantile_mbps(0.9)
    assert len(runs) > 500
    assert 0.75 < held / len(runs) < 0.85


@pytest.mark.shared
@pytest.mark.parametrize(("rat", "column"), [(Rat.LTE, "rsrp_dbm"), (Rat.NR, "nr_rsrp_dbm")])
def test_upload_interval_on_measured_tests(shared_data: Path, rat: Rat, column: str) -> None:
    """Some 200 static uploads each of a year-long open study: the 80 % interval holds 72 to 88 % (two standard errors of 200 are 6 %)."""
    import polars as pl

    named = "LTE" if rat is Rat.LTE else "5G"
    tests = pl.read_parquet(shared_data / "traces" / "ifip24_ul_tests.parquet").filter(
        (pl.col("motion").cast(pl.Utf8) == "static") & (pl.col("ul_mbps") > 0) & pl.col(column).is_not_null() & pl.col("rat").cast(pl.Utf8).str.contains(named)
    )
    blocks, scs, share = (100, 15, 1.0) if rat is Rat.LTE else (273, 30, 0.2286)
    held = 0
    for rate, rsrp in zip(tests["ul_mbps"], tests[column], strict=True):
        formula = uplink_formula_mbps(rsrp_dbm=rsrp, power_dbm=23.0, rat=rat, blocks=blocks, scs_khz=scs, share=share)
        spread = RateSpread(median_mbps=UP_RATIO * formula, sd_ln=UP_SD_LN)
        held += spread.quantile_mbps(0.1) <= rate <= spread.quantile_mbps(0.9)
    assert len(tests) > 150
    assert 0.72 < held / len(tests) < 0.88

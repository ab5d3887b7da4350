"""Report codes as intervals, reports and thresholds kept apart."""

from __future__ import annotations

from collections.abc import Callable

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bandwright.errors import CodeError
from bandwright.radio import codes
from bandwright.units import Interval


@pytest.mark.parametrize(
    ("function", "code", "expected"),
    [
        # TS 27.007, 8.5
        (codes.csq_rssi_dbm, 0, Interval(None, -113)),
        (codes.csq_rssi_dbm, 1, Interval(-111, -109)),
        (codes.csq_rssi_dbm, 10, Interval(-93, -91)),
        (codes.csq_rssi_dbm, 20, Interval(-73, -71)),
        (codes.csq_rssi_dbm, 30, Interval(-53, -51)),
        (codes.csq_rssi_dbm, 31, Interval(-51, None)),
        (codes.csq_rssi_dbm, 99, None),
        # TS 45.008, 8.2.4
        (codes.rxqual_percent, 0, Interval(None, 0.2)),
        (codes.rxqual_percent, 7, Interval(12.8, None)),
        (codes.rxqual_percent, 99, None),
        # TS 27.007, 8.69: `99,99,255,255,20,80` and `99,99,255,255,255,255,70,60,90`
        (codes.cesq_rsrq_db, 20, Interval(-10.0, -9.5)),
        (codes.cesq_rsrp_dbm, 80, Interval(-61, -60)),
        (codes.cesq_ss_rsrq_db, 70, Interval(-8.5, -8.0)),
        (codes.cesq_ss_rsrp_dbm, 60, Interval(-97, -96)),
        (codes.cesq_ss_sinr_db, 90, Interval(21.5, 22.0)),
        (codes.cesq_rsrp_dbm, 50, Interval(-91, -90)),
        (codes.cesq_rsrp_dbm, 0, Interval(None, -140)),
        (codes.cesq_rsrp_dbm, 97, Interval(-44, None)),
        (codes.cesq_rsrq_db, 0, Interval(None, -19.5)),
        (codes.cesq_rsrq_db, 34, Interval(-3, None)),
        (codes.cesq_rxlev_dbm, 0, Interval(None, -110)),
        (codes.cesq_rxlev_dbm, 63, Interval(-48, None)),
        (codes.cesq_rscp_dbm, 0, Interval(None, -120)),
        (codes.cesq_rscp_dbm, 96, Interval(-25, None)),
        (codes.cesq_ecno_db, 0, Interval(None, -24)),
        (codes.cesq_ecno_db, 49, Interval(0, None)),
        (codes.cesq_ss_rsrp_dbm, 0, Interval(None, -156)),
        (codes.cesq_ss_rsrp_dbm, 126, Interval(-31, None)),
        (codes.cesq_ss_rsrq_db, 0, Interval(None, -43)),
        (codes.cesq_ss_rsrq_db, 126, Interval(19.5, 20)),
        (codes.cesq_ss_sinr_db, 0, Interval(None, -23)),
        (codes.cesq_ss_sinr_db, 127, Interval(40, None)),
        # TS 38.133, 10.1.6, 10.1.11, 10.1.16
        (codes.report_ss_rsrp_dbm, 60, Interval(-97, -96)),
        (codes.report_ss_sinr_db, 66, Interval(9.5, 10.0)),
        (codes.report_ss_rsrq_db, 65, Interval(-11.0, -10.5)),
        (codes.report_ss_rsrq_db, 127, Interval(20, None)),
        (codes.report_l1_ss_rsrp_dbm, 113, Interval(-44, None)),
        (codes.report_l1_ss_rsrp_dbm, 16, Interval(None, -140)),
        (codes.report_differential_rsrp_db, 0, Interval(-2, 0)),
        (codes.report_differential_rsrp_db, 15, Interval(None, -30)),
        # TS 36.133, 9.1.4, 9.1.7, 9.1.17; the extended edges from memory
        (codes.report_rsrp_dbm, 97, Interval(-44, None)),
        (codes.report_rsrp_dbm, 1, Interval(-140, -139)),
        (codes.report_rsrp_dbm, 0, Interval(None, -140)),
        (codes.report_rsrp_dbm, -1, Interval(-141, -140)),
        (codes.report_rsrp_dbm, -16, Interval(-156, -155)),
        (codes.report_rsrp_dbm, -17, Interval(None, -156)),
        (codes.report_rsrq_db, 34, Interval(-3, None)),
        (codes.report_rsrq_db, 35, Interval(-3, -2.5)),
        (codes.report_rsrq_db, 46, Interval(2.5, None)),
        (codes.report_rsrq_db, 0, Interval(None, -19.5)),
        (codes.report_rsrq_db, -1, Interval(-20, -19.5)),
        (codes.report_rsrq_db, -30, Interval(None, -34)),
        (codes.report_rs_sinr_db, 0, Interval(None, -23)),
        (codes.report_rs_sinr_db, 127, Interval(40, None)),
    ],
)
def test_code_to_interval(function: Callable[[int], Interval | None], code: int, expected: Interval | None) -> None:
    assert function(code) == expected


def test_a_threshold_is_not_a_report() -> None:
    # TS 38.331 RSRP-Range, RSRQ-Range, SINR-Range: upper edge of the bin for RSRP and SINR, lower edge for RSRQ
    assert codes.threshold_ss_rsrp_dbm(60) == -96 == getattr(codes.report_ss_rsrp_dbm(60), "high", None)
    assert codes.threshold_ss_sinr_db(66) == 10.0 == getattr(codes.report_ss_sinr_db(66), "high", None)
    assert codes.threshold_ss_rsrq_db(65) == -11.0 == getattr(codes.report_ss_rsrq_db(65), "low", None)
    assert codes.threshold_ss_rsrp_dbm(127) is None
    assert codes.threshold_rsrp_dbm(40) == -100  # TS 36.331, from memory
    assert codes.threshold_rsrq_db(20) == -10


@pytest.mark.parametrize(
    ("function", "code"),
    [
        (codes.csq_rssi_dbm, 32),
        (codes.csq_rssi_dbm, -1),
        (codes.rxqual_percent, 8),
        (codes.cesq_rxlev_dbm, 64),
        (codes.cesq_rxlev_dbm, 255),
        (codes.cesq_rscp_dbm, 97),
        (codes.cesq_ecno_db, 50),
        (codes.cesq_rsrq_db, 35),
        (codes.cesq_rsrp_dbm, 98),
        (codes.cesq_rsrp_dbm, -1),
        (codes.cesq_rsrp_dbm, 99),
        (codes.cesq_ss_rsrq_db, 128),
        (codes.cesq_ss_rsrp_dbm, 127),
        (codes.cesq_ss_sinr_db, 128),
        (codes.report_rsrp_dbm, 98),
        (codes.report_rsrp_dbm, -18),
        (codes.report_rsrq_db, 47),
        (codes.report_rsrq_db, -31),
        (codes.report_rs_sinr_db, 128),
        (codes.report_ss_rsrp_dbm, 127),
        (codes.report_ss_rsrq_db, -1),
        (codes.report_ss_sinr_db, 128),
        (codes.report_l1_ss_rsrp_dbm, 15),
        (codes.report_differential_rsrp_db, 16),
        (codes.threshold_ss_rsrp_dbm, 128),
        (codes.threshold_ss_rsrq_db, -1),
        (codes.threshold_ss_sinr_db, 128),
        (codes.threshold_rsrp_dbm, 98),
        (codes.threshold_rsrq_db, 35),
    ],
)
def test_codes_outside_their_table_are_refused_and_say_what_is_allowed(function: Callable[[int], object], code: int) -> None:
    with pytest.raises(CodeError) as caught:
        function(code)
    assert str(code) in str(caught.value)
    assert ".." in str(caught.value)


@settings(deadline=None)
@given(st.integers(1, 96))
def test_bins_touch_and_rise(code: int) -> None:
    here, above = codes.cesq_rsrp_dbm(code), codes.cesq_rsrp_dbm(code + 1)
    assert here is not None
    assert above is not None
    assert here.high == above.low
    assert here.middle == code - 140.5

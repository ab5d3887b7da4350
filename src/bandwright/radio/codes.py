"""Report codes as intervals: what a modem's or a network's integer says of a level.

Three families that are easily mixed up, and are kept apart here. `cesq_*` and `csq_*` are the answers to AT commands (TS 27.007).
`report_*` are measurement reports as trace tools print them (TS 36.133, TS 38.133). `threshold_*` are the same ranges used as
thresholds in configuration (TS 36.331, TS 38.331): a threshold is a point, and for RSRP and SINR it is the upper edge of the
report's bin with the same index, for RSRQ the lower one. All levels are low <= x < high; a floor or ceiling code has an open end.
"""

from __future__ import annotations

from dataclasses import dataclass

from bandwright.errors import CodeError
from bandwright.units import Interval

__all__ = [
    "RXQUAL_PERCENT",
    "cesq_ecno_db",
    "cesq_rscp_dbm",
    "cesq_rsrp_dbm",
    "cesq_rsrq_db",
    "cesq_rxlev_dbm",
    "cesq_ss_rsrp_dbm",
    "cesq_ss_rsrq_db",
    "cesq_ss_sinr_db",
    "csq_rssi_dbm",
    "report_differential_rsrp_db",
    "report_l1_ss_rsrp_dbm",
    "report_rs_sinr_db",
    "report_rsrp_dbm",
    "report_rsrq_db",
    "report_ss_rsrp_dbm",
    "report_ss_rsrq_db",
    "report_ss_sinr_db",
    "rxqual_percent",
    "threshold_rsrp_dbm",
    "threshold_rsrq_db",
    "threshold_ss_rsrp_dbm",
    "threshold_ss_rsrq_db",
    "threshold_ss_sinr_db",
]


@dataclass(frozen=True, slots=True)
class _Code:
    """One row: code n stands for origin + step * n <= x < one step more; first and last are open-ended unless said otherwise."""

    what: str
    origin: float
    step: float
    first: int
    last: int
    unknown: int | None
    source: str
    open_last: bool = True
    open_first: bool = True

    def interval(self, code: int) -> Interval | None:
        if self.unknown is not None and code == self.unknown:
            return None
        if not self.first <= code <= self.last:
            allowed = f"{self.first}..{self.last}" + ("" if self.unknown is None else f", {self.unknown}")
            raise CodeError(self.what, given=code, allowed=allowed, source=self.source)
        low = self.origin + self.step * code
        return Interval(
            low=None if self.open_first and code == self.first else low,
            high=None if self.open_last and code == self.last else low + self.step,
        )


_AT = "TS 27.007, 8.69"
_CESQ_RXLEV = _Code("CESQ rxlev", -111, 1, 0, 63, 99, _AT)
_CESQ_RSCP = _Code("CESQ rscp", -121, 1, 0, 96, 255, _AT)
_CESQ_ECNO = _Code("CESQ ecno", -24.5, 0.5, 0, 49, 255, _AT)
_CESQ_RSRQ = _Code("CESQ rsrq", -20, 0.5, 0, 34, 255, _AT)
_CESQ_RSRP = _Code("CESQ rsrp", -141, 1, 0, 97, 255, _AT)
_CESQ_SS_RSRQ = _Code("CESQ ss_rsrq", -43.5, 0.5, 0, 127, 255, _AT)
_CESQ_SS_RSRP = _Code("CESQ ss_rsrp", -157, 1, 0, 126, 255, _AT)
_CESQ_SS_SINR = _Code("CESQ ss_sinr", -23.5, 0.5, 0, 127, 255, _AT)
# The LTE reports grew at both ends later, and the new indices do not continue the old line: -1 is what lies just below the edge of 0.
_REPORT_RSRP = _Code("RSRP report", -141, 1, 0, 97, None, "TS 36.133, 9.1.4")
_REPORT_RSRP_BELOW = _Code("RSRP report", -140, 1, -17, -1, None, "TS 36.133, 9.1.4", open_last=False)
_REPORT_RSRQ = _Code("RSRQ report", -20, 0.5, 0, 34, None, "TS 36.133, 9.1.7")
_REPORT_RSRQ_BELOW = _Code("RSRQ report", -19.5, 0.5, -30, -1, None, "TS 36.133, 9.1.7", open_last=False)
_REPORT_RSRQ_ABOVE = _Code("RSRQ report", -20.5, 0.5, 35, 46, None, "TS 36.133, 9.1.7", open_first=False)
_REPORT_RS_SINR = _Code("RS-SINR report", -23.5, 0.5, 0, 127, None, "TS 36.133, 9.1.17")
_REPORT_SS_RSRP = _Code("SS-RSRP report", -157, 1, 0, 126, None, "TS 38.133, 10.1.6")
_REPORT_SS_RSRQ = _Code("SS-RSRQ report", -43.5, 0.5, 0, 127, None, "TS 38.133, 10.1.11")
_REPORT_SS_SINR = _Code("SS-SINR report", -23.5, 0.5, 0, 127, None, "TS 38.133, 10.1.16")
# The L1 report uses the same index as the L3 one over a shorter range: 16 is below -140 dBm, 113 is -44 dBm or more.
_REPORT_L1 = _Code("L1 SS-RSRP report", -157, 1, 16, 113, None, "TS 38.133, 10.1.6")

# TS 45.008, 8.2.4: bit error ratio in per cent, low <= x < high.
RXQUAL_PERCENT = (
    Interval(None, 0.2),
    Interval(0.2, 0.4),
    Interval(0.4, 0.8),
    Interval(0.8, 1.6),
    Interval(1.6, 3.2),
    Interval(3.2, 6.4),
    Interval(6.4, 12.8),
    Interval(12.8, None),
)


def csq_rssi_dbm(code: int) -> Interval | None:
    """Return the wideband RSSI of a +CSQ code in dBm (it is not RSRP), or None for 99, "unknown".

    code: 0 is -113 or less, 1..30 steps of 2 dB from -111 to -53, 31 is -51 or more. The table prints points; a step is taken to
    reach from its point to the next, as the last one does. Raises CodeError outside 0..31 and 99.
    Source: TS 27.007, 8.5.
    """
    if code == 99:
        return None
    if not 0 <= code <= 31:
        raise CodeError("CSQ rssi", given=code, allowed="0..31, 99", source="TS 27.007, 8.5")
    if code == 0:
        return Interval(None, -113.0)
    low = -113.0 + 2 * code
    return Interval(low, None if code == 31 else low + 2)


def rxqual_percent(code: int) -> Interval | None:
    """Return the bit error ratio of a ber code in per cent, or None for 99. Raises CodeError outside 0..7 and 99.

    Source: TS 27.007, 8.5; TS 45.008, 8.2.4.
    """
    if code == 99:
        return None
    if not 0 <= code <= 7:
        raise CodeError("ber", given=code, allowed="0..7, 99", source="TS 45.008, 8.2.4")
    return RXQUAL_PERCENT[code]


def cesq_rxlev_dbm(code: int) -> Interval | None:
    """Return the GSM level of a CESQ code in dBm, or None for 99. Raises CodeError outside 0..63 and 99. Source: TS 27.007, 8.69."""
    return _CESQ_RXLEV.interval(code)


def cesq_rscp_dbm(code: int) -> Interval | None:
    """Return the UTRA RSCP of a CESQ code in dBm, or None for 255. Raises CodeError outside 0..96 and 255. Source: TS 27.007, 8.69."""
    return _CESQ_RSCP.interval(code)


def cesq_ecno_db(code: int) -> Interval | None:
    """Return the UTRA Ec/No of a CESQ code in dB, or None for 255. Raises CodeError outside 0..49 and 255. Source: TS 27.007, 8.69."""
    return _CESQ_ECNO.interval(code)


def cesq_rsrq_db(code: int) -> Interval | None:
    """Return the LTE RSRQ of a CESQ code in dB, or None for 255. Raises CodeError outside 0..34 and 255. Source: TS 27.007, 8.69."""
    return _CESQ_RSRQ.interval(code)


def cesq_rsrp_dbm(code: int) -> Interval | None:
    """Return the LTE RSRP of a CESQ code in dBm, or None for 255, "unknown".

    code: 50 is [-91, -90), 0 is below -140, 97 is -44 or more. Raises CodeError outside 0..97 and 255.
    Source: TS 27.007, 8.69.
    """
    return _CESQ_RSRP.interval(code)


def cesq_ss_rsrq_db(code: int) -> Interval | None:
    """Return the NR SS-RSRQ of a CESQ code in dB, or None for 255. 127 is accepted: 20 dB or more.

    Raises CodeError outside 0..127 and 255. Source: TS 27.007, 8.69.
    """
    return _CESQ_SS_RSRQ.interval(code)


def cesq_ss_rsrp_dbm(code: int) -> Interval | None:
    """Return the NR SS-RSRP of a CESQ code in dBm, or None for 255. Raises CodeError outside 0..126 and 255. Source: TS 27.007, 8.69."""
    return _CESQ_SS_RSRP.interval(code)


def cesq_ss_sinr_db(code: int) -> Interval | None:
    """Return the NR SS-SINR of a CESQ code in dB, or None for 255. Raises CodeError outside 0..127 and 255. Source: TS 27.007, 8.69."""
    return _CESQ_SS_SINR.interval(code)


def report_rsrp_dbm(code: int) -> Interval | None:
    """Return the LTE RSRP of a report in dBm. Raises CodeError outside -17..97.

    0 is below -140, 97 is -44 or more. The extended values -17..-1 part what 0 lumps together: -1 is [-141, -140), -17 is below
    -156 (their edges from memory). Source: TS 36.133, 9.1.4.
    """
    return (_REPORT_RSRP_BELOW if -17 <= code < 0 else _REPORT_RSRP).interval(code)


def report_rsrq_db(code: int) -> Interval | None:
    """Return the LTE RSRQ of a report in dB. Raises CodeError outside -30..46.

    0 is below -19.5, 34 is -3 or more. The extended values -30..-1 and 35..46 part what 0 and 34 lump together: -1 is [-20, -19.5),
    35 is [-3, -2.5), 46 is 2.5 or more (their edges from memory). Source: TS 36.133, 9.1.7.
    """
    if -30 <= code < 0:
        return _REPORT_RSRQ_BELOW.interval(code)
    return (_REPORT_RSRQ_ABOVE if 34 < code <= 46 else _REPORT_RSRQ).interval(code)


def report_rs_sinr_db(code: int) -> Interval | None:
    """Return the LTE RS-SINR of a report in dB. Raises CodeError outside 0..127. Source: TS 36.133, 9.1.17."""
    return _REPORT_RS_SINR.interval(code)


def report_ss_rsrp_dbm(code: int) -> Interval | None:
    """Return the NR SS-RSRP (L3) of a report in dBm. Raises CodeError outside 0..126. Source: TS 38.133, 10.1.6."""
    return _REPORT_SS_RSRP.interval(code)


def report_ss_rsrq_db(code: int) -> Interval | None:
    """Return the NR SS-RSRQ of a report in dB. Raises CodeError outside 0..127. Source: TS 38.133, 10.1.11."""
    return _REPORT_SS_RSRQ.interval(code)


def report_ss_sinr_db(code: int) -> Interval | None:
    """Return the NR SS-SINR of a report in dB. Raises CodeError outside 0..127. Source: TS 38.133, 10.1.16."""
    return _REPORT_SS_SINR.interval(code)


def report_l1_ss_rsrp_dbm(code: int) -> Interval | None:
    """Return the NR L1-RSRP of a beam report in dBm, -140..-44. Raises CodeError outside 16..113 (the index range is from memory).

    Source: TS 38.133, 10.1.6.
    """
    return _REPORT_L1.interval(code)


def report_differential_rsrp_db(code: int) -> Interval:
    """Return how far a beam lies below the strongest one, in dB (negative), in steps of 2 dB. Raises CodeError outside 0..15.

    Code n is [-2 (n + 1), -2 n) with the strongest at 0; 15 is below -30. Source: TS 38.133, 10.1.6 (edges from memory).
    """
    if not 0 <= code <= 15:
        raise CodeError("differential RSRP report", given=code, allowed="0..15", source="TS 38.133, 10.1.6")
    return Interval(None if code == 15 else -2.0 * (code + 1), -2.0 * code)


def threshold_rsrp_dbm(value: int) -> float:
    """Return an LTE RSRP threshold in dBm: value - 140. Raises CodeError outside 0..97. Source: TS 36.331, RSRP-Range (from memory)."""
    return _threshold("RSRP-Range", value, last=97, source="TS 36.331, 6.3.5") - 140.0


def threshold_rsrq_db(value: int) -> float:
    """Return an LTE RSRQ threshold in dB: (value - 40)/2. Raises CodeError outside 0..34. Source: TS 36.331, RSRQ-Range (from memory)."""
    return (_threshold("RSRQ-Range", value, last=34, source="TS 36.331, 6.3.5") - 40) / 2


def threshold_ss_rsrp_dbm(value: int) -> float | None:
    """Return an NR RSRP threshold in dBm: value - 156; None for 127, "infinity". Raises CodeError outside 0..127.

    Source: TS 38.331, RSRP-Range.
    """
    _threshold("RSRP-Range", value, last=127, source="TS 38.331, RSRP-Range")
    return None if value == 127 else value - 156.0


def threshold_ss_rsrq_db(value: int) -> float:
    """Return an NR RSRQ threshold in dB: (value - 87)/2. Raises CodeError outside 0..127. Source: TS 38.331, RSRQ-Range."""
    return (_threshold("RSRQ-Range", value, last=127, source="TS 38.331, RSRQ-Range") - 87) / 2


def threshold_ss_sinr_db(value: int) -> float:
    """Return an NR SINR threshold in dB: (value - 46)/2. Raises CodeError outside 0..127. Source: TS 38.331, SINR-Range."""
    return (_threshold("SINR-Range", value, last=127, source="TS 38.331, SINR-Range") - 46) / 2


def _threshold(what: str, value: int, *, last: int, source: str) -> int:
    if not 0 <= value <= last:
        raise CodeError(what, given=value, allowed=f"0..{last}", source=source)
    return value

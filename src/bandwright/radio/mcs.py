"""Modulation and coding: MCS and CQI tables of NR and LTE, as rows of (bits per symbol, code rate x 1024).

Reserved rows, which only repeat an earlier transport block, are not in the tables: asking for one raises CodeError.
"""

from __future__ import annotations

from dataclasses import dataclass

from bandwright.errors import CodeError

__all__ = [
    "CQI_TABLES",
    "LTE_DL_MCS_TO_TBS",
    "LTE_DL_MCS_TO_TBS_256QAM",
    "LTE_UL_MCS_TO_TBS",
    "MCS_TABLES",
    "Scheme",
    "cqi_scheme",
    "lte_tbs_index",
    "modulation_name",
    "nr_mcs_scheme",
]


@dataclass(frozen=True, slots=True)
class Scheme:
    """A modulation order (bits per symbol) and a code rate times 1024."""

    bits: int
    rate_1024: float

    @property
    def efficiency(self) -> float:
        """Bits per resource element."""
        return self.bits * self.rate_1024 / 1024


def _rows(*groups: tuple[int, str]) -> tuple[Scheme, ...]:
    return tuple(Scheme(bits, float(rate)) for bits, rates in groups for rate in rates.split())


# TS 38.214, 5.1.3.1: "1" is 64QAM, "2" 256QAM, "3" low spectral efficiency, "4" 1024QAM. "tp1", "tp2": uplink with transform
# precoding, 6.1.4.1, with QPSK (q = 2) in the rows where pi/2-BPSK may be configured.
MCS_TABLES: dict[str, tuple[Scheme, ...]] = {
    "1": _rows(
        (2, "120 157 193 251 308 379 449 526 602 679"),
        (4, "340 378 434 490 553 616 658"),
        (6, "438 466 517 567 616 666 719 772 822 873 910 948"),
    ),
    "2": _rows(
        (2, "120 193 308 449 602"),
        (4, "378 434 490 553 616 658"),
        (6, "466 517 567 616 666 719 772 822 873"),
        (8, "682.5 711 754 797 841 885 916.5 948"),
    ),
    "3": _rows(
        (2, "30 40 50 64 78 99 120 157 193 251 308 379 449 526 602"),
        (4, "340 378 434 490 553 616"),
        (6, "438 466 517 567 616 666 719 772"),
    ),
    "4": _rows(
        (2, "120 193 449"),
        (4, "378 490 616"),
        (6, "466 517 567 616 666 719 772 822 873"),
        (8, "682.5 711 754 797 841 885 916.5 948"),
        (10, "805.5 853 900.5 948"),
    ),
    "tp1": _rows(
        (2, "120 157 193 251 308 379 449 526 602 679"),
        (4, "340 378 434 490 553 616 658"),
        (6, "466 517 567 616 666 719 772 822 873 910 948"),
    ),
    "tp2": _rows(
        (2, "30 40 50 64 78 99 120 157 193 251 308 379 449 526 602 679"),
        (4, "378 434 490 553 616 658 699 772"),
        (6, "567 616 666 772"),
    ),
}

# TS 38.214, 5.2.2.1 (table 1 and 2 equal TS 36.213 tables 7.2.3-1 and 7.2.3-2): CQI 1..15; 0 is "out of range".
CQI_TABLES: dict[str, tuple[Scheme, ...]] = {
    "1": _rows((2, "78 120 193 308 449 602"), (4, "378 490 616"), (6, "466 567 666 772 873 948")),
    "2": _rows((2, "78 193 449"), (4, "378 490 616"), (6, "466 567 666 772 873"), (8, "711 797 885 948")),
    "4": _rows((2, "78 193 449"), (4, "378 616"), (6, "567 666 772 873"), (8, "711 797 885 948"), (10, "853 948")),
}

# TS 36.213: tables 7.1.7.1-1, 7.1.7.1-1A and 8.6.1-1. Position is the MCS, the number is I_TBS.
LTE_DL_MCS_TO_TBS: tuple[int, ...] = (*range(10), *range(9, 16), *range(15, 27))
LTE_DL_MCS_TO_TBS_256QAM: tuple[int, ...] = (0, 2, 4, 6, 8, 10, 11, 12, 13, 14, 15, *range(16, 25), 25, 27, 28, 29, 30, 31, 32, 33)
LTE_UL_MCS_TO_TBS: tuple[int, ...] = (*range(11), *range(10, 20), *range(19, 27))

_LTE_TABLES: dict[str, tuple[int, ...]] = {"down": LTE_DL_MCS_TO_TBS, "down-256qam": LTE_DL_MCS_TO_TBS_256QAM, "up": LTE_UL_MCS_TO_TBS}
_NAMES = {1: "pi/2-BPSK", 2: "QPSK", 4: "16QAM", 6: "64QAM", 8: "256QAM", 10: "1024QAM"}


def nr_mcs_scheme(index: int, table: str = "1") -> Scheme:
    """Return an NR MCS's modulation and rate. table: "1".."4", "tp1", "tp2". Raises CodeError for reserved and unknown rows.

    Source: TS 38.214, 5.1.3.1 and 6.1.4.1.
    """
    rows = MCS_TABLES.get(table)
    if rows is None:
        raise CodeError("MCS table", given=table, allowed=", ".join(MCS_TABLES), source="TS 38.214, 5.1.3.1")
    if not 0 <= index < len(rows):
        raise CodeError(f"MCS of table {table}", given=index, allowed=f"0..{len(rows) - 1} (higher ones are reserved)", source="TS 38.214, 5.1.3.1")
    return rows[index]


def cqi_scheme(cqi: int, table: str = "1") -> Scheme | None:
    """Return a CQI's modulation and rate, None for 0 ("out of range"). Raises CodeError outside 0..15.

    A CQI says what would pass with at most 10 % first errors; which SINR that takes is not standardised.
    Source: TS 38.214, 5.2.2.1; TS 36.213, 7.2.3.
    """
    rows = CQI_TABLES.get(table)
    if rows is None:
        raise CodeError("CQI table", given=table, allowed=", ".join(CQI_TABLES), source="TS 38.214, 5.2.2.1")
    if not 0 <= cqi <= 15:
        raise CodeError("CQI", given=cqi, allowed="0..15", source="TS 38.214, 5.2.2.1")
    return None if cqi == 0 else rows[cqi - 1]


def lte_tbs_index(mcs: int, table: str = "down") -> int:
    """Return I_TBS of an LTE MCS. table: "down", "down-256qam", "up". Raises CodeError for reserved and unknown rows.

    Source: TS 36.213, tables 7.1.7.1-1, 7.1.7.1-1A, 8.6.1-1.
    """
    rows = _LTE_TABLES.get(table)
    if rows is None:
        raise CodeError("LTE MCS table", given=table, allowed=", ".join(_LTE_TABLES), source="TS 36.213, 7.1.7")
    if not 0 <= mcs < len(rows):
        raise CodeError("LTE MCS", given=mcs, allowed=f"0..{len(rows) - 1} (higher ones are reserved)", source="TS 36.213, 7.1.7")
    return rows[mcs]


def modulation_name(bits: int) -> str:
    """Return "256QAM" for 8 bits per symbol. Raises CodeError for a number of bits no modulation has."""
    if bits not in _NAMES:
        raise CodeError("bits per symbol", given=bits, allowed="1, 2, 4, 6, 8, 10", source="TS 38.211, 5.1")
    return _NAMES[bits]

"""LTE device categories: the most bits per millisecond that a device of a category takes or sends.

Bits per transmission time interval of 1 ms, so the same figure in kbit/s. Several widths of one category are a range.
"""

from __future__ import annotations

from bandwright.errors import CodeError

__all__ = ["LTE_DL_CATEGORY_BITS", "LTE_UL_CATEGORY_BITS", "lte_category_down_mbps", "lte_category_up_mbps"]

# TS 36.306 tables 4.1-1 and, from 13 on (ue-CategoryDL), 4.1A-1. From memory: 15, 16, 19, 20.
LTE_DL_CATEGORY_BITS: dict[int, tuple[int, int]] = {
    1: (10296, 10296),
    2: (51024, 51024),
    3: (102048, 102048),
    4: (150752, 150752),
    5: (299552, 299552),
    6: (301504, 301504),
    7: (301504, 301504),
    8: (2998560, 2998560),
    9: (452256, 452256),
    10: (452256, 452256),
    11: (603008, 603008),
    12: (603008, 603008),
    13: (391632, 391632),
    15: (749856, 807744),
    16: (978960, 1051360),
    18: (1174752, 1206016),
    19: (1566336, 1658272),
    20: (1948064, 2019360),
}

# TS 36.306 tables 4.1-2 and, from 13 on (ue-CategoryUL), 4.1A-2. From memory: 13, 15, 16, 20, 21.
LTE_UL_CATEGORY_BITS: dict[int, int] = {
    1: 5160,
    2: 25456,
    3: 51024,
    4: 51024,
    5: 75376,
    6: 51024,
    7: 102048,
    8: 1497760,
    9: 51024,
    10: 102048,
    11: 51024,
    12: 102048,
    13: 150752,
    15: 226128,
    16: 105528,
    18: 211056,
    20: 316584,
    21: 301504,
}


def lte_category_down_mbps(category: int) -> tuple[float, float]:
    """Return the least and most downlink rate of a category in Mbit/s. Raises CodeError for one the table lacks.

    Source: TS 36.306 4.1.
    """
    if category not in LTE_DL_CATEGORY_BITS:
        raise CodeError("LTE downlink category", given=category, allowed=", ".join(map(str, LTE_DL_CATEGORY_BITS)), source="TS 36.306 4.1")
    low, high = LTE_DL_CATEGORY_BITS[category]
    return low / 1000, high / 1000


def lte_category_up_mbps(category: int) -> float:
    """Return the uplink rate of a category in Mbit/s. Raises CodeError for one the table lacks. Source: TS 36.306 4.1."""
    if category not in LTE_UL_CATEGORY_BITS:
        raise CodeError("LTE uplink category", given=category, allowed=", ".join(map(str, LTE_UL_CATEGORY_BITS)), source="TS 36.306 4.1")
    return LTE_UL_CATEGORY_BITS[category] / 1000

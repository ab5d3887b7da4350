"""Harmonics of uplinks, and LTE categories."""

from __future__ import annotations

import pytest

from bandwright.errors import ChannelError, CodeError
from bandwright.radio.categories import LTE_DL_CATEGORY_BITS, lte_category_down_mbps, lte_category_up_mbps
from bandwright.radio.mixing import difference_mhz, downlink_range_mhz, harmonic_mhz, overlaps


@pytest.mark.parametrize(
    ("band", "order", "edges", "hit", "missed"),
    [
        # band edges of TS 36.101 table 5.5-1 and TS 38.101-1 table 5.2-1; our algebra
        ("B3", 2, (3420, 3570), ("n77", "n78"), ()),
        ("B2", 2, (3700, 3820), ("n77", "n78"), ()),
        ("B20", 4, (3328, 3448), ("n78",), ()),
        ("B8", 4, (3520, 3660), ("n78",), ()),
        ("B28", 5, (3515, 3740), ("n78",), ()),
        ("B28", 3, (2109, 2244), ("B1",), ()),
        ("B7", 2, (5000, 5140), (), ("n77", "n78", "n79")),
    ],
)
def test_harmonics(band: str, order: int, edges: tuple[float, float], hit: tuple[str, ...], missed: tuple[str, ...]) -> None:
    assert harmonic_mhz(band, order) == edges
    assert all(overlaps(edges, b) for b in hit)
    assert not any(overlaps(edges, b) for b in missed)


def test_difference_of_two_uplinks_falls_on_the_anchor() -> None:
    # n78 at 3515 to 3665 MHz minus the uplink of B3 falls on the downlink of B3
    found = difference_mhz((3515, 3665), (1710, 1785))
    assert found == (1730, 1955)
    assert overlaps(found, "B3")


def test_bands_that_go_one_way() -> None:
    assert downlink_range_mhz("n80") is None
    assert not overlaps((1710, 1785), "n80")
    for band, order in (("B32", 2), ("B3", 1)):
        with pytest.raises(ChannelError):
            harmonic_mhz(band, order)


@pytest.mark.parametrize(("category", "mbps"), [(3, 102.048), (4, 150.752), (5, 299.552), (6, 301.504), (9, 452.256), (12, 603.008), (13, 391.632)])
def test_downlink_categories(category: int, mbps: float) -> None:
    assert lte_category_down_mbps(category) == (mbps, mbps)  # TS 36.306 table 4.1-1


def test_uplink_categories() -> None:
    assert [lte_category_up_mbps(c) for c in (1, 2, 4, 5, 7, 18)] == [5.160, 25.456, 51.024, 75.376, 102.048, 211.056]  # TS 36.306 table 4.1-2
    assert lte_category_down_mbps(18) == (1174.752, 1206.016)
    assert all(low <= high for low, high in LTE_DL_CATEGORY_BITS.values())
    for function in (lte_category_down_mbps, lte_category_up_mbps):
        with pytest.raises(CodeError):
            function(14)

"""Which pairs of bands disturb themselves: harmonics of one uplink, and the difference of two, that fall on a downlink.

Why some pairs take turns instead of sending at once. Our algebra on the edges of bands: an overlap says it can happen, not that it
does at the channels in use.
"""

from __future__ import annotations

from bandwright.errors import ChannelError
from bandwright.radio.bands import LTE_BANDS, NR_BANDS, split_band, uplink_range_mhz

__all__ = ["difference_mhz", "downlink_range_mhz", "harmonic_mhz", "overlaps"]


def downlink_range_mhz(band: str) -> tuple[float, float] | None:
    """Return the downlink's lowest and highest frequency in MHz, or None where the band has none. Raises ChannelError."""
    rat, number = split_band(band)
    low, high = (LTE_BANDS[number].dl_low_mhz, LTE_BANDS[number].dl_high_mhz) if rat == "lte" else (NR_BANDS[number].dl_low_mhz, NR_BANDS[number].dl_high_mhz)
    return None if low is None or high is None else (low, high)


def harmonic_mhz(band: str, order: int) -> tuple[float, float]:
    """Return where the order-th harmonic of a band's uplink lies, in MHz. Raises ChannelError for a band without an uplink, or order < 2."""
    edges = uplink_range_mhz(band)
    if edges is None or order < 2:
        raise ChannelError("harmonic of an uplink", given=f"{order} x {band}", allowed="an order of 2 or more of a band that has an uplink")
    return order * edges[0], order * edges[1]


def difference_mhz(upper: tuple[float, float], lower: tuple[float, float]) -> tuple[float, float]:
    """Return where the difference of two uplinks lies: lowest upper minus highest lower, to highest minus lowest, in MHz."""
    return upper[0] - lower[1], upper[1] - lower[0]


def overlaps(range_mhz: tuple[float, float], band: str) -> bool:
    """Whether a range touches a band's downlink by more than an edge. Raises ChannelError for an unknown band."""
    downlink = downlink_range_mhz(band)
    return downlink is not None and range_mhz[0] < downlink[1] and downlink[0] < range_mhz[1]

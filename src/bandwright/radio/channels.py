"""Channel numbers to frequencies and back, and from a downlink channel to its uplink.

An NR channel number may name a carrier's middle, its point A or its synchronisation block: three different numbers. The arithmetic
is one; which of them a number is must come with it. One frequency may have several EARFCN (overlapping bands), one EARFCN has one
band; one NR-ARFCN has one frequency and perhaps several bands.
"""

from __future__ import annotations

from dataclasses import dataclass

from bandwright.errors import ChannelError
from bandwright.radio.bands import LTE_BANDS, NR_BANDS, Direction, lte_band_of_earfcn, lte_resource_blocks, nr_range_of_arfcns
from bandwright.radio.lte_table import LTE_ROWS

__all__ = [
    "MAX_EARFCN",
    "MAX_NR_ARFCN",
    "earfcn_to_mhz",
    "mhz_to_earfcns",
    "mhz_to_nr_arfcn",
    "nb_iot_offset_mhz",
    "nr_arfcn_to_mhz",
    "nr_carrier_centre_mhz",
    "uplink_earfcn",
    "uplink_nr_arfcn",
    "usable_earfcns",
]

MAX_EARFCN = 262_143
MAX_NR_ARFCN = 3_279_165
_LTE_SOURCE = "TS 36.101 table 5.7.3-1"
_NR_SOURCE = "TS 38.104 table 5.4.2.1-1"


@dataclass(frozen=True, slots=True)
class _RasterRow:
    """One row of the global frequency raster."""

    first: int
    last: int
    offset_khz: int
    step_khz: int


# TS 38.104 table 5.4.2.1-1
_RASTER = (
    _RasterRow(0, 599_999, 0, 5),
    _RasterRow(600_000, 2_016_666, 3_000_000, 15),
    _RasterRow(2_016_667, MAX_NR_ARFCN, 24_250_080, 60),
)

# Bands whose devices need not keep a fixed distance between downlink and uplink. TS 38.101-1, table 5.4.4-1.
_VARIABLE_DUPLEX = frozenset({70, 91, 92, 93, 94, 109, 110})


def earfcn_to_mhz(earfcn: int) -> float:
    """Return the carrier frequency of an EARFCN in MHz. Downlink and uplink numbers do not overlap, so either may be given.

    earfcn: 0..262143. Raises ChannelError outside that range, and where no band has the number.
    Source: TS 36.101 5.7.3.
    """
    down = lte_band_of_earfcn(earfcn) if 0 <= earfcn <= MAX_EARFCN else None
    if down is not None:
        row = LTE_BANDS[down]
        return _tenths(row.dl_low_mhz, earfcn - row.dl_first)
    up = lte_band_of_earfcn(earfcn, direction="up") if 0 <= earfcn <= MAX_EARFCN else None
    if up is not None:
        row = LTE_BANDS[up]
        if row.ul_low_mhz is not None and row.ul_first is not None:
            return _tenths(row.ul_low_mhz, earfcn - row.ul_first)
    raise ChannelError("earfcn", given=earfcn, allowed="the numbers of any band", source=_LTE_SOURCE)


def mhz_to_earfcns(frequency_mhz: float, *, direction: Direction = "down") -> dict[int, int]:
    """Return the EARFCN of a frequency by band: {1: 300, 4: 2250, ...}; empty where no band has it.

    The raster is 100 kHz; a frequency more than 1 kHz off it has none. Source: TS 36.101 5.7.3.
    """
    found: dict[int, int] = {}
    for row in LTE_ROWS:
        if direction == "down":
            low, first, last = row.dl_low_mhz, row.dl_first, row.dl_last
        elif row.ul_low_mhz is not None and row.ul_first is not None and row.ul_last is not None:
            low, first, last = row.ul_low_mhz, row.ul_first, row.ul_last
        else:
            continue
        steps = (frequency_mhz - low) * 10
        number = first + round(steps)
        if abs(steps - round(steps)) <= 0.01 and first <= number <= last:
            found[row.band] = number
    return found


def nr_arfcn_to_mhz(nr_arfcn: int) -> float:
    """Return the RF reference frequency of an NR-ARFCN, in MHz.

    nr_arfcn: 0..3279165. Raises ChannelError outside that range. Source: TS 38.104 table 5.4.2.1-1.
    """
    for row in _RASTER:
        if row.first <= nr_arfcn <= row.last:
            return (row.offset_khz + row.step_khz * (nr_arfcn - row.first)) / 1000
    raise ChannelError("nr_arfcn", given=nr_arfcn, allowed=f"0..{MAX_NR_ARFCN}", source=_NR_SOURCE)


def mhz_to_nr_arfcn(frequency_mhz: float) -> int:
    """Return the NR-ARFCN nearest to a frequency in MHz. 3000 MHz belongs to the second row.

    Raises ChannelError where the nearest is off by more than half a step, or outside 0..100 GHz.
    Source: TS 38.104 table 5.4.2.1-1.
    """
    khz = frequency_mhz * 1000
    best: tuple[float, int] | None = None
    for row in _RASTER:
        steps = round((khz - row.offset_khz) / row.step_khz)
        number = min(max(row.first + steps, row.first), row.last)
        off = abs(row.offset_khz + row.step_khz * (number - row.first) - khz)
        if off <= row.step_khz / 2 + 1e-6 and (best is None or off < best[0]):
            best = off, number
    if best is None:
        raise ChannelError("frequency in MHz", given=frequency_mhz, allowed="0..100000, within half a step of the raster", source=_NR_SOURCE)
    return best[1]


def uplink_earfcn(earfcn: int) -> int | None:
    """Return the uplink EARFCN that belongs to a downlink one; the same for TDD; None where the band has no such uplink.

    B66 and B70 have more downlink than uplink: the numbers beyond have none. Raises ChannelError where no band has the number.
    Source: TS 36.101 table 5.7.3-1, table 5.7.4-1 (default distance).
    """
    band = lte_band_of_earfcn(earfcn)
    if band is None:
        raise ChannelError("downlink earfcn", given=earfcn, allowed="the downlink numbers of any band", source=_LTE_SOURCE)
    row = LTE_BANDS[band]
    if row.ul_first is None or row.ul_last is None:
        return None
    number = row.ul_first + earfcn - row.dl_first
    return number if number <= row.ul_last else None


def uplink_nr_arfcn(nr_arfcn: int, band: int) -> int | None:
    """Return the uplink NR-ARFCN at the default distance from a downlink one; the same for TDD.

    None where the band has no uplink, has no fixed distance, or the uplink would fall outside it.
    Raises ChannelError where the band does not hold the number. Source: TS 38.101-1 table 5.4.4-1.
    """
    down = nr_range_of_arfcns(band)
    if down is None or not down[0] <= nr_arfcn <= down[1]:
        raise ChannelError(f"nr_arfcn of n{band}", given=nr_arfcn, allowed="its downlink range", source=_NR_SOURCE)
    row, up = NR_BANDS[band], nr_range_of_arfcns(band, direction="up")
    if row.duplex == "TDD":
        return nr_arfcn
    if up is None or band in _VARIABLE_DUPLEX:
        return None
    number = up[0] + nr_arfcn - down[0]
    return number if number <= up[1] else None


def usable_earfcns(band: int, bandwidth_mhz: float) -> tuple[int, int]:
    """Return the first and last downlink EARFCN that a carrier of that width may have as its centre.

    The first 7, 15, 25, 50, 75, 100 and the last 6, 14, 24, 49, 74, 99 numbers are not used (1.4 to 20 MHz).
    Raises ChannelError for an unknown band or width. Source: TS 36.101 table 5.7.3-1, note 1.
    """
    if band not in LTE_BANDS:
        raise ChannelError("E-UTRA band", given=band, allowed="1..111 as in the table", source=_LTE_SOURCE)
    blocks = lte_resource_blocks(bandwidth_mhz)
    edge = 7 if blocks == 6 else blocks
    row = LTE_BANDS[band]
    return row.dl_first + edge, row.dl_last - (edge - 1)


def nb_iot_offset_mhz(m: int, *, direction: Direction) -> float:
    """Return the fine offset of an NB-IoT carrier: 0.0025 (2 M_DL + 1) down, 0.0025 (2 M_UL) up. Source: TS 36.104 5.7.3."""
    return 0.0025 * (2 * m + 1) if direction == "down" else 0.0025 * 2 * m


def nr_carrier_centre_mhz(*, point_a_mhz: float, resource_blocks: int, scs_khz: int, offset_blocks: int = 0) -> float:
    """Return the channel raster's frequency (its resource element) of a carrier that starts offset_blocks above point A.

    N_RB even: k = 0 of block N_RB/2; odd: k = 6 of block floor(N_RB/2). Source: TS 38.104 table 5.4.2.2-1, TS 38.211 4.4.4.2.
    """
    element = 12 * (offset_blocks + resource_blocks // 2) + (6 if resource_blocks % 2 else 0)
    return point_a_mhz + element * scs_khz / 1000


def _tenths(low_mhz: float, steps: int) -> float:
    """Return low + steps/10 without the noise of binary fractions."""
    return (round(low_mhz * 10) + steps) / 10

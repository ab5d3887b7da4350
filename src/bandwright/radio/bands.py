"""Operating bands: which band a channel number belongs to, which widths it allows, how many resource blocks and how wide a guard.

The tables stand in `lte_table` and `nr_table`; here are the questions one asks of them. Bands are numbers (3, 78) where the
technology is clear from the function's name, and "B3" or "n78" where it is not.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from functools import cache
from types import MappingProxyType
from typing import Literal

from bandwright.errors import ChannelError
from bandwright.radio.lte_table import LTE_ROWS, LteBand
from bandwright.radio.nr_table import NR_ROWS, NrBand

__all__ = [
    "LTE_BANDS",
    "NR_BANDS",
    "Direction",
    "band_label",
    "duplex_of",
    "guard_band_khz",
    "is_fr2",
    "is_known_band",
    "lte_band_of_earfcn",
    "lte_bandwidths_mhz",
    "lte_resource_blocks",
    "nr_bands_of_arfcn",
    "nr_bandwidths_mhz",
    "nr_default_scs_khz",
    "nr_range_of_arfcns",
    "nr_resource_blocks",
    "split_band",
    "uplink_range_mhz",
]

Direction = Literal["down", "up"]

LTE_BANDS: Mapping[int, LteBand] = MappingProxyType({row.band: row for row in LTE_ROWS})
NR_BANDS: Mapping[int, NrBand] = MappingProxyType({row.band: row for row in NR_ROWS})

# TS 36.101 table 5.6-1. 0.2 MHz is NB-IoT, one block.
_LTE_BLOCKS = {0.2: 1, 1.4: 6, 3.0: 15, 5.0: 25, 10.0: 50, 15.0: 75, 20.0: 100}

# TS 38.101-1 table 5.3.2-1 (FR1, Rel-19): spacing in kHz, then MHz to blocks.
_NR_FR1_BLOCKS: dict[int, dict[int, int]] = {
    15: {3: 15, 5: 25, 7: 35, 10: 52, 15: 79, 20: 106, 25: 133, 30: 160, 35: 188, 40: 216, 45: 242, 50: 270},
    30: {5: 11, 10: 24, 15: 38, 20: 51, 25: 65, 30: 78, 35: 92, 40: 106, 45: 119, 50: 133, 60: 162, 70: 189, 80: 217, 90: 245, 100: 273},
    60: {10: 11, 15: 18, 20: 24, 25: 31, 30: 38, 35: 44, 40: 51, 45: 58, 50: 65, 60: 79, 70: 93, 80: 107, 90: 121, 100: 135},
}
# TS 38.101-2 table 5.3.2-1 (FR2-1); FR2-2 from memory.
_NR_FR2_BLOCKS: dict[int, dict[int, int]] = {
    60: {50: 66, 100: 132, 200: 264},
    120: {50: 32, 100: 66, 200: 132, 400: 264},
    480: {400: 66, 800: 124, 1600: 248},
    960: {400: 33, 800: 62, 1600: 124, 2000: 148},
}

# Rel-16 had narrower maxima in these bands, and had not yet some widths. TS 38.101-1, table 5.3.5-1.
_REL16_MAX_MHZ = {2: 20, 3: 40, 5: 20, 8: 20, 20: 20, 25: 40, 28: 30, 71: 20}
_WIDTH_SINCE_RELEASE = {3: 18, 7: 19, 35: 17, 45: 17}

_BAND = re.compile(r"^([Bb]|[Nn])(\d{1,3})$")


def split_band(band: str) -> tuple[str, int]:
    """Return ("lte", 20) for "B20" and ("nr", 78) for "n78".

    Raises ChannelError where the text is no band name or no table has the band.
    """
    match = _BAND.match(band.strip())
    if match:
        number = int(match.group(2))
        if match.group(1) in "Bb" and number in LTE_BANDS:
            return "lte", number
        if match.group(1) in "Nn" and number in NR_BANDS:
            return "nr", number
    raise ChannelError("band", given=band, allowed='an E-UTRA band such as "B20" or an NR band such as "n78"', source="TS 36.101 5.5, TS 38.101-1 5.2")


def is_known_band(band: str) -> bool:
    """Whether the text names a band of the tables."""
    try:
        split_band(band)
    except ChannelError:
        return False
    return True


def band_label(rat: str, band: int) -> str:
    """Return "B20" for an LTE band and "n78" for an NR one. rat: "lte" or "nr"."""
    return f"n{band}" if rat == "nr" else f"B{band}"


def duplex_of(band: str) -> str:
    """Return "FDD", "TDD", "SDL" (downlink only) or "SUL" (uplink only) of "B20" or "n78".

    Raises ChannelError where no table has the band. Source: TS 36.101 table 5.5-1, TS 38.101-1 and -2 table 5.2-1.
    """
    rat, number = split_band(band)
    return LTE_BANDS[number].duplex if rat == "lte" else NR_BANDS[number].duplex


def uplink_range_mhz(band: str) -> tuple[float, float] | None:
    """Return the uplink's lowest and highest frequency in MHz, or None where the band has no uplink. Raises ChannelError."""
    rat, number = split_band(band)
    row = LTE_BANDS[number] if rat == "lte" else NR_BANDS[number]
    return None if row.ul_low_mhz is None or row.ul_high_mhz is None else (row.ul_low_mhz, row.ul_high_mhz)


def is_fr2(nr_band: int) -> bool:
    """Whether an NR band lies above 24.25 GHz. Source: TS 38.101-2, 5.1."""
    return nr_band >= 257


def lte_band_of_earfcn(earfcn: int, *, direction: Direction = "down") -> int | None:
    """Return the one E-UTRA band that a channel number belongs to, or None where no band has it.

    direction: which of the two number ranges of an FDD band is meant. TDD bands have one for both.
    Source: TS 36.101 table 5.7.3-1.
    """
    for row in LTE_ROWS:
        if direction == "down":
            first, last = row.dl_first, row.dl_last
        elif row.ul_first is not None and row.ul_last is not None:
            first, last = row.ul_first, row.ul_last
        else:
            continue
        if first <= earfcn <= last:
            return row.band
    return None


def nr_range_of_arfcns(nr_band: int, *, direction: Direction = "down") -> tuple[int, int] | None:
    """Return the first and last N_REF of a band, or None where the band does not go that way.

    The downlink's range is the table's; the uplink's of a paired band is computed from its edges in MHz.
    Raises ChannelError for an unknown band. Source: TS 38.101-1 table 5.4.2.3-1.
    """
    row = _nr_row(nr_band)
    if direction == "down":
        return None if row.duplex == "SUL" else (row.first, row.last)
    if row.duplex in {"TDD", "SUL"}:
        return row.first, row.last
    if row.ul_low_mhz is None or row.ul_high_mhz is None:
        return None
    return round(row.ul_low_mhz * 200), round(row.ul_high_mhz * 200)  # all paired bands lie below 3 GHz: 5 kHz steps


def nr_bands_of_arfcn(nr_arfcn: int, *, direction: Direction = "down") -> tuple[int, ...]:
    """Return the NR bands whose range holds a channel number, ascending; () where none has it. Several bands may share a number.

    Source: TS 38.101-1 table 5.4.2.3-1, TS 38.101-2 table 5.4.2.3-1.
    """
    found = []
    for row in NR_ROWS:
        limits = nr_range_of_arfcns(row.band, direction=direction)
        if limits is not None and limits[0] <= nr_arfcn <= limits[1]:
            found.append(row.band)
    return tuple(found)


def lte_bandwidths_mhz(band: int) -> tuple[float, ...]:
    """Return the channel widths an E-UTRA band allows, ascending. Raises ChannelError for an unknown band.

    Source: TS 36.101 table 5.6.1-1; see `lte_table` for which rows were read and which are from memory.
    """
    if band not in LTE_BANDS:
        raise ChannelError("E-UTRA band", given=band, allowed="1..111 as in the table", source="TS 36.101 table 5.5-1")
    return tuple(float(width) for width in LTE_BANDS[band].widths_mhz)


def nr_bandwidths_mhz(
    band: int,
    scs_khz: int,
    *,
    direction: Direction | None = None,
    optional: bool = True,
    release: int = 19,
) -> tuple[float, ...]:
    """Return the channel widths an NR band allows at a subcarrier spacing, ascending; () where it has none at that spacing.

    direction: None is either. optional: include widths a device need not support. release: 15 and 16 are one table, with
    narrower maxima. Raises ChannelError for an unknown band.
    Source: TS 38.101-1 table 5.3.5-1 (Rel-19) and its Rel-16 edition; TS 38.101-2 table 5.3.5-1.
    """
    row = _nr_row(band)
    if scs_khz not in {int(khz) for khz in row.spacings.split()}:
        return ()
    if is_fr2(band):
        return tuple(float(w) for w in map(int, row.widths.split()) if w in _NR_FR2_BLOCKS.get(scs_khz, {}))
    below_bar, _, beyond_bar = row.widths.partition("|")
    listed = [(text, True) for text in below_bar.split()] + [(text, False) for text in beyond_bar.split()]
    found = []
    for text, at_15_khz in listed:
        width, mark = int(text.rstrip("oudp")), text.lstrip("0123456789")
        if (scs_khz == 15 and not at_15_khz) or (scs_khz > 15 and width < 10):
            continue
        if (direction == "up" and (mark == "d" or row.duplex == "SDL")) or (direction == "down" and (mark == "p" or row.duplex == "SUL")):
            continue
        if not optional and (mark == "o" or (mark == "u" and direction != "down")):
            continue
        if (release < 17 and width > _REL16_MAX_MHZ.get(band, 100)) or release < _WIDTH_SINCE_RELEASE.get(width, 15):
            continue
        found.append(float(width))
    return tuple(found)


def lte_resource_blocks(bandwidth_mhz: float) -> int:
    """Return N_RB of an E-UTRA channel width: 6, 15, 25, 50, 75 or 100. Raises ChannelError for any other width.

    Source: TS 36.101 table 5.6-1.
    """
    blocks = _LTE_BLOCKS.get(float(bandwidth_mhz))
    if blocks is None:
        raise ChannelError("E-UTRA width in MHz", given=bandwidth_mhz, allowed="1.4, 3, 5, 10, 15, 20", source="TS 36.101 table 5.6-1")
    return blocks


def nr_resource_blocks(bandwidth_mhz: float, scs_khz: int, *, fr2: bool = False) -> int:
    """Return N_RB of an NR channel width at a subcarrier spacing. Raises ChannelError where the table has no such cell.

    fr2: 60 kHz exists in both ranges, with different numbers.
    Source: TS 38.101-1 table 5.3.2-1, TS 38.101-2 table 5.3.2-1 (FR2-2: from memory).
    """
    table = _NR_FR2_BLOCKS if fr2 or scs_khz > 60 else _NR_FR1_BLOCKS
    blocks = table.get(scs_khz, {}).get(int(bandwidth_mhz)) if float(bandwidth_mhz).is_integer() else None
    if blocks is None:
        allowed = ", ".join(map(str, table.get(scs_khz, {}))) or "a spacing of 15, 30 or 60 kHz (FR1), 60, 120, 480 or 960 kHz (FR2)"
        raise ChannelError(f"NR width at {scs_khz} kHz in MHz", given=bandwidth_mhz, allowed=allowed, source="TS 38.101-1 table 5.3.2-1")
    return blocks


def guard_band_khz(bandwidth_mhz: float, scs_khz: int, *, fr2: bool = False) -> float:
    """Return the least guard band on each side of an NR carrier, in kHz. Source: TS 38.101-1, 5.3.3."""
    blocks = nr_resource_blocks(bandwidth_mhz, scs_khz, fr2=fr2)
    return (bandwidth_mhz * 1000 - blocks * scs_khz * 12) / 2 - scs_khz / 2


def nr_default_scs_khz(nr_band: int) -> int:
    """Return the subcarrier spacing that networks use in a band by common practice (no source): 15 paired, 30 unpaired, 120 FR2."""
    if is_fr2(nr_band):
        return 120
    return 30 if _nr_row(nr_band).duplex == "TDD" and "30" in _nr_row(nr_band).spacings.split() else 15


@cache
def _nr_row(band: int) -> NrBand:
    if band not in NR_BANDS:
        raise ChannelError("NR band", given=band, allowed="1..263 as in the table", source="TS 38.101-1 table 5.2-1")
    return NR_BANDS[band]

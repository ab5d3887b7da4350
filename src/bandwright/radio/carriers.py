"""Carrier aggregation: class letters, the notation of combinations, and what carriers add up to in each direction.

The downlink combination and its permitted uplinks are separate lists: "B3 with n78 down" says nothing about which of them may send.
A combination's own limits (layers, widths, modulation per carrier) are in the device's capability, not in its name.
"""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from dataclasses import dataclass

from bandwright.errors import ChannelError
from bandwright.radio.bands import Direction, band_label, duplex_of, is_fr2, split_band

__all__ = [
    "LTE_CLASSES",
    "NR_FR1_CLASSES",
    "NR_FR2_CLASSES",
    "AggregationClass",
    "BandBlock",
    "Combination",
    "WidthSum",
    "aggregated_width",
    "nr_class_of_widths",
    "parse_combination",
]


@dataclass(frozen=True, slots=True)
class AggregationClass:
    """One class: how many contiguous carriers, and their aggregated width: above low, up to high (None: the band's maximum).

    Widths in MHz for NR; in resource blocks for LTE. low_included: the lower end belongs to the class.
    groups: fallback groups, NR only.
    """

    letter: str
    carriers: int
    low: float
    high: float | None
    groups: str = ""
    low_included: bool = False


# TS 38.101-1 table 5.3A.5-1 (Rel-19), MHz.
NR_FR1_CLASSES = (
    AggregationClass("A", 1, 0, None, "1 2 3"),
    AggregationClass("B", 2, 20, 100, "2", low_included=True),
    AggregationClass("C", 2, 100, 200, "1"),
    AggregationClass("D", 3, 200, 300, "1"),
    AggregationClass("E", 4, 300, 400, "1"),
    AggregationClass("G", 3, 100, 150, "2"),
    AggregationClass("H", 4, 150, 200, "2"),
    AggregationClass("I", 5, 200, 250, "2"),
    AggregationClass("J", 6, 250, 300, "2"),
    AggregationClass("K", 7, 300, 350, "2"),
    AggregationClass("L", 8, 350, 400, "2"),
    AggregationClass("M", 3, 50, 200, "3", low_included=True),
    AggregationClass("N", 4, 80, 300, "3", low_included=True),
    AggregationClass("O", 5, 100, 400, "3", low_included=True),
)

# TS 38.101-2 table 5.3A.4-1, from memory, MHz.
NR_FR2_CLASSES = (
    AggregationClass("A", 1, 0, 400, "1 2 3 4"),
    AggregationClass("B", 2, 400, 800, "1"),
    AggregationClass("C", 3, 800, 1200, "1"),
    AggregationClass("D", 2, 200, 400, "2"),
    AggregationClass("E", 3, 400, 600, "2"),
    AggregationClass("F", 4, 600, 800, "2"),
    AggregationClass("G", 2, 100, 200, "3"),
    AggregationClass("H", 3, 200, 300, "3"),
    AggregationClass("I", 4, 300, 400, "3"),
    AggregationClass("J", 5, 400, 500, "3"),
    AggregationClass("K", 6, 500, 600, "3"),
    AggregationClass("L", 7, 600, 700, "3"),
    AggregationClass("M", 8, 700, 800, "3"),
    AggregationClass("O", 2, 100, 200, "4", low_included=True),
    AggregationClass("P", 3, 150, 300, "4", low_included=True),
    AggregationClass("Q", 4, 200, 400, "4", low_included=True),
)

# TS 36.101 table 5.6A-1, from memory, resource blocks.
LTE_CLASSES = (
    AggregationClass("A", 1, 0, 100),
    AggregationClass("B", 2, 25, 100),
    AggregationClass("C", 2, 100, 200),
    AggregationClass("D", 3, 200, 300),
    AggregationClass("E", 4, 300, 400),
    AggregationClass("F", 5, 400, 500),
    AggregationClass("I", 8, 700, 800),
)


@dataclass(frozen=True, slots=True)
class BandBlock:
    """A stretch of contiguous carriers in one band. band: "B3" or "n78"."""

    band: str
    letter: str
    carriers: int


@dataclass(frozen=True, slots=True)
class Combination:
    """A parsed combination. kind: "CA" or "DC". contiguous: the two legs of a DC in one band touch ("(n)").

    supplementary: bands that only carry a supplementary uplink (SUL); they are in `blocks` too.
    """

    text: str
    kind: str
    blocks: tuple[BandBlock, ...]
    contiguous: bool = False
    supplementary: tuple[str, ...] = ()

    @property
    def lte(self) -> tuple[BandBlock, ...]:
        """The E-UTRA blocks."""
        return tuple(b for b in self.blocks if b.band.startswith("B"))

    @property
    def nr(self) -> tuple[BandBlock, ...]:
        """The NR blocks."""
        return tuple(b for b in self.blocks if b.band.startswith("n"))

    @property
    def downlink_carriers(self) -> int:
        """How many carriers bring data down."""
        return sum(b.carriers for b in self.blocks if b.band not in self.supplementary)


@dataclass(frozen=True, slots=True)
class WidthSum:
    """Widths added up by technology in MHz; unknown counts the carriers whose width was not read."""

    lte_mhz: float
    nr_mhz: float
    unknown: int

    @property
    def total_mhz(self) -> float:
        """All that is known, added up."""
        return self.lte_mhz + self.nr_mhz


def parse_combination(text: str) -> Combination:
    """Return the parts of "CA_n78C", "CA_n78(2A)", "CA_n1A-n28A-n78A", "CA_1A-3C", "DC_3C-7A_n78A", "DC_(n)41AA", "DC_8_n80_ULSUP-TDM_n78A".

    In DC the E-UTRA bands stand first, NR after the second underscore. Raises ChannelError for text that is no combination, a
    class letter no table has, or an unknown band.
    Source: TS 38.101-1 5.2A and table 5.3A.5-1, TS 38.101-3 5.2B and 6.2B.1, TS 36.101 5.5A.
    """
    wrong = ChannelError("combination", given=text, allowed='such as "CA_n1A-n78A" or "DC_3A-7A_n78A"', source="TS 38.101-1 5.2A, TS 38.101-3 5.2B")
    kind, _, rest = text.strip().partition("_")
    if kind not in {"CA", "DC"} or not rest:
        raise wrong
    if kind == "CA":
        groups = [_block(part, nr_ok=True) for part in _parts(rest)]
        if not groups or any(g is None for g in groups):
            raise wrong
        return Combination(text.strip(), kind, tuple(b for g in groups if g for b in g))
    touching = re.fullmatch(r"\(n\)(\d+)([A-Z])([A-Z])", rest)
    if touching:
        number, lte_letter, nr_letter = touching.groups()
        blocks = (*_known_block(f"B{number}", lte_letter), *_known_block(f"n{number}", nr_letter))
        return Combination(text.strip(), kind, blocks, contiguous=True)
    return _dual(text.strip(), rest, wrong)


def nr_class_of_widths(widths_mhz: Sequence[float], *, fr2: bool = False) -> tuple[str, ...]:
    """Return the letters of the classes that contiguous NR carriers of these widths fall into: 60 + 60 is C, 40 + 40 is B.

    Several fallback groups may each have one. () where no class fits. Source: TS 38.101-1 table 5.3A.5-1.
    """
    total = math.fsum(widths_mhz)
    found = []
    for row in NR_FR2_CLASSES if fr2 else NR_FR1_CLASSES:
        above = total >= row.low if row.low_included else total > row.low
        if row.carriers == len(widths_mhz) and above and (row.high is None or total <= row.high):
            found.append(row.letter)
    return tuple(found)


def aggregated_width(carriers: Sequence[tuple[str, str | None, float | None]], *, direction: Direction = "down") -> WidthSum:
    """Return what carriers in use add up to in one direction. carriers: (rat, band or None, width in MHz or None).

    Bands that do not go that way (SDL up, SUL down) count nothing. A carrier with an unknown band counts its width.
    """
    sums, unknown = {"lte": 0.0, "nr": 0.0}, 0
    for rat, band, width in carriers:
        if band is not None and duplex_of(band) == ("SDL" if direction == "up" else "SUL"):
            continue
        if width is None:
            unknown += 1
        else:
            sums[rat] += width
    return WidthSum(lte_mhz=sums["lte"], nr_mhz=sums["nr"], unknown=unknown)


def _dual(text: str, rest: str, wrong: ChannelError) -> Combination:
    """Return an EN-DC combination: LTE bands, an underscore, NR bands, perhaps with a supplementary uplink between."""
    match = re.fullmatch(r"([\dA-Z()-]+)_(?:(n[\dA-Zn-]+)_ULSUP-(?:TDM|FDM)_)?(n[\dA-Zn()-]+)", rest)
    if match is None:
        raise wrong
    lte_part, sul_part, nr_part = match.groups()
    blocks: list[BandBlock] = []
    supplementary: list[str] = []
    for part, is_nr in [(p, False) for p in _parts(lte_part)] + [(p, True) for p in (*_parts(sul_part or ""), *_parts(nr_part))]:
        found = _block(part, nr_ok=is_nr)
        if found is None or found[0].band.startswith("n") != is_nr:
            raise wrong
        blocks += found
    supplementary = [b.band for b in blocks if duplex_of(b.band) == "SUL"]
    return Combination(text, "DC", tuple(blocks), supplementary=tuple(supplementary))


def _parts(text: str) -> list[str]:
    """Return what stands between hyphens, not counting those in brackets."""
    return [part for part in re.split(r"-(?![^(]*\))", text) if part]


def _block(part: str, *, nr_ok: bool) -> tuple[BandBlock, ...] | None:
    """Return the blocks of one band: "3C", "n78A", "n78(2A)" or, without a letter, one carrier; None where it is none of these."""
    match = re.fullmatch(r"(n?)(\d+)(?:([A-Z])|\((\d?)([A-Z])(?:-(\d?)([A-Z]))?\))?", part)
    if match is None or (match.group(1) and not nr_ok):
        return None
    band = band_label("nr" if match.group(1) else "lte", int(match.group(2)))
    if match.group(5) is None:
        return _known_block(band, match.group(3) or "A")
    blocks = _known_block(band, match.group(5)) * int(match.group(4) or 1)
    if match.group(7):
        blocks += _known_block(band, match.group(7)) * int(match.group(6) or 1)
    return blocks


def _known_block(band: str, letter: str) -> tuple[BandBlock, ...]:
    rat, number = split_band(band)
    table = LTE_CLASSES if rat == "lte" else NR_FR2_CLASSES if is_fr2(number) else NR_FR1_CLASSES
    for row in table:
        if row.letter == letter:
            return (BandBlock(band, letter, row.carriers),)
    raise ChannelError(f"class of {band}", given=letter, allowed=", ".join(r.letter for r in table), source="TS 38.101-1 table 5.3A.5-1")

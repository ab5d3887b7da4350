"""What can hurt, said beside the number that invites it. Local codes and licensed people go before everything here.

The wording is common practice of the trade (no source of its own); distances are deliberately general where codes differ from country
to country. A page shows a card's cautions before its bearing, never after.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from bandwright.telling.document import Caution
from bandwright.words.rig import Rig

__all__ = ["CAUTIONS", "CautionRow", "cautions_by_key", "cautions_for", "climb_caution", "work_of"]


@dataclass(frozen=True, slots=True, kw_only=True)
class CautionRow:
    """One caution. where: the kinds of work it belongs to."""

    key: str
    text: str
    where: frozenset[str]


def _row(key: str, text: str, *where: str) -> CautionRow:
    return CautionRow(key=key, text=text, where=frozenset(where))


CAUTIONS: tuple[CautionRow, ...] = (
    _row("weather", "Not in wind, rain, ice or thunder; not in the dark; not alone.", "ladder", "roof", "mast"),
    _row("ladder", "Ladder on firm ground, foot one out for four up, tied or held; three points of contact, both hands free to climb.", "ladder", "roof", "mast"),
    _row("roof", "A roof needs fall protection and someone who has learnt it. If that is not you, let it be done.", "roof"),
    _row("attic", "In an attic step on joists only, mind nails, heat and old insulation that may hold asbestos, and take a light that does not plug in.", "attic"),
    _row("mast", "Never climb a mast or a tower: that is work for licensed riggers.", "mast", "roof"),
    _row("power line", "Keep yourself, ladder, mast and cable well clear of every power line; treat all conductors as live. If in doubt, ask the network operator of the line.", "ladder", "roof", "mast"),
    _row("lightning", "An antenna outside may need earthing and a surge arrester by local code. That, and any bond to the building’s earth, is work for a licensed electrician.", "ladder", "roof", "mast", "outside"),
    _row("rf distance", "Stay away from the front of an antenna while it sends: 20 cm at least, or what the maker states; the larger figure goes.", "ladder", "roof", "mast", "attic", "outside", "inside"),
    _row("wind", "Mount and bolts must bear the wind load of the antenna at this place; a fall hurts people below.", "ladder", "roof", "mast", "outside"),
    _row("mains", "Mains wiring is work for a licensed electrician. A gateway’s supply stays indoors and dry.", "ladder", "roof", "attic", "outside", "inside"),
    _row("codes", "Local rules, the landlord’s and the electricity company’s go before this card.", "ladder", "roof", "mast", "attic", "outside"),
)


def cautions_for(*work: str) -> tuple[str, ...]:
    """Return the cautions of these kinds of work, each once, in the order of the table.

    work: ladder, roof, mast, attic, outside, inside. Raises KeyError for another word.
    """
    known = frozenset().union(*(row.where for row in CAUTIONS))
    for word in work:
        if word not in known:
            raise KeyError(word)
    return tuple(row.text for row in CAUTIONS if row.where & set(work))


def cautions_by_key(keys: Iterable[str]) -> tuple[str, ...]:
    """Return the cautions of these rows, and of the weather and local codes where there are any, in the order of the table. Raises KeyError."""
    by_key = {row.key: row for row in CAUTIONS}
    wanted = {by_key[key].key for key in keys}
    if wanted:
        wanted |= {"weather", "codes"}
    return tuple(row.text for row in CAUTIONS if row.key in wanted)


def work_of(rigs: Iterable[Rig]) -> tuple[str, ...]:
    """Return the kinds of work that changing these rigs may take, by where their antennas stand."""
    found: list[str] = []
    for rig in rigs:
        place = f"{rig.place} {rig.label}".lower()
        if "attic" in place or "loft" in place:
            found.append("attic")
        if "roof" in place:
            found.append("roof")
        if "mast" in place or "tower" in place:
            found.append("mast")
        if rig.antenna.kind != "built-in" and not any(w in place for w in ("sill", "indoor", "room", "attic", "loft")):
            found += ["ladder", "outside"]
        elif (rig.antenna.height_m or 0.0) > 2.5 and "attic" not in found:
            found.append("ladder")
    return tuple(dict.fromkeys(found)) or ("inside",)


def climb_caution(rigs: Iterable[Rig]) -> Caution:
    """Return the cautions of a change of rig, to stand before what is to be done."""
    return Caution(title="First the cautions", items=cautions_for(*work_of(rigs)))

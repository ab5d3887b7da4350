"""Where one state of the radio ends and a later one begins: the same labels, or the same carrier, printed again."""

from __future__ import annotations

from collections.abc import Hashable
from itertools import groupby, pairwise

from bandwright.readings.assemble import Entry, assemble
from bandwright.readings.draft import Piece
from bandwright.words.radio import FieldState, Role

__all__ = ["moments_of"]


def moments_of(entries: list[Entry]) -> list[Piece]:
    """Return the pieces of one group of entries: several where the same carrier is printed again, which is a later reading."""
    out: list[Piece] = []
    rest = entries
    for begin, end in pairwise(_polls(entries)):
        first = assemble(entries[begin:end], key="labels", dialect="labels")
        if first is not None:
            out.append(first)
        rest = entries[end:]
    cuts = _rows_again(rest)
    if cuts is not None:
        made = (assemble(rest[begin:end], key="labels", dialect="labels") for begin, end in pairwise((0, *cuts, len(rest))))
        return [*out, *(piece for piece in made if piece is not None)]
    window = 120  # entries looked through for a later reading: few texts have more of one moment, and few of many moments need more
    while rest:
        piece = assemble(rest[:window], key="labels", dialect="labels")
        again = _printed_again(piece, rest) if piece is not None else None
        if again is None and window < len(rest):
            window *= 2 if out else 4
            continue
        if again is None:
            if piece is not None:
                out.append(piece)
            break
        first = assemble(rest[:again], key="labels", dialect="labels")
        if first is not None:
            out.append(first)
        rest = rest[again:]
        window = again + min(again + 4, again // 2 + 12)  # the next reading is likely as long as this one: all that follows need not be read for it
    return out


def _rows_again(entries: list[Entry]) -> list[int] | None:
    """Return where in the rows of tables a carrier is printed again, by the texts of its channel, cell and band; None where not all are such rows."""
    cuts: list[int] = []
    seen: set[Hashable] = set()
    for row, of_it in groupby(range(len(entries)), key=lambda n: entries[n].block):
        if not isinstance(row, tuple) or not row or row[0] != "row":
            return None
        places = list(of_it)
        said = {entries[n].key.quantity: entries[n].text for n in places}
        if not said.get("pci") or not (said.get("arfcn") or said.get("band")):
            return None
        key = entries[places[0]].key
        if key.role in {"neighbour", "scan"}:
            continue
        mark = (key.rat, said.get("arfcn"), said.get("pci"), said.get("band"))
        if mark in seen:
            cuts.append(places[0])
            seen.clear()
        seen.add(mark)
    return cuts if entries else None


_OF_A_MOMENT = {"mode", "registration", "plmn", "mcc", "time", "tac", "cell_id"}


def _polls(entries: list[Entry]) -> list[int]:
    """Return where each poll of a whole state begins: the same labels in the same order, as those of one carrier of several are not."""
    whose = [(entry.key.quantity, entry.key.rat, entry.key.role, entry.key.index, entry.key.port, entry.key.words) for entry in entries]
    begins = [0]
    for position in range(2, len(entries) // 2 + 1):
        if whose[position] != whose[0] or whose[position : 2 * position] != whose[:position]:
            continue
        period = entries[:position]
        carriers = {(entry.key.rat, entry.key.role, entry.key.index) for entry in period if entry.key.quantity and entry.key.known}
        states = [(one.text, other.text) for one, other in zip(period, entries[position:], strict=False) if one.key.quantity == "mode"]
        if any(one != other for one, other in states):
            return begins  # two technologies of one moment
        if len(carriers) > 1 or any(entry.key.quantity in _OF_A_MOMENT for entry in period):
            following = position
            while whose[following : following + position] == whose[:position]:
                begins.append(following)
                following += position
        break
    return begins


def _printed_again(piece: Piece, entries: list[Entry]) -> int | None:
    """Return the position of the entry from which on a carrier of the piece is printed a second time, or None."""
    seen: set[object] = set()
    for draft in piece.drafts:
        if draft.role in {Role.NEIGHBOUR, Role.SCAN}:
            continue
        values = {name: item.value for name, item in draft.fields.items() if item.state is FieldState.OK}
        named = tuple(values.get(name) for name in ("arfcn", "pci", "band"))
        mark: object = (
            (draft.rat, *named)
            if named[1] is not None and (named[0] is not None or named[2] is not None)
            else (draft.rat, tuple(sorted((k, str(v)) for k, v in values.items())))
        )
        if mark in seen:
            begins = next((n for n, entry in enumerate(entries) if entry.label_start >= draft.start), len(entries))
            same = [n for n in range(1, begins + 1) if n < len(entries) and entries[n].key == entries[0].key]
            position = same[-1] if same else begins
            return position if 0 < position < len(entries) else None
        seen.add(mark)
    return None

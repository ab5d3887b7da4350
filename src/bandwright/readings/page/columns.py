"""Tables whose headings are known: a carrier a row, or a carrier a column."""

from __future__ import annotations

import re
from dataclasses import replace
from itertools import pairwise

from bandwright.readings.assemble import Entry
from bandwright.readings.labels import Key, classify, combine, flag_of
from bandwright.readings.page.cells import by_blanks, by_columns, by_commas, by_pipes, by_semicolons, by_tabs
from bandwright.readings.page.lines import GUIDE, RULE, STATE_ITEM, Segment, end_of, is_label, says
from bandwright.readings.values import UNKNOWN_TEXTS, band_of

__all__ = ["read_table"]


def read_table(lines: list[Segment], position: int, text: str, outer: tuple[Key, ...]) -> tuple[list[list[Entry]], int, list[tuple[int, int]]] | None:
    """Return the rows of a table that begins with a line of known headings, the position after it, and its headings' spans; None for no table.

    At least three headings must be known, or all of two. Rows have as many cells as the heading; a row with fewer ends the table.
    """
    line = lines[position]
    if len(line.text) > 2000 or position + 1 >= len(lines) or ((":" in line.text or "=" in line.text) and "|" not in line.text and "\t" not in line.text):
        return None
    for cutter in (by_pipes, by_tabs, by_semicolons, by_commas, by_columns, by_blanks):
        head = cutter(line)
        if len(head) < 2:
            continue
        keys = [classify(cell.text) for cell in head]
        good = [key for key in keys if (key.quantity or key.port) and key.known]
        measured = [key for key in good if key.quantity not in {"role", "mode", "time", "state", "registration"}]
        if len(measured) >= 1 and (len(good) >= 3 or (len(good) == 2 == len(head))) and len(good) * 2 >= len(head):
            spans = [(cell.start, cell.stop) for cell, key in zip(head, keys, strict=True) if key.known]
            rows, after = _rows(lines, position + 1, cutter, head, keys, text, outer, spans)
            if rows:
                return rows, after, spans
        bands = _bands_as_columns(head, keys)
        if bands or _names_columns(keys, tight=cutter is by_blanks):
            spans = [(line.start, line.stop)]
            rows, after = _turned(lines, position + 1, cutter, [Key(), *bands] if bands else keys, text, outer, spans, head)
            if rows and bands:
                rows[0][:0] = [
                    Entry(combine((*outer, column), keys[0]), cell.text, cell.start, cell.stop, cell.start, ("column", position + 1, number))
                    for number, (cell, column) in enumerate(zip(head[1:], bands, strict=True))
                ]
            if rows:
                return rows, after, spans
    return None


def _bands_as_columns(head: list[Segment], keys: list[Key]) -> list[Key]:
    """Return what the bands of a heading "Band B3 B7 n78" say of their columns; nothing where it is none."""
    if keys[0].quantity != "band" or not keys[0].known or len(head) < 3:
        return []
    found = [band_of(cell.text) for cell in head[1:]]
    columns = [Key(rat=made[0]) for made, cell in zip(found, head[1:], strict=True) if made is not None and made[0] is not None and made[2] == len(cell.text)]
    return columns if len(columns) == len(head) - 1 else []


def _names_columns(keys: list[Key], *, tight: bool) -> bool:
    """Whether headings name carriers, each another one. tight: parted by single blanks, where "5G NR" could be one heading."""
    named = [(key.rat, key.role, key.index) for key in keys if says(key) and key.known and key.quantity in {"", "role"}]
    return len(named) >= 2 and len(set(named)) == len(named) and not (tight and len(named) < len(keys))


def _under(line: Segment, heading: Segment, head: list[Segment]) -> list[Segment]:
    """Return the cells of a row by the places of the headings above them; none where a cell's text runs over a heading's beginning."""
    edges = [cell.start - heading.start for cell in head[1:]]
    text = line.text
    if any(edge <= len(text) and edge > 0 and not text[edge - 1 : edge].isspace() for edge in edges) or len(text) <= edges[-1]:
        return []
    out = []
    for start, stop in pairwise((0, *edges, len(text))):
        bare = text[start:stop].strip()
        first = line.start + start + (text[start:stop].index(bare) if bare else 0)
        out.append(Segment(bare, first, first + len(bare)))
    return out


def _rows(
    lines: list[Segment], position: int, cutter: object, head: list[Segment], keys: list[Key], text: str, outer: tuple[Key, ...], spans: list[tuple[int, int]]
) -> tuple[list[list[Entry]], int]:
    rows: list[list[Entry]] = []
    heading = position - 1
    while position < len(lines):
        line = lines[position]
        if RULE.match(line.text) and line.text.strip():
            position += 1
            continue
        cells = cutter(line) if callable(cutter) else []
        last = line.stop == len(text)
        if len(cells) != len(head) and cutter in {by_columns, by_blanks}:
            cells = _under(line, lines[heading], head) or cells
        if len(cells) != len(head) and not (last and 0 < len(cells) < len(head) and cutter not in {by_columns, by_blanks}):
            break
        if not line.text.strip() or (
            not rows and any(cell.text and classify(cell.text).quantity and classify(cell.text).known and len(cell.text) > 2 for cell in cells[1:])
        ):
            break
        if GUIDE.match(cells[0].text) or not any(character.isdigit() for character in line.text):
            if not rows or sum(is_label(cell.text) for cell in cells) > 1:
                break  # the next table's heading
            position += 1
            continue
        rows.append(_row(cells, keys, outer, position, text, spans))
        position += 1
    return rows, position


def _row(cells: list[Segment], keys: list[Key], outer: tuple[Key, ...], number: int, text: str, spans: list[tuple[int, int]]) -> list[Entry]:
    """Return the entries of one row; cells that name a technology or a role speak for the whole row."""
    said = list(outer)
    for number_of_key, key in enumerate(keys):  # a row whose flag may be cut: it could be a neighbour's
        if key.role and key.known and key.quantity in {"", "role"}:
            flag_cell = cells[number_of_key] if number_of_key < len(cells) else None
            if flag_cell is None or (flag_cell.stop >= end_of(text) and flag_cell.text.lower() not in {"yes", "no", "true", "false"}):
                return []
    for cell, key in zip(cells, keys, strict=False):
        if key.role and key.known and key.quantity in {"", "role"} and (flag := flag_of(key, cell.text)) is not None:
            said.append(flag)
            spans.append((cell.start, cell.stop))
        elif key.quantity in {"role", "mode", ""} and cell.text:
            about = classify(cell.text)
            if (about.known or key.quantity in {"role", "mode"}) and (about.role or about.rat is not None or (about.index is not None and about.known)):
                said.append(about)
                spans.append((cell.start, cell.stop))
            elif key.quantity == "role" and cell.text.isdigit() and len(cell.text) < 4:
                said.append(Key(index=int(cell.text)))
        elif key.quantity == "band" and cell.text:
            made = band_of(cell.text)
            if made is not None and made[0] is not None:
                said.append(Key(rat=made[0]))
    context = tuple(said)
    out = []
    port = next((_port_of(cell.text) for cell, key in zip(cells, keys, strict=False) if key.port and not key.quantity), None)
    for cell, heading in zip(cells, keys, strict=False):
        key = heading
        if key.words == ("state",) and STATE_ITEM.fullmatch(cell.text):
            key = classify("scell state")
        if not key.quantity or not key.known or key.quantity in {"role", "mode"}:
            continue
        start = cell.start
        if not cell.text:
            continue
        if port is not None:
            if port and key.quantity in {"rsrp", "rsrq", "rssi", "sinr"}:
                own = combine(context, replace(key, quantity=f"{key.quantity}_per_port", port=port))
                out.append(Entry(own, cell.text, start, cell.stop, start, ("ports",), cut=cell.stop >= end_of(text)))
            continue
        out.append(Entry(combine(context, key), cell.text, start, cell.stop, start, ("row", number), cut=cell.stop >= end_of(text)))
    return out


def _port_of(text: str) -> str:
    """Return the receive port that a row is of, as printed; "" where the name is none: "old" and "new" are two antennas."""
    name = text.strip().lower()
    return name if _PORT_NAME.fullmatch(name) else ""


_PORT_NAME = re.compile(r"main|div(?:ersity)?|[pd]rx|(?:rx|ant(?:enna)?|port|chain|branch|mimo)? ?#?\d")


def _turned(
    lines: list[Segment],
    position: int,
    cutter: object,
    keys: list[Key],
    text: str,
    outer: tuple[Key, ...],
    spans: list[tuple[int, int]],
    head: list[Segment],
) -> tuple[list[list[Entry]], int]:
    """Read a table whose columns are carriers and whose rows are quantities."""
    out: list[Entry] = []
    understood = 0
    first = position
    corner = not says(keys[0])  # whether the heading has a cell above the labels
    columns = keys[1:] if corner else keys
    while position < len(lines):
        line = lines[position]
        if RULE.match(line.text) and line.text.strip():
            position += 1
            continue
        cells = cutter(line) if callable(cutter) else []
        if len(cells) != len(columns) + 1 and cutter is by_columns and len(head) == len(columns) + 1:
            cells = _under(line, lines[first - 1], head) or cells
        if not line.text.strip() or len(cells) != len(columns) + 1 or (cutter is by_blanks and corner) or (not understood and position > first + 6):
            break
        label = cells[0]
        key = classify(label.text.rstrip(": "))
        if key.quantity and key.known:
            understood += 1
            spans.append((label.start, label.stop))
            for number, (cell, column) in enumerate(zip(cells[1:], columns, strict=False)):
                if cell.text and cell.text.lower() not in UNKNOWN_TEXTS and says(column):
                    out.append(
                        Entry(
                            combine((*outer, column), key),
                            cell.text,
                            cell.start,
                            cell.stop,
                            cell.start,
                            ("column", first, number),
                            cut=cell.stop >= end_of(text),
                        )
                    )
        position += 1
    return ([out], position) if understood else ([], first)

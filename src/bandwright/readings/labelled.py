"""Free text: labels with values, line by line, under the headings they stand in, and tables whose headings are known.

Knows the forms in which equipment prints pairs (colon, equals sign, columns, several on a line, compound labels), what makes a heading, and
how far it reaches. What labels and values mean is known to `labels` and `values`; whose they are, to `assemble`. Prose is left alone:
a label counts only at the beginning of a line or of a column, and only if all its words are known.
"""

from __future__ import annotations

import re
from collections.abc import Hashable
from dataclasses import dataclass, replace

from bandwright.readings.assemble import Entry
from bandwright.readings.draft import Piece
from bandwright.readings.labels import Key, classify, combine
from bandwright.readings.page.columns import read_table
from bandwright.readings.page.items import carrier_of, is_one_carrier, items_of
from bandwright.readings.page.lines import DECORATION, GUIDE, PATH, RULE, Segment, bare_segment, end_of, first_separator, lines_of, next_said, says, segments_of
from bandwright.readings.page.moments import moments_of
from bandwright.readings.page.pairs import of_one_carrier, pairs_of, plain_pair, stacked_pairs
from bandwright.readings.values import band_of, mode_of
from bandwright.words.radio import Mode

__all__ = ["labelled_entries", "read_labelled"]

_HINTS = re.compile(
    r"(?i)rsr[pq]|rssi|sinr|snr|arfcn|band|pci|cell|lte|\bnr|5g|4g|plmn|mcc|tac|tracking|imei|imsi|iccid|signal|regist|roam|network|technology|service|channel|mode|physical|cqi"
)
_NUMBERED = re.compile(r"[A-Za-z][A-Za-z ]{1,20}[ ]?#?(\d{1,2})\Z")
_EMPHASIS = re.compile(r"\*\*|`+")
_WIRELESS_BAND = re.compile(r"(?:2[.,]4|5|6) ?GHz\Z")


@dataclass(slots=True)
class _Heading:
    """A heading in force. indent: its own; inner: that of the first line below it; key: what it says; number: to tell blocks apart."""

    indent: int
    inner: int | None
    key: Key
    number: int
    says: bool = False


def read_labelled(text: str) -> list[Piece]:
    """Return the pieces of labelled text. What other layers have read is blanked out of it before."""
    if _HINTS.search(text) is None:
        return []
    if "**" in text or "`" in text:  # emphasis says nothing
        text = _EMPHASIS.sub(lambda mark: " " * len(mark.group()), text)
    groups, headings = labelled_entries(text)
    pieces = [piece for entries in groups for piece in moments_of(entries)]
    if pieces:
        pieces[0].spans.extend(headings)
    for piece in pieces:
        if piece.mode is Mode.LTE and piece.mode_rank == 1 and _names_another(text, piece):
            piece.mode, piece.mode_rank = None, 0
            piece.why["mode"] = "an NR carrier is named in what could not be read"
    return pieces


_NR_BAND = re.compile(r"\bn\d{1,3}\b|\bNR\b[^\n]*[ \t]-?\d{2,}")


def _names_another(text: str, piece: Piece) -> bool:
    """Whether an NR carrier stands between what a piece has read: then its carriers are not all there are."""
    place = piece.start
    if _NR_BAND.search(text, place, min(len(text), piece.stop + 400)) is None:
        return False
    for start, stop in (*sorted(piece.spans), (piece.stop, piece.stop)):
        if start > place and _in_a_state(text, place, start):
            return True
        place = max(place, stop)
    return _in_a_state(text, piece.stop, min(len(text), piece.stop + 400))


def _in_a_state(text: str, start: int, stop: int) -> bool:
    """Whether an NR carrier is named in text[start:stop], on a line that is no setting or capability."""
    for found in _NR_BAND.finditer(text, start, stop):
        line = text[text.rfind("\n", 0, found.start()) + 1 : found.start()]
        separator = first_separator(line)
        said = classify(line[: separator.start()] if separator is not None else line.strip()[:60])
        if not said.blocked and said.quantity != "setting":
            return True
    return False


def labelled_entries(text: str) -> tuple[list[list[Entry]], list[tuple[int, int]]]:
    """Return the entries of a text, and the spans of headings that say whose they are.

    Each row of a table with a time column is a group of its own, as it is a later reading.
    """
    lines = lines_of(text)
    groups: list[list[Entry]] = [[]]
    headings: list[_Heading] = []
    spans: list[tuple[int, int]] = []
    named: set[Hashable] = set()
    number = 0
    position = 0
    while position < len(lines):
        line = lines[position]
        if not line.text.strip() or RULE.match(line.text):
            position += 1
            continue
        if "{" in line.text and (samples := _sample(line, named, cut=line.stop == len(text))):
            groups[-1].extend(samples)
            position += 1
            continue
        plain = plain_pair(line)
        stacked = None if plain is not None or ":" in line.text or "=" in line.text else stacked_pairs(lines, position, len(text))
        if stacked is not None:
            pairs, position = stacked
            block = tuple(h.number for h in headings if h.says)
            groups[-1].extend(_entry(label, value, tuple(h.key for h in headings), block, cut=value.stop >= end_of(text)) for label, value, _ in pairs)
            continue
        table = None if plain is not None else read_table(lines, position, text, tuple(h.key for h in headings))
        if table is not None:
            rows, position, known = table
            spans.extend(known)
            timed = [row for row in rows if any(entry.key.quantity == "time" for entry in row)]
            if len(timed) > 1 and len(timed) == len(rows):
                groups[-1:] = [groups[-1], *rows] if groups[-1] else rows
                groups.append([])
            else:
                groups[-1].extend(entry for row in rows for entry in row)
            continue
        indent = len(line.text) - len(line.text.lstrip(" \t"))
        _close(headings, indent)
        found = [plain] if plain is not None else pairs_of(line, len(text))
        listed = None if plain is not None else carrier_of(line, found)
        if listed is not None:
            number += 1
            for heading in headings:
                if heading.inner is None:
                    heading.inner = indent
            outer = tuple(h.key for h in headings)
            block = (*(h.number for h in headings if h.says), *(("line", number) if is_one_carrier(listed) else ()))
            groups[-1].extend(_entry(label, value, (*outer, *about), block, cut=value.stop >= end_of(text)) for label, value, about in listed)
        elif found:
            if line.text.lstrip().startswith("- ") and _has_more_below(lines, position, indent):
                number += 1  # an item of a list, with its own labels below: a carrier of its own
                headings.append(_Heading(indent, indent + 2, Key(), number, says=True))
            for heading in headings:
                if heading.inner is None:
                    heading.inner = indent
            outer = tuple(h.key for h in headings)
            block = tuple(h.number for h in headings if h.says)
            if len(found) > 1 and "\t" not in line.text.strip() and "  " not in line.text.strip():
                found = of_one_carrier(found)
            for label, value, about in found:
                own = (*block, *((key.role, key.index) for key in about if key.role or key.index is not None))
                groups[-1].append(_entry(label, value, (*outer, *about), own, cut=value.stop >= end_of(text)))
        else:
            number += 1
            _open(headings, line, indent, number)
            if headings and headings[-1].number == number and says(headings[-1].key) and headings[-1].key.known:
                spans.append((line.start, line.stop))
            bare = bare_segment(line)
            if headings and headings[-1].number == number and mode_of(bare.text) in {Mode.NR_SA, Mode.ENDC} and not any(h.key.blocked for h in headings) and not _is_listed(lines, position):
                groups[-1].append(Entry(Key(quantity="mode", words=("mode",)), bare.text, bare.start, bare.stop, bare.start, (), bare.stop >= end_of(text)))
            listed = None if line.stop == len(text) and "  " in line.text.strip() else items_of(bare_segment(line))  # a row that may go on is no list
            if listed and headings and headings[-1].number == number:
                headings[-1].key = _joined(headings[-1].key, listed[0].about)
                headings[-1].says = says(headings[-1].key)
                outer = tuple(h.key for h in headings)
                block = tuple(h.number for h in headings if h.says)
                groups[-1].extend(_entry(label, value, (*outer, *about), block, cut=value.stop >= end_of(text)) for label, value, about in listed)
        position += 1
    return [group for group in groups if group], spans


_SAMPLE = re.compile(r"[ \t]*([A-Za-z_:][\w:]*)\{([^{}\n]*)\}[ \t]+(\S+)(?:[ \t]+\d{10,13})?[ \t]*\Z")
_SAMPLE_LABEL = re.compile(r"(\w+)=\"([^\"]*)\"")


def _sample(line: Segment, named: set[Hashable], *, cut: bool) -> list[Entry]:
    """Return the entries of a metrics sample: name{label="value",...} number; the labels say whose it is.

    named: the label sets whose identities are among the entries already.
    """
    found = _SAMPLE.match(line.text)
    if found is None:
        return []
    labels = list(_SAMPLE_LABEL.finditer(line.text, found.start(2), found.end(2)))
    about: list[Key] = []
    out: list[Entry] = []
    block = ("sample", tuple(one.group(2) for one in labels))
    for one in labels:
        key, said = classify(one.group(1)), classify(one.group(2))
        if key.quantity in {"role", "mode", ""} and said.known and says(said):
            about.append(said)
        elif key.quantity == "band" and (made := band_of(one.group(2))) is not None and made[0] is not None:
            about.append(Key(rat=made[0]))
    for one in labels if block not in named else ():
        key = classify(one.group(1))
        if key.quantity in {"band", "pci", "arfcn", "cell_id", "private"}:
            start = line.start + one.start(2)
            out.append(Entry(combine(tuple(about), key), one.group(2), start, line.start + one.end(2), line.start + one.start(), block))
    named.add(block)
    label = classify(found.group(1))
    out.append(
        Entry(combine(tuple(about), label), found.group(3), line.start + found.start(3), line.start + found.end(3), line.start + found.start(1), block, cut)
    )
    return out


def _close(headings: list[_Heading], indent: int) -> None:
    """End the headings that a line of this indent no longer stands under."""
    while headings:
        last = headings[-1]
        if indent < last.indent or (last.inner is not None and last.inner > last.indent and indent <= last.indent):
            headings.pop()
        else:
            return


def _open(headings: list[_Heading], line: Segment, indent: int, number: int) -> None:
    """Put a line without pairs in force as a heading, where it is one: short, and no sentence."""
    bare = line.text.strip(DECORATION)
    if not bare:
        return
    if len(bare) > 60 or len(bare.split()) > 8:
        return
    separator = first_separator(bare)
    if separator is not None and separator.end() < len(bare):  # a pair that is not understood is no heading, unless it begins another radio's part
        bare = bare[: separator.start()]
        if not classify(bare).foreign:
            return
    elif line.text.strip()[:1].isalnum() and len(parts := segments_of(line)) > 1 and items_of(bare_segment(line)) is None:
        named = [classify(part.text) for part in parts]
        if not all(part.known and says(part) and part.quantity in {"", "role"} for part in named):
            return
    key = classify(bare)
    if _WIRELESS_BAND.match(bare):
        key = Key(foreign=True, known=False, words=key.words)
    inherited = None
    while headings and headings[-1].indent >= indent:
        inherited = headings.pop().key
    if (
        key.rat is None
        and inherited is not None
        and inherited.rat is not None
        and key.role not in {"", "neighbour", "scan"}
        and not key.foreign
        and not (headings and says(headings[-1].key))
    ):
        key = Key(rat=inherited.rat, role=key.role, index=key.index, blocked=key.blocked, known=key.known, words=key.words)
    numbered = _NUMBERED.match(bare) if not says(key) else None
    if numbered is not None:  # "Radio 1": what stands below is of one of several
        key = Key(index=int(numbered.group(1)), words=key.words)
    if GUIDE.match(bare):
        key = Key(blocked=True, known=False, words=key.words)
    headings.append(_Heading(indent, None, key, number, says(key)))


def _entry(label: Segment, value: Segment, outer: tuple[Key, ...], block: Hashable, *, cut: bool) -> Entry:
    text = label.text
    parents: tuple[Key, ...] = ()
    if PATH.match(text):
        parts = re.split(r"[./]", text)
        parents = tuple(classify(part) for part in parts[:-1])
        text = parts[-1]
        block = (block, tuple(part for part, key in zip(parts[:-1], parents, strict=True) if says(key)))
    key = combine((*outer, *parents), classify(text))
    if not key.quantity and outer and not outer[-1].known and not says(outer[-1]):
        key = replace(key, known=False)  # "Status" under a heading that is not understood: of whatever that is
    return Entry(key, value.text, value.start, value.stop, label.start, block, cut)


def _is_listed(lines: list[Segment], position: int) -> bool:
    """Whether the line below names a technology too: a list of what there could be."""
    below = next_said(lines, position + 1)
    return below < len(lines) and mode_of(lines[below].text.strip()) is not None


def _has_more_below(lines: list[Segment], position: int, indent: int) -> bool:
    """Whether the line below a list's item stands deeper than it, and is no item itself."""
    below = lines[position + 1].text if position + 1 < len(lines) else ""
    bare = below.lstrip(" \t")
    return bool(bare) and len(below) - len(bare) > indent and not bare.startswith("- ")


def _joined(key: Key, about: tuple[Key, ...]) -> Key:
    """Return a heading's key with what the items on its line say of it."""
    whole = combine(about, key)
    return Key(rat=whole.rat, role=whole.role, index=whole.index, foreign=key.foreign and whole.rat is None, blocked=key.blocked, known=True, words=key.words)

"""Free text: labels with values, line by line, under the headings they stand in, and tables whose headings are known.

Knows the forms in which equipment prints pairs (colon, equals sign, columns, several on a line, compound labels), what makes a heading, and
how far it reaches. What labels and values mean is known to `labels` and `values`; whose they are, to `assemble`. Prose is left alone:
a label counts only at the beginning of a line or of a column, and only if all its words are known.
"""

from __future__ import annotations

import re
from collections.abc import Hashable
from dataclasses import dataclass, replace
from functools import lru_cache
from itertools import pairwise
from typing import NamedTuple

from bandwright.readings.assemble import Entry, assemble
from bandwright.readings.draft import Piece
from bandwright.readings.labels import Key, classify, combine, flag_of
from bandwright.readings.values import UNKNOWN_TEXTS, band_of, mode_of, read_value, registration_of
from bandwright.words.radio import FieldState, Mode, Role

__all__ = ["labelled_entries", "read_labelled", "read_table"]

_HINTS = re.compile(
    r"(?i)rsr[pq]|rssi|sinr|snr|arfcn|band|pci|cell|lte|\bnr|5g|4g|plmn|mcc|tac|tracking|imei|imsi|iccid|signal|regist|roam|network|technology|service|channel|mode|physical|cqi"
)
_SEGMENT = re.compile(
    r"\t+|[ ]{2,}|[ ]*[|;•·│┃║][ ]*|,[ ]*(?=(?:[45]G )?[A-Za-z][A-Za-z0-9 _./()-]{0,30}[:=])|,(?=[A-Za-z_][\w.-]{0,30}=)|(?:(?<=[\d\"\]])|(?<=dB)|(?<=dBm)|(?<=Hz))[ ](?=[A-Za-z_][\w.-]{0,30}=\S)"
)
_SEPARATOR = re.compile(r"[ \t]*(?:[:=]+>?|->|→)[ \t]*")
_DECORATION = " \t#=*-_~[]<>{}|+:.•·│┃║─━═┌┐└┘├┤┬┴┼`\"'"
_TIMES = re.compile(r"\d{4}-\d\d-\d\d|\d\d:\d\d(?::\d\d)?|\d\d[./]\d\d[./]\d{2,4}|^\d{10}(?:\.\d+)?$|^\d{13}$")
_RULE = re.compile(r"[\s|+:=_*~.─━═┌┐└┘├┤┬┴┼│┃║-]*\Z")
_STAMP = re.compile(
    r"[ \t]*[\[(]?((?:\d{4}-\d\d-\d\d|\d{1,2}[./]\d{1,2}[./]\d{2,4})[T ,]+\d\d:\d\d(?::\d\d(?:[.,]\d{1,6})?)?(?:Z|[+-]\d\d:?\d\d)?|\d\d:\d\d:\d\d(?:[.,]\d{1,6})?)[\])]?(?:[ ]?[-|:,][ ]|[ \t]+)"
)
_NUMBERED = re.compile(r"[A-Za-z][A-Za-z ]{1,20}[ ]?#?(\d{1,2})\Z")
_FIGURE = re.compile(r"-?\d+(?:[.,]\d+)?(?: ?(?:dBm?|MHz))?\Z")
_BAND_NAME = re.compile(r"[Bbn]\d{1,3}\Z")
_EMPHASIS = re.compile(r"\*\*|`+")
_WIRELESS_BAND = re.compile(r"(?:2[.,]4|5|6) ?GHz\Z")
_PATH = re.compile(r"[\w\[\]-]+(?:[./][\w\[\]-]+)+\Z")
_GUIDE = re.compile(
    r"(?i)^(?:very )?(?:excellent|good|fair|poor|bad|weak|strong|great|ok|no signal|mid(?: cell)?|cell edge|medium|quality|legend|signal (?:quality|strength) (?:guide|table)|green|yellow|orange|red|blue|grey|gray)\b"
)


class _Segment(NamedTuple):
    text: str
    start: int
    stop: int


class _Pair(NamedTuple):
    """A label and its value, and what stands before them on the line that says whose they are."""

    label: _Segment
    value: _Segment
    about: tuple[Key, ...] = ()


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
    pieces = [piece for entries in groups for piece in _readings(entries)]
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
        separator = _first_separator(line)
        said = classify(line[: separator.start()] if separator is not None else line.strip()[:60])
        if not said.blocked and said.quantity != "setting":
            return True
    return False


def _readings(entries: list[Entry]) -> list[Piece]:
    """Return the pieces of one group of entries: several where the same carrier is printed again, which is a later reading."""
    out: list[Piece] = []
    rest = entries
    for begin, end in pairwise(_polls(entries)):
        first = assemble(entries[begin:end], key="labels", dialect="labels")
        if first is not None:
            out.append(first)
        rest = entries[end:]
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
        window = again + again // 2 + 12  # the next reading is likely as long as this one: all that follows need not be read for it
    return out


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


def labelled_entries(text: str) -> tuple[list[list[Entry]], list[tuple[int, int]]]:
    """Return the entries of a text, and the spans of headings that say whose they are.

    Each row of a table with a time column is a group of its own, as it is a later reading.
    """
    lines = _lines(text)
    groups: list[list[Entry]] = [[]]
    headings: list[_Heading] = []
    spans: list[tuple[int, int]] = []
    named: set[Hashable] = set()
    number = 0
    position = 0
    while position < len(lines):
        line = lines[position]
        if not line.text.strip() or _RULE.match(line.text):
            position += 1
            continue
        if "{" in line.text and (samples := _sample(line, named, cut=line.stop == len(text))):
            groups[-1].extend(samples)
            position += 1
            continue
        plain = _plain_pair(line)
        stacked = None if plain is not None or ":" in line.text or "=" in line.text else _stacked(lines, position, len(text))
        if stacked is not None:
            pairs, position = stacked
            block = tuple(h.number for h in headings if h.says)
            groups[-1].extend(_entry(label, value, tuple(h.key for h in headings), block, cut=value.stop >= _end(text)) for label, value, _ in pairs)
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
        found = [plain] if plain is not None else _pairs(line, len(text))
        listed = None if plain is not None else _carrier_of(line, found)
        if listed is not None:
            number += 1
            for heading in headings:
                if heading.inner is None:
                    heading.inner = indent
            outer = tuple(h.key for h in headings)
            block = (*(h.number for h in headings if h.says), *(("line", number) if _is_one_carrier(listed) else ()))
            groups[-1].extend(_entry(label, value, (*outer, *about), block, cut=value.stop >= _end(text)) for label, value, about in listed)
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
                found = _of_one_carrier(found)
            for label, value, about in found:
                own = (*block, *((key.role, key.index) for key in about if key.role or key.index is not None))
                groups[-1].append(_entry(label, value, (*outer, *about), own, cut=value.stop >= _end(text)))
        else:
            number += 1
            _open(headings, line, indent, number)
            if headings and headings[-1].number == number and _says(headings[-1].key) and headings[-1].key.known:
                spans.append((line.start, line.stop))
            bare = _bare_segment(line)
            if headings and headings[-1].number == number and mode_of(bare.text) in {Mode.NR_SA, Mode.ENDC} and not any(h.key.blocked for h in headings) and not _is_listed(lines, position):
                groups[-1].append(Entry(Key(quantity="mode", words=("mode",)), bare.text, bare.start, bare.stop, bare.start, (), bare.stop >= _end(text)))
            listed = None if line.stop == len(text) and "  " in line.text.strip() else _items(_bare_segment(line))  # a row that may go on is no list
            if listed and headings and headings[-1].number == number:
                headings[-1].key = _joined(headings[-1].key, listed[0].about)
                headings[-1].says = _says(headings[-1].key)
                outer = tuple(h.key for h in headings)
                block = tuple(h.number for h in headings if h.says)
                groups[-1].extend(_entry(label, value, (*outer, *about), block, cut=value.stop >= _end(text)) for label, value, about in listed)
        position += 1
    return [group for group in groups if group], spans


_PLAIN = re.compile(
    r"[ \t]*([A-Za-z][A-Za-z0-9_()-]*(?: [A-Za-z0-9_()-]+){0,5}) ?[:=][ \t]*([^\s:=|,;·]+(?: [^\s:=|,;·(]+)?(?: \(\d{3,4} MHz\))?)[ \t]*\Z"
)


_PLAIN_UNKNOWN = re.compile(r"[ \t]*([A-Za-z][A-Za-z0-9_-]*(?: [A-Za-z0-9_-]+){0,5}) ?:[ \t]*([^\s:=|,;·/][^\t:=|,;·/]*?)[ \t]*\Z")


def _plain_pair(line: _Segment) -> _Pair | None:
    """Return the pair of a line that holds one label and one short value and nothing else, as most lines do, without looking for more."""
    found = _PLAIN.match(line.text)
    if found is None:
        found = _PLAIN_UNKNOWN.match(line.text)
        if found is None or "  " in found.group(2) or classify(found.group(1)).known or classify(found.group(1)).quantity:
            return None
    else:
        key = classify(found.group(1))
        if key.quantity in {"role", "setting"} or (not key.quantity and (key.known or _says(key))) or "/" in found.group(2):
            return None
    start = line.start
    return _Pair(
        _Segment(found.group(1), start + found.start(1), start + found.end(1)), _Segment(found.group(2), start + found.start(2), start + found.end(2))
    )


def _carrier_of(line: _Segment, found: list[_Pair]) -> list[_Pair] | None:
    """Return the pairs of a line that lists what is known of one carrier, where it is better read so than pair by pair."""
    if len(found) < 2 and line.text.count(" ") < 3 and _LISTS.search(line.text) is None:
        return None
    bare = _bare_segment(line)
    stamp = _STAMP.match(line.text)
    if stamp is not None:
        bare = _bare_segment(_Segment(line.text[stamp.end() :], line.start + stamp.end(), line.stop))
    if len(found) > 1 and _fill(found, bare):
        return None
    listed = _items(bare)
    if listed is None or len(listed) < 2 or len(listed) + (stamp is not None) <= len(found):
        return None
    said = {classify(pair.label.text).quantity for pair in listed}
    if "band" in said and not said & _MEASURED:
        return None  # of what follows: a heading
    return [*(found[:1] if stamp is not None and found and found[0].label.text == "time" else []), *listed]


def _fill(found: list[_Pair], bare: _Segment) -> bool:
    """Whether pairs with labels fill a text, so that it lists nothing else."""
    place = bare.start
    for label, value, _ in found:
        if label.text == "time":
            continue
        if label.start - place > 3:
            return False
        place = value.stop
    return bare.stop - place < 3


def _is_one_carrier(listed: list[_Pair]) -> bool:
    return any(classify(pair.label.text).quantity in {"band", "arfcn", "pci"} for pair in listed)


_MEASURED = {"rsrp", "rsrq", "rssi", "sinr", "plmn", "mcc"}
_SAMPLE = re.compile(r"[ \t]*([A-Za-z_:][\w:]*)\{([^{}\n]*)\}[ \t]+(\S+)(?:[ \t]+\d{10,13})?[ \t]*\Z")
_SAMPLE_LABEL = re.compile(r"(\w+)=\"([^\"]*)\"")


def _sample(line: _Segment, named: set[Hashable], *, cut: bool) -> list[Entry]:
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
        if key.quantity in {"role", "mode", ""} and said.known and _says(said):
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


def _stacked(lines: list[_Segment], position: int, end: int) -> tuple[list[_Pair], int] | None:
    """Return the pairs of a page that prints each label above its value, and where they end; None where fewer than two follow each other."""
    pairs: list[_Pair] = []
    after = position
    while True:
        at = _next_said(lines, after)
        under = _next_said(lines, at + 1)
        if under >= len(lines) or under > at + 2:
            break
        label, value = _stripped(lines[at]), _stripped(lines[under])
        if _first_separator(label.text) is not None or not _is_label(label.text) or _is_label(value.text) or _first_separator(value.text) is not None:
            break
        key = classify(label.text)
        if key.quantity not in {"mode", "registration"}:
            made = read_value(key, value.text, value.start, cut=value.stop == end)
            if made is None or made.field is None or (made.field.state is not FieldState.OK and value.text.lower() not in UNKNOWN_TEXTS and value.stop < end):
                break
        pairs.append(_Pair(label, value))
        after = under + 1
    return (pairs, after) if len(pairs) > 1 else None


@lru_cache(maxsize=4)
def _end(text: str) -> int:
    """Return where a text's last words end, if no line end follows them: what stands there may go on."""
    return len(text) + 1 if text.endswith("\n") else len(text.rstrip(" \t,;+&/|(.-"))


def _stripped(line: _Segment) -> _Segment:
    bare = line.text.strip()
    start = line.start + (line.text.index(bare) if bare else 0)
    return _Segment(bare, start, start + len(bare))


def _is_listed(lines: list[_Segment], position: int) -> bool:
    """Whether the line below names a technology too: a list of what there could be."""
    below = _next_said(lines, position + 1)
    return below < len(lines) and mode_of(lines[below].text.strip()) is not None


def _next_said(lines: list[_Segment], position: int) -> int:
    while position < len(lines) and not lines[position].text.strip():
        position += 1
    return position


def _lines(text: str) -> list[_Segment]:
    out = []
    place = 0
    for line in text.split("\n"):
        out.append(_Segment(line, place, place + len(line)))
        place += len(line) + 1
    return out


def _says(key: Key) -> bool:
    return key.rat is not None or bool(key.role) or key.index is not None or key.foreign or key.blocked


def _close(headings: list[_Heading], indent: int) -> None:
    """End the headings that a line of this indent no longer stands under."""
    while headings:
        last = headings[-1]
        if indent < last.indent or (last.inner is not None and last.inner > last.indent and indent <= last.indent):
            headings.pop()
        else:
            return


def _open(headings: list[_Heading], line: _Segment, indent: int, number: int) -> None:
    """Put a line without pairs in force as a heading, where it is one: short, and no sentence."""
    bare = line.text.strip(_DECORATION)
    if not bare:
        return
    if len(bare) > 60 or len(bare.split()) > 8:
        return
    separator = _first_separator(bare)
    if separator is not None and separator.end() < len(bare):  # a pair that is not understood is no heading, unless it begins another radio's part
        bare = bare[: separator.start()]
        if not classify(bare).foreign:
            return
    elif line.text.strip()[:1].isalnum() and len(parts := _segments(line)) > 1 and _items(_bare_segment(line)) is None:
        named = [classify(part.text) for part in parts]
        if not all(part.known and _says(part) and part.quantity in {"", "role"} for part in named):
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
        and not (headings and _says(headings[-1].key))
    ):
        key = Key(rat=inherited.rat, role=key.role, index=key.index, blocked=key.blocked, known=key.known, words=key.words)
    numbered = _NUMBERED.match(bare) if not _says(key) else None
    if numbered is not None:  # "Radio 1": what stands below is of one of several
        key = Key(index=int(numbered.group(1)), words=key.words)
    if _GUIDE.match(bare):
        key = Key(blocked=True, known=False, words=key.words)
    headings.append(_Heading(indent, None, key, number, _says(key)))


def _entry(label: _Segment, value: _Segment, outer: tuple[Key, ...], block: Hashable, *, cut: bool) -> Entry:
    text = label.text
    parents: tuple[Key, ...] = ()
    if _PATH.match(text):
        parts = re.split(r"[./]", text)
        parents = tuple(classify(part) for part in parts[:-1])
        text = parts[-1]
        block = (block, tuple(part for part, key in zip(parts[:-1], parents, strict=True) if _says(key)))
    key = combine((*outer, *parents), classify(text))
    if not key.quantity and outer and not outer[-1].known and not _says(outer[-1]):
        key = replace(key, known=False)  # "Status" under a heading that is not understood: of whatever that is
    return Entry(key, value.text, value.start, value.stop, label.start, block, cut)


def _is_label(text: str) -> bool:
    """Whether a text is a label that is understood, and names a quantity."""
    if not text or len(text) > 80:
        return False
    if _PATH.match(text) and "/" not in text:
        text = text.rpartition(".")[2]
    key = classify(text)
    return bool(key.quantity) and (key.known or key.quantity == "private")


_KEY_VALUE = re.compile(r"([A-Za-z_][\w-]{0,40})=([^\s=,;|\"']+)")
_KEY_VALUES = re.compile(r"[ \t]*[A-Za-z_][\w-]{0,40}=[^\s=,;|\"']+(?:[ ,;]+[A-Za-z_][\w-]{0,40}=[^\s=,;|\"']+)*[ ,;]*\Z")


def _pairs(line: _Segment, end: int) -> list[_Pair]:
    """Return the pairs on a line."""
    stamp = _STAMP.match(line.text)
    if stamp is not None:  # a line of a log: its time makes it a moment of its own
        first = line.start + stamp.start(1)
        rest = _Segment(line.text[stamp.end() :], line.start + stamp.end(), line.stop)
        pairs = _pairs(rest, end)
        return [_Pair(_Segment("time", first, first), _Segment(stamp.group(1), first, line.start + stamp.end(1))), *pairs] if pairs else []
    if line.text.count("=") > 1 and _KEY_VALUES.match(line.text) is not None:
        made = [
            _Pair(
                _Segment(one.group(1), line.start + one.start(1), line.start + one.end(1)), _Segment(one.group(2), line.start + one.start(2), line.start + one.end(2))
            )
            for one in _KEY_VALUE.finditer(line.text)
        ]
        return [] if any(classify(pair.label.text).quantity == "setting" for pair in made) else made
    if line.text.count('","') == 1 and len(cells := _commas(line)) == 2 and _is_label(cells[0].text):
        return [_Pair(cells[0], cells[1])]  # a list of names and values, in quotes
    segments = _segments(line)
    out: list[_Pair] = []
    about: tuple[Key, ...] = ()
    position = 0
    while position < len(segments):
        segment = segments[position]
        following = segments[position + 1] if position + 1 < len(segments) else None
        separator = _first_separator(segment.text)
        if separator is not None and separator.end() < len(segment.text):
            listed = _listed_after(segment, separator)
            if listed is not None:
                out.extend(listed)
                about = listed[0].about[:1] if position == 0 else about
            else:
                out.extend(pair._replace(about=(*about, *pair.about)) for pair in _within(segment))
        elif separator is not None:
            label = _Segment(segment.text[: separator.start()].strip(), segment.start, segment.start + separator.start())
            key = classify(label.text)
            if following is not None and key.known and _says(key) and not key.quantity.replace("role", "") and position == 0 and _reads(following):
                about = (key,)
            elif following is not None and _first_separator(following.text) is None and not _is_label(following.text):
                out.extend(pair._replace(about=about) for pair in _compound(label, following))
                position += 1
            elif label.text and following is None and not _opens_block(label.text) and _is_label(label.text) and segment.stop < end:
                out.append(_Pair(label, _Segment("", segment.stop, segment.stop), about))
        elif following is not None and (lead := _SEPARATOR.match(following.text)) is not None and lead.end() > 0 and _is_label(segment.text.strip()):
            after = following.text[lead.end() :]
            value = _Segment(after, following.start + lead.end(), following.stop)
            if not after and position + 2 < len(segments):
                value = segments[position + 2]
                position += 1
            out.extend(pair._replace(about=about) for pair in _compound(segment, value))
            position += 1
        elif position == 0 and len(segments) == 3 and _names_technology(segment) and _is_label(segments[1].text) and not _is_label(segments[2].text):
            about = (classify(segment.text),)
        elif following is not None and _is_label(segment.text) and not _is_label(following.text) and _first_separator(following.text) is None:
            if position + 2 < len(segments) and (_FIGURE.match(segments[position + 2].text) or _BAND_NAME.match(segments[position + 2].text)):
                break  # a row of several values: whose they are stands in a heading that was not understood
            more = segments[position + 2].text if position + 2 < len(segments) else ""
            if line.stop == end and ((position + 3 == len(segments) and not _is_label(more) and _first_separator(more) is None) or (not more and line.text[-1:].isspace())):
                break  # the text ends within a row that may go on
            out.extend(pair._replace(about=about) for pair in _compound(segment, following))
            position += 1
        else:
            pair = _glued(segment)
            if pair is not None:
                out.append(pair._replace(about=about))
        position += 1
    if any(classify(pair.label.text).quantity == "setting" for pair in out):
        return []  # a line of settings, whose "band" is one too
    return out


def _names_technology(segment: _Segment) -> bool:
    key = classify(segment.text)
    return key.known and key.rat is not None and not key.quantity


def _reads(segment: _Segment) -> bool:
    """Whether a segment holds a pair of its own."""
    separator = _first_separator(segment.text)
    return (separator is not None and _is_label(segment.text[: separator.start()].strip())) or _glued(segment) is not None or _is_label(segment.text)


def _of_one_carrier(pairs: list[_Pair]) -> list[_Pair]:
    """Return the pairs of a running line, whose first label names a role, with that role for those that name none: "PCC band: 3, pci: 211"."""
    first = classify(pairs[0].label.text)
    if not (first.role or first.index is not None) or pairs[0].about:
        return pairs
    whose = Key(rat=first.rat, role=first.role, index=first.index)
    keys = [classify(pair.label.text) for pair in pairs]
    if any((key.role or key.index is not None) and (key.role, key.index) != (first.role, first.index) for key in keys):
        return pairs
    return [pair._replace(about=(whose, *pair.about)) for pair in pairs]


def _has_more_below(lines: list[_Segment], position: int, indent: int) -> bool:
    """Whether the line below a list's item stands deeper than it, and is no item itself."""
    below = lines[position + 1].text if position + 1 < len(lines) else ""
    bare = below.lstrip(" \t")
    return bool(bare) and len(below) - len(bare) > indent and not bare.startswith("- ")


def _bare_segment(line: _Segment) -> _Segment:
    bare = line.text.strip(_DECORATION)
    start = line.start + (line.text.index(bare) if bare else 0)
    return _Segment(bare, start, start + len(bare))


def _joined(key: Key, about: tuple[Key, ...]) -> Key:
    """Return a heading's key with what the items on its line say of it."""
    whole = combine(about, key)
    return Key(rat=whole.rat, role=whole.role, index=whole.index, foreign=key.foreign and whole.rat is None, blocked=key.blocked, known=True, words=key.words)


def _listed_after(segment: _Segment, separator: re.Match[str]) -> list[_Pair] | None:
    """Return the pairs of "4G: RSRP -92 dBm, PCI 211" and of "Carrier 1 (PCC): LTE B3, 20 MHz", or None where a line is not of that form."""
    label = segment.text[: separator.start()].strip()
    key = classify(label)
    names_band = key.quantity == "band" and key.known
    if not names_band and not (key.known and key.quantity in {"", "role"}):
        return None
    value = _Segment(segment.text[separator.end() :], segment.start + separator.end(), segment.stop)
    listed = _items(value)
    if listed is None or (names_band and len(listed) < 2):
        return None
    about = Key(rat=key.rat, role=key.role, index=key.index)
    if names_band:  # the band itself names its technology, to the carrier that the line stands in
        listed = [pair._replace(about=tuple(one for one in pair.about if one.role)) for pair in listed]
    lead = listed[0].label.text
    listed[0] = listed[0]._replace(label=_Segment(label if names_band and lead == "band" else lead, segment.start, segment.start + separator.start()))
    return [pair._replace(about=(about, *pair.about)) for pair in listed]


_ITEM = re.compile(
    r"[ ]*(?:[,;|·•]|@|[ ]/[ ]|[ ]-[ ])[ ]*|/(?=\d+(?:\.\d)? ?MHz\b)|[ ]*\((?=\d+(?:\.\d)? ?MHz\)|[A-Z-]{3,}[ :=])|\)[ ,;]*|(?<!DL)(?<!UL)(?<!BW)[ ]+(?=(?:\d+(?:\.\d)? ?MHz|(?:RSRP|RSRQ|SINR|SNR|RSSI|PCI|EARFCN|N?R?-?ARFCN|SCS|CQI|TAC|MCC|MNC|TA|CI|rsrp|rsrq|sinr|snr|rssi|pci|earfcn)(?=[ :=]))\b)"
)
_LISTS = re.compile(r"[,;|·•@/]")
_OPENING = re.compile(r"(?i)(?:connected (?:to|via|on)|camped on|attached to|using|(?P<also>aggregated with|together with|plus|and))[ ]+")
_NETWORK_ITEM = re.compile(r"(MCC|MNC) ?[:=]? ?(\d{2,3})")
_STATE_ITEM = re.compile(r"(?i)(?:not )?(?:active|activated)|inactive|deactivated|configured")
_WIDTH_ITEM = re.compile(r"(?:(?:DL |UL |BW ?:? ?)?)(\d{1,3}(?:\.\d)?) ?MHz(?: wide| bandwidth| width)?\Z", re.IGNORECASE)
_FREQUENCY_ITEM = re.compile(r"(?:FDD |TDD )?\d{3,5}(?:\.\d+)?\+? ?(?:MHz)?\Z|\d(?:\.\d+)? ?GHz\Z", re.IGNORECASE)


def _items(segment: _Segment) -> list[_Pair] | None:
    """Return the pairs of a list whose items are a band, a width in MHz, labels with values, technologies and roles; None if any is none of these.

    There must be one band at most, and something besides technologies and roles.
    """
    if len(segment.text) > 160 or not any(letter.isdigit() for letter in segment.text):
        return None
    pairs: list[_Pair] = []
    about: list[Key] = []
    place = 0
    bounds = [(m.start(), m.end()) for m in _ITEM.finditer(segment.text)]
    for start, stop in [*bounds, (len(segment.text), len(segment.text))]:
        part = segment.text[place:start]
        bare = part.strip()
        first = segment.start + place + (part.index(bare) if bare else 0)
        place = stop
        if not bare:
            continue
        if not _item(_Segment(bare, first, first + len(bare)), pairs, about):
            return None
    if not pairs or sum(pair.label.text == "band" for pair in pairs) > 1 or any(classify(pair.label.text).quantity == "setting" for pair in pairs):
        return None
    whose = tuple(about)
    return [pair._replace(about=whose) for pair in pairs]


def _item(item: _Segment, pairs: list[_Pair], about: list[Key]) -> bool:
    """Put one item to the pairs, or to what says whose they are; return whether it was understood."""
    synthetic = _Segment("band", item.start, item.start)
    if (width := _WIDTH_ITEM.match(item.text)) is not None and float(width.group(1)) <= 400:
        way = "uplink bandwidth" if item.text[:2].upper() == "UL" else "bandwidth"
        end = item.text.upper().rindex("MHZ") + 3
        pairs.append(_Pair(synthetic._replace(text=way), _Segment(item.text[width.start(1) : end], item.start + width.start(1), item.start + end)))
        return True
    if _STATE_ITEM.fullmatch(item.text):
        meant = "inactive" if item.text.lower().startswith("not") else item.text
        pairs.append(_Pair(synthetic._replace(text="scell state"), item._replace(text=meant)))
        return True
    if (network := _NETWORK_ITEM.fullmatch(item.text)) is not None:
        first = item.start + network.start(2)
        pairs.append(_Pair(_Segment(network.group(1), item.start, first), _Segment(network.group(2), first, item.stop)))
        return True
    if item.text.isdecimal() and pairs:
        return True  # a number without a label: left over
    if (opening := _OPENING.match(item.text)) is not None and not pairs:
        about.append(Key(role="secondary" if opening.group("also") else "serving"))
        item = _Segment(item.text[opening.end() :], item.start + opening.end(), item.stop)
    if (_FREQUENCY_ITEM.match(item.text) or width is not None) and pairs:
        return True
    key = classify(item.text)
    if key.known and _says(key) and key.quantity in {"", "role"}:
        about.append(key)
        return True
    glued = _glued(item)
    if glued is not None and glued.label.text.lower() != "band":
        pairs.append(glued)
        return True
    separator = _first_separator(item.text)
    if separator is not None and separator.end() < len(item.text) and _is_label(item.text[: separator.start()].strip()):
        pairs.extend(_within(item))
        return True
    for gap in [0, *(m.end() for m in re.finditer(r"[ ]", item.text))]:
        lead, rest = item.text[:gap].strip(), item.text[gap:]
        before = classify(lead) if lead else None
        if before is not None and not (before.known and _says(before) and before.quantity in {"", "role"}):
            continue
        made = band_of(rest)
        if made is not None and (made[0] is not None or "band" in rest.lower()) and re.fullmatch(r"[ ]*(?:\([^()]*\)?)?", rest[made[2] :]):
            if before is not None:
                about.append(before)
            if made[0] is not None:
                about.append(Key(rat=made[0]))
            pairs.append(_Pair(synthetic, _Segment(rest, item.start + gap, item.stop)))
            return True
    return False


def _opens_block(text: str) -> bool:
    """Whether a label without a value is a heading: what it names is no quantity, or a carrier."""
    key = classify(text)
    return (
        not key.quantity
        or key.quantity in {"role", "mode", "state", "registration"}
        or bool(key.words and key.words[-1] in {"cell", "carrier", "info", "signal"})
    )


def _segments(line: _Segment) -> list[_Segment]:
    out = []
    place = 0
    text = line.text
    for mark in _SEGMENT.finditer(text):
        out.append((place, mark.start()))
        place = mark.end()
    out.append((place, len(text)))
    made = []
    for start, stop in out:
        piece = text[start:stop]
        bare = piece.strip()
        lead = len(piece) - len(piece.lstrip())
        if bare.startswith(("- ", "* ", "• ", "+ ")):
            lead += 2
            bare = bare[2:].lstrip()
            lead = piece.index(bare, min(lead, len(piece))) if bare else lead
        if bare:
            made.append(_Segment(bare, line.start + start + lead, line.start + start + lead + len(bare)))
    return made


def _first_separator(text: str) -> re.Match[str] | None:
    """Return the separator between a label and its value: not the colon of a time or an address."""
    for found in _SEPARATOR.finditer(text):
        if found.start() == 0:
            return None
        before, after = text[found.start() - 1], text[found.end() : found.end() + 1]
        if ":" in found.group() and before.isdigit() and after.isdigit() and found.group() == ":" and re.search(r"(?:^|\D)\d{1,2}\Z", text[: found.start()]):
            return None
        return found
    return None


def _within(segment: _Segment) -> list[_Pair]:
    """Return the pairs of "label: value", of "label: value label: value", and of compound labels."""
    text = segment.text
    marks = list(_SEPARATOR.finditer(text))
    marks = [mark for mark in marks if mark.start() > 0 and mark.end() > mark.start()]
    first = marks[0]
    label = text[: first.start()].strip()
    label_start = segment.start
    value_from = first.end()
    out: list[_Pair] = []
    whose = classify(label)
    about = (
        (Key(rat=whose.rat, role=whose.role, index=whose.index, foreign=whose.foreign),) if not whose.quantity and not whose.blocked and _says(whose) else ()
    )
    for mark in marks[1:]:
        inner = _label_before(text, value_from, mark.start())
        if inner is None:
            continue
        value = text[value_from:inner].rstrip(" \t,;|/")
        out.extend(
            _compound(
                _Segment(label, label_start, label_start + len(label)), _Segment(value, segment.start + value_from, segment.start + value_from + len(value))
            )
        )
        label, label_start, value_from = text[inner : mark.start()].strip(), segment.start + inner, mark.end()
    value = text[value_from:].rstrip()
    out.extend(
        _compound(_Segment(label, label_start, label_start + len(label)), _Segment(value, segment.start + value_from, segment.start + value_from + len(value)))
    )
    return [pair._replace(about=about) for pair in out] if about and len(out) > 1 else out


def _label_before(text: str, low: int, high: int) -> int | None:
    """Return where a known label begins that ends at high, not before low; the longest one."""
    starts = [m.start() for m in re.finditer(r"(?<![^\s,;|/(])[A-Za-z]", text[low:high])]
    for start in starts:
        if start == 0:
            continue  # a value stands there
        candidate = text[low + start : high].strip()
        if _is_label(candidate) and text[low + start - 1] in " \t,;|/(":
            return low + start
    return None


def _compound(label: _Segment, value: _Segment) -> list[_Pair]:
    """Return one pair, or several where label and value are parted alike: "RSRP/RSRQ: -95/-11 dB", "EARFCN (DL/UL): 1300/19300"."""
    ways = _WAYS.search(label.text)
    if ways is not None and "/" in value.text and len(values := _parts(value)) == 2:
        name = (label.text[: ways.start()] + label.text[ways.end() :]).strip()
        unit = re.search(r"[A-Za-z]+\Z", values[1].text)
        first = values[0]._replace(text=f"{values[0].text} {unit.group()}") if unit is not None and values[0].text.isdecimal() else values[0]
        pairs = [_Pair(label._replace(text=f"{way} {name}"), part) for way, part in zip(ways.groups(), (first, values[1]), strict=True)]
        return pairs if all(_is_label(pair.label.text) for pair in pairs) else [_Pair(label, value)]
    both = _BOTH_WAYS.fullmatch(value.text)
    if both is not None and classify(label.text).quantity == "arfcn":
        return [
            _Pair(label._replace(text=f"{way} {label.text}"), _Segment(both.group(number), value.start + both.start(number), value.start + both.end(number)))
            for way, number in (("DL", 1), ("UL", 2))
        ]
    if "/" in label.text and not _is_label(label.text) and "/" in value.text:
        labels, values = _parts(label), _parts(value)
        if len(labels) == 2 and (" " in labels[1].text) and {labels[0].text.upper(), labels[1].text.split()[0].upper()} == {"DL", "UL"}:
            tail = labels[1].text.partition(" ")[2]
            labels[0] = labels[0]._replace(text=f"{labels[0].text} {tail}")
        if len(labels) == len(values) and all(_is_label(part.text) for part in labels):
            return [_Pair(*both) for both in zip(labels, values, strict=True)]
    return [_Pair(label, value)]


_WAYS = re.compile(r"[ ]?[(\[](DL|UL|Down(?:link)?|Up(?:link)?) ?/ ?(UL|DL|Up(?:link)?|Down(?:link)?)[)\]]", re.IGNORECASE)
_BOTH_WAYS = re.compile(r"(?i)DL ?[:=]? ?(\d{1,7})[ ,;/]+UL ?[:=]? ?(\d{1,7})")


def _parts(segment: _Segment) -> list[_Segment]:
    out, place = [], 0
    for part in segment.text.split("/"):
        bare = part.strip()
        start = segment.start + place + (len(part) - len(part.lstrip()))
        out.append(_Segment(bare, start, start + len(bare)))
        place += len(part) + 1
    return out


_VALUE_FIRST = re.compile(r"(-?\d{1,3}(?:[.,]\d{1,2})? ?dBm?) ([A-Z][A-Za-z -]{1,30})")


def _glued(segment: _Segment) -> _Pair | None:
    """Return "RSRP -95 dBm" as a pair: the longest known label at the beginning, if all that follows is its value."""
    text = segment.text
    if len(text) > 60:
        return None
    turned = _VALUE_FIRST.fullmatch(text)
    if turned is not None and _is_label(turned.group(2)):
        return _Pair(
            _Segment(turned.group(2), segment.start, segment.stop), _Segment(turned.group(1), segment.start, segment.start + turned.end(1))
        )
    gaps = [m.start() for m in re.finditer(" ", text)]
    for gap in reversed(gaps):
        label, value = text[:gap], text[gap + 1 :].lstrip()
        key = classify(label)
        if not key.quantity or not key.known or not value:
            continue
        start = segment.stop - len(value)
        fits = (
            mode_of(value) is not None
            if key.quantity == "mode"
            else registration_of(value) is not None
            if key.quantity == "registration"
            else key.quantity not in {"role", "time", "mcc", "mnc", "private", "ul_other", "sector", "gnb_id", "ecgi", "temperature_c"}
            and (
                (made := read_value(key, value, start)) is not None
                and made.field is not None
                and (made.field.state is not FieldState.UNKNOWN or value in {"-", "--", "n/a"})
            )
        )
        if fits:
            return _Pair(_Segment(label, segment.start, segment.start + len(label)), _Segment(value, start, segment.stop))
    return None


# --- tables -----------------------------------------------------------------------------------------------------------------------


def read_table(lines: list[_Segment], position: int, text: str, outer: tuple[Key, ...]) -> tuple[list[list[Entry]], int, list[tuple[int, int]]] | None:
    """Return the rows of a table that begins with a line of known headings, the position after it, and its headings' spans; None for no table.

    At least three headings must be known, or all of two. Rows have as many cells as the heading; a row with fewer ends the table.
    """
    line = lines[position]
    if len(line.text) > 2000 or position + 1 >= len(lines) or ((":" in line.text or "=" in line.text) and "|" not in line.text and "\t" not in line.text):
        return None
    for cutter in (_pipes, _tabs, _semicolons, _commas, _columns, _blanks):
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
        if bands or _names_columns(keys, tight=cutter is _blanks):
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


def _bands_as_columns(head: list[_Segment], keys: list[Key]) -> list[Key]:
    """Return what the bands of a heading "Band B3 B7 n78" say of their columns; nothing where it is none."""
    if keys[0].quantity != "band" or not keys[0].known or len(head) < 3:
        return []
    found = [band_of(cell.text) for cell in head[1:]]
    columns = [Key(rat=made[0]) for made, cell in zip(found, head[1:], strict=True) if made is not None and made[0] is not None and made[2] == len(cell.text)]
    return columns if len(columns) == len(head) - 1 else []


def _names_columns(keys: list[Key], *, tight: bool) -> bool:
    """Whether headings name carriers, each another one. tight: parted by single blanks, where "5G NR" could be one heading."""
    named = [(key.rat, key.role, key.index) for key in keys if _says(key) and key.known and key.quantity in {"", "role"}]
    return len(named) >= 2 and len(set(named)) == len(named) and not (tight and len(named) < len(keys))


def _cut(line: _Segment, pattern: re.Pattern[str], *, keep_empty: bool) -> list[_Segment]:
    out: list[_Segment] = []
    place = 0
    text, start_of_line = line.text, line.start
    for mark in pattern.finditer(text):
        _cell(text, place, mark.start(), start_of_line, out, keep_empty=keep_empty)
        place = mark.end()
    _cell(text, place, len(text), start_of_line, out, keep_empty=keep_empty)
    return out


def _split(line: _Segment, letter: str) -> list[_Segment]:
    """Return the cells between single characters: as _cut, and twice as fast."""
    out: list[_Segment] = []
    place = line.start
    for part in line.text.split(letter):
        bare = part.strip(_AROUND_CELLS)
        first = place + (part.index(bare) if bare else 0)
        out.append(_Segment(bare, first, first + len(bare)))
        place += len(part) + 1
    return out


def _cell(text: str, start: int, stop: int, start_of_line: int, out: list[_Segment], *, keep_empty: bool) -> None:
    bare = text[start:stop].strip(_AROUND_CELLS)
    if bare or keep_empty:
        first = start_of_line + start + (text[start:stop].index(bare) if bare else 0)
        out.append(_Segment(bare, first, first + len(bare)))


_AROUND_CELLS = " \t\"'"
_PIPE, _WIDE, _BLANK = (re.compile(p) for p in (r"[|│┃║]", r"[ ]{2,}|\t+", r"[ \t]+"))


def _pipes(line: _Segment) -> list[_Segment]:
    cells = _split(line, "|") if line.text.isascii() else _cut(line, _PIPE, keep_empty=True)
    bare = line.text.strip()
    if len(cells) > 1 and bare[:1] in "|│┃║":
        cells = cells[1:]
    if len(cells) > 1 and bare[-1:] in "|│┃║":
        cells = cells[:-1]
    return cells


def _tabs(line: _Segment) -> list[_Segment]:
    return _split(line, "\t") if "\t" in line.text.strip() else []


def _semicolons(line: _Segment) -> list[_Segment]:
    return _split(line, ";") if ";" in line.text else []


def _commas(line: _Segment) -> list[_Segment]:
    return _split(line, ",") if "," in line.text else []


def _columns(line: _Segment) -> list[_Segment]:
    return _cut(line, _WIDE, keep_empty=False) if "  " in line.text.strip() or "\t" in line.text.strip() else []


def _blanks(line: _Segment) -> list[_Segment]:
    return _cut(line, _BLANK, keep_empty=False)


def _under(line: _Segment, heading: _Segment, head: list[_Segment]) -> list[_Segment]:
    """Return the cells of a row by the places of the headings above them; none where a cell's text runs over a heading's beginning."""
    edges = [cell.start - heading.start for cell in head[1:]]
    text = line.text
    if any(edge <= len(text) and edge > 0 and not text[edge - 1 : edge].isspace() for edge in edges) or len(text) <= edges[-1]:
        return []
    out = []
    for start, stop in pairwise((0, *edges, len(text))):
        bare = text[start:stop].strip()
        first = line.start + start + (text[start:stop].index(bare) if bare else 0)
        out.append(_Segment(bare, first, first + len(bare)))
    return out


def _rows(
    lines: list[_Segment], position: int, cutter: object, head: list[_Segment], keys: list[Key], text: str, outer: tuple[Key, ...], spans: list[tuple[int, int]]
) -> tuple[list[list[Entry]], int]:
    rows: list[list[Entry]] = []
    heading = position - 1
    while position < len(lines):
        line = lines[position]
        if _RULE.match(line.text) and line.text.strip():
            position += 1
            continue
        cells = cutter(line) if callable(cutter) else []
        last = line.stop == len(text)
        if len(cells) != len(head) and cutter in {_columns, _blanks}:
            cells = _under(line, lines[heading], head) or cells
        if len(cells) != len(head) and not (last and 0 < len(cells) < len(head) and cutter not in {_columns, _blanks}):
            break
        if not line.text.strip() or (
            not rows and any(cell.text and classify(cell.text).quantity and classify(cell.text).known and len(cell.text) > 2 for cell in cells[1:])
        ):
            break
        if _GUIDE.match(cells[0].text) or not any(character.isdigit() for character in line.text):
            if not rows or sum(_is_label(cell.text) for cell in cells) > 1:
                break  # the next table's heading
            position += 1
            continue
        rows.append(_row(cells, keys, outer, position, text, spans))
        position += 1
    return rows, position


def _row(cells: list[_Segment], keys: list[Key], outer: tuple[Key, ...], number: int, text: str, spans: list[tuple[int, int]]) -> list[Entry]:
    """Return the entries of one row; cells that name a technology or a role speak for the whole row."""
    said = list(outer)
    for number_of_key, key in enumerate(keys):  # a row whose flag may be cut: it could be a neighbour's
        if key.role and key.known and key.quantity in {"", "role"}:
            flag_cell = cells[number_of_key] if number_of_key < len(cells) else None
            if flag_cell is None or (flag_cell.stop >= _end(text) and flag_cell.text.lower() not in {"yes", "no", "true", "false"}):
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
        if key.words == ("state",) and _STATE_ITEM.fullmatch(cell.text):
            key = classify("scell state")
        if not key.quantity or not key.known or key.quantity in {"role", "mode"}:
            continue
        start = cell.start
        if not cell.text:
            continue
        if port is not None:
            if port and key.quantity in {"rsrp", "rsrq", "rssi", "sinr"}:
                own = combine(context, replace(key, quantity=f"{key.quantity}_per_port", port=port))
                out.append(Entry(own, cell.text, start, cell.stop, start, ("ports",), cut=cell.stop >= _end(text)))
            continue
        out.append(Entry(combine(context, key), cell.text, start, cell.stop, start, ("row", number), cut=cell.stop >= _end(text)))
    return out


def _port_of(text: str) -> str:
    """Return the receive port that a row is of, as printed; "" where the name is none: "old" and "new" are two antennas."""
    name = text.strip().lower()
    return name if _PORT_NAME.fullmatch(name) else ""


_PORT_NAME = re.compile(r"main|div(?:ersity)?|[pd]rx|(?:rx|ant(?:enna)?|port|chain|branch|mimo)? ?#?\d")


def _turned(
    lines: list[_Segment],
    position: int,
    cutter: object,
    keys: list[Key],
    text: str,
    outer: tuple[Key, ...],
    spans: list[tuple[int, int]],
    head: list[_Segment],
) -> tuple[list[list[Entry]], int]:
    """Read a table whose columns are carriers and whose rows are quantities."""
    out: list[Entry] = []
    understood = 0
    first = position
    corner = not _says(keys[0])  # whether the heading has a cell above the labels
    columns = keys[1:] if corner else keys
    while position < len(lines):
        line = lines[position]
        if _RULE.match(line.text) and line.text.strip():
            position += 1
            continue
        cells = cutter(line) if callable(cutter) else []
        if len(cells) != len(columns) + 1 and cutter is _columns and len(head) == len(columns) + 1:
            cells = _under(line, lines[first - 1], head) or cells
        if not line.text.strip() or len(cells) != len(columns) + 1 or (cutter is _blanks and corner) or (not understood and position > first + 6):
            break
        label = cells[0]
        key = classify(label.text.rstrip(": "))
        if key.quantity and key.known:
            understood += 1
            spans.append((label.start, label.stop))
            for number, (cell, column) in enumerate(zip(cells[1:], columns, strict=False)):
                if cell.text and cell.text.lower() not in UNKNOWN_TEXTS and _says(column):
                    out.append(
                        Entry(
                            combine((*outer, column), key), cell.text, cell.start, cell.stop, cell.start, ("column", first, number), cut=cell.stop >= _end(text)
                        )
                    )
        position += 1
    return ([out], position) if understood else ([], first)

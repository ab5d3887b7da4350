"""The pairs of a line, and of lines that print a label above its value."""

from __future__ import annotations

import re

from bandwright.readings.labels import Key, classify
from bandwright.readings.page.cells import by_commas
from bandwright.readings.page.forms import compound, glued_pair, within
from bandwright.readings.page.items import listed_after
from bandwright.readings.page.lines import SEPARATOR, STAMP, Pair, Segment, first_separator, is_label, next_said, says, segments_of, stripped
from bandwright.readings.values import UNKNOWN_TEXTS, read_value
from bandwright.words.radio import FieldState

__all__ = ["of_one_carrier", "pairs_of", "plain_pair", "stacked_pairs"]

_FIGURE = re.compile(r"-?\d+(?:[.,]\d+)?(?: ?(?:dBm?|MHz))?\Z")
_BAND_NAME = re.compile(r"[Bbn]\d{1,3}\Z")
_KEY_VALUE = re.compile(r"([A-Za-z_][\w-]{0,40})=([^\s=,;|\"']+)")
_KEY_VALUES = re.compile(r"[ \t]*[A-Za-z_][\w-]{0,40}=[^\s=,;|\"']+(?:[ ,;]+[A-Za-z_][\w-]{0,40}=[^\s=,;|\"']+)*[ ,;]*\Z")
_PLAIN = re.compile(r"[ \t]*([A-Za-z][A-Za-z0-9_()-]*(?: [A-Za-z0-9_()-]+){0,5}) ?[:=][ \t]*([^\s:=|,;·]+(?: [^\s:=|,;·(]+)?(?: \(\d{3,4} MHz\))?)[ \t]*\Z")
_PLAIN_UNKNOWN = re.compile(r"[ \t]*([A-Za-z][A-Za-z0-9_-]*(?: [A-Za-z0-9_-]+){0,5}) ?:[ \t]*([^\s:=|,;·/][^\t:=|,;·/]*?)[ \t]*\Z")


def pairs_of(line: Segment, end: int) -> list[Pair]:
    """Return the pairs on a line."""
    stamp = STAMP.match(line.text)
    if stamp is not None:  # a line of a log: its time makes it a moment of its own
        first = line.start + stamp.start(1)
        rest = Segment(line.text[stamp.end() :], line.start + stamp.end(), line.stop)
        pairs = pairs_of(rest, end)
        return [Pair(Segment("time", first, first), Segment(stamp.group(1), first, line.start + stamp.end(1))), *pairs] if pairs else []
    if line.text.count("=") > 1 and _KEY_VALUES.match(line.text) is not None:
        made = [
            Pair(
                Segment(one.group(1), line.start + one.start(1), line.start + one.end(1)),
                Segment(one.group(2), line.start + one.start(2), line.start + one.end(2)),
            )
            for one in _KEY_VALUE.finditer(line.text)
        ]
        return [] if any(classify(pair.label.text).quantity == "setting" for pair in made) else made
    if line.text.count('","') == 1 and len(cells := by_commas(line)) == 2 and is_label(cells[0].text):
        return [Pair(cells[0], cells[1])]  # a list of names and values, in quotes
    segments = segments_of(line)
    out: list[Pair] = []
    about: tuple[Key, ...] = ()
    position = 0
    while position < len(segments):
        segment = segments[position]
        following = segments[position + 1] if position + 1 < len(segments) else None
        separator = first_separator(segment.text)
        if separator is not None and separator.end() < len(segment.text):
            listed = listed_after(segment, separator)
            if listed is not None:
                out.extend(listed)
                about = listed[0].about[:1] if position == 0 else about
            else:
                out.extend(pair._replace(about=(*about, *pair.about)) for pair in within(segment))
        elif separator is not None:
            label = Segment(segment.text[: separator.start()].strip(), segment.start, segment.start + separator.start())
            key = classify(label.text)
            if following is not None and key.known and says(key) and not key.quantity.replace("role", "") and position == 0 and _reads(following):
                about = (key,)
            elif following is not None and first_separator(following.text) is None and not is_label(following.text):
                out.extend(pair._replace(about=about) for pair in compound(label, following))
                position += 1
            elif label.text and following is None and not _opens_block(label.text) and is_label(label.text) and segment.stop < end:
                out.append(Pair(label, Segment("", segment.stop, segment.stop), about))
        elif following is not None and (lead := SEPARATOR.match(following.text)) is not None and lead.end() > 0 and is_label(segment.text.strip()):
            after = following.text[lead.end() :]
            value = Segment(after, following.start + lead.end(), following.stop)
            if not after and position + 2 < len(segments):
                value = segments[position + 2]
                position += 1
            out.extend(pair._replace(about=about) for pair in compound(segment, value))
            position += 1
        elif position == 0 and len(segments) == 3 and _names_technology(segment) and is_label(segments[1].text) and not is_label(segments[2].text):
            about = (classify(segment.text),)
        elif following is not None and is_label(segment.text) and not is_label(following.text) and first_separator(following.text) is None:
            if position + 2 < len(segments) and (_FIGURE.match(segments[position + 2].text) or _BAND_NAME.match(segments[position + 2].text)):
                break  # a row of several values: whose they are stands in a heading that was not understood
            more = segments[position + 2].text if position + 2 < len(segments) else ""
            if line.stop == end and (
                (position + 3 == len(segments) and not is_label(more) and first_separator(more) is None) or (not more and line.text[-1:].isspace())
            ):
                break  # the text ends within a row that may go on
            out.extend(pair._replace(about=about) for pair in compound(segment, following))
            position += 1
        else:
            pair = glued_pair(segment)
            if pair is not None:
                out.append(pair._replace(about=about))
        position += 1
    if any(classify(pair.label.text).quantity == "setting" for pair in out):
        return []  # a line of settings, whose "band" is one too
    return out


def plain_pair(line: Segment) -> Pair | None:
    """Return the pair of a line that holds one label and one short value and nothing else, as most lines do, without looking for more."""
    found = _PLAIN.match(line.text)
    if found is None:
        found = _PLAIN_UNKNOWN.match(line.text)
        if found is None or "  " in found.group(2) or classify(found.group(1)).known or classify(found.group(1)).quantity:
            return None
    else:
        key = classify(found.group(1))
        if key.quantity in {"role", "setting"} or (not key.quantity and (key.known or says(key))) or "/" in found.group(2):
            return None
    start = line.start
    return Pair(Segment(found.group(1), start + found.start(1), start + found.end(1)), Segment(found.group(2), start + found.start(2), start + found.end(2)))


def stacked_pairs(lines: list[Segment], position: int, end: int) -> tuple[list[Pair], int] | None:
    """Return the pairs of a page that prints each label above its value, and where they end; None where fewer than two follow each other."""
    pairs: list[Pair] = []
    after = position
    while True:
        at = next_said(lines, after)
        under = next_said(lines, at + 1)
        if under >= len(lines) or under > at + 2:
            break
        label, value = stripped(lines[at]), stripped(lines[under])
        if first_separator(label.text) is not None or not is_label(label.text) or is_label(value.text) or first_separator(value.text) is not None:
            break
        key = classify(label.text)
        if key.quantity not in {"mode", "registration"}:
            made = read_value(key, value.text, value.start, cut=value.stop == end)
            if made is None or made.field is None or (made.field.state is not FieldState.OK and value.text.lower() not in UNKNOWN_TEXTS and value.stop < end):
                break
        pairs.append(Pair(label, value))
        after = under + 1
    return (pairs, after) if len(pairs) > 1 else None


def _names_technology(segment: Segment) -> bool:
    key = classify(segment.text)
    return key.known and key.rat is not None and not key.quantity


def _reads(segment: Segment) -> bool:
    """Whether a segment holds a pair of its own."""
    separator = first_separator(segment.text)
    return (separator is not None and is_label(segment.text[: separator.start()].strip())) or glued_pair(segment) is not None or is_label(segment.text)


def of_one_carrier(pairs: list[Pair]) -> list[Pair]:
    """Return the pairs of a running line, whose first label names a role, with that role for those that name none: "PCC band: 3, pci: 211"."""
    first = classify(pairs[0].label.text)
    if not (first.role or first.index is not None) or pairs[0].about:
        return pairs
    whose = Key(rat=first.rat, role=first.role, index=first.index)
    keys = [classify(pair.label.text) for pair in pairs]
    if any((key.role or key.index is not None) and (key.role, key.index) != (first.role, first.index) for key in keys):
        return pairs
    return [pair._replace(about=(whose, *pair.about)) for pair in pairs]


def _opens_block(text: str) -> bool:
    """Whether a label without a value is a heading: what it names is no quantity, or a carrier."""
    key = classify(text)
    return (
        not key.quantity
        or key.quantity in {"role", "mode", "state", "registration"}
        or bool(key.words and key.words[-1] in {"cell", "carrier", "info", "signal"})
    )

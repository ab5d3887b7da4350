"""The forms of a pair within one segment: "label: value", several of them in a row, compound labels, and a label without a separator."""

from __future__ import annotations

import re

from bandwright.readings.labels import Key, classify
from bandwright.readings.page.lines import SEPARATOR, Pair, Segment, is_label, says
from bandwright.readings.values import mode_of, read_value, registration_of
from bandwright.words.radio import FieldState

__all__ = ["compound", "glued_pair", "within"]

_WAYS = re.compile(r"[ ]?[(\[](DL|UL|Down(?:link)?|Up(?:link)?) ?/ ?(UL|DL|Up(?:link)?|Down(?:link)?)[)\]]", re.IGNORECASE)
_BOTH_WAYS = re.compile(r"(?i)DL ?[:=]? ?(\d{1,7})[ ,;/]+UL ?[:=]? ?(\d{1,7})")
_VALUE_FIRST = re.compile(r"(-?\d{1,3}(?:[.,]\d{1,2})? ?dBm?) ([A-Z][A-Za-z -]{1,30})")


def within(segment: Segment) -> list[Pair]:
    """Return the pairs of "label: value", of "label: value label: value", and of compound labels."""
    text = segment.text
    marks = list(SEPARATOR.finditer(text))
    marks = [mark for mark in marks if mark.start() > 0 and mark.end() > mark.start()]
    first = marks[0]
    label = text[: first.start()].strip()
    label_start = segment.start
    value_from = first.end()
    out: list[Pair] = []
    whose = classify(label)
    about = (Key(rat=whose.rat, role=whose.role, index=whose.index, foreign=whose.foreign),) if not whose.quantity and not whose.blocked and says(whose) else ()
    for mark in marks[1:]:
        inner = _label_before(text, value_from, mark.start())
        if inner is None:
            continue
        value = text[value_from:inner].rstrip(" \t,;|/")
        out.extend(
            compound(Segment(label, label_start, label_start + len(label)), Segment(value, segment.start + value_from, segment.start + value_from + len(value)))
        )
        label, label_start, value_from = text[inner : mark.start()].strip(), segment.start + inner, mark.end()
    value = text[value_from:].rstrip()
    out.extend(
        compound(Segment(label, label_start, label_start + len(label)), Segment(value, segment.start + value_from, segment.start + value_from + len(value)))
    )
    return [pair._replace(about=about) for pair in out] if about and len(out) > 1 else out


def _label_before(text: str, low: int, high: int) -> int | None:
    """Return where a known label begins that ends at high, not before low; the longest one."""
    starts = [m.start() for m in re.finditer(r"(?<![^\s,;|/(])[A-Za-z]", text[low:high])]
    for start in starts:
        if start == 0:
            continue  # a value stands there
        candidate = text[low + start : high].strip()
        if is_label(candidate) and text[low + start - 1] in " \t,;|/(":
            return low + start
    return None


def compound(label: Segment, value: Segment) -> list[Pair]:
    """Return one pair, or several where label and value are parted alike: "RSRP/RSRQ: -95/-11 dB", "EARFCN (DL/UL): 1300/19300"."""
    ways = _WAYS.search(label.text)
    if ways is not None and "/" in value.text and len(values := _parts(value)) == 2:
        name = (label.text[: ways.start()] + label.text[ways.end() :]).strip()
        unit = re.search(r"[A-Za-z]+\Z", values[1].text)
        first = values[0]._replace(text=f"{values[0].text} {unit.group()}") if unit is not None and values[0].text.isdecimal() else values[0]
        pairs = [Pair(label._replace(text=f"{way} {name}"), part) for way, part in zip(ways.groups(), (first, values[1]), strict=True)]
        return pairs if all(is_label(pair.label.text) for pair in pairs) else [Pair(label, value)]
    both = _BOTH_WAYS.fullmatch(value.text)
    if both is not None and classify(label.text).quantity == "arfcn":
        return [
            Pair(label._replace(text=f"{way} {label.text}"), Segment(both.group(number), value.start + both.start(number), value.start + both.end(number)))
            for way, number in (("DL", 1), ("UL", 2))
        ]
    if "/" in label.text and not is_label(label.text) and "/" in value.text:
        labels, values = _parts(label), _parts(value)
        if len(labels) == 2 and (" " in labels[1].text) and {labels[0].text.upper(), labels[1].text.split()[0].upper()} == {"DL", "UL"}:
            tail = labels[1].text.partition(" ")[2]
            labels[0] = labels[0]._replace(text=f"{labels[0].text} {tail}")
        if len(labels) == len(values) and all(is_label(part.text) for part in labels):
            return [Pair(*both) for both in zip(labels, values, strict=True)]
    return [Pair(label, value)]


def _parts(segment: Segment) -> list[Segment]:
    out, place = [], 0
    for part in segment.text.split("/"):
        bare = part.strip()
        start = segment.start + place + (len(part) - len(part.lstrip()))
        out.append(Segment(bare, start, start + len(bare)))
        place += len(part) + 1
    return out


def glued_pair(segment: Segment) -> Pair | None:
    """Return "RSRP -95 dBm" as a pair: the longest known label at the beginning, if all that follows is its value."""
    text = segment.text
    if len(text) > 60:
        return None
    turned = _VALUE_FIRST.fullmatch(text)
    if turned is not None and is_label(turned.group(2)):
        return Pair(Segment(turned.group(2), segment.start, segment.stop), Segment(turned.group(1), segment.start, segment.start + turned.end(1)))
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
            return Pair(Segment(label, segment.start, segment.start + len(label)), Segment(value, start, segment.stop))
    return None

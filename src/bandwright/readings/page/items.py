"""Lists of what is known of one carrier: "LTE B3, 20 MHz, PCI 211, RSRP -92 dBm".

A list counts only if each of its items is understood; then its technologies and roles say whose the others are.
"""

from __future__ import annotations

import re

from bandwright.readings.labels import Key, classify
from bandwright.readings.page.forms import glued_pair, within
from bandwright.readings.page.lines import STAMP, STATE_ITEM, Pair, Segment, bare_segment, first_separator, is_label, says
from bandwright.readings.values import band_of

__all__ = ["carrier_of", "is_one_carrier", "items_of", "listed_after"]

_ITEM = re.compile(
    r"[ ]*(?:[,;|·•]|@|[ ]/[ ]|[ ]-[ ])[ ]*|/(?=\d+(?:\.\d)? ?MHz\b)|[ ]*\((?=\d+(?:\.\d)? ?MHz\)|[A-Z-]{3,}[ :=])|\)[ ,;]*|(?<!DL)(?<!UL)(?<!BW)[ ]+(?=(?:\d+(?:\.\d)? ?MHz|(?:RSRP|RSRQ|SINR|SNR|RSSI|PCI|EARFCN|N?R?-?ARFCN|SCS|CQI|TAC|MCC|MNC|TA|CI|rsrp|rsrq|sinr|snr|rssi|pci|earfcn)(?=[ :=]))\b)"
)
_LISTS = re.compile(r"[,;|·•@/]")
_OPENING = re.compile(r"(?i)(?:connected (?:to|via|on)|camped on|attached to|using|(?P<also>aggregated with|together with|plus|and))[ ]+")
_NETWORK_ITEM = re.compile(r"(MCC|MNC) ?[:=]? ?(\d{2,3})")
_WIDTH_ITEM = re.compile(r"(?:(?:DL |UL |BW ?:? ?)?)(\d{1,3}(?:\.\d)?) ?MHz(?: wide| bandwidth| width)?\Z", re.IGNORECASE)
_FREQUENCY_ITEM = re.compile(r"(?:FDD |TDD )?\d{3,5}(?:\.\d+)?\+? ?(?:MHz)?\Z|\d(?:\.\d+)? ?GHz\Z", re.IGNORECASE)
_MEASURED = {"rsrp", "rsrq", "rssi", "sinr", "plmn", "mcc"}


def carrier_of(line: Segment, found: list[Pair]) -> list[Pair] | None:
    """Return the pairs of a line that lists what is known of one carrier, where it is better read so than pair by pair."""
    if len(found) < 2 and line.text.count(" ") < 3 and _LISTS.search(line.text) is None:
        return None
    bare = bare_segment(line)
    stamp = STAMP.match(line.text)
    if stamp is not None:
        bare = bare_segment(Segment(line.text[stamp.end() :], line.start + stamp.end(), line.stop))
    if len(found) > 1 and _fill(found, bare):
        return None
    listed = items_of(bare)
    if listed is None or len(listed) < 2 or len(listed) + (stamp is not None) <= len(found):
        return None
    said = {classify(pair.label.text).quantity for pair in listed}
    if "band" in said and not said & _MEASURED:
        return None  # of what follows: a heading
    return [*(found[:1] if stamp is not None and found and found[0].label.text == "time" else []), *listed]


def _fill(found: list[Pair], bare: Segment) -> bool:
    """Whether pairs with labels fill a text, so that it lists nothing else."""
    place = bare.start
    for label, value, _ in found:
        if label.text == "time":
            continue
        if label.start - place > 3:
            return False
        place = value.stop
    return bare.stop - place < 3


def is_one_carrier(listed: list[Pair]) -> bool:
    """Whether pairs name a carrier: its band, channel or physical cell."""
    return any(classify(pair.label.text).quantity in {"band", "arfcn", "pci"} for pair in listed)


def listed_after(segment: Segment, separator: re.Match[str]) -> list[Pair] | None:
    """Return the pairs of "4G: RSRP -92 dBm, PCI 211" and of "Carrier 1 (PCC): LTE B3, 20 MHz", or None where a line is not of that form."""
    label = segment.text[: separator.start()].strip()
    key = classify(label)
    names_band = key.quantity == "band" and key.known
    if not names_band and not (key.known and key.quantity in {"", "role"}):
        return None
    value = Segment(segment.text[separator.end() :], segment.start + separator.end(), segment.stop)
    listed = items_of(value)
    if listed is None or (names_band and len(listed) < 2):
        return None
    about = Key(rat=key.rat, role=key.role, index=key.index)
    if names_band:  # the band itself names its technology, to the carrier that the line stands in
        listed = [pair._replace(about=tuple(one for one in pair.about if one.role)) for pair in listed]
    lead = listed[0].label.text
    listed[0] = listed[0]._replace(label=Segment(label if names_band and lead == "band" else lead, segment.start, segment.start + separator.start()))
    return [pair._replace(about=(about, *pair.about)) for pair in listed]


def items_of(segment: Segment) -> list[Pair] | None:
    """Return the pairs of a list whose items are a band, a width in MHz, labels with values, technologies and roles; None if any is none of these.

    There must be one band at most, and something besides technologies and roles.
    """
    if len(segment.text) > 160 or not any(letter.isdigit() for letter in segment.text):
        return None
    pairs: list[Pair] = []
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
        if not _item(Segment(bare, first, first + len(bare)), pairs, about):
            return None
    if not pairs or sum(pair.label.text == "band" for pair in pairs) > 1 or any(classify(pair.label.text).quantity == "setting" for pair in pairs):
        return None
    whose = tuple(about)
    return [pair._replace(about=whose) for pair in pairs]


def _item(item: Segment, pairs: list[Pair], about: list[Key]) -> bool:
    """Put one item to the pairs, or to what says whose they are; return whether it was understood."""
    synthetic = Segment("band", item.start, item.start)
    if (width := _WIDTH_ITEM.match(item.text)) is not None and float(width.group(1)) <= 400:
        way = "uplink bandwidth" if item.text[:2].upper() == "UL" else "bandwidth"
        end = item.text.upper().rindex("MHZ") + 3
        pairs.append(Pair(synthetic._replace(text=way), Segment(item.text[width.start(1) : end], item.start + width.start(1), item.start + end)))
        return True
    if STATE_ITEM.fullmatch(item.text):
        meant = "inactive" if item.text.lower().startswith("not") else item.text
        pairs.append(Pair(synthetic._replace(text="scell state"), item._replace(text=meant)))
        return True
    if (network := _NETWORK_ITEM.fullmatch(item.text)) is not None:
        first = item.start + network.start(2)
        pairs.append(Pair(Segment(network.group(1), item.start, first), Segment(network.group(2), first, item.stop)))
        return True
    if item.text.isdecimal() and pairs:
        return True  # a number without a label: left over
    if (opening := _OPENING.match(item.text)) is not None and not pairs:
        about.append(Key(role="secondary" if opening.group("also") else "serving"))
        item = Segment(item.text[opening.end() :], item.start + opening.end(), item.stop)
    if (_FREQUENCY_ITEM.match(item.text) or width is not None) and pairs:
        return True
    key = classify(item.text)
    if key.known and says(key) and key.quantity in {"", "role"}:
        about.append(key)
        return True
    glued = glued_pair(item)
    if glued is not None and glued.label.text.lower() != "band":
        pairs.append(glued)
        return True
    separator = first_separator(item.text)
    if separator is not None and separator.end() < len(item.text) and is_label(item.text[: separator.start()].strip()):
        pairs.extend(within(item))
        return True
    for gap in [0, *(m.end() for m in re.finditer(r"[ ]", item.text))]:
        lead, rest = item.text[:gap].strip(), item.text[gap:]
        before = classify(lead) if lead else None
        if before is not None and not (before.known and says(before) and before.quantity in {"", "role"}):
            continue
        made = band_of(rest)
        if made is not None and (made[0] is not None or "band" in rest.lower()) and re.fullmatch(r"[ ]*(?:\([^()]*\)?)?", rest[made[2] :]):
            if before is not None:
                about.append(before)
            if made[0] is not None:
                about.append(Key(rat=made[0]))
            pairs.append(Pair(synthetic, Segment(rest, item.start + gap, item.stop)))
            return True
    return False

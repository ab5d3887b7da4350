"""Lines of an AT answer: finding them, parting them at commas outside quotes, and turning one field into one quantity.

Knows how numbers stand in such lines (whole numbers, hexadecimal without a mark, "-" for nothing) and when a number may have been cut; what
a position means is known to the dialects. Source of the form of an answer: TS 27.007, 4 (information response "+TAG: value,value").
"""

from __future__ import annotations

import re
from collections.abc import Callable
from typing import NamedTuple

from bandwright.readings.draft import Draft, code_field, null_field, ok_field
from bandwright.units import Interval
from bandwright.words.radio import FieldState, Mode, Registration

__all__ = [
    "ANSWER",
    "NOTHING",
    "Answer",
    "Token",
    "answer_at",
    "coded",
    "hexadecimal",
    "lte_resource_block_widths",
    "plmn",
    "plmn_digits",
    "split_fields",
    "whole",
    "word",
]

ANSWER = re.compile(r"(?<![\w+!^])([+^!][A-Z][A-Z0-9_]{1,15}) ?:")
NOTHING = frozenset(
    {"", "-", "--", "-32768", "-3276", "-3276.8", "32768", "2147483647", "-2147483648", "4294967295", "n/a", "N/A", "NA", "none", "NONE", "unknown", "UNKNOWN"}
)
_ANOTHER = re.compile(r"[ \t]+(?:(?:AT)?[+^!][A-Z][A-Z0-9_]{1,15} ?[:=?]|OK[ \t]*$|(?:OK|ERROR)[ \t]+(?:AT)?[+^!])", re.MULTILINE)
_INTEGER = re.compile(r"-?\d{1,10}\Z")
_HEX = re.compile(r"(?:0[xX])?([0-9A-Fa-f]{1,16})[hH]?\Z")
_COMMENT = re.compile(r"\s//.*|\s#\s.*")
_CARRIES_ON = re.compile(r"[ \t]*(,?(?:[-\"\w. ]*,)+[-\"\w. ]*|-?[0-9A-Fa-f]{1,9})[ \t]*$", re.MULTILINE)

# Resource blocks to MHz: TS 36.101 table 5.6-1.
lte_resource_block_widths = {6: 1.4, 15: 3, 25: 5, 50: 10, 75: 15, 100: 20}

REGISTRATION_RANKS = {"+CREG": 1, "+CGREG": 2, "+CEREG": 4, "+C5GREG": 4}


class Token(NamedTuple):
    """One field of an answer: its text without quotes, where it stands, and whether the text ends (or a line was parted) within it."""

    text: str
    start: int
    stop: int
    quoted: bool = False
    cut: bool = False

    @property
    def is_nothing(self) -> bool:
        """Whether it is printed as "not known"."""
        return self.text in NOTHING


class Answer(NamedTuple):
    """One answer line. start is the tag's place, stop the end of its data. cut: the text ends with it, without a line end."""

    tag: str
    fields: tuple[Token, ...]
    start: int
    stop: int
    cut: bool

    def get(self, index: int) -> Token | None:
        """Return a field, or None where the line is shorter."""
        return self.fields[index] if index < len(self.fields) else None


def answer_at(text: str, found: re.Match[str], *, joins: bool = True) -> Answer:
    """Return the answer that begins at a match of ANSWER.

    joins: whether data may go on in the next line, as where a terminal parted it. A number that the parting runs through is marked as cut.
    """
    begin = found.end()
    stop = text.find("\n", begin)
    ended = stop >= 0
    if not ended:
        stop = len(text)
    following = _ANOTHER.search(text, begin, stop)
    if following is not None:  # pasted into one line: the next answer, or the result code, ends this one
        stop, ended, joins = following.start(), True, False
    fields, last = _line_fields(text, begin, stop, ended=ended)
    if joins and ended and (not fields or len(fields) > 1 or not fields[0].text or fields[0].quoted):
        while ended and (more := _CARRIES_ON.match(text, stop + 1)) is not None and more.end() > more.start(1):
            after = text.find("\n", more.start(1))
            ended = after >= 0
            after = after if ended else len(text)
            rest, rest_last = _line_fields(text, more.start(1), after, ended=ended)
            if _only_nothing(fields):
                fields = rest
            elif len(rest) < 2 and rest and rest[0].quoted:
                break
            elif fields[-1].text == "" or rest[0].text == "":
                fields = fields[:-1] + rest if fields[-1].text == "" else fields + rest[1:]
            else:
                fields = [*fields[:-1], fields[-1]._replace(cut=True, quoted=False), *rest[1:]]
            last, stop = rest_last, after
    return Answer(found.group(1), tuple(fields), found.start(), last, cut=not ended and last == len(text))


def _only_nothing(fields: list[Token]) -> bool:
    return len(fields) == 1 and not fields[0].text and not fields[0].quoted


def _line_fields(text: str, begin: int, stop: int, *, ended: bool) -> tuple[list[Token], int]:
    """Return the fields of text[begin:stop] and where the data ends. ended: a line end stands at stop."""
    data = text[begin:stop]
    if "//" in data or "#" in data:
        comment = _COMMENT.search(data)
        if comment is not None:
            data, ended = data[: comment.start()], True
    bare = data.rstrip()
    if bare.endswith("'") and bare.count("'") % 2:
        bare, ended = bare[:-1].rstrip(), True
    return split_fields(bare, begin, ended=ended or len(bare) < len(data)), begin + len(bare)


def split_fields(data: str, begin: int, *, ended: bool) -> list[Token]:
    """Return the fields of comma-parted data whose first character stands at begin; commas within quotes part nothing."""
    parts = data.split(",")
    if '"' in data:
        joined: list[str] = []
        for part in parts:
            if joined and joined[-1].count('"') % 2:
                joined[-1] += "," + part
            else:
                joined.append(part)
        parts = joined
    fields = []
    place = begin
    for part in parts:
        inner = part.strip()
        start = place + len(part) - len(part.lstrip())
        if inner[:1] == '"':
            closed = len(inner) > 1 and inner[-1] == '"'
            fields.append(Token(inner[1 : -1 if closed else None].strip(), start, start + len(inner), True, not closed))
        else:
            fields.append(Token(inner, start, start + len(inner)))
        place += len(part) + 1
    if not ended and not fields[-1].quoted:
        fields[-1] = fields[-1]._replace(cut=True)
    return fields


def word(token: Token | None) -> str:
    """Return a field's text as a word in capitals, "" where it is absent."""
    return token.text.upper() if token is not None else ""


def whole(
    draft: Draft,
    name: str,
    token: Token | None,
    low: int,
    high: int,
    *,
    convert: Callable[[int], float | int | None] = int,
    note: str | None = None,
    doubt: str | None = None,
    sentinels: tuple[str, ...] = ("-32768",),
) -> None:
    """Put a quantity that is printed as a whole number from low to high (as printed).

    convert: printed to value, None where two meanings are possible (`doubt` says which). note: how the value was made from what is printed.
    """
    if token is None:
        return
    text = token.text
    if text in NOTHING or text in sentinels:
        draft.put(null_field(name, "printed as not known" if text else "empty", token.start, token.stop))
        return
    if _INTEGER.match(text) is None:
        draft.put(null_field(name, "not a whole number", token.start, token.stop, FieldState.IMPLAUSIBLE))
        return
    number = int(text)
    if token.cut:
        draft.put(null_field(name, "the text ends within this number", token.start, token.stop))
        return
    if not low <= number <= high:
        draft.put(null_field(name, f"{number} is outside {low}..{high}", token.start, token.stop, FieldState.IMPLAUSIBLE))
        return
    value = convert(number)
    if value is None:
        draft.put(null_field(name, doubt or "two meanings are possible", token.start, token.stop, FieldState.AMBIGUOUS))
        return
    draft.put(ok_field(name, value, token.start, token.stop, why=note))


def coded(draft: Draft, name: str, token: Token | None, last: int, table: Callable[[int], Interval | None], *, unknown: int = 255) -> None:
    """Put a quantity that is printed as a report code 0..last; `unknown` says "not known". table: code to interval."""
    if token is None:
        return
    if token.is_nothing:
        draft.put(null_field(name, "printed as not known" if token.text else "empty", token.start, token.stop))
        return
    if _INTEGER.match(token.text) is None:
        draft.put(null_field(name, "not a report code", token.start, token.stop, FieldState.IMPLAUSIBLE))
        return
    code = int(token.text)
    if token.cut:
        draft.put(null_field(name, "the text ends within this number", token.start, token.stop))
    elif code == unknown:
        draft.put(null_field(name, f"code {unknown}: not known", token.start, token.stop))
    elif not 0 <= code <= last:
        draft.put(null_field(name, f"code {code} is outside 0..{last}", token.start, token.stop, FieldState.IMPLAUSIBLE))
    else:
        draft.put(code_field(name, table(code), token.start, token.stop))


def hexadecimal(draft: Draft, name: str, token: Token | None, bits: int, *, base: int = 16) -> None:
    """Put an identity of at most `bits` bits, printed in hexadecimal (base 16) or decimal. All ones is "not known"; so is a longer number.

    A number that the text's end may have cut is null.
    """
    if token is None:
        return
    if token.is_nothing:
        draft.put(null_field(name, "printed as not known" if token.text else "empty", token.start, token.stop))
        return
    digits = _HEX.match(token.text) if base == 16 else _INTEGER.match(token.text)
    if digits is None or token.text[0] == "-":
        draft.put(null_field(name, "not a hexadecimal number" if base == 16 else "not a whole number", token.start, token.stop, FieldState.IMPLAUSIBLE))
        return
    if token.cut:
        draft.put(null_field(name, "the text ends within this number", token.start, token.stop))
        return
    number = int(digits.group(1), 16) if base == 16 else int(token.text)
    if number in {(1 << bits) - 1, 0xFFFFFFF, 0xFFFFFFFF} or (bits == 24 and number in {0xFFFF, 0xFFFFFE}):
        draft.put(null_field(name, "all ones: not known", token.start, token.stop))
    elif number >= 1 << bits:
        draft.put(null_field(name, f"more than {bits} bits", token.start, token.stop, FieldState.IMPLAUSIBLE))
    else:
        draft.put(ok_field(name, number, token.start, token.stop))


def plmn_digits(mcc: str, mnc: str) -> str | None:
    """Return "001-01" of a country code and a network code as printed, or None where they are none. A country code may have lost its zeros."""
    if not (mcc.isdecimal() and mnc.isdecimal() and mcc.isascii() and mnc.isascii()) or not (1 <= len(mcc) <= 3 and 2 <= len(mnc) <= 3):
        return None
    return f"{mcc.zfill(3)}-{mnc}"


def plmn(draft: Draft, mcc: Token | None, mnc: Token | None) -> None:
    """Put the network from two fields. A network code of one digit may stand for two or for three: not decided."""
    if mcc is None or mnc is None:
        return
    if mcc.is_nothing or mnc.is_nothing:
        draft.put(null_field("plmn", "printed as not known" if mcc.text else "empty", mcc.start, mnc.stop))
        return
    if mnc.cut:
        draft.put(null_field("plmn", "the text ends within this number", mcc.start, mnc.stop))
        return
    network = plmn_digits(mcc.text, mnc.text)
    if network is not None:
        draft.put(ok_field("plmn", network, mcc.start, mnc.stop))
    else:
        draft.put(null_field("plmn", "one digit of network code stands for 2 or for 3", mcc.start, mnc.stop, FieldState.AMBIGUOUS))


# TS 27.007 7.3 <AcT>. 12 and above are numbered differently by older drafts: not decided here.
ACCESS_MODES = {
    **dict.fromkeys((0, 1, 3, 8), Mode.GSM),
    **dict.fromkeys((2, 4, 5, 6), Mode.WCDMA),
    7: Mode.LTE,
    9: Mode.LTE,
    11: Mode.NR_SA,
}

# TS 27.007 7.2 <stat>; 6 and 7 are "SMS only", 8 is "emergency only", 11 is restricted local service.
REGISTRATIONS = {
    0: Registration.NONE,
    1: Registration.HOME,
    2: Registration.SEARCHING,
    3: Registration.DENIED,
    5: Registration.ROAMING,
    6: Registration.HOME,
    7: Registration.ROAMING,
    8: Registration.LIMITED,
    9: Registration.HOME,
    10: Registration.ROAMING,
    11: Registration.LIMITED,
}

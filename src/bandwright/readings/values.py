"""What the text beside a label means for its quantity: numbers with units, codes, names, and the many ways to write "not known".

A number without a unit becomes a value only where the quantity has one unit in practice (levels in dB and dBm, channel numbers, identities);
widths without a unit, identities whose digits may be hexadecimal, and short numbers called "cell id" stay undecided.
"""

from __future__ import annotations

import re
from functools import lru_cache
from typing import NamedTuple

from bandwright.readings.draft import null_field, ok_field
from bandwright.readings.labels import Key
from bandwright.words.radio import Field, FieldState, Mode, Rat, Registration, Span

__all__ = ["UNKNOWN_TEXTS", "Value", "band_of", "both_ways", "mode_of", "read_value", "registration_of"]

UNKNOWN_TEXTS = frozenset(
    {
        "", "-", "--", "---", "----", "n/a", "na", "n.a.", "none", "null", "nil", "unknown", "unavailable", "not available", "nan", "-32768", "-3276.8", "-3276", "32768", "65535", "2147483647",
        "-2147483648", "4294967295", "0xffffffff", "0xffff", "ffffffff", "xx", "?", "not set", "no data", "undefined", "invalid", "9223372036854775807", "18446744073709551615", "...", "no signal", "not known",
    }
)  # fmt: skip
_NUMBER = re.compile(
    r"([-+]?\d{1,4},\d{1,2}(?= ?dB)|[-+]?\d{1,12}(?:\.\d{1,6})?)(?![\d.]*\d)['\"]?[ \t]*(dBm\b|dB\b|MHz\b|kHz\b|GHz\b|Hz\b|P?RBs?\b|us\b|µs\b|[°º]?C\b|%)?(?![A-Za-z0-9])",
    re.IGNORECASE,
)
_DECIMAL_COMMA = re.compile(r"([-+]?\d{1,4},\d{1,2})()['\"]?")
_WITH_PREFIX = re.compile(r"[ \t]*['\"]?[ \t]*")
_AFTER = re.compile(
    r"['\"]?[ \t]*(?:\([^()\n]{0,60}\)|\[[^\[\]\n]{0,60}\]|(?:very |quite )?(?:good|excellent|fair|poor|weak|strong|ok|great|bad|mid|medium|normal|marginal|edge)\b|\d{1,3} ?%|[▂▃▄▅▆▇█*★☆●○|]+)?['\"]?[ \t]*[,;.]?[ \t]*\Z",
    re.IGNORECASE,
)
_LIMITS: dict[str, tuple[float, float]] = {
    "rsrp": (-156, -31), "rsrq": (-43, 20), "rssi": (-120, -10), "sinr": (-23, 40), "tx_power": (-60, 33), "pci": (0, 1007), "arfcn": (0, 3279165), "ul_arfcn": (0, 3279165), "cqi": (0, 15), "rank": (1, 8), "mcs": (0, 31),
    "dl_layers": (1, 8), "ul_layers": (1, 4), "srxlev": (-100, 120), "timing_advance": (0, 3846), "enb_id": (0, 268435455),
}  # fmt: skip
_UNITS = {
    "rsrp": ("dbm", "db"),
    "rsrq": ("db", "dbm"),
    "rssi": ("dbm", "db"),
    "sinr": ("db", "dbm"),
    "tx_power": ("dbm", "db"),
    "srxlev": ("db", "dbm"),
    "timing_advance": ("us", "µs"),
}
_WHOLE = {"pci", "arfcn", "ul_arfcn", "cqi", "rank", "mcs", "dl_layers", "ul_layers", "enb_id"}
_BAND = re.compile(
    r"(?i)(?:(lte|4g|e-?utran?|nr|5g|nr5g|fdd|tdd)?[ _-]*(?:fdd|tdd)?[ _-]*(?:band|bc)[ _:-]*([bn]?)(\d{1,3})|(?:lte|4g|eutran?|fdd|tdd|fdd[ -]lte|tdd[ -]lte|lte[ -]fdd|lte[ -]tdd)?[ _-]*([bn])[ ]?(\d{1,3})|(eutran?|e-utran?)[ _-]*(\d{1,3})|(lte|nr|5g)[ _-](?:b|n)?(\d{1,3}))(?![\d.])"
)
_BAND_NUMBER = re.compile(r"(\d{1,3})(?![\d.])(?! ?[MG]Hz)(?:[ \t]*\([^()\n]{0,40}\))?")
_BAND_IN_BRACKETS = re.compile(r"(?i)\d{3,4}[ ]?MHz[ \t]*\((?:lte |nr )?(?:band )?([bn]?)(\d{1,3})\)")
_HEX_TWINS = re.compile(
    r"(?:0x)?([0-9A-Fa-f]{1,9})[ \t]*[(/\[][ \t]*(\d{1,11})(?![\dxX])[ \t]*[)\]]?|(\d{1,11})[ \t]*[(/\[][ \t]*0x([0-9A-Fa-f]{1,9})[ \t]*[)\]]?"
)
_PLMN = re.compile(r"(\d{3})[ -/|]?(\d{2,3})(?!\d)")
_MODULATION = re.compile(r"(?i)(bpsk|qpsk|\d{1,4}[ -]?qam)\b")


class Value(NamedTuple):
    """What was read: a field (or None for a mode or a registration), and how far the text reaches that was understood."""

    field: Field | None
    stop: int
    rat: Rat | None = None


def read_value(key: Key, text: str, start: int, *, rat: Rat | None = None, cut: bool = False, numeric: bool = False) -> Value | None:
    """Return the field that a value's text gives for a label, or None where it is no value of that quantity (prose, ranges).

    start: where the text stands. cut: the source ends with it, so that a last number may be the beginning of a longer one.
    numeric: a number of a structured document, which is decimal.
    """
    made = (_read if len(text) <= _MOST_REMEMBERED else _read.__wrapped__)(key.quantity, key.unit, key.rat, text, rat, cut, numeric)
    if made is None or made.field is None:
        return made
    item = made.field
    span = item.span
    moved = Span(start + span.start, start + span.stop) if span is not None else None
    return Value(
        Field(name=item.name, value=item.value, low=item.low, high=item.high, unit=item.unit, state=item.state, why=item.why, span=moved, derived=item.derived),
        start + made.stop,
        made.rat,
    )


_MOST_REMEMBERED = 40


@lru_cache(maxsize=8192)
def _read(name: str, unit: str, own: Rat | None, text: str, rat: Rat | None, cut: bool, numeric: bool) -> Value | None:
    """Read a value that stands at 0. The same few values come again and again in a text: what one means is remembered."""
    key, start = Key(quantity=name, rat=own, unit=unit), 0
    lead = _WITH_PREFIX.match(text)
    offset = lead.end() if lead is not None else 0
    body = text[offset:].rstrip()
    bare = body.strip("'\" \t").rstrip(",;").rstrip("'\" \t")
    end = start + offset + len(body)
    first = start + offset
    if bare.lower() in UNKNOWN_TEXTS:
        return Value(null_field(name, "printed as not known" if bare else "empty", first, max(first, first + len(bare))), end)
    if name in {
        "rsrp",
        "rsrq",
        "rssi",
        "sinr",
        "tx_power",
        "pci",
        "arfcn",
        "ul_arfcn",
        "cqi",
        "rank",
        "mcs",
        "dl_layers",
        "ul_layers",
        "srxlev",
        "timing_advance",
        "enb_id",
    }:
        return _figure(name, key, body, first, rat=rat, cut=cut)
    if name.endswith("_per_port"):
        return _figure(name.removesuffix("_per_port"), key, body, first, rat=rat, cut=cut)
    if name in {"dl_bandwidth", "ul_bandwidth"}:
        return _width(name, key, body, first, cut=cut)
    if name == "scs":
        return _spacing(key, body, first, cut=cut)
    if name == "band":
        return _band(body, first, cut=cut)
    if name in {"cell_id", "tac"}:
        return _identity(name, key, body, first, rat=rat, cut=cut, numeric=numeric)
    if name == "plmn":
        return _plmn(body, first, cut=cut)
    if name == "duplex":
        return _word(name, body, first, {"fdd": "FDD", "tdd": "TDD", "fd": "FDD", "td": "TDD"})
    if name == "state":
        return _word(
            name, body, first,
            {"active": "active", "activated": "active", "inactive": "configured-inactive", "deactivated": "configured-inactive", "configured": "configured-inactive", "configured-inactive": "configured-inactive", "deconfigured": "deconfigured"},
        )  # fmt: skip
    if name == "modulation":
        found = _MODULATION.match(body)
        if found is None or _AFTER.match(body, found.end()) is None:
            return None
        return Value(ok_field(name, re.sub(r"[ -]", "", found.group(1)).lower(), first, first + found.end()), first + found.end())
    return None


_BOTH_WAYS = re.compile(r"(?i)DL ?[:=]? ?(\d{1,7})[ ,;/]+UL ?[:=]? ?(\d{1,7})\b")


def both_ways(text: str) -> tuple[str, int] | None:
    """Return the uplink channel of "DL:1300 UL:19300", and where it stands; the downlink channel is the value itself."""
    found = _BOTH_WAYS.fullmatch(text.strip())
    return (found.group(2), text.index(found.group()) + found.start(2)) if found is not None else None


def _figure(name: str, key: Key, body: str, start: int, *, rat: Rat | None, cut: bool) -> Value | None:
    if name in {"pci", "enb_id"} and re.match(r"0[xX][0-9A-Fa-f]{1,7}\b", body):
        digits = re.match(r"0[xX][0-9A-Fa-f]+", body)
        stop = start + (digits.end() if digits is not None else 0)
        if cut and stop == start + len(body):
            return Value(null_field(name, "the text ends within this number", start, stop), stop)
        return Value(ok_field(name, int(body[2 : stop - start], 16), start, stop), stop)
    if name == "arfcn" and (both := _BOTH_WAYS.match(body)) is not None:
        return Value(ok_field(name, int(both.group(1)), start + both.start(1), start + both.end(1)), start + both.end())
    found = _NUMBER.match(body)
    if found is not None and key.unit in {"dB", "dBm"} and (comma := _DECIMAL_COMMA.fullmatch(body)) is not None:
        found = comma  # the unit stands in the label
    if found is None or (found.re is _NUMBER and _AFTER.match(body, found.end()) is None):
        return None
    printed, unit = found.group(1).replace(",", "."), (found.group(2) or "").lower()
    stop = start + found.end()
    label_unit = key.unit.lower()
    if unit and unit not in _UNITS.get(name, ()):
        return Value(null_field(name, f"{found.group(2)} is no unit of this quantity", start, stop, FieldState.IMPLAUSIBLE), stop)
    if not unit and label_unit and label_unit not in {*_UNITS.get(name, ()), "dec"}:
        return Value(null_field(name, f"{key.unit} is no unit of this quantity", start, stop, FieldState.IMPLAUSIBLE), stop)
    if cut and not unit and _ends_open(body, found.end()):
        return Value(null_field(name, "the text ends within this number", start, stop), stop)
    if printed.lower() in UNKNOWN_TEXTS and not (name in {"arfcn", "ul_arfcn"} and printed != "65535" and rat is Rat.NR):
        return Value(null_field(name, "printed as not known", start, stop), stop)
    number = float(printed)
    low, high = _LIMITS[name]
    if name in _WHOLE and ("." in printed or printed[0] in "+-"):
        return Value(null_field(name, "not a whole number", start, stop, FieldState.IMPLAUSIBLE), stop)
    if not low <= number <= high:
        return Value(null_field(name, f"{printed} is outside {low:g}..{high:g}", start, stop, FieldState.IMPLAUSIBLE), stop)
    if name == "tx_power" and not unit and not label_unit:
        return Value(null_field(name, "dBm or tenths: no unit", start, stop, FieldState.AMBIGUOUS), stop)
    if name == "timing_advance" and unit:
        return Value(Field(name=name, value=_plain(printed), unit="µs", span=ok_field(name, 0, start, stop).span), stop)
    return Value(ok_field(name, _plain(printed), start, stop), stop)


def _ends_open(body: str, end: int) -> bool:
    """Whether nothing but a mark that a number may go on after follows it: the text may end within the number."""
    return not body[end:].strip(" \t,.;+&/|(-") and body[end - 1] not in {"'", '"'}


def _plain(printed: str) -> float | int:
    return float(printed) if "." in printed else int(printed)


def _width(name: str, key: Key, body: str, start: int, *, cut: bool) -> Value | None:
    found = _NUMBER.match(body)
    if found is None or _AFTER.match(body, found.end()) is None:
        return None
    stop = start + found.end()
    unit = (found.group(2) or key.unit or "").lower()
    number = float(found.group(1).replace(",", "."))
    if cut and not found.group(2) and _ends_open(body, found.end()):
        return Value(null_field(name, "the text ends within this number", start, stop), stop)
    if unit in {"mhz", "khz", "hz"}:
        width = number / {"mhz": 1, "khz": 1e3, "hz": 1e6}[unit]
        return Value(ok_field(name, int(width) if width.is_integer() else width, start, stop), stop)
    if unit in {"rb", "rbs", "prb", "prbs"}:
        width_mhz = {6: 1.4, 15: 3, 25: 5, 50: 10, 75: 15, 100: 20}.get(int(number))
        if key.rat is Rat.LTE and width_mhz is not None:
            return Value(ok_field(name, width_mhz, start, stop, why="resource blocks"), stop)
        return Value(null_field(name, "resource blocks of a spacing that is not said", start, stop, FieldState.AMBIGUOUS), stop)
    if unit:
        return Value(null_field(name, f"{unit} is no unit of a width", start, stop, FieldState.IMPLAUSIBLE), stop)
    if found.group(1) == "1.4":
        return Value(ok_field(name, 1.4, start, stop, why="no code or number of resource blocks is broken"), stop)
    return Value(null_field(name, "MHz, a code or resource blocks: no unit", start, stop, FieldState.AMBIGUOUS), stop)


def _spacing(key: Key, body: str, start: int, *, cut: bool) -> Value | None:
    found = _NUMBER.match(body)
    if found is None or _AFTER.match(body, found.end()) is None:
        return None
    stop = start + found.end()
    unit = (found.group(2) or key.unit or "").lower()
    if cut and not found.group(2) and _ends_open(body, found.end()):
        return Value(null_field("scs", "the text ends within this number", start, stop), stop)
    number = float(found.group(1))
    if unit not in {"", "khz"} or number not in {15, 30, 60, 120, 240, 480, 960}:
        return Value(null_field("scs", "not a subcarrier spacing in kHz", start, stop, FieldState.AMBIGUOUS), stop)
    return Value(ok_field("scs", int(number), start, stop), stop)


@lru_cache(maxsize=2048)
def band_of(text: str) -> tuple[Rat | None, int, int] | None:
    """Return (technology or None, band, length) of a band's name at the beginning of a text; None where there is none."""
    found = _BAND_IN_BRACKETS.match(text)
    if found is not None:
        return _rat_of(found.group(1)), int(found.group(2)), found.end()
    found = _BAND.match(text)
    if found is None:
        return None
    technology = found.group(1) or found.group(6) or found.group(8) or ""
    letter = found.group(2) or found.group(4) or ""
    digits = found.group(3) or found.group(5) or found.group(7) or found.group(9)
    words = text[: found.end()].lower()
    rat = _rat_of(letter) or (Rat.LTE if "lte" in words or "4g" in words or "utra" in words else Rat.NR if "nr" in words or "5g" in words else None)
    if letter.upper() == "B" and ("nr" in technology.lower() or "5g" in technology.lower()):
        rat = Rat.NR
    return rat, int(digits), found.end()


def _rat_of(letter: str) -> Rat | None:
    return {"b": Rat.LTE, "n": Rat.NR}.get(letter.lower())


def _band(body: str, start: int, *, cut: bool) -> Value | None:
    made = band_of(body)
    if made is None:
        found = _BAND_NUMBER.match(body)
        if found is None:
            return None
        made = (None, int(found.group(1)), found.end())
        rest = found.group(0)
        if "(" in rest and re.search(r"(?i)[bn]\d|band", rest):
            return None
    rat, number, length = made
    rest = body[length:]
    if not re.match(
        r"['\"]?[ \t]*(?:\([^()\n]{0,60}\)|\[[^\]\n]{0,60}\]|@?[ \t]*\d{3,4}[ ]?MHz|[:-]?[ \t]*(?:1800|2100|2600|800|700|900|850|1900|AWS|DD|PCS)?\+?)?['\"]?[ \t]*[,;.]?[ \t]*\Z",
        rest,
    ):
        return None
    stop = start + length
    if cut and _ends_open(body, length):
        return Value(null_field("band", "the text ends within this number", start, stop), stop)
    return Value(ok_field("band", number, start, stop), start + len(body), rat)


def _identity(name: str, key: Key, body: str, start: int, *, rat: Rat | None, cut: bool, numeric: bool) -> Value | None:
    """Read a cell identity or tracking area: hexadecimal where letters or 0x say so, decimal where it could be nothing else."""
    bits = {("cell_id", Rat.LTE): 28, ("cell_id", Rat.NR): 36, ("tac", Rat.LTE): 16, ("tac", Rat.NR): 24}.get(
        (name, rat) if rat is not None else (name, Rat.NR), 36
    )
    twins = _HEX_TWINS.match(body)
    if twins is not None and _AFTER.match(body, twins.end()) is not None:
        hexadecimal, decimal = (twins.group(1), twins.group(2)) if twins.group(1) is not None else (twins.group(4), twins.group(3))
        stop = start + twins.end()
        if int(hexadecimal, 16) == int(decimal):
            return Value(ok_field(name, int(decimal), start, stop), stop)
        if re.search(r"[A-Fa-f]|0x", body[: twins.end()]):
            return Value(null_field(name, "the hexadecimal and the decimal number differ", start, stop, FieldState.CONFLICTING), stop)
    found = re.match(r"(0[xX])?([0-9A-Fa-f]{1,10})([hH])?(?![A-Za-z0-9.])", body)
    if found is None or _AFTER.match(body, found.end()) is None:
        return None
    stop = start + found.end()
    digits = found.group(2)
    if cut and _ends_open(body, found.end()):
        return Value(null_field(name, "the text ends within this number", start, stop), stop)
    is_hex = bool(found.group(1) or found.group(3) or key.unit == "hex" or re.search(r"[A-Fa-f]", digits))
    is_decimal = not is_hex and (numeric or key.unit == "dec" or (int(digits, 16) >= 1 << bits and not digits.startswith("0")))
    if not is_hex and not is_decimal:
        return Value(null_field(name, "hexadecimal or decimal: no letter decides", start, stop, FieldState.AMBIGUOUS), stop)
    number = int(digits, 16 if is_hex else 10)
    if number in {0xFFFFFFF, 0xFFFFFFFFF, 0xFFFFFFFF} or (name == "tac" and number in {0xFFFF, 0xFFFE, 0xFFFFFF, 0xFFFFFE}):
        return Value(null_field(name, "all ones: not known", start, stop), stop)
    if number >= 1 << bits:
        return Value(null_field(name, f"more than {bits} bits", start, stop, FieldState.IMPLAUSIBLE), stop)
    if name == "cell_id" and number <= 1007:
        return Value(null_field(name, "so short a number may be a physical cell id or a sector", start, stop, FieldState.AMBIGUOUS), stop)
    return Value(ok_field(name, number, start, stop), stop)


def _plmn(body: str, start: int, *, cut: bool) -> Value | None:
    text = body.strip("'\"")
    found = re.match(r"(\d{3})[ \-/.,|]?[ ]?(\d{2,3})(?![\dA-Za-z.])", text)
    if found is None or _AFTER.match(text, found.end()) is None:
        return None
    stop = start + body.index(text) + found.end()
    if cut and _ends_open(text, found.end()):
        return Value(null_field("plmn", "the text ends within this number", start, stop), stop)
    return Value(ok_field("plmn", f"{found.group(1)}-{found.group(2)}", start, stop), stop)


def _word(name: str, body: str, start: int, meanings: dict[str, str]) -> Value | None:
    found = re.match(r"['\"]?([A-Za-z][A-Za-z-]*)", body)
    if found is None or _AFTER.match(body, found.end()) is None:
        return None
    meaning = meanings.get(found.group(1).lower())
    return None if meaning is None else Value(ok_field(name, meaning, start, start + found.end()), start + found.end())


_MODES: tuple[tuple[re.Pattern[str], Mode], ...] = tuple(
    (re.compile(pattern, re.IGNORECASE), mode)
    for pattern, mode in (
        (
            r"(?:4g|lte|e-?utran?)[ /&+,_-]*(?:and )?(?:5g|nr5g|nr|5gnr)\b.*|.*\b(?:en-?dc|nsa|non[- ]?stand[- ]?alone)\b.*|5g[ +&/]+(?:lte|4g)|nr5g-nsa|lte,? ?5g[ -]?nsa",
            Mode.ENDC,
        ),
        (r"(?:5g[ _-]?(?:nr)?|nr5g|nr|5gnr)[ _(-]*(?:sa|stand[- ]?alone)\)?|sa|fdd nr5g-sa|tdd nr5g-sa|5gc", Mode.NR_SA),
        (r"5g(?:[ _-]?nr)?|nr|nr5g|5gnr|new radio", Mode.NR),
        (r"(?:lte|4g|e-?utran?)(?:[ _-]?(?:lte|fdd|tdd|\+|a|a-pro|advanced|ca))*(?:[ ]?\((?:4g|lte|4g\+)\))?|(?:fdd|tdd)[ _-]lte|4g\+|lte\+|4g lte", Mode.LTE),
        (r"gsm|gprs|edge|2g|egprs", Mode.GSM),
        (r"wcdma|umts|hspa\+?|hsdpa|hsupa|3g|dc-hspa\+?|td-?scdma|utran?", Mode.WCDMA),
        (r"no[ _-]?service|out of service|no network|offline|low power mode|radio off|airplane mode|no signal", Mode.NONE),
    )
)


_BOTH_KINDS = re.compile(r"(?i)\bSA\b.*\bNSA\b|\bNSA\b.*\bSA\b")


def mode_of(text: str) -> Mode | None:
    """Return the mode that a text names, or None. A list of technologies that could be used names none."""
    bare = text.strip(" \t'\".;").rstrip(",")
    if _BOTH_KINDS.search(bare) is not None:
        return None
    for pattern, mode in _MODES:
        if pattern.fullmatch(bare):
            return mode
    return None


_REGISTRATIONS: tuple[tuple[re.Pattern[str], Registration], ...] = tuple(
    (re.compile(pattern, re.IGNORECASE), registration)
    for pattern, registration in (
        (r"(?:registered|attached)?[ ,(:-]*(?:to |on )?(?:the )?home(?:[ -]?network)?\)?", Registration.HOME),
        (r"(?:registered|attached)?[ ,(:-]*(?:roaming|roaming network|visited network)\)?", Registration.ROAMING),
        (r"registered|attached|registered to network|registered[ ,(-]+normal service\)?", Registration.REGISTERED),
        (r"(?:not registered,? ?(?:but )?)?(?:searching|trying to register).*|registering", Registration.SEARCHING),
        (r"(?:registration )?(?:denied|rejected)|registration-denied", Registration.DENIED),
        (r"limited(?:[ -]service)?(?: \(emergency(?: calls)? only\))?|emergency(?: calls)? only|limited-regional", Registration.LIMITED),
        (r"not[ -]?registered|unregistered|deregistered|not[ -]attached|no service|idle, not registered|no network", Registration.NONE),
    )
)


def registration_of(text: str) -> Registration | None:
    """Return the registration that a text names, or None."""
    bare = text.strip(" \t'\".;\u2026").rstrip(",")
    for pattern, registration in _REGISTRATIONS:
        if pattern.fullmatch(bare):
            return registration
    return None

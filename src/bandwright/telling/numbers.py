"""How a number is put: with its unit, with its range, and never more digits than it deserves.

Numbers and units are joined by a no-break space, the minus sign is a true one, a range reads "85 to 98", and a chance is said of
100, never as a bare per cent. Decimals follow the table of quantities.
"""

from __future__ import annotations

import math
from datetime import date, datetime
from zoneinfo import ZoneInfo

from bandwright.quantities import quantity
from bandwright.words.answers import Estimate
from bandwright.words.radio import Field, FieldState

__all__ = [
    "MINUS",
    "NBSP",
    "certainty",
    "clock",
    "counted",
    "day",
    "day_and_time",
    "day_short",
    "factor",
    "factor_range",
    "field_text",
    "gigabytes",
    "in_words",
    "joined",
    "long_day",
    "measured_text",
    "more_or_less",
    "number",
    "of_hundred",
    "of_hundred_range",
    "ranged",
    "span_of_days",
    "span_of_time",
    "with_unit",
]

NBSP = "\u00a0"
MINUS = "\u2212"
_WEEKDAYS = ("Monday", "Tuesday", "Wednesday", "Thursday", "Friday", "Saturday", "Sunday")
_MONTHS = ("January", "February", "March", "April", "May", "June", "July", "August", "September", "October", "November", "December")
_WORDS = ("no", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine", "ten", "eleven", "twelve")


def number(value: float, decimals: int = 0) -> str:
    """Return a number with a true minus sign and thousands set apart by a no-break space. Never "-0"."""
    text = f"{abs(value):,.{decimals}f}".replace(",", NBSP)
    negative = value < 0 and any(c in "123456789" for c in text)
    return (MINUS if negative else "") + text


def with_unit(value: float, unit: str, decimals: int = 0) -> str:
    """Return "−94 dBm"."""
    return number(value, decimals) + (NBSP + unit if unit else "")


def ranged(low: float | None, high: float | None, unit: str = "", decimals: int = 0) -> str:
    """Return "85 to 98 Mbit/s"; an open end reads "below" or "... or more"; equal ends read as one number."""
    tail = NBSP + unit if unit else ""
    if low is None and high is None:
        return "not known"
    if low is None:
        return f"below {number(high or 0.0, decimals)}{tail}"
    if high is None:
        return f"{number(low, decimals)}{tail} or more"
    first, last = number(low, decimals), number(high, decimals)
    return first + tail if first == last else f"{first} to {last}{tail}"


def of_hundred(share: float) -> int:
    """Return a share 0..1 as a count of 100."""
    return round(100.0 * share)


def of_hundred_range(estimate: Estimate) -> str:
    """Return the range of a share 0..1 as "85 to 98": outwards, so that rounding never narrows it."""
    low = max(0, math.floor(100.0 * estimate.low + 1e-9))
    high = min(100, math.ceil(100.0 * estimate.high - 1e-9))
    return ranged(low, high)


def certainty(chance: float) -> str:
    """Return a chance 0..1 as "97 in 100": rounded down, and never certain."""
    count = math.floor(100.0 * chance + 1e-9)
    if count >= 100 or chance > 0.99:
        return f"more than 99{NBSP}in{NBSP}100"
    if count < 1:
        return f"less than 1{NBSP}in{NBSP}100"
    return f"{count}{NBSP}in{NBSP}100"


def factor(ln_difference: float) -> str:
    """Return a difference in ln units as a factor: "×1.93"."""
    return f"×{math.exp(ln_difference):.2f}"


def factor_range(estimate: Estimate) -> str:
    """Return a difference in ln units with its interval as "1.5 to 2.4 times"."""
    low, high = math.exp(estimate.low), math.exp(estimate.high)
    decimals = 2 if high < 1.3 else 1
    return f"{ranged(low, high, decimals=decimals)} times"


def more_or_less(ln_difference: float) -> str:
    """Return a difference in ln units as "12 % more" or "9 % less"."""
    ratio = math.exp(ln_difference) - 1.0
    word = "more" if ratio >= 0 else "less"
    return f"{abs(100 * ratio):.0f}{NBSP}% {word}"


def gigabytes(megabytes: float) -> str:
    """Return a volume given in MB (10^6 octets): "80 MB", "9.1 GB"."""
    if megabytes < 1:
        return f"less than 1{NBSP}MB" if megabytes > 0 else f"0{NBSP}MB"
    if megabytes < 995:
        return with_unit(megabytes, "MB")
    gb = megabytes / 1000.0
    return with_unit(gb, "GB", 0 if gb >= 9.95 or abs(gb - round(gb)) < 0.05 else 1)


def span_of_time(seconds: float) -> str:
    """Return a length of time: "8 s", "12 minutes", "3 h 20 min", "6 days"."""
    if seconds < 90:
        return with_unit(seconds, "s")
    minutes = seconds / 60.0
    if minutes < 90:
        return with_unit(minutes, "minutes")
    hours, rest = divmod(round(minutes), 60)
    if hours < 24:
        return with_unit(hours, "h") + (f" {with_unit(rest, 'min')}" if rest else "")
    return span_of_days(seconds / 86400.0)


def span_of_days(days: float) -> str:
    """Return "6 days", "1 day", or hours where it is less than two days."""
    if days < 2:
        return counted(max(1, round(days * 24)), "hour")
    return counted(round(days), "day")


def counted(count: int, noun: str, plural: str = "") -> str:
    """Return "1 test", "31 tests"."""
    return f"{number(count)}{NBSP}{noun if count == 1 else plural or noun + 's'}"


def in_words(count: int, noun: str = "", plural: str = "") -> str:
    """Return a small count in words for running text: "three carriers"; figures above twelve."""
    text = _WORDS[count] if 0 <= count < len(_WORDS) else number(count)
    return text if not noun else f"{text} {noun if count == 1 else plural or noun + 's'}"


def joined(items: list[str] | tuple[str, ...], word: str = "and") -> str:
    """Return "a", "a and b", "a, b and c"."""
    if len(items) < 2:
        return "".join(items)
    return f"{', '.join(items[:-1])} {word} {items[-1]}"


def _local(at: datetime, timezone: str) -> datetime:
    return at.astimezone(ZoneInfo(timezone)) if at.tzinfo is not None else at


def clock(at: datetime, timezone: str = "UTC") -> str:
    """Return the time of day at the site: "13:05"."""
    return f"{_local(at, timezone):%H:%M}"


def day(at: date | datetime, timezone: str = "UTC") -> str:
    """Return "25 November 2026"."""
    local = _local(at, timezone) if isinstance(at, datetime) else at
    return f"{local.day}{NBSP}{_MONTHS[local.month - 1]} {local.year}"


def day_short(at: date | datetime, timezone: str = "UTC") -> str:
    """Return "Wed 25"."""
    local = _local(at, timezone) if isinstance(at, datetime) else at
    return f"{_WEEKDAYS[local.weekday()][:3]} {local.day}"


def long_day(at: date | datetime, timezone: str = "UTC") -> str:
    """Return "Wednesday 25 November 2026"."""
    local = _local(at, timezone) if isinstance(at, datetime) else at
    return f"{_WEEKDAYS[local.weekday()]} {day(local)}" if not isinstance(local, datetime) else f"{_WEEKDAYS[local.weekday()]} {day(local.date())}"


def day_and_time(at: datetime, timezone: str = "UTC") -> str:
    """Return "Wednesday 25 November 2026, 13:05"."""
    return f"{long_day(at, timezone)}, {clock(at, timezone)}"


def measured_text(key: str, value: float | None, low: float | None = None, high: float | None = None, reason: str | None = None) -> str:
    """Return a measured quantity with its unit and range, by the row of the table: "78 Mbit/s (71 to 84)"; absence with its reason."""
    row = quantity(key)
    unit, decimals = (row.unit, row.decimals) if row else ("", 2)
    if value is None:
        return f"not known: {reason}" if reason else "not measured"
    if row and row.key.endswith("_ratio"):
        return f"{number(100 * value, 2 if value < 0.01 else 1)}{NBSP}%" + (_range_in_brackets(100 * low, 100 * high, 1) if low is not None and high is not None else "")
    decimals = 0 if abs(value) >= 100 else min(decimals, 1) if abs(value) >= 10 else decimals
    text = with_unit(value, unit, decimals)
    return text + (_range_in_brackets(low, high, decimals) if low is not None and high is not None else "")


def _range_in_brackets(low: float, high: float, decimals: int) -> str:
    """Return " (71 to 84)", or nothing where rounding leaves no range to show."""
    return f" ({ranged(low, high, decimals=decimals)})" if number(low, decimals) != number(high, decimals) else ""


def field_text(field: Field | None) -> str:
    """Return a field of a reading as it may be shown: value and unit, the interval a code stands for, or why there is none."""
    if field is None:
        return "not printed"
    row = quantity(field.name)
    unit = field.unit if field.unit is not None else row.unit if row else ""
    unit = "" if unit == "channel number" else unit
    if field.is_interval:
        decimals = 0 if all(x is None or float(x).is_integer() for x in (field.low, field.high)) else 1
        return ranged(field.low, field.high, unit, decimals)
    if field.value is None:
        state = {FieldState.UNKNOWN: "printed as not known", FieldState.AMBIGUOUS: "two meanings", FieldState.IMPLAUSIBLE: "not plausible"}
        return state.get(field.state, "not usable" if field.state is not FieldState.OK else "not known")
    if isinstance(field.value, tuple):
        return ", ".join("none" if x is None else _plain(x) for x in field.value) + (NBSP + unit if unit else "")
    if isinstance(field.value, bool | str):
        return str(field.value)
    whole = field.name in {"arfcn", "ul_arfcn", "pci", "cell_id", "tac", "enb_id"}
    return (f"{field.value:.0f}" if whole else _plain(field.value)) + (NBSP + unit if unit else "")


def _plain(value: float) -> str:
    return number(value, 0 if float(value).is_integer() else 1)

"""Secrets and identities that cannot be printed by accident.

`Private` wraps a value where it is parsed. `repr`, `str`, f-strings and JSON encoders show `Private(...)`; only
`reveal(reason=...)` opens it, and the reason makes each opening easy to find in the code.
"""

from __future__ import annotations

import re
from typing import Generic, NoReturn, TypeVar

__all__ = ["Private", "redact_text"]

T = TypeVar("T")

# 14 to 20 digits in a row: IMEI (15), IMEISV (16), IMSI (up to 15), ICCID (19 or 20). E.118, TS 23.003.
_LONG_DIGITS = re.compile(r"(?<![\d.])\d{14,20}(?![\d.])")
_PHONE = re.compile(r"(?<![\w+])\+\d{8,15}(?!\d)")
_MAC = re.compile(r"(?i)(?<![0-9a-f:])(?:[0-9a-f]{2}[:-]){5}[0-9a-f]{2}(?![0-9a-f:])")
_KEYED = re.compile(r"(?i)\b(imei(?:sv)?|imsi|iccid|msisdn|serial(?: ?number)?)\b(\W{1,4})((?=[\w+]*\d)[\w+]{6,})")


class Private(Generic[T]):
    """A value that shows itself only to `reveal(reason=...)`."""

    __slots__ = ("_value",)

    def __init__(self, value: T) -> None:
        self._value = value

    def reveal(self, *, reason: str) -> T:
        """Return the value. reason: why it is opened, for the reader of the code; must not be empty."""
        if not reason:
            msg = "reveal() needs a reason"
            raise ValueError(msg)
        return self._value

    def __repr__(self) -> str:
        return "Private(...)"

    __str__ = __repr__

    def __format__(self, spec: str) -> str:
        return repr(self)

    def __eq__(self, other: object) -> bool:
        return isinstance(other, Private) and bool(self._value == other._value)

    def __hash__(self) -> int:
        return hash((Private, self._value))

    def __reduce__(self) -> NoReturn:
        msg = "a Private value is not pickled; reveal it where it is needed"
        raise TypeError(msg)


def redact_text(text: str) -> str:
    """Return text with subscriber and device identities, phone numbers and hardware addresses replaced by dots of the same length.

    The length is kept so that character spans that point into the text stay right.
    """

    def dots(match: re.Match[str]) -> str:
        return "•" * len(match.group(0))

    def keyed(match: re.Match[str]) -> str:
        return match.group(1) + match.group(2) + "•" * len(match.group(3))

    for pattern in (_LONG_DIGITS, _PHONE, _MAC):
        text = pattern.sub(dots, text)
    return _KEYED.sub(keyed, text)

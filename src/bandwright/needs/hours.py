"""Hours that matter, from the text a person writes: "Mon-Fri 09:00-17:00, Sat 10:00-12:00", "daily 18:00-23:00", "always"."""

from __future__ import annotations

import re

from bandwright.errors import DeclarationError
from bandwright.words.site import Hours

__all__ = ["ALWAYS", "parse_hours"]

_DAYS = ("mon", "tue", "wed", "thu", "fri", "sat", "sun")
_PART = re.compile(r"(?:(?P<days>[a-z]+(?:\s*-\s*[a-z]+)?(?:\s*\+\s*[a-z]+)*)\s+)?(?P<h1>\d{1,2}):(?P<m1>\d{2})\s*-\s*(?P<h2>\d{1,2}):(?P<m2>\d{2})")
_ALLOWED = 'like "Mon-Fri 09:00-17:00", "Sat+Sun 10:00-12:00", "daily 18:00-23:00", several with commas, or "always"'

ALWAYS = Hours("always", tuple((d, 0, 1440) for d in range(7)))


def _day(word: str, text: str) -> int:
    found = [i for i, d in enumerate(_DAYS) if word.startswith(d)]
    if len(found) != 1:
        raise DeclarationError("hours", given=text, allowed=_ALLOWED)
    return found[0]


def _days(words: str | None, text: str) -> list[int]:
    if words is None or words.strip() in {"daily", "every day"}:
        return list(range(7))
    out: list[int] = []
    for part in words.split("+"):
        ends = [w.strip() for w in part.split("-")]
        first, last = _day(ends[0], text), _day(ends[-1], text)
        out += [(first + i) % 7 for i in range((last - first) % 7 + 1)]
    return out


def parse_hours(text: str) -> Hours:
    """Return the hours a text names; a span past midnight goes on into the next day.

    Raises DeclarationError for a text that does not name hours.
    """
    plain = text.strip().lower()
    if plain in {"always", "any time", "anytime"}:
        return Hours(text, ALWAYS.spans)
    spans: set[tuple[int, int, int]] = set()
    for part in plain.split(","):
        match = _PART.fullmatch(part.strip())
        if match is None:
            raise DeclarationError("hours", given=text, allowed=_ALLOWED)
        start, stop = int(match["h1"]) * 60 + int(match["m1"]), int(match["h2"]) * 60 + int(match["m2"])
        if start >= 1440 or stop > 1440 or int(match["m1"]) > 59 or int(match["m2"]) > 59 or start == stop:
            raise DeclarationError("hours", given=text, allowed=_ALLOWED, todo="Times run from 00:00 to 24:00 and a span may not be empty")
        for day in _days(match["days"], text):
            if stop > start:
                spans.add((day, start, stop))
            else:
                spans.add((day, start, 1440))
                if stop:
                    spans.add(((day + 1) % 7, 0, stop))
    return Hours(text, tuple(_merged(sorted(spans))))


def _merged(spans: list[tuple[int, int, int]]) -> list[tuple[int, int, int]]:
    out: list[tuple[int, int, int]] = []
    for day, start, stop in spans:
        if out and out[-1][0] == day and start <= out[-1][2]:
            out[-1] = (day, out[-1][1], max(stop, out[-1][2]))
        else:
            out.append((day, start, stop))
    return out

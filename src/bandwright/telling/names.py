"""The one name and the one mark that each setup has on every page.

The mark is a shape with a colour: 1 circle, 2 square, 3 triangle; every other setup is a grey diamond. The setup in use before the
campaign is 1, the one the verdict leads with is 2, its strongest challenger 3; before there is a verdict, the order of declaration
decides. Everything that draws or tells takes the same `Names`, so that no page can disagree with another.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from bandwright.telling.said import Piece, named
from bandwright.words.answers import Verdict
from bandwright.words.declared import Declared
from bandwright.words.rig import Setup
from bandwright.words.site import Need

__all__ = ["Names", "hours_words", "names_of"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Names:
    """Names and marks by key. A key that is not known is shown as it is, with the grey diamond."""

    setups: Mapping[str, str] = field(default_factory=dict)
    marks: Mapping[str, int] = field(default_factory=dict)
    needs: Mapping[str, str] = field(default_factory=dict)
    hours: Mapping[str, str] = field(default_factory=dict)
    rigs: Mapping[str, str] = field(default_factory=dict)
    timezone: str = "UTC"

    def setup(self, key: str | None) -> str:
        """Return a setup's name."""
        return "no setup" if key is None else self.setups.get(key, key)

    def mark(self, key: str | None) -> int:
        """Return a setup's mark, 1..4."""
        return self.marks.get(key or "", 4)

    def piece(self, key: str | None) -> Piece:
        """Return a setup's name with its mark, for a sentence."""
        return named(self.setup(key), self.mark(key))

    def need(self, key: str) -> str:
        """Return a need's name."""
        return self.needs.get(key, key)

    def when(self, key: str) -> str:
        """Return the hours of a need, as declared."""
        return self.hours.get(key, "")

    def rig(self, key: str) -> str:
        """Return a rig's name."""
        return self.rigs.get(key, key)


def names_of(declared: Declared | None, *, setups: Sequence[Setup] = (), needs: Sequence[Need] = (), verdict: Verdict | None = None, in_use: str | None = None) -> Names:
    """Return the names of what is declared, of a design's setups where they differ, marked by the verdict where there is one."""
    known: dict[str, Setup] = {s.key: s for s in (declared.setups if declared else ())} | {s.key: s for s in setups}
    rigs = {r.key: _first_upper(r.label or r.place or r.key) for r in (declared.rigs if declared else ())}
    tunings = {t.key: t.label or t.key for t in (declared.tunings if declared else ())}
    all_needs = tuple(needs) or (declared.needs if declared else ())
    used = in_use or (verdict.in_use if verdict else None) or (declared.campaign.in_use if declared else None)
    return Names(
        setups={key: s.label or _setup_name(s, rigs, tunings) for key, s in known.items()},
        marks=_marks(list(known), used, verdict),
        needs={n.key: _first_upper(n.label or n.kind) for n in all_needs},
        hours={n.key: hours_words(n.hours.text) for n in all_needs},
        rigs=rigs | {s.rig: _first_upper(s.rig) for s in known.values() if s.rig not in rigs},
        timezone=declared.site.timezone if declared else "UTC",
    )


def _setup_name(setup: Setup, rigs: Mapping[str, str], tunings: Mapping[str, str]) -> str:
    rig, tuning = rigs.get(setup.rig, _first_upper(setup.rig)), tunings.get(setup.tuning, setup.tuning)
    return f"{rig}, {tuning}" if tuning else rig


def _marks(keys: list[str], used: str | None, verdict: Verdict | None) -> dict[str, int]:
    wanted = [used] if used else []
    if verdict is not None and verdict.lead:
        wanted.append(verdict.lead)
        if verdict.against is not None:
            wanted += [verdict.against.a, verdict.against.b]
    ordered = list(dict.fromkeys([k for k in wanted if k in keys] + keys))
    first = ordered[:1] if used in ordered else []
    rest = [k for k in ordered if k not in first]
    marks = dict.fromkeys(keys, 4) | dict.fromkeys(first, 1)
    for mark, key in zip((2, 3) if first else (2, 3, 1), rest, strict=False):
        marks[key] = mark
    return marks


def _first_upper(text: str) -> str:
    return text[:1].upper() + text[1:]


def hours_words(text: str) -> str:
    """Return declared hours as they are read in a sentence: "Mon-Fri 09:00-17:00" becomes "weekdays 9 to 17"."""
    out = re.sub(r"\b(?:Mon-Fri)\b", "weekdays", text)
    out = re.sub(r"\b(?:Mon-Sun|daily)\b", "every day", out)
    out = re.sub(r"\b0(\d):", r"\1:", out).replace(":00", "")
    return re.sub(r"(?<=\w)-(?=\w)", " to ", out)

"""The demonstration's words: the place, what one test each picks, the verdict with price, last day and caution, the live test."""

from __future__ import annotations

import textwrap
from typing import Protocol

from bandwright.telling.cautions import climb_caution
from bandwright.telling.names import names_of
from bandwright.telling.numbers import joined, of_hundred_range
from bandwright.telling.plain import said_text
from bandwright.telling.sentences import failure_sentence, measured_sentence, verdict_told
from bandwright.words.answers import Verdict
from bandwright.words.campaign import Design
from bandwright.words.declared import Declared
from bandwright.words.measurement import Measurement, Outcome

__all__ = ["OneTestCount", "live_lines", "one_test_lines", "place_lines", "verdict_lines"]

_INDENT = "   "


class OneTestCount(Protocol):
    """How often one test each picked wrong; see `jobs.onetest.OneTestAnswer`."""

    @property
    def redraws(self) -> int:
        """How many comparisons were drawn."""
        ...

    @property
    def wrong_by_score(self) -> int:
        """How many were wrong, going by the needs."""
        ...

    @property
    def wrong_by_downlink(self) -> int:
        """How many were wrong, going by the fastest downlink."""
        ...

    @property
    def best(self) -> str:
        """The setup that is truly best."""
        ...

    @property
    def fastest(self) -> str:
        """The setup with the fastest downlink."""
        ...


def _wrap(text: str, width: int) -> list[str]:
    return textwrap.wrap(text, width, initial_indent=_INDENT, subsequent_indent=_INDENT, break_long_words=False)


def place_lines(declared: Declared, *, width: int) -> list[str]:
    """Return what is declared, in a few lines."""
    needs = joined([f"{n.label or n.key} ({n.hours.text})" for n in declared.needs])
    lines = _wrap(f"{declared.site.name}. Needs: {needs}.", width)
    return lines + _wrap(f"{len(declared.setups)} setups on {len(declared.rigs)} rigs: {joined([r.label or r.key for r in declared.rigs])}.", width)


def one_test_lines(count: OneTestCount, *, declared: Declared | None, width: int) -> list[str]:
    """Return how often one test of each setup picks wrong."""
    names = names_of(declared)
    text = (
        f"Counted over {count.redraws:,} redraws of this place: whoever tries each setup once and takes the fastest download is wrong "
        f"{count.wrong_by_downlink:,} times; who judges that one test by the needs is wrong {count.wrong_by_score:,} times. "
        f"The fastest download belongs to {names.setup(count.fastest)}; what serves the needs best is {names.setup(count.best)}."
    ).replace(",", "\u202f")
    return _wrap(text.replace("\u202f ", ", "), width)


def verdict_lines(verdict: Verdict, *, declared: Declared, design: Design, width: int) -> list[str]:
    """Return the verdict's sentences, how what is in use does, price and last day, and the cautions of the work."""
    names = names_of(declared, setups=design.setups, needs=design.needs, verdict=verdict)
    told = verdict_told(verdict, names=names, declared=declared)
    lines: list[str] = []
    for sentence in (told.headline, told.lede, told.todo, *told.needs):
        lines += _wrap(said_text(sentence), width)
    lines += _wrap("What would overturn it:", width)
    for sentence in (*told.overturn, *told.notes, told.basis):
        lines += _wrap(said_text(sentence), width)
    present = next((s for s in verdict.setups if s.setup == verdict.in_use), None)
    if present is not None and present.setup != verdict.lead:
        shares = [f"{names.need(n.need)} {of_hundred_range(n.estimate)}" for n in present.needs if n.tests]
        lines += _wrap(f"Now, with {names.setup(present.setup)}: {joined(shares)}.", width)
    lead = next((s for s in declared.setups if s.key == verdict.lead), None)
    if lead is None:
        return lines
    rig = declared.rig(lead.rig)
    gateway = declared.gateway(rig.gateway)
    parts = (("gateway", gateway.price, gateway.returnable_until), ("antenna", rig.antenna.price, rig.returnable_until), ("rig", rig.price, None))
    costs = [f"{what} {price}" + (f", returnable until {last:%d %B %Y}" if last is not None else "") for what, price, last in parts if price]
    if costs:
        lines += _wrap(f"Price: {'; '.join(costs)}.", width)
    caution = climb_caution([rig])
    lines += _wrap(f"{caution.title}: {' '.join(caution.items[:3])}", width) if caution.items else []
    return lines


def live_lines(measurement: Measurement, *, width: int) -> list[str]:
    """Return what the live test found."""
    told = measured_sentence(measurement) if measurement.outcome is Outcome.OK else failure_sentence(measurement)
    return _wrap(f"{said_text(told)} It took {measurement.seconds:.0f} s and {measurement.megabytes:.0f} MB.", width)

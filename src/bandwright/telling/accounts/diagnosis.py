"""What limits the connection, in words: what is likely, what cannot be told apart, what to do to settle it, what will not help."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Protocol

from bandwright.telling.document import Block, Items, Para, Part
from bandwright.telling.numbers import certainty, joined, number
from bandwright.telling.said import Said, said, strong
from bandwright.words.answers import Evidence, Finding

__all__ = ["SettlingTest", "Told", "diagnosis_parts"]

_SYMPTOM = {
    "down": "The download is too slow",
    "up": "The upload is too slow",
    "delay": "The delay is too long",
    "delay_loaded": "The delay swells under load",
    "loss": "Packets get lost",
    "drops": "The connection drops",
    "cannot_connect": "No connection",
}


class SettlingTest(Protocol):
    """What would settle it; see `advice.nexttest.NextTest`."""

    @property
    def sentence(self) -> str: ...  # noqa: D102 -- named by itself


class Told(Protocol):
    """One symptom's diagnosis; see `advice.diagnosis.Diagnosis`."""

    @property
    def symptom(self) -> str: ...  # noqa: D102 -- named by itself
    @property
    def claims(self) -> Sequence[Finding]: ...  # noqa: D102 -- named by itself
    @property
    def undecided(self) -> Sequence[Finding]: ...  # noqa: D102 -- named by itself
    @property
    def next_tests(self) -> Sequence[SettlingTest]: ...  # noqa: D102 -- named by itself
    @property
    def will_not_help(self) -> Sequence[str]: ...  # noqa: D102 -- named by itself
    @property
    def facts(self) -> Sequence[Finding]: ...  # noqa: D102 -- named by itself


def diagnosis_parts(diagnoses: Sequence[Told]) -> list[Part]:
    """Return one part for each symptom."""
    return [Part(title=_SYMPTOM.get(d.symptom, d.symptom), blocks=tuple(_blocks(d))) for d in diagnoses]


def _blocks(d: Told) -> list[Block]:
    blocks: list[Block] = []
    if d.claims:
        claim = d.claims[0]
        sure = "Very likely" if (claim.certainty or 0.0) >= 0.9 else "Probably"
        blocks.append(Para(said(strong(f"{sure}: "), claim.sentence, f" ({certainty(claim.certainty or 0.0)})"), "lede"))
        if claim.remedy:
            blocks.append(Para(said(strong("What helps: "), claim.remedy, f" ({claim.cost})" if claim.cost else "")))
        blocks.append(Items(items=tuple(_evidence(e) for e in claim.evidence)))
    elif len(d.undecided) == 1:
        blocks.append(Para(said(strong("Perhaps: "), d.undecided[0].sentence, " What is known is not enough to say so."), "lede"))
    elif d.undecided:
        blocks.append(Para(said(strong("It cannot be told apart yet: "), joined([f.sentence.rstrip(".") for f in d.undecided], "or"), "."), "lede"))
    else:
        blocks.append(Para(said("What was measured and read does not say why."), "lede"))
    if d.next_tests and not (d.claims and (d.claims[0].certainty or 0.0) >= 0.9):
        blocks.append(Para(said(strong("To settle it: "), d.next_tests[0].sentence)))
    if d.will_not_help:
        blocks.append(Para(said(strong("Will not help: "), joined([w.replace("_", " ") for w in d.will_not_help]), "."), "quiet"))
    if d.facts:
        blocks.append(Items(items=tuple(said(f.sentence) for f in d.facts)))
    return blocks


def _evidence(e: Evidence) -> Said:
    value = number(e.value, 2) if isinstance(e.value, float) else str(e.value)
    return said(f"{e.key.replace('_', ' ')} {value}", f": {e.rule}" if e.rule else "", f" [{e.source}]" if e.source else "")

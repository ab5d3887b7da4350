"""Tunings worth trying on a gateway: what each asks, what it takes away, what is foreseen of it; and what is left out, and why."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Protocol

from bandwright.telling.document import Block, Document, Items, Para, Part, Table
from bandwright.telling.numbers import counted, joined, number, ranged
from bandwright.telling.said import Said, said, strong
from bandwright.words.answers import Forecast
from bandwright.words.rig import Tuning

__all__ = ["Proposal", "ProposedTuning", "proposal_document"]

_QUANTITIES = (("goodput_down_mbps", "down"), ("goodput_up_mbps", "up"))


class ProposedTuning(Protocol):
    """One tuning; see `jobs.propose.Candidate`."""

    @property
    def tuning(self) -> Tuning: ...  # noqa: D102 -- named by itself
    @property
    def asks(self) -> str: ...  # noqa: D102 -- named by itself
    @property
    def excludes(self) -> Sequence[str]: ...  # noqa: D102 -- named by itself
    @property
    def foreseen(self) -> Sequence[Forecast]: ...  # noqa: D102 -- named by itself
    @property
    def why(self) -> str: ...  # noqa: D102 -- named by itself


class Proposal(Protocol):
    """The whole answer; see `jobs.propose.ProposeAnswer`."""

    @property
    def gateway(self) -> str: ...  # noqa: D102 -- named by itself
    @property
    def heard(self) -> Sequence[tuple[str, float]]: ...  # noqa: D102 -- named by itself
    @property
    def proposed(self) -> Sequence[ProposedTuning]: ...  # noqa: D102 -- named by itself
    @property
    def left_out(self) -> Sequence[ProposedTuning]: ...  # noqa: D102 -- named by itself
    @property
    def notes(self) -> Sequence[str]: ...  # noqa: D102 -- named by itself
    @property
    def setups(self) -> int: ...  # noqa: D102 -- named by itself


def proposal_document(answer: Proposal) -> Document:
    """Return the answer to "which tunings are worth trying?"."""
    count = len(answer.proposed)
    headline = said(f"On {answer.gateway} ", strong(f"{counted(count, 'tuning')} worth trying"), ".") if count else said(f"On {answer.gateway} nothing new is worth trying", ".")
    heard = joined([f"{band} ({number(level)} dBm)" if level > -140 else band for band, level in answer.heard])
    lede: list[Block] = [Para(said(f"Heard here: {heard}." if heard else "No band was heard here yet."), "lede")]
    parts = [Part(blocks=tuple(lede))]
    if count:
        rows = tuple((said(f"{i}. {c.tuning.key}"), said(c.asks), said(", ".join(c.excludes) or "nothing"), _foreseen(c)) for i, c in enumerate(answer.proposed, 1))
        table = Table(caption=said("Each answers one question. Risky ones are taken back by themselves if service does not come."), heads=("Tuning", "What it asks", "Takes away", "Foreseen, Mbit/s"), rows=rows)
        after = Para(said(f"With all of them the site has {counted(answer.setups, 'setup')}. A trial drops by itself what its data show to be worse."))
        parts.append(Part(title="Worth trying", blocks=(table, after)))
    if answer.left_out:
        parts.append(Part(title="Left out", blocks=(Items(items=tuple(said(f"{c.tuning.key} ({c.asks}): {c.why}.") for c in answer.left_out)),)))
    if answer.notes:
        parts.append(Part(title="To know", blocks=(Items(items=tuple(said(note) for note in answer.notes)),)))
    return Document(title="Tunings", where=said(answer.gateway), headline=headline, parts=tuple(parts))


def _foreseen(candidate: ProposedTuning) -> Said:
    by_quantity = {row.quantity: row for row in candidate.foreseen}
    texts = [f"{ranged(row.low, row.high, decimals=0)} {way}" for key, way in _QUANTITIES if (row := by_quantity.get(key)) is not None]
    return said(", ".join(texts) or "not known")

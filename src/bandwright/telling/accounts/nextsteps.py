"""Would it help: each thing that could be tried, whether it is worth it, by how much and why, cautions before what invites a climb."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Protocol

from bandwright.telling.cautions import cautions_for
from bandwright.telling.document import Block, Caution, Document, Items, Para, Part, Table, row
from bandwright.telling.names import Names
from bandwright.telling.numbers import certainty, joined, number, ranged
from bandwright.telling.said import Said, said, strong
from bandwright.words.answers import Estimate

__all__ = ["HelpOutlook", "HelpSteps", "nextsteps_document"]

_LIMITED = {
    "interference": "The signal is disturbed by other cells rather than weak: gain alone lifts both alike. What helps is directivity, another cell or another band.",
    "noise": "The signal is weak rather than disturbed: every dB of gain or of wall avoided counts.",
    "cannot tell": "Whether the signal is weak or disturbed cannot be told from this reading; the ranges below hold both.",
}
_WORK = {"ladder", "roof", "mast", "attic", "outside", "inside"}


class HelpNeed(Protocol):
    """A need's chance of being met, before and after."""

    @property
    def need(self) -> str: ...
    @property
    def before(self) -> float: ...
    @property
    def after(self) -> float: ...


class HelpOutlook(Protocol):
    """One thing that could be tried; see `advice.nextsteps.Outlook`."""

    @property
    def label(self) -> str: ...  # noqa: D102 -- named by itself
    @property
    def worth(self) -> str: ...  # noqa: D102 -- named by itself
    @property
    def chance_better(self) -> float: ...  # noqa: D102 -- named by itself
    @property
    def sinr_change(self) -> Estimate: ...  # noqa: D102 -- named by itself
    @property
    def down_ratio(self) -> Estimate: ...  # noqa: D102 -- named by itself
    @property
    def up_ratio(self) -> Estimate | None: ...  # noqa: D102 -- named by itself
    @property
    def needs(self) -> Sequence[HelpNeed]: ...  # noqa: D102 -- named by itself
    @property
    def price(self) -> float | None: ...  # noqa: D102 -- named by itself
    @property
    def cost_per_need(self) -> float | None: ...  # noqa: D102 -- named by itself
    @property
    def reasons(self) -> Sequence[str]: ...  # noqa: D102 -- named by itself
    @property
    def cautions(self) -> Sequence[str]: ...  # noqa: D102 -- named by itself


class HelpSteps(Protocol):
    """The ranked list; see `advice.nextsteps.NextSteps`."""

    @property
    def ranked(self) -> Sequence[HelpOutlook]: ...  # noqa: D102 -- named by itself
    @property
    def nothing_will_help(self) -> bool: ...  # noqa: D102 -- named by itself
    @property
    def limited_by(self) -> str: ...  # noqa: D102 -- named by itself
    @property
    def chance_interference(self) -> float: ...  # noqa: D102 -- named by itself
    @property
    def against_gain(self) -> bool: ...  # noqa: D102 -- named by itself
    @property
    def ask(self) -> Sequence[str]: ...  # noqa: D102 -- named by itself
    @property
    def assumptions(self) -> Sequence[str]: ...  # noqa: D102 -- named by itself
    @property
    def seed(self) -> int: ...  # noqa: D102 -- named by itself


def nextsteps_document(steps: HelpSteps, *, names: Names, now: str) -> Document:
    """Return the answer to "would it help?". now: the rig that is there."""
    best = steps.ranked[0]
    if steps.nothing_will_help:
        headline = said("Nothing here would help: ", strong("do not buy and do not climb for this"), ".")
    else:
        headline = said(f"First try: {best.label}. ", "That a rate that matters rises by a tenth or more is ", strong(f"{certainty(best.chance_better)} sure"), ".")
    first: list[Block] = []
    work = [w for w in (key if key in _WORK else None for o in steps.ranked for key in o.cautions) if w is not None]
    first.append(Para(said(_LIMITED[steps.limited_by]), "lede"))
    if work:
        first.append(Caution(title="Before anybody climbs", items=cautions_for(*dict.fromkeys(work))))
    first.append(_table(steps))
    parts = [Part(blocks=tuple(first))]
    why = tuple(said(f"{o.label}: {'; '.join(o.reasons)}.") for o in steps.ranked if o.reasons)
    if why:
        parts.append(Part(title="Why", blocks=(Items(items=why),)))
    if any(o.needs for o in steps.ranked):
        parts.append(Part(title="For which need", blocks=(_needs(steps, names),)))
    if steps.ask:
        parts.append(Part(title="What would sharpen this", blocks=(Items(items=tuple(said(a) for a in steps.ask)),)))
    foot = said(f"Ranges hold eight times in ten. Assumed: {joined(list(steps.assumptions))}. Only a trial decides. Seed {steps.seed}.")
    return Document(title="Would it help?", where=said("Against what was read" if now == "as read" else f"Against {names.rig(now)}, as read"), headline=headline, parts=tuple(parts), foot=foot)


def _times(estimate: Estimate | None) -> str:
    if estimate is None:
        return "not said"
    return f"×{number(estimate.low, 1)} to ×{number(estimate.high, 1)}"


def _table(steps: HelpSteps) -> Table:
    heads = ("What", "Worth it?", "Down", "Up", "SINR", "Price")
    rows = tuple(
        row(o.label, o.worth, _times(o.down_ratio), _times(o.up_ratio), ranged(o.sinr_change.low, o.sinr_change.high, "dB", 1), "" if o.price is None else number(o.price)) for o in steps.ranked
    )
    return Table(caption=said("What each would change, ranked"), heads=heads, rows=rows, numeric=(2, 3, 4, 5))


def _needs(steps: HelpSteps, names: Names) -> Table:
    keys = list(dict.fromkeys(n.need for o in steps.ranked for n in o.needs))
    heads = ("What", *(names.need(k) for k in keys))
    rows: list[tuple[Said, ...]] = []
    for o in steps.ranked:
        found = {n.need: n for n in o.needs}
        rows.append(row(o.label, *(f"{certainty(found[k].before)} → {certainty(found[k].after)}" if k in found else "" for k in keys)))
    return Table(caption=said("Chance that a test meets the need, now and then"), heads=heads, rows=tuple(rows))

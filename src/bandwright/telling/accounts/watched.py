"""The page of the watch: what changed and when it was told, then how often the connection was there."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import tzinfo

from bandwright.telling.accounts.watching import since_text
from bandwright.telling.document import Document, Para, Part, Table, row
from bandwright.telling.numbers import counted
from bandwright.telling.report import redacted
from bandwright.telling.said import Said, said
from bandwright.words.answers import Alert

__all__ = ["nothing_watched", "watch_document"]

_MOST_ROWS = 50


def nothing_watched() -> Document:
    """Return the page where no watch has run yet."""
    text = "Type “bandwright watch” in a terminal in this folder, or start it as a service: it reads the radio, looks for service, tests lightly within a share of the plan, and says here when something changed."
    return Document(title="Watch", headline=said("Nothing has been watched yet."), parts=(Part(blocks=(Para(said(text), "lede"),)),))


def watch_document(available: Document, told: Sequence[Alert], *, zone: tzinfo) -> Document:
    """Return the page. available: the outage document, which follows. told: alerts in order of time; outages among them stand there already."""
    changes = [a for a in told if not a.key.startswith("outage")]
    if changes:
        lines = [row(since_text(a.at, zone), "back to normal" if a.reversed else "changed", a.sentence) for a in reversed(changes[-_MOST_ROWS:])]
        first = Part(blocks=(Para(available.headline, "lede"), Table(caption=said("What changed, newest first"), heads=("Told", "What", "In words"), rows=tuple(lines))))
    else:
        first = Part(blocks=(Para(available.headline, "lede"), Para(said("Single tests swing by themselves; only what lasts is told here."), "quiet")))
    rest = tuple(replace(part, title=part.title or "How often the connection was there") for part in available.parts)
    return redacted(replace(available, title="Watch", headline=_headline(changes), parts=(first, *rest)))


def _headline(changes: Sequence[Alert]) -> Said:
    if not changes:
        return said("Nothing has changed since the watch began.")
    if changes[-1].reversed:
        return said("It is back to normal after a change.")
    return said("One change was told." if len(changes) == 1 else f"{counted(len(changes), 'change')} were told; the newest stands first.")

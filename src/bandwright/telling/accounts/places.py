"""All my places laid out: one row each, with the last verdict, its age and the one next thing; what needs a person first stands on top."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

from bandwright.telling.accounts.today import next_step
from bandwright.telling.document import Document, Para, Part, Table
from bandwright.telling.names import names_of
from bandwright.telling.numbers import counted, day_and_time, in_words
from bandwright.telling.said import Said, quiet, said, strong
from bandwright.telling.sentences import verdict_told
from bandwright.words.answers import Verdict
from bandwright.words.campaign import Course
from bandwright.words.declared import Declared

__all__ = ["PlaceRow", "age_words", "places_document"]


@dataclass(frozen=True, slots=True, kw_only=True)
class PlaceRow:
    """What is known of one place. problem: why it could not be read; then nothing else is known."""

    folder: str
    name: str
    declared: Declared | None = None
    course: Course | None = None
    verdict: Verdict | None = None
    in_use: str | None = None
    verdict_at: datetime | None = None
    problem: str = ""


def places_document(rows: Sequence[PlaceRow], *, now: datetime) -> Document:
    """Return all places as one page."""
    lost = [r for r in rows if r.problem]
    told = [r for r in rows if r.verdict is not None]
    headline = said(strong(f"{in_words(len(rows), 'place').capitalize()}"), f": {in_words(len(told)) if told else 'none'} with a verdict" + (f", {in_words(len(lost))} that cannot be read." if lost else "."))
    table = Table(
        caption=said("Where each stands"),
        heads=("Place", "Last verdict", "Its age", "Next thing"),
        rows=tuple((said(strong(r.name), quiet(f" {r.folder}") if r.folder != r.name else ""), _verdict(r), said(age_words(now, r.verdict_at)), _next(r)) for r in rows),
    )
    lede = Para(said("Each was read from its own folder; nothing was asked of any gateway. To open one: bandwright serve --site FOLDER."), "lede")
    return Document(title="All my places", where=said(day_and_time(now, "UTC") + " UTC"), headline=headline, parts=(Part(blocks=(lede, table)),))


def _verdict(row: PlaceRow) -> Said:
    if row.problem:
        return said("cannot be read")
    if row.verdict is None:
        return said("none yet")
    return verdict_told(row.verdict, names=names_of(row.declared, verdict=row.verdict, in_use=row.in_use), declared=row.declared).headline


def _next(row: PlaceRow) -> Said:
    if row.declared is None:
        return said(row.problem)
    title, *_ = next_step(declared=row.declared, course=row.course, verdict=row.verdict, in_use=row.in_use)
    return said(title[:1].upper() + title[1:])


def age_words(now: datetime, at: datetime | None) -> str:
    """Return an age in whole days, rounded down, or in hours below one day."""
    if at is None:
        return "none"
    hours = max(0, int((now - at).total_seconds() // 3600))
    if hours < 1:
        return "less than an hour"
    return counted(hours, "hour") if hours < 24 else counted(hours // 24, "day")

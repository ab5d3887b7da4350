"""The verdict laid out: what to do, by how much, how sure, for which need at which hour, and what would overturn it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from bandwright.telling.charts import by_hour, differences
from bandwright.telling.document import Block, Document, Fold, Items, Note, Para, Part, Plate, Table
from bandwright.telling.names import Names, names_of
from bandwright.telling.numbers import NBSP, certainty, day, day_and_time, in_words, of_hundred_range
from bandwright.telling.said import Said, said, strong
from bandwright.telling.sentences import ordered_shares, verdict_told
from bandwright.words.answers import Verdict
from bandwright.words.campaign import CampaignEvent, Design, Tested
from bandwright.words.declared import Declared

__all__ = ["campaign_line", "shares_table", "verdict_document"]

_MOST_ROWS = 6  # what fits one side of paper beside the charts


def verdict_document(verdict: Verdict, *, design: Design, events: Sequence[CampaignEvent] = (), declared: Declared | None = None) -> Document:
    """Return the Verdict page of a campaign."""
    names = names_of(declared, setups=design.setups, needs=design.needs, verdict=verdict)
    tests = [e for e in events if isinstance(e, Tested)]
    told = verdict_told(verdict, names=names, declared=declared)
    first: list[Block] = [Para(told.lede, "lede")] if told.lede else []
    first.append(Para(told.todo))
    data = differences.differences(verdict, tests, names=names)
    if data is not None and data.rows:
        first.append(
            Plate(
                finding=said(differences.finding(data)),
                reading=said(f"Fine strokes: the difference seen in each round. Bar and mark: the difference over all rounds, with its 90{NBSP}% interval.{_left_out(verdict, data)}"),
                drawing=differences.draw(data),
                table=differences.table(data),
            )
        )
    needs = _needs_part(verdict, tests, design=design, names=names, declared=declared)
    overturn = [*told.overturn]
    parts = [Part(blocks=tuple(first), note=_note(verdict, told.basis)), *needs]
    if overturn or told.notes:
        blocks: tuple[Block, ...] = (Items(items=tuple(overturn)),) if overturn else ()
        figures: tuple[Block, ...] = (Fold(title="In figures, on the scale of the score", blocks=(Items(items=told.figures),)),) if told.figures else ()
        parts.append(Part(title="What would overturn it" if overturn else "Notes", blocks=(*blocks, *figures, *(Para(n, "quiet") for n in told.notes))))
    return Document(title="Verdict", where=campaign_line(design, verdict, names), headline=told.headline, parts=tuple(parts))


def _left_out(verdict: Verdict, data: differences.Differences) -> str:
    more = sum(s.attainable and s.tests > 0 for s in verdict.setups) - 1 - len(data.rows)
    return f" {in_words(more, 'more setup').capitalize()} of the campaign left less and are not drawn." if more > 0 else ""


def campaign_line(design: Design, verdict: Verdict, names: Names) -> Said:
    """Return which campaign, and of when the verdict is."""
    label = f"Campaign “{design.label}”" if design.label else f"Campaign since {day(design.start, names.timezone)}"
    return said(label, f" · verdict of {day_and_time(verdict.at, names.timezone)}" if verdict.at else "")


def _needs_part(verdict: Verdict, tests: Sequence[Tested], *, design: Design, names: Names, declared: Declared | None) -> list[Part]:
    """Return the part that says which need is met at which hour: the chart where there are tests, and the table."""
    blocks: list[Block] = []
    shown = [verdict.lead, *( [verdict.in_use] if verdict.in_use else []), *([verdict.against.b, verdict.against.a] if verdict.against else [])]
    keys = [k for k in dict.fromkeys(shown) if k is not None][:3]
    hours = by_hour.by_hour(tests, setups=keys, needs=design.needs, names=names, timezone=design.timezone)
    if hours.panels:
        blocks.append(
            Plate(
                finding=said(by_hour.finding(hours)),
                reading=said(f"Share of 100 tests that met the need, by hour of the day{', in blocks of four hours' if hours.block_hours == 4 else ''}, with the 90{NBSP}% range."),
                drawing=by_hour.draw(hours),
                keys=tuple(said(names.piece(k)) for k in hours.setups),
                table=by_hour.table(hours),
            )
        )
    table = shares_table(verdict, names=names, declared=declared)
    if table is not None:
        blocks.append(replace(table, rows=table.rows[:_MOST_ROWS]))
        rest = table.rows[_MOST_ROWS:]
        if rest:
            blocks.append(Fold(title=f"The other {in_words(len(rest), 'setup')}", blocks=(replace(table, caption=said("Met, of 100 tests: the others"), rows=rest),)))
    return [Part(title="For which need, at which hour", blocks=tuple(blocks))] if blocks else []


def shares_table(verdict: Verdict, *, names: Names, declared: Declared | None) -> Table | None:
    """Return the table of setups and the share of tests that met each need, or None where nothing was tested."""
    tested = [s for s in verdict.setups if s.needs]
    if not tested:
        return None
    first = (verdict.lead, *((verdict.against.a, verdict.against.b) if verdict.against else ()), verdict.in_use)
    tested.sort(key=lambda s: (first.index(s.setup) if s.setup in first else len(first), -s.value.value))
    needs = [share.need for share in ordered_shares(verdict, declared, tested[0].setup)]
    rows = []
    for s in tested:
        by_need = {share.need: share for share in s.needs}
        cells = [said(of_hundred_range(by_need[n].estimate)) if n in by_need else said("not tested") for n in needs]
        rows.append((said(names.piece(s.setup)), said(str(s.tests)), *cells))
    return Table(caption=said("Met, of 100 tests, all hours that matter"), heads=("Setup", "Tests", *(names.need(n) for n in needs)), rows=tuple(rows), numeric=tuple(range(1, len(needs) + 2)))


def _note(verdict: Verdict, basis: Said) -> Note:
    paras = [
        said(strong("Room to spare"), ": how many times over a test met what the need asks, at its tightest point, averaged over the hours that matter. A failed test counts as the floor."),
    ]
    if verdict.kind in {"best", "no difference", "not yet"} and verdict.lead:
        paras.append(said(strong(certainty(verdict.certainty)), f": out of 100 campaigns ending like this one, in so many no other setup tried is better by {100 * verdict.indifference:.0f}{NBSP}% or more."))
    paras.append(basis)
    return Note(label="What room to spare is, and how sure", paras=tuple(paras))

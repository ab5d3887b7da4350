"""What a campaign would take, before it starts: chance of a clear answer, days, data, climbs, a person's time."""

from __future__ import annotations

from bandwright.telling.document import Document, Para, Part, Table, row
from bandwright.telling.names import names_of
from bandwright.telling.numbers import certainty, in_words, number
from bandwright.telling.said import Said, said, strong
from bandwright.words.answers import Outlook, Plan, Span
from bandwright.words.campaign import Design
from bandwright.words.declared import Declared

__all__ = ["outlook_document", "outlook_table"]


def outlook_document(plan: Plan, *, design: Design, declared: Declared) -> Document:
    """Return the document of a campaign that has not started."""
    names = names_of(declared, setups=design.setups, needs=design.needs)
    mine = plan.as_designed
    rigs = {s.rig for s in design.setups}
    climbs = f", {_half(mine.rig_changes)} rig changes" if len(rigs) > 1 else ""
    headline = said("A clear answer is to be expected in ", strong(f"{certainty(mine.chance_clear)} such campaigns"), ".")
    lede = said(
        f"It compares {in_words(len(design.setups), 'setup')} on {in_words(len(rigs), 'rig')} for {in_words(len(design.needs), 'need')}. ",
        f"Half of them end within {_half(mine.days, 1)} days, {_half(mine.tests)} tests, {_half(mine.gigabytes, 1)} GB{climbs}, {_half(mine.person_minutes)} minutes of a person; ",
        f"nine in ten within {_most(mine.days, 1)} days, {_most(mine.gigabytes, 1)} GB and {_most(mine.person_minutes)} minutes.",
    )
    foot = said(f"From {plan.campaigns} campaigns rehearsed on what is known of places like this; seed {plan.seed}. If the allowance ends first: {plan.if_it_ends}.")
    where = said(f"Design for {design.label or names.rig(design.setups[0].rig)}")
    return Document(title="Design", where=where, headline=headline, parts=(Part(blocks=(Para(lede, "lede"), outlook_table(plan))),), foot=foot)


def outlook_table(plan: Plan) -> Table:
    """Return the design beside a cheaper and a longer one."""
    heads = ("Design", "Allowance", "Clear answer", "Days, half / nine in ten", "Tests", "GB", "Rig changes", "Minutes of a person")
    rows = tuple(_row(o) for o in (plan.cheaper, plan.as_designed, plan.longer))
    return Table(caption=said("What a cheaper and a longer design would come to"), heads=heads, rows=rows, numeric=tuple(range(2, len(heads))))


def _row(outlook: Outlook) -> tuple[Said, ...]:
    a = outlook.allowance
    allowed = f"{number(a.days)} days, {number(a.data_gb)} GB, {a.rig_changes} rig changes"
    pairs = (_pair(outlook.days, 1), _pair(outlook.tests), _pair(outlook.gigabytes, 1), _pair(outlook.rig_changes), _pair(outlook.person_minutes))
    return row(outlook.name, allowed, certainty(outlook.chance_clear), *pairs)


def _half(span: Span, decimals: int = 0) -> str:
    return number(span.p50, decimals)


def _most(span: Span, decimals: int = 0) -> str:
    return number(span.p90, decimals)


def _pair(span: Span, decimals: int = 0) -> str:
    return f"{number(span.p50, decimals)} / {number(span.p90, decimals)}"

"""What is handed over: the report of a campaign, the householder's one page, before and after, and the as-built sheet.

All are documents, so the same words go to the page, the single file and the paper. Redacted by default: identities become dots and no
position is ever named.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, TypeVar

import bandwright
from bandwright.privacy import redact_text
from bandwright.telling.accounts.setups import rig_line
from bandwright.telling.accounts.verdict import verdict_document
from bandwright.telling.cautions import cautions_for, work_of
from bandwright.telling.charts import timeline
from bandwright.telling.document import Block, Caution, Document, Items, Para, Part, Plate, Table, row
from bandwright.telling.names import Names, names_of
from bandwright.telling.numbers import NBSP, day, gigabytes, number, of_hundred_range, span_of_days
from bandwright.telling.said import said, strong
from bandwright.telling.sentences import asks, need_sentence, ordered_shares, verdict_told
from bandwright.words.answers import Verdict
from bandwright.words.campaign import CampaignEvent, Course, Design
from bandwright.words.declared import Declared

__all__ = ["AsBuilt", "as_built_sheet", "before_and_after", "campaign_report", "household_page", "redacted"]

_BLANK = "…" * 24
_T = TypeVar("_T")


@dataclass(frozen=True, slots=True, kw_only=True)
class AsBuilt:
    """What was built, in the words of whoever built it; None leaves a line to fill in by hand."""

    position: str | None = None
    heading: str | None = None
    height: str | None = None
    mount: str | None = None
    feeder_route: str | None = None
    holes: str | None = None
    undo: str | None = None
    earthing_by: str | None = None
    built_by: str | None = None
    built_on: str | None = None


def campaign_report(verdict: Verdict, *, design: Design, events: Sequence[CampaignEvent], course: Course, declared: Declared, redact: bool = True) -> Document:
    """Return the whole report: verdict, site, method, results, what would overturn it, cautions, how to repeat it."""
    base = verdict_document(verdict, design=design, events=events, declared=declared)
    names = names_of(declared, setups=design.setups, needs=design.needs, verdict=verdict)
    made = Document(
        title=f"Report: {design.label or declared.site.name}",
        where=base.where,
        headline=base.headline,
        parts=(*base.parts, _tests_part(design, events, names), _site_part(declared, names), _method_part(design, course), _caution_part(declared), _repeat_part(design, verdict)),
        foot=said(f"Made by Bandwright {bandwright.__version__}. Positions are withheld", ", identities are shown as dots." if redact else "."),
    )
    return redacted(made) if redact else made


def _tests_part(design: Design, events: Sequence[CampaignEvent], names: Names) -> Part:
    data = timeline.timeline(design, events, names=names)
    if data is None:
        return Part(title="The tests", blocks=(Para(said("No test was made.")),))
    plate = Plate(
        finding=said(timeline.finding(data)), reading=said("Every mark is a test: higher means more room above what the needs ask; the dotted line is “just met”; a cross is a failed test."), drawing=timeline.draw(data)
    )
    return Part(title="The tests", blocks=(plate, timeline.table(data)))


def _site_part(declared: Declared, names: Names) -> Part:
    needs = Table(
        caption=said("What must work"), heads=("Need", "When", "Weight", "What a test must reach"), rows=tuple(row(names.need(n.key), names.when(n.key), f"{n.weight:g}", asks(n)) for n in declared.needs), numeric=(2,)
    )
    rigs = Items(items=tuple(said(strong(names.rig(r.key)), f": {rig_line(r, declared)}") for r in declared.rigs))
    return Part(title="The place and what was compared", blocks=(Para(said(f"{declared.site.name}. Position withheld.")), needs, rigs))


def _method_part(design: Design, course: Course) -> Part:
    rigs = len({s.rig for s in design.setups})
    items = [
        said("Setups were compared within rounds: each once or twice, back to back, in an order drawn beforehand from the seed. Rounds were spread over the hours that matter and over days, because hours and days differ more than setups do."),
        said("A setting counted only once a reading showed it. A failed test counted as “not met” for the setup that was asked for; a test was void only where the far end or the computer at the site had failed."),
        said(f"The score of a test is how many times over it met what each need asks, at the tightest point, between a factor e short and a factor e to spare, weighted by need. Differences below {100 * design.indifference:.0f}{NBSP}% do not matter; the allowed chance of a wrong answer is {100 * design.risk:.0f} in 100."),
        said(f"Used: {gigabytes(1000 * course.used_gb)} of {design.allowance.data_gb:g}{NBSP}GB, {span_of_days(course.used_days)} of {design.allowance.days:g}" + (f", {course.used_rig_changes} of {design.allowance.rig_changes} changes of rig." if rigs > 1 else ".")),
    ]
    return Part(title="How it was done", blocks=(Items(items=tuple(items)),))


def _caution_part(declared: Declared) -> Part:
    return Part(title="Before work at the place", blocks=(Caution(title="Cautions", items=cautions_for(*work_of(declared.rigs))),))


def _repeat_part(design: Design, verdict: Verdict) -> Part:
    return Part(
        title="How to repeat it",
        blocks=(Para(said(f"Campaign {design.key}, seed {design.seed}; verdict seed {verdict.seed}; Bandwright {bandwright.__version__}. The same records and seed give the same verdict: `bandwright verdict` in the folder of the place.")),),
    )


def household_page(verdict: Verdict, *, design: Design, declared: Declared, redact: bool = True) -> Document:
    """Return the householder's one page: what to do, what will work, what can hurt. 4G and 5G as the setups' labels say."""
    names = names_of(declared, setups=design.setups, needs=design.needs, verdict=verdict)
    told = verdict_told(verdict, names=names, declared=declared)
    needs = tuple(need_sentence(share, names=names) for share in ordered_shares(verdict, declared, verdict.lead))
    blocks: list[Block] = [Para(told.lede, "lede"), Para(told.todo)]
    parts = [Part(blocks=tuple(b for b in blocks if not isinstance(b, Para) or b.text))]
    if needs:
        parts.append(Part(title=f"What to expect with {names.setup(verdict.lead)}", blocks=(Items(items=needs), Para(said("Ranges hold nine times in ten. A test that failed counts as not met."), "quiet"))))
    if told.overturn:
        parts.append(Part(title="What would change the answer", blocks=(Items(items=told.overturn),)))
    parts.append(_caution_part(declared))
    made = Document(title="What the campaign found", where=said(declared.site.name, f" · {day(verdict.at, names.timezone)}" if verdict.at else ""), headline=told.headline, parts=tuple(parts), foot=told.basis)
    return redacted(made) if redact else made


def before_and_after(verdict: Verdict, *, design: Design, declared: Declared, redact: bool = True) -> Document:
    """Return the setup in use before beside the one to use, need by need, with ranges."""
    names = names_of(declared, setups=design.setups, needs=design.needs, verdict=verdict)
    told = verdict_told(verdict, names=names, declared=declared)
    before = {s.need: s for s in ordered_shares(verdict, declared, verdict.in_use)}
    after = {s.need: s for s in ordered_shares(verdict, declared, verdict.lead)}
    rows = []
    for key in dict.fromkeys([*after, *before]):
        cells = [f"{of_hundred_range(side[key].estimate)} ({side[key].met} of {number(side[key].tests)})" if key in side else "not tested" for side in (before, after)]
        rows.append(row(names.need(key), names.when(key), *cells))
    table = Table(caption=said("Met, of 100 tests, nine times in ten; counts in brackets"), heads=("Need", "When", f"Before: {names.setup(verdict.in_use)}", f"After: {names.setup(verdict.lead)}"), rows=tuple(rows), numeric=(2, 3))
    made = Document(title="Before and after", where=said(declared.site.name), headline=told.headline, parts=(Part(blocks=(Para(told.lede, "lede"), table, Para(told.basis, "quiet"))),))
    return redacted(made) if redact else made


def as_built_sheet(declared: Declared, rig_key: str, *, built: AsBuilt | None = None, before_work: bool = False, redact: bool = True) -> Document:
    """Return the sheet of one rig: one form to ask a landlord before the work, one to leave behind after it. Raises KeyError for an unknown rig."""
    rig = declared.rig(rig_key)
    names = names_of(declared)
    b = built or AsBuilt()
    antenna, feeder = rig.antenna, rig.feeder
    heading = b.heading or (f"{antenna.azimuth_deg:.0f}° true" if antenna.azimuth_deg is not None else None)
    height = b.height or (f"{antenna.height_m:g}{NBSP}m above ground" if antenna.height_m is not None else None)
    route = b.feeder_route or (f"{feeder.length_m:g}{NBSP}m; route: {_BLANK}" if feeder else None)
    lines = (
        ("What", rig_line(rig, declared)),
        ("Where on the building", b.position or rig.place or _BLANK),
        ("Heading", heading or _BLANK),
        ("Height", height or _BLANK),
        ("Mount, and what it is fixed to", b.mount or _BLANK),
        ("Feeder route", route or _BLANK),
        ("Holes, and how they are sealed", b.holes or _BLANK),
        ("How to undo it", b.undo or _BLANK),
        ("Earthing and surge protection, done by", b.earthing_by or _BLANK),
        ("Built by, on", " ".join(x for x in (b.built_by, b.built_on) if x) or _BLANK),
    )
    table = Table(caption=said("To be built" if before_work else "As built"), heads=("What", "How"), rows=tuple(row(*line) for line in lines))
    headline = said(f"May this be put up? {names.rig(rig_key)}, ", strong("to be agreed before the work"), ".") if before_work else said(f"{names.rig(rig_key)}: ", strong("what was built, and how to undo it"), ".")
    sign = Table(caption=said("Signed"), heads=("Who", "Name and date"), rows=(row("Owner of the building", _BLANK), row("Who does the work", _BLANK)))
    parts = [Part(blocks=(table,)), Part(title="Before work at the place", blocks=(Caution(title="Cautions", items=cautions_for(*work_of([rig]))),)), Part(title="Agreed" if before_work else "Handed over", blocks=(sign,))]
    made = Document(title="To ask beforehand" if before_work else "As built", where=said(declared.site.name), headline=headline, parts=tuple(parts), foot=said("Local codes and licensed people go before this sheet."))
    return redacted(made) if redact else made


def redacted(value: _T) -> _T:
    """Return a document in which identities, phone numbers and hardware addresses are dots, in words and drawings alike."""
    found: _T = _redacted(value)
    return found


def _redacted(value: Any) -> Any:
    if isinstance(value, str):
        return redact_text(value)
    if isinstance(value, tuple):
        return tuple(_redacted(v) for v in value)
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        return dataclasses.replace(value, **{f.name: _redacted(getattr(value, f.name)) for f in dataclasses.fields(value)})
    return value

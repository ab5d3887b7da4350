"""The campaign laid out: before it (how long, how much, how many climbs), while it runs, and when it is over.

What is being asked now comes first; then where it stands, every test in its place, and the table of setups marked as too early where it
is. A climb is a card: its cautions, then what to do.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime

from bandwright.ports import Question
from bandwright.telling.accounts.verdict import shares_table
from bandwright.telling.cautions import cautions_by_key, cautions_for, work_of
from bandwright.telling.charts import timeline
from bandwright.telling.document import Block, Caution, Document, Early, Items, Note, Para, Part, Plate, Table, row
from bandwright.telling.names import Names, names_of
from bandwright.telling.numbers import (
    NBSP,
    certainty,
    clock,
    counted,
    day_and_time,
    day_short,
    factor,
    gigabytes,
    in_words,
    number,
    of_hundred_range,
    span_of_days,
    span_of_time,
)
from bandwright.telling.said import Piece, Said, link, said, strong
from bandwright.telling.sentences import asks, needs_met_text, ordered_shares, verdict_told
from bandwright.words.answers import Verdict
from bandwright.words.campaign import CampaignEvent, Course, Design, Step
from bandwright.words.declared import Declared
from bandwright.words.progress import CampaignProgress
from bandwright.words.rig import Rig

__all__ = ["campaign_document", "card_blocks", "plan_document", "progress_line", "setups_so_far"]


def plan_document(declared: Declared) -> Document:
    """Return the page before a campaign: what it would compare, what it may use, and what it asks of a person."""
    names = names_of(declared)
    allowance = declared.campaign.allowance
    rigs = [r for r in declared.rigs if any(s.rig == r.key for s in declared.setups)]
    enough = len(declared.setups) > 1 and declared.needs
    if not enough:
        lacks = "a second setup" if len(declared.setups) < 2 else "a need"
        return Document(
            title="Campaign",
            headline=said(f"Declare {lacks} first: ", strong("there is nothing to compare yet"), "."),
            parts=(Part(blocks=(Para(said("Setups and needs are declared in site.toml, in the folder that serves this page. Each section there is explained by its comments.")),)),),
        )
    hand = " Somebody sets and reads the gateway by hand, so rounds are few and long apart." if declared.campaign.by_hand else ""
    climbs = [r for r in rigs if "ladder" in work_of([r]) or "roof" in work_of([r])]
    first: list[Block] = [
        Para(said(f"It compares {in_words(len(declared.setups), 'setup')} on {in_words(len(rigs), 'rig')}, in rounds spread over the hours that matter, and stops by itself once the answer is clear.{hand}"), "lede"),
        Table(
            caption=said("What it may use, and no more"),
            heads=("Of what", "At most", "Why"),
            rows=(
                row("Data", f"{allowance.data_gb:g}{NBSP}GB", "each test loads the connection both ways for some seconds"),
                row("Days", span_of_days(allowance.days), "hours and days differ more than setups do"),
                row("Changes of rig", str(allowance.rig_changes) if len(rigs) > 1 else "none", "a mounting comes out a little different each time, so each rig is mounted more than once"),
            ),
            numeric=(1,),
        ),
        Table(caption=said("What must work, in your order"), heads=("Need", "When", "What a test must reach"), rows=tuple(row(names.need(n.key), names.when(n.key), asks(n)) for n in declared.needs)),
        Table(
            caption=said("What is compared"),
            heads=("Setup", "Going over to it"),
            rows=tuple((said(names.piece(s.key)), said(_cost(next(r for r in rigs if r.key == s.rig), mounted=s.rig == (declared.campaign.mounted or rigs[0].key)))) for s in declared.setups),
        ),
    ]
    parts = [Part(blocks=tuple(first), note=_plan_note(declared))]
    if climbs:
        parts.append(Part(title="Before anyone climbs", blocks=(Caution(title="First the cautions", items=cautions_for(*work_of(climbs))),)))
    return Document(
        title="Campaign",
        where=said(declared.site.name),
        headline=said("Plan a campaign: ", strong(f"at most {allowance.data_gb:g}{NBSP}GB and {span_of_days(allowance.days)}"), f"{', with ' + counted(allowance.rig_changes, 'change') + ' of rig' if len(rigs) > 1 else ''}."),
        parts=tuple(parts),
    )


def _cost(rig: Rig, *, mounted: bool) -> str:
    if mounted:
        return "seconds; nobody is needed"
    price = f", {rig.price}" if rig.price else ""
    climb = ", a climb" if "ladder" in work_of([rig]) else ""
    return f"{number(rig.change_minutes)}{NBSP}minutes of a person{climb}{price}"


def _plan_note(declared: Declared) -> Note:
    plan = declared.campaign
    return Note(
        label="How it decides",
        paras=(
            said(strong("A difference that matters"), f": {100 * plan.indifference:.0f}{NBSP}% or more. Smaller ones are not chased."),
            said(strong("How sure"), f": it stops at {certainty(1 - plan.risk)}, after at least six rounds on more than one day."),
            said(strong("If it is stopped"), " every finished test is kept, and it goes on later from where it stood."),
            said("How likely a clear answer is within this allowance can be rehearsed beforehand: ", Piece(text="bandwright design", style="code"), "."),
            said("While it runs, the connection is loaded for some seconds a few times a day, and settings change; the former setting comes back between rounds that lie far apart."),
        ),
    )


def campaign_document(
    *, declared: Declared, design: Design, course: Course, events: Sequence[CampaignEvent], verdict: Verdict | None, now: datetime, running: bool, latest: CampaignProgress | None = None
) -> Document:
    """Return the page of a campaign that has begun: running, paused or over."""
    names = names_of(declared, setups=design.setups, needs=design.needs, verdict=verdict)
    decided = verdict is not None and verdict.kind != "not yet" and course.finished
    data = timeline.timeline(design, events, names=names, upcoming=None if course.finished else course.next, now=None if course.finished else now)
    blocks: list[Block] = []
    if data is not None:
        blocks.append(
            Plate(
                finding=said(timeline.finding(data)),
                reading=said(f"Every mark is {'the mean of several tests' if data.binned else 'a test'}: higher means more room above what the needs ask; the dotted line is “just met”; a cross is a failed test. Marks standing together are one round. Dashed: not yet."),
                drawing=timeline.draw(data),
                table=timeline.table(data),
            )
        )
    parts = [Part(blocks=(*_lede(course, names, running=running, decided=decided, latest=latest), *blocks), note=_stand(design, course))]
    if verdict is not None and verdict.tests:
        so_far: list[Block] = []
        if not decided:
            so_far.append(Early(said(f"Too early to choose: {_why_early(verdict, names)}")))
        table = setups_so_far(verdict, names=names, declared=declared, decided=decided)
        if table is not None:
            so_far.append(table)
        parts.append(Part(title="Setups so far" if not decided else "Setups", blocks=tuple(so_far)))
    lost = course.not_attainable
    if lost:
        parts.append(Part(title="Could not be put in force", blocks=(Items(items=tuple(said(strong(names.setup(k)), f": {why}") for k, why in lost)),)))
    return Document(title="Campaign", where=_where(design, course, events, now, names), headline=_headline(course, verdict, names, decided=decided), parts=tuple(parts))


def _where(design: Design, course: Course, events: Sequence[CampaignEvent], now: datetime, names: Names) -> Said:
    label = f"Campaign “{design.label}”" if design.label else "Campaign"
    if course.finished and events:
        return said(f"{label} · ended {day_and_time(max(e.at for e in events), names.timezone)}")
    return said(f"{label} · {day_and_time(now, names.timezone)}")


def _headline(course: Course, verdict: Verdict | None, names: Names, *, decided: bool) -> Said:
    if decided and verdict is not None:
        return verdict_told(verdict, names=names).headline
    if course.finished:
        return said(f"{counted(course.tests, 'test')} done, and the allowance is used up: ", strong("not decided"), ".")
    if course.tests == 0:
        return said("The campaign is ready: ", strong("no test has been made yet"), ".")
    return said(f"{counted(course.tests, 'test')} in {counted(course.rounds, 'round')} done, and it is ", strong("too early to choose"), ".")


def _lede(course: Course, names: Names, *, running: bool, decided: bool, latest: CampaignProgress | None) -> tuple[Block, ...]:
    if decided:
        return (Para(said("It is over, and every test is kept. ", link("Read the verdict", "/verdict")), "lede"),)
    if course.finished:
        return (Para(said("Every test is kept. ", link("See what the verdict says", "/verdict")), "lede"),)
    if running:
        return (Para(progress_line(latest, names), "lede"),) if latest else ()
    return (Para(said(f"It is paused; nothing is lost. {_next_line(course.next, names)}"), "lede"),)


def _next_line(step: Step, names: Names) -> str:
    when = f" at {clock(step.not_before, names.timezone)} on {day_short(step.not_before, names.timezone)}" if step.not_before else ""
    if step.kind == "mount":
        return f"Next{when}: change to {names.rig(step.rig or '')}, about {number(step.minutes)}{NBSP}minutes of a person."
    if step.kind == "round":
        return f"Next{when}: a round on {names.rig(step.rig or '')}."
    if step.kind == "test":
        return f"Next: {names.setup(step.setup)}."
    return step.why or "Nothing more to do."


def progress_line(event: CampaignProgress, names: Names) -> Said:
    """Return one event of a running campaign in one sentence: what is being asked now, or which need a test met. Never a climbing figure."""
    setup = names.piece(event.setup) if event.setup else ""
    if event.kind == "waiting":
        until = f" at {clock(event.until, names.timezone)} on {day_short(event.until, names.timezone)}" if event.until else ""
        return said(f"Waiting. The next round begins{until}.")
    if event.kind == "applying":
        return said("Asking the gateway for ", setup, "; it counts once a reading shows it.")
    if event.kind == "warming up":
        return said("Warming up ", setup, ": some seconds of load that are not measured.")
    if event.kind == "measuring":
        return said("Now testing ", setup, ": first the round trips at rest, then the download, then the upload.")
    if event.kind == "tested" and event.tested is not None:
        return said(setup, ": ", needs_met_text(event.tested, names=names))
    if event.kind == "round":
        return said(f"A new round{' on ' + names.rig(event.rig) if event.rig else ''}; its order was drawn beforehand.")
    if event.kind == "mounted":
        return said(f"{names.rig(event.rig or '')} is in place. A new visit begins.")
    if event.kind == "answer" and event.verdict is not None:
        return verdict_told(event.verdict, names=names).headline
    return said(event.text[:1].upper() + event.text[1:] + ("" if event.text.endswith((".", "?")) else "."))


def _stand(design: Design, course: Course) -> Note:
    allowance = design.allowance
    paras = [
        said(strong("Data:"), f" {gigabytes(1000 * course.used_gb)} of {allowance.data_gb:g}{NBSP}GB."),
        said(strong("Days:"), f" {course.used_days:.1f} of {allowance.days:g}."),
    ]
    if len({s.rig for s in design.setups}) > 1:
        paras.append(said(strong("Changes of rig:"), f" {course.used_rig_changes} of {allowance.rig_changes}."))
    if course.used_person_minutes:
        paras.append(said(strong("A person’s time:"), f" {span_of_time(60 * course.used_person_minutes)}."))
    if course.void_share > 0.1:
        paras.append(said(strong("Void"), f": {certainty(course.void_share)} tests, because the far end or this computer failed. They are repeated; see why before going on."))
    if not course.finished:
        paras.append(said(strong("If it stops now"), " every finished test is kept, and the answer reads “not yet”."))
    return Note(label="Where the campaign stands", paras=tuple(paras))


def _why_early(verdict: Verdict, names: Names) -> str:
    if verdict.against is None:
        return "too few rounds have been tested."
    other = verdict.against.b if verdict.against.a == verdict.lead else verdict.against.a
    return f"{names.setup(verdict.lead)} and {names.setup(other)} cannot be told apart yet."


def setups_so_far(verdict: Verdict, *, names: Names, declared: Declared | None, decided: bool = False) -> Table | None:
    """Return the table of setups: tests, the first two needs in the user's order, and the difference to the lead."""
    tested = [s for s in verdict.setups if s.tests]
    if not tested or verdict.lead is None:
        return shares_table(verdict, names=names, declared=declared)
    needs = [s.need for s in ordered_shares(verdict, declared, verdict.lead)][:2]
    against = {c.b if c.a == verdict.lead else c.a: c for c in verdict.comparisons}
    rows = []
    for s in sorted(tested, key=lambda s: -s.value.value):
        by_need = {share.need: share for share in s.needs}
        comparison = against.get(s.setup)
        if s.setup == verdict.lead:
            how = "the answer" if decided else "ahead so far"
        elif comparison is None:
            how = "not compared" if s.attainable else "could not be put in force"
        else:
            d = comparison.difference
            low, high = (d.low, d.high) if comparison.a != verdict.lead else (-d.high, -d.low)
            how = f"{factor(low)} to {factor(high)}"
        rows.append((said(names.piece(s.setup)), said(str(s.tests)), *(said(of_hundred_range(by_need[n].estimate) if n in by_need else "no test") for n in needs), said(how)))
    return Table(
        caption=said("Ranges hold nine times in ten"),
        heads=("Setup", "Tests", *(f"{names.need(n)} met, of 100" for n in needs), f"Room to spare, as times that of {names.setup(verdict.lead)}"),
        rows=tuple(rows),
        numeric=tuple(range(1, len(needs) + 2)),
    )


def card_blocks(question: Question, names: Names) -> tuple[Block, ...]:
    """Return a question to the person at the site: its cautions, then what to do."""
    blocks: list[Block] = []
    items = cautions_by_key(question.cautions)
    if items:
        blocks.append(Caution(title="First the cautions", items=items))
    blocks.append(Para(said(_named(question.text, question, names)), "lede"))
    if question.kind == "mount":
        blocks.append(Para(said("Set it anew even where it stood before: turn it away first, unplug and plug. Aim, plugs and place come out a little different each time, and only a fresh mounting can show by how much."), "quiet"))
    return tuple(blocks)


def _named(text: str, question: Question, names: Names) -> str:
    for key, name in ((question.setup, names.setup(question.setup)), (question.rig, names.rig(question.rig or ""))):
        if key:
            text = text.replace(key, name, 1)
    return text

"""Today, for the householder: how well the setup in use serves each need, what is running, and the one next thing to do.

4G and 5G are said here, as the setups' own labels say them; LTE and NR stay on the practitioner's pages.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime

from bandwright.telling.charts import shares
from bandwright.telling.document import Block, Document, Log, LogItem, Note, Para, Part, ShareRow, Shares
from bandwright.telling.names import Names, names_of
from bandwright.telling.numbers import NBSP, certainty, clock, counted, day_and_time, day_short, gigabytes, in_words, joined, of_hundred_range, ranged
from bandwright.telling.said import Said, link, said, strong
from bandwright.telling.sentences import asks, failure_sentence, measured_sentence, needs_met_text, verdict_told
from bandwright.words.answers import Forecast, NeedShare, Verdict
from bandwright.words.campaign import Course, Design, Tested
from bandwright.words.declared import Declared
from bandwright.words.measurement import Measurement, Outcome
from bandwright.words.radio import Mode, Reading

__all__ = ["next_step", "today_document"]


def today_document(
    *,
    declared: Declared,
    now: datetime,
    design: Design | None = None,
    course: Course | None = None,
    verdict: Verdict | None = None,
    in_use: str | None = None,
    shares_in_use: Sequence[NeedShare] = (),
    last_measurement: Measurement | None = None,
    last_tested: Tested | None = None,
    last_reading: Reading | None = None,
    forecasts: Sequence[Forecast] = (),
) -> Document:
    """Return the Today page."""
    names = names_of(declared, setups=design.setups if design else (), verdict=verdict, in_use=in_use)
    order = {need.key: i for i, need in enumerate(declared.needs)}
    mine = sorted(shares_in_use, key=lambda s: order.get(s.need, len(order)))
    blocks: list[Block] = []
    lede = _lede(mine, verdict, course, names)
    if lede:
        blocks.append(Para(lede, "lede"))
    if mine:
        blocks.append(_rules(mine, declared, verdict, in_use, names))
        left_out = [names.need(n.key) for n in declared.needs if n.key not in {x.need for x in mine}]
        if left_out:
            blocks.append(Para(said(f"Not tested yet with this setup, in the hours that matter: {joined(left_out)}."), "quiet"))
    log = _log(last_measurement, last_tested, last_reading, names)
    parts = [Part(blocks=tuple(blocks), note=_how_to_read(verdict, in_use, names) if mine else None)]
    running = _running(declared, course, design)
    if log.items or running:
        parts.append(Part(title="Lately", blocks=(log,) if log.items else (Para(said("Nothing has been read or tested yet."), "quiet"),), note=running))
    return Document(title="Today", where=said(f"{day_and_time(now, names.timezone)} · {declared.site.name}"), headline=_headline(mine, in_use, names, last_measurement, forecasts), parts=tuple(parts))


def _headline(mine: Sequence[NeedShare], in_use: str | None, names: Names, last: Measurement | None, forecasts: Sequence[Forecast]) -> Said:
    if mine:
        share = mine[0]
        when = names.when(share.need)
        return said(f"{names.need(share.need)}{', ' + when if when else ''}: ", strong(f"met in {of_hundred_range(share.estimate)} of 100 tests"), f" with {names.setup(in_use)}.")
    total = next((f for f in forecasts if not f.of and f.quantity == "goodput_down_mbps"), None)
    if last is not None:
        return said("A few tests have been made, ", strong("too few to say how well the needs are met"), ".")
    if total is not None:
        return said("No tests yet. From the reading, expect ", strong(ranged(total.low, total.high, "Mbit/s")), " down; an hour of tests would narrow that.")
    return said("No tests yet. ", strong("Take a first reading"), ", or start a campaign.")


def _lede(mine: Sequence[NeedShare], verdict: Verdict | None, course: Course | None, names: Names) -> Said:
    if verdict is not None and verdict.kind in {"best", "no difference", "send it back"}:
        return said("The campaign’s answer: ", *verdict_told(verdict, names=names).headline.pieces)
    if course is not None and not course.finished and course.tests == 0:
        return said("A campaign has begun; its first round is next.")
    if course is not None and not course.finished:
        return said(f"A campaign is under way: {counted(course.tests, 'test')} in {counted(course.rounds, 'round')} so far, too early to choose.")
    short = [s for s in mine if s.estimate.high < 0.5]
    if short:
        return said(f"{names.need(short[0].need)}: met in fewer than half of the tests.")
    return Said()


def _rules(mine: Sequence[NeedShare], declared: Declared, verdict: Verdict | None, in_use: str | None, names: Names) -> Shares:
    better = verdict.lead if verdict is not None and verdict.kind in {"best", "send it back"} and verdict.lead != in_use else None
    could = {s.need: s for s in next((a.needs for a in verdict.setups if a.setup == better), ())} if verdict is not None and better else {}
    needs = {n.key: n for n in declared.needs}
    rows = []
    for share in mine:
        other = could.get(share.need)
        band = shares.share_band(
            names.need(share.need), share.estimate, mark=names.mark(in_use), other=other.estimate if other else None, other_mark=names.mark(better), other_label=names.setup(better) if better else "", other_is="could be"
        )
        need = needs.get(share.need)
        when = names.when(share.need)
        rows.append(ShareRow(need=names.need(share.need), asks=f"{when}: {asks(need)}" if need else when, drawing=shares.draw(band), range_text=of_hundred_range(share.estimate), counts=f"{share.met} of {share.tests} tests"))
    return Shares(caption=said("Share of tests that met each need, ", names.piece(in_use)), rows=tuple(rows))


def _how_to_read(verdict: Verdict | None, in_use: str | None, names: Names) -> Note:
    better = verdict is not None and verdict.kind in {"best", "send it back"} and verdict.lead != in_use
    second = f" The pale band below is the same with {names.setup(verdict.lead)}." if better and verdict is not None else ""
    return Note(
        label="How to read the rules",
        paras=(
            said(strong("How to read a rule."), f" Out of 100 tests like these, so many meet the need. The thick line is the share seen; the solid band is where the true share lies, nine times in ten.{second}"),
            said("A test that failed counts as not met."),
        ),
    )


def _running(declared: Declared, course: Course | None, design: Design | None) -> Note | None:
    if course is None or design is None:
        return None
    paras = []
    if not course.finished:
        wait = f" Next at {clock(course.next.not_before, declared.site.timezone)} on {day_short(course.next.not_before, declared.site.timezone)}." if course.next.not_before else ""
        paras.append(said(strong("Under way."), f" Round {course.rounds + 1} of the campaign is next.{wait} ", link("See the campaign", "/campaign")))
    cap = next((line.cap_gb_per_month for line in declared.lines if line.cap_gb_per_month), None)
    limit = f" of the plan’s {cap:g}{NBSP}GB a month" if cap else f" of {design.allowance.data_gb:g}{NBSP}GB allowed"
    paras.append(said(strong("Data."), f" {gigabytes(1000 * course.used_gb)}{limit} used for tests by the campaign."))
    return Note(label="Running now", paras=tuple(paras))


def _log(last: Measurement | None, tested: Tested | None, reading: Reading | None, names: Names) -> Log:
    items = []
    timezone = names.timezone
    if last is not None:
        setup = f"{names.setup(last.setup_asked)}: " if last.setup_asked else ""
        same = tested is not None and tested.test == last.key
        text = failure_sentence(last) if last.outcome is not Outcome.OK else said(needs_met_text(tested, names=names)) if tested is not None and same else measured_sentence(last)
        items.append((last.at, LogItem(when=f"{day_short(last.at, timezone)}, {clock(last.at, timezone)}", iso=last.at.isoformat(), text=said(strong("Tested. "), setup, text, " ", link("Open the test", f"/history/{last.key}")))))
    if reading is not None and reading.at is not None:
        items.append((reading.at, LogItem(when=f"{day_short(reading.at, timezone)}, {clock(reading.at, timezone)}", iso=reading.at.isoformat(), text=said(strong("Read. "), _household(reading)))))
    items.sort(key=lambda pair: pair[0], reverse=True)
    return Log(items=tuple(item for _, item in items))


def _household(reading: Reading) -> str:
    serving = reading.serving()
    if not serving:
        return "No carrier in use."
    kind = {Mode.LTE: "on 4G", Mode.ENDC: "on 5G together with 4G", Mode.NR_SA: "on 5G alone", Mode.NR: "on 5G"}.get(reading.mode, "") if reading.mode else ""
    return f"The gateway is {kind}, with {in_words(len(serving), 'carrier')}." if kind else f"{in_words(len(serving), 'carrier').capitalize()} in use."


def next_step(*, declared: Declared, course: Course | None, verdict: Verdict | None, in_use: str | None) -> tuple[str, Said, str, str]:
    """Return the one next thing: its title, why, the button's words and where it leads."""
    names = names_of(declared, verdict=verdict, in_use=in_use)
    if course is None:
        if len(declared.setups) < 2:
            return ("declare a second setup", said("There is nothing to compare yet. Another mode, other bands, another place or antenna: each is a setup, declared in site.toml."), "See the setups", "/setups")
        allowance = declared.campaign.allowance
        return (
            "plan a campaign",
            said(f"{in_words(len(declared.setups), 'setup').capitalize()} can be compared in turn, over hours and days. One test of each would mostly compare minutes."),
            f"Plan the campaign, at most {gigabytes(1000 * allowance.data_gb)}",
            "/campaign",
        )
    if verdict is not None and course.finished and verdict.lead is not None:
        told = verdict_told(verdict, names=names, declared=declared)
        return ("do what the campaign found", told.headline, "Read the verdict", "/verdict")
    if course.tests == 0:
        return ("go on with the campaign", said("It has begun, and no test has been made yet."), "See the campaign", "/campaign")
    sure = f" {names.setup(verdict.lead)} is ahead so far, {certainty(verdict.certainty)} sure." if verdict is not None and verdict.lead else ""
    return ("go on with the campaign", said(f"It stands at {counted(course.tests, 'test')}.{sure}"), "See the campaign", "/campaign")


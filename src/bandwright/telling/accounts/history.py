"""What was measured, newest first; and one test opened: its figures, its readings before, under load and after, and the raw text."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from bandwright.quantities import quantity
from bandwright.telling.accounts.diagnosis import Told, diagnosis_parts
from bandwright.telling.accounts.reading import carriers_table, source_stretches
from bandwright.telling.charts import predicted
from bandwright.telling.document import Block, Document, Fold, Note, Para, Part, Plate, SourceText, Table
from bandwright.telling.names import Names
from bandwright.telling.numbers import NBSP, clock, counted, day_and_time, day_short, gigabytes, measured_text, number, span_of_time
from bandwright.telling.said import Said, link, said, strong
from bandwright.telling.sentences import failure_sentence, measured_sentence, needs_met_text
from bandwright.words.answers import Forecast
from bandwright.words.campaign import Tested
from bandwright.words.measurement import Fact, Measurement, Method, Outcome
from bandwright.words.radio import Capture, Reading

__all__ = ["MOMENTS", "OpenedReading", "history_document", "measurement_document"]

MOMENTS = {"idle": "At rest, before", "before": "Before", "load_down": "Under download", "load_up": "Under upload", "after": "After", "former": "Former setting"}
OpenedReading = tuple[str, Capture, Sequence[Reading]]  # moment, capture, what it means


def history_document(measurements: Sequence[Measurement], *, count: int, names: Names, tested: Mapping[str, Tested] | None = None) -> Document:
    """Return the History page: the newest measurements as rows, failures listed with their phase. tested: what a campaign says of a test, by key."""
    of = tested or {}
    if not measurements:
        return Document(title="History", headline=said("Nothing has been measured yet. ", strong("Start a campaign"), ", or enter figures read elsewhere."))
    rows = [_line(m, names, of.get(m.key)) for m in measurements]
    failed = [m for m in measurements if m.outcome is not Outcome.OK]
    shown = f"The newest {number(len(measurements))} of {number(count)}" if count > len(measurements) else f"All {number(count)}" if count > 1 else "The one test"
    first: list[Block] = [Table(caption=said(f"{shown}, newest first"), heads=("Test", "Setup", "Needs met", "Rates", "Round trip under load"), rows=tuple(rows), numeric=(4,))]
    parts = [Part(blocks=tuple(first), note=_note(measurements))]
    if failed:
        table = Table(
            caption=said("Failed and void tests, with their phase"),
            heads=("Test", "What happened"),
            rows=tuple((said(link(f"{day_short(m.at, names.timezone)}, {clock(m.at, names.timezone)}", f"/history/{m.key}")), failure_sentence(m)) for m in failed[:20]),
        )
        parts.append(Part(title="What went wrong", blocks=(table,)))
    ok = len(measurements) - len(failed)
    return Document(title="History", headline=said(f"{counted(count, 'test')} kept. Of the newest {number(len(measurements))}, ", strong(f"{number(ok)} went through"), "."), parts=tuple(parts))


def _line(m: Measurement, names: Names, tested: Tested | None) -> tuple[Said, ...]:
    outcome = {Outcome.OK: _met(tested), Outcome.FAILED: "failed", Outcome.VOID: "void"}[m.outcome]
    if m.phase is not None and m.outcome is not Outcome.OK:
        outcome += f", {m.phase.value.replace('_', ' ')}"
    if m.method is Method.ENTERED:
        outcome = "entered by hand"
    if m.moved:
        outcome += "; moved by the network"
    delay = m.number("delay_loaded_up_ms") or m.number("delay_loaded_down_ms")

    rates = [f"{measured_text(key, value)} {word}" for key, word in (("goodput_down_mbps", "down"), ("goodput_up_mbps", "up")) if (value := m.number(key)) is not None]
    return (
        said(link(f"{day_short(m.at, names.timezone).replace(' ', NBSP)},{NBSP}{clock(m.at, names.timezone)}", f"/history/{m.key}")),
        said(names.piece(m.setup_asked)) if m.setup_asked else said("not said"),
        said(outcome),
        said(", ".join(rates) or "none"),
        said(measured_text("delay_loaded_up_ms", delay) if delay is not None else "none"),
    )


def _met(tested: Tested | None) -> str:
    if tested is None:
        return "went through"
    met = sum(ok for _, ok in tested.met)
    return f"{met} of {len(tested.met)}" if tested.met else "none matters then"


def _note(measurements: Sequence[Measurement]) -> Note | None:
    entered = sum(m.method is Method.ENTERED for m in measurements)
    paras = [said(strong("A failed test"), " is a result: it counts as not met. A void one says nothing of the setup: the far end or this computer failed. It is kept, and repeated.")]
    if entered:
        paras.append(said(strong("Entered by hand"), f": {entered}. Figures read elsewhere are never compared with measured ones."))
    return Note(label="What the outcomes mean", paras=tuple(paras))


def measurement_document(measurement: Measurement, readings: Sequence[OpenedReading], *, names: Names, tested: Tested | None = None, forecasts: Sequence[Forecast] = (), diagnoses: Sequence[Told] = ()) -> Document:
    """Return the page of one test. tested: which needs it met; forecasts: what the reading before it foresaw. diagnoses: what is made of each need it missed."""
    m = measurement
    rows = []
    for v in m.values:
        known = quantity(v.quantity)
        rows.append((said(known.label if known else v.quantity), said(measured_text(v.quantity, v.value, v.low, v.high, v.reason))))
    blocks: list[Block] = []
    if m.setup_asked:
        seen = ""
        if m.setup_seen is not None and m.setup_seen != m.setup_asked:
            seen = f" The network moved the device: {names.setup(m.setup_seen)} was seen. The test counts for the setup asked for."
        blocks.append(Para(said("Asked for: ", names.piece(m.setup_asked), ".", seen), "lede"))
    data = predicted.foreseen(forecasts, down_mbps=_one(m, "goodput_down_mbps"), up_mbps=_one(m, "goodput_up_mbps"), mark=names.mark(m.setup_asked) if m.setup_asked else 2) if forecasts else None
    if data is not None and any(r.tests for r in data.rows):
        blocks.append(Plate(finding=said(predicted.finding(data)), reading=said("Pale: what a test under the reading before it should show, eight times in ten. The stroke is this test."), drawing=predicted.draw(data), table=predicted.table(data)))
    if rows:
        blocks.append(Table(caption=said("Measured, with 95 times in 100 where a range is given"), heads=("What", "Value"), rows=tuple(rows)))
    parts = [Part(blocks=tuple(blocks), note=_test_note(m)), *diagnosis_parts(diagnoses)]
    for moment, capture, meanings in readings:
        parts.append(_reading_part(moment, capture, meanings))
    return Document(title="Test", where=said(link("History", "/history"), f" · test of {day_and_time(m.at, names.timezone)}"), headline=_headline(m, tested, names), parts=tuple(parts))


def _headline(m: Measurement, tested: Tested | None, names: Names) -> Said:
    if m.outcome is not Outcome.OK:
        return failure_sentence(m)
    if tested is not None:
        return said(needs_met_text(tested, names=names))
    return measured_sentence(m)


def _one(m: Measurement, key: str) -> tuple[float, ...]:
    value = m.number(key)
    return () if value is None else (value,)


def _test_note(m: Measurement) -> Note:
    how = {Method.NEAR_FAR: "between this computer and the far end", Method.HTTPS: "by download over HTTPS; it cannot know loss or one-way delay", Method.SIMULATED: "simulated", Method.ENTERED: f"read elsewhere, entered by {m.entered_by or 'a person'}"}[m.method]
    paras = [said(strong("How"), f": {how}. {gigabytes(m.megabytes)} in {span_of_time(m.seconds)}." if m.seconds else f": {how}.")]
    facts = [_fact(name, value) for name, value in m.facts if value not in {None, "", False} and name != "campaign"]
    if facts:
        paras.append(said(strong("Also kept"), f": {'; '.join(facts[:12])}."))
    return Note(label="How it was measured", paras=tuple(paras))


def _fact(name: str, value: Fact) -> str:
    words = name.replace("_", " ").replace(".", ", ")
    return words if value is True else f"{words} {value:.3g}" if isinstance(value, float) else f"{words} {value}"


def _reading_part(moment: str, capture: Capture, readings: Sequence[Reading]) -> Part:
    serving = [c for r in readings for c in r.serving()]
    blocks: list[Block] = [carriers_table(serving, caption=f"Carriers, {MOMENTS.get(moment, moment).lower()}")] if serving else [Para(said("No carrier was recognised in what the gateway said."), "quiet")]
    blocks.append(Fold(title="The raw text", blocks=(SourceText(label=f"What the gateway said, {MOMENTS.get(moment, moment).lower()}", stretches=source_stretches(capture, readings)),)))
    return Part(title=f"Reading: {MOMENTS.get(moment, moment).lower()}", blocks=tuple(blocks))

"""A reading laid out for the practitioner.

The carriers and what they should carry, each value with its interval, and the text it came from with what was recognised marked. LTE
and NR are said here, never mixed with the householder's words.
"""

from __future__ import annotations

from collections.abc import Sequence

from bandwright.privacy import redact_text
from bandwright.quantities import quantity
from bandwright.telling.charts import spectrum
from bandwright.telling.document import Block, Document, Items, Note, Para, Part, Plate, SourceText, Stretch, Table
from bandwright.telling.numbers import NBSP, day_and_time, field_text, in_words, number, of_hundred, ranged
from bandwright.telling.said import Piece, Said, quiet, said, strong
from bandwright.words.answers import Finding, Forecast
from bandwright.words.radio import Capture, Carrier, Field, FieldState, Mode, Rat, Reading, Registration, Role, Span

__all__ = ["bears", "carrier_sentence", "carriers_table", "reading_document", "source_stretches"]

_ROLES = {Role.PCELL: "primary", Role.SCELL: "added", Role.PSCELL: "NR, primary", Role.SERVING: "in use", Role.NEIGHBOUR: "neighbour", Role.SCAN: "seen in a scan"}
_MODES = {Mode.LTE: "LTE", Mode.ENDC: "EN-DC", Mode.NR_SA: "NR standalone", Mode.NR: "NR", Mode.GSM: "GSM", Mode.WCDMA: "WCDMA", Mode.NONE: "no service"}
_REGISTRATION = {
    Registration.HOME: "home network",
    Registration.ROAMING: "roaming",
    Registration.REGISTERED: "registered",
    Registration.LIMITED: "limited service",
    Registration.SEARCHING: "searching",
    Registration.DENIED: "denied by the network",
    Registration.NONE: "not registered",
}
# SINR above which a modulation is usual on one layer. Common practice, no source: the choice is the network's.
_BEARS = ((20.0, "256QAM"), (12.0, "64QAM"), (6.0, "16QAM"), (-4.0, "QPSK"))


def reading_document(capture: Capture, readings: Sequence[Reading], *, main: Reading | None = None, findings: Sequence[Finding] = (), forecasts: Sequence[Forecast] = (), timezone: str = "UTC") -> Document:
    """Return the Reading page of one capture. main: the reading that findings and forecasts speak of; None is the last."""
    reading = main or (readings[-1] if readings else Reading())
    serving = reading.serving()
    total = next((f for f in forecasts if not f.of and f.quantity == "goodput_down_mbps"), None)
    up = next((f for f in forecasts if not f.of and f.quantity == "goodput_up_mbps"), None)
    blocks: list[Block] = []
    lede = _lede(reading, total, up)
    if lede:
        blocks.append(Para(lede, "lede"))
    data = spectrum.spectrum(reading, forecasts)
    if data.carriers:
        level = in_words(of_hundred(data.level) // 10)
        rated = any(c.mbps for c in data.carriers)
        how = f" Below: each at its true width, one scale for all. Area is rate: solid, the middle of what one test should show; pale and the thin bar, {level} times in ten." if rated else " Below: each at its true width, one scale for all; dashed, because no rate can be foreseen."
        blocks.append(Plate(finding=said(spectrum.finding(data)), reading=said("On the upper rule: where the carriers lie." + how), drawing=spectrum.draw(data)))
    if serving:
        blocks.append(carriers_table(serving, caption="The carriers, as read"))
    parts = [Part(blocks=tuple(blocks), note=_carrier_note(reading, forecasts, data))]
    follows = _what_follows(findings)
    if follows:
        parts.append(Part(title="What follows", blocks=follows))
    others = tuple(c for c in reading.carriers if c.role in (Role.NEIGHBOUR, Role.SCAN))
    if others:
        parts.append(Part(title="Cells it hears but does not use", blocks=(carriers_table(others, caption=f"Neighbours and scanned cells, {len(others)}"),)))
    parts.append(_source_part(capture, readings))
    return Document(title="Reading", where=_where(capture, reading, timezone), headline=_headline(reading, total), parts=tuple(parts))


def _where(capture: Capture, reading: Reading, timezone: str) -> Said:
    moment = {"idle": ", at rest", "load_down": ", under download", "load_up": ", under upload", "after": ", after a test", "before": ", before a test"}.get(capture.moment or "", "")
    state = " · ".join(x for x in (_MODES.get(reading.mode, "") if reading.mode else "", _REGISTRATION.get(reading.registration, "") if reading.registration else "") if x)
    how = "Pasted" if capture.kind == "pasted" else "Reading of"
    return said(f"{how} {day_and_time(capture.at, timezone)}{moment}", f" · {state}" if state else "")


def _headline(reading: Reading, total: Forecast | None) -> Said:
    serving = reading.serving()
    if not serving:
        if reading.registration in (Registration.SEARCHING, Registration.DENIED, Registration.NONE, Registration.LIMITED) or reading.mode is Mode.NONE:
            return said("No service: ", strong(_REGISTRATION.get(reading.registration, "no carrier in use") if reading.registration else "no carrier in use"), ".")
        if reading.registration is not None or reading.extras:
            return said("The text says how the device is served, and ", strong("names no carrier"), ".")
        return said("Nothing in this text was recognised as a reading. ", strong("Paste what the gateway answers"), ", commands and all.")
    count = in_words(len(serving), "carrier")
    first = f"{count[:1].upper()}{count[1:]}"
    if total is None:
        return said(f"{first}: ", strong(_bands_text(serving)), ".")
    return said(f"{first}. Expect ", strong(ranged(total.low, total.high, "Mbit/s")), " down.")


def _bands_text(serving: Sequence[Carrier]) -> str:
    return " + ".join(spectrum.carrier_name(c) for c in serving)


def _lede(reading: Reading, total: Forecast | None, up: Forecast | None) -> Said:
    if not reading.serving():
        return Said()
    if total is None:
        return said("No rate can be foreseen from it: width or SINR was not printed.")
    parts: list[str] = [f"{_bands_text(reading.serving())}. "]
    level = in_words(of_hundred(total.level) // 10)
    parts.append(f"One test should fall in that range {level} times in ten; what moves it is mostly how busy the cell is, and a reading does not show that.")
    if up is not None:
        parts.append(f" Up: {ranged(up.low, up.high, 'Mbit/s')}.")
    return said(*parts)


def carriers_table(carriers: Sequence[Carrier], *, caption: str) -> Table:
    """Return carriers as rows, each value with its interval."""
    rows = []
    for c in carriers:
        channel = c.get("arfcn")
        mhz = spectrum.centre_mhz(c)
        pci = c.get("pci")
        word = "EARFCN" if c.rat is Rat.LTE else "NR-ARFCN"
        place = ", ".join(x for x in (f"{mhz:g}{NBSP}MHz" if mhz is not None else "", f"PCI{NBSP}{field_text(pci)}" if pci is not None and pci.value is not None else "") if x)
        rows.append(
            (
                said(spectrum.carrier_name(c), quiet(f" {_ROLES[c.role]}")),
                said(f"{word}{NBSP}{field_text(channel)}" if channel is not None and channel.value is not None else "not printed", quiet(f" {place}") if place else ""),
                _cell(c, "dl_bandwidth"),
                _cell(c, "rsrp"),
                _cell(c, "rsrq"),
                said(field_text(c.get("sinr")), quiet(f" {_why(c.get('sinr')) or bears(c.number('sinr'))}")),
            )
        )
    return Table(caption=said(caption), heads=("Carrier", "Channel", "Width", "RSRP", "RSRQ", "SINR, and what it bears"), rows=tuple(rows), numeric=(2, 3, 4))


def _cell(carrier: Carrier, name: str) -> Said:
    field = carrier.get(name)
    derived = quiet(" derived") if field is not None and field.derived else ""
    return said(field_text(field), derived)


def _why(field: Field | None) -> str:
    return field.why if field is not None and field.why and field.value is None and not field.is_interval else ""


def bears(sinr_db: float | None) -> str:
    """Return what a SINR usually bears: "64QAM on one layer, 16QAM on two". Two equal layers share the power: 3 dB less for each."""
    if sinr_db is None:
        return "what it bears is not known"

    def one(db: float) -> str:
        return next((name for floor, name in _BEARS if db >= floor), "little more than a link")

    single, double = one(sinr_db), one(sinr_db - 3.0)
    return f"{single} on one layer and on two" if single == double else f"{single} on one layer, {double} on two"


def carrier_sentence(carrier: Carrier) -> Said:
    """Return one carrier in one plain sentence, for the terminal."""
    mhz, width = spectrum.centre_mhz(carrier), carrier.get("dl_bandwidth")
    parts: list[str | Piece] = [strong(spectrum.carrier_name(carrier)), f", {_ROLES[carrier.role]}"]
    if mhz is not None:
        parts.append(f", at {mhz:g}{NBSP}MHz")
    if width is not None and width.value is not None:
        parts.append(f", {field_text(width)} wide")
    levels = [f"{label} {field_text(f)}" for label, f in (("RSRP", carrier.get("rsrp")), ("RSRQ", carrier.get("rsrq")), ("SINR", carrier.get("sinr"))) if f is not None and (f.value is not None or f.is_interval)]
    parts.append(f": {', '.join(levels)}" if levels else ": no levels were printed")
    sinr = carrier.number("sinr")
    return said(*parts, f"; it bears {bears(sinr)}." if sinr is not None else ".")


def _carrier_note(reading: Reading, forecasts: Sequence[Forecast], data: spectrum.Spectrum) -> Note | None:
    paras: list[Said] = []
    assumptions = list(dict.fromkeys(a for f in forecasts if not f.of for a in f.assumptions))
    if assumptions:
        paras.append(said(strong("Assumed"), f": {'; '.join(assumptions)}."))
    if data.missing:
        paras.append(said(strong("Not drawn"), ": " + "; ".join(f"{name}, no {lacks} in the text" for name, lacks in data.missing) + "."))
    sources = list(dict.fromkeys(f.source for f in forecasts if f.source))
    if sources:
        paras.append(said(strong("From"), f": {'; '.join(sources)}."))
    paras.extend(said(warning) for warning in reading.warnings)
    return Note(label="Notes on the carriers", paras=tuple(paras)) if paras else None


def _what_follows(findings: Sequence[Finding]) -> tuple[Block, ...]:
    items = []
    for f in findings:
        sure = f", {of_hundred(f.certainty)} in{NBSP}100 sure" if f.certainty is not None else ""
        tail = f" {f.remedy}" if f.remedy else ""
        candidate = " It cannot be told apart from other causes yet." if f.status == "candidate" else ""
        settle = f" To settle it: {f.settle_by[0]}" if f.settle_by else ""
        items.append(said(f.sentence.rstrip("."), sure, ".", tail, candidate, settle))
    return (Items(items=tuple(items), ordered=True),) if items else ()


def source_stretches(capture: Capture, readings: Sequence[Reading]) -> tuple[Stretch, ...]:
    """Return a capture's text cut where recognition begins and ends. Identities are dots of the same length, so spans stay right."""
    text = redact_text(capture.text)
    kinds = bytearray(len(text))  # 0 nothing, 1 recognised, 2 unread
    for reading in readings:
        _paint(kinds, reading.recognised, 1)
        _paint(kinds, [f.span for c in reading.carriers for f in c if f.span is not None and f.state is FieldState.OK], 1)
    for reading in readings:
        _paint(kinds, reading.unread, 2)
    out: list[Stretch] = []
    start = 0
    for i in range(1, len(text) + 1):
        if i == len(text) or kinds[i] != kinds[start]:
            kind = kinds[start]
            out.append(Stretch(text=text[start:i], kind="recognised" if kind == 1 else "unread" if kind == 2 else ""))
            start = i
    return tuple(out) if text else ()


def _paint(kinds: bytearray, spans: Sequence[Span], kind: int) -> None:
    for span in spans:
        for i in range(max(span.start, 0), min(span.stop, len(kinds))):
            kinds[i] = kind


def _source_part(capture: Capture, readings: Sequence[Reading]) -> Part:
    paras: list[Said] = []
    lost = []
    for reading in readings:
        for c in reading.carriers:
            for f in c:
                if f.value is None and not f.is_interval and f.why:
                    row = quantity(f.name)
                    lost.append(f"{row.label if row else f.name} of {spectrum.carrier_name(c)}: {f.why}")
        lost += [f"{name}: {why}" for name, why in reading.why]
    lost = list(dict.fromkeys(lost))
    if lost:
        paras.append(said(strong("Not read, and why. "), ". ".join(x[:1].upper() + x[1:].rstrip(".") for x in lost[:12]) + "."))
        if len(lost) > 12:
            paras.append(said(f"And {number(len(lost) - 12)} more of the same kind."))
    dialects = list(dict.fromkeys(d for r in readings for d in r.dialects))
    if dialects:
        paras.append(said(strong("Read as"), f": {', '.join(dialects)}."))
    stretches = source_stretches(capture, readings)
    whose = "As it was pasted." if capture.kind == "pasted" else "As the gateway sent it."
    blocks = (Para(said(f"{whose} Marked: recognised. Dotted underline: printed, not understood. Identities are shown as dots.")), SourceText(label="Source text with recognised parts marked", stretches=stretches))
    return Part(title="The source text", blocks=blocks, note=Note(label="What could not be read", paras=tuple(paras)) if paras else None, anchor="source")

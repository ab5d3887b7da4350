"""The outage document: what a user can hand to a provider. Dated, with its method and its limits, and without anybody's identity."""

from __future__ import annotations

import math
from collections.abc import Sequence
from datetime import datetime, tzinfo

from bandwright.needs.availability import Availability, HourAvailability, Outage
from bandwright.telling.document import Block, Document, Note, Para, Part, Table, row
from bandwright.telling.numbers import counted, span_of_time
from bandwright.telling.report import redacted
from bandwright.telling.said import Said, said, strong

__all__ = ["availability_document", "per_cent"]

_PHASES = {
    "gateway": "the gateway did not answer", "radio": "no radio signal was in use", "registration": "the network did not serve the gateway", "address": "no way out of the house's network",
    "names": "names did not resolve", "far end": "the server did not answer",
}  # fmt: skip
_MOST_ROWS = 200


def per_cent(share: float) -> str:
    """Return a share of time, with as many digits as tell it from always: 99.98 %, never rounded up to 100."""
    if share >= 1.0:
        return "100 %"
    digits = 1 if share < 0.995 else (2 if share < 0.9995 else 3)
    return f"{math.floor(share * 100 * 10**digits + 1e-6) / 10**digits:.{digits}f} %"


def availability_document(
    *, site: str, whole: Availability, by_need: Sequence[Availability], by_hour: Sequence[HourAvailability], outages: Sequence[Outage], began: datetime, ended: datetime, look_s: float, zone: tzinfo, made: datetime
) -> Document:
    """Return the document. site: its name, redacted like everything else; no position, number or address is in it."""
    days = (ended - began).total_seconds() / 86400.0
    first: list[Block] = [Para(_lede(whole, days), "lede")]
    if whole.few:
        first.append(Para(said(f"Only {counted(whole.episodes, 'episode')} of outages was seen: too short a watch to say more than about how often they come." if whole.episodes == 1 else f"{counted(whole.episodes, 'episode')} of outages were seen: too short a watch to say more than about how often they come.")))
    first.append(_shares([whole, *by_need]))
    parts = [Part(blocks=tuple(first), note=_method(look_s))]
    if outages:
        parts.append(Part(title="Outages", blocks=_outages(outages, zone)))
    parts.append(Part(title="By the hour of the day", blocks=(_hours(by_hour),)))
    where = said(f"{site} · watched from {_day(began, zone)} to {_day(ended, zone)} · made {_day(made, zone)}")
    foot = said(f"Times are local ({zone}). Observed {whole.observed_h:.0f} of {24 * days:.0f} hours; hours in which nothing looked count neither for nor against.")
    return redacted(Document(title="Outages and availability", headline=_headline(whole), where=where, parts=tuple(parts), foot=foot))


def _headline(whole: Availability) -> Said:
    if not whole.outages:
        return said("No outage was seen in ", strong(span_of_time(3600 * whole.observed_h)), " of watching.")
    return said("The connection was there ", strong(per_cent(whole.share)), f" of the time: {counted(whole.outages, 'outage')}, {span_of_time(whole.down_s)} in all.")


def _lede(whole: Availability, days: float) -> Said:
    text = f"Over {days:.0f} days, {span_of_time(3600 * whole.observed_h)} of them observed."
    if whole.low < whole.high:
        text += f" If things stay as they are, the connection will be there between {per_cent(whole.low)} and {per_cent(whole.high)} of the time in the long run (90 times in 100)."
    return said(text)


def _shares(rows: Sequence[Availability]) -> Table:
    lines = [
        row(a.label, per_cent(a.share), f"{per_cent(a.low)} to {per_cent(a.high)}" + (" (few outages)" if a.few else ""), f"{a.outages}", span_of_time(a.down_s), f"{a.observed_h:.0f} h")
        for a in rows
    ]
    return Table(caption=said("Availability, with the range of the long run"), heads=("Hours", "Available", "Range, 90 in 100", "Outages", "Without service", "Observed"), rows=tuple(lines), numeric=(1, 3, 4, 5))


def _outages(outages: Sequence[Outage], zone: tzinfo) -> tuple[Block, ...]:
    shown = sorted(outages, key=lambda o: o.start)[-_MOST_ROWS:]
    lines = []
    for o in shown:
        open_ = " or earlier" if o.open_start else ""
        until = "still" if o.end is None else _time(o.end, zone) + (" or later" if o.open_end else "")
        sure = f"± {max(o.start_give_or_take_s, o.end_give_or_take_s or 0.0):.0f} s"
        lines.append(row(_time(o.start, zone) + open_, until, "lasts" if o.seconds is None else span_of_time(o.seconds), sure, _PHASES.get(o.phase, o.phase)))
    caption = f"All {counted(len(outages), 'outage')}" if len(shown) == len(outages) else f"The last {len(shown)} of {counted(len(outages), 'outage')}"
    if len(outages) == 1:
        caption = "The one outage"
    return (Table(caption=said(caption), heads=("From", "To", "Length", "Times are good to", "What failed first"), rows=tuple(lines), numeric=(2,)),)


def _hours(by_hour: Sequence[HourAvailability]) -> Table:
    lines = [row(f"{h.hour:02d}:00 to {h.hour + 1:02d}:00", "not observed" if h.share is None else per_cent(h.share), span_of_time(h.down_s) if h.down_s else "none", f"{h.observed_h:.0f} h") for h in by_hour]
    return Table(caption=said("Each hour of the day"), heads=("Hour", "Available", "Without service", "Observed"), rows=tuple(lines), numeric=(1, 2, 3))


def _method(look_s: float) -> Note:
    paras = (
        said(strong("How"), f": the service was looked at every {look_s:.0f} s: what the gateway says of its registration, whether names resolve, and whether a server answers. A look that failed was repeated after 3 s, and counts only where that failed too."),
        said(strong("Start and end"), " lie midway between the looks that differ. Times are taken from a clock that is never set, so that setting the computer's clock makes no outage."),
        said(strong("Not seen"), f": outages shorter than {2 * look_s:.0f} s may be missed, and whatever happened while the watching computer was off or asleep."),
        said(strong("Range"), ": outages less than 6 hours apart count as one episode, because they come in clusters; how often episodes come and how long they last is drawn from what was seen."),
    )
    return Note(label="Method and limits", paras=paras)


def _time(at: datetime, zone: tzinfo) -> str:
    return f"{at.astimezone(zone):%Y-%m-%d %H:%M:%S}"


def _day(at: datetime, zone: tzinfo) -> str:
    return f"{at.astimezone(zone):%Y-%m-%d}"

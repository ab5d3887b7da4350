"""From records to what the watch knows: a fold that is done anew, in a process that ends, so that the watch itself stays small.

`python -m bandwright.jobs.watch_fold FOLDER` prints the answer as JSON; `watched` is the same as a call.
"""

from __future__ import annotations

import json
import math
import sys
from collections.abc import Iterable, Sequence
from dataclasses import asdict, dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING

from bandwright.words.answers import Alert, Estimate
from bandwright.words.measurement import Measurement, Outcome, Phase
from bandwright.words.radio import Mode, Rat, Reading
from bandwright.words.watch import GatewayTold, HourKept

if TYPE_CHECKING:
    from bandwright.advice.cause import CauseAnswer, ChangeFacts, HourRow
    from bandwright.jobs.house import House
    from bandwright.trials.change import ChangeWatch, Found, WatchedTest

__all__ = ["Told", "WatchAnswer", "answer_from_json", "facts_of_readings", "watched"]

_LOSSY = 0.005
_BEFORE_H = 14.0 * 24.0
_NO_SERVICE = {Phase.RADIO, Phase.NAME_LOOKUP, Phase.CONNECT}
_CAUSE_AFTER_H = 24.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Told:
    """A notice of the readings, in words."""

    at: datetime
    kind: str
    text: str


@dataclass(frozen=True, slots=True, kw_only=True)
class WatchAnswer:
    """What the watch knows. alerts: one for each change of each thread, in order. suspicion: a change is likely enough to test more.

    ask_extra_since: a reading changed at that time, so that extra tests are worth their data; None without.
    """

    alerts: tuple[Alert, ...] = ()
    notices: tuple[Told, ...] = ()
    suspicion: bool = False
    ask_extra_since: datetime | None = None
    tests: int = 0
    learnt: int = 0


def facts_of_readings(readings: Sequence[Reading]) -> dict[str, float | str]:
    """Return what a test's readings under load say: cell, width of all carriers, and whether an NR leg carried."""
    found = [r for r in readings if r.serving()]
    if not found:
        return {}
    carriers = found[-1].serving()
    first = next((c for c in carriers if c.role.value == "pcell"), carriers[0])
    out: dict[str, float | str] = {"watch_nr": float(any(c.rat is Rat.NR for c in carriers))}
    arfcn, pci = first.number("arfcn"), first.number("pci")
    if pci is not None:
        out["watch_cell"] = f"{'' if arfcn is None else int(arfcn)}/{int(pci)}"
    widths = [w for c in carriers if (w := c.number("dl_bandwidth")) is not None]
    if len(widths) == len(carriers):
        out["watch_width_mhz"] = sum(widths)
    if found[-1].mode is not None and found[-1].mode is not Mode.NONE:
        out["watch_mode"] = found[-1].mode.value
    return out


def watched(house: House, *, setup: str | None, limit: float, now: datetime) -> WatchAnswer:
    """Return what the records say of a watched setup. The same records give the same answer."""
    from bandwright.trials.change import ChangeWatch, WatchedHour

    zone = house.zone
    records = house.records.watched()
    tests = _tests(house, setup)
    hours = {r.at: r for r in records if isinstance(r, HourKept) and r.readings}  # a later row of the same hour is the fuller one
    loaded: dict[datetime, list[Measurement]] = {}
    for m in tests:
        loaded.setdefault(m.at.replace(minute=0, second=0, microsecond=0), []).append(m)
    steps: list[tuple[datetime, int, Measurement | HourKept | GatewayTold]] = [(m.at, 1, m) for m in tests]
    steps += [(h.at + timedelta(hours=1), 2, h) for h in hours.values()]
    steps += [(r.at, 0, r) for r in records if isinstance(r, GatewayTold)]
    watch = ChangeWatch(limit=limit)
    found: list[Found] = []
    learnt = 0
    for at, _, step in sorted(steps, key=lambda s: (s[0], s[1])):
        local = at.astimezone(zone)
        if isinstance(step, GatewayTold):
            watch.event(step.kind, _h(at))
        elif isinstance(step, HourKept):
            local = step.at.astimezone(zone)
            values = {**dict(step.values), **_under_load(loaded.get(step.at, ()))}
            watch.hour(WatchedHour(at_h=_h(at), hour=local.hour + 0.5, weekend=local.weekday() >= 5, values=values, cell=step.cell))
        else:
            row = _test(house, step)
            if row is not None:
                learnt += row.learning
                found += watch.test(row)
    rows = _rows(hours.values(), loaded)
    alerts = tuple(_alert(house, f, watch, rows, tests, now) for f in found if f.news or f.reversed)
    notices = tuple(Told(at=_at(n.at_h), kind=n.kind, text=_notice(n.kind, n.size, n.since_h, house)) for n in watch.notices)
    asking = [n for n in watch.notices if n.kind != "reboot" and _h(now) - n.at_h < 12.0]
    return WatchAnswer(
        alerts=alerts, notices=notices, suspicion=watch.suspicion, ask_extra_since=_at(asking[-1].at_h) if asking else None, tests=len(tests) - learnt, learnt=learnt
    )  # fmt: skip


def _h(at: datetime) -> float:
    return at.timestamp() / 3600.0


def _at(hours: float) -> datetime:
    return datetime.fromtimestamp(3600.0 * hours, UTC)


def _tests(house: House, setup: str | None) -> list[Measurement]:
    """Return the trial's tests of the setup and the watch's own, oldest first; void ones say nothing."""
    found = house.records.measurements(setup=setup)
    return [m for m in found if m.outcome is not Outcome.VOID and not m.moved and not m.ramping and m.entered_by is None and (m.fact("watch") is not None or m.fact("campaign") is not None)]


def _test(house: House, m: Measurement) -> WatchedTest | None:
    from bandwright.trials.change import WatchedTest

    if m.outcome is Outcome.FAILED and m.phase in _NO_SERVICE:
        return None  # an outage's, not the rate's
    local = m.at.astimezone(house.zone)
    stalled = m.outcome is Outcome.FAILED
    down, up = m.number("goodput_down_mbps"), m.number("goodput_up_mbps")
    delays = [d for q in ("delay_loaded_down_ms", "delay_loaded_up_ms") if (d := m.number(q)) is not None]
    loss = m.number("loss_ratio")
    cell, width = m.fact("watch_cell"), m.fact("watch_width_mhz")
    return WatchedTest(
        at_h=_h(m.at), hour=local.hour + local.minute / 60.0, weekend=local.weekday() >= 5, ln_down=None if stalled or not down else math.log(down), ln_up=None if stalled or not up else math.log(up),
        ln_delay=math.log(max(delays)) if delays and not stalled else None, lossy=True if stalled else (None if loss is None else loss > _LOSSY), stalled=stalled,
        cell=str(cell) if cell is not None else None, ln_width=math.log(width) if isinstance(width, int | float) and width > 0 else None, learning=m.fact("watch") is None,
    )  # fmt: skip


def _under_load(tests: Sequence[Measurement]) -> dict[str, float]:
    widths = [float(w) for m in tests if isinstance(w := m.fact("watch_width_mhz"), int | float) and w > 0]
    legs = [float(x) for m in tests if isinstance(x := m.fact("watch_nr"), int | float)]
    hops = [h for m in tests if (h := m.number("first_hop_idle_ms")) is not None and h > 0]
    out: dict[str, float] = {}
    if widths:
        out["ln_bandwidth"] = math.log(sum(widths) / len(widths))
    if legs:
        out["nr_share"] = sum(legs) / len(legs)
    if hops:
        out["ln_first_hop"] = math.log(sum(hops) / len(hops))
    return out


def _rows(hours: Iterable[HourKept], loaded: dict[datetime, list[Measurement]]) -> list[HourRow]:
    from bandwright.advice.cause import HourRow

    kept = sorted(hours, key=lambda h: h.at)
    return [HourRow(at_h=_h(h.at) + 1.0, values={**dict(h.values), **_under_load(loaded.get(h.at, ()))}, cell=h.cell) for h in kept]


def _alert(house: House, found: Found, watch: ChangeWatch, rows: Sequence[HourRow], tests: Sequence[Measurement], now: datetime) -> Alert:
    from bandwright.advice.cause import named_cause
    from bandwright.telling.accounts.watching import back_sentence, change_sentence

    since_h = found.dated_by.since_h if found.dated_by is not None else found.shift.since_h
    since = _at(since_h)
    key = f"{'back' if found.reversed else 'change'} {found.thread} {found.channel} {_at(found.at_h):%Y-%m-%dT%H:%M}"
    size = _size(house, found, tests, since_h, until_h=min(_h(now), found.at_h + _CAUSE_AFTER_H))
    if found.reversed:
        return Alert(at=_at(found.at_h), key=key, sentence=back_sentence(channel=found.channel, since=since, zone=house.zone), since=since, size=size, reversed=True)
    cause = named_cause(_facts(found, watch, rows, size, since_h, until_h=min(_h(now), found.at_h + _CAUSE_AFTER_H)))
    sentence = change_sentence(
        channel=found.channel, size=size, since=since, zone=house.zone, hours=found.hours, cause=cause.sentence, chance=cause.chance, second=cause.second_sentence, settle=", ".join(t.replace("_", " ") for t in cause.told_apart_by)
    )  # fmt: skip
    proposed = _retrial(house, cause, tests, since_h, now) if cause.sure and not cause.shared else ""
    sentence += f" {proposed}" if proposed else ""
    need = _need(house, tests, since_h)
    if need is not None:
        sentence += f" {need[1]}"
    return Alert(at=_at(found.at_h), key=key, sentence=sentence, need=None if need is None else need[0], since=since, size=size, cause=cause.key, cause_chance=cause.chance)


def _values(house: House, channel: str, tests: Sequence[Measurement]) -> list[tuple[float, float]]:
    out = []
    for m in tests:
        row = _test(house, m)
        if row is None:
            continue
        both = (row.ln_down + row.ln_up) / 2.0 if row.ln_down is not None and row.ln_up is not None else None
        y = {"down": row.ln_down, "up": row.ln_up, "both": both, "delay": row.ln_delay, "loss": None if row.lossy is None else float(row.lossy)}[channel]
        if y is not None:
            out.append((row.at_h, y))
    return out


def _size(house: House, found: Found, tests: Sequence[Measurement], since_h: float, *, until_h: float) -> Estimate:
    """Return the change as tests show it: the mean after less the mean of 14 days before. Few tests after it: what the detector believes."""
    values = _values(house, found.channel, tests)
    before, after = [y for t, y in values if since_h - _BEFORE_H <= t < since_h], [y for t, y in values if since_h <= t <= until_h]
    value, sd = found.shift.size, found.shift.sd
    if len(before) >= 5 and len(after) >= 3:
        mean = sum(before) / len(before)
        spread = math.sqrt(sum((y - mean) ** 2 for y in before) / (len(before) - 1))
        value = sum(after) / len(after) - mean
        sd = math.hypot(spread * math.sqrt(1.0 / len(after) + 1.0 / len(before)), 0.05)
    return Estimate(value=value, low=value - 1.645 * sd, high=value + 1.645 * sd, unit="share" if found.channel == "loss" else "ln", source=f"{len(after)} tests after, {len(before)} before")


def _facts(found: Found, watch: ChangeWatch, rows: Sequence[HourRow], size: Estimate, since_h: float, *, until_h: float) -> ChangeFacts:
    from bandwright.advice.cause import ChangeFacts, reading_shifts

    shifts, new_cell, ramp = reading_shifts(rows, since_h=since_h, now_h=until_h)
    near = {n.kind for n in watch.notices if found.shift.since_low_h - 6.0 <= n.since_h <= found.shift.since_high_h + 6.0}
    worse = -abs(size.value) if (size.value > 0) == (found.channel in {"delay", "loss"}) else abs(size.value)
    return ChangeFacts(
        size=worse, shifts=shifts, limited=1.0 - found.shift.shapes[0], new_cell=new_cell, events=tuple(k for k in ("cap", "firmware") if k in near), ramp=ramp
    )  # fmt: skip


def _need(house: House, tests: Sequence[Measurement], since_h: float) -> tuple[str, str] | None:
    """Return the need that suffers most and a sentence, or None where none was met less often."""
    from bandwright.needs.fulfilment import score

    counts: dict[str, list[int]] = {}
    for m in tests:
        if _h(m.at) < since_h - _BEFORE_H:
            continue
        local = m.at.astimezone(house.zone)
        for r in score(house.declared.needs, m, weekday=local.weekday(), minute=local.hour * 60 + local.minute).results:
            if r.met is not None:
                row = counts.setdefault(r.need, [0, 0, 0, 0])
                after = 2 * (_h(m.at) >= since_h)
                row[after] += r.met
                row[after + 1] += 1
    fall = {n: c[0] / c[1] - c[2] / c[3] for n, c in counts.items() if c[1] >= 5 and c[3] >= 3}
    worst = max(fall, key=lambda n: fall[n], default=None)
    if worst is None or fall[worst] <= 0.05:
        return None
    c = counts[worst]
    return worst, f"{worst}: met by {c[2]} of {c[3]} tests since, by {c[0]} of {c[1]} before."


def _retrial(house: House, cause: CauseAnswer, tests: Sequence[Measurement], since_h: float, now: datetime) -> str:
    """Return the proposal of a small new trial, or "" where none is worth it."""
    from bandwright.advice.retrial import retrial
    from bandwright.needs.fulfilment import score
    from bandwright.trials.analysis import values
    from bandwright.trials.ledger import read
    from bandwright.trials.model import frame_of

    designs, setup = house.records.designs(), tests[-1].setup_asked if tests else None
    scores: tuple[list[float], list[float]] = ([], [])
    for m in tests:
        local = m.at.astimezone(house.zone)
        found = score(house.declared.needs, m, weekday=local.weekday(), minute=local.hour * 60 + local.minute).value
        if found is not None and _h(m.at) >= since_h - _BEFORE_H:
            scores[_h(m.at) >= since_h].append(found)
    if not designs or len(scores[0]) < 5 or len(scores[1]) < 3:
        return ""
    design = designs[-1]
    ledger = read(design, house.records.events(design.key))
    keys = [s.key for s in ledger.setups]
    if setup not in keys or not ledger.results:
        return ""
    current = ledger.setups[keys.index(setup)]
    modes = {t.key: t.mode for t in house.declared.tunings}
    if cause.key in {"obstruction", "leaves"}:
        shares = [s.rig == current.rig for s in ledger.setups]
    elif cause.key == "mode":
        shares = [modes.get(s.tuning) != "lte" for s in ledger.setups]
    else:
        shares = [s.key == setup or (s.rig == current.rig and modes.get(s.tuning) == modes.get(current.tuning)) for s in ledger.setups]
    known = values(frame_of(ledger), design.seed)
    shift = sum(scores[1]) / len(scores[1]) - sum(scores[0]) / len(scores[0])
    days = (now - design.start).total_seconds() / 86400.0
    answer = retrial([float(x) for x in known.mean], known.covariance, current=keys.index(setup), shares=shares, shift=shift, days=days, indifference=design.indifference, seed=design.seed)
    if not answer.worth:
        return ""
    names = [ledger.setups[i].label or keys[i] for i in answer.setups[1:]]
    return f"A small new trial is worth it: {' or '.join(names)} may now be better ({100 * answer.chance_better:.0f} in 100)."


def _notice(kind: str, size: float | None, since_h: float, house: House) -> str:
    from bandwright.telling.accounts.watching import notice_sentence

    return notice_sentence(kind=kind, size=size, since=_at(since_h), zone=house.zone)


def answer_from_json(text: str) -> WatchAnswer:
    """Return the answer that a fold printed."""
    d = json.loads(text)

    def when(x: str | None) -> datetime | None:
        return None if x is None else datetime.fromisoformat(x)

    alerts = tuple(
        Alert(**{**a, "at": datetime.fromisoformat(a["at"]), "since": when(a["since"]), "size": None if a["size"] is None else Estimate(**a["size"])}) for a in d["alerts"]
    )
    notices = tuple(Told(at=datetime.fromisoformat(n["at"]), kind=n["kind"], text=n["text"]) for n in d["notices"])
    return WatchAnswer(alerts=alerts, notices=notices, suspicion=d["suspicion"], ask_extra_since=when(d["ask_extra_since"]), tests=d["tests"], learnt=d["learnt"])


def _main(folder: Path, setup: str, limit: float, now: str) -> None:
    from bandwright.jobs.assembly import open_house

    answer = watched(open_house(folder), setup=setup or None, limit=limit, now=datetime.fromisoformat(now))
    print(json.dumps(asdict(answer), default=lambda x: x.isoformat()))


if __name__ == "__main__":
    _main(Path(sys.argv[1]), sys.argv[2], float(sys.argv[3]), sys.argv[4])


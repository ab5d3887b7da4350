"""Keep watch: read the radio every few seconds, look whether there is service, test lightly, and tell when the answer has changed.

Nothing but the records holds its state. What a day's tests are is a function of the date; what is known is a fold over records that runs
in a process that ends, so that this one stays small. Time in which the computer slept, or nobody looked, is not observed: neither up nor
down. Lengths are taken from the clock that never steps.
"""

from __future__ import annotations

import asyncio
import math
import sys
from collections import Counter
from collections.abc import AsyncGenerator, Awaitable, Callable
from contextlib import suppress
from dataclasses import dataclass, field, replace
from datetime import date, datetime, timedelta

from bandwright.errors import GatewayError, StoreError, UsageError
from bandwright.jobs.house import House
from bandwright.jobs.watch_fold import WatchAnswer, answer_from_json, facts_of_readings, watched
from bandwright.jobs.watch_plan import Budget, budget_of, extra_times, planned_times, spent_mb, tests_of_day
from bandwright.needs.availability import Observed, Outage, OutageFold, Poll
from bandwright.needs.hours import parse_hours
from bandwright.ports import Gateway, ProbeEvent
from bandwright.readings.parse import parse
from bandwright.telling.accounts.watching import outage_sentence
from bandwright.words.answers import Alert
from bandwright.words.measurement import MeasurementPlan, Phase, Size
from bandwright.words.radio import Capture, Reading, Registration
from bandwright.words.rig import Rig
from bandwright.words.site import Hours
from bandwright.words.watch import AlertRaised, AlertSent, GatewayTold, HourKept, ObservedKept, OutageKept, WatchEvent, WatchRecord

__all__ = ["Detect", "detect_here", "setup_in_use", "watch"]

Detect = Callable[[datetime], Awaitable[WatchAnswer]]

_ASK_AGAIN_S = 3.0
_MISSED = timedelta(minutes=20)  # a test that is later than that is left out: its hour has passed
_STEP_S = 20.0  # wall time against the steady clock: more is a step, or the computer slept
_NOT_SERVED = (Registration.NONE, Registration.SEARCHING, Registration.DENIED, Registration.LIMITED)
_LOOK_MB = 0.0012  # of one look: a name and a TCP handshake, both ways
_EXTRA = 6
_FIND_EVERY_H = 3  # between tests, readings are looked through as often as that


def setup_in_use(house: House, setup: str | None = None) -> str | None:
    """Return the key of the setup that is watched: the one named, the one declared in use, or the only one. Raises UsageError."""
    keys = [s.key for s in house.declared.setups]
    if setup is not None:
        if setup not in keys:
            raise UsageError("setup", given=setup, allowed=", ".join(keys) or "none is declared")
        return setup
    if house.declared.campaign.in_use is not None:
        return house.declared.campaign.in_use
    if len(keys) > 1:
        raise UsageError("which setup is in use?", allowed=", ".join(keys), todo="Name it with --setup, or as in_use under [campaign] in site.toml")
    return keys[0] if keys else None


def detect_here(house: House, setup: str | None) -> Detect:
    """Return a detector that folds in this process: for simulated time, where starting others would be the slowest part."""

    async def detect(now: datetime) -> WatchAnswer:
        return watched(house, setup=setup, limit=float(house.declared.settings["watch_limit"]), now=now)

    return detect


def _detect_elsewhere(house: House, setup: str | None) -> Detect:
    """Return a detector that folds in a process that ends."""

    async def detect(now: datetime) -> WatchAnswer:
        limit = str(house.declared.settings["watch_limit"])
        process = await asyncio.create_subprocess_exec(
            sys.executable, "-m", "bandwright.jobs.watch_fold", str(house.folder), setup or "", limit, now.isoformat(), stdout=asyncio.subprocess.PIPE, stderr=asyncio.subprocess.PIPE
        )  # fmt: skip
        out, error = await process.communicate()
        if process.returncode:
            raise StoreError("the look for changes ended early", given=error.decode(errors="replace").strip().splitlines()[-1:])
        return answer_from_json(out.decode())

    return detect


@dataclass(slots=True)
class _Hour:
    """The means of the hour that runs."""

    at: datetime
    sums: dict[str, float] = field(default_factory=dict)
    counts: Counter[str] = field(default_factory=Counter)
    cells: Counter[str] = field(default_factory=Counter)
    readings: int = 0
    unread: int = 0

    def take(self, reading: Reading) -> None:
        self.readings += 1
        said = facts_of_readings([reading])
        if "watch_cell" in said:
            self.cells[str(said["watch_cell"])] += 1
        serving = reading.serving()
        if not serving:
            return
        first = next((c for c in serving if c.role.value == "pcell"), serving[0])
        for key in ("rsrp", "sinr", "rsrq"):
            value = first.number(key)
            if value is not None:
                self.sums[key] = self.sums.get(key, 0.0) + value
                self.counts[key] += 1

    def record(self) -> HourKept:
        values = tuple((k, total / self.counts[k]) for k, total in self.sums.items())
        cell = self.cells.most_common(1)[0][0] if self.cells else None
        return HourKept(at=self.at, values=values, cell=cell, readings=self.readings, unread=self.unread)


@dataclass(slots=True)
class _State:
    """What this process has seen so far; all that matters of it is on record within the hour."""

    setup: str | None
    rig: Rig | None
    gateway: Gateway | None
    budget: Budget
    quiet: Hours
    fold: OutageFold
    spent_mb: float
    spent_month: tuple[int, int]
    begun: datetime
    done: set[datetime] = field(default_factory=set)
    extra: tuple[datetime, ...] = ()
    extra_mb: float = 0.0  # of the month, for tests on suspicion
    planned: tuple[date, tuple[datetime, ...]] | None = None
    raised: dict[str, Alert] = field(default_factory=dict)
    held_told: bool = False
    known_until: datetime | None = None  # alerts up to here were raised by earlier runs
    observed_until: datetime | None = None
    hour: _Hour | None = None
    shown: str = ""
    uptime_h: float | None = None
    firmware: str | None = None
    phase: str | None = None
    last_reading: Reading | None = None
    offset_s: float | None = None
    notices_until: datetime | None = None
    step_waits: bool = False


async def watch(house: House, *, setup: str | None = None, until: datetime | None = None, detect: Detect | None = None) -> AsyncGenerator[WatchEvent]:
    """Watch until stopped, or until a time. Events come as they happen; what matters of them is on record before they are told.

    setup: the one in use; see `setup_in_use`. Raises UsageError, StoreError.
    """
    key = setup_in_use(house, setup)
    state = await _begin(house, key)
    finder = detect or _detect_elsewhere(house, key)
    poll_s, look_s = float(house.declared.settings["watch_poll_s"]), float(house.declared.settings["watch_look_s"])
    yield WatchEvent(kind="started", at=house.clock.now(), text=_started(state))
    next_look = house.clock.monotonic_s()
    try:
        while until is None or house.clock.now() < until:
            now, mono = house.clock.now(), house.clock.monotonic_s()
            for event in _clock(house, state, now, mono):
                yield event
            for event in await _read(house, state, now):
                yield event
            if mono >= next_look:
                for event in await _look(house, state):
                    yield event
                next_look = mono + (_ASK_AGAIN_S if _failed_looks(state) == 1 else look_s)
            look_again = False
            for event in _turn_of_the_hour(house, state, now):
                look_again = look_again or (event.kind == "hour" and now.hour % _FIND_EVERY_H == 0)
                yield event
            async for event in _tests(house, state, now):
                look_again = look_again or event.kind == "tested"
                yield event
            if look_again:
                for event in await _find(house, state, finder):
                    yield event
            for event in await _tell(house, state):
                yield event
            if house.publish is not None:
                await house.publish(_figures(state))
            left = min(poll_s, next_look - house.clock.monotonic_s()) if state.fold.is_down else poll_s
            await house.clock.sleep(max(0.2, left))
    finally:
        house.records.add_watched(*_ended(house, state))
    yield WatchEvent(kind="ended", at=house.clock.now(), text="The watch ends; all it saw is kept")


def _failed_looks(state: _State) -> int:
    """Return how many looks in a row have failed. One alone may be a lost packet: it is asked again, and counts only if that fails too."""
    outage, _ = state.fold.so_far()
    return 0 if outage is None else outage.polls


async def _begin(house: House, setup: str | None) -> _State:
    declared, settings = house.declared, house.declared.settings
    rig = declared.rig(declared.setup(setup).rig) if setup is not None else (declared.rigs[0] if declared.rigs else None)
    gateway = house.gateway(rig.gateway) if rig is not None else None
    if gateway is not None:
        with suppress(GatewayError):
            if (await gateway.abilities()).by_person:
                gateway = None  # nobody copies a page every few seconds
    line = next((n for n in declared.lines if rig is not None and n.key == rig.line), None)
    looks_mb = 30 * 86400 / float(settings["watch_look_s"]) * _LOOK_MB if house.glance is not None else 0.0
    per_test = house.probe(rig.key if rig is not None else "").cost_megabytes(MeasurementPlan(size=Size.LIGHT))
    budget = budget_of(cap_gb=line.cap_gb_per_month if line is not None else None, share=float(settings["watch_share"]), per_test_mb=per_test, look_mb_a_month=looks_mb)
    now = house.clock.now()
    local = now.astimezone(house.zone)
    month = house.records.measurements(since=now - timedelta(days=32))
    quiet = str(settings["quiet_hours"]).strip()
    records = house.records.watched(since=now - timedelta(days=120))
    sent = {r.key for r in records if isinstance(r, AlertSent)}
    raised = [r for r in records if isinstance(r, AlertRaised)]
    earlier = [r.end for r in records if isinstance(r, ObservedKept)]
    return _State(
        setup=setup, rig=rig, gateway=gateway, budget=budget, quiet=parse_hours(quiet) if quiet and quiet != "none" else Hours("none", ()), fold=OutageFold(gap_s=4.0 * float(settings["watch_look_s"]) + 30.0),
        spent_mb=spent_mb(month, month=local.date(), zone=house.zone), spent_month=(local.year, local.month), begun=now,
        extra_mb=spent_mb([m for m in month if m.fact("watch_extra")], month=local.date(), zone=house.zone),
        done={datetime.fromisoformat(str(m.fact("watch_for"))) for m in month if m.fact("watch_for") is not None and now - m.at < timedelta(days=2)},
        raised={r.key: r.alert for r in raised if r.key not in sent}, known_until=max((r.at for r in raised), default=None), notices_until=max(earlier, default=now),
    )  # fmt: skip


def _started(state: _State) -> str:
    b = state.budget
    what = f"Watching {state.setup}" if state.setup is not None else "Watching"
    if b.month_mb is None:
        return f"{what}: {b.tests_a_day:.0f} light tests a day of about {b.per_test_mb:.1f} MB; the plan has no cap"
    return f"{what}: {b.tests_a_day:.1f} light tests a day of about {b.per_test_mb:.1f} MB, at most {b.month_mb / 1000:.2f} GB a month; {state.spent_mb / 1000:.2f} GB taken this month"


# --- clock, readings, service --------------------------------------------------------------------------------------------------


def _clock(house: House, state: _State, now: datetime, mono: float) -> list[WatchEvent]:
    """Notice that the computer slept or its clock was set: an outage keeps its scale to its end, everything else begins anew."""
    offset = now.timestamp() - mono
    known, state.offset_s = state.offset_s, offset if state.offset_s is None else state.offset_s
    jump = offset - known if known is not None else 0.0
    if abs(jump) <= _STEP_S and not state.step_waits:
        return []
    slept = jump > state.fold.gap_s
    if state.fold.is_down and not slept:
        state.step_waits, state.offset_s = True, offset
        return []
    state.offset_s, state.step_waits = offset, False
    _keep(house, state, state.fold.close())
    state.observed_until = None
    if slept:
        return [WatchEvent(kind="not observed", at=now, text=f"Not observed for {jump / 60:.0f} minutes: the computer slept, or its clock was set")]
    return [WatchEvent(kind="note", at=now, text=f"The clock of this computer was set by {jump:+.0f} s; outages are timed by the clock that never steps")]


async def _read(house: House, state: _State, now: datetime) -> list[WatchEvent]:
    if state.gateway is None:
        return []
    begin = now.replace(minute=0, second=0, microsecond=0)
    if state.hour is None:
        state.hour = _Hour(begin)
    try:
        capture = await state.gateway.fetch(moment="idle")
    except GatewayError:
        state.hour.unread += 1
        state.last_reading = None
        return []
    readings = parse(capture)
    found = [r for r in readings if r.serving()] or list(readings)
    if not found:
        state.hour.unread += 1
        return []
    reading = found[-1]
    state.last_reading = reading
    state.hour.take(reading)
    shown = f"{reading.mode} {reading.registration} {facts_of_readings([reading]).get('watch_cell')}"
    if shown != state.shown or state.hour.readings == 1:
        state.shown = shown
        _keep_capture(house, capture, reading)
    return _told(house, state, reading, now)


def _keep_capture(house: House, capture: Capture, reading: Reading) -> None:
    house.records.add_capture(capture)
    house.records.add_reading(reading)


def _told(house: House, state: _State, reading: Reading, now: datetime) -> list[WatchEvent]:
    """Notice a restart or another firmware, where the gateway says its uptime or version."""
    out: list[WatchEvent] = []
    extras = {f.name: f for f in reading.extras}
    uptime = extras["uptime_h"].number if "uptime_h" in extras else None
    if uptime is not None:
        if state.uptime_h is not None and uptime < state.uptime_h - 0.02:
            out.append(_event(house, GatewayTold(at=now, kind="reboot", text=f"uptime fell from {state.uptime_h:.1f} h to {uptime:.1f} h"), "The gateway restarted"))
        state.uptime_h = uptime
    firmware = str(extras["firmware"].value) if "firmware" in extras and extras["firmware"].value is not None else None
    if firmware is not None:
        if state.firmware is not None and firmware != state.firmware:
            out.append(_event(house, GatewayTold(at=now, kind="firmware", text=f"{state.firmware} to {firmware}"), "The gateway's firmware changed"))
        state.firmware = firmware
    return out


def _event(house: House, record: GatewayTold, text: str) -> WatchEvent:
    house.records.add_watched(record)
    return WatchEvent(kind="told", at=record.at, text=text, record=record)


async def _look(house: House, state: _State) -> list[WatchEvent]:
    """Look whether there is service; the first phase that fails is named."""
    if state.gateway is None and house.glance is None:
        return []
    path = await house.glance() if house.glance is not None else None
    reading = state.last_reading
    phase: str | None = None
    if house.glance is not None and path is None:
        phase = None  # what arrives, arrives: a reading that says otherwise is late
    elif state.gateway is not None and reading is None:
        phase = "gateway" if house.glance is not None else state.phase
    elif reading is not None and reading.registration in _NOT_SERVED:
        phase = "registration" if reading.serving() else "radio"
    else:
        phase = path
    before = _failed_looks(state)
    state.phase = phase
    now = house.clock.now()
    found = state.fold.poll(Poll(now, phase, house.clock.monotonic_s()))
    records = _keep(house, state, found)
    events = [WatchEvent(kind="not observed", at=now, text="Not observed for a while: nothing was looked at") for r in found if isinstance(r, Observed)]
    if before == 1 and _failed_looks(state) == 2:
        events.append(WatchEvent(kind="outage", at=now, text=f"No service: {phase}"))
    for record in records:
        if isinstance(record, OutageKept):
            text = outage_sentence(start=record.at, end=record.end, phase=record.phase, give_or_take_s=record.start_give_or_take_s, zone=house.zone)
            events.append(WatchEvent(kind="back", at=now, text=text, record=record))
            if (record.end - record.at).total_seconds() >= 60.0 * float(house.declared.settings["alert_outage_min"]):
                _raise(house, state, Alert(at=now, key=f"outage {record.at:%Y-%m-%dT%H:%M:%S}", sentence=text, since=record.at))
    return events


def _keep(house: House, state: _State, found: tuple[Outage | Observed, ...]) -> list[WatchRecord]:
    records: list[WatchRecord] = []
    for f in found:
        if isinstance(f, Outage) and f.end is not None and f.polls > 1:
            records.append(
                OutageKept(
                    at=f.start, end=f.end, phase=f.phase, start_give_or_take_s=f.start_give_or_take_s, end_give_or_take_s=f.end_give_or_take_s or 0.0, polls=f.polls,
                    open_start=f.open_start, open_end=f.open_end,
                )
            )  # fmt: skip
        elif isinstance(f, Observed):
            start = max(f.start, state.observed_until) if state.observed_until is not None else f.start
            if f.end > start:
                records.append(ObservedKept(at=start, end=f.end))
            state.observed_until = None
    if records:
        house.records.add_watched(*records)
    return records


def _turn_of_the_hour(house: House, state: _State, now: datetime) -> list[WatchEvent]:
    hour = state.hour
    begin = now.replace(minute=0, second=0, microsecond=0)
    if hour is None:
        state.hour = _Hour(begin)
        return []
    if begin <= hour.at and now >= hour.at:
        return []
    kept = hour.record()
    house.records.add_watched(kept, *_observed_so_far(state))
    state.hour = _Hour(begin)
    local = now.astimezone(house.zone)
    if (local.year, local.month) != state.spent_month:
        state.spent_mb, state.extra_mb, state.spent_month = 0.0, 0.0, (local.year, local.month)
    state.done = {t for t in state.done if now - t < timedelta(days=2)}
    return [WatchEvent(kind="hour", at=now, text=f"{kept.readings} readings in the hour, {kept.unread} without an answer", record=kept)] if kept.readings else []


def _observed_so_far(state: _State) -> list[WatchRecord]:
    _, stretch = state.fold.so_far()
    if stretch is None:
        return []
    start = max(stretch.start, state.observed_until) if state.observed_until is not None else stretch.start
    if stretch.end <= start:
        return []
    state.observed_until = stretch.end
    return [ObservedKept(at=start, end=stretch.end)]


def _ended(house: House, state: _State) -> list[WatchRecord]:
    _keep(house, state, state.fold.close())
    return [state.hour.record()] if state.hour is not None and state.hour.readings else []


# --- tests ---------------------------------------------------------------------------------------------------------------------


async def _tests(house: House, state: _State, now: datetime) -> AsyncGenerator[WatchEvent]:
    local = now.astimezone(house.zone).date()
    if state.planned is None or state.planned[0] != local:
        state.planned = local, planned_times(local, tests_of_day(local, state.budget.tests_a_day), house.declared.needs, zone=house.zone, seed=house.declared.campaign.seed)
    extra = state.extra if state.budget.extra_left_mb(state.extra_mb, day=local.day) >= state.budget.per_test_mb else ()
    due = [t for t in (*state.planned[1], *extra) if t not in state.done and t <= now and now - t < _MISSED and t >= state.begun - _MISSED]
    if not due:
        return
    when = due[0]
    state.done.add(when)
    left = state.budget.left_mb(state.spent_mb)
    if left < state.budget.per_test_mb:
        yield WatchEvent(kind="note", at=now, text="The watch's share of the month's volume is used; no more tests until the next month, readings go on")
        return
    if state.fold.is_down:
        return  # it would be the outage's
    plan = MeasurementPlan(size=Size.LIGHT, setup=state.setup, max_megabytes=None if math.isinf(left) else left)
    readings: list[Reading] = []
    captures: list[tuple[str, str]] = []

    async def hear(event: ProbeEvent) -> None:
        if state.gateway is None or event.kind != "phase" or event.phase not in {Phase.DOWNLINK.value, Phase.UPLINK.value}:
            return
        with suppress(GatewayError):
            moment = "load_down" if event.phase == Phase.DOWNLINK.value else "load_up"
            capture = await state.gateway.fetch(moment=moment)
            house.records.add_capture(capture)
            captures.append((moment, capture.key))
            for reading in parse(capture):
                house.records.add_reading(reading)
                readings.append(reading)

    try:
        with house.run_lock():
            found = await house.probe(state.rig.key if state.rig is not None else "").measure(plan, listener=hear)
    except StoreError as error:
        yield WatchEvent(kind="note", at=now, text=f"No test now: {error}")
        return
    facts = (*found.facts, ("watch", state.setup or "yes"), ("watch_for", when.isoformat()), ("watch_extra", when in state.extra), *facts_of_readings(readings).items())
    found = replace(found, setup_asked=state.setup, facts=facts, captures=tuple(captures))
    house.records.add_measurement(found)
    state.spent_mb += found.megabytes
    state.extra_mb += found.megabytes if when in state.extra else 0.0
    rates = ", ".join(f"{v:.1f} {word}" for q, word in (("goodput_down_mbps", "Mbit/s down"), ("goodput_up_mbps", "up")) if (v := found.number(q)) is not None)
    yield WatchEvent(kind="tested", at=house.clock.now(), text=rates or f"the test ended in the phase {found.phase}: {found.reason}", measurement=found)


# --- finding and telling -------------------------------------------------------------------------------------------------------


async def _find(house: House, state: _State, detect: Detect) -> list[WatchEvent]:
    now = house.clock.now()
    try:
        answer = await detect(now)
    except StoreError as error:
        return [WatchEvent(kind="note", at=now, text=str(error))]
    told_until = state.notices_until or state.begun
    events = [WatchEvent(kind="notice", at=now, text=n.text) for n in answer.notices if n.at > told_until]
    state.notices_until = max([n.at for n in answer.notices] + [told_until])
    for alert in answer.alerts:
        if alert.at > (state.known_until or state.begun - timedelta(days=1)):
            _raise(house, state, alert)
            events.append(WatchEvent(kind="change", at=now, text=alert.sentence, alert=alert))
    state.known_until = max([a.at for a in answer.alerts] + ([state.known_until] if state.known_until is not None else []), default=None)
    if answer.ask_extra_since is not None:
        state.extra = extra_times(answer.ask_extra_since, _EXTRA)
    elif answer.suspicion and not any(t > now for t in state.extra):
        state.extra = (now + timedelta(hours=2),)
    return events


def _raise(house: House, state: _State, alert: Alert) -> None:
    house.records.add_watched(AlertRaised(at=alert.at, key=alert.key, alert=alert))
    state.raised[alert.key] = alert


async def _tell(house: House, state: _State) -> list[WatchEvent]:
    """Send what was raised, unless it is quiet; each alert goes out once. While the connection is down nothing can go out."""
    if not state.raised or house.send_alert is None or state.fold.is_down:
        return []
    now = house.clock.now()
    local = now.astimezone(house.zone)
    if state.quiet.includes(local.weekday(), local.hour * 60 + local.minute):
        told, state.held_told = state.held_told, True
        return [] if told else [WatchEvent(kind="held", at=now, text=f"{len(state.raised)} alert waits until the quiet hours are over")]
    state.held_told = False
    events: list[WatchEvent] = []
    for key, alert in list(state.raised.items()):
        to = await house.send_alert(alert)
        if to:
            house.records.add_watched(AlertSent(at=now, key=key, to=to))
            del state.raised[key]
            events.append(WatchEvent(kind="alert", at=now, text=alert.sentence, alert=alert))
    return events


def _figures(state: _State) -> dict[str, float]:
    """Return the latest figures by the names of the metrics."""
    out: dict[str, float] = {"up": 0.0 if state.fold.is_down else 1.0, "watch_megabytes": state.spent_mb}
    reading = state.last_reading
    if reading is not None and reading.serving():
        first = reading.serving()[0]
        for key in ("rsrp", "rsrq", "sinr", "rssi"):
            value = first.number(key)
            if value is not None:
                out[key] = value
    return out



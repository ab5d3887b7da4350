"""Recheck in ten minutes, a week or a season later, whether a place is as it was in the campaign.

It looks at the house's own network first, then measures the setup in use a few times and sets that beside the campaign's tests of the same
setup at the same hours. Tests within ten minutes share their moment, so the comparison knows less than their count suggests: how much of
the variation lasts longer than the recheck is estimated from both, and never taken as less than a fifth.
"""

from __future__ import annotations

import math
from collections.abc import AsyncGenerator, Sequence
from contextlib import suppress
from dataclasses import dataclass, replace
from datetime import datetime
from statistics import fmean, stdev
from typing import Literal

from bandwright.advice.cause import NULL, CauseAnswer, ChangeFacts, ReadingShift, named_cause
from bandwright.errors import GatewayError, UsageError
from bandwright.jobs.house import House
from bandwright.jobs.watch import setup_in_use
from bandwright.jobs.watch_fold import facts_of_readings
from bandwright.ports import Gateway, ProbeEvent
from bandwright.readings.parse import parse
from bandwright.words.answers import Estimate
from bandwright.words.measurement import Measurement, MeasurementPlan, Outcome, Phase, Size
from bandwright.words.radio import Reading

__all__ = ["AgainAnswer", "AgainEvent", "Compared", "again", "compare"]

_TESTS, _EVERY_S = 6, 100.0
_SAME_HOURS_H = 2.0
_LEAST_BEFORE = 4
_MATTERS_LN = 0.10  # below that a difference does not matter, as in the trial
_NARROW_LN = 0.25  # "as it was" must exclude a change of a quarter
_LEAST_LASTING = 0.2
_SD_PRIOR, _SD_WEIGHT = 0.30, 4.0  # ln sd of tests at a place: median .3 over places (public traces); weighs as four tests
_READING_SD = {"rsrp": 1.3, "sinr": 3.5, "rsrq": 2.1, "ln_bandwidth": 0.3, "nr_share": 0.3, "ln_first_hop": 0.15}  # of one reading at a fixed place (public traces; hop and share assumed)
_READING_LASTS = 0.4  # part of a reading's variance that lasts as long as the recheck; assumed
_HOP_SLOW_MS, _HOP_SLOWER = 5.0, 3.0  # a first hop is suspect above so many ms and so many times what it was (common practice, no source)


@dataclass(frozen=True, slots=True, kw_only=True)
class Compared:
    """One quantity now against the campaign. difference: in ln, positive is more. before, now: how many tests. more: tests that would settle it."""

    quantity: str
    difference: Estimate
    median_before: float
    median_now: float
    before: int
    now: int
    verdict: Literal["as it was", "worse", "better", "cannot tell"]
    more: int


@dataclass(frozen=True, slots=True, kw_only=True)
class AgainAnswer:
    """What a recheck says.

    kind: the worst of the quantities' verdicts, "cannot tell" where one of them may hide a loss. house: what the house's own network showed,
    or "" where nothing was wrong with it. same_hours: whether the campaign has tests at these hours. sentence: the answer in words.
    """

    kind: Literal["as it was", "worse", "better", "cannot tell"]
    sentence: str
    setup: str | None
    compared: tuple[Compared, ...]
    cause: CauseAnswer | None
    house: str
    same_hours: bool
    more: int
    failed: int
    megabytes: float
    began: datetime
    measurements: tuple[Measurement, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class AgainEvent:
    """Progress of a recheck; the last one holds the answer."""

    kind: Literal["house", "tested", "waiting", "answer"]
    at: datetime
    text: str
    answer: AgainAnswer | None = None
    measurement: Measurement | None = None


def compare(quantity: str, before: Sequence[float], now: Sequence[float], *, more_is_better: bool = True) -> Compared | None:
    """Return how values of a quantity compare, now against before; None with fewer than four before or none now. Values above 0.

    The variance of a mean within ten minutes: the campaign's test-to-test variance, of which the lasting part is not averaged away.
    """
    if len(before) < _LEAST_BEFORE or not now:
        return None
    a, b = [math.log(x) for x in before], [math.log(x) for x in now]
    total = ((len(a) - 1) * stdev(a) ** 2 + _SD_WEIGHT * _SD_PRIOR**2) / (len(a) - 1 + _SD_WEIGHT)
    within = ((len(b) - 1) * (stdev(b) ** 2 if len(b) > 1 else 0.0) + _SD_WEIGHT * 0.5 * total) / (len(b) - 1 + _SD_WEIGHT)
    lasting = max(_LEAST_LASTING * total, total - within)
    variance = total / len(a) + lasting + min(within, total) / len(b)
    half = 1.645 * math.sqrt(variance)
    value = fmean(b) - fmean(a)
    low, high = value - half, value + half
    better, worse = (low > _MATTERS_LN, high < -_MATTERS_LN) if more_is_better else (high < -_MATTERS_LN, low > _MATTERS_LN)
    verdict: Literal["as it was", "worse", "better", "cannot tell"]
    if worse:
        verdict = "worse"
    elif better:
        verdict = "better"
    elif half <= _NARROW_LN and low < 0.0 < high:
        verdict = "as it was"
    else:
        verdict = "cannot tell"
    left = (_NARROW_LN / 1.645) ** 2 - total / len(a)
    per_visit = lasting + min(within, total) / max(len(b), 1)
    more = 0 if verdict != "cannot tell" else (max(1, math.ceil(per_visit / left) - 1) if left > 0 else 20)
    return Compared(
        quantity=quantity, difference=Estimate(value=value, low=low, high=high, unit="ln", source=f"{len(b)} tests now, {len(a)} before"), median_before=math.exp(sorted(a)[len(a) // 2]),
        median_now=math.exp(sorted(b)[len(b) // 2]), before=len(a), now=len(b), verdict=verdict, more=min(more, 20),
    )  # fmt: skip


async def again(house: House, *, setup: str | None = None, tests: int = _TESTS, every_s: float = _EVERY_S, megabytes: float | None = None) -> AsyncGenerator[AgainEvent]:
    """Recheck the setup in use against the campaign. megabytes: take no more than so many. Raises UsageError where nothing was tested before."""
    key = setup_in_use(house, setup)
    earlier = _earlier(house, key)
    if len(earlier) < _LEAST_BEFORE:
        raise UsageError("there is nothing to set a recheck beside", given=f"{len(earlier)} tests of {key}", allowed=f"{_LEAST_BEFORE} or more", todo="Run a campaign first, with `bandwright run`, or measure a few times with `bandwright measure`")
    rig = house.declared.rig(house.declared.setup(key).rig) if key is not None else None
    gateway = house.gateway(rig.gateway) if rig is not None else None
    if gateway is not None:
        with suppress(GatewayError):
            gateway = None if (await gateway.abilities()).by_person else gateway
    began = house.clock.now()
    found: list[Measurement] = []
    readings: list[list[Reading]] = []
    taken = 0.0
    probe = house.probe(rig.key if rig is not None else "")
    method = earlier[-1].method
    with house.run_lock():
        for i in range(tests):
            left = None if megabytes is None else megabytes - taken
            plan = MeasurementPlan(size=Size.USUAL, setup=key, max_megabytes=left)
            if left is not None and left < probe.cost_megabytes(plan):
                break
            test, seen = await _measure(house, probe_key=rig.key if rig is not None else "", gateway=gateway, plan=plan)
            found.append(test)
            readings.append(seen)
            taken += test.megabytes
            if i == 0:
                yield AgainEvent(kind="house", at=house.clock.now(), text=_house_words(earlier, found) or "The house's own network looks as it did", measurement=test)
            yield AgainEvent(kind="tested", at=house.clock.now(), text=f"Test {i + 1} of {tests}", measurement=test)
            if i + 1 < tests:
                await house.clock.sleep(every_s)
    same = [m for m in earlier if m.method is method and _near_hour(house, m.at, began)]
    used = same if len(same) >= _LEAST_BEFORE else [m for m in earlier if m.method is method]
    answer = _answer(house, key, used, found, readings, began=began, same_hours=used is same, taken=taken)
    yield AgainEvent(kind="answer", at=house.clock.now(), text=answer.sentence, answer=answer)


async def _measure(house: House, *, probe_key: str, gateway: Gateway | None, plan: MeasurementPlan) -> tuple[Measurement, list[Reading]]:
    seen: list[Reading] = []
    captures: list[tuple[str, str]] = []

    async def hear(event: ProbeEvent) -> None:
        moments = {Phase.IDLE.value: "idle", Phase.DOWNLINK.value: "load_down", Phase.UPLINK.value: "load_up"}
        if gateway is None or event.kind != "phase" or event.phase not in moments:
            return
        with suppress(GatewayError):
            capture = await gateway.fetch(moment=moments[event.phase])
            house.records.add_capture(capture)
            captures.append((moments[event.phase], capture.key))
            for reading in parse(capture):
                house.records.add_reading(reading)
                seen.append(reading)

    test = await house.probe(probe_key).measure(plan, listener=hear)
    test = replace(test, setup_asked=plan.setup, facts=(*test.facts, ("again", "yes"), *facts_of_readings(seen).items()), captures=tuple(captures))
    house.records.add_measurement(test)
    return test, seen


def _earlier(house: House, setup: str | None) -> list[Measurement]:
    kept = house.records.measurements(setup=setup)
    return [m for m in kept if m.outcome is not Outcome.VOID and not m.moved and not m.ramping and m.entered_by is None and m.fact("again") is None]


def _near_hour(house: House, at: datetime, now: datetime) -> bool:
    a, b = at.astimezone(house.zone), now.astimezone(house.zone)
    apart = abs((a.hour + a.minute / 60.0) - (b.hour + b.minute / 60.0))
    return min(apart, 24.0 - apart) <= _SAME_HOURS_H and (a.weekday() >= 5) == (b.weekday() >= 5)


_RATES = (("goodput_down_mbps", True), ("goodput_up_mbps", True), ("delay_loaded_up_ms", False))


def _numbers(tests: Sequence[Measurement], quantity: str) -> list[float]:
    return [v for m in tests if m.outcome is Outcome.OK and (v := m.number(quantity)) is not None and v > 0]


def _house_words(before: Sequence[Measurement], now: Sequence[Measurement]) -> str:
    """Return what is wrong between this computer and the gateway, or ""."""
    then, hop = _numbers(before, "first_hop_idle_ms"), _numbers(now, "first_hop_idle_ms")
    words = []
    if hop and then and fmean(hop) > _HOP_SLOW_MS and fmean(hop) > _HOP_SLOWER * fmean(then):
        words.append(f"The way from this computer to the gateway takes {fmean(hop):.0f} ms, {fmean(then):.1f} ms in the campaign: look at Wi-Fi and cables in the house first")
    links = {str(m.fact("link")) for m in before if m.fact("link") is not None}
    link = next((str(m.fact("link")) for m in now if m.fact("link") is not None), None)
    if link is not None and links and link not in links:
        words.append(f"This computer is now joined by {link}, in the campaign by {', '.join(sorted(links))}: that alone can change what is measured")
    lost, sent = sum(_numbers(now, "first_hop_probes_lost")), sum(_numbers(now, "first_hop_probes_sent"))
    if sent >= 50 and lost > 0.02 * sent:
        words.append(f"{lost:.0f} of {sent:.0f} probes got lost inside the house")
    return ". ".join(words)


def _answer(
    house: House, setup: str | None, before: Sequence[Measurement], now: Sequence[Measurement], readings: Sequence[Sequence[Reading]], *, began: datetime, same_hours: bool, taken: float
) -> AgainAnswer:
    compared = tuple(c for q, more in _RATES if (c := compare(q, _numbers(before, q), _numbers(now, q), more_is_better=more)) is not None)
    usable = [m for m in now if m.outcome is not Outcome.VOID]
    failed = sum(m.outcome is Outcome.FAILED for m in now)
    failed_before = sum(m.outcome is Outcome.FAILED for m in before)
    kinds = {c.verdict for c in compared}
    kind: Literal["as it was", "worse", "better", "cannot tell"]
    if (failed >= 3 and failed * len(before) > 3 * max(failed_before, 0.5) * len(usable)) or "worse" in kinds:
        kind = "worse"
    elif not compared or "cannot tell" in kinds:
        kind = "cannot tell"
    else:
        kind = "better" if "better" in kinds else "as it was"
    in_house = _house_words(before, now)
    cause = _cause(house, before, readings, compared, now) if kind in {"worse", "better"} else None
    more = max((c.more for c in compared), default=3) if kind == "cannot tell" else 0
    sentence = _sentence(kind, compared, cause, in_house, more=more, failed=failed, tests=len(usable), same_hours=same_hours)
    return AgainAnswer(
        kind=kind, sentence=sentence, setup=setup, compared=compared, cause=cause, house=in_house, same_hours=same_hours, more=more, failed=failed, megabytes=taken, began=began,
        measurements=tuple(now),
    )  # fmt: skip


_WORDS = {"goodput_down_mbps": "download", "goodput_up_mbps": "upload", "delay_loaded_up_ms": "delay under upload"}


def _sentence(
    kind: str, compared: Sequence[Compared], cause: CauseAnswer | None, in_house: str, *, more: int, failed: int, tests: int, same_hours: bool
) -> str:
    parts: list[str] = []
    if kind == "as it was":
        width = max(c.difference.high - c.difference.low for c in compared) / 2.0
        parts.append(f"As it was, give or take {100 * math.expm1(width):.0f} %: " + ", ".join(f"{_WORDS[c.quantity]} {c.median_now:.1f} now, {c.median_before:.1f} in the campaign" for c in compared) + ".")
    elif kind in {"worse", "better"}:
        moved = [c for c in compared if c.verdict == kind]
        what = ", ".join(f"{_WORDS[c.quantity]} {_change(c.difference)}" for c in moved) or f"{failed} of {tests} tests failed"
        reason = ""
        if in_house and kind == "worse":
            reason = f" {in_house}."
        elif cause is not None:
            reason = f" Probably {cause.sentence} ({100 * cause.chance:.0f} in 100)." if cause.sure else f" Either {cause.sentence} ({100 * cause.chance:.0f} in 100), or {cause.second_sentence}."
        parts.append(f"{kind.capitalize()}: {what}.{reason}")
    else:
        parts.append(f"Cannot tell yet: about {more} more such rechecks at other times would settle it.")
        if in_house:
            parts.append(f"{in_house}.")
    if failed and kind != "worse":
        parts.append(f"{failed} of {tests} tests failed.")
    if not same_hours:
        parts.append("The campaign has few tests at this hour, so all its hours were taken; the hour itself may be the difference.")
    return " ".join(parts)


def _change(d: Estimate) -> str:
    low, mid, high = (100 * math.expm1(x) for x in (d.low, d.value, d.high))
    return f"{abs(mid):.0f} % {'more' if mid > 0 else 'less'} ({low:+.0f} to {high:+.0f} %)"


def _said(readings: Sequence[Reading]) -> dict[str, float | str]:
    """Return what the readings of one test say: the primary carrier at rest, width and legs under load."""
    out: dict[str, float | str] = dict(facts_of_readings(readings))
    served = [r for r in readings if r.serving()]
    if served:
        carriers = served[0].serving()
        first = next((c for c in carriers if c.role.value == "pcell"), carriers[0])
        out |= {k: v for k in ("rsrp", "sinr", "rsrq") if (v := first.number(k)) is not None}
    return out


def _series(said: Sequence[dict[str, float | str]], tests: Sequence[Measurement]) -> dict[str, list[float]]:
    out: dict[str, list[float]] = {k: [] for k in NULL}
    for s in said:
        for key in ("rsrp", "sinr", "rsrq"):
            if key in s:
                out[key].append(float(s[key]))
        if isinstance(width := s.get("watch_width_mhz"), float) and width > 0:
            out["ln_bandwidth"].append(math.log(width))
        if "watch_nr" in s:
            out["nr_share"].append(float(s["watch_nr"]))
    out["ln_first_hop"] = [math.log(v) for v in _numbers(tests, "first_hop_idle_ms")]
    return out


def _cause(house: House, before: Sequence[Measurement], readings: Sequence[Sequence[Reading]], compared: Sequence[Compared], now: Sequence[Measurement]) -> CauseAnswer:
    """Return the probable cause, from the readings of the recheck against those of the campaign's tests."""
    then_said = []
    for m in before[-60:]:
        kept = [c for _, key in m.captures if (c := house.records.capture(key)) is not None]
        then_said.append(_said([r for c in kept for r in parse(c)]))
    now_said = [_said(r) for r in readings]
    then_values, now_values = _series(then_said, before), _series(now_said, now)
    shifts: dict[str, ReadingShift] = {}
    for key in NULL:
        a, b = then_values[key], now_values[key]
        if len(a) >= 3 and b:
            sd = stdev(a) if len(a) >= 8 else max(_READING_SD[key], stdev(a))
            sd = max(sd, 0.3 * _READING_SD[key])
            shifts[key] = ReadingShift(change=fmean(b) - fmean(a), se=sd * math.sqrt(1.0 / len(a) + _READING_LASTS + (1.0 - _READING_LASTS) / len(b)))
    cells, usual = [str(s["watch_cell"]) for s in now_said if "watch_cell" in s], {str(s["watch_cell"]) for s in then_said if "watch_cell" in s}
    new_cell = sum(c not in usual for c in cells) / len(cells) if cells and usual else None
    rates = [c.difference.value for c in compared if c.quantity != "delay_loaded_up_ms"]
    size = fmean(rates) if rates else -1.0
    return named_cause(ChangeFacts(size=size, shifts=shifts, new_cell=new_cell))



"""Run a campaign: ask the fold what is next, do it, keep it, ask again. A restart is the same function over the same records.

Nothing but the records holds a campaign's state. A measurement is on disk before the event that counts it; one that was kept and
not yet counted when a process died is counted at the next start, so no finished test is lost or repeated. Before anything goes
on after a start, the tuning in force is read.
"""

from __future__ import annotations

import asyncio
from collections.abc import AsyncGenerator, Awaitable, Callable
from contextlib import aclosing, suppress
from datetime import datetime
from typing import TypeVar

from bandwright.advice.permitted import permitted
from bandwright.errors import GatewayError, UsageError
from bandwright.jobs.deciding import course_of, verdict_of
from bandwright.jobs.house import House, Left
from bandwright.jobs.known import with_predictions
from bandwright.jobs.testing import PAUSE_S, TRIES, InForce, do_test, tested_from
from bandwright.jobs.tuning import keep_former, lacking, look, restore_former
from bandwright.ports import Question
from bandwright.words.campaign import USUAL_MEGABYTES, Course, Design, RigMounted, RoundDrawn, Step, Tested
from bandwright.words.measurement import MeasurementPlan, Size
from bandwright.words.progress import CampaignProgress
from bandwright.words.rig import Rig

__all__ = ["design_of", "latest_design", "make_design", "put_back", "run"]

_T = TypeVar("_T")

_LONG_WAIT_S = 600.0  # longer waits give the household its former setting back
_RISKY_WAIT_S = 60.0  # a pinned cell or a single band is not left in force while nobody measures
_CLIMB = ("weather", "ladder", "roof", "power lines", "lightning", "rf", "wind", "codes")


def design_of(house: House, key: str | None = None) -> Design:
    """Return the design of that key, or the latest. Raises UsageError where there is none."""
    designs = house.records.designs()
    for design in reversed(designs):
        if key is None or design.key == key:
            return design
    raise UsageError("there is no campaign yet" if key is None else f"there is no campaign {key!r}", todo="Start one with `bandwright run`")


def latest_design(house: House) -> Design | None:
    """Return the latest design, or None."""
    designs = house.records.designs()
    return designs[-1] if designs else None


def make_design(house: House, *, key: str | None = None, start: datetime | None = None) -> Design:
    """Return a design for all declared setups, needs and allowances. Raises UsageError where there is nothing to compare."""
    declared = house.declared
    if len(declared.setups) < 2:
        raise UsageError("there is only one setup, so there is nothing to compare", given=[s.key for s in declared.setups], todo="Declare another [[rig]] or [[tuning]] in site.toml")
    if not declared.needs:
        raise UsageError("no need is declared, so nothing says which setup is better", todo="Add a [[need]] to site.toml")
    plan = declared.campaign
    rigs = {r.key: r for r in declared.rigs}
    first = plan.mounted or declared.setups[0].rig
    changes = tuple((a, b, dict(rigs[b].change_minutes_from).get(a, rigs[b].change_minutes)) for a in rigs for b in rigs if a != b)
    measuring = MeasurementPlan(size=Size(str(declared.settings["measurement_size"])))
    warmup_s = float(declared.settings["warmup_s"])
    return Design(
        key=key or f"c{len(house.records.designs()) + 1}",
        setups=with_predictions(house),
        needs=declared.needs,
        start=start or house.clock.now(),
        timezone=declared.site.timezone,
        indifference=plan.indifference,
        risk=plan.risk,
        allowance=plan.allowance,
        seed=plan.seed,
        rounds_per_day=int(declared.settings["rounds_per_day"]),
        megabytes_per_test=_cost_mb(house, first, measuring, load_s=warmup_s),
        warmup_s=warmup_s,
        in_use=plan.in_use,
        mounted=plan.mounted,
        rigs_at_once=plan.rigs_at_once,
        change_minutes=changes,
        by_hand=plan.by_hand,
        prove_equal=plan.prove_equal,
        label=declared.site.name,
    )


def _cost_mb(house: House, rig: str, measuring: MeasurementPlan, *, load_s: float) -> float:
    """Return what a test takes with the load before it, or the design's usual figure where nothing to measure against is declared yet."""
    try:
        return house.probe(rig).cost_megabytes(measuring, load_s=load_s)
    except UsageError:
        return USUAL_MEGABYTES


async def run(house: House, *, campaign: str | None = None, fresh: bool = False) -> AsyncGenerator[CampaignProgress, None]:
    """Run a campaign to its verdict, from wherever it stands; the last event is the answer.

    campaign: key of a design that is there; None goes on with the latest unfinished one, or starts one. fresh: always starts one.
    By hand, a wait longer than ten minutes ends the sitting: the same call goes on later.
    Raises UsageError, GatewayError, StoreError. Closing the stream puts the former setting back.
    """
    with house.run_lock():
        if fresh:
            await put_back(house)  # what an unfinished campaign left set is not the household's own
        design = _take_up(house, campaign, fresh=fresh)
        _count_orphans(house, design)
        async with aclosing(_guarded(house, design)) as events:
            async for event in events:
                yield event


async def put_back(house: House, *, campaign: str | None = None) -> tuple[str, ...]:
    """Put back what every gateway was set to before a campaign; None is the latest. Returns what was done, in sentences; () where nothing was kept."""
    design = design_of(house, campaign) if campaign is not None else latest_design(house)
    if design is None:
        return ()
    one_rig_each = {rig.gateway: rig for rig in reversed(house.declared.rigs)}
    done = [await restore_former(house, design.key, rig) for rig in one_rig_each.values()]
    return tuple(one.text for one in done if one is not None)


async def _guarded(house: House, design: Design) -> AsyncGenerator[CampaignProgress, None]:
    state = InForce()
    try:
        async with aclosing(_steps(house, design, state)) as events:
            async for event in events:
                yield event
    finally:
        if not state.former_is_back:
            for rig in {*state.touched, *([state.rig] if state.rig is not None else [])}:
                with suppress(GatewayError, Left):
                    await asyncio.shield(restore_former(house, design.key, house.declared.rig(rig)))


def _take_up(house: House, campaign: str | None, *, fresh: bool) -> Design:
    if campaign is not None:
        return design_of(house, campaign)
    latest = None if fresh else latest_design(house)
    if latest is not None and not course_of(latest, house.records.events(latest.key)).finished:
        return latest
    design = make_design(house)
    house.records.add_design(design)
    return design


def _count_orphans(house: House, design: Design) -> None:
    """Count measurements that were kept for this campaign and not yet counted when a process died."""
    counted = {e.test for e in house.records.events(design.key) if isinstance(e, Tested)}
    for m in house.records.measurements(since=design.start, limit=50):
        facts = dict(m.facts)
        if facts.get("campaign") == design.key and m.key not in counted:
            round_, visit = facts.get("round"), facts.get("visit")
            house.records.add_event(design.key, tested_from(design, house, m, round_=int(round_ or 0), visit=int(visit or 0)))


async def _steps(house: House, design: Design, state: InForce) -> AsyncGenerator[CampaignProgress, None]:
    for text in permitted(house.declared) if not house.records.events(design.key) else ():
        yield _note(house, text)
    while True:
        now = course_of(design, house.records.events(design.key))
        step = now.next
        if state.rig is None and now.mounted is not None:
            async for event in _take_stock(house, design, state, now.mounted):
                yield event
        if step.kind == "finish":
            async for event in _answer(house, design, state, now, step.why):
                yield event
            return
        if step.not_before is not None and (wait_s := (step.not_before - house.clock.now()).total_seconds()) > 0:
            if wait_s > (_RISKY_WAIT_S if _is_risky(house, state) else _LONG_WAIT_S):
                for text in await _give_back(house, design, state):
                    yield _note(house, text)
            until = step.not_before.astimezone(house.zone)
            yield CampaignProgress(kind="waiting", at=house.clock.now(), text=f"Next: {_in_words(step)}, {until:%a %d %b %H:%M}", until=step.not_before, rig=step.rig, setup=step.setup, course=now)
            if design.by_hand and wait_s > _LONG_WAIT_S:
                async for event in _answer(house, design, state, now, f"This sitting is over; go on at {until:%a %d %b %H:%M} with the same command"):
                    yield event
                return
            await house.clock.sleep(wait_s)
        if step.kind == "mount":
            for text in await _give_back(house, design, state):
                yield _note(house, text)
            mounted = await _mount(house, design, state, step)
            if mounted is None:
                async for event in _answer(house, design, state, now, "The rig was not changed; go on with the same command when somebody can change it"):
                    yield event
                return
            yield CampaignProgress(kind="mounted", at=mounted.at, text=f"{step.rig} is in place", rig=step.rig)
            for text in await _lacks(house, mounted.rig, wait=True):
                yield _note(house, f"{mounted.rig}: {text}", rig=mounted.rig)
        elif step.kind == "round":
            drawn = RoundDrawn(at=house.clock.now(), round=step.round or 0, rig=step.rig or "", visit=step.visit or 0, order=step.order, bracket=step.bracket)
            house.records.add_event(design.key, drawn)
            yield CampaignProgress(kind="round", at=drawn.at, text=f"Round {drawn.round}: {', '.join(drawn.order)}", rig=drawn.rig, course=now)
        else:
            try:
                async for event in do_test(house, design, state, step):
                    yield event
            except Left:
                state.touched -= state.by_person  # nobody is there to set those back; the next sitting reads what is in force
                state.former_is_back = not state.touched
                async for event in _answer(house, design, state, now, "Stopped here; all finished tests are kept, and what a person sets stays as it was last set. Go on with the same command"):
                    yield event
                return


def _note(house: House, text: str, *, rig: str | None = None) -> CampaignProgress:
    return CampaignProgress(kind="note", at=house.clock.now(), text=text, rig=rig)


def _in_words(step: Step) -> str:
    if step.kind == "mount":
        return f"change to {step.rig}"
    if step.kind == "round":
        return f"round {step.round} on {step.rig}"
    return f"test {step.setup}"


async def _answer(house: House, design: Design, state: InForce, now: Course, why: str) -> AsyncGenerator[CampaignProgress, None]:
    for text in await _give_back(house, design, state):
        yield _note(house, text)
    found = verdict_of(house.declared, design, house.records.events(design.key))
    yield CampaignProgress(kind="answer", at=house.clock.now(), text=why, course=now, verdict=found)


async def _give_back(house: House, design: Design, state: InForce) -> list[str]:
    """Put the household's own setting back, once, on every gateway that was set to something else. Returns what went wrong, in sentences."""
    if state.former_is_back or not state.touched:
        return []
    done = {rig: await restore_former(house, design.key, house.declared.rig(rig)) for rig in sorted(state.touched)}
    failed = {rig: one.text for rig, one in done.items() if one is not None and not one.ok}
    state.touched = set(failed)
    state.tuning, state.former_is_back = None, not failed
    return list(failed.values())


async def _tried(house: House, ask: Callable[[], Awaitable[_T]], *, tries: int = TRIES) -> _T:
    """Ask a gateway, again after a pause where it is out of reach. Raises its last GatewayError."""
    for left in reversed(range(tries)):
        try:
            return await ask()
        except GatewayError:
            if not left:
                raise
            await house.clock.sleep(PAUSE_S)
    raise AssertionError("unreachable")


async def _lacks(house: House, rig: str, *, wait: bool) -> tuple[str, ...]:
    """Return what the gateway of a rig lacks for a connection; what cannot be asked is not held against it."""
    try:
        return await lacking(house, house.declared.rig(rig), wait=wait)
    except GatewayError as error:
        return (f"whether the connection lacks anything could not be asked ({error})",)


def _is_risky(house: House, state: InForce) -> bool:
    return state.tuning is not None and house.declared.tuning(state.tuning).is_risky


async def _take_stock(house: House, design: Design, state: InForce, rig_key: str) -> AsyncGenerator[CampaignProgress, None]:
    """Read which tuning is in force before anything goes on, and keep the settings from before the campaign."""
    rig = house.declared.rig(rig_key)
    state.rig = rig_key
    gateway = house.gateway(rig.gateway)
    new = not any(isinstance(e, Tested) for e in house.records.events(design.key))  # one that never answered is not away for a moment: it is told at once
    abilities = await _tried(house, gateway.abilities, tries=1 if new else TRIES)
    former = await _tried(house, lambda: keep_former(house, design.key, rig))
    if abilities.by_person or not abilities.can_tune:
        return
    seen = await _tried(house, gateway.settings)
    _, reading = await _tried(house, lambda: look(house, gateway))
    matching = [t.key for t in house.declared.tunings if (not t.gateways or rig.gateway in t.gateways) and house.shown(t, seen, reading)[0] and t.mode == (seen.mode or t.mode)]
    text = f"{rig.gateway} is set to {seen.mode or 'a mode it does not say'}" + (f", bands {', '.join(seen.bands)}" if seen.bands else "") + (f" (as {matching[0]})" if matching else "")
    if former is not None and (former.mode, former.bands, former.cell) != (seen.mode, seen.bands, seen.cell):
        text += "; it differs from what it was before the campaign, which will be put back at the end"
        state.touched.add(rig_key)
    yield _note(house, text, rig=rig_key)
    for lack in await _lacks(house, rig_key, wait=True):
        yield _note(house, f"{rig_key}: {lack}", rig=rig_key)


async def _mount(house: House, design: Design, state: InForce, step: Step) -> RigMounted | None:
    rig = house.declared.rig(step.rig or "")
    if any(rig.key in group and state.rig in group for group in design.rigs_at_once):
        return await _stand_by(house, design, state, step, rig)
    climbs = rig.antenna.height_m is not None and rig.antenna.height_m > 2.0
    text = f"Change to {rig.label or rig.key}" + (f" at {rig.place}" if rig.place else "") + f" (about {step.minutes:.0f} minutes)."
    if rig.antenna.azimuth_deg is not None:
        text += f" Heading {rig.antenna.azimuth_deg:.0f}° true."
    answer = await house.the_person().ask(Question(kind="mount", text=text, cautions=_CLIMB if climbs else (), rig=rig.key))
    if answer.strip().lower() in {"skip", "stop"}:
        return None
    return await _stand_by(house, design, state, step, rig)


async def _stand_by(house: House, design: Design, state: InForce, step: Step, rig: Rig) -> RigMounted:
    """Record that a rig is in place, and keep what its gateway is set to. Rigs that stand side by side need nobody for this."""
    event = RigMounted(at=house.clock.now(), rig=rig.key, visit=step.visit or 0, person_minutes=step.minutes)
    house.records.add_event(design.key, event)
    state.rig, state.tuning, state.former_is_back = rig.key, None, False
    with suppress(GatewayError):  # where it does not answer yet, the settings are kept before the first of them is changed
        await _tried(house, lambda: keep_former(house, design.key, rig))
    return event

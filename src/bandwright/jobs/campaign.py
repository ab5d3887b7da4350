"""Run a campaign: ask the fold what is next, do it, keep it, ask again. A restart is the same function over the same records.

Nothing but the records holds a campaign's state. A measurement is on disk before the event that counts it; one that was kept and
not yet counted when a process died is counted at the next start, so no finished test is lost or repeated. Before anything goes
on after a start, the tuning in force is read.
"""

from __future__ import annotations

import asyncio
from collections.abc import AsyncGenerator
from contextlib import aclosing, suppress
from dataclasses import dataclass, field, replace
from datetime import datetime

from bandwright.errors import GatewayError, GatewayRefused, UsageError
from bandwright.jobs.deciding import course_of, verdict_of
from bandwright.jobs.house import House, Left
from bandwright.jobs.known import with_predictions
from bandwright.jobs.tuning import Applied, apply, keep_former, look, reading_facts, restore_former, service_seen
from bandwright.needs.fulfilment import score
from bandwright.ports import ProbeEvent, Question
from bandwright.words.campaign import USUAL_MEGABYTES, Course, Design, NotShown, RigMounted, RoundDrawn, Step, Tested
from bandwright.words.measurement import Measurement, MeasurementPlan, Outcome, Phase, Size
from bandwright.words.progress import CampaignProgress
from bandwright.words.radio import Capture, Reading
from bandwright.words.rig import Rig, Tuning

__all__ = ["design_of", "latest_design", "make_design", "run", "tested_from"]

_LONG_WAIT_S = 600.0  # longer waits give the household its former setting back
_RISKY_WAIT_S = 60.0  # a pinned cell or a single band is not left in force while nobody measures
_TRIES = 3  # how often a gateway may be out of reach in a row before the run ends
_PAUSE_S = 10.0  # before a setting that did not take, or a gateway out of reach, is tried again
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
        megabytes_per_test=_cost_mb(house, first, measuring),
        warmup_s=float(declared.settings["warmup_s"]),
        in_use=plan.in_use,
        mounted=plan.mounted,
        rigs_at_once=plan.rigs_at_once,
        change_minutes=changes,
        by_hand=plan.by_hand,
        label=declared.site.name,
    )


def _cost_mb(house: House, rig: str, measuring: MeasurementPlan) -> float:
    """Return what a test takes, or the design's usual figure where nothing to measure against is declared yet."""
    try:
        return house.probe(rig).cost_megabytes(measuring)
    except UsageError:
        return USUAL_MEGABYTES


def tested_from(design: Design, house: House, measurement: Measurement, *, round_: int, visit: int) -> Tested:
    """Return the event that counts a kept measurement in a campaign."""
    local = measurement.at.astimezone(house.zone)
    found = score(design.needs, measurement, weekday=local.weekday(), minute=local.hour * 60 + local.minute + local.second / 60)
    return Tested(
        at=measurement.at,
        test=measurement.key,
        round=round_,
        setup=measurement.setup_asked or "",
        visit=visit,
        score=found.value,
        outcome=measurement.outcome.value if found.value is not None else "void",
        met=tuple((r.need, r.met) for r in found.results if r.met is not None),
        margins=tuple((r.need, r.margin) for r in found.results if r.margin is not None),
        seen=measurement.setup_seen,
        moved=measurement.moved,
        ramping=measurement.ramping,
        phase=measurement.phase.value if measurement.phase else None,
        reason=measurement.reason,
        megabytes=measurement.megabytes,
        seconds=measurement.seconds,
    )


@dataclass(slots=True)
class _InForce:
    """What this process has proven so far: which rig is mounted, which tuning is in force. Lost with the process, read again at start."""

    rig: str | None = None
    tuning: str | None = None
    former_is_back: bool = False
    touched: set[str] = field(default_factory=set)  # rigs whose gateway was set to something else than the household's own
    out_of_reach: int = 0


async def run(house: House, *, campaign: str | None = None, fresh: bool = False) -> AsyncGenerator[CampaignProgress, None]:
    """Run a campaign to its verdict, from wherever it stands; the last event is the answer.

    campaign: key of a design that is there; None goes on with the latest unfinished one, or starts one. fresh: always starts one.
    By hand, a wait longer than ten minutes ends the sitting: the same call goes on later.
    Raises UsageError, GatewayError, StoreError. Closing the stream puts the former setting back.
    """
    with house.run_lock():
        design = _take_up(house, campaign, fresh=fresh)
        _count_orphans(house, design)
        async with aclosing(_guarded(house, design)) as events:
            async for event in events:
                yield event


async def _guarded(house: House, design: Design) -> AsyncGenerator[CampaignProgress, None]:
    state = _InForce()
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


async def _steps(house: House, design: Design, state: _InForce) -> AsyncGenerator[CampaignProgress, None]:
    while True:
        now = course_of(design, house.records.events(design.key))
        step = now.next
        if state.rig is None and now.mounted is not None:
            async for event in _take_stock(house, design, state, now.mounted):
                yield event
        if step.kind == "finish":
            yield await _answer(house, design, state, now, step.why)
            return
        if step.not_before is not None and (wait_s := (step.not_before - house.clock.now()).total_seconds()) > 0:
            if wait_s > (_RISKY_WAIT_S if _is_risky(house, state) else _LONG_WAIT_S):
                await _give_back(house, design, state)
            until = step.not_before.astimezone(house.zone)
            yield CampaignProgress(kind="waiting", at=house.clock.now(), text=f"Next: {_in_words(step)}, {until:%a %d %b %H:%M}", until=step.not_before, rig=step.rig, setup=step.setup, course=now)
            if design.by_hand and wait_s > _LONG_WAIT_S:
                yield await _answer(house, design, state, now, f"This sitting is over; go on at {until:%a %d %b %H:%M} with the same command")
                return
            await house.clock.sleep(wait_s)
        if step.kind == "mount":
            mounted = await _mount(house, design, state, step)
            if mounted is None:
                yield await _answer(house, design, state, now, "The rig was not changed; go on with the same command when somebody can change it")
                return
            yield CampaignProgress(kind="mounted", at=mounted.at, text=f"{step.rig} is in place", rig=step.rig)
        elif step.kind == "round":
            drawn = RoundDrawn(at=house.clock.now(), round=step.round or 0, rig=step.rig or "", visit=step.visit or 0, order=step.order, bracket=step.bracket)
            house.records.add_event(design.key, drawn)
            yield CampaignProgress(kind="round", at=drawn.at, text=f"Round {drawn.round}: {', '.join(drawn.order)}", rig=drawn.rig, course=now)
        else:
            try:
                async for event in _test(house, design, state, step):
                    yield event
            except Left:
                state.former_is_back = True  # nobody is there to set it back; the next sitting reads what is in force
                yield await _answer(house, design, state, now, "Stopped here; all finished tests are kept, and the gateway stays as it was last set. Go on with the same command")
                return


class _Left(Exception):
    """The person leaves the sitting."""


def _in_words(step: Step) -> str:
    if step.kind == "mount":
        return f"change to {step.rig}"
    if step.kind == "round":
        return f"round {step.round} on {step.rig}"
    return f"test {step.setup}"


async def _answer(house: House, design: Design, state: _InForce, now: Course, why: str) -> CampaignProgress:
    await _give_back(house, design, state)
    found = verdict_of(house.declared, design, house.records.events(design.key))
    return CampaignProgress(kind="answer", at=house.clock.now(), text=why, course=now, verdict=found)


async def _give_back(house: House, design: Design, state: _InForce) -> None:
    """Put the household's own setting back, once, on every gateway that was set to something else."""
    if state.former_is_back or not state.touched:
        return
    for rig in sorted(state.touched):
        await restore_former(house, design.key, house.declared.rig(rig))
    state.touched.clear()
    state.tuning, state.former_is_back = None, True


def _is_risky(house: House, state: _InForce) -> bool:
    return state.tuning is not None and house.declared.tuning(state.tuning).is_risky


async def _take_stock(house: House, design: Design, state: _InForce, rig_key: str) -> AsyncGenerator[CampaignProgress, None]:
    """Read which tuning is in force before anything goes on, and keep the settings from before the campaign."""
    rig = house.declared.rig(rig_key)
    state.rig = rig_key
    gateway = house.gateway(rig.gateway)
    abilities = await gateway.abilities()
    if abilities.by_person or not abilities.can_tune:
        await keep_former(house, design.key, rig)
        return
    former = await keep_former(house, design.key, rig)
    seen = await gateway.settings()
    _, reading = await look(house, gateway)
    matching = [t.key for t in house.declared.tunings if (not t.gateways or rig.gateway in t.gateways) and house.shown(t, seen, reading)[0] and t.mode == (seen.mode or t.mode)]
    text = f"{rig.gateway} is set to {seen.mode or 'a mode it does not say'}" + (f", bands {', '.join(seen.bands)}" if seen.bands else "") + (f" (as {matching[0]})" if matching else "")
    if former is not None and (former.mode, former.bands, former.cell) != (seen.mode, seen.bands, seen.cell):
        text += "; it differs from what it was before the campaign, which will be put back at the end"
    yield CampaignProgress(kind="note", at=house.clock.now(), text=text, rig=rig_key)


async def _mount(house: House, design: Design, state: _InForce, step: Step) -> RigMounted | None:
    rig = house.declared.rig(step.rig or "")
    await _give_back(house, design, state)
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


async def _stand_by(house: House, design: Design, state: _InForce, step: Step, rig: Rig) -> RigMounted:
    """Record that a rig is in place, and keep what its gateway is set to. Rigs that stand side by side need nobody for this."""
    event = RigMounted(at=house.clock.now(), rig=rig.key, visit=step.visit or 0, person_minutes=step.minutes)
    house.records.add_event(design.key, event)
    state.rig, state.tuning, state.former_is_back = rig.key, None, False
    await keep_former(house, design.key, rig)
    return event


async def _test(house: House, design: Design, state: _InForce, step: Step) -> AsyncGenerator[CampaignProgress, None]:
    setup = house.declared.setup(step.setup or "")
    rig, tuning = house.declared.rig(setup.rig), house.declared.tuning(setup.tuning)
    if state.rig != rig.key:
        state.rig, state.tuning = rig.key, None
    former = await keep_former(house, design.key, rig)
    gateway = house.gateway(rig.gateway)
    abilities = await gateway.abilities()
    in_force = state.tuning == tuning.key and not state.former_is_back
    yield CampaignProgress(kind="applying", at=house.clock.now(), text=f"{setup.key}: asking for it", setup=setup.key)
    state.former_is_back = False
    try:
        applied = await apply(house, rig, tuning, abilities, in_force=in_force, former=former)
    except GatewayRefused as error:
        applied = Applied(ok=False, why=str(error))
    except GatewayError as error:
        state.tuning, state.out_of_reach = None, state.out_of_reach + 1
        if state.out_of_reach > _TRIES:
            raise
        yield CampaignProgress(kind="note", at=house.clock.now(), text=f"{setup.key}: {error}; trying again", setup=setup.key)
        await house.clock.sleep(_PAUSE_S)
        return
    state.out_of_reach = 0
    if not applied.ok:
        house.records.add_event(design.key, NotShown(at=house.clock.now(), setup=setup.key, why=applied.why, round=step.round))
        state.tuning = None
        yield CampaignProgress(kind="note", at=house.clock.now(), text=f"{setup.key}: not applied: {applied.why}", setup=setup.key)
        await house.clock.sleep(_PAUSE_S)
        return
    changed, state.tuning = not in_force, tuning.key
    state.touched.add(rig.key)
    probe = house.probe(rig.key)
    plan = MeasurementPlan(size=Size(str(house.declared.settings["measurement_size"])), interface=house.declared.gateway(rig.gateway).interface, setup=setup.key)
    if changed and step.warmup_s > 0:
        yield CampaignProgress(kind="warming up", at=house.clock.now(), text=f"{setup.key}: {step.warmup_s:.0f} s of load, not measured", setup=setup.key)
        await probe.load(step.warmup_s, plan=plan)
    yield CampaignProgress(kind="measuring", at=house.clock.now(), text=f"{setup.key}: measuring", setup=setup.key)
    measurement = await _measure(house, design, step, setup.key, tuning, rig, plan, applied)
    house.records.add_measurement(measurement)
    tested = tested_from(design, house, measurement, round_=step.round or 0, visit=step.visit or 0)
    house.records.add_event(design.key, tested)
    yield CampaignProgress(kind="tested", at=house.clock.now(), text=_result(tested), setup=setup.key, tested=tested, measurement=measurement)


async def _measure(house: House, design: Design, step: Step, setup: str, tuning: Tuning, rig: Rig, plan: MeasurementPlan, applied: Applied) -> Measurement:
    """Measure once, with readings under load where the gateway can be asked by itself."""
    gateway = house.gateway(rig.gateway)
    abilities = await gateway.abilities()
    seen: list[tuple[str, Capture, Reading | None]] = [("idle", applied.capture, applied.reading)] if applied.capture is not None else []

    async def listener(event: ProbeEvent) -> None:
        if event.kind == "phase" and event.phase in {Phase.DOWNLINK, Phase.UPLINK} and not abilities.by_person:
            moment = "load_down" if event.phase == Phase.DOWNLINK else "load_up"
            with suppress(GatewayError):
                capture, reading = await look(house, gateway, moment=moment)
                seen.append((moment, capture, reading))

    measurement = await house.probe(rig.key).measure(plan, listener=listener)
    loaded = [r for moment, _, r in seen if moment != "idle" and r is not None]
    if measurement.outcome is Outcome.OK:
        service_seen(house, tuning)
    moved = measurement.moved
    seen_setup = measurement.setup_seen
    if loaded and not abilities.by_person:
        settings = await gateway.settings()
        held = all(house.shown(tuning, settings, r)[0] for r in loaded)
        moved = moved or not held
        seen_setup = setup if held and not measurement.moved else (measurement.setup_seen or _which(house, rig, loaded[-1], setup))
    counts = [len(r.serving()) for r in loaded]
    ramping = measurement.ramping or (len(counts) > 1 and counts[-1] > counts[0])
    facts = (*measurement.facts, *reading_facts(loaded[-1] if loaded else applied.reading), ("asked_mode", tuning.mode), ("campaign", design.key), ("round", step.round or 0), ("visit", step.visit or 0))
    captures = tuple((moment, capture.key) for moment, capture, _ in seen)
    return replace(measurement, setup_asked=setup, setup_seen=seen_setup, moved=moved, ramping=ramping, facts=facts, captures=captures)


def _which(house: House, rig: Rig, reading: Reading, asked: str) -> str | None:
    """Return the declared setup of this rig, other than the one asked for, that a reading shows; None where none fits."""
    from bandwright.words.radio import SettingsSeen

    for setup in house.declared.setups:
        if setup.rig == rig.key and setup.key != asked:
            tuning = house.declared.tuning(setup.tuning)
            if tuning.mode != "automatic" and house.shown(tuning, SettingsSeen(), reading)[0]:
                return setup.key
    return None


def _result(tested: Tested) -> str:
    if tested.outcome == "void":
        return f"{tested.setup}: void ({tested.reason or 'the far end failed'}); it is kept and repeated"
    if tested.outcome == "failed":
        return f"{tested.setup}: failed in the phase {tested.phase}: {tested.reason}; it counts as not met"
    missed = [need for need, met in tested.met if not met]
    return f"{tested.setup}: " + (f"did not serve {', '.join(missed)}" if missed else "served what was needed")



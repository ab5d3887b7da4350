"""One test of a campaign: put its setup in force, warm the link up, measure with readings under load, keep it. And count it.

Whatever the gateway does wrong meanwhile, the measurement that was made is kept: what could not be read is said among its facts, and a
pinned cell or single band that no longer carries is taken back at once.
"""

from __future__ import annotations

from collections.abc import AsyncGenerator
from contextlib import suppress
from dataclasses import dataclass, field, replace

from bandwright.errors import GatewayError
from bandwright.jobs.house import House
from bandwright.jobs.tuning import Applied, apply, keep_former, look, reading_facts, restore_former, served, service_seen
from bandwright.jobs.warmup import warm_up
from bandwright.needs.fulfilment import score
from bandwright.ports import Gateway, GatewayAbilities, ProbeEvent
from bandwright.words.campaign import Design, NotShown, Step, Tested
from bandwright.words.measurement import Measurement, MeasurementPlan, Outcome, Phase, Size
from bandwright.words.progress import CampaignProgress
from bandwright.words.radio import Capture, Reading, SettingsSeen
from bandwright.words.rig import Rig, Setup, Tuning

__all__ = ["PAUSE_S", "TRIES", "InForce", "do_test", "tested_from"]

TRIES = 3  # how often a gateway may be out of reach in a row before the run ends
PAUSE_S = 10.0  # before a setting that did not take, or a gateway out of reach, is tried again


@dataclass(slots=True)
class InForce:
    """What this process has proven so far: which rig is mounted, which tuning is in force. Lost with the process, read again at start."""

    rig: str | None = None
    tuning: str | None = None
    former_is_back: bool = False
    touched: set[str] = field(default_factory=set)  # rigs whose gateway was set to something else than the household's own
    by_person: set[str] = field(default_factory=set)  # those of them that only a person can set back
    out_of_reach: int = 0
    cells: dict[str, set[str]] = field(default_factory=dict)  # per rig: the cells its readings under load showed


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
class _Seen:
    """What was read round one measurement, and what could not be."""

    captures: list[tuple[str, Capture]]
    loaded: list[Reading] = field(default_factory=list)
    faults: list[str] = field(default_factory=list)


async def do_test(house: House, design: Design, state: InForce, step: Step) -> AsyncGenerator[CampaignProgress, None]:
    """Do one test step. A gateway out of reach is tried again by the next step; after some tries its GatewayError is raised."""
    setup = house.declared.setup(step.setup or "")
    rig, tuning = house.declared.rig(setup.rig), house.declared.tuning(setup.tuning)
    if state.rig != rig.key:
        state.rig, state.tuning = rig.key, None
    in_force = state.tuning == tuning.key and not state.former_is_back
    yield CampaignProgress(kind="applying", at=house.clock.now(), text=f"{setup.key}: asking for it", setup=setup.key)
    try:
        former = await keep_former(house, design.key, rig)
        abilities = await house.gateway(rig.gateway).abilities()
        state.former_is_back = False
        if abilities.can_tune:
            state.touched.add(rig.key)  # before anything is asked for: half of a setting may take effect
        if abilities.by_person:
            state.by_person.add(rig.key)
        applied = await apply(house, rig, tuning, abilities, in_force=in_force, former=former)
    except GatewayError as error:
        state.tuning, state.out_of_reach = None, state.out_of_reach + 1
        if state.out_of_reach > TRIES:
            raise
        yield CampaignProgress(kind="note", at=house.clock.now(), text=f"{setup.key}: {error}; trying again", setup=setup.key)
        await house.clock.sleep(PAUSE_S * 2 ** (state.out_of_reach - 1))  # a modem that restarts itself is away for up to a minute
        return
    state.out_of_reach = 0
    if not applied.ok:
        house.records.add_event(design.key, NotShown(at=house.clock.now(), setup=setup.key, why=applied.why, round=step.round))
        state.tuning = None
        yield CampaignProgress(kind="note", at=house.clock.now(), text=f"{setup.key}: not applied: {applied.why}", setup=setup.key)
        await house.clock.sleep(PAUSE_S)
        return
    state.tuning = tuning.key
    plan = MeasurementPlan(size=Size(str(house.declared.settings["measurement_size"])), setup=setup.key)
    if not in_force and step.warmup_s > 0:
        yield CampaignProgress(kind="warming up", at=house.clock.now(), text=f"{setup.key}: {step.warmup_s:.0f} s of load, not measured", setup=setup.key)
        warm = await warm_up(house, rig, tuning, abilities, seconds=step.warmup_s, plan=plan)
        if warm.told:
            yield CampaignProgress(kind="note", at=house.clock.now(), text=f"{setup.key}: {warm.told}", setup=setup.key)
    yield CampaignProgress(kind="measuring", at=house.clock.now(), text=f"{setup.key}: measuring", setup=setup.key)
    measurement, seen = await _measure(house, setup, plan, applied, abilities)
    count = (("campaign", design.key), ("round", step.round or 0), ("visit", step.visit or 0))
    measurement = replace(measurement, facts=(*measurement.facts, *count))
    house.records.add_measurement(measurement)
    tested = replace(tested_from(design, house, measurement, round_=step.round or 0, visit=step.visit or 0), load_megabytes=house.take_loaded_mb())
    house.records.add_event(design.key, tested)
    yield CampaignProgress(kind="tested", at=house.clock.now(), text=_result(tested), setup=setup.key, tested=tested, measurement=measurement)
    for said in (*_not_read(setup, seen), *_shared_cell(design, state, rig, seen)):
        yield CampaignProgress(kind="note", at=house.clock.now(), text=said, setup=setup.key)
    if tuning.is_risky and measurement.outcome is Outcome.FAILED and (text := await _lift_faded(house, design, state, rig, tuning)):
        yield CampaignProgress(kind="note", at=house.clock.now(), text=f"{setup.key}: {text}", setup=setup.key)


async def _measure(house: House, setup: Setup, plan: MeasurementPlan, applied: Applied, abilities: GatewayAbilities) -> tuple[Measurement, _Seen]:
    """Measure once, with readings under load where the gateway can be asked by itself."""
    rig, tuning = house.declared.rig(setup.rig), house.declared.tuning(setup.tuning)
    gateway = house.gateway(rig.gateway)
    seen = _Seen([("idle", applied.capture)] if applied.capture is not None else [])

    async def listener(event: ProbeEvent) -> None:
        if event.kind == "phase" and event.phase in {Phase.DOWNLINK, Phase.UPLINK} and not abilities.by_person:
            moment = "load_down" if event.phase == Phase.DOWNLINK else "load_up"
            try:
                capture, reading = await look(house, gateway, moment=moment)
            except GatewayError as error:
                seen.faults.append(str(error))
                return
            seen.captures.append((moment, capture))
            seen.faults += [f"{done.sent}: {done.fault}" for done in capture.exchanges if not done.complete and done.fault]
            if reading is not None:
                seen.loaded.append(reading)
                if served(reading):
                    service_seen(house, tuning)

    measurement = await house.probe(rig.key).measure(plan, listener=listener)
    if measurement.outcome is Outcome.OK:
        service_seen(house, tuning)
    moved, seen_setup = measurement.moved, measurement.setup_seen
    if seen.loaded and not abilities.by_person:
        settings = await _settings(gateway, seen)
        held = all(house.shown(tuning, settings, r)[0] for r in seen.loaded)
        moved = moved or not held
        seen_setup = setup.key if held and not measurement.moved else (measurement.setup_seen or _which(house, rig, seen.loaded[-1], setup.key))
    counts = [len(r.serving()) for r in seen.loaded]
    ramping = measurement.ramping or (len(counts) > 1 and counts[-1] > counts[0])
    facts = [*measurement.facts, *reading_facts(seen.loaded[-1] if seen.loaded else applied.reading), ("asked_mode", tuning.mode)]
    if seen.faults:
        facts.append(("gateway_fault", "; ".join(dict.fromkeys(seen.faults))))
    captures = tuple((moment, capture.key) for moment, capture in seen.captures)
    return replace(measurement, setup_asked=setup.key, setup_seen=seen_setup, moved=moved, ramping=ramping, facts=tuple(facts), captures=captures), seen


async def _settings(gateway: Gateway, seen: _Seen) -> SettingsSeen:
    """Read the settings back after a measurement. What cannot be read back then is noted, and the readings under load decide alone."""
    try:
        return await gateway.settings()
    except GatewayError as error:
        seen.faults.append(str(error))
        return SettingsSeen()


def _not_read(setup: Setup, seen: _Seen) -> list[str]:
    return [f"{setup.key}: the test is kept; not all could be read from the gateway meanwhile ({seen.faults[0]})"] if seen.faults else []


def _shared_cell(design: Design, state: InForce, rig: Rig, seen: _Seen) -> list[str]:
    """Say once of rigs that stand side by side that they hang on the same cell: what one takes, the other lacks."""
    mine = state.cells.setdefault(rig.key, set())
    fresh = {cell for reading in seen.loaded for cell in _cells(reading)} - mine
    mine |= fresh
    beside = [other for group in design.rigs_at_once if rig.key in group for other in group if other != rig.key]
    shared = [(other, cell) for other in beside for cell in sorted(fresh & state.cells.get(other, set()))]
    return [f"{rig.key} and {other} use the same cell ({cell}) and share what it has; no test runs over the other meanwhile: keep it idle" for other, cell in shared]


def _cells(reading: Reading) -> set[str]:
    numbers = [(c.rat.value.upper(), c.number("arfcn"), c.number("pci")) for c in reading.serving()]
    return {f"{rat} channel {channel:.0f}, identity {pci:.0f}" for rat, channel, pci in numbers if channel is not None and pci is not None}


async def _lift_faded(house: House, design: Design, state: InForce, rig: Rig, tuning: Tuning) -> str | None:
    """Take a pinned cell or single band back where a test failed and a reading after it shows no service by it. Returns what was done."""
    with suppress(GatewayError):
        _, reading = await look(house, house.gateway(rig.gateway), moment="after")
        if served(reading) and house.shown(tuning, SettingsSeen(), reading)[0]:
            return None
    what = "the pinned cell" if tuning.cell else f"{', '.join(tuning.bands)} alone"
    done = await restore_former(house, design.key, rig)
    state.tuning = None
    return None if done is None else f"{what} does not carry any more and is taken back: {done.text}"


def _which(house: House, rig: Rig, reading: Reading, asked: str) -> str | None:
    """Return the declared setup of this rig, other than the one asked for, that a reading shows; None where none fits."""
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

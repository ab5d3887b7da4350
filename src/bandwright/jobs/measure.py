"""One measurement, now, with a reading before it and under load where a gateway can be asked; and what it suggests."""

from __future__ import annotations

from collections.abc import Awaitable, Callable
from contextlib import suppress
from dataclasses import dataclass, replace

from bandwright.errors import GatewayError, UsageError
from bandwright.jobs.house import House
from bandwright.jobs.tuning import look, reading_facts
from bandwright.needs.fulfilment import Score, score
from bandwright.ports import ProbeEvent
from bandwright.words.measurement import Measurement, MeasurementPlan, Phase
from bandwright.words.radio import Reading

__all__ = ["MeasureAnswer", "measure"]


@dataclass(frozen=True, slots=True, kw_only=True)
class MeasureAnswer:
    """A kept measurement and which needs it met. cost_mb: what was stated before it began."""

    measurement: Measurement
    score: Score
    cost_mb: float


async def measure(house: House, *, plan: MeasurementPlan, rig: str | None = None, listener: Callable[[ProbeEvent], Awaitable[None]] | None = None) -> MeasureAnswer:
    """Measure once and keep it. rig: through which rig; None is the mounted one, or the first declared.

    Raises UsageError where nothing to measure against is declared.
    """
    key = rig or house.declared.campaign.mounted or (house.declared.rigs[0].key if house.declared.rigs else "")
    if house.declared.rigs and key not in {r.key for r in house.declared.rigs}:
        raise UsageError("that rig is not declared", given=key, allowed=", ".join(r.key for r in house.declared.rigs))
    probe = house.probe(key)
    captures: list[tuple[str, str]] = []
    loaded: Reading | None = None
    gateway = house.gateway(house.declared.rig(key).gateway) if house.declared.rigs else None
    by_itself, fault = False, ""
    if gateway is not None:
        try:
            by_itself = not (await gateway.abilities()).by_person
        except GatewayError as error:  # the path can be measured all the same
            fault = str(error)

    async def hear(event: ProbeEvent) -> None:
        nonlocal loaded
        if listener is not None:
            await listener(event)
        moments = {Phase.IDLE.value: "idle", Phase.DOWNLINK.value: "load_down", Phase.UPLINK.value: "load_up"}
        if by_itself and gateway is not None and event.kind == "phase" and event.phase in moments:
            with suppress(GatewayError):
                capture, reading = await look(house, gateway, moment=moments[event.phase])
                loaded = reading if event.phase != Phase.IDLE else loaded
                captures.append((moments[event.phase], capture.key))

    found = await probe.measure(plan, listener=hear)
    found = replace(found, setup_asked=plan.setup or found.setup_asked, facts=(*found.facts, *reading_facts(loaded), *((("gateway_fault", fault),) if fault else ())), captures=tuple(captures))
    house.records.add_measurement(found)
    local = found.at.astimezone(house.zone)
    return MeasureAnswer(measurement=found, score=score(house.declared.needs, found, weekday=local.weekday(), minute=local.hour * 60 + local.minute), cost_mb=probe.cost_megabytes(plan))

"""Load before a test, not measured: until carriers stop being added, as readings under load show.

A gateway that was just set to another tuning carries less at first: the network adds carriers when it sees load, one after another over some
seconds. The wanted time of load is given in two parts with a reading in each; where the second shows more carriers than the first, more
parts follow, up to a limit.
"""

from __future__ import annotations

from dataclasses import dataclass

from bandwright.errors import GatewayError
from bandwright.jobs.house import House
from bandwright.jobs.tuning import look_under_load, served, service_seen
from bandwright.ports import GatewayAbilities
from bandwright.words.measurement import MeasurementPlan
from bandwright.words.rig import Rig, Tuning

__all__ = ["LONGEST_S", "Warmed", "warm_up"]

LONGEST_S = 45.0  # as long as a trial ever warms up (trials.ledger); more load costs more data than it is worth
_LEAST_PART_S = 2.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Warmed:
    """How long the link was loaded, how many carriers the last reading showed (None where it could not be read), and what is worth saying."""

    seconds: float
    carriers: int | None = None
    told: str = ""


async def warm_up(house: House, rig: Rig, tuning: Tuning, abilities: GatewayAbilities, *, seconds: float, plan: MeasurementPlan) -> Warmed:
    """Load for at least `seconds`, and on until no carrier is added any more. A gateway that a person reads is loaded for `seconds`."""
    if abilities.by_person:
        await house.probe(rig.key).load(seconds, plan=plan)
        return Warmed(seconds=seconds)
    gateway = house.gateway(rig.gateway)
    longest_s, part_s = max(LONGEST_S, seconds), max(seconds / 2.0, _LEAST_PART_S)
    loaded_s, before = 0.0, None
    while True:
        try:
            _, reading = await look_under_load(house, rig, gateway, seconds=part_s, plan=plan)
        except GatewayError as error:
            await house.probe(rig.key).load(max(0.0, seconds - loaded_s), plan=plan)
            return Warmed(seconds=max(seconds, loaded_s), told=f"whether carriers were still being added could not be read ({error})")
        loaded_s += part_s
        if served(reading):
            service_seen(house, tuning)
        now = len(reading.serving()) if reading is not None else None
        settled = before is not None and now is not None and now <= before
        if loaded_s >= seconds and (settled or now is None):
            extra = f"carriers were still being added, so the load went on for {loaded_s:.0f} s" if loaded_s > seconds + 0.5 else ""
            return Warmed(seconds=loaded_s, carriers=now, told=extra)
        if loaded_s + part_s > longest_s + 0.5:
            return Warmed(seconds=loaded_s, carriers=now, told=f"carriers were still being added after {loaded_s:.0f} s of load")
        before = now

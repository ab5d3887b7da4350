"""What readings have already told of the declared rigs: the carriers each saw, and from them a predicted score of every setup."""

from __future__ import annotations

from dataclasses import replace

from bandwright.jobs.house import House
from bandwright.jobs.predict import side_of
from bandwright.predict.carriers import ActiveCarrier, active_carriers
from bandwright.predict.setups import KnownRig, predict_scores
from bandwright.readings.parse import parse
from bandwright.words.radio import Capture
from bandwright.words.rig import Setup

__all__ = ["carriers_seen", "with_predictions"]


def with_predictions(house: House) -> tuple[Setup, ...]:
    """Return the declared setups with the scores that physics predicts, where any reading of the site is kept; the others as they are."""
    declared = house.declared
    carriers = carriers_seen(house)
    if not any(carriers.values()):
        return declared.setups
    rigs = {r.key: KnownRig(side=side_of(r), carriers=tuple(carriers.get(r.key, {}).values())) for r in declared.rigs}
    scores = predict_scores(declared.setups, needs=declared.needs, tunings={t.key: t for t in declared.tunings}, rigs=rigs, seed=declared.campaign.seed)
    return tuple(replace(s, predicted_score=scores.get(s.key)) for s in declared.setups)


def carriers_seen(house: House) -> dict[str, dict[str, ActiveCarrier]]:
    """Return the carriers that readings showed, by rig and by band or channel, the latest reading of each."""
    setups = {s.key: s.rig for s in house.declared.setups}
    found: dict[str, dict[str, ActiveCarrier]] = {}
    tested = [(setups.get(m.setup_asked or ""), house.records.capture(key)) for m in house.records.measurements(limit=100) for _, key in m.captures]
    by_gateway: dict[str, list[str]] = {}
    for rig in house.declared.rigs:
        by_gateway.setdefault(rig.gateway, []).append(rig.key)
    mounted = house.declared.campaign.mounted
    for capture in house.records.captures(limit=40):
        rigs = by_gateway.get(capture.gateway or "", [])
        tested.append((rigs[0] if len(rigs) == 1 else (mounted if mounted in rigs else None), capture))
    for rig_key, kept in tested:
        if rig_key is not None and kept is not None and "aim" not in dict(kept.meta):
            _add(found.setdefault(rig_key, {}), kept)
    return found


def _add(carriers: dict[str, ActiveCarrier], capture: Capture) -> None:
    for reading in parse(capture):
        for carrier in active_carriers(reading):
            if carrier.sinr_db is not None and carrier.blocks is not None:
                carriers[f"{carrier.rat.value} {carrier.band or carrier.frequency_mhz}"] = carrier

"""Which tunings are worth trying here: from what the modem can do and what was read, less what prediction rules out; a person accepts.

All subsets of bands are too many to try, so each proposed tuning answers one question: is standalone better, is NR worth having, which band does
harm, which anchor is best. Prediction leaves out only what another tuning is foreseen to beat clearly; the trial's own rule drops the rest
as its data come in. What was never read well enough to foresee anything is not left out for it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from bandwright.errors import GatewayError, UsageError
from bandwright.gateways.candidates import excludes, heard, propose
from bandwright.jobs.house import House
from bandwright.jobs.known import carriers_seen
from bandwright.jobs.predict import side_of
from bandwright.jobs.tuning import look, look_under_load
from bandwright.ports import GatewayAbilities
from bandwright.predict.setups import KnownRig, setup_forecasts
from bandwright.readings.parse import parse
from bandwright.words.answers import Forecast
from bandwright.words.declared import Declared
from bandwright.words.radio import Reading
from bandwright.words.rig import Rig, Setup, Tuning

__all__ = ["Candidate", "ProposeAnswer", "accept", "propose_tunings"]

_MOST = 12
_LOAD_S = 5.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Candidate:
    """One tuning. asks: the question it answers. excludes: modes and bands it takes away. foreseen: rates, () where nothing is known.

    why: why it is left out; "" where it is proposed.
    """

    tuning: Tuning
    asks: str
    excludes: tuple[str, ...] = ()
    foreseen: tuple[Forecast, ...] = ()
    why: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class ProposeAnswer:
    """What is worth trying on one gateway. heard: band and its strongest RSRP in dBm. setups: how many setups the site would have with all of them."""

    gateway: str
    heard: tuple[tuple[str, float], ...]
    proposed: tuple[Candidate, ...]
    left_out: tuple[Candidate, ...]
    notes: tuple[str, ...] = ()
    setups: int = 0


async def propose_tunings(house: House, *, gateway: str | None = None, load: bool = False, most: int = _MOST) -> ProposeAnswer:
    """Return the tunings worth trying on a gateway that can be tuned.

    gateway: its key; None is the only one that can be tuned. load: load the line for some seconds first, so that bands used under load show.
    Raises UsageError where there is none or several, GatewayError where it cannot be asked.
    """
    key, abilities = await _which(house, gateway)
    rigs = [rig for rig in house.declared.rigs if rig.gateway == key]
    if not rigs:
        raise UsageError("no rig uses that gateway", given=key, todo="Declare one in a [[rig]] section of site.toml")
    rig = next((r for r in rigs if r.key == house.declared.campaign.mounted), rigs[0])
    if load:
        await look_under_load(house, rig, house.gateway(key), seconds=_LOAD_S)
    else:
        await look(house, house.gateway(key))
    readings = [reading for capture in house.records.captures(limit=400) if capture.gateway == key for reading in parse(capture)]
    found = propose(abilities, readings, most=10_000)
    foreseen = _foreseen(house, rig, found)
    proposed, left_out = _parted([_candidate(t, abilities, foreseen, house.declared) for t in found], most=most)
    before = len([s for s in house.declared.setups if house.declared.rig(s.rig).gateway != key])
    mine = {t.key for t in house.declared.tunings if (not t.gateways or key in t.gateways) and t.label != "as it is"} | {c.tuning.key for c in proposed}
    strength = heard(readings)
    return ProposeAnswer(
        gateway=key,
        heard=tuple(sorted(strength.items(), key=lambda item: -item[1])),
        proposed=proposed,
        left_out=left_out,
        notes=_notes(readings, strength, abilities),
        setups=before + len(rigs) * len(mine),
    )


def accept(house: House, answer: ProposeAnswer, keys: Sequence[str]) -> Declared:
    """Write the chosen tunings into `site.toml`, and return what it declares now. Raises UsageError for a key that was not proposed."""
    from bandwright.workspace.adding import add_tunings

    by_key = {c.tuning.key: c for c in answer.proposed}
    unknown = [k for k in keys if k not in by_key]
    if unknown:
        raise UsageError("tuning", given=", ".join(unknown), allowed=", ".join(by_key) or "none is proposed")
    chosen = [by_key[k] for k in dict.fromkeys(keys)]
    why = [c.asks + (f"; takes away {', '.join(c.excludes)}" if c.excludes else "") for c in chosen]
    return add_tunings(house.folder, [replace(c.tuning, label="", gateways=(answer.gateway,)) for c in chosen], why=why)


async def _which(house: House, gateway: str | None) -> tuple[str, GatewayAbilities]:
    keys = [g.key for g in house.declared.gateways]
    if gateway is not None and gateway not in keys:
        raise UsageError("gateway", given=gateway, allowed=", ".join(keys))
    able: dict[str, GatewayAbilities] = {}
    faults: list[GatewayError] = []
    for key in [gateway] if gateway is not None else keys:
        try:
            able[key] = await house.gateway(key).abilities()
        except GatewayError as error:
            faults.append(error)
    tunable = [key for key, abilities in able.items() if abilities.can_tune and not abilities.by_person]
    if not tunable and faults:
        raise faults[0]
    if len(tunable) != 1:
        what = "no declared gateway can be tuned from here" if not tunable else "several gateways can be tuned"
        raise UsageError(what, allowed=", ".join(tunable) or None, todo="Name one with --gateway" if tunable else "Tunings of a gateway that a person sets are declared by hand in site.toml")
    return tunable[0], able[tunable[0]]


def _foreseen(house: House, rig: Rig, tunings: Sequence[Tuning]) -> dict[str, tuple[Forecast, ...]]:
    """Return what physics foresees of each tuning on the rig, from the carriers that readings showed on it."""
    seen = carriers_seen(house).get(rig.key, {})
    if not seen:
        return {}
    known = {rig.key: KnownRig(side=side_of(rig), carriers=tuple(seen.values()))}
    setups = [Setup(key=t.key, rig=rig.key, tuning=t.key) for t in tunings]
    return setup_forecasts(setups, tunings={t.key: t for t in tunings}, rigs=known, seed=house.declared.campaign.seed)


def _candidate(tuning: Tuning, abilities: GatewayAbilities, foreseen: dict[str, tuple[Forecast, ...]], declared: Declared) -> Candidate:
    asks = tuning.label.partition("; excludes ")[0]
    same = [t.key for t in declared.tunings if (t.mode, set(t.bands), t.cell) == (tuning.mode, set(tuning.bands), tuning.cell) and t.label != "as it is"]
    why = f"declared already, as {same[0]}" if same else ""
    key, number, taken = tuning.key, 2, {t.key for t in declared.tunings}
    while key in taken and not same:
        key, number = f"{tuning.key} {number}", number + 1
    return Candidate(tuning=replace(tuning, key=key), asks=asks, excludes=excludes(tuning, abilities), foreseen=foreseen.get(tuning.key, ()), why=why)


def _parted(candidates: Sequence[Candidate], *, most: int) -> tuple[tuple[Candidate, ...], tuple[Candidate, ...]]:
    """Part candidates into those to propose and those left out, each with its reason. A whole mode is never left out by prediction: it is the question itself."""
    judged = [c if c.why or not c.tuning.bands else replace(c, why=_beaten(c, candidates)) for c in candidates]
    proposed = [c for c in judged if not c.why]
    beyond = [replace(c, why=f"beyond the {most} most telling; declare it by hand if you want it") for c in proposed[most:]]
    return tuple(proposed[:most]), (*(c for c in judged if c.why), *beyond)


def _beaten(candidate: Candidate, others: Sequence[Candidate]) -> str:
    """Return by which other tuning this one is foreseen to be beaten clearly, or "": its likely downlink lies below the other's, its uplink is no better."""
    mine = {row.quantity: row for row in candidate.foreseen}
    down, up = mine.get("goodput_down_mbps"), mine.get("goodput_up_mbps")
    if down is None:
        return ""
    for other in others:
        theirs = {row.quantity: row for row in other.foreseen}
        their_down, their_up = theirs.get("goodput_down_mbps"), theirs.get("goodput_up_mbps")
        no_better_up = up is None or (their_up is not None and up.median <= their_up.median)
        if their_down is not None and down.high < their_down.low and no_better_up:
            return f"foreseen to carry {down.low:.0f} to {down.high:.0f} Mbit/s down where {other.tuning.key} carries {their_down.low:.0f} to {their_down.high:.0f}"
    return ""


def _notes(readings: Sequence[Reading], strength: dict[str, float], abilities: GatewayAbilities) -> tuple[str, ...]:
    notes = []
    if not strength:
        notes.append("No band was heard yet, so only whole modes are proposed. Take some readings first, best under load.")
    elif not any(len(r.serving()) > 1 for r in readings):
        notes.append("No reading shows more than one carrier: bands that are added under load were not seen. Ask again with --load.")
    if not abilities.bands:
        notes.append("The gateway does not say which bands it has; declare them (bands = ...) to be proposed subsets of them.")
    unheard = [band for band in abilities.bands if band not in strength]
    if strength and unheard:
        notes.append(f"Never heard here, so in no list of few bands: {', '.join(unheard)}.")
    return tuple(notes)

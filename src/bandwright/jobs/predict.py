"""Would it help? From a present reading and the declared rigs (and a few usual changes) to what each would bring, before anyone buys or climbs."""

from __future__ import annotations

import re
import statistics
from collections.abc import Sequence
from dataclasses import dataclass, replace

from bandwright.advice.nextsteps import Measured, NextSteps, Proposal, would_it_help
from bandwright.antenna.feeders import fit_feeder
from bandwright.antenna.patterns import Parabola
from bandwright.errors import UsageError
from bandwright.jobs.house import House
from bandwright.predict.carriers import active_carriers
from bandwright.predict.change import Side, side_of_rig
from bandwright.readings.parse import parse
from bandwright.words.declared import Declared
from bandwright.words.measurement import Method, Outcome
from bandwright.words.radio import Reading
from bandwright.words.rig import Rig

__all__ = ["PredictAnswer", "predict", "side_of"]

_INDOORS = re.compile(r"(?i)\b(sill|window|shelf|indoors?|inside|room|desk|cupboard|loft|attic|hall)\b")
_THIN_CABLE = ((800.0, 0.21), (1800.0, 0.35), (3500.0, 0.53))  # dB a metre of a 5 mm cable: common practice, no source


@dataclass(frozen=True, slots=True, kw_only=True)
class PredictAnswer:
    """What could be tried instead of `now` (a rig's key, or "as read"), ranked; and the reading it speaks of."""

    declared: Declared
    now: str
    reading: Reading
    steps: NextSteps


def predict(house: House, *, text: str | None = None, rig: str | None = None, seed: int = 0) -> PredictAnswer:
    """Return whether other rigs, or usual changes, would help against the present one.

    text: a pasted reading; None takes the latest kept one that shows carriers. rig: the rig in place; None is the mounted or first declared.
    Raises UsageError where no reading shows a carrier in use, or the rig is not declared.
    """
    declared = house.declared
    reading = _pasted(text) if text is not None else _latest(house)
    rigs = {r.key: r for r in declared.rigs}
    key = rig or declared.campaign.mounted or next(iter(rigs), None)
    if rig is not None and rig not in rigs:
        raise UsageError("that rig is not declared", given=rig, allowed=", ".join(rigs))
    now = side_of(rigs[key]) if key is not None else replace(Side(), building="traditional", spread_deg=60.0, built_in=True)
    proposals = [_of_rig(r, declared) for r in declared.rigs if r.key != key] or []
    proposals += _usual(now, taken={p.key for p in proposals})
    steps = would_it_help(
        active_carriers(reading),
        now=now,
        proposals=proposals,
        needs=declared.needs,
        measured=_measured(house, key),
        plan_limits_mbps=_limits(declared, rigs.get(key or "")),
        seed=seed,
    )
    return PredictAnswer(declared=declared, now=key or "as read", reading=reading, steps=steps)


def _pasted(text: str) -> Reading:
    found = [r for r in parse(text) if r.serving()]
    if not found:
        raise UsageError("nothing in that text shows a carrier in use", todo="Paste what the gateway shows of its serving cells, best under load")
    return found[-1]


def _latest(house: House) -> Reading:
    kept = [(c.moment or "", r) for c in house.records.captures(limit=60) for r in parse(c) if r.serving()]
    loaded = [r for moment, r in kept if moment.startswith("load")]
    if loaded or kept:
        return loaded[-1] if loaded else kept[-1][1]
    raise UsageError("there is no reading yet", todo="Take one with `bandwright reading`, or paste one: `bandwright predict --paste`")


def side_of(rig: Rig) -> Side:
    """Return a declared rig as the radio sees it; what its place is called says whether it is indoors."""
    indoors = rig.antenna.kind == "built-in" and bool(_INDOORS.search(rig.place or "indoors"))
    return side_of_rig(rig, building="traditional" if indoors else None)


def _of_rig(rig: Rig, declared: Declared) -> Proposal:
    prices = [p for p in (rig.antenna.price, rig.price, declared.gateway(rig.gateway).price) if p]
    numbers = [float(m[1]) for p in prices if (m := re.search(r"(\d+(?:\.\d+)?)", p))]
    outside = rig.antenna.kind != "built-in"
    return Proposal(key=rig.key, label=rig.label or rig.key, side=side_of(rig), place="wall" if outside else "indoors", price=sum(numbers) or None, minutes=rig.change_minutes)


def _usual(now: Side, *, taken: set[str]) -> Sequence[Proposal]:
    """A few changes that people of the trade try, where they differ from what is there (common practice, no source, for gains and cables)."""
    panel = Parabola(gain_dbi=9.0, beamwidth_deg=60.0)
    out: list[Proposal] = []
    if now.building is not None:
        out.append(Proposal(key="outside", label="the same gateway outside the wall, by hand", side=replace(now, building=None, through=None, spread_deg=20.0), place="window", minutes=15))
    out += [
        Proposal(
            key="panel, 8 m of thin cable",
            label="a panel antenna of 9 dBi outside, with 8 m of thin cable",
            side=Side(pattern=panel, feeder=fit_feeder(_THIN_CABLE), feeder_m=8.0, connectors=2, height_m=now.height_m),
            place="wall",
            minutes=120,
        ),
        Proposal(key="panel, gateway beside it", label="the same panel with the gateway beside it, no feeder", side=Side(pattern=panel, connectors=1, height_m=now.height_m), place="wall", minutes=150),
    ]
    return [p for p in out if p.key not in taken]


def _measured(house: House, rig: str | None) -> Measured | None:
    setups = {s.key for s in house.declared.setups if s.rig == rig}
    kept = [m for m in house.records.measurements(limit=400) if m.outcome is Outcome.OK and m.method is not Method.ENTERED and (m.setup_asked in setups or not setups)]
    downs = [x for m in kept if (x := m.number("goodput_down_mbps")) is not None]
    ups = [x for m in kept if (x := m.number("goodput_up_mbps")) is not None]
    if not downs and not ups:
        return None
    return Measured(down_mbps=statistics.median(downs) if downs else None, up_mbps=statistics.median(ups) if ups else None, tests=len(kept))


def _limits(declared: Declared, rig: Rig | None) -> tuple[float | None, float | None]:
    line = next((x for x in declared.lines if rig is not None and x.key == rig.line), None)
    return (None, None) if line is None else (line.rate_down_mbps, line.rate_up_mbps)

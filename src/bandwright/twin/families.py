"""Families of simulated sites, from easy to nasty, on which a way of deciding can be tried: one row each.

A family draws, from a seed, a site, its setups with a predicted score each, the needs with their hours, and what a campaign may use. It
is defined by what places are like, not by what any analysis of them assumes: the levels of setups are drawn from spreads seen between
places and interventions (traces, see `twin.plan`), the needs are set so that the answer matters, and each family exaggerates one
difficulty of real trials. Nothing here knows how a campaign is designed, scored or judged. Spreads without a source are assumed.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime

import numpy as np

from bandwright.errors import UsageError
from bandwright.twin.model import busyness
from bandwright.twin.noise import key_of
from bandwright.twin.plan import CALM, MIDDLE, NSA_REGIMES, WILD, CarrierPlan, Layers, RigPlan, ServingSet, SetupPlan, SitePlan
from bandwright.words.campaign import Allowance
from bandwright.words.radio import Rat, Role
from bandwright.words.rig import Setup, setup_key
from bandwright.words.site import Requirements

__all__ = ["FAMILIES", "Case", "CaseNeed", "Family", "family"]

_START = datetime(2026, 3, 2, tzinfo=UTC)  # a Monday
_OFFICE, _EVENING, _DAY = "Mon-Fri 09:00-17:00", "Mon-Sun 18:00-23:00", "Mon-Sun 08:00-22:00"
_HOURS = {_OFFICE: range(9, 17), _EVENING: range(18, 23), _DAY: range(8, 22)}
_PREDICTION_SD = 0.35  # a prediction is off by a factor of 1.4
_LTE_WIDTHS_MHZ = (20.0, 10.0, 15.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class CaseNeed:
    """One need of a case, as a user would declare it."""

    key: str
    requirements: Requirements
    hours: str
    weight: float = 1.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Case:
    """One site to decide about: its plan, what is compared, for what, and what a campaign may use. mounted: the rig in place at the start."""

    family: str
    seed: int
    plan: SitePlan
    setups: tuple[Setup, ...]
    needs: tuple[CaseNeed, ...]
    allowance: Allowance
    start: datetime
    timezone: str
    mounted: str
    megabytes_per_test: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Family:
    """One row: key, what is difficult about it, and how a case of it is drawn."""

    key: str
    label: str
    make: Callable[[_Drawer], _Drawn]

    def case(self, seed: int) -> Case:
        """Return the case of a seed; the same seed gives the same case."""
        drawer = _Drawer(np.random.default_rng(key_of("family", self.key, seed)))
        drawn = self.make(drawer)
        predicted = drawer.predicted(drawn)
        plan = SitePlan(key=f"{self.key} {seed}", setups=drawn.setups, rigs=drawn.rigs, layers=drawn.layers)
        setups = tuple(Setup(key=s.key, rig=s.rig, tuning=s.key.split("/", 1)[1], predicted_score=p) for s, p in zip(drawn.setups, predicted, strict=True))
        usual = max((s.down_mbps + s.up_mbps) for s in drawn.setups)
        return Case(
            family=self.key, seed=seed, plan=plan, setups=setups, needs=drawn.needs, allowance=drawn.allowance, start=_START, timezone="UTC",
            mounted=drawn.rigs[0].key, megabytes_per_test=round(0.35 * usual, 1),
        )  # fmt: skip


@dataclass(slots=True, kw_only=True)
class _Drawn:
    setups: tuple[SetupPlan, ...]
    rigs: tuple[RigPlan, ...]
    layers: Layers
    needs: tuple[CaseNeed, ...]
    allowance: Allowance
    prediction_sd: float = _PREDICTION_SD
    prediction_slope: float = 1.0


class _Drawer:
    """Draws what families are made of."""

    def __init__(self, rng: np.random.Generator) -> None:
        self.rng = rng

    def between(self, low: float, high: float) -> float:
        """Return a number drawn evenly."""
        return float(self.rng.uniform(low, high))

    def layers(self, base: Layers, *, spread: float = 0.4) -> Layers:
        """Return layers whose sizes vary from place to place: run-to-run sd is lognormal with sigma .4 over places [7]."""
        size = math.exp(spread * float(self.rng.standard_normal()))
        seconds = math.exp(0.25 * float(self.rng.standard_normal()))
        return replace(
            base, test_down=base.test_down * size, test_up=base.test_up * size, within_down=base.within_down * seconds, within_up=base.within_up * seconds,
            drift=base.drift * size, common_share=self.between(0.3, 0.7), slow_share=float(np.clip(base.slow_share + self.between(-0.2, 0.2), 0.1, 0.95)),
        )  # fmt: skip

    def setups(self, rigs: int, tunings: int, *, tuning_sd: float = 0.28, rig_sd: float = 0.22, own_sd: float = 0.12) -> list[SetupPlan]:
        """Return setups whose levels are products of rig, tuning and both; an intervention moved places by .38 in ln, 10-90 % .16 to 1.07 [7]."""
        down, up = 60.0 * math.exp(0.5 * float(self.rng.standard_normal())), 14.0 * math.exp(0.4 * float(self.rng.standard_normal()))
        delay_ms = self.between(20.0, 45.0)
        by_tuning, by_rig = self._pairs(tunings, tuning_sd), self._pairs(rigs, rig_sd)
        load = self.between(0.15, 0.45)
        out: list[SetupPlan] = []
        for r in range(rigs):
            own = self._pairs(tunings, own_sd)
            for t in range(tunings):
                ln_down, ln_up = by_tuning[t] + by_rig[r] + own[t]
                out.append(
                    SetupPlan(
                        key=setup_key(f"rig{r + 1}", f"t{t + 1:02d}"), rig=f"rig{r + 1}", down_mbps=down * math.exp(ln_down), up_mbps=up * math.exp(ln_up),
                        delay_idle_ms=delay_ms * self.between(0.85, 1.2), buffer_down_kilobytes=self.between(300, 900), buffer_up_kilobytes=self.between(80, 250),
                        loss_ratio=self.between(0.0005, 0.003), load_down=load * self.between(0.8, 1.2), load_up=1.3 * load * self.between(0.8, 1.2),
                        hour_ln=(0.05 * float(self.rng.standard_normal()), self.between(0, 24)), failed_share=self.between(0.002, 0.015),
                    )
                )  # fmt: skip
        return out

    def _pairs(self, n: int, sd: float) -> list[np.ndarray]:
        """Return n pairs of ln down and ln up: correlation .5 between them."""
        z = self.rng.standard_normal((n, 2))
        return [sd * np.array((a, 0.5 * a + math.sqrt(0.75) * b)) for a, b in z]

    def aggregating(self, setups: Sequence[SetupPlan]) -> list[SetupPlan]:
        """Return the setups with one to three carriers each, of which the network adds more or fewer."""
        out: list[SetupPlan] = []
        for setup in setups:
            count = int(self.rng.integers(1, 4))
            carriers = tuple(
                CarrierPlan(rat=Rat.LTE, role=Role.PCELL if i == 0 else Role.SCELL, band=("B3", "B20", "B1")[i], arfcn=(1300, 6300, 300)[i], pci=100 + i,
                            bandwidth_mhz=_LTE_WIDTHS_MHZ[i], rsrp_dbm=-98.0 - 2 * i, sinr_db=9.0 - i, up=i == 0)
                for i in range(count)
            )  # fmt: skip
            sets = tuple(ServingSet(self.between(0.2, 1.0) * (3.0 if i == count - 1 else 1.0), tuple(range(i + 1))) for i in range(count))
            out.append(replace(setup, carriers=carriers, serving=sets if count > 1 else (), warmup_scale=1.0 if count > 1 else 0.0))
        return out

    def needs(self, setups: Sequence[SetupPlan], *, hours: str | None = None, margin: tuple[float, float] = (-0.1, 0.6)) -> tuple[CaseNeed, ...]:
        """Return one or two needs at which the best setup's typical margin lies within `margin`: neither hopeless nor idle."""
        chosen = hours or str(self.rng.choice([_OFFICE, _OFFICE, _EVENING, _DAY]))
        room = self.between(*margin)
        kind = int(self.rng.integers(3))
        best_up = max(_typical(s, chosen)[1] for s in setups)
        best_down = max(_typical(s, chosen)[0] for s in setups)
        up, down = best_up * math.exp(-room), best_down * math.exp(-room)
        if kind == 0:
            asked = Requirements(uplink_mbps=up, loaded_delay_ms=300.0, loss_ratio=0.02)
        elif kind == 1:
            asked = Requirements(downlink_mbps=down, loss_ratio=0.02)
        else:
            asked = Requirements(downlink_mbps=0.7 * down, uplink_mbps=0.8 * up, loaded_delay_ms=300.0, loss_ratio=0.02)
        first = CaseNeed(key="main", requirements=asked, hours=chosen, weight=3.0)
        if self.rng.random() < 0.5:
            return (first,)
        second = Requirements(downlink_mbps=0.5 * down, loss_ratio=0.02)
        return first, CaseNeed(key="other", requirements=second, hours=str(self.rng.choice([_EVENING, _DAY])))

    def predicted(self, drawn: _Drawn) -> list[float]:
        """Return a predicted score for each setup: its typical margin for the needs, off by the prediction's error."""
        typical = np.array([_margin(s, drawn.needs) for s in drawn.setups])
        about = drawn.prediction_slope * (typical - typical.mean()) + typical.mean()
        return [float(x) for x in np.clip(about + drawn.prediction_sd * self.rng.standard_normal(len(typical)), -1.0, 1.0)]


def _typical(setup: SetupPlan, hours: str) -> tuple[float, float]:
    """Return typical rates down and up within some hours: the level under the mean load, and the regimes' mean."""
    busy = float(busyness(np.array(_HOURS[hours]) + 0.5 - setup.hour_shift_h).mean())
    down, up = setup.down_mbps * (1.0 - setup.load_down * busy), setup.up_mbps * (1.0 - setup.load_up * busy)
    if setup.regimes is not None:
        shares = np.array(setup.regimes.shares)
        down *= float(shares @ np.exp(setup.regimes.down_ln))
        up *= float(shares @ np.exp(setup.regimes.up_ln))
    return down, up


def _margin(setup: SetupPlan, needs: Sequence[CaseNeed]) -> float:
    """Return how far a setup typically is above what the needs ask, in ln, by weight; a formula of its own, without the tests' scatter."""
    total = 0.0
    for need in needs:
        down, up = _typical(setup, need.hours)
        asked, rooms = need.requirements, [1.0]
        if asked.downlink_mbps is not None:
            rooms.append(math.log(down / asked.downlink_mbps))
        if asked.uplink_mbps is not None:
            rooms.append(math.log(up / asked.uplink_mbps))
        if asked.loaded_delay_ms is not None:
            queue_ms = max(8.0 * setup.buffer_up_kilobytes / up, 8.0 * setup.buffer_down_kilobytes / down)
            rooms.append(math.log(asked.loaded_delay_ms / (setup.delay_idle_ms + queue_ms)))
        total += need.weight * max(-1.0, min(rooms))
    return total / sum(n.weight for n in needs)


def _drawn(
    drawer: _Drawer,
    setups: Sequence[SetupPlan],
    layers: Layers,
    *,
    rigs: Sequence[RigPlan] = (RigPlan(key="rig1"),),
    needs: tuple[CaseNeed, ...] | None = None,
    allowance: Allowance | None = None,
    prediction_slope: float = 1.0,
) -> _Drawn:
    return _Drawn(
        setups=tuple(setups), rigs=tuple(rigs), layers=layers, needs=needs or drawer.needs(setups), allowance=allowance or Allowance(), prediction_slope=prediction_slope
    )  # fmt: skip


def _calm(d: _Drawer) -> _Drawn:
    return _drawn(d, d.setups(1, int(d.rng.integers(3, 6))), d.layers(CALM, spread=0.25))


def _middle(d: _Drawer) -> _Drawn:
    return _drawn(d, d.aggregating(d.setups(1, int(d.rng.integers(3, 7)))), d.layers(MIDDLE))


def _wild(d: _Drawer) -> _Drawn:
    setups = [replace(s, regimes=NSA_REGIMES, down_mbps=2.3 * s.down_mbps, up_mbps=1.5 * s.up_mbps) if d.rng.random() < 0.7 else s for s in d.setups(1, int(d.rng.integers(3, 6)))]
    return _drawn(d, setups, replace(d.layers(WILD, spread=0.25), drift=0.08))


def _many(d: _Drawer) -> _Drawn:
    return _drawn(d, d.setups(1, int(d.rng.integers(12, 19)), tuning_sd=0.35), d.layers(MIDDLE))


def _two_rigs(d: _Drawer) -> _Drawn:
    rigs = [RigPlan(key=f"rig{i + 1}", mount_sd=d.between(0.03, 0.10)) for i in range(2)]
    return _drawn(d, d.setups(2, int(d.rng.integers(2, 5))), d.layers(MIDDLE), rigs=rigs)


def _bad_mountings(d: _Drawer) -> _Drawn:
    rigs = [RigPlan(key=f"rig{i + 1}", mount_sd=d.between(0.08, 0.22), bad_mount_share=0.08, bad_mount_ln=0.5) for i in range(3)]
    return _drawn(d, d.setups(3, int(d.rng.integers(1, 4)), rig_sd=0.3), d.layers(MIDDLE), rigs=rigs)


def _ties(d: _Drawer) -> _Drawn:
    first = d.setups(1, 1)[0]
    near = d.between(0.0, 0.08)
    setups = [
        replace(first, key=f"rig1/t{i + 1:02d}", down_mbps=first.down_mbps * math.exp(ln), up_mbps=first.up_mbps * math.exp(ln))
        for i, ln in enumerate((0.0, 0.0, -near, *(-d.between(0.2, 0.6) for _ in range(int(d.rng.integers(0, 3))))))
    ]
    return _drawn(d, [setups[i] for i in d.rng.permutation(len(setups))], d.layers(MIDDLE))


def _reversals(d: _Drawer) -> _Drawn:
    setups = [
        replace(s, hour_ln=(d.between(0.2, 0.45), 9.0 if i % 2 else 20.0), load_down=d.between(0.5, 0.8) if i % 2 else d.between(0.05, 0.2), down_mbps=s.down_mbps * (1.5 if i % 2 else 1.0))
        for i, s in enumerate(d.setups(1, int(d.rng.integers(3, 6)), tuning_sd=0.18))
    ]
    return _drawn(d, setups, d.layers(MIDDLE), needs=d.needs(setups, hours=_DAY))


def _moved(d: _Drawer) -> _Drawn:
    setups = d.setups(1, int(d.rng.integers(3, 6)))
    keys = [s.key for s in setups]
    setups = [
        replace(s, moved_share=d.between(0.15, 0.5), moved_to=tuple(k for k in keys if k != s.key)[: int(d.rng.integers(1, 3))]) if d.rng.random() < 0.6 else s for s in setups
    ]
    return _drawn(d, setups, d.layers(MIDDLE))


def _heavy(d: _Drawer) -> _Drawn:
    setups = [replace(s, failed_share=float(d.rng.choice([0.005, 0.03, 0.08, 0.15])), failed_burst_min=d.between(10, 60)) for s in d.setups(1, int(d.rng.integers(3, 6)))]
    return _drawn(d, setups, replace(d.layers(MIDDLE), dip_share=d.between(0.05, 0.15), dip_ln=d.between(0.5, 1.0)))


def _drifting(d: _Drawer) -> _Drawn:
    return _drawn(d, d.setups(1, int(d.rng.integers(3, 6))), replace(d.layers(MIDDLE), drift=d.between(0.18, 0.32)))


def _slow_carriers(d: _Drawer) -> _Drawn:
    setups = [replace(s, warmup_scale=d.between(3.0, 6.0) if d.rng.random() < 0.6 else 1.0, bare_ln=-d.between(0.5, 1.0)) for s in d.setups(1, int(d.rng.integers(3, 6)))]
    return _drawn(d, setups, d.layers(MIDDLE))


def _misleading(d: _Drawer) -> _Drawn:
    return _drawn(d, d.setups(1, int(d.rng.integers(4, 7))), d.layers(MIDDLE), prediction_slope=-1.0)


def _small_allowance(d: _Drawer) -> _Drawn:
    rigs = int(d.rng.integers(1, 3))
    allowance = Allowance(data_gb=d.between(2.0, 5.0), days=d.between(2.0, 4.0), rig_changes=2)
    return _drawn(d, d.setups(rigs, int(d.rng.integers(2, 5))), d.layers(MIDDLE), rigs=[RigPlan(key=f"rig{i + 1}") for i in range(rigs)], allowance=allowance)


def _two_networks(d: _Drawer) -> _Drawn:
    setups = [replace(s, cell=s.rig, hour_shift_h=d.between(-2.0, 2.0)) for s in d.setups(2, int(d.rng.integers(1, 4)), rig_sd=0.35)]
    return _drawn(d, setups, replace(d.layers(MIDDLE), common_share=0.7), rigs=[RigPlan(key=f"rig{i + 1}", mount_sd=0.04) for i in range(2)])


FAMILIES: tuple[Family, ...] = (
    Family(key="calm", label="calm, one rig", make=_calm),
    Family(key="middle", label="middling, carriers added and dropped", make=_middle),
    Family(key="wild", label="NR leg that comes and goes", make=_wild),
    Family(key="many tunings", label="12 to 18 tunings", make=_many),
    Family(key="two rigs", label="two rigs", make=_two_rigs),
    Family(key="bad mountings", label="three rigs whose mountings do not repeat", make=_bad_mountings),
    Family(key="ties", label="ties and near ties", make=_ties),
    Family(key="reversals", label="best setup changes with the hour", make=_reversals),
    Family(key="moved", label="the network moves the device", make=_moved),
    Family(key="heavy tails", label="dips and failures in bursts", make=_heavy),
    Family(key="drifting", label="setups drift against each other by day", make=_drifting),
    Family(key="slow carriers", label="carriers added slowly", make=_slow_carriers),
    Family(key="misleading", label="predictions that mislead", make=_misleading),
    Family(key="small allowance", label="2 to 4 days, 2 to 5 GB", make=_small_allowance),
    Family(key="two networks", label="two networks, each with its own busy hours", make=_two_networks),
)


def family(key: str) -> Family:
    """Return the row of that key. Raises UsageError."""
    found = next((f for f in FAMILIES if f.key == key), None)
    if found is None:
        raise UsageError("family", given=key, allowed=", ".join(f.key for f in FAMILIES))
    return found

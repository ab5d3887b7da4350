"""Months at a simulated place, with at most one lasting change in them: what light tests and readings would find.

The place is one setup of a family, with carriers to read. A change is a second plan of the same place that takes over at a time;
the noise is the same on both sides, because it is hashed from the time asked for. How a change shows in the readings is drawn from
spreads wider than any analysis assumes. Coefficients: ln rate .062 a dB of signal, exponent .56 of bandwidth (sources in `twin.plan`);
first hops, restarts and their spreads are assumed.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta

import numpy as np

from bandwright.errors import UsageError
from bandwright.twin.families import family
from bandwright.twin.noise import key_of
from bandwright.twin.plan import CarrierPlan, ServingSet, SetupPlan, SitePlan
from bandwright.twin.plan import Shift as PlanShift
from bandwright.twin.site import CarrierShown, SimulatedSite
from bandwright.words.radio import Rat, Role

__all__ = ["CHANGES", "ChangeRow", "HourSeen", "Months", "TestSeen", "months"]

_START = datetime(2026, 3, 2, tzinfo=UTC)
_DB_PER_LN = 1.0 / 0.062
_STALLED_BELOW_MBPS = 0.05


@dataclass(frozen=True, slots=True, kw_only=True)
class TestSeen:
    """What one light test found. outage: there was no service. stalled: it failed while there was."""

    at: datetime
    down_mbps: float
    up_mbps: float
    loaded_delay_ms: float
    loss_ratio: float
    stalled: bool
    outage: bool
    cell: str | None
    nr_share: float | None  # of the readings under its load
    bandwidth_mhz: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class HourSeen:
    """Means of one hour's readings, at rest. Added carriers show under load only, so their width is a test's to tell."""

    at: datetime
    rsrp_dbm: float
    sinr_db: float
    rsrq_db: float
    first_hop_ms: float
    cell: str


@dataclass(frozen=True, slots=True, kw_only=True)
class ChangeRow:
    """One kind of change: how it alters a place, given a size in ln and a source of chance. event: what the gateway itself would tell.

    visible: readings or events hold the cause.
    """

    key: str
    cause: str
    alter: Callable[[SetupPlan, float, np.random.Generator], SetupPlan]
    event: str | None = None
    visible: bool = True
    rates_ln: tuple[float, float] = (1.0, 1.0)  # parts of the size that the rates lose, down and up
    first_hop_ln: float = 0.0
    worse: bool = True
    lasts_days: float | None = None  # the rates come back after so long; None: it stays


def _same(setup: SetupPlan, _size: float, _rng: np.random.Generator) -> SetupPlan:
    return setup


def _carriers(setup: SetupPlan, alter: Callable[[CarrierPlan], CarrierPlan]) -> SetupPlan:
    return replace(setup, carriers=tuple(alter(c) for c in setup.carriers))


def _other_cell(setup: SetupPlan, size: float, rng: np.random.Generator) -> SetupPlan:
    weaker, pci = float(rng.normal(size * _DB_PER_LN * 0.3, 3.0)), int(rng.integers(200, 500))
    return _carriers(setup, lambda c: replace(c, pci=pci, cell_id=c.cell_id + pci, rsrp_dbm=c.rsrp_dbm - weaker, sinr_db=c.sinr_db - 0.5 * weaker))


def _carrier_lost(setup: SetupPlan, _size: float, _rng: np.random.Generator) -> SetupPlan:
    return replace(setup, carriers=setup.carriers[:1], serving=())


def _interference(setup: SetupPlan, size: float, rng: np.random.Generator) -> SetupPlan:
    lost = size * _DB_PER_LN * float(rng.uniform(0.6, 1.4))
    return _carriers(setup, lambda c: replace(c, sinr_db=c.sinr_db - lost))


def _obstruction(setup: SetupPlan, size: float, rng: np.random.Generator) -> SetupPlan:
    lost, share = size * _DB_PER_LN * float(rng.uniform(0.6, 1.4)), float(rng.uniform(0.5, 0.9))
    return _carriers(setup, lambda c: replace(c, rsrp_dbm=c.rsrp_dbm - lost, sinr_db=c.sinr_db - share * lost))


def _load(setup: SetupPlan, size: float, _rng: np.random.Generator) -> SetupPlan:
    return replace(setup, load_down=min(0.92, setup.load_down + 0.9 * size), load_up=min(0.92, setup.load_up + 0.9 * size))


def _obstruction_with_loss(setup: SetupPlan, size: float, rng: np.random.Generator) -> SetupPlan:
    hidden = _obstruction(setup, size, rng)
    return replace(hidden, loss_ratio=hidden.loss_ratio + 0.01, failed_share=hidden.failed_share + 0.02)


def _nr_gone(setup: SetupPlan, _size: float, _rng: np.random.Generator) -> SetupPlan:
    return replace(setup, carriers=tuple(c for c in setup.carriers if c.rat is not Rat.NR), serving=(), regimes=None)


CHANGES: tuple[ChangeRow, ...] = (
    ChangeRow(key="none", cause="none", alter=_same, rates_ln=(0.0, 0.0)),
    ChangeRow(key="rates", cause="not visible", alter=_same, visible=False),
    ChangeRow(key="up alone", cause="not visible", alter=_same, visible=False, rates_ln=(0.0, 1.0)),
    ChangeRow(key="loss", cause="not visible", alter=lambda s, size, _: replace(s, loss_ratio=s.loss_ratio + 0.02 * size, failed_share=s.failed_share + 0.02 * size), visible=False, rates_ln=(0.0, 0.0)),
    ChangeRow(key="passing", cause="not visible", alter=_same, visible=False, lasts_days=6.0),
    ChangeRow(key="both kinds", cause="obstruction", alter=_obstruction_with_loss),
    ChangeRow(key="cell", cause="cell change", alter=_other_cell),
    ChangeRow(key="carrier lost", cause="carrier lost", alter=_carrier_lost, rates_ln=(1.0, 0.5)),
    ChangeRow(key="interference", cause="interference", alter=_interference, rates_ln=(1.0, 0.5)),
    ChangeRow(key="obstruction", cause="obstruction", alter=_obstruction),
    ChangeRow(key="load", cause="load", alter=_load, rates_ln=(0.0, 0.0)),
    ChangeRow(key="throttle", cause="throttle", alter=_same, event="cap"),
    ChangeRow(key="first hop", cause="first hop", alter=_same, first_hop_ln=1.2),
    ChangeRow(key="firmware", cause="firmware", alter=_same, event="firmware"),
    ChangeRow(key="mode", cause="mode", alter=_nr_gone, rates_ln=(0.5, 0.5)),
)


class Months:
    """One place over months. event: (hour from the start, kind) of what the gateway itself would tell."""

    def __init__(self, plan: SitePlan, after: SitePlan, seed: int, *, setup: str, row: ChangeRow, at: datetime) -> None:
        self.setup, self.row, self.change_at = setup, row, at
        self._before, self._after = SimulatedSite(plan, seed), SimulatedSite(after, seed)
        self._seed = seed
        self.start = _START

    @property
    def event(self) -> tuple[datetime, str] | None:
        """What the gateway would tell at the change, if anything."""
        return None if self.row.event is None else (self.change_at, self.row.event)

    def _site(self, at: datetime) -> SimulatedSite:
        return self._after if at >= self.change_at else self._before

    def test(self, at: datetime) -> TestSeen:
        """Return what a light test at that time finds."""
        m = self._site(at).moment(self.setup, at, load_s=20.0)
        outage = m.registration.value != "home"
        carriers = m.carriers
        return TestSeen(
            at=at, down_mbps=m.down_mbps, up_mbps=m.up_mbps, loaded_delay_ms=max(m.delay_loaded_down_ms, m.delay_loaded_up_ms), loss_ratio=m.loss_ratio,
            stalled=(m.failed is not None and not outage) or m.down_mbps < _STALLED_BELOW_MBPS, outage=outage, cell=_cell(carriers[0]) if carriers else None,
            nr_share=float(any(c["rat"] == "nr" for c in carriers)) if carriers else None,
            bandwidth_mhz=sum(float(c["bandwidth_mhz"] or 0.0) for c in carriers) if carriers else None,
        )  # fmt: skip

    def hour(self, at: datetime, *, readings: int = 4) -> HourSeen | None:
        """Return the means of an hour's readings at rest that begins at `at`, or None without any service."""
        rows, cells = [], []
        for i in range(readings):
            when = at + timedelta(hours=(i + 0.5) / readings)
            shown = self._site(when).shown_at_rest(self.setup, when)
            if shown:
                first = shown[0]
                rows.append((first["rsrp_dbm"], first["sinr_db"], first["rsrq_db"]))
                cells.append(_cell(first))
        if not rows:
            return None
        rsrp, sinr, rsrq = np.mean(np.array(rows, dtype=float), axis=0)
        rng = np.random.default_rng(key_of(self._seed, "first hop", int(at.timestamp())))
        hop = 0.6 * math.exp(0.15 * float(rng.standard_normal()) + (self.row.first_hop_ln if at >= self.change_at else 0.0))
        return HourSeen(at=at, rsrp_dbm=float(rsrp), sinr_db=float(sinr), rsrq_db=float(rsrq), first_hop_ms=hop, cell=max(set(cells), key=cells.count))


def _cell(carrier: CarrierShown) -> str:
    return f"{carrier['arfcn']}/{carrier['pci']}"


def months(kind: str, seed: int, *, change: str = "none", size: float = 0.0, change_day: float = 37.0) -> Months:
    """Return months at a place of a family. change: a row of CHANGES; size: in ln, what the rates lose; change_day: after the start.

    Raises UsageError for a change that is not in the table.
    """
    row = next((r for r in CHANGES if r.key == change), None)
    if row is None:
        raise UsageError("change", given=change, allowed=", ".join(r.key for r in CHANGES))
    rng = np.random.default_rng(key_of("months", kind, change, seed))
    plan = family(kind).case(seed).plan
    setup = _with_carriers(plan.setups[0], kind, np.random.default_rng(key_of("carriers", kind, seed)))
    others = _second_cell(setup, kind, np.random.default_rng(key_of("cells", kind, seed)))
    before = replace(plan, setups=others)
    at = _START + timedelta(days=change_day)
    altered = tuple(row.alter(s, size, rng) for s in others)
    shift = PlanShift(at=at, down_ln=-size * row.rates_ln[0], up_ln=-size * row.rates_ln[1])
    shifts = [shift] if row.rates_ln != (0.0, 0.0) else []
    if row.lasts_days is not None:
        shifts.append(PlanShift(at=at + timedelta(days=row.lasts_days), down_ln=-shift.down_ln, up_ln=-shift.up_ln))
    after = replace(before, setups=altered, shifts=tuple(shifts))
    return Months(before, after, seed, setup=setup.key, row=row, at=at)


def _with_carriers(setup: SetupPlan, kind: str, rng: np.random.Generator) -> SetupPlan:
    if setup.carriers and len(setup.carriers) > 1:
        return setup
    rsrp, sinr = float(rng.uniform(-108, -90)), float(rng.uniform(4, 16))
    main = CarrierPlan(rat=Rat.LTE, role=Role.PCELL, band="B3", arfcn=1300, pci=101, bandwidth_mhz=20.0, rsrp_dbm=rsrp, sinr_db=sinr, up=True)
    if kind == "wild":
        second = CarrierPlan(rat=Rat.NR, role=Role.PSCELL, band="n78", arfcn=640000, pci=201, bandwidth_mhz=80.0, rsrp_dbm=rsrp - 3.0, sinr_db=sinr - 1.0, scs_khz=30, up=True)
        return replace(setup, carriers=(main, second), serving=(ServingSet(0.2, (0,)), ServingSet(0.8, (0, 1))))
    second = CarrierPlan(rat=Rat.LTE, role=Role.SCELL, band="B20", arfcn=6300, pci=102, bandwidth_mhz=10.0, rsrp_dbm=rsrp + 4.0, sinr_db=sinr)
    return replace(setup, carriers=(main, second), serving=())


def _second_cell(setup: SetupPlan, kind: str, rng: np.random.Generator) -> tuple[SetupPlan, ...]:
    """Return the setup, and at half of the places that are not calm another cell to which the network moves it now and then."""
    if kind == "calm" or rng.random() < 0.5:
        return (setup,)
    weaker = float(rng.normal(4.0, 4.0))
    ln = -float(rng.normal(0.15, 0.2))
    other = _carriers(replace(setup, key=f"{setup.key} other cell", down_mbps=setup.down_mbps * math.exp(ln), up_mbps=setup.up_mbps * math.exp(ln)), lambda c: replace(c, pci=c.pci + 50, rsrp_dbm=c.rsrp_dbm - weaker))
    return replace(setup, moved_share=float(rng.uniform(0.05, 0.35)), moved_to=(other.key,)), other

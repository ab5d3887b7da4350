"""What is known of a connection when it is diagnosed: one frozen value. Its readers are `case_json` and `case_words`.

Everything may be absent, and what is absent is None: it counts neither for nor against anything. Times are local, because hours
of the day matter.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime

__all__ = [
    "SYMPTOMS",
    "Asked",
    "Capability",
    "Case",
    "Compared",
    "FarEnd",
    "HistoryRow",
    "Month",
    "NearEnd",
    "Outage",
    "Plan",
    "SeenCarrier",
    "SeenReading",
    "SeenTest",
]

SYMPTOMS = ("down", "up", "delay", "delay_loaded", "loss", "drops", "cannot_connect")


@dataclass(frozen=True, slots=True, kw_only=True)
class SeenCarrier:
    """One carrier, neighbour or scanned cell. active: None where its state was not read. ports: RSRP per antenna port, dBm."""

    rat: str
    role: str
    band: str | None = None
    arfcn: int | None = None
    pci: int | None = None
    width_mhz: float | None = None
    scs_khz: int | None = None
    duplex: str | None = None
    rsrp_dbm: float | None = None
    rsrq_db: float | None = None
    sinr_db: float | None = None
    rank: int | None = None
    tx_power_dbm: float | None = None
    ports: tuple[float, ...] = ()
    active: bool | None = None
    cell_id: int | None = None

    @property
    def in_use(self) -> bool:
        """Whether it serves: neither neighbour nor scanned."""
        return self.role not in {"neighbour", "scan"}


@dataclass(frozen=True, slots=True, kw_only=True)
class SeenReading:
    """The radio state at one moment. state: "idle", "load_down", "load_up" or None where that was not said."""

    state: str | None = None
    mode: str | None = None
    carriers: tuple[SeenCarrier, ...] = ()

    @property
    def serving(self) -> tuple[SeenCarrier, ...]:
        """The carriers in use."""
        return tuple(c for c in self.carriers if c.in_use)

    @property
    def primary(self) -> SeenCarrier | None:
        """The primary carrier, else the first in use."""
        return next((c for c in self.serving if c.role == "pcell"), self.serving[0] if self.serving else None)


@dataclass(frozen=True, slots=True, kw_only=True)
class SeenTest:
    """One measurement. numbers: by the keys of the table of quantities, and facts that are numbers. far_ends: (name, sent, lost)."""

    at: datetime | None = None
    numbers: Mapping[str, float]
    texts: Mapping[str, str]
    failures: Mapping[str, float]
    series_down_mbps: tuple[float, ...] = ()
    series_up_mbps: tuple[float, ...] = ()
    far_ends: tuple[tuple[str, float, float], ...] = ()

    def get(self, key: str) -> float | None:
        """Return a number, or None where it was not measured."""
        return self.numbers.get(key)


@dataclass(frozen=True, slots=True, kw_only=True)
class HistoryRow:
    """One earlier measurement, in few numbers."""

    at: datetime | None = None
    down_mbps: float | None = None
    up_mbps: float | None = None
    delay_idle_ms: float | None = None
    rsrp_dbm: float | None = None
    sinr_db: float | None = None
    pci: int | None = None
    band: str | None = None
    carriers_under_load: float | None = None
    cell_changes_per_hour: float | None = None
    uptime_h: float | None = None
    temperature_c: float | None = None
    rain_mm_h: float | None = None
    used_gb: float | None = None
    cap_passed: bool | None = None
    asked_mode: str | None = None
    seen_mode: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Plan:
    """The subscription as declared; None is "none declared", which for a cap is "no cap"."""

    rate_down_mbps: float | None = None
    rate_up_mbps: float | None = None
    cap_gb: float | None = None
    used_gb: float | None = None
    after_cap_mbps: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Asked:
    """The tuning that was asked for. bands: None is any."""

    mode: str | None = None
    bands: tuple[str, ...] | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Capability:
    """What the gateway can do at most, where it is known."""

    max_dl_carriers: float | None = None
    max_layers: float | None = None
    max_width_mhz: float | None = None
    power_class_dbm: float | None = None
    bands: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class NearEnd:
    """The computer at the site. wifi: None where the link is not known."""

    wifi: bool | None = None
    port_mbps: float | None = None
    cpu_share: float | None = None
    rwnd_limited_share: float | None = None
    other_traffic_mbps: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class FarEnd:
    """The server."""

    port_mbps: float | None = None
    cpu_share: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Compared:
    """One of several things measured side by side. label: what it was, in lower case. numbers: medians. tests: how many."""

    label: str
    numbers: Mapping[str, float]
    tests: float | None = None

    @property
    def words(self) -> frozenset[str]:
        """The words of its label."""
        return frozenset(re.split(r"[^a-z0-9]+", self.label))

    def number(self, *keys: str) -> float | None:
        """Return the first of these numbers that it has, or None."""
        return next((self.numbers[k] for k in keys if k in self.numbers), None)


@dataclass(frozen=True, slots=True, kw_only=True)
class Outage:
    """A time without service. uptime_after_h: how long the gateway had been on when it was back."""

    at: datetime | None = None
    uptime_after_h: float | None = None
    minutes: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Month:
    """One month's mean level. number: 1..12."""

    number: int
    rsrp_dbm: float
    year: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Case:
    """All that is known. not_met: symptoms; complaint: in the user's words. None for a block is "not known"."""

    not_met: tuple[str, ...] = ()
    complaint: str = ""
    plan: Plan | None = None
    asked: Asked | None = None
    capability: Capability | None = None
    feeder_loss_db: float | None = None
    readings: tuple[SeenReading, ...] = ()
    measurement: SeenTest | None = None
    near_end: NearEnd | None = None
    far_end: FarEnd | None = None
    history: tuple[HistoryRow, ...] = ()
    comparison: tuple[Compared, ...] = ()
    outages: tuple[Outage, ...] = ()
    events: tuple[tuple[datetime | None, str], ...] = ()
    months: tuple[Month, ...] = ()

    def reading(self, state: str) -> SeenReading | None:
        """Return the last reading of that state that shows a carrier in use, or None."""
        return next((r for r in reversed(self.readings) if r.state == state and r.serving), None)

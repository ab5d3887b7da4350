"""A measurement of the internet path under one setup, as it is kept: rows of quantity and value, and its raw series."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum

__all__ = ["Fact", "Measurement", "MeasurementPlan", "Method", "Outcome", "Phase", "Size", "Value"]

Fact = str | float | int | bool | None


class Outcome(StrEnum):
    """How a measurement ended. A failed one counts as "need not met"; a void one says nothing of the setup."""

    OK = "ok"
    FAILED = "failed"
    VOID = "void"


class Phase(StrEnum):
    """The phase in which a measurement failed."""

    SETTING = "setting"  # the asked tuning was never shown: not a test of the setup
    RADIO = "radio"
    NAME_LOOKUP = "name_lookup"
    CONNECT = "connect"
    TLS = "tls"
    AUTH = "auth"
    IDLE = "idle"
    DOWNLINK = "downlink"
    UPLINK = "uplink"
    RESULT = "result"
    FAR_END = "far_end"
    NEAR_END = "near_end"


class Method(StrEnum):
    """How the figures came about. Only like is compared with like."""

    NEAR_FAR = "near-far"
    HTTPS = "https"
    SIMULATED = "simulated"
    ENTERED = "entered"  # read elsewhere by a person; never compared with measured ones


class Size(StrEnum):
    """How much a measurement may take."""

    LIGHT = "light"
    USUAL = "usual"
    FULL = "full"


@dataclass(frozen=True, slots=True, kw_only=True)
class Value:
    """One measured quantity: value in the unit of its row in the table of quantities, 95 % interval, or a reason for absence."""

    quantity: str
    value: float | None = None
    low: float | None = None
    high: float | None = None
    reason: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class MeasurementPlan:
    """What is asked of a probe. expected_down/up_mbps: a hint for its cost and start rate, None where nothing is known."""

    size: Size = Size.USUAL
    max_megabytes: float | None = None
    max_seconds: float | None = None
    downlink: bool = True
    uplink: bool = True
    streams: int = 4
    interface: str | None = None
    source_address: str | None = None
    first_hop: str | None = None  # address of the gateway, for the first-hop delay
    expected_down_mbps: float | None = None
    expected_up_mbps: float | None = None
    setup: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Measurement:
    """One measurement. at: its start, UTC. key: a UUID, made before it starts.

    values: at most one row a quantity (goodput_down_mbps, goodput_up_mbps, delay_idle_ms, delay_loaded_down_ms,
    delay_loaded_up_ms, loss_down_ratio, loss_up_ratio, first_hop_idle_ms, ...; see the table of quantities).
    series: per 100 ms, e.g. ("series_down_mbps", (..)). facts: streams, congestion_control, family, link, ...
    """

    key: str
    at: datetime
    method: Method
    outcome: Outcome = Outcome.OK
    phase: Phase | None = None
    reason: str | None = None
    size: Size = Size.USUAL
    setup_asked: str | None = None
    setup_seen: str | None = None  # None: not known; equal to asked: it held throughout
    moved: bool = False  # the network moved the device during the test
    ramping: bool = False  # carriers were still being added
    values: tuple[Value, ...] = ()
    series: tuple[tuple[str, tuple[float, ...]], ...] = ()
    facts: tuple[tuple[str, Fact], ...] = ()
    megabytes: float = 0.0
    seconds: float = 0.0
    captures: tuple[tuple[str, str], ...] = ()  # (moment, capture key): idle, load_down, load_up, after
    far_end: str | None = None
    entered_by: str | None = None

    def get(self, quantity: str) -> Value | None:
        """Return the row of that quantity, or None where it was not measured."""
        return next((v for v in self.values if v.quantity == quantity), None)

    def number(self, quantity: str) -> float | None:
        """Return the value of that quantity, or None where it was not measured or is absent with a reason."""
        found = self.get(quantity)
        return None if found is None else found.value

    def fact(self, name: str) -> Fact:
        """Return a fact, or None where it is not known."""
        return dict(self.facts).get(name)

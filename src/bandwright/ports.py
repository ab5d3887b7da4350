"""The interfaces between the jobs and the world. Everything that touches the world is behind one of these, and asynchronous."""

from __future__ import annotations

from collections.abc import Awaitable, Callable, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Protocol, runtime_checkable

from bandwright.words.campaign import CampaignEvent, Design
from bandwright.words.measurement import Measurement, MeasurementPlan
from bandwright.words.radio import Capture, Reading, SettingsSeen
from bandwright.words.rig import Tuning

__all__ = ["Clock", "Connected", "Elevation", "Gateway", "GatewayAbilities", "Person", "Probe", "ProbeEvent", "Question", "Records"]


@runtime_checkable
class Clock(Protocol):
    """Time, passed in. Simulated clocks make a week pass in seconds."""

    def now(self) -> datetime:
        """Return the time, UTC, aware."""
        ...

    def monotonic_s(self) -> float:
        """Return seconds that never go back."""
        ...

    async def sleep(self, seconds: float) -> None:
        """Wait."""
        ...


@dataclass(frozen=True, slots=True, kw_only=True)
class GatewayAbilities:
    """What can be asked of a gateway. modes and bands: what it says it supports; () where it does not say."""

    can_tune: bool
    modes: tuple[str, ...] = ()
    bands: tuple[str, ...] = ()
    can_pin_cell: bool = False
    switches_antenna: bool = False
    by_person: bool = False  # a person must set and read it
    label: str = ""


@runtime_checkable
class Gateway(Protocol):
    """A gateway. Raises GatewayUnreachable, GatewayRefused or GatewayBusy; anything else is a defect."""

    kind: str

    async def abilities(self) -> GatewayAbilities:
        """Return what can be asked of it."""
        ...

    async def fetch(self, *, moment: str = "idle") -> Capture:
        """Ask for the radio state and return what it said, verbatim. moment: idle, load_down, load_up, after."""
        ...

    async def settings(self) -> SettingsSeen:
        """Read back the tuning settings."""
        ...

    async def apply(self, tuning: Tuning) -> Capture:
        """Ask for a tuning. An "OK" proves nothing: the caller reads back, and waits for a reading that shows it."""
        ...

    async def restore(self, seen: SettingsSeen) -> Capture:
        """Put former settings back, exactly as `settings()` returned them."""
        ...

    async def close(self) -> None:
        """Let go of the port. Safe to call twice."""
        ...


@runtime_checkable
class Connected(Protocol):
    """A gateway that can also be asked what a connection needs beside the radio: SIM state, access point name, address family. Read only."""

    async def connection(self) -> Capture:
        """Ask, and return what it said, verbatim. Raises GatewayError."""
        ...


@dataclass(frozen=True, slots=True, kw_only=True)
class ProbeEvent:
    """Progress of a measurement. kind: "phase" (it begins), "sample" (a number so far)."""

    kind: str
    phase: str
    text: str = ""
    quantity: str | None = None
    value: float | None = None


ProbeListener = Callable[[ProbeEvent], Awaitable[None]]


@runtime_checkable
class Probe(Protocol):
    """Measures the path. Network failures are outcomes of the Measurement, never exceptions."""

    async def measure(self, plan: MeasurementPlan, *, listener: ProbeListener | None = None) -> Measurement:
        """Measure once. listener is awaited at phase starts, so that readings can be taken under load."""
        ...

    async def load(self, seconds: float, *, plan: MeasurementPlan) -> float:
        """Load the downlink without measuring: a warm-up. Returns what it took of the plan, in MB."""
        ...

    def cost_megabytes(self, plan: MeasurementPlan, *, load_s: float = 0.0) -> float:
        """Return about how much one such measurement takes, in MB, after so many seconds of load."""
        ...


@dataclass(frozen=True, slots=True, kw_only=True)
class Question:
    """What a person is asked to do. kind: "mount" (change to `rig`), "set" (apply `tuning`), "paste" (copy what the gateway shows).

    cautions: keys of the table of cautions, to be shown before the text.
    """

    kind: str
    text: str
    cautions: tuple[str, ...] = ()
    rig: str | None = None
    setup: str | None = None


@runtime_checkable
class Person(Protocol):
    """Whoever is at the site. An answer of "" or "done" means done; "skip" that it could not be done; "stop" that they leave now."""

    async def ask(self, question: Question) -> str:
        """Ask, and return what was answered: for "paste" the text."""
        ...


@runtime_checkable
class Records(Protocol):
    """What was measured, durable. Each add returns after it is committed."""

    def add_capture(self, capture: Capture) -> None:
        """Keep a capture, before anyone reads it."""
        ...

    def add_reading(self, reading: Reading) -> None:
        """Keep a reading of a capture."""
        ...

    def add_measurement(self, measurement: Measurement) -> None:
        """Keep a finished measurement."""
        ...

    def add_design(self, design: Design) -> None:
        """Keep a design."""
        ...

    def add_event(self, campaign: str, event: CampaignEvent) -> None:
        """Keep a campaign event."""
        ...

    def captures(self, *, since: datetime | None = None, limit: int | None = None) -> Sequence[Capture]:
        """Return captures, oldest first."""
        ...

    def measurements(self, *, setup: str | None = None, since: datetime | None = None, limit: int | None = None) -> Sequence[Measurement]:
        """Return measurements, oldest first."""
        ...

    def designs(self) -> Sequence[Design]:
        """Return all designs, oldest first."""
        ...

    def events(self, campaign: str) -> Sequence[CampaignEvent]:
        """Return a campaign's events in the order of recording."""
        ...


@runtime_checkable
class Elevation(Protocol):
    """Heights of the ground."""

    def profile_m(self, *, from_lat_deg: float, from_lon_deg: float, to_lat_deg: float, to_lon_deg: float, step_m: float) -> tuple[Sequence[float], Sequence[float]]:
        """Return distances (m) and heights (m above sea level) along the geodesic."""
        ...

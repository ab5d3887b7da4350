"""Captures, carriers and readings: what a gateway said, and what it means, with what could not be read.

A capture is verbatim. A reading points back into its capture by character spans of `Capture.text`. Nothing absent is ever a
number: a field that was printed but cannot be used has `value=None` and a reason; a field that was not printed is not there.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import datetime
from enum import StrEnum

__all__ = ["Capture", "Carrier", "Exchange", "Field", "FieldState", "FieldValue", "Mode", "Rat", "Reading", "Registration", "Role", "SettingsSeen", "Span"]


class Rat(StrEnum):
    """Radio access technology of a carrier."""

    LTE = "lte"
    NR = "nr"


class Role(StrEnum):
    """What a carrier does for the device."""

    PCELL = "pcell"
    SCELL = "scell"
    PSCELL = "pscell"
    SERVING = "serving"  # one of the three above, the text does not say which
    NEIGHBOUR = "neighbour"
    SCAN = "scan"


class Mode(StrEnum):
    """How the device is attached."""

    LTE = "lte"
    ENDC = "endc"
    NR_SA = "nr-sa"
    NR = "nr"  # NR, kind unknown
    GSM = "gsm"
    WCDMA = "wcdma"
    NONE = "none"


class Registration(StrEnum):
    """Whether the network serves the device."""

    HOME = "home"
    ROAMING = "roaming"
    REGISTERED = "registered"  # which of the two is not said
    LIMITED = "limited"
    SEARCHING = "searching"
    DENIED = "denied"
    NONE = "none"


class FieldState(StrEnum):
    """How reading one quantity ended."""

    OK = "ok"
    UNKNOWN = "unknown"  # printed as "not known"
    AMBIGUOUS = "ambiguous"  # two meanings are possible and nothing decides
    IMPLAUSIBLE = "implausible"  # outside its range
    CONFLICTING = "conflicting"  # disagrees with another field


@dataclass(frozen=True, slots=True)
class Span:
    """Characters start..stop (stop excluded) of a capture's text."""

    start: int
    stop: int


FieldValue = float | int | str | tuple[float | None, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Field:
    """One quantity of one carrier.

    name: a key of the table of quantities (rsrp, arfcn, dl_bandwidth, ...). value: in `unit`, or None with `why`.
    low, high: where the text gives a code, the interval low <= x < high in `unit`; None is an open end; value is then None.
    derived: computed from another field, not printed.
    """

    name: str
    value: FieldValue | None = None
    low: float | None = None
    high: float | None = None
    unit: str | None = None
    state: FieldState = FieldState.OK
    why: str | None = None
    span: Span | None = None
    derived: bool = False
    source: str | None = None

    @property
    def is_interval(self) -> bool:
        """Whether the text gave a code that stands for a range."""
        return self.value is None and self.state is FieldState.OK and (self.low is not None or self.high is not None)

    @property
    def number(self) -> float | None:
        """The value, or the middle of its interval, or None. Open ends give the known end's None."""
        if isinstance(self.value, int | float) and not isinstance(self.value, bool):
            return float(self.value)
        if self.is_interval and self.low is not None and self.high is not None:
            return (self.low + self.high) / 2
        return None


@dataclass(frozen=True, slots=True, kw_only=True)
class Carrier:
    """One component carrier, or a neighbour or scanned cell, as read."""

    rat: Rat
    role: Role
    fields: tuple[Field, ...] = ()

    def get(self, name: str) -> Field | None:
        """Return the field of that name, or None where it was not printed."""
        return next((f for f in self.fields if f.name == name), None)

    def number(self, name: str) -> float | None:
        """Return a field's number (see Field.number), or None."""
        found = self.get(name)
        return None if found is None else found.number

    def __iter__(self) -> Iterator[Field]:
        return iter(self.fields)


@dataclass(frozen=True, slots=True, kw_only=True)
class Exchange:
    """One command and its answer, verbatim. at_s: seconds from the capture's start."""

    sent: str
    received: str
    at_s: float = 0.0
    complete: bool = True
    fault: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Capture:
    """What was sent to the gateway and what it answered, or what was pasted: verbatim, with its time (UTC)."""

    key: str
    at: datetime
    kind: str  # row of the table of gateway kinds, or "pasted"
    text: str  # what a reading's spans point into
    exchanges: tuple[Exchange, ...] = ()
    gateway: str | None = None  # key of the declared gateway
    moment: str | None = None  # idle, load_down, load_up, before, after
    meta: tuple[tuple[str, str], ...] = ()  # e.g. D-Bus property paths, edition of a dialect


@dataclass(frozen=True, slots=True, kw_only=True)
class SettingsSeen:
    """What the gateway says its tuning settings are: the read-back. None is "not said"."""

    mode: str | None = None  # automatic, nr-sa, endc, lte
    bands: tuple[str, ...] | None = None  # "B20", "n78"
    cell: str | None = None  # "lte:1300:138", "nr:640000:211"
    capture: Capture | None = None
    raw: tuple[tuple[str, str], ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Reading:
    """The radio state at one instant.

    mode and registration are None where the text does not decide; `why` then holds the reason under that name.
    unread: spans of the capture's text whose meaning is not known. warnings: plain sentences on conflicts and odd things.
    """

    mode: Mode | None = None
    registration: Registration | None = None
    carriers: tuple[Carrier, ...] = ()
    unread: tuple[Span, ...] = ()
    recognised: tuple[Span, ...] = ()
    why: tuple[tuple[str, str], ...] = ()
    warnings: tuple[str, ...] = ()
    at: datetime | None = None
    capture_key: str | None = None
    dialects: tuple[str, ...] = ()
    extras: tuple[Field, ...] = field(default=())  # of the device, not of a carrier: rssi of CSQ, uptime, temperature

    def serving(self) -> tuple[Carrier, ...]:
        """Return the carriers in use: all but neighbours and scanned cells."""
        return tuple(c for c in self.carriers if c.role not in (Role.NEIGHBOUR, Role.SCAN))

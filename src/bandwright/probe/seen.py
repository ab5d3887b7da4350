"""What a measurement has seen so far, raw: it stays whatever happens next. `judge` turns it into values."""

from __future__ import annotations

from dataclasses import dataclass, field, fields
from typing import Any

from bandwright.probe.contact import Contact
from bandwright.probe.nearside import NearSide
from bandwright.probe.search import Interval

__all__ = ["LoadSeen", "Seen", "trace_of"]


@dataclass(slots=True)
class LoadSeen:
    """One load: what this end saw, what the far end said, and when it ran by the near end's clock (monotonic ns)."""

    direction: str
    kind: str
    streams: int
    seconds: float
    from_ns: int = 0
    to_ns: int = 0
    near: dict[str, Any] = field(default_factory=dict)
    far: dict[str, Any] | None = None
    small_segments: bool = False

    @property
    def sender(self) -> dict[str, Any] | None:
        """What the sending end said."""
        return self.far if self.direction == "down" else self.near


def trace_of(load: LoadSeen) -> list[Interval]:
    """Return the intervals of a UDP search."""
    names = [f.name for f in fields(Interval)]
    return [Interval(**dict(zip(names, row, strict=True))) for row in (load.sender or {}).get("trace", ())]


@dataclass(slots=True)
class Seen:
    """Everything a measurement has seen so far."""

    contact: Contact | None = None
    interface: str | None = None
    idle: tuple[int, int] | None = None
    sent: list[int] = field(default_factory=list)
    rows: list[Any] = field(default_factory=list)
    stepped: frozenset[int] = frozenset()
    delay: dict[str, Any] = field(default_factory=dict)
    hop: list[tuple[int, int]] = field(default_factory=list)
    hop_method: str | None = None
    loads: list[LoadSeen] = field(default_factory=list)
    before: NearSide | None = None
    after: NearSide | None = None
    waited_s: float = 0.0
    responsiveness: dict[str, Any] | None = None
    facts: dict[str, Any] = field(default_factory=dict)

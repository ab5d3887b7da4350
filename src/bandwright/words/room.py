"""A phone in a room, measured against the near end alone: what its browser timed, verbatim, and what is made of it.

Nothing here passes the radio. Rates count the octets that the page itself received or saw taken; a round trip is one small fetch.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from typing import Literal

from bandwright.words.measurement import Measurement

__all__ = ["Quantile", "RoomAnswer", "RoomKind", "RoomMeasured", "RoomPhase"]

RoomPhase = Literal["", "idle", "down", "up"]
RoomKind = Literal["here", "broken", "limits", "may limit", "clear", "no line", "too little"]


@dataclass(frozen=True, slots=True, kw_only=True)
class RoomMeasured:
    """One run in a room. at: its start, UTC.

    idle_ms, down_ms, up_ms: round trips at rest, while octets come to the phone, while they leave it. down, up: (ms since the load began,
    octets so far), in order. clock_step_ms: the smallest step of the browser's clock. here: the browser ran on the near end itself.
    ended: the phase in which the phone lost this computer, or "". near_end_busy_ratio: share of a core that the near end took to serve a load.
    """

    key: str
    at: datetime
    room: str
    idle_ms: tuple[float, ...] = ()
    down_ms: tuple[float, ...] = ()
    up_ms: tuple[float, ...] = ()
    down: tuple[tuple[float, float], ...] = ()
    up: tuple[tuple[float, float], ...] = ()
    clock_step_ms: float | None = None
    here: bool = False
    ended: RoomPhase = ""
    near_end_busy_ratio: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Quantile:
    """A quantile of what was seen with its 95 % interval; an end is None where so few values bound nothing there."""

    value: float
    low: float | None = None
    high: float | None = None
    count: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class RoomAnswer:
    """What a run in a room says. line: the measurement of the internet path that it was held against.

    narrow: what shows the room's own network as the limit, unsure: what may: of "down", "up", "delay_down", "delay_up".
    """

    measured: RoomMeasured
    kind: RoomKind
    down_mbps: Quantile | None = None
    up_mbps: Quantile | None = None
    idle_ms: Quantile | None = None
    idle_p95_ms: Quantile | None = None
    loaded_down_ms: Quantile | None = None
    loaded_up_ms: Quantile | None = None
    line: Measurement | None = None
    narrow: tuple[str, ...] = ()
    unsure: tuple[str, ...] = ()

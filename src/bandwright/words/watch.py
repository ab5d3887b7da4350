"""What the watch keeps, and what it says while it runs. Nothing but what is kept holds its state: a restart folds the same records.

All times are UTC. Readings every few seconds are kept as one row an hour; a capture is kept where it shows something new.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from typing import Literal

from bandwright.words.answers import Alert
from bandwright.words.measurement import Measurement
from bandwright.words.room import RoomMeasured

__all__ = ["AlertRaised", "AlertSent", "GatewayTold", "HourKept", "ObservedKept", "OutageKept", "WatchEvent", "WatchRecord"]


@dataclass(frozen=True, slots=True, kw_only=True)
class HourKept:
    """One hour of readings, or the part of it that was watched. at: its beginning. values: (reading, mean), absent ones left out."""

    at: datetime
    values: tuple[tuple[str, float], ...] = ()
    cell: str | None = None
    readings: int = 0
    unread: int = 0  # times the gateway did not answer


@dataclass(frozen=True, slots=True, kw_only=True)
class OutageKept:
    """A time without service that is over. at: its start. open_*: nobody looked just before or after, so it may have been longer."""

    at: datetime
    end: datetime
    phase: str
    start_give_or_take_s: float
    end_give_or_take_s: float
    polls: int
    open_start: bool = False
    open_end: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class ObservedKept:
    """A stretch of time in which the service was looked at. Kept by the hour, so that a power cut loses no more than that."""

    at: datetime
    end: datetime


@dataclass(frozen=True, slots=True, kw_only=True)
class GatewayTold:
    """Something sure that the gateway or the plan's counter says: kind is firmware, cap, mode or reboot."""

    at: datetime
    kind: str
    text: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class AlertRaised:
    """An alert, once by its key; it goes out when no quiet hours hold it."""

    at: datetime
    key: str
    alert: Alert


@dataclass(frozen=True, slots=True, kw_only=True)
class AlertSent:
    """An alert went out. to: how many places took it."""

    at: datetime
    key: str
    to: int = 0


WatchRecord = HourKept | OutageKept | ObservedKept | GatewayTold | AlertRaised | AlertSent | RoomMeasured


@dataclass(frozen=True, slots=True, kw_only=True)
class WatchEvent:
    """One event of a running watch.

    kind: "started", "hour", "tested", "outage" (it began), "back", "told" (by the gateway), "notice" (readings changed), "change",
    "alert" (it went out), "held" (quiet hours), "not observed", "note", "ended".
    """

    kind: Literal["started", "hour", "tested", "outage", "back", "told", "notice", "change", "alert", "held", "not observed", "note", "ended"]
    at: datetime
    text: str
    alert: Alert | None = None
    measurement: Measurement | None = None
    record: WatchRecord | None = None

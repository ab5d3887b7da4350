"""Many sites: what a site sends to its hub, and what the hub answers.

All times are UTC. A parcel is one record as plain JSON, redacted where it was made; a batch is a few of them under a UUID and the next
number of its site's own count.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from typing import Any, Literal

__all__ = ["Batch", "HubAnswer", "HubSite", "Parcel", "Pushed"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Parcel:
    """One record. key: unique within its site and kind, and the same whenever it is made from the same record."""

    kind: str
    key: str
    record: Any


@dataclass(frozen=True, slots=True, kw_only=True)
class Batch:
    """Some records of one site. key: a UUID; sequence: 1, 2, 3, ... for each batch that the hub has taken."""

    key: str
    sequence: int
    parcels: tuple[Parcel, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class HubAnswer:
    """What the hub said of a batch. next_sequence: what it expects next; refused: (place in the batch, reason)."""

    kind: Literal["kept", "had", "refused"]
    next_sequence: int
    kept: int = 0
    had: int = 0
    reason: str = ""
    refused: tuple[tuple[int, str], ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Pushed:
    """What one push came to. set_aside: records that the hub will not take; they stay in the workspace. stopped: why it ended early, or ""."""

    batches: int = 0
    kept: int = 0
    had: int = 0
    set_aside: int = 0
    waiting: int = 0
    stopped: str = ""
    why: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class HubSite:
    """A site as its hub knows it. label: given by whoever runs the hub, never by the site."""

    number: int
    label: str
    made: datetime
    next_sequence: int = 1

"""Many sites: what a site sends to its hub, what the hub answers, and how a site, or a mast that serves several, stands.

All times are UTC. A parcel is one record as plain JSON, redacted where it was made; a batch is a few of them under a UUID and the next
number of its site's own count. Need runs from 0, "as it should be", to 3, "somebody is needed today".
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from typing import Any, Literal

__all__ = ["Attention", "Batch", "HubAnswer", "HubSite", "MastChange", "NeedMet", "Parcel", "Pushed", "SiteChange", "Standing"]

ParcelKind = Literal["declared", "captures", "readings", "measurements", "designs", "events", "watched"]


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


@dataclass(frozen=True, slots=True, kw_only=True)
class NeedMet:
    """How often a need was met: in the last days, and in those before. tests: those in its hours whose result is known."""

    need: str
    label: str
    met: int
    tests: int
    met_before: int
    tests_before: int


@dataclass(frozen=True, slots=True, kw_only=True)
class SiteChange:
    """A change that a site's own watch has told. mast: of the cell that served the site then, where it is known."""

    site: int
    key: str
    at: datetime
    since: datetime
    sentence: str
    need: str | None = None
    size_ln: float | None = None
    cause: str | None = None
    reversed: bool = False
    mast: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class MastChange:
    """A change that several sites of one mast told at about the same time: said once. chance: that so many would coincide if the mast had no part."""

    mast: str
    since: datetime
    until: datetime
    sites: tuple[int, ...]
    served: int
    size_ln: float | None
    chance: float
    reversed: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Attention:
    """How much a site needs somebody: level 0 to 3, why, and what to do next. again_at: when it must be looked at anew though nothing arrived."""

    level: int
    why: str
    todo: str
    rule: str
    again_at: datetime


@dataclass(frozen=True, slots=True, kw_only=True)
class Standing:
    """What a hub knows of a site, as far as its row in the table goes. outage_s: in the last seven days; failed, recent: of its newest tests."""

    site: HubSite
    last_heard: datetime | None = None
    last_test: datetime | None = None
    tests: int = 0
    needs: tuple[NeedMet, ...] = ()
    changes: tuple[SiteChange, ...] = ()
    outages: int = 0
    outage_s: float = 0.0
    failed: int = 0
    recent: int = 0
    declared: bool = False
    mast: str | None = None
    masts_changed: tuple[MastChange, ...] = ()
    attention: Attention | None = None

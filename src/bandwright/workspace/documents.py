"""Frozen words to plain JSON documents and back. The words are the schema; nothing is written twice."""

from __future__ import annotations

from typing import Any, TypeVar

from pydantic import TypeAdapter

from bandwright.words.campaign import AllowanceChanged, CampaignEvent, EventNamed, NotShown, RigMounted, RoundDrawn, SetupAdded, SetupWithdrawn, Stopped, Tested
from bandwright.words.room import RoomMeasured
from bandwright.words.watch import AlertRaised, AlertSent, GatewayTold, HourKept, ObservedKept, OutageKept, WatchRecord

__all__ = ["event_from_document", "event_kind", "event_types", "from_document", "to_document", "watched_from_document", "watched_types"]

T = TypeVar("T")

_EVENTS = {cls.__name__: cls for cls in (RoundDrawn, Tested, RigMounted, NotShown, SetupAdded, SetupWithdrawn, AllowanceChanged, EventNamed, Stopped)}
_WATCHED = {cls.__name__: cls for cls in (HourKept, OutageKept, ObservedKept, GatewayTold, AlertRaised, AlertSent, RoomMeasured)}


_adapters: dict[type, TypeAdapter[Any]] = {}


def _adapter(cls: type) -> TypeAdapter[Any]:
    if cls not in _adapters:
        _adapters[cls] = TypeAdapter(cls)
    return _adapters[cls]


def to_document(value: object) -> Any:
    """Return a frozen word as plain JSON values."""
    return _adapter(type(value)).dump_python(value, mode="json")


def from_document(cls: type[T], document: Any) -> T:
    """Return the word that a document holds. Raises pydantic's ValidationError for one that does not fit."""
    value: T = _adapter(cls).validate_python(document)
    return value


def event_kind(event: CampaignEvent) -> str:
    """Return the name under which an event is kept."""
    return type(event).__name__


def event_from_document(kind: str, document: Any) -> CampaignEvent:
    """Return the campaign event that a document holds. Raises KeyError for an unknown kind."""
    value: CampaignEvent = _adapter(_EVENTS[kind]).validate_python(document)
    return value


def event_types() -> dict[str, type]:
    """Return the campaign events by the name under which they are kept."""
    return dict(_EVENTS)


def watched_types() -> dict[str, type]:
    """Return what the watch keeps, by the name under which it is kept."""
    return dict(_WATCHED)


def watched_from_document(kind: str, document: Any) -> WatchRecord:
    """Return what the watch kept. Raises KeyError for an unknown kind."""
    value: WatchRecord = _adapter(_WATCHED[kind]).validate_python(document)
    return value

"""All my places: a folder of workspaces, without a server. Of each its last verdict, how old that is, and the one next thing to do.

A place that cannot be read is listed with what is wrong, so that one broken folder hides no other.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

from bandwright.errors import BandwrightError, UsageError
from bandwright.jobs.today import TodayAnswer, today

__all__ = ["PlaceStand", "PlacesAnswer", "places"]


@dataclass(frozen=True, slots=True, kw_only=True)
class PlaceStand:
    """Where one place stands. verdict_at: the last test that its verdict rests on; problem: why it could not be read."""

    folder: str
    name: str
    today: TodayAnswer | None = None
    verdict_at: datetime | None = None
    problem: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class PlacesAnswer:
    """All places of a folder, in the order of their folders' names."""

    at: datetime
    places: tuple[PlaceStand, ...]


def places(folder: Path) -> PlacesAnswer:
    """Return where every workspace right below a folder stands. Raises UsageError where the folder cannot be read or holds none."""
    from bandwright.workspace.clock import SystemClock

    try:
        found = sorted(p for p in folder.iterdir() if (p / "site.toml").is_file())
    except OSError as error:
        raise UsageError(f"{folder} cannot be read", given=error.strerror, todo="Name the folder that holds the folders of your places") from error
    if not found:
        raise UsageError(f"no place is in {folder}", todo="Name the folder that holds the folders of your places: each has its own site.toml")
    return PlacesAnswer(at=SystemClock().now(), places=tuple(_stand(p) for p in found))


def _stand(folder: Path) -> PlaceStand:
    from bandwright.jobs.assembly import open_house

    try:
        house = open_house(folder)
        answer = today(house)
        design = answer.design
        events = house.records.events(design.key) if design is not None else ()
        close = getattr(house.records, "close", None)
        if callable(close):
            close()
    except BandwrightError as error:
        return PlaceStand(folder=folder.name, name=folder.name, problem=str(error))
    return PlaceStand(folder=folder.name, name=answer.declared.site.name, today=answer, verdict_at=events[-1].at if events and answer.verdict is not None else None)

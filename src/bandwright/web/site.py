"""What the pages of the place, of aiming and of rooms ask of the jobs, and the house's own answers."""

from __future__ import annotations

from collections.abc import AsyncIterator
from typing import TYPE_CHECKING, Protocol

if TYPE_CHECKING:
    from bandwright.jobs.aim import AimProgress, AimState, SunAnswer
    from bandwright.jobs.house import House
    from bandwright.jobs.place import PlaceAnswer
    from bandwright.ports import Person
    from bandwright.words.rig import Rig
    from bandwright.words.room import RoomAnswer, RoomMeasured

__all__ = ["HouseSite", "SiteJobs"]


class SiteJobs(Protocol):
    """What is asked of the place, of aiming and of rooms. All but the last are plain calls, made in a thread."""

    def place(self) -> PlaceAnswer:
        """Return what the place says. Raises UsageError."""
        ...

    def rigs_to_aim(self) -> tuple[Rig, ...]:
        """Return the rigs whose antennas can be turned."""
        ...

    def aim_state(self, rig: str, *, from_deg: float, arc_deg: float) -> AimState:
        """Return where a search stands. Raises UsageError, RangeError."""
        ...

    def undo_heading(self, rig: str) -> AimProgress:
        """Take the last heading back."""
        ...

    def sun(self) -> SunAnswer:
        """Return the sun as a compass, now."""
        ...

    def keep_room(self, measured: RoomMeasured) -> RoomAnswer:
        """Keep a phone's run in a room. Raises UsageError, RangeError, StoreError."""
        ...

    def rooms(self) -> tuple[RoomAnswer, ...]:
        """Return every kept run in a room, newest first."""
        ...

    def aim(self, person: Person, rig: str, *, from_deg: float, arc_deg: float) -> AsyncIterator[AimProgress]:
        """Run the search from where it stands; closing the stream keeps every reading. Raises UsageError, GatewayError."""
        ...


class HouseSite:
    """The house's own jobs of the place, of aiming and of rooms."""

    def house(self) -> House:
        """Return the house that pages read from."""
        raise NotImplementedError

    def _open(self, person: Person | None = None) -> House:
        raise NotImplementedError

    def place(self) -> PlaceAnswer:
        """Return what the place says."""
        from bandwright.jobs.place import place

        return place(self.house())

    def rigs_to_aim(self) -> tuple[Rig, ...]:
        """Return the rigs whose antennas can be turned."""
        from bandwright.jobs.aim import rigs_to_aim

        return rigs_to_aim(self.house())

    def aim_state(self, rig: str, *, from_deg: float, arc_deg: float) -> AimState:
        """Return where a search stands."""
        from bandwright.jobs.aim import aim_state

        return aim_state(self.house(), rig, from_deg=from_deg, arc_deg=arc_deg)

    def undo_heading(self, rig: str) -> AimProgress:
        """Take the last heading back."""
        from bandwright.jobs.aim import undo_heading

        return undo_heading(self.house(), rig)

    def sun(self) -> SunAnswer:
        """Return the sun as a compass, now."""
        from bandwright.jobs.aim import sun_now

        return sun_now(self.house())

    def keep_room(self, measured: RoomMeasured) -> RoomAnswer:
        """Keep a phone's run in a room."""
        from bandwright.jobs.room import keep_room

        return keep_room(self.house(), measured)

    def rooms(self) -> tuple[RoomAnswer, ...]:
        """Return every kept run in a room, newest first."""
        from bandwright.jobs.room import rooms

        return rooms(self.house())

    async def aim(self, person: Person, rig: str, *, from_deg: float, arc_deg: float) -> AsyncIterator[AimProgress]:
        """Run the search from where it stands, through a house of its own."""
        from bandwright.jobs.aim import aim

        house = self._open(person)
        try:
            async for event in aim(house, rig=rig, from_deg=from_deg, arc_deg=arc_deg):
                yield event
        finally:
            await house.close()

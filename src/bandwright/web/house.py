"""The house's own jobs behind `PageJobs`: one workspace folder, opened when it is first asked for, read again when `site.toml` changes."""

from __future__ import annotations

import tempfile
import threading
from collections.abc import AsyncIterator, Callable, Mapping
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING

from bandwright.errors import UsageError
from bandwright.ports import Person
from bandwright.web.pages import Stand
from bandwright.web.site import HouseSite
from bandwright.words.campaign import Design, Tested
from bandwright.words.declared import Declared
from bandwright.words.measurement import Measurement, MeasurementPlan, Method, Size
from bandwright.words.progress import CampaignProgress

if TYPE_CHECKING:
    from bandwright.jobs.history import HistoryAnswer, TestAnswer
    from bandwright.jobs.house import House
    from bandwright.jobs.judge import JudgeAnswer
    from bandwright.jobs.look import LookAnswer
    from bandwright.jobs.reliability import ReliabilityAnswer
    from bandwright.jobs.settings import SettingsAnswer
    from bandwright.jobs.today import TodayAnswer

__all__ = ["HouseJobs"]

_Opener = Callable[[Person | None], "House"]


class HouseJobs(HouseSite):
    """The jobs of one workspace. opener: how its house is opened, for a simulated one; None is the folder's own."""

    def __init__(self, folder: Path, *, opener: _Opener | None = None) -> None:
        self.folder = folder
        self._opener = opener
        self._house: House | None = None
        self._seen = 0
        self._lock = threading.Lock()

    def _site_changed_ns(self) -> int:
        try:
            return (self.folder / "site.toml").stat().st_mtime_ns
        except OSError:
            return 0

    def _open(self, person: Person | None = None) -> House:
        if self._opener is not None:
            return self._opener(person)
        from bandwright.jobs.assembly import open_house

        return open_house(self.folder, person=person)

    def house(self) -> House:
        """Return the house that pages read from. Raises UsageError where nothing is declared yet, DeclarationError, StoreError."""
        with self._lock:
            changed = self._site_changed_ns()
            if not changed and self._opener is None:
                raise UsageError("nothing is declared yet", todo="Answer the five questions of First use, or run `bandwright new`")
            if self._house is None or changed != self._seen:
                self._house, self._seen = self._open(), changed
            return self._house

    def declared(self) -> Declared | None:
        """Return what is declared, or None."""
        if not self._site_changed_ns() and self._opener is None:
            return None
        return self.house().declared

    def stand(self) -> Stand:
        """Return the latest campaign, its last event, and how much is kept."""
        if self.declared() is None:
            return Stand()
        records = self.house().records
        captures = records.captures(limit=1)
        stand = Stand(measurements=records.measurement_count(), last_capture=captures[-1].key if captures else "", declared=self._site_changed_ns())
        designs = records.designs()
        if not designs:
            return stand
        events = records.events(designs[-1].key)
        return replace(stand, campaign=designs[-1].key, last_event=f"{len(events)} {events[-1].at.isoformat()}" if events else "")

    def explain(self, text: str, *, at: datetime) -> LookAnswer:
        """Explain a pasted text."""
        from bandwright.jobs.look import explain

        return explain(text, at=at)

    def today(self) -> TodayAnswer:
        """Return where the site stands."""
        from bandwright.jobs.today import today

        return today(self.house())

    def judge(self, campaign: str | None = None) -> JudgeAnswer | None:
        """Return a campaign and its verdict, or None where there is none."""
        from bandwright.jobs.judge import judge

        house = self.house()
        return judge(house, campaign=campaign) if house.records.designs() else None

    def watched(self) -> ReliabilityAnswer | None:
        """Return what the watch saw and told, or None where none has run."""
        from bandwright.jobs.reliability import reliability
        from bandwright.words.watch import ObservedKept

        house = self.house()
        return reliability(house) if any(isinstance(r, ObservedKept) for r in house.records.watched()) else None

    def history(self, *, limit: int) -> HistoryAnswer:
        """Return the newest measurements."""
        from bandwright.jobs.history import history

        return history(self.house(), limit=limit)

    def one_test(self, key: str) -> TestAnswer | None:
        """Return one measurement with its readings, or None."""
        from bandwright.jobs.history import one_test

        return one_test(self.house(), key)

    def tested(self, measurement: Measurement) -> Tested | None:
        """Return which needs a measurement met, whether or not it belongs to a campaign."""
        from bandwright.jobs.testing import tested_from

        house = self.house()
        if measurement.method is Method.ENTERED or not house.declared.needs:
            return None
        design = Design(key="", setups=house.declared.setups, needs=house.declared.needs, start=measurement.at, timezone=house.declared.site.timezone)
        return tested_from(design, house, measurement, round_=0, visit=0)

    def enter(self, *, figures: Mapping[str, float], setup: str | None, read_by: str) -> Measurement:
        """Keep figures read elsewhere."""
        from bandwright.jobs.enter import enter

        return enter(self.house(), figures=figures, setup=setup, read_by=read_by)

    def declare(self, text: str) -> None:
        """Write a site's declaration for the first time."""
        from bandwright.jobs.declare import new

        self.check_declared(text)
        new(self.folder, text=text)

    def check_declared(self, text: str) -> Declared:
        """Read a declaration without writing it into the folder."""
        from bandwright.jobs.assembly import open_house
        from bandwright.jobs.declare import new

        with tempfile.TemporaryDirectory() as place:
            new(Path(place), text=text)
            return open_house(Path(place)).declared

    def change_settings(self, typed: Mapping[str, str]) -> SettingsAnswer:
        """Write typed settings into `site.toml`."""
        from bandwright.jobs.settings import change_settings

        return change_settings(self.folder, typed)

    def now(self) -> datetime:
        """Return the time, UTC: the workspace's own clock where there is one."""
        return self._house.clock.now() if self._house is not None else datetime.now(UTC)

    async def look(self, gateway: str) -> LookAnswer:
        """Ask a gateway for a reading, through a house of its own, since gateways belong to the loop that opened them."""
        from bandwright.jobs.look import look

        house = self._open()
        if gateway not in {g.key for g in house.declared.gateways}:
            raise UsageError("that gateway is not declared", given=gateway, allowed=", ".join(g.key for g in house.declared.gateways))
        try:
            return await look(house, gateway)
        finally:
            await _close(house)

    async def measure(self) -> Measurement:
        """Measure once, now, through a house of its own."""
        from bandwright.jobs.measure import measure

        house = self._open()
        try:
            plan = MeasurementPlan(size=Size(str(house.declared.settings["measurement_size"])))
            return (await measure(house, plan=plan)).measurement
        finally:
            await _close(house)

    async def run(self, person: Person) -> AsyncIterator[CampaignProgress]:
        """Run the campaign from where it stands, through a house of its own."""
        from bandwright.jobs.campaign import run

        house = self._open(person)
        try:
            async for event in run(house):
                yield event
        finally:
            await _close(house)


async def _close(house: House) -> None:
    """Let go of a house that was opened for one job: its gateways, and its records' connections."""
    await house.close()
    close = getattr(house.records, "close", None)
    if callable(close):
        close()

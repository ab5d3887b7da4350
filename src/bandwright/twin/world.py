"""The practice as its equipment shows it: which rig is mounted, what the own gateway is set to, what its modem prints, and who is there.

The world joins one draw of the site, its modem, its probe and its person. Whoever drives it sees only what a real place offers: AT
answers, a page to copy from, a path to measure, and a person who changes rigs when asked.
"""

from __future__ import annotations

from datetime import datetime, timedelta

from bandwright.ports import Clock, Question
from bandwright.twin import practice
from bandwright.twin.modem import TwinModem
from bandwright.twin.modem_state import RadioState
from bandwright.twin.network import InForce, SimulatedProbe
from bandwright.twin.site import SimulatedSite
from bandwright.words.radio import Registration

__all__ = ["TwinPerson", "TwinWorld"]

_LTE_BANDS = (3, 20)
_NR_BANDS = (28, 78)
_MINUTES = {"sill-supplied": 12.0, "sill-own": 12.0, "gable-own": 25.0}


class TwinWorld:
    """One draw of the practice, behind its equipment. mounted: the rig in place at the start. pages: how often the supplied page was read."""

    def __init__(self, clock: Clock, *, seed: int = practice.SEED, mounted: str = "sill-supplied", apply_delay_s: float = 8.0) -> None:
        self.site: SimulatedSite = practice.site(seed)
        self.clock = clock
        self.rig = mounted
        self.mounting = 0
        self._since = clock.now() - timedelta(hours=1)
        self.modem = TwinModem(self.radio, clock=clock, on_settings=self._took_effect, apply_delay_s=apply_delay_s, lte_bands=_LTE_BANDS, nr_bands=_NR_BANDS)
        self.probe = SimulatedProbe(self.site, clock, self.in_force)

    def mount(self, rig: str) -> None:
        """Put a rig in place: a new mounting, and service takes a moment to come."""
        self.rig, self.mounting, self._since = rig, self.mounting + 1, self.clock.now()

    def in_force(self) -> InForce:
        """Return which setup the site is on now."""
        return InForce(setup=self._setup(), since=self._since, mounting=self.mounting)

    def _setup(self) -> str | None:
        if self.rig == "sill-supplied":
            return practice.SUPPLIED
        settings = self.modem.in_force
        everything = set(settings.bands) >= ({f"B{n}" for n in _LTE_BANDS} | {f"n{n}" for n in _NR_BANDS})
        whole = {"automatic": everything, "nr-sa": set(settings.bands) == {f"n{n}" for n in _NR_BANDS}, "endc": everything}.get(settings.mode, False)
        found = self.site.plan.match(self.rig, mode=settings.mode, bands=() if whole else settings.bands)
        return None if found is None else found.key

    def _took_effect(self, _mode: str, _bands: tuple[str, ...], _cell: str | None) -> None:
        self._since = self.clock.now()

    def radio(self) -> RadioState:
        """Return what the own gateway's modem sees now; without service where its settings fit no cell, or it is not the rig in place."""
        setup = self._setup()
        if setup is None or self.rig == "sill-supplied":
            return RadioState(mode="none", registration="searching")
        now = self.clock.now()
        load_s = self.probe.load_s
        moment = self.site.moment(setup, now, mounting=self.mounting, since_change_s=(now - self._since).total_seconds(), load_s=load_s)
        if moment.registration is not Registration.HOME:
            return RadioState(mode="none", registration="searching")
        carriers = moment.carriers
        mode = "endc" if {c["rat"] for c in carriers} == {"lte", "nr"} else ("nr-sa" if any(c["rat"] == "nr" for c in carriers) else "lte")
        return RadioState(mode=mode, registration="home", carriers=carriers, connected=load_s > 0)

    def page(self) -> str:
        """Return what a person would copy from the supplied gateway's page now."""
        return practice.supplied_page(self.site, self.clock.now(), mounting=self.mounting, load_s=self.probe.load_s)


class TwinPerson:
    """Does what is asked, taking the minutes it takes, and remembers what was asked."""

    def __init__(self, world: TwinWorld) -> None:
        self._world = world
        self.asked: list[tuple[datetime, Question]] = []

    async def ask(self, question: Question) -> str:
        """Change the rig, or copy the page, or say done."""
        self.asked.append((self._world.clock.now(), question))
        if question.kind == "mount" and question.rig is not None:
            await self._world.clock.sleep(60.0 * _MINUTES.get(question.rig, 15.0))
            self._world.mount(question.rig)
        elif question.kind == "paste":
            await self._world.clock.sleep(40.0)
            return self._world.page()
        return "done"

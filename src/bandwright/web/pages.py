"""The pages: each calls one job and shows its answer through `telling`. Nothing is computed here.

`PageJobs` is everything that a page may ask for. The house's own jobs satisfy it (`web.house`); tests pass a simulated one.
"""

from __future__ import annotations

from collections.abc import AsyncIterator, Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import TYPE_CHECKING, Protocol

from bandwright.web.site import SiteJobs

if TYPE_CHECKING:
    from bandwright.jobs.history import HistoryAnswer, TestAnswer
    from bandwright.jobs.judge import JudgeAnswer
    from bandwright.jobs.look import LookAnswer
    from bandwright.jobs.reliability import ReliabilityAnswer
    from bandwright.jobs.settings import SettingsAnswer
    from bandwright.jobs.today import TodayAnswer
    from bandwright.ports import Person
    from bandwright.words.campaign import Tested
    from bandwright.words.declared import Declared
    from bandwright.words.measurement import Measurement
    from bandwright.words.progress import CampaignProgress

__all__ = ["NAV", "Nav", "PageJobs", "Stand"]


@dataclass(frozen=True, slots=True)
class Nav:
    """One entry of the navigation."""

    path: str
    label: str


NAV: tuple[Nav, ...] = (
    Nav("/", "Today"),
    Nav("/reading", "Reading"),
    Nav("/setups", "Setups"),
    Nav("/campaign", "Campaign"),
    Nav("/verdict", "Verdict"),
    Nav("/place", "Place"),
    Nav("/aim", "Aim"),
    Nav("/watch", "Watch"),
    Nav("/history", "History"),
    Nav("/settings", "Settings"),
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Stand:
    """What a page depends on, cheaply told: the latest campaign and its last event, what else is kept, which state of `site.toml`."""

    campaign: str | None = None
    last_event: str = ""
    measurements: int = 0
    last_capture: str = ""
    declared: int = 0


class PageJobs(SiteJobs, Protocol):
    """What the pages ask of the jobs. All but the last three are plain calls, made in a thread."""

    def declared(self) -> Declared | None:
        """Return what is declared, or None where nothing is yet. Raises DeclarationError."""
        ...

    def stand(self) -> Stand:
        """Return what the pages depend on; must be cheap."""
        ...

    def explain(self, text: str, *, at: datetime) -> LookAnswer:
        """Explain a pasted text. Needs nothing declared."""
        ...

    def today(self) -> TodayAnswer:
        """Return where the site stands."""
        ...

    def judge(self, campaign: str | None = None) -> JudgeAnswer | None:
        """Return the latest campaign and its verdict, or None where there is none."""
        ...

    def watched(self) -> ReliabilityAnswer | None:
        """Return what the watch saw and told, or None where none has run."""
        ...

    def history(self, *, limit: int) -> HistoryAnswer:
        """Return the newest measurements."""
        ...

    def one_test(self, key: str) -> TestAnswer | None:
        """Return one measurement with its readings, or None."""
        ...

    def tested(self, measurement: Measurement) -> Tested | None:
        """Return which needs a measurement met, and by how much; None where that cannot be said, as for figures read elsewhere."""
        ...

    def enter(self, *, figures: Mapping[str, float], setup: str | None, read_by: str) -> Measurement:
        """Keep figures read elsewhere. Raises UsageError, RangeError."""
        ...

    def declare(self, text: str) -> None:
        """Write a site's declaration for the first time. Raises DeclarationError, UsageError."""
        ...

    def check_declared(self, text: str) -> Declared:
        """Read a declaration without writing it. Raises DeclarationError."""
        ...

    def change_settings(self, typed: Mapping[str, str]) -> SettingsAnswer:
        """Write typed settings into `site.toml`, all or none. Raises UsageError, DeclarationError, DiskFull, StoreError."""
        ...

    def now(self) -> datetime:
        """Return the time, UTC."""
        ...

    async def look(self, gateway: str) -> LookAnswer:
        """Ask a gateway for a reading. Raises GatewayError."""
        ...

    async def measure(self) -> Measurement:
        """Measure once, now, through the mounted rig, and keep it. Raises UsageError where there is nothing to measure against."""
        ...

    def run(self, person: Person) -> AsyncIterator[CampaignProgress]:
        """Run the campaign from where it stands; closing the stream keeps every finished test. Raises UsageError, GatewayError."""
        ...

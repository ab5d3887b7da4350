"""What a job needs of the world, as one value: declared facts, records, clock, gateways, probes, and the person at the site.

`jobs.assembly` makes one from the concrete edges; tests make one from simulated ones.
"""

from __future__ import annotations

from collections.abc import Awaitable, Callable, Mapping, Sequence
from contextlib import AbstractContextManager, nullcontext
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Protocol
from zoneinfo import ZoneInfo

from bandwright.errors import UsageError
from bandwright.jobs.metered import Metered
from bandwright.jobs.through import through
from bandwright.ports import Clock, Elevation, Gateway, Person, Probe, Records
from bandwright.words.answers import Alert
from bandwright.words.declared import Declared
from bandwright.words.measurement import Measurement
from bandwright.words.radio import Capture, Reading, SettingsSeen
from bandwright.words.rig import Rig, Tuning
from bandwright.words.watch import WatchRecord

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    Heights = NDArray[np.float64]

__all__ = ["Guard", "House", "KeptRecords", "Left", "Terrain"]


class Left(Exception):
    """The person at the site ends the sitting; all finished tests are kept."""


class KeptRecords(Records, Protocol):
    """Records with the look-ups that jobs need."""

    def measurement(self, key: str) -> Measurement | None:
        """Return one measurement, or None."""
        ...

    def capture(self, key: str) -> Capture | None:
        """Return one capture, or None."""
        ...

    def measurement_count(self) -> int:
        """Return how many measurements are kept."""
        ...

    def add_watched(self, *records: WatchRecord) -> None:
        """Keep what the watch saw, all or nothing."""
        ...

    def watched(self, *, since: datetime | None = None) -> Sequence[WatchRecord]:
        """Return what the watch kept, in the order of recording."""
        ...


class Terrain(Elevation, Protocol):
    """Heights of the ground with what a plan and a fan need. All raise TerrainError where no file covers a place, or a void takes part; known_m gives NaN there."""

    def known_m(self, lats_deg: Sequence[float] | Heights, lons_deg: Sequence[float] | Heights) -> Heights:
        """Return heights, NaN where none is known."""
        ...

    def radials_m(self, *, lat_deg: float, lon_deg: float, azimuths_deg: Sequence[float], step_m: float, points: int) -> Heights:
        """Return heights along radials round a place: azimuths × points."""
        ...

    def ground_m(self, *, lat_deg: float, lon_deg: float) -> float:
        """Return the height of the ground at a place that is meant to be on land."""
        ...


class Guard(Protocol):
    """Brings a site back by itself when a risky tuning leaves it without service, even if this process dies."""

    def arm(self, rig: Rig, former: SettingsSeen, *, seconds: float, tuning: str = "") -> None:
        """Write down what to restore and start the small process that will."""
        ...

    def extend(self, seconds: float) -> None:
        """Count the time anew: service was just seen under the risky tuning."""
        ...

    def disarm(self, gateway: str | None = None) -> None:
        """The risky tuning is left: nothing needs to be restored."""
        ...


@dataclass(slots=True)
class House:
    """The world of one workspace. folder is None for a house without a disk."""

    folder: Path
    declared: Declared
    records: KeptRecords
    clock: Clock
    gateway_maker: Callable[[str], Gateway]  # by key of the declared gateway
    probe_maker: Callable[[str], Probe]  # by key of the rig
    shown: Callable[[Tuning, SettingsSeen, Reading | None], tuple[bool, str]]
    lacking: Callable[[str, Reading | None], tuple[str, ...]] = lambda _text, _reading: ()  # what a connection lacks, in sentences
    person: Person | None = None
    guard: Guard | None = None
    terrain: Callable[[], Terrain | None] = lambda: None  # the elevation files, None where there are none
    run_lock: Callable[[], AbstractContextManager[object]] = nullcontext  # held while a campaign runs
    glance: Callable[[], Awaitable[str | None]] | None = None  # one cheap look at the path: the phase that fails, or None for service
    send_alert: Callable[[Alert], Awaitable[int]] | None = None  # how many places took it
    publish: Callable[[Mapping[str, float]], Awaitable[None]] | None = None  # the latest figures, by the names of the metrics
    _gateways: dict[str, Gateway] = field(default_factory=dict)
    _probes: dict[str, Probe] = field(default_factory=dict)
    _loaded_mb: float = 0.0

    @property
    def zone(self) -> ZoneInfo:
        """The site's time zone."""
        return ZoneInfo(self.declared.site.timezone)

    def gateway(self, key: str) -> Gateway:
        """Return the gateway of that key, opened once."""
        if key not in self._gateways:
            self._gateways[key] = self.gateway_maker(key)
        return self._gateways[key]

    def probe(self, rig: str) -> Probe:
        """Return the probe that measures through a rig."""
        if rig not in self._probes:
            self._probes[rig] = Metered(through(self.probe_maker(rig), self._interface(rig)), self._count_load)
        return self._probes[rig]

    def _count_load(self, megabytes: float) -> None:
        self._loaded_mb += megabytes

    def take_loaded_mb(self) -> float:
        """Return what loads without a measurement took since this was last asked, in MB."""
        taken, self._loaded_mb = self._loaded_mb, 0.0
        return taken

    def _interface(self, rig: str) -> str | None:
        """The near end's interface towards a rig's gateway, where one is declared."""
        found = next((r for r in self.declared.rigs if r.key == rig), None)
        return None if found is None else self.declared.gateway(found.gateway).interface

    def the_person(self) -> Person:
        """Return the person at the site. Raises UsageError where nobody can be asked."""
        if self.person is None:
            raise UsageError("this step needs a person, and nobody can be asked here", todo="Run it in a terminal, or on the page")
        return self.person

    async def close(self) -> None:
        """Let go of all gateways."""
        for gateway in self._gateways.values():
            await gateway.close()
        self._gateways.clear()

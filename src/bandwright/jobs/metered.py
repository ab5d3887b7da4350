"""A probe whose loads are counted: what a warm-up takes of the plan is data of the test it goes before, whichever step asked for it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from bandwright.ports import Probe, ProbeListener
from bandwright.words.measurement import Measurement, MeasurementPlan

__all__ = ["Metered"]


@dataclass(frozen=True, slots=True)
class Metered:
    """The probe itself, but that `count` is told the MB of every load."""

    inner: Probe
    count: Callable[[float], None]

    async def measure(self, plan: MeasurementPlan, *, listener: ProbeListener | None = None) -> Measurement:
        """Measure once."""
        return await self.inner.measure(plan, listener=listener)

    async def load(self, seconds: float, *, plan: MeasurementPlan) -> float:
        """Load the downlink, and count what it took."""
        megabytes = await self.inner.load(seconds, plan=plan)
        self.count(megabytes)
        return megabytes

    def cost_megabytes(self, plan: MeasurementPlan, *, load_s: float = 0.0) -> float:
        """Return about how much one such measurement takes, in MB, after so many seconds of load."""
        return self.inner.cost_megabytes(plan, load_s=load_s)

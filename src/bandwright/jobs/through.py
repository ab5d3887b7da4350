"""A probe that measures through one network interface of this computer: every plan is bound to it, whichever job made the plan.

So two gateways stand side by side and are compared in turn without anybody pulling a cable: sockets, first hop and name lookup of a
measurement follow the plan's interface.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

from bandwright.ports import Probe, ProbeListener
from bandwright.words.measurement import Measurement, MeasurementPlan

__all__ = ["through"]


def through(probe: Probe, interface: str | None) -> Probe:
    """Return the probe with every plan bound to an interface; the probe itself where none is declared."""
    return probe if interface is None else _Through(probe, interface)


@dataclass(frozen=True, slots=True)
class _Through:
    inner: Probe
    interface: str

    async def measure(self, plan: MeasurementPlan, *, listener: ProbeListener | None = None) -> Measurement:
        return await self.inner.measure(self._bound(plan), listener=listener)

    async def load(self, seconds: float, *, plan: MeasurementPlan) -> float:
        return await self.inner.load(seconds, plan=self._bound(plan))

    def cost_megabytes(self, plan: MeasurementPlan, *, load_s: float = 0.0) -> float:
        return self.inner.cost_megabytes(self._bound(plan), load_s=load_s)

    def _bound(self, plan: MeasurementPlan) -> MeasurementPlan:
        return replace(plan, interface=plan.interface or self.interface)

"""What the phases of one measurement share: whom to reach and how, the processes they use, the person who listens, and what was seen."""

from __future__ import annotations

import asyncio
import contextlib
import time
from dataclasses import dataclass, field
from typing import Any

from bandwright.ports import ProbeEvent, ProbeListener
from bandwright.probe.contact import Contact, Resolve, Timeouts, WayOut, open_contact
from bandwright.probe.outcome import PathFault
from bandwright.probe.pairing import Pairing
from bandwright.probe.recipe import Recipe
from bandwright.probe.seen import Seen
from bandwright.probe.workers import Worker
from bandwright.words.measurement import MeasurementPlan, Outcome, Phase

__all__ = ["Errand"]


@dataclass(slots=True, kw_only=True)
class Errand:
    """One measurement's common ground. remembered: addresses that worked before."""

    pairing: Pairing
    address: str
    plan: MeasurementPlan
    recipe: Recipe
    timeouts: Timeouts
    congestion_control: str | None
    listener: ProbeListener | None
    look_up: Resolve
    remembered: list[Any]
    seen: Seen = field(default_factory=Seen)
    began_s: float = field(default_factory=time.monotonic)
    _starting: list[asyncio.Future[Worker]] = field(default_factory=list)
    _workers: list[Worker] = field(default_factory=list)

    @property
    def way_out(self) -> WayOut:
        """By which interface or address everything goes."""
        return WayOut(interface=self.plan.interface, source_address=self.plan.source_address)

    @property
    def way(self) -> dict[str, Any]:
        """The same, as a process is told."""
        return {"interface": self.plan.interface, "source_address": self.plan.source_address}

    async def tell(self, kind: str, phase: Phase | str, text: str = "", **numbers: Any) -> None:
        """Say how far it is."""
        if self.listener is not None:
            await self.listener(ProbeEvent(kind=kind, phase=str(phase), text=text, **numbers))

    # ---- processes

    def start_workers(self, count: int) -> None:
        """Start so many processes now, so that they are up when a phase asks for one."""
        self._starting += [asyncio.ensure_future(Worker.start()) for _ in range(count)]

    async def worker(self) -> Worker:
        """Return a process that waits for its job. Raises OSError where none can be had."""
        if not self._starting:
            self.start_workers(1)
        worker = await self._starting.pop(0)
        self._workers.append(worker)
        return worker

    async def end_workers(self) -> None:
        """End every process."""
        for starting in self._starting:
            with contextlib.suppress(OSError):
                self._workers.append(await starting)
        self._starting.clear()
        await asyncio.gather(*(w.close() for w in self._workers))

    # ---- the conversation

    async def ask(self, contact: Contact, request: dict[str, Any], *, first: asyncio.Future[dict[str, Any]] | None = None) -> dict[str, Any]:
        """Return the reply to a request; where the connection turns out to be lost, over a new one.

        first: the reply to the same request where it was sent already. Raises TimeoutError, EOFError, OSError, PathFault.
        """
        try:
            if first is None:
                return await contact.request(request, timeout_s=self.timeouts.start_s)
            async with asyncio.timeout(self.timeouts.start_s):
                return await first
        except (EOFError, ConnectionError):
            await self.reconnect(contact)
        return await contact.request(request, timeout_s=self.timeouts.start_s)

    async def reconnect(self, contact: Contact) -> None:
        """Take the session up again after its connection was lost, e.g. because an address translator forgot it.

        Raises PathFault: the far end's, where it is gone or was started anew; else that of the phase in which the way back ended.
        """
        again = await open_contact(
            self.pairing,
            address=self.address,
            timeouts=self.timeouts,
            way_out=self.way_out,
            look_up=self.look_up,
            remembered=[contact.address],
            resume=contact.welcome["session"],
        )
        contact.go_on_with(again)
        if again.welcome["boot"] != contact.welcome["boot"] or not again.welcome.get("resumed"):
            raise PathFault(Phase.FAR_END, "The far end was started anew during the measurement.", outcome=Outcome.VOID)
        self.seen.facts["reconnected"] = True

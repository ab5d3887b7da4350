"""One measurement by near end and far end, phase by phase. What was seen stays in `seen`, whatever happens next.

Nothing is judged here: `judge` turns what was seen into values. A phase that fails raises PathFault, and all before it is kept.
"""

from __future__ import annotations

import asyncio
import contextlib
import time
from typing import Any

from bandwright.probe import nearside
from bandwright.probe.contact import Contact, open_contact
from bandwright.probe.delaying import Delaying
from bandwright.probe.errand import Errand
from bandwright.probe.loading import AT_ONCE, Loading
from bandwright.probe.nearside import NearSide
from bandwright.probe.outcome import PathFault, fault_from
from bandwright.probe.wire import WireError
from bandwright.probe.workers import WorkerDied
from bandwright.words.measurement import Outcome, Phase

__all__ = ["RESPONSIVENESS_INTERVALS", "Conduct"]

RESPONSIVENESS_INTERVALS = 8  # about how many it takes until goodput and responsiveness have both settled; at most twice as many


class Conduct:
    """Conducts one measurement: `await conduct.run()`; `seen` holds what came of it, also after a fault."""

    def __init__(self, *, responsiveness_interval_s: float | None = None, **errand: Any) -> None:
        self.errand = Errand(**errand)
        self.seen = self.errand.seen
        self._responsiveness_interval_s = responsiveness_interval_s
        self._delaying = Delaying(self.errand)
        self._loading = Loading(self.errand, self._delaying, more_follows=responsiveness_interval_s is not None)

    async def run(self) -> None:
        """Go through the phases. Raises PathFault; leaves no process behind."""
        errand, phase = self.errand, Phase.NEAR_END
        recipe = errand.recipe
        longest_s = 10 + recipe.idle_s + 3 * (recipe.tcp_s + recipe.udp_s + recipe.single_s + errand.timeouts.stall_s)
        if self._responsiveness_interval_s is not None:
            longest_s += 2 * RESPONSIVENESS_INTERVALS * self._responsiveness_interval_s
        try:
            errand.start_workers(2 + min(AT_ONCE, len(self._loading.planned)))  # delay, first hop, loads
            contact, replies = await self._reach(longest_s)
            await self._take_turn(replies[0])
            phase = Phase.IDLE
            await self._begin_delay(contact, replies[1], longest_s)
            self._loading.prepare_early(contact, replies[2:])
            await self._delaying.idle(recipe.idle_s)
            await self._loading.run(contact)
            if self._responsiveness_interval_s is not None and errand.plan.downlink:
                await self._responsiveness(contact, self._responsiveness_interval_s)
            await errand.tell("phase", Phase.RESULT, "putting both halves together")
            await self._delaying.finish(within_s=1.5)
        except (OSError, EOFError, WorkerDied) as error:
            raise fault_from(error, phase=phase, where=errand.address) from None
        except (KeyError, TypeError, ValueError, WireError):
            raise PathFault(
                Phase.FAR_END, f"What {errand.address} answered could not be understood. Bring both ends to the same release.", outcome=Outcome.VOID
            ) from None
        finally:
            await self._clear_up()

    # ---- reaching the far end

    async def _reach(self, longest_s: float) -> tuple[Contact, list[asyncio.Future[dict[str, Any]]]]:
        """Open the conversation, and ask for turn, delay and the first loads in the same breath as the proof."""
        errand = self.errand
        await errand.tell("phase", Phase.CONNECT, f"reaching {errand.address}")
        delay = {"type": "delay", "pps": errand.recipe.probes_per_s, "seconds": longest_s}
        contact = await open_contact(
            errand.pairing,
            address=errand.address,
            timeouts=errand.timeouts,
            way_out=errand.way_out,
            look_up=errand.look_up,
            remembered=errand.remembered,
            ahead=[{"type": "begin"}, delay, *self._loading.asked_early()],
        )
        self.seen.contact = contact
        self.seen.interface = errand.plan.interface or nearside.interface_of(contact.local_address)
        return contact, contact.ahead

    async def _take_turn(self, reply: asyncio.Future[dict[str, Any]]) -> None:
        """Wait until no other test runs at the far end: tests side by side would measure one another."""
        began = time.monotonic()
        try:
            async with asyncio.timeout(self.errand.timeouts.turn_s):
                said = await reply
        except (OSError, EOFError) as error:
            raise fault_from(error, phase=Phase.AUTH, where=self.errand.address) from None
        if said["type"] != "begun":
            raise PathFault(Phase.FAR_END, str(said.get("reason", "The far end would not begin.")), outcome=Outcome.VOID)
        self.seen.waited_s = time.monotonic() - began
        self.errand.began_s += self.seen.waited_s  # what others took is no part of this measurement's time

    async def _begin_delay(self, contact: Contact, reply: asyncio.Future[dict[str, Any]], longest_s: float) -> None:
        async with asyncio.timeout(self.errand.timeouts.start_s):
            said = await reply
        if said["type"] != "delay_ready":
            raise PathFault(Phase.FAR_END, str(said.get("reason", "The far end would not answer delay packets.")), outcome=Outcome.VOID)
        self.seen.before = NearSide.look(self.seen.interface)
        await self._delaying.begin(contact, ssid=said["ssid"], longest_s=longest_s)

    # ---- responsiveness

    async def _responsiveness(self, contact: Contact, interval_s: float) -> None:
        """Measure round trips per minute, where the far end is open for that; what stands against it is kept as the reason."""
        errand = self.errand
        try:
            reply = await contact.request({"type": "responsiveness"}, timeout_s=errand.timeouts.start_s)
        except (OSError, EOFError):
            reply = {}
        octets = self._loading.octets_left("down")
        if "path" not in reply or octets < 1e6:
            self.seen.responsiveness = {"fault": reply.get("reason", "the far end did not answer") if octets >= 1e6 else "the megabytes allowed are used up"}
            return
        await self._delaying.until_empty()
        await errand.tell("phase", Phase.DOWNLINK, "responsiveness under load")
        worker = await errand.worker()
        worker.give(
            "responsiveness",
            address=contact.address.sockaddr,
            family=contact.address.family,
            host="far-end.invalid",
            certificate_sha256=contact.pairing.certificate_sha256.hex(),
            large=reply["path"] + "/large",
            small=reply["path"] + "/small",
            interval_s=interval_s,
            max_seconds=2 * RESPONSIVENESS_INTERVALS * interval_s,
            max_octets=octets,
            **errand.way,
        )
        try:
            async with asyncio.timeout(2 * RESPONSIVENESS_INTERVALS * interval_s + 15):
                while True:
                    message = await worker.message()
                    if message["type"] == "done":
                        self.seen.responsiveness = message | {"interval_s": interval_s}
                        return
                    if message["type"] == "fault":
                        self.seen.responsiveness = {"fault": message["text"]}
                        return
        except (TimeoutError, WorkerDied):
            self.seen.responsiveness = {"fault": "it did not end in time"}
        finally:
            await worker.close()

    # ---- end

    async def _clear_up(self) -> None:
        """Let go of everything, whatever happened; what the delay stream saw until now is fetched first."""
        await self._delaying.finish(within_s=1.0)
        if self.seen.after is None:
            self.seen.after = NearSide.look(self.seen.interface)
        await self._delaying.drop()
        await self._loading.drop()
        contact = self.seen.contact
        if contact is not None:
            with contextlib.suppress(OSError, EOFError):
                await contact.channel.send({"type": "bye"})
        await self.errand.end_workers()
        if contact is not None:
            await contact.close()

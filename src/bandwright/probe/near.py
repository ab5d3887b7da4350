"""The near end: measures the path between this computer and a far end that the user controls.

A failed network is an outcome with a phase and a plain reason, never an exception; what was measured until then is kept.
"""

from __future__ import annotations

import asyncio
import contextlib
import time
import uuid
from dataclasses import dataclass, field
from datetime import UTC, datetime

from bandwright.ports import Clock, ProbeListener
from bandwright.probe import judge, pairing, recipe
from bandwright.probe.conduct import RESPONSIVENESS_INTERVALS, Conduct
from bandwright.probe.contact import Address, Resolve, Timeouts, WayOut, open_contact, resolve
from bandwright.probe.outcome import Check, PathFault
from bandwright.words.measurement import Measurement, MeasurementPlan, Method, Outcome, Phase

__all__ = ["NearEnd", "NearEndSettings", "SystemClock", "check"]


@dataclass(frozen=True, slots=True, kw_only=True)
class NearEndSettings:
    """How the near end measures. congestion_control: asked of both ends, and recorded as it was; None leaves the systems' own.

    responsiveness: measure round trips per minute too, where the far end's owner opened it for that: 8 s or more of full downlink.
    """

    timeouts: Timeouts = field(default_factory=Timeouts)
    congestion_control: str | None = "bbr"
    responsiveness: bool = False
    responsiveness_interval_s: float = 1.0
    look_up: Resolve = resolve


class SystemClock:
    """The computer's own time."""

    def now(self) -> datetime:
        """Return the time, UTC."""
        return datetime.now(UTC)

    def monotonic_s(self) -> float:
        """Return seconds that never go back."""
        return time.monotonic()

    async def sleep(self, seconds: float) -> None:
        """Wait."""
        await asyncio.sleep(seconds)


class NearEnd:
    """A Probe that measures towards one far end.

    address: "host:port" of the far end, or None to take the one in the secret. secret: the pairing string.
    Raises SecretError where either cannot be used.
    """

    def __init__(self, address: str | None, secret: str, *, clock: Clock | None = None, settings: NearEndSettings | None = None) -> None:
        self._pairing = pairing.parse(secret)
        self._address = address or self._pairing.address
        pairing.split_address(self._address)
        self._clock: Clock = clock or SystemClock()
        self._settings = settings or NearEndSettings()
        self._remembered: list[Address] = []

    async def measure(self, plan: MeasurementPlan, *, listener: ProbeListener | None = None) -> Measurement:
        """Measure once. listener is awaited at phase starts."""
        key, at, began = str(uuid.uuid4()), self._clock.now(), time.monotonic()
        chosen = recipe.recipe_for(plan)
        conduct = self._conduct(plan, chosen, listener)
        fault: PathFault | None = None
        try:
            await conduct.run()
        except PathFault as error:
            fault = error
        seen = conduct.seen
        if fault is None and seen.facts.get("far_half_missing"):
            fault = PathFault(
                Phase.RESULT, "It was measured, but the far end's half of the result is missing: rates are from the octets read here.", outcome=Outcome.OK
            )
        if seen.contact is not None:
            self._remembered = [seen.contact.address]
        return Measurement(
            key=key,
            at=at,
            method=Method.NEAR_FAR,
            outcome=fault.outcome if fault else Outcome.OK,
            phase=fault.phase if fault else None,
            reason=fault.reason if fault else None,
            size=plan.size,
            setup_asked=plan.setup,
            values=judge.values_of(seen, plan),
            series=judge.series_of(seen),
            facts=judge.facts_of(seen, chosen),
            megabytes=judge.megabytes_of(seen),
            seconds=time.monotonic() - began,
            far_end=self._address,
        )

    async def load(self, seconds: float, *, plan: MeasurementPlan) -> float:
        """Load the downlink without measuring: a warm-up. Returns the MB it took. A path that fails here will show so in the measurement that follows."""
        from dataclasses import replace

        chosen = replace(recipe.RECIPES[plan.size], idle_s=0.05, tcp_s=min(seconds, 30.0), tcp_worth_s=0.0, total_s=0.0, udp_s=0.0, single_s=0.0)
        conduct = self._conduct(replace(plan, uplink=False, downlink=True), chosen, None, warm_up=True)
        with contextlib.suppress(PathFault):
            await conduct.run()
        return judge.megabytes_of(conduct.seen)

    def cost_megabytes(self, plan: MeasurementPlan, *, load_s: float = 0.0) -> float:
        """Return about how much one such measurement takes, in MB, after so many seconds of load."""
        megabytes = recipe.cost_megabytes(plan)
        if self._settings.responsiveness and plan.downlink:
            seconds = RESPONSIVENESS_INTERVALS * self._settings.responsiveness_interval_s
            megabytes += 0.134 * seconds * (plan.expected_down_mbps or recipe.UNKNOWN_DOWN_MBPS)
        return (megabytes if plan.max_megabytes is None else min(megabytes, plan.max_megabytes)) + recipe.load_megabytes(plan, load_s)

    def cost_seconds(self, plan: MeasurementPlan) -> float:
        """Return about how long one such measurement takes, in s."""
        return recipe.stated_seconds(plan, recipe.recipe_for(plan))

    def _conduct(self, plan: MeasurementPlan, chosen: recipe.Recipe, listener: ProbeListener | None, *, warm_up: bool = False) -> Conduct:
        return Conduct(
            pairing=self._pairing,
            address=self._address,
            plan=plan,
            recipe=chosen,
            timeouts=self._settings.timeouts,
            congestion_control=self._settings.congestion_control,
            listener=listener,
            look_up=self._settings.look_up,
            responsiveness_interval_s=self._settings.responsiveness_interval_s if self._settings.responsiveness and not warm_up else None,
            remembered=list(self._remembered),
        )


async def check(address: str | None, secret: str, *, settings: NearEndSettings | None = None, way_out: WayOut | None = None) -> Check:
    """Say whether the far end can be reached and believes us, without loading anything. Raises SecretError, nothing else."""
    known = pairing.parse(secret)
    where = address or known.address
    settings = settings or NearEndSettings()
    try:
        contact = await open_contact(known, address=where, timeouts=settings.timeouts, way_out=way_out or WayOut(), look_up=settings.look_up)
    except PathFault as fault:
        return Check(outcome=fault.outcome, phase=fault.phase, reason=fault.reason, facts=(("far_end", where),))
    welcome = contact.welcome
    await contact.close()
    return Check(
        outcome=Outcome.OK,
        facts=(
            ("far_end", where),
            ("family", "ipv6" if ":" in str(contact.address.sockaddr[0]) else "ipv4"),
            ("connect_ms", round(contact.connect_ms, 2)),
            ("day_left_mb", welcome.get("day_left_mb")),
            ("month_left_mb", welcome.get("month_left_mb")),
            ("waiting", welcome.get("waiting")),
        ),
    )

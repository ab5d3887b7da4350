"""Put a tuning in force and prove it: ask, read back, wait until the radio shows it. An "OK" proves nothing.

A risky tuning (a pinned cell, a single band) is guarded: a timed return is armed first, its time counted anew whenever service is seen, and
it is let go when another tuning is proven. What was set before a campaign is kept before the first change, and put back.
"""

from __future__ import annotations

import asyncio
from contextlib import suppress
from dataclasses import dataclass

from bandwright.errors import GatewayError, GatewayRefused, GatewayUnreachable, OurFault
from bandwright.jobs.house import House
from bandwright.ports import Connected, Gateway, GatewayAbilities
from bandwright.readings.parse import parse
from bandwright.words.measurement import Fact, MeasurementPlan
from bandwright.words.radio import Capture, Mode, Rat, Reading, Registration, SettingsSeen
from bandwright.words.rig import Rig, Tuning

__all__ = ["Applied", "Restored", "apply", "keep_former", "lacking", "look", "look_under_load", "most_telling", "reading_facts", "restore_former", "served", "service_seen"]

_POLL_S = 2.0
_SETTLE_S = 10.0  # after an "OK" a modem may show its old state for some seconds before it lets go of it (common practice, no source)
_LOAD_S = 3.0  # long enough for the network to add a leg that only comes under load
_GUARD_MARGIN_S = 15.0  # what is asked for is given up so long before the timed return would take it back
_ATTACH_S = 60.0  # a gateway that was just plugged in may take so long to find service
_RESTORE_TRIES = 3
_PAUSE_S = 10.0
_FORMER = "former"
_UNSERVED = (Registration.NONE, Registration.SEARCHING, Registration.DENIED, Registration.LIMITED)


@dataclass(frozen=True, slots=True, kw_only=True)
class Applied:
    """Whether a tuning is in force, why not, and the last reading that was taken."""

    ok: bool
    why: str
    reading: Reading | None = None
    capture: Capture | None = None
    asked_person: bool = False


async def look(house: House, gateway: Gateway, *, moment: str = "idle") -> tuple[Capture, Reading | None]:
    """Fetch a capture, keep it, read it, keep the readings. Returns the last reading, or None where nothing could be read.

    Raises GatewayError where the gateway cannot be asked.
    """
    capture = await gateway.fetch(moment=moment)
    house.records.add_capture(capture)
    readings = parse(capture)
    for reading in readings:
        house.records.add_reading(reading)
    return capture, most_telling(readings)


async def look_under_load(house: House, rig: Rig, gateway: Gateway, *, seconds: float, plan: MeasurementPlan | None = None) -> tuple[Capture, Reading | None]:
    """Load the downlink for so long, and read towards the end of it: what is added under load only is in force then.

    Raises GatewayError where the gateway cannot be asked; the load is ended first.
    """
    load = asyncio.ensure_future(house.probe(rig.key).load(seconds, plan=plan or MeasurementPlan()))
    try:
        await house.clock.sleep(0.8 * seconds)
        found = await look(house, gateway, moment="load_down")
    except BaseException:
        load.cancel()
        with suppress(asyncio.CancelledError):
            await load
        raise
    await load
    return found


def served(reading: Reading | None) -> bool:
    """Whether a reading shows that the network serves the device, or at least does not say that it does not."""
    return reading is not None and reading.mode is not Mode.NONE and reading.registration not in _UNSERVED


def most_telling(readings: tuple[Reading, ...]) -> Reading | None:
    """Return the last reading that shows a carrier in use, or the last one, or None."""
    with_carriers = [r for r in readings if r.serving()]
    return with_carriers[-1] if with_carriers else (readings[-1] if readings else None)


def reading_facts(reading: Reading | None) -> tuple[tuple[str, Fact], ...]:
    """Return what a history needs of the reading under load: level, SINR, cell, band, mode, carriers in use."""
    serving = reading.serving() if reading is not None else ()
    if reading is None or not serving:
        return ()
    main = serving[0]
    pci, band = main.get("pci"), main.get("band")
    return (
        ("rsrp", main.number("rsrp")),
        ("sinr", main.number("sinr")),
        ("pci", int(pci.value) if pci is not None and isinstance(pci.value, int | float) else None),
        ("band", None if band is None or band.value is None else f"{'B' if main.rat is Rat.LTE else 'n'}{band.value}"),
        ("seen_mode", reading.mode.value if reading.mode is not None else None),
        ("carriers_under_load", len(serving)),
    )


async def apply(house: House, rig: Rig, tuning: Tuning, abilities: GatewayAbilities, *, in_force: bool, former: SettingsSeen | None = None) -> Applied:
    """Put a tuning in force on the mounted rig and prove it by a reading.

    in_force: it was the last tuning proven on this rig, so nothing needs to be asked again. former: the settings from before the campaign,
    which a guard puts back if a risky tuning leaves the site without service or this process dies. The guard stays armed while a risky
    tuning is in force, its time counted anew whenever service is seen, and is let go when another tuning is proven.
    """
    gateway = house.gateway(rig.gateway)
    if abilities.by_person:
        return await _by_person(house, tuning, gateway, abilities, in_force=in_force)
    if not abilities.can_tune:
        capture, reading = await look(house, gateway)
        return Applied(ok=True, why="", reading=reading, capture=capture)
    timeout_s = float(house.declared.settings["apply_timeout_s"])
    if tuning.is_risky and house.guard is not None:
        timeout_s = min(timeout_s, _return_after_s(house) - _GUARD_MARGIN_S - _SETTLE_S)
    try:
        if not in_force:
            if tuning.is_risky and house.guard is not None:
                house.guard.arm(rig, former or await gateway.settings(), seconds=_return_after_s(house), tuning=tuning.key)
            house.records.add_capture(await gateway.apply(tuning))
            await house.clock.sleep(_SETTLE_S)
        applied = await _wait_until_shown(house, rig, tuning, gateway, timeout_s=timeout_s)
    except GatewayRefused as error:
        applied = Applied(ok=False, why=str(error))
    await _settle_guard(house, rig, tuning, gateway, applied, former)
    return applied


async def _settle_guard(house: House, rig: Rig, tuning: Tuning, gateway: Gateway, applied: Applied, former: SettingsSeen | None) -> None:
    """Keep the guard armed under a risky tuning that holds; lift one that does not; let go under any other."""
    if house.guard is None:
        return
    if not tuning.is_risky:
        if applied.ok:
            house.guard.disarm(rig.gateway)
    elif applied.ok:
        house.guard.extend(_return_after_s(house))
    elif former is not None:
        house.records.add_capture(await gateway.restore(former))
        house.guard.disarm(rig.gateway)


def service_seen(house: House, tuning: Tuning) -> None:
    """Tell the guard that the connection works under the tuning in force."""
    if house.guard is not None and tuning.is_risky:
        house.guard.extend(_return_after_s(house))


def _return_after_s(house: House) -> float:
    return float(house.declared.settings["return_after_s"])


async def _wait_until_shown(house: House, rig: Rig, tuning: Tuning, gateway: Gateway, *, timeout_s: float) -> Applied:
    """Read until the tuning is shown. A leg that may come under load only is looked for under load, at growing distances to spare data."""
    until = house.clock.monotonic_s() + timeout_s
    loaded, next_load_s = False, house.clock.monotonic_s()
    gap_s = _POLL_S
    while True:
        settings = await gateway.settings()
        capture, reading = await (look_under_load(house, rig, gateway, seconds=_LOAD_S) if loaded else look(house, gateway))
        ok, why = house.shown(tuning, settings, reading)
        if ok and served(reading):
            return Applied(ok=True, why="", reading=reading, capture=capture)
        if not served(reading):
            why = why or "no service yet"
        now_s = house.clock.monotonic_s()
        if now_s >= until:
            return Applied(ok=False, why=why, reading=reading, capture=capture)
        loaded = tuning.mode == "endc" and reading is not None and served(reading) and reading.mode is Mode.LTE and now_s >= next_load_s
        if loaded:
            gap_s *= 2.0
            next_load_s = now_s + _LOAD_S + gap_s
        else:
            await house.clock.sleep(_POLL_S)


async def _by_person(house: House, tuning: Tuning, gateway: Gateway, abilities: GatewayAbilities, *, in_force: bool) -> Applied:
    """Let the person set it, then prove it by what they paste. Where they cannot paste, their word stands, and it is said."""
    asked = not in_force and abilities.can_tune
    if asked:
        try:
            house.records.add_capture(await gateway.apply(tuning))
        except GatewayRefused as error:
            return Applied(ok=False, why=str(error), asked_person=True)
    try:
        capture, reading = await look(house, gateway)
    except GatewayUnreachable:
        return Applied(ok=True, why="nothing was pasted: the person's word stands", asked_person=asked)
    if reading is None or not reading.serving():
        return Applied(ok=True, why="what was pasted shows no carrier: the person's word stands", reading=reading, capture=capture, asked_person=asked)
    ok, why = house.shown(tuning, SettingsSeen(), reading)
    return Applied(ok=ok, why=why, reading=reading, capture=capture, asked_person=asked)


async def keep_former(house: House, campaign: str, rig: Rig) -> SettingsSeen | None:
    """Read and keep the settings a gateway had before the campaign first changed them. Returns them, or None where it has none."""
    known = _former(house, campaign, rig.gateway)
    if known is not None:
        return known
    gateway = house.gateway(rig.gateway)
    abilities = await gateway.abilities()
    if not abilities.can_tune:
        return None
    seen = await gateway.settings()
    meta = [("campaign", campaign), *((k, v) for k, v in (("mode", seen.mode), ("cell", seen.cell)) if v is not None)]
    if seen.bands is not None:
        meta.append(("bands", ",".join(seen.bands)))
    meta += [(f"raw {k}", v) for k, v in seen.raw]
    text = seen.capture.text if seen.capture is not None else ""
    key = f"{campaign}-{_FORMER}-{rig.gateway}"
    house.records.add_capture(Capture(key=key, at=house.clock.now(), kind=gateway.kind, text=text, gateway=rig.gateway, moment=_FORMER, meta=tuple(meta)))
    return seen


def _former(house: House, campaign: str, gateway: str) -> SettingsSeen | None:
    kept = house.records.capture(f"{campaign}-{_FORMER}-{gateway}")
    if kept is None:
        return None
    meta = dict(kept.meta)
    bands = tuple(b for b in meta["bands"].split(",") if b) if "bands" in meta else None
    raw = tuple((k.removeprefix("raw "), v) for k, v in kept.meta if k.startswith("raw "))
    return SettingsSeen(mode=meta.get("mode"), bands=bands, cell=meta.get("cell"), raw=raw, capture=kept)


@dataclass(frozen=True, slots=True, kw_only=True)
class Restored:
    """Whether the settings from before the campaign are back, in words."""

    ok: bool
    text: str


async def restore_former(house: House, campaign: str, rig: Rig) -> Restored | None:
    """Put back the settings from before the campaign, and see them read back. Returns what was done, or None where there was nothing to do.

    Where the gateway cannot be reached, the timed return is left armed, so that it goes on trying when this program has ended.
    """
    former = _former(house, campaign, rig.gateway)
    if former is None:
        return None
    gateway = house.gateway(rig.gateway)
    why, by_person = "", gateway.kind == "pasted"
    for left in reversed(range(1 if by_person else _RESTORE_TRIES)):
        try:
            house.records.add_capture(await gateway.restore(former))
        except GatewayError as error:
            why = str(error)
            if left:
                await house.clock.sleep(_PAUSE_S)
            continue
        if house.guard is not None:
            house.guard.disarm(rig.gateway)
        return Restored(ok=True, text=f"the former setting of {rig.gateway} is back ({former.mode or 'mode not said'})")
    after = ""
    if house.guard is not None and not by_person:
        with suppress(OurFault):
            house.guard.arm(rig, former, seconds=_return_after_s(house), tuning="the campaign's last")
            after = " A small process of its own goes on trying."
        await gateway.close()  # the small process that tries again needs the port
    return Restored(ok=False, text=f"the former setting of {rig.gateway} could not be put back: {why}.{after}")


async def lacking(house: House, rig: Rig, *, wait: bool) -> tuple[str, ...]:
    """Return what a rig's gateway lacks for a connection, in sentences: registration, access point name, address family. Nothing is set.

    wait: give it a minute to find service first. A gateway that only a person can read is not asked. Raises GatewayError.
    """
    gateway = house.gateway(rig.gateway)
    if (await gateway.abilities()).by_person:
        return ()
    until = house.clock.monotonic_s() + (_ATTACH_S if wait else 0.0)
    _, reading = await look(house, gateway)
    while not served(reading) and house.clock.monotonic_s() < until:
        await house.clock.sleep(5.0)
        _, reading = await look(house, gateway)
    text = ""
    if isinstance(gateway, Connected):
        capture = await gateway.connection()
        house.records.add_capture(capture)
        text = capture.text
    return house.lacking(text, reading)

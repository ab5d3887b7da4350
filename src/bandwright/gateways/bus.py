"""The modem daemon over D-Bus (kind `modem-daemon`): state, signal, cells; modes and bands where the daemon's driver can set them.

Calls go through a table of methods; nothing else is called. Facts of the daemon that this module works around:
- when a modem stops knowing, or its port dies, old values stay and no change is announced: values that have not changed for long are marked
  in the capture, and removed modems are watched for;
- the signal is measured only while a rate is set: an existing rate is left alone; one that we set is taken back on closing;
- identities stand among its properties: only the properties that describe the radio are asked for.
Numbers: E-UTRA band n is 30 + n, NR band n is 300 + n, 256 is any; modes are a mask of 2G 2, 3G 4, 4G 8, 5G 16.
"""

from __future__ import annotations

import asyncio
import json
import re
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from pydantic import Field

from bandwright.errors import GatewayBusy, GatewayError, GatewayRefused, GatewayUnreachable
from bandwright.gateways.captures import make_capture
from bandwright.gateways.declared import Declared
from bandwright.gateways.dialects.base import band_names, wanted
from bandwright.gateways.locks import PortLock
from bandwright.ports import Clock, GatewayAbilities
from bandwright.words.radio import Capture, Exchange, SettingsSeen
from bandwright.words.rig import GatewayPlan, Tuning

if TYPE_CHECKING:
    from dbus_fast import Message
    from dbus_fast.aio import MessageBus

__all__ = ["METHODS", "BusGateway", "BusSettings", "daemon_ports", "over_bus"]

SERVICE = "org.freedesktop.ModemManager1"
ROOT = "/org/freedesktop/ModemManager1"
_MODEM = f"{SERVICE}.Modem"
_ANSWER_S = 2.0
_ANY_BAND = 256
_2G, _3G, _4G, _5G = 2, 4, 8, 16


class BusSettings(Declared):
    """Settings of kind modem-daemon."""

    modem: str = Field(default="any", description="which modem: 'any', its number in the daemon, or the name of one of its ports")
    bus: str = Field(default="system", description="'system', or the address of another bus")
    timeout_s: float = Field(default=10.0, gt=0, le=120, description="how long one answer may take")
    signal_rate_s: int = Field(default=2, ge=1, le=60, description="how often the modem is asked for its signal, where nothing else has set that")
    second_port: str | None = Field(
        default=None, description="another port of the same modem that the daemon leaves alone, e.g. /dev/ttyUSB3, or host:port; settings go there by AT commands"
    )
    stale_after_s: float = Field(default=60.0, gt=0, description="after how long without any change values are marked as possibly stale")


@dataclass(frozen=True, slots=True)
class Method:
    """One call that may be made. changes: whether it alters a setting."""

    interface: str
    member: str
    signature: str = ""
    changes: bool = False


OBJECTS = Method("org.freedesktop.DBus.ObjectManager", "GetManagedObjects")
GET_ALL = Method("org.freedesktop.DBus.Properties", "GetAll", "s")
MATCH = Method("org.freedesktop.DBus", "AddMatch", "s")
CELLS = Method(_MODEM, "GetCellInfo")
PLACE = Method(f"{_MODEM}.Location", "GetLocation")
RATE = Method(f"{_MODEM}.Signal", "Setup", "u", changes=True)
SET_MODES = Method(_MODEM, "SetCurrentModes", "(uu)", changes=True)
SET_BANDS = Method(_MODEM, "SetCurrentBands", "au", changes=True)
METHODS: tuple[Method, ...] = (OBJECTS, GET_ALL, MATCH, CELLS, PLACE, RATE, SET_MODES, SET_BANDS)

_SHOWN = {
    _MODEM: ("State", "StateFailedReason", "AccessTechnologies", "SignalQuality", "CurrentModes", "SupportedModes", "CurrentBands", "SupportedBands"),
    f"{_MODEM}.Modem3gpp": ("RegistrationState", "OperatorCode", "OperatorName"),
    f"{_MODEM}.Signal": ("Rate", "Lte", "Nr5g"),
}


class BusGateway:
    """A modem behind the modem daemon."""

    kind = "modem-daemon"

    def __init__(self, plan: GatewayPlan, settings: BusSettings, *, clock: Clock) -> None:
        self._plan, self._settings, self._clock = plan, settings, clock
        self._bus: MessageBus | None = None
        self._path: str | None = None
        self._lock: PortLock | None = None
        self._gone = False
        self._rate_is_ours = False
        self._signal: tuple[str, float] | None = None
        self._one_at_a_time = asyncio.Lock()

    async def abilities(self) -> GatewayAbilities:
        """Return what can be asked of it, from the modes and bands that the daemon says the modem supports."""
        modem = await self._properties(_MODEM)
        combinations = [tuple(pair) for pair in modem.get("SupportedModes", ())]
        bands = _names(modem.get("SupportedBands", ()))
        modes = tuple(mode for mode in ("automatic", "nr-sa", "lte") if _combination(mode, combinations) is not None)
        can = len(combinations) > 1 or bool(bands)
        return GatewayAbilities(can_tune=can, modes=modes if can else (), bands=bands if can else (), label="modem daemon over D-Bus")

    async def fetch(self, *, moment: str = "idle") -> Capture:
        """Ask for state, registration, signal, place and cells. What the daemon refuses is kept as a fault of that question."""
        await self._measuring()
        exchanges = []
        parts: dict[str, Any] = {}
        for interface in _SHOWN:
            parts[interface.removeprefix(SERVICE + ".")] = await self._properties(interface)
        for name, method in (("CellInfo", CELLS), ("Location", PLACE)):
            try:
                parts[name] = await self._ask(method)
                exchanges.append(Exchange(sent=f"{method.interface}.{method.member}", received=_json(parts[name])))
            except GatewayRefused as error:
                exchanges.append(Exchange(sent=f"{method.interface}.{method.member}", received="", complete=True, fault=str(error.given)))
        for interface, values in parts.items():
            if interface.startswith("Modem"):
                exchanges.append(Exchange(sent=f"GetAll {interface}", received=_json(values)))
        meta = [("modem", self._path or ""), *self._staleness(parts.get("Modem.Signal", {}))]
        return make_capture(self.kind, exchanges, at=self._clock.now(), gateway=self._plan.key, moment=moment, text=_json(parts), meta=tuple(meta))

    async def settings(self) -> SettingsSeen:
        """Read CurrentModes and CurrentBands. The daemon has no word for EN-DC without standalone, nor for a pinned cell."""
        modem = await self._properties(_MODEM)
        allowed, preferred = modem.get("CurrentModes", (0, 0))
        bands = list(modem.get("CurrentBands", ()))
        mode = {_4G: "lte", _5G: "nr-sa", _4G | _5G: "automatic"}.get(allowed & (_4G | _5G)) if allowed else None
        names = _names(bands)
        shown = {"CurrentModes": [allowed, preferred], "CurrentBands": bands}
        capture = make_capture(
            self.kind, [Exchange(sent=f"GetAll {_MODEM}", received=_json(shown))], at=self._clock.now(), gateway=self._plan.key, text=_json(shown)
        )
        raw = (("CurrentModes", f"{allowed} {preferred}"), ("CurrentBands", " ".join(str(n) for n in sorted(bands))))
        return SettingsSeen(mode=mode, bands=names if bands and _ANY_BAND not in bands and names else None, capture=capture, raw=raw)

    async def apply(self, tuning: Tuning) -> Capture:
        """Ask for mode and bands."""
        if tuning.antenna is not None:
            raise GatewayRefused("antenna", given=tuning.antenna, todo="The modem daemon has no call for it.")
        want = wanted(tuning, label=self._plan.key)
        if want.pin is not None:
            raise GatewayRefused("a pinned cell", todo="The modem daemon has no call for it. Nothing was sent.")
        modem = await self._properties(_MODEM)
        combinations = [tuple(pair) for pair in modem.get("SupportedModes", ())]
        chosen = _combination(want.mode, combinations)
        if chosen is None:
            raise GatewayRefused("mode", given=want.mode, allowed="what the daemon lists: " + "; ".join(str(c) for c in combinations), todo="Nothing was sent.")
        bands = [_ANY_BAND] if want.all_bands else [*(30 + n for n in want.lte if want.mode != "nr-sa"), *(300 + n for n in want.nr if want.mode != "lte")]
        return await self._set(chosen, bands, modem)

    async def restore(self, seen: SettingsSeen) -> Capture:
        """Put former modes and bands back."""
        raw = dict(seen.raw)
        modes = tuple(int(n) for n in raw.get("CurrentModes", "").split() if n.isdecimal())
        bands = [int(n) for n in raw.get("CurrentBands", "").split() if n.isdecimal()]
        return await self._set(modes if len(modes) == 2 else None, bands, await self._properties(_MODEM))

    async def close(self) -> None:
        """Take back a signal rate that was ours, and let go of the bus. Safe to call twice."""
        if self._bus is not None and self._rate_is_ours and not self._gone:
            self._rate_is_ours = False
            try:
                await self._ask(RATE, [0])
            except GatewayError:
                self._rate_is_ours = False
        self._drop()
        self._signal = None

    async def _set(self, modes: Sequence[int] | None, bands: list[int], now: dict[str, Any]) -> Capture:
        exchanges = []
        if modes is not None and list(modes) != list(now.get("CurrentModes", ())):
            await self._ask(SET_MODES, [list(modes)])
            exchanges.append(Exchange(sent=f"SetCurrentModes {list(modes)}", received="OK"))
        if bands and sorted(bands) != sorted(now.get("CurrentBands", ())) and (bands != [_ANY_BAND] or now.get("SupportedBands")):
            await self._ask(SET_BANDS, [bands])
            exchanges.append(Exchange(sent=f"SetCurrentBands {bands}", received="OK"))
        return make_capture(self.kind, exchanges, at=self._clock.now(), gateway=self._plan.key)

    async def _measuring(self) -> None:
        """See to it that the signal is measured: set a rate only where none is set."""
        signal = await self._properties(f"{_MODEM}.Signal")
        if signal.get("Rate") == 0:
            await self._ask(RATE, [self._settings.signal_rate_s])
            self._rate_is_ours = True

    def _staleness(self, signal: dict[str, Any]) -> list[tuple[str, str]]:
        now_s, values = self._clock.monotonic_s(), _json(signal)
        if self._signal is None or self._signal[0] != values:
            self._signal = (values, now_s)
        unchanged_s = now_s - self._signal[1]
        return [("stale", f"the signal has not changed for {unchanged_s:.0f} s; it may be old")] if unchanged_s >= self._settings.stale_after_s else []

    async def _properties(self, interface: str) -> dict[str, Any]:
        """Return the properties of an interface that describe the radio; {} where the modem has no such interface."""
        try:
            values = await self._ask(GET_ALL, [interface])
        except GatewayRefused:
            return {}
        return {name: values[name] for name in _SHOWN[interface] if name in values}

    async def _ask(self, method: Method, body: Sequence[Any] = ()) -> Any:
        async with self._one_at_a_time:
            try:
                async with asyncio.timeout(self._settings.timeout_s):
                    bus, path = await self._opened()
                    return await _call(bus, path, method, body)
            except GatewayUnreachable:
                self._drop()
                self._gone = self._rate_is_ours = False
                raise
            except TimeoutError:
                raise GatewayUnreachable(
                    f"the modem daemon gave no answer to {method.member} within {self._settings.timeout_s:g} s", todo="It may be hung; look at its log."
                ) from None
            except (OSError, EOFError) as error:
                self._drop()
                raise GatewayUnreachable(
                    "the bus of the modem daemon cannot be reached", given=str(error) or type(error).__name__, todo="Is D-Bus running here?"
                ) from error

    def _drop(self) -> None:
        bus, self._bus, self._path = self._bus, None, None
        if bus is not None:
            bus.disconnect()
        if self._lock is not None:
            self._lock.give()
            self._lock = None

    async def _opened(self) -> tuple[MessageBus, str]:
        if self._gone:
            raise GatewayUnreachable("the modem is gone from the modem daemon", todo="Unplugged or restarted? It is looked for again at the next question.")
        if self._bus is not None and self._path is not None and self._bus.connected:
            return self._bus, self._path
        bus = self._bus = await _connected(None if self._settings.bus == "system" else self._settings.bus)
        path = self._path = _choose(await _objects(bus), self._settings.modem)
        lock = PortLock(f"modem-daemon:{self._settings.bus}:{path}")
        lock.take(f"modem {path.rpartition('/')[2]} of the modem daemon")
        self._lock = lock
        bus.add_message_handler(self._heard)
        rule = f"type='signal',sender='{SERVICE}',interface='org.freedesktop.DBus.ObjectManager',member='InterfacesRemoved'"
        await _call(bus, "/org/freedesktop/DBus", MATCH, [rule], destination="org.freedesktop.DBus")
        owner = f"type='signal',sender='org.freedesktop.DBus',member='NameOwnerChanged',arg0='{SERVICE}'"
        await _call(bus, "/org/freedesktop/DBus", MATCH, [owner], destination="org.freedesktop.DBus")
        return bus, path

    def _heard(self, message: Message) -> None:
        removed = message.member == "InterfacesRemoved" and bool(message.body) and message.body[0] == self._path
        ended = message.member == "NameOwnerChanged" and message.body[:1] == [SERVICE] and not message.body[2]
        if removed or ended:
            self._gone = True


def over_bus(plan: GatewayPlan, settings: BusSettings, *, clock: Clock) -> BusGateway:
    """Return the gateway of a plan of kind modem-daemon."""
    return BusGateway(plan, settings, clock=clock)


async def daemon_ports(bus_address: str | None = None) -> dict[str, str]:
    """Return the ports that the modem daemon uses: name -> modem path; {} where no daemon runs.

    Raises OSError, EOFError or TimeoutError without a bus.
    """
    async with asyncio.timeout(_ANSWER_S):
        bus = await _connected(bus_address)
        try:
            modems = await _objects(bus)
        except GatewayUnreachable:
            return {}
        finally:
            bus.disconnect()
    return {name: path for path, interfaces in modems.items() for name, _kind in interfaces.get(_MODEM, {}).get("Ports", ())}


async def _connected(bus_address: str | None) -> MessageBus:
    from dbus_fast import BusType
    from dbus_fast.aio import MessageBus
    from dbus_fast.errors import AuthError, InvalidAddressError

    try:
        return await MessageBus(bus_address=bus_address, bus_type=BusType.SYSTEM).connect()
    except (AuthError, InvalidAddressError) as error:
        raise OSError(str(error)) from error


async def _objects(bus: MessageBus) -> dict[str, dict[str, dict[str, Any]]]:
    objects: dict[str, dict[str, dict[str, Any]]] = await _call(bus, ROOT, OBJECTS, ())
    return objects


async def _call(bus: MessageBus, path: str, method: Method, body: Sequence[Any], *, destination: str = SERVICE) -> Any:
    """Call a method of the table and return its answer without D-Bus's wrappers. Raises GatewayRefused or GatewayUnreachable."""
    from dbus_fast import Message, MessageType

    if method not in METHODS:
        raise GatewayRefused(f"{method.interface}.{method.member} is not in the table of calls", todo="Nothing was sent.")
    message = Message(destination=destination, path=path, interface=method.interface, member=method.member, signature=method.signature, body=list(body))
    reply = await bus.call(message)
    if reply.message_type is MessageType.ERROR:
        raise _refusal(method, reply.error_name or "", str(reply.body[0]) if reply.body else "")
    return _plain(reply.body[0]) if reply.body else None


def _refusal(method: Method, name: str, text: str) -> GatewayError:
    short = f"{name.rpartition('.')[2]}: {text}" if text else name
    if name in ("org.freedesktop.DBus.Error.ServiceUnknown", "org.freedesktop.DBus.Error.NameHasNoOwner"):
        return GatewayUnreachable("the modem daemon does not run", todo="Start it (its service is ModemManager), or use another kind of gateway.")
    if name in ("org.freedesktop.DBus.Error.UnknownObject", "org.freedesktop.DBus.Error.NoReply", "org.freedesktop.DBus.Error.Disconnected"):
        return GatewayUnreachable("the modem is gone from the modem daemon", given=short)
    if "Unauthorized" in name or "AccessDenied" in name:
        return GatewayRefused(
            f"this user may not call {method.member}",
            given=short,
            todo="A polkit rule must grant org.freedesktop.ModemManager1.Device.Control to this user; docs/gateways.md shows one.",
        )
    if name.endswith(("InProgress", "Core.Retry", "WrongState")):
        return GatewayBusy(f"the modem daemon cannot do {method.member} now", given=short, todo="Try again in some seconds.")
    if name.endswith(("Core.Unsupported", "UnknownMethod", "UnknownInterface")):
        return GatewayRefused(
            f"the daemon's driver for this modem has no {method.member}", given=short, todo="Use the modem's own command port for that, or its page."
        )
    return GatewayRefused(f"the modem daemon refused {method.member}", given=short)


def _choose(objects: dict[str, dict[str, dict[str, Any]]], which: str) -> str:
    modems = {path: values[_MODEM] for path, values in objects.items() if _MODEM in values}
    for path, values in sorted(modems.items(), key=lambda item: int(re.sub(r"\D", "", item[0].rpartition("/")[2]) or 0)):
        ports = [name for name, _kind in values.get("Ports", ())]
        if which in ("any", path, path.rpartition("/")[2]) or which.rpartition("/")[2] in ports:
            return path
    had = ", ".join(sorted(modems)) or "none"
    raise GatewayUnreachable(f"the modem daemon has no modem {which!r}", given=f"it has {had}", todo="Plug the modem in, and give it half a minute.")


def _combination(mode: str, combinations: Sequence[tuple[int, ...]]) -> tuple[int, ...] | None:
    """Return the supported (allowed, preferred) for a mode: the widest for automatic, else the one that allows that technology alone."""
    if mode == "automatic":
        return max(combinations, key=lambda pair: (pair[0].bit_count(), pair[1] == 0), default=None)
    want = {"lte": _4G, "nr-sa": _5G}.get(mode)
    return next((pair for pair in combinations if pair[0] == want), None)


def _names(numbers: Sequence[int]) -> tuple[str, ...]:
    lte = [n - 30 for n in numbers if 31 <= n <= 115] + [106 for n in numbers if n == 1136]
    return band_names(lte, [n - 300 for n in numbers if 301 <= n <= 561])


def _plain(value: Any) -> Any:
    from dbus_fast import Variant

    if isinstance(value, Variant):
        return _plain(value.value)
    if isinstance(value, dict):
        return {key: _plain(item) for key, item in value.items()}
    return [_plain(item) for item in value] if isinstance(value, list | tuple) else value


def _json(value: Any) -> str:
    return json.dumps(value, indent=1, sort_keys=True, default=str)

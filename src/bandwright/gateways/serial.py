"""Modems that speak AT commands, over a serial port or over TCP (kinds `at-serial` and `at-tcp`).

The dialect is declared, or found by asking each dialect's own read-back command once, most telling first. Everything sent is a row of
`dialects.table`. What cannot be read back is never set.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence

from pydantic import Field

from bandwright.errors import GatewayRefused, GatewayUnreachable
from bandwright.gateways.captures import make_capture
from bandwright.gateways.commands import Command
from bandwright.gateways.declared import Declared, split_address
from bandwright.gateways.dialects.base import Dialect, wanted
from bandwright.gateways.dialects.table import CONNECTION, DIALECTS, dialect
from bandwright.gateways.links import Link, SerialLink, TcpLink
from bandwright.gateways.owners import daemon_owner
from bandwright.gateways.proof import read_back
from bandwright.gateways.session import Session
from bandwright.ports import Clock, GatewayAbilities
from bandwright.words.radio import Capture, Exchange, SettingsSeen
from bandwright.words.rig import GatewayPlan, Tuning

__all__ = ["AtGateway", "SerialSettings", "TcpSettings", "over_either", "over_serial", "over_tcp"]


_ASK_TIMES = 3
_SET_TIMES = 2


class _AtSettings(Declared):
    dialect: str = Field(default="auto", description="key of the command dialect, or 'auto' to find it by asking")
    timeout_s: float = Field(default=5.0, gt=0, le=120, description="how long nothing may come while an answer is waited for")
    bands: str | None = Field(default=None, description="bands the gateway has, e.g. 'B1 B3 B20 n78', where it does not say so itself")
    quiet_s: float = Field(default=0.3, gt=0, le=10, description="how long nothing must come before a line that was out of step is used again")


class SerialSettings(_AtSettings):
    """Settings of kind at-serial."""

    port: str = Field(description="serial port of the modem's command channel, e.g. /dev/ttyUSB2, /dev/cu.usbmodem1 or COM7")
    speed: int = Field(default=115200, ge=300, le=4_000_000, description="bits per second; USB ports ignore it")


class TcpSettings(_AtSettings):
    """Settings of kind at-tcp."""

    address: str = Field(description="host:port where AT commands are answered")
    connect_s: float = Field(default=5.0, gt=0, le=120, description="how long connecting may take")


class AtGateway:
    """A modem behind an AT session."""

    def __init__(self, kind: str, link: Link, *, plan: GatewayPlan, settings: _AtSettings, clock: Clock) -> None:
        self.kind = kind
        self._plan, self._clock = plan, clock
        self._session = Session(link, timeout_s=settings.timeout_s, quiet_s=settings.quiet_s)
        self._dialect: Dialect | None = None if settings.dialect == "auto" else dialect(settings.dialect)
        self._prepared = False
        self._has_answered: set[str] = set()
        self._supported = tuple(settings.bands.replace(",", " ").split()) if settings.bands else None

    async def abilities(self) -> GatewayAbilities:
        """Return what can be asked of it: from the dialect, and the bands it says it has."""
        speaks = await self._speaks()
        seen = await self.settings() if speaks.can_tune else SettingsSeen()
        if not seen.raw:  # what cannot be read back is never set
            return GatewayAbilities(can_tune=False, label=f"AT, {speaks.label}, read only")
        supported = await self._bands(speaks, dict(seen.raw)) if speaks.can_choose_bands else ()
        return GatewayAbilities(can_tune=True, modes=speaks.modes, bands=supported, can_pin_cell=speaks.can_pin_cell, label=f"AT, {speaks.label}")

    async def fetch(self, *, moment: str = "idle") -> Capture:
        """Ask for the radio state."""
        speaks = await self._speaks()
        rows = speaks.reads_under_load if moment.startswith("load") else speaks.reads
        exchanges = await self._ask_all([row.fill() for row in rows])
        return self._capture(exchanges, moment=moment, speaks=speaks)

    async def settings(self) -> SettingsSeen:
        """Read the tuning settings back."""
        speaks = await self._speaks()
        commands = [row.fill() for row in speaks.asks]
        exchanges = [await self._read_back(command) for command in commands]
        raw = speaks.raw(_answers(commands, exchanges))
        seen = speaks.seen(raw)
        return SettingsSeen(
            mode=seen.mode, bands=seen.bands, cell=seen.cell, capture=self._capture(exchanges, moment=None, speaks=speaks), raw=tuple(raw.items())
        )

    async def apply(self, tuning: Tuning) -> Capture:
        """Ask for a tuning: only what differs from the read-back is sent."""
        speaks = await self._speaks()
        if tuning.antenna is not None:
            raise GatewayRefused(
                "antenna", given=tuning.antenna, todo="No command for switching antennas is documented for this dialect; switch it on the gateway's own page."
            )
        want = wanted(tuning, label=self._plan.key)
        if not speaks.can_tune:
            speaks.write(want, raw={}, supported=())
        raw = dict((await self.settings()).raw)
        supported = await self._bands(speaks, raw)

        def means(now: dict[str, str]) -> bool:
            seen = speaks.seen(now)
            held = SettingsSeen(mode=seen.mode, bands=seen.bands, cell=seen.cell)
            whole = seen.bands is None or set(supported) <= set(seen.bands) if want.all_bands else seen.bands is not None
            return seen.mode is not None and whole and (want.pin is None or bool(seen.cell)) and read_back(tuning, held)[0]

        return await self._until_held(speaks, lambda now: speaks.write(want, raw=now, supported=supported), raw, means=means)

    async def restore(self, seen: SettingsSeen) -> Capture:
        """Put former settings back, as `settings()` returned them."""
        speaks = await self._speaks()
        former = dict(seen.raw)
        was = speaks.seen(former)
        return await self._until_held(
            speaks,
            lambda now: speaks.put_back(former, raw=now),
            dict((await self.settings()).raw),
            means=lambda now: was.mode is not None and was.bands is not None and speaks.seen(now) == was,
        )

    async def connection(self) -> Capture:
        """Ask what a person must have set for a connection: SIM state, access point name and address family, active contexts."""
        speaks = await self._speaks()
        return self._capture(await self._ask_all([row.fill() for row in CONNECTION]), moment=None, speaks=speaks)

    async def close(self) -> None:
        """Let go of the port. Safe to call twice."""
        self._prepared = False
        await self._session.close()

    async def _speaks(self) -> Dialect:
        """Return the dialect, found once, with its preparing commands sent once per connection."""
        self._session.restart_watch()
        if self._dialect is None:
            for one in DIALECTS:
                answer = await self._session.ask(one.recognise.fill())
                if answer.complete and answer.fault is None:
                    self._dialect = one
                    break
            else:
                raise GatewayUnreachable(
                    f"{self._session.link.name} answers AT but no command that reads a radio", todo="Declare its dialect, or use kind 'pasted'."
                )
        if not self._prepared:
            for row in self._dialect.prepare:
                await self._session.ask(row.fill())
            self._prepared = True
        return self._dialect

    async def _bands(self, speaks: Dialect, raw: dict[str, str]) -> tuple[str, ...]:
        if self._supported is None:
            commands = [row.fill() for row in speaks.capability]
            answers = _answers(commands, await self._ask_all(commands) if commands else [])
            raw.update(speaks.raw(answers))
            self._supported = speaks.supported(answers, raw)
        return self._supported

    async def _until_held(
        self, speaks: Dialect, missing: Callable[[dict[str, str]], Sequence[Command]], raw: dict[str, str], *, means: Callable[[dict[str, str]], bool]
    ) -> Capture:
        """Send what is missing, read back, and send once more what is still missing. A time-out ends nothing: only the read-back tells what it did.

        means: whether what reads back means what is wanted, though it is not written as it was sent.
        Raises GatewayRefused at the first refusal, and where settings were answered OK and still do not read back.
        """
        exchanges: list[Exchange] = []
        commands = missing(raw)
        for _ in range(_SET_TIMES):
            for command in commands:
                done = await self._session.ask(command)
                exchanges.append(done)
                if done.complete and done.fault is not None:
                    todo = f"{len(exchanges) - 1} commands before it were answered OK; read the settings back."
                    raise GatewayRefused(f"{self._session.link.name} answered {command.text}", given=done.fault, todo=todo)
            if not commands:
                break
            raw = raw | dict((await self.settings()).raw)
            commands = missing(raw)
        if commands and not means(raw):
            name = commands[0].row.key
            reads = next((f"; it reads back as {value}" for key, value in raw.items() if key in commands[0].text or key == name), "")
            todo = "It is not in force. Another program or a rule of the network may hold the setting."
            raise GatewayRefused(f"{self._session.link.name} answered OK, and {commands[0].text} does not read back{reads}", todo=todo)
        return self._capture(exchanges, moment=None, speaks=speaks)

    async def _read_back(self, command: Command) -> Exchange:
        """Ask for a setting, again where no answer comes. What was answered once must be answered always: a missing read-back proves nothing.

        Raises GatewayUnreachable where a setting that was read before cannot be read any more.
        """
        for _ in range(_ASK_TIMES if command.row.key in self._has_answered else 2):
            done = await self._session.ask(command)
            if done.complete and done.fault is None and command.row.expects in done.received:
                self._has_answered.add(command.row.key)
                return done
        if command.row.key in self._has_answered:
            raise GatewayUnreachable(
                f"{self._session.link.name} no longer says its settings", given=f"{command.text}: {done.fault or 'no value'}", todo="Try again."
            )
        return done

    async def _ask_all(self, commands: Sequence[Command]) -> list[Exchange]:
        exchanges = [await self._session.ask(command) for command in commands]
        if commands and not any(done.complete for done in exchanges):
            raise GatewayUnreachable(f"{self._session.link.name} answered none of {len(commands)} commands", given=exchanges[-1].fault)
        return exchanges

    def _capture(self, exchanges: Sequence[Exchange], *, moment: str | None, speaks: Dialect) -> Capture:
        return make_capture(self.kind, exchanges, at=self._clock.now(), gateway=self._plan.key, moment=moment, meta=(("dialect", speaks.key),))


def over_serial(plan: GatewayPlan, settings: SerialSettings, *, clock: Clock) -> AtGateway:
    """Return the gateway of a plan of kind at-serial."""
    return AtGateway("at-serial", SerialLink(settings.port, speed=settings.speed, owner=daemon_owner), plan=plan, settings=settings, clock=clock)


def over_tcp(plan: GatewayPlan, settings: TcpSettings, *, clock: Clock) -> AtGateway:
    """Return the gateway of a plan of kind at-tcp."""
    host, port = split_address(settings.address)
    return AtGateway("at-tcp", TcpLink(host, port, connect_s=settings.connect_s), plan=plan, settings=settings, clock=clock)


def over_either(plan: GatewayPlan, where: str, *, kind: str, clock: Clock) -> AtGateway:
    """Return a modem behind a serial port ("/dev/ttyUSB3", "COM7") or TCP ("host:port"), as part of a gateway of another kind."""
    if re.fullmatch(r"[^/\\]+:\d+", where):
        host, port = split_address(where)
        tcp = TcpSettings(address=where)
        return AtGateway(kind, TcpLink(host, port, connect_s=tcp.connect_s), plan=plan, settings=tcp, clock=clock)
    wired = SerialSettings(port=where)
    return AtGateway(kind, SerialLink(wired.port, speed=wired.speed, owner=daemon_owner), plan=plan, settings=wired, clock=clock)


def _answers(commands: Sequence[Command], exchanges: Sequence[Exchange]) -> dict[str, str]:
    return {command.row.key: done.received for command, done in zip(commands, exchanges, strict=True) if done.complete and done.fault is None}

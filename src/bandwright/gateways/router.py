"""The dialect of `monitor` over a secure shell (kind `router-ssh`): a router system whose console prints `monitor` and takes `set network-mode=`.

Commands are rows of a table, like those of modems. Keys and passwords are the business of the ssh program; none is kept here. `network-mode`, `band` and `5g-band`: from memory. A pinned cell is not offered: how to lift one is not documented to us.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass

from pydantic import Field

from bandwright.errors import GatewayRefused, GatewayUnreachable
from bandwright.gateways.captures import make_capture
from bandwright.gateways.commands import Choice, Command, Numbers, Row
from bandwright.gateways.declared import Declared
from bandwright.gateways.dialects.base import band_names, wanted
from bandwright.gateways.programs import run_program
from bandwright.ports import Clock, GatewayAbilities
from bandwright.words.radio import Capture, Exchange, SettingsSeen
from bandwright.words.rig import GatewayPlan, Tuning

__all__ = ["ROUTER_ROWS", "RouterGateway", "RouterSettings", "over_ssh"]

_MODES = {"automatic": "lte,5g", "lte": "lte", "nr-sa": "5g"}


@dataclass(frozen=True, slots=True)
class _Name:
    """The name of an interface."""

    def text(self, value: object) -> str | None:
        """Return the name, or None where it is none."""
        return value if isinstance(value, str) and re.fullmatch(r"[A-Za-z0-9_-]{1,32}", value) else None

    def allowed(self) -> str:
        """Return what may stand here, for a sentence."""
        return "up to 32 letters, digits, _ and -"


_INTERFACE = ("interface", _Name())
MONITOR = Row(key="monitor", template="/interface lte monitor {interface} once", slots=(_INTERFACE,), source="recorded output")
DETAIL = Row(key="detail", template='/interface lte print detail where name="{interface}"', slots=(_INTERFACE,), source="recorded output")
MODE = Row(
    key="network-mode",
    template="/interface lte set {interface} network-mode={modes}",
    slots=(_INTERFACE, ("modes", Choice(("lte", "5g", "lte,5g", "3g,lte", "3g,lte,5g", "gsm,3g,lte", "gsm,3g,lte,5g", "3g", "gsm,3g")))),
    changes=True,
    source="from memory",
)
LTE_BANDS = Row(
    key="band",
    template="/interface lte set {interface} band={bands}",
    slots=(_INTERFACE, ("bands", Numbers(1, 106, separator=",", empty='""'))),
    changes=True,
    source="from memory",
)
NR_BANDS = Row(
    key="5g-band",
    template="/interface lte set {interface} 5g-band={bands}",
    slots=(_INTERFACE, ("bands", Numbers(1, 512, separator=",", empty='""'))),
    changes=True,
    source="from memory",
)
ROUTER_ROWS = (MONITOR, DETAIL, MODE, LTE_BANDS, NR_BANDS)


class RouterSettings(Declared):
    """Settings of kind router-ssh."""

    host: str = Field(pattern=r"^[A-Za-z0-9\[][A-Za-z0-9.:\[\]-]*$", description="address of the router, e.g. 192.0.2.1")
    user: str = Field(
        default="admin", pattern=r"^[A-Za-z0-9_][A-Za-z0-9_.-]*$", description="user on the router; log in with a key, ssh asks for no password here"
    )
    port: int = Field(default=22, ge=1, le=65535, description="port of its secure shell")
    interface: str = Field(default="lte1", pattern=r"^[A-Za-z0-9_-]{1,32}$", description="name of its mobile interface")
    program: str = Field(default="ssh", description="the ssh program")
    timeout_s: float = Field(default=15.0, gt=0, le=120, description="how long one answer may take")


class RouterGateway:
    """A router whose console prints `monitor`."""

    kind = "router-ssh"

    def __init__(self, plan: GatewayPlan, settings: RouterSettings, *, clock: Clock) -> None:
        self._plan, self._settings, self._clock = plan, settings, clock

    async def abilities(self) -> GatewayAbilities:
        """Return what can be asked of it. It does not say which bands it has."""
        return GatewayAbilities(can_tune=True, modes=tuple(_MODES), label="router console over ssh")

    async def fetch(self, *, moment: str = "idle") -> Capture:
        """Ask its monitor once."""
        return self._capture([await self._run(MONITOR.fill(interface=self._settings.interface))], moment)

    async def settings(self) -> SettingsSeen:
        """Read network-mode, band and 5g-band back."""
        done = await self._run(DETAIL.fill(interface=self._settings.interface))
        raw = {name: value.strip('"') for name, value in re.findall(r'(?<![\w-])(network-mode|5g-band|band)=("[^"]*"|[\w,]*)', done.received)}
        words = set(raw.get("network-mode", "").split(",")) & {"lte", "5g"}
        mode = "automatic" if words == {"lte", "5g"} else {"lte": "lte", "5g": "nr-sa"}.get("".join(words))
        lte, nr = _numbers(raw.get("band")), _numbers(raw.get("5g-band"))
        one_list_is_all = (mode != "nr-sa" and not lte) or (mode != "lte" and not nr)
        bands = None if mode is None or one_list_is_all else band_names(lte if mode != "nr-sa" else (), nr if mode != "lte" else ())
        return SettingsSeen(mode=mode, bands=bands, capture=self._capture([done], None), raw=tuple(raw.items()))

    async def apply(self, tuning: Tuning) -> Capture:
        """Set mode and bands; lists that are empty mean all bands."""
        want = wanted(tuning, label=self._plan.key)
        if want.pin is not None or tuning.antenna is not None:
            raise GatewayRefused("a pinned cell or an antenna", todo="No way to set and to lift it is documented for this console. Nothing was sent.")
        if want.mode not in _MODES:
            raise GatewayRefused("mode", given=want.mode, allowed=", ".join(_MODES), todo="Nothing was sent.")
        return await self._set({"network-mode": _MODES[want.mode], "band": ",".join(map(str, want.lte)), "5g-band": ",".join(map(str, want.nr))})

    async def restore(self, seen: SettingsSeen) -> Capture:
        """Put former values back."""
        return await self._set(dict(seen.raw))

    async def close(self) -> None:
        """Nothing is held between questions."""

    async def _set(self, values: dict[str, str]) -> Capture:
        now = dict((await self.settings()).raw)
        name = self._settings.interface
        commands: list[Command] = []
        for key, row in (("band", LTE_BANDS), ("5g-band", NR_BANDS)):
            if key in values and key in now and values[key] != now[key]:
                commands.append(row.fill(interface=name, bands=_numbers(values[key])))
        if values.get("network-mode") and values["network-mode"] != now.get("network-mode"):
            commands.append(MODE.fill(interface=name, modes=values["network-mode"]))
        exchanges = []
        for command in commands:
            done = await self._run(command)
            exchanges.append(done)
            if done.received.strip():  # the console prints nothing where it agrees
                raise GatewayRefused(f"{self._plan.key} answered {command.text}", given=done.received.strip().splitlines()[0])
        return self._capture(exchanges, None)

    async def _run(self, command: Command) -> Exchange:
        here = self._settings
        options = ["-o", "BatchMode=yes", "-o", f"ConnectTimeout={max(1, round(here.timeout_s / 2))}", "-p", str(here.port)]
        words = [here.program, *options, f"{here.user}@{here.host}", command.text]
        done = await run_program(words, timeout_s=here.timeout_s, install="Install an OpenSSH client.")
        if done.status is None or done.status == 255:  # 255 is ssh's own failure
            todo = "Check address and key: `ssh USER@HOST` must work without a question."
            raise GatewayUnreachable(f"no secure shell to {here.host}", given=done.trouble.splitlines()[-1] if done.trouble else None, todo=todo)
        return Exchange(sent=command.text, received=done.out + done.trouble)

    def _capture(self, exchanges: Sequence[Exchange], moment: str | None) -> Capture:
        return make_capture(self.kind, exchanges, at=self._clock.now(), gateway=self._plan.key, moment=moment, meta=(("dialect", "monitor"),))


def over_ssh(plan: GatewayPlan, settings: RouterSettings, *, clock: Clock) -> RouterGateway:
    """Return the gateway of a plan of kind router-ssh."""
    return RouterGateway(plan, settings, clock=clock)


def _numbers(text: str | None) -> tuple[int, ...]:
    return tuple(sorted({int(n) for n in re.findall(r"\d+", text or "")}))

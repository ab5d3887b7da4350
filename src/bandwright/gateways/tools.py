"""QMI and MBIM command-line tools as sources (kinds `qmi-tool` and `mbim-tool`): they read; tunings go another way.

Each question is one run of the tool with arguments from a table, through its proxy where wanted, so that it can share the device with
a daemon. What the tools print is kept as it is: known oddities (a channel cut to 16 bits, RSRQ printed in dBm) are for the reader of the text.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass

from pydantic import Field

from bandwright.errors import GatewayRefused, GatewayUnreachable
from bandwright.gateways.captures import make_capture
from bandwright.gateways.declared import Declared
from bandwright.gateways.dialects.base import band_names
from bandwright.gateways.programs import run_program
from bandwright.ports import Clock, GatewayAbilities
from bandwright.words.radio import Capture, Exchange, SettingsSeen
from bandwright.words.rig import GatewayPlan, Tuning

__all__ = ["MBIM", "QMI", "ToolFamily", "ToolGateway", "ToolSettings", "over_mbim", "over_qmi"]


class ToolSettings(Declared):
    """Settings of kinds qmi-tool and mbim-tool."""

    device: str = Field(default="/dev/cdc-wdm0", pattern=r"^/[\w./:-]+$", description="control device of the modem")
    proxy: bool = Field(default=True, description="share the device with other programs through the tool's proxy")
    open_as: str = Field(default="auto", pattern=r"^(auto|qmi|mbim)$", description="how qmicli opens the device: auto, qmi, or mbim (QMI within MBIM)")
    timeout_s: float = Field(default=10.0, gt=0, le=120, description="how long one answer may take")


@dataclass(frozen=True, slots=True, kw_only=True)
class ToolFamily:
    """One tool: its program and the arguments it may be run with; nothing else is ever run."""

    kind: str
    program: str
    package: str
    idle: tuple[str, ...]
    loaded: tuple[str, ...]
    settings: tuple[str, ...] = ()

    def arguments(self) -> tuple[str, ...]:
        """Return every argument in the table."""
        return (*self.idle, *self.loaded, *self.settings)


QMI = ToolFamily(
    kind="qmi-tool",
    program="qmicli",
    package="libqmi-utils",
    idle=(
        "--nas-get-signal-info",
        "--nas-get-system-info",
        "--nas-get-lte-cphy-ca-info",
        "--nas-get-cell-location-info",
        "--nas-get-rf-band-info",
        "--nas-get-tx-rx-info=lte",
    ),
    loaded=("--nas-get-signal-info", "--nas-get-lte-cphy-ca-info", "--nas-get-tx-rx-info=lte"),
    settings=("--nas-get-system-selection-preference",),
)
MBIM = ToolFamily(
    kind="mbim-tool",
    program="mbimcli",
    package="libmbim-utils",
    idle=("--query-registration-state", "--query-packet-service-state", "--query-signal-state", "--ms-query-base-stations-info"),
    loaded=("--query-signal-state", "--ms-query-base-stations-info"),
)


class ToolGateway:
    """A modem behind a command-line tool."""

    def __init__(self, family: ToolFamily, plan: GatewayPlan, settings: ToolSettings, *, clock: Clock) -> None:
        self.kind = family.kind
        self._family, self._plan, self._settings, self._clock = family, plan, settings, clock

    async def abilities(self) -> GatewayAbilities:
        """Return that it is read only."""
        return GatewayAbilities(can_tune=False, label=f"{self._family.program}, read only")

    async def fetch(self, *, moment: str = "idle") -> Capture:
        """Ask each question of the table."""
        questions = self._family.loaded if moment.startswith("load") else self._family.idle
        return self._capture([await self._run(question) for question in questions], moment)

    async def settings(self) -> SettingsSeen:
        """Read mode and band preferences, where the tool has a question for them."""
        exchanges = [await self._run(question) for question in self._family.settings]
        raw = tuple((name, value) for done in exchanges for name, value in _preferences(done.received).items())
        mode, bands = _meaning(dict(raw))
        return SettingsSeen(mode=mode, bands=bands, capture=self._capture(exchanges, None), raw=raw)

    async def apply(self, tuning: Tuning) -> Capture:
        """Refuse: this kind is read only."""
        raise GatewayRefused(
            f"{self._plan.key} is only read by {self._family.program}", given=tuning.key, todo="Use kind 'modem-daemon' or 'at-serial' to tune it."
        )

    async def restore(self, seen: SettingsSeen) -> Capture:
        """Refuse: this kind is read only, so it changed nothing."""
        del seen
        raise GatewayRefused(f"{self._plan.key} is only read by {self._family.program}", todo="It changed nothing that would have to be put back.")

    async def close(self) -> None:
        """Nothing is held between questions."""

    async def _run(self, question: str) -> Exchange:
        if question not in self._family.arguments():
            raise GatewayRefused(f"{question} is not in the table of {self._family.program}", todo="Nothing was run.")
        here = self._settings
        how = [f"--device-open-{here.open_as}"] if here.open_as != "auto" and self._family is QMI else []
        words = [self._family.program, "-d", here.device, *(["-p"] if here.proxy else []), *how, question]
        done = await run_program(words, timeout_s=self._settings.timeout_s, install=f"On Debian: apt install {self._family.package}.")
        shown = f"{self._family.program} {question}"
        if done.status == 0:
            return Exchange(sent=shown, received=done.out)
        return Exchange(
            sent=shown,
            received=done.out,
            complete=done.status is not None,
            fault=done.trouble.splitlines()[-1] if done.trouble else f"exit status {done.status}",
        )

    def _capture(self, exchanges: Sequence[Exchange], moment: str | None) -> Capture:
        if exchanges and all(done.fault is not None for done in exchanges):
            fault = exchanges[0].fault or ""
            denied = "permission" in fault.lower()
            todo = (
                "Give this user the right to open the device (a udev rule; docs/gateways.md shows one)."
                if denied
                else "Check the device; `bandwright check` lists what is there."
            )
            raise GatewayUnreachable(f"{self._family.program} got no answer from {self._settings.device}", given=fault, todo=todo)
        return make_capture(self.kind, exchanges, at=self._clock.now(), gateway=self._plan.key, moment=moment)


def over_qmi(plan: GatewayPlan, settings: ToolSettings, *, clock: Clock) -> ToolGateway:
    """Return the gateway of a plan of kind qmi-tool."""
    return ToolGateway(QMI, plan, settings, clock=clock)


def over_mbim(plan: GatewayPlan, settings: ToolSettings, *, clock: Clock) -> ToolGateway:
    """Return the gateway of a plan of kind mbim-tool."""
    return ToolGateway(MBIM, plan, settings, clock=clock)


def _preferences(text: str) -> dict[str, str]:
    return {name.strip(): value for name, value in re.findall(r"^\s*([^:\n]*preference[^:\n]*):\s*'([^'\n]*)'", text, re.MULTILINE | re.IGNORECASE)}


def _meaning(raw: dict[str, str]) -> tuple[str | None, tuple[str, ...] | None]:
    words = {word.strip() for word in raw.get("Mode preference", "").split(",")} & {"lte", "5gnr"}
    mode = {frozenset(("lte",)): "lte", frozenset(("5gnr",)): "nr-sa", frozenset(("lte", "5gnr")): "automatic"}.get(frozenset(words))
    lists = {name: [int(n) for n in re.findall(r"\d+", value)] for name, value in raw.items() if "band preference" in name.lower()}
    lte = next((numbers for name, numbers in lists.items() if name.lower().startswith("lte band preference (ext")), None)
    lte = lte if lte is not None else next((numbers for name, numbers in lists.items() if name.lower().startswith("lte band preference")), None)
    nr = [n for name, numbers in lists.items() if name.lower().startswith("nr5g") for n in numbers]
    return mode, None if lte is None and not nr else band_names(lte or (), nr)

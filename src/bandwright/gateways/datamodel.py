"""TR-181 (Device:2.19) `Device.Cellular.` as a source (kind `tr181`): from a file that something else writes, or a JSON document over HTTP.

It reads only. The model has no band, channel, cell identity or SINR, so little can be proven with it; it says how strong the main
carrier is and which technology is in use. Source: Broadband Forum TR-181 Issue 2 Amendment 19, Device.Cellular.Interface.{i}.
"""

from __future__ import annotations

import asyncio
import re
from pathlib import Path

from pydantic import Field, model_validator

from bandwright.errors import GatewayRefused, GatewayUnreachable
from bandwright.gateways.captures import make_capture
from bandwright.gateways.declared import Declared
from bandwright.gateways.documents import Request, Secrets, ask_web
from bandwright.ports import Clock, GatewayAbilities
from bandwright.words.radio import Capture, Exchange, SettingsSeen
from bandwright.words.rig import GatewayPlan, Tuning

__all__ = ["DataModelGateway", "DataModelSettings", "over_data_model"]


class DataModelSettings(Declared):
    """Settings of kind tr181."""

    file: str | None = Field(default=None, description="file that holds the parameters, as JSON or as lines NAME=VALUE")
    url: str | None = Field(default=None, pattern=r"^https?://", description="address of a JSON document that holds the parameters")
    headers: dict[str, str] = Field(default_factory=dict, description="headers of the request; a value 'secret:NAME' is taken from the file of secrets")
    verify: bool = Field(default=True, description="whether the certificate of an https address is checked")
    timeout_s: float = Field(default=10.0, gt=0, le=120, description="how long one answer may take")
    older_than_s: float = Field(default=120.0, gt=0, description="a file not written for longer than this is marked as possibly stale")

    @model_validator(mode="after")
    def _one_source(self) -> DataModelSettings:
        if (self.file is None) == (self.url is None):
            raise ValueError("give either file or url")
        return self


class DataModelGateway:
    """A gateway by its TR-181 parameters."""

    kind = "tr181"

    def __init__(self, plan: GatewayPlan, settings: DataModelSettings, *, clock: Clock, secrets: Secrets | None) -> None:
        self._plan, self._settings, self._clock, self._secrets = plan, settings, clock, secrets

    async def abilities(self) -> GatewayAbilities:
        """Return that it is read only."""
        return GatewayAbilities(can_tune=False, label="TR-181 data model, read only")

    async def fetch(self, *, moment: str = "idle") -> Capture:
        """Read the parameters."""
        done, meta = await self._parameters()
        return make_capture(self.kind, [done], at=self._clock.now(), gateway=self._plan.key, moment=moment, text=done.received, meta=meta)

    async def settings(self) -> SettingsSeen:
        """Read PreferredAccessTechnology, the one setting of the model that says a mode."""
        done, meta = await self._parameters()
        found = re.search(r'PreferredAccessTechnology"?\s*[=:]\s*"([^"]*)"', done.received)
        raw = (("PreferredAccessTechnology", found.group(1)),) if found else ()
        mode = {"LTE": "lte", "NR": "nr-sa", "AUTO": "automatic"}.get(found.group(1).upper()) if found else None
        capture = make_capture(self.kind, [done], at=self._clock.now(), gateway=self._plan.key, text=done.received, meta=meta)
        return SettingsSeen(mode=mode, capture=capture, raw=raw)

    async def apply(self, tuning: Tuning) -> Capture:
        """Refuse: this kind is read only."""
        raise GatewayRefused(f"{self._plan.key} is only read", given=tuning.key, todo="Use kind 'remote' with a request of your own to set it.")

    async def restore(self, seen: SettingsSeen) -> Capture:
        """Refuse: this kind is read only, so it changed nothing."""
        del seen
        raise GatewayRefused(f"{self._plan.key} is only read", todo="It changed nothing that would have to be put back.")

    async def close(self) -> None:
        """Nothing is held between questions."""

    async def _parameters(self) -> tuple[Exchange, tuple[tuple[str, str], ...]]:
        here = self._settings
        if here.url is not None:
            request = Request(url=here.url, headers=here.headers, verify=here.verify)
            return await ask_web(request, timeout_s=here.timeout_s, secrets=self._secrets), ()
        text, age_s = await asyncio.to_thread(_file, Path(here.file or ""), self._clock.now().timestamp())
        meta = (("stale", f"the file was written {age_s:.0f} s ago; it may be old"),) if age_s > here.older_than_s else ()
        return Exchange(sent=f"read {here.file}", received=text), meta


def over_data_model(plan: GatewayPlan, settings: DataModelSettings, *, clock: Clock, secrets: Secrets | None) -> DataModelGateway:
    """Return the gateway of a plan of kind tr181."""
    return DataModelGateway(plan, settings, clock=clock, secrets=secrets)


def _file(path: Path, now_s: float) -> tuple[str, float]:
    try:
        return path.read_text("utf-8", errors="replace"), now_s - path.stat().st_mtime
    except OSError as error:
        raise GatewayUnreachable(f"{path} cannot be read", given=error.strerror, todo="Check that what writes it is running.") from error

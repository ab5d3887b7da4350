"""Equipment that only has its own page (kind `remote`): commands or requests that the user declares, and nothing else.

What is declared is the table here. Slots of a declared request take closed sets only: a declared word for the mode, numbers of bands, channel
and identity of a cell. Commands run without a shell. Requests that this program never makes (identities, resets, firmware, SIM locks, calls,
messages, radio off, scans) are refused where their text shows them; what any other request does cannot be known from its text, and the
label of the gateway says so.
"""

from __future__ import annotations

import json
import re
import shlex
from typing import Any

from pydantic import Field, field_validator, model_validator

from bandwright.errors import DeclarationError, GatewayRefused, GatewayUnreachable
from bandwright.gateways.captures import make_capture
from bandwright.gateways.commands import forbidden
from bandwright.gateways.declared import Declared
from bandwright.gateways.dialects.base import MODES, Wanted, band_names, wanted
from bandwright.gateways.documents import Request, Secrets, ask_web, with_secrets
from bandwright.gateways.programs import run_program
from bandwright.ports import Clock, GatewayAbilities
from bandwright.words.radio import Capture, Exchange, SettingsSeen
from bandwright.words.rig import GatewayPlan, Tuning

__all__ = ["RemoteGateway", "RemoteSettings", "by_declaration"]

_SLOTS = ("mode", "bands", "lte_bands", "nr_bands", "channel", "pci", "antenna")
_ROLES = ("pcell", "scell", "pscell", "serving", "neighbour")
_CARRIER = re.compile(rf"(?:lte|nr)\.(?:{'|'.join(_ROLES)})\d{{0,2}}\.[a-z_]+")


class Step(Declared):
    """A declared command or request: exactly one of `command` and `url`."""

    command: str | None = Field(default=None, description="program and its words; no shell")
    url: str | None = Field(default=None, description="address of a request")
    method: str = Field(default="GET", description="GET, POST, PUT or PATCH")
    headers: dict[str, str] = Field(default_factory=dict, description="headers; a value may hold 'secret:NAME'")
    body: str | None = Field(default=None, description="body of the request")
    verify: bool = Field(default=True, description="whether the certificate of an https address is checked")

    @model_validator(mode="after")
    def _one_way(self) -> Step:
        if (self.command is None) == (self.url is None):
            raise ValueError("give either command or url")
        if self.url is not None:
            self.request()
        for text in self.texts():
            what = forbidden(text)
            if what is not None:
                raise ValueError(f"refused: it {what}, which is never asked for")
            unknown = set(re.findall(r"\{([a-z_]+)\}", text)) - set(_SLOTS)
            if unknown:
                raise ValueError(f"slot {min(unknown)!r} is not known; there are {', '.join(_SLOTS)}")
        return self

    def request(self) -> Request:
        """Return it as a request."""
        return Request(url=self.url or "", method=self.method, headers=self.headers, body=self.body, verify=self.verify)

    def texts(self) -> list[str]:
        """Return every text of it that is sent."""
        return [text for text in (self.command, self.url, self.body, *self.headers.values()) if text]


class ReadBack(Step):
    """How settings are read back: a step, and where in its JSON document mode and bands stand."""

    mode: str | None = Field(default=None, description="path of the mode in the document, e.g. data.net.mode")
    bands: str | None = Field(default=None, description="path of the bands in the document: a list or a text of numbers or names")
    antenna: str | None = Field(default=None, description="path of the antenna in use in the document")


class RemoteSettings(Declared):
    """Settings of kind remote."""

    fetch: Step = Field(description="how the radio state is fetched")
    map: dict[str, str] = Field(default_factory=dict, description="carrier and quantity = path in the JSON document, e.g. lte.pcell.rsrp = data.radio.rsrp")
    apply: Step | None = Field(default=None, description="how a tuning is asked for; slots {mode} {bands} {lte_bands} {nr_bands} {channel} {pci} {antenna}")
    modes: dict[str, str] = Field(default_factory=dict, description="the equipment's word for each mode: automatic, nr-sa, endc, lte")
    antennas: dict[str, str] = Field(default_factory=dict, description="the equipment's word for each antenna: own, outside")
    all_bands: str = Field(default="", description="what stands for all bands in {bands}")
    separator: str = Field(default=",", max_length=2, description="what parts numbers of bands")
    settings: ReadBack | None = Field(default=None, description="how the settings are read back")
    timeout_s: float = Field(default=10.0, gt=0, le=120, description="how long one answer may take")

    @field_validator("map", mode="before")
    @classmethod
    def _dotted(cls, value: object) -> object:
        return _flat(value) if isinstance(value, dict) else value

    @model_validator(mode="after")
    def _fits(self) -> RemoteSettings:
        if set(self.modes) - set(MODES):
            raise ValueError(f"modes are {', '.join(MODES)}")
        if set(self.antennas) - {"own", "outside"}:
            raise ValueError("antennas are own, outside")
        if any(not re.fullmatch(r"[\w.:+ -]{1,40}", word) for word in (*self.modes.values(), *self.antennas.values())):
            raise ValueError("a word for a mode or an antenna has letters, digits, blanks and . : + - _ only")
        if self.apply is not None and self.settings is None:
            raise ValueError("apply needs settings too: what cannot be read back is not set")
        bad = [name for name in self.map if name not in ("mode", "registration") and not _CARRIER.fullmatch(name)]
        if bad:
            raise ValueError(
                f"map: {bad[0]!r} is not mode, registration, or like lte.pcell.rsrp; roles are {', '.join(_ROLES)}, with a number where there are several"
            )
        return self


class RemoteGateway:
    """A gateway by declared commands and requests."""

    kind = "remote"

    def __init__(self, plan: GatewayPlan, settings: RemoteSettings, *, clock: Clock, secrets: Secrets | None) -> None:
        self._plan, self._settings, self._clock, self._secrets = plan, settings, clock, secrets

    async def abilities(self) -> GatewayAbilities:
        """Return what was declared."""
        step = self._settings.apply
        texts = " ".join(step.texts()) if step is not None else ""
        return GatewayAbilities(
            can_tune=step is not None,
            modes=tuple(mode for mode in MODES if mode in self._settings.modes) if "{mode}" in texts else (),
            can_pin_cell="{channel}" in texts and "{pci}" in texts,
            switches_antenna="{antenna}" in texts and bool(self._settings.antennas),
            label="requests you declared; what they do cannot be known here",
        )

    async def fetch(self, *, moment: str = "idle") -> Capture:
        """Fetch the document; with a declared map, what it names, as a JSON document in our own words."""
        done = await self._take(self._settings.fetch)
        text = done.received
        if self._settings.map:
            text = json.dumps(_mapped(_document(text), self._settings.map), indent=1)
        return make_capture(self.kind, [done], at=self._clock.now(), gateway=self._plan.key, moment=moment, text=text)

    async def settings(self) -> SettingsSeen:
        """Read mode and bands back, as declared."""
        step = self._settings.settings
        if step is None:
            return SettingsSeen()
        done = await self._take(step)
        document = _document(done.received)
        mode_word = _at(document, step.mode) if step.mode else None
        mode = next((mode for mode, word in self._settings.modes.items() if word == str(mode_word)), None)
        bands_value = _at(document, step.bands) if step.bands else None
        antenna_word = str(_at(document, step.antenna)) if step.antenna else None
        antenna = next((name for name, word in self._settings.antennas.items() if word == antenna_word), None)
        raw = [(name, _plain(value)) for name, value in (("mode", mode_word), ("bands", bands_value), ("antenna", antenna)) if value is not None]
        capture = make_capture(self.kind, [done], at=self._clock.now(), gateway=self._plan.key, text=done.received)
        return SettingsSeen(mode=mode, bands=_bands(bands_value, mode, self._settings.all_bands), capture=capture, raw=tuple(raw))

    async def apply(self, tuning: Tuning) -> Capture:
        """Send the declared request with its slots filled."""
        return await self._send(wanted(tuning, label=self._plan.key), tuning.antenna)

    async def restore(self, seen: SettingsSeen) -> Capture:
        """Send the declared request for the former mode and bands."""
        raw = dict(seen.raw)
        mode = seen.mode or next((mode for mode, word in self._settings.modes.items() if word == raw.get("mode")), None)
        if mode is None:
            raise GatewayRefused(f"{self._plan.key} did not say its former mode", todo="Set it back on its own page.")
        lte = tuple(int(b[1:]) for b in seen.bands or () if b[0] == "B")
        nr = tuple(int(b[1:]) for b in seen.bands or () if b[0] == "n")
        return await self._send(Wanted(mode=mode, lte=lte, nr=nr, all_bands=not seen.bands, pin=None), raw.get("antenna"))

    async def close(self) -> None:
        """Nothing is held between requests."""

    async def _send(self, want: Wanted, antenna: str | None) -> Capture:
        step = self._settings.apply
        if step is None:
            raise GatewayRefused(
                f"{self._plan.key} has no declared request for tunings", todo="Declare [gateway.apply] and [gateway.settings], or set it on its page."
            )
        texts = " ".join(step.texts())
        if "{mode}" in texts and want.mode not in self._settings.modes:
            raise GatewayRefused("mode", given=want.mode, allowed=", ".join(self._settings.modes) or "none is declared", todo="Nothing was sent.")
        if not want.all_bands and not re.search(r"\{(?:lte_|nr_)?bands\}", texts):
            raise GatewayRefused("bands", todo="The declared request has no slot for them. Nothing was sent.")
        if want.pin is not None and not ("{channel}" in texts and "{pci}" in texts):
            raise GatewayRefused("a pinned cell", todo="The declared request has no slots {channel} and {pci}. Nothing was sent.")
        if antenna is not None and ("{antenna}" not in texts or antenna not in self._settings.antennas):
            allowed = ", ".join(self._settings.antennas) or "none is declared"
            raise GatewayRefused(
                "antenna", given=antenna, allowed=allowed, todo="The declared request needs a slot {antenna} and [gateway.antennas]. Nothing was sent."
            )
        if antenna is None and "{antenna}" in texts:
            antenna = dict((await self.settings()).raw).get("antenna")
            if antenna is None:
                raise GatewayRefused(
                    f"{self._plan.key} does not say which antenna it uses",
                    todo="Declare the path settings.antenna, or name the antenna in the tuning. Nothing was sent.",
                )
        part = self._settings.separator.join
        values = {
            "mode": self._settings.modes.get(want.mode, ""),
            "bands": self._settings.all_bands if want.all_bands else part(str(n) for n in (*want.lte, *want.nr)),
            "lte_bands": part(str(n) for n in want.lte) or self._settings.all_bands,
            "nr_bands": part(str(n) for n in want.nr) or self._settings.all_bands,
            "channel": str(want.pin.channel) if want.pin is not None else "",
            "pci": str(want.pin.pci) if want.pin is not None else "",
            "antenna": self._settings.antennas.get(antenna or "", ""),
        }
        done = await self._take(step, values)
        return make_capture(self.kind, [done], at=self._clock.now(), gateway=self._plan.key)

    async def _take(self, step: Step, values: dict[str, str] | None = None) -> Exchange:
        for text in step.texts():
            what = forbidden(_filled(text, values))
            if what is not None:
                raise GatewayRefused("a declared request was refused", given=f"it {what}", todo="Nothing was sent; such requests are never made.")
        if step.url is not None:
            body = None if step.body is None else _filled(step.body, values)
            return await ask_web(step.request(), timeout_s=self._settings.timeout_s, secrets=self._secrets, url=_filled(step.url, values), body=body)
        used: list[str] = []
        shown = [_filled(word, values) for word in shlex.split(step.command or "")]
        done = await run_program([with_secrets(word, self._secrets, used) for word in shown], timeout_s=self._settings.timeout_s)
        out, trouble = done.out, done.trouble
        for secret in used:
            out, trouble = out.replace(secret, "•" * len(secret)), trouble.replace(secret, "•" * len(secret))
        if done.status is None:
            raise GatewayUnreachable(f"{shown[0]} gave no answer", given=trouble)
        if done.status != 0:
            raise GatewayRefused(f"{shown[0]} ended with status {done.status}", given=trouble.splitlines()[-1] if trouble else None)
        return Exchange(sent=shlex.join(shown), received=out)


def by_declaration(plan: GatewayPlan, settings: RemoteSettings, *, clock: Clock, secrets: Secrets | None) -> RemoteGateway:
    """Return the gateway of a plan of kind remote. Raises DeclarationError where a command is no line of words."""
    for step in (settings.fetch, settings.apply, settings.settings):
        try:
            shlex.split((step.command if step is not None else None) or "")
        except ValueError as error:
            raise DeclarationError(f'gateway "{plan.key}": command', given=str(error), todo="Quotes must be closed.") from None
    return RemoteGateway(plan, settings, clock=clock, secrets=secrets)


def _flat(tree: dict[str, Any]) -> dict[str, Any]:
    """Return nested tables as dotted names: pcell.rsrp may be written either way."""
    flat: dict[str, Any] = {}
    for name, value in tree.items():
        inner = _flat(value) if isinstance(value, dict) else None
        flat |= {name: value} if inner is None else {f"{name}.{key}": item for key, item in inner.items()}
    return flat


def _filled(text: str, values: dict[str, str] | None) -> str:
    for name, value in (values or {}).items():
        text = text.replace("{" + name + "}", value)
    return text


def _document(text: str) -> Any:
    try:
        return json.loads(text)
    except ValueError:
        raise GatewayRefused(
            "the answer is no JSON document", given=" ".join(text.split())[:80] or "nothing", todo="Is it a log-in page? Renew the session."
        ) from None


def _at(document: Any, path: str) -> Any:
    """Return what stands at a dotted path; None where nothing does. A number is a place in a list."""
    for part in path.split("."):
        if isinstance(document, dict):
            document = document.get(part)
        elif isinstance(document, list) and part.isdecimal() and int(part) < len(document):
            document = document[int(part)]
        else:
            return None
    return document


def _mapped(document: Any, table: dict[str, str]) -> dict[str, Any]:
    """Return the mapped quantities by carrier; what is not in the document is left out."""
    found: dict[str, Any] = {}
    for name, path in table.items():
        value = _at(document, path)
        if value is None or isinstance(value, dict | list):
            continue
        level = found
        *carrier, last = name.split(".")
        for part in carrier:
            level = level.setdefault(part, {})
        level[last] = value
    return found


def _plain(value: Any) -> str:
    return value if isinstance(value, str) else json.dumps(value)


def _bands(value: Any, mode: str | None, all_bands: str) -> tuple[str, ...] | None:
    """Return bands from a list or a text of them; plain numbers are LTE in mode lte and NR in mode nr-sa, else undecided."""
    if value is None or _plain(value) == all_bands:
        return None
    words = [str(item) for item in value] if isinstance(value, list) else re.findall(r"[Bn]?\d+", _plain(value))
    lte = [int(word.lstrip("B")) for word in words if word.startswith("B") or (word.isdecimal() and mode == "lte")]
    nr = [int(word.lstrip("n")) for word in words if word.startswith("n") or (word.isdecimal() and mode == "nr-sa")]
    return band_names(lte, nr) if len(lte) + len(nr) == len(words) and words else None

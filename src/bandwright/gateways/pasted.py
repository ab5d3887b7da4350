"""The person is the gateway (kind `pasted`): they are told what to set, and paste what the gateway's page shows.

A paste that repeats an earlier one in every digit, or that was taken before the last change, is stale: it is asked for again. A page
that really shows the same is confirmed with the word 'same'.
"""

from __future__ import annotations

import re
from collections.abc import Awaitable, Callable
from dataclasses import dataclass
from datetime import datetime

from pydantic import Field

from bandwright.errors import GatewayRefused, GatewayUnreachable
from bandwright.gateways.captures import make_capture
from bandwright.gateways.declared import Declared
from bandwright.ports import Clock, GatewayAbilities
from bandwright.words.radio import Capture, Exchange, SettingsSeen
from bandwright.words.rig import GatewayPlan, Tuning

__all__ = ["Ask", "Asked", "Pasted", "PastedGateway", "PastedSettings", "by_person", "told"]

_TIMES = 3


class PastedSettings(Declared):
    """Settings of kind pasted."""

    page: str | None = Field(default=None, description="where its page is, shown to the person, e.g. http://192.0.2.1/")
    can_tune: bool = Field(default=True, description="whether a person can set modes and bands on its page")


@dataclass(frozen=True, slots=True, kw_only=True)
class Asked:
    """What a person is asked. what: "paste" (a page's text), "set" (do it, then say done), "settings" (what is set now)."""

    what: str
    text: str
    tuning: Tuning | None = None
    gateway: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Pasted:
    """A person's answer. at: when the page was read, where they say so; None is "now"."""

    text: str
    at: datetime | None = None


Ask = Callable[[Asked], Awaitable["Pasted | str"]]


class PastedGateway:
    """A gateway that only a person can reach."""

    kind = "pasted"

    def __init__(self, plan: GatewayPlan, settings: PastedSettings, *, clock: Clock, ask: Ask | None) -> None:
        self._plan, self._settings, self._clock, self._ask_person = plan, settings, clock, ask
        self._seen_digits: set[str] = set()
        self._changed_at: datetime | None = None
        self._told: str | None = None

    async def abilities(self) -> GatewayAbilities:
        """Return what can be asked of the person."""
        return GatewayAbilities(
            can_tune=self._settings.can_tune,
            modes=("automatic", "nr-sa", "endc", "lte") if self._settings.can_tune else (),
            switches_antenna=self._plan.switches_antenna,
            by_person=True,
            label="read and set by a person",
        )

    async def fetch(self, *, moment: str = "idle") -> Capture:
        """Ask for a paste, again where it is stale."""
        where = f" ({self._settings.page})" if self._settings.page else ""
        text = f"Open the status page of {self._plan.key}{where}, load it anew, and paste all of its text."
        for _ in range(_TIMES):
            answer = await self._ask("paste", text)
            same = answer.text.strip().lower() in ("same", "'same'") and bool(self._seen_digits)
            digits = "same" if same else _digits(answer.text)
            if not answer.text.strip():
                text = "Nothing was pasted. Paste the text of the status page."
            elif self._changed_at is not None and answer.at is not None and answer.at < self._changed_at:
                text = "That was read before the last change. Load the page anew and paste what it shows now."
            elif not same and digits in self._seen_digits:
                text = "That equals an earlier paste in every digit. Load the page anew and paste it; if it really shows the same, answer 'same'."
            else:
                if same:
                    return self._capture(self._last, moment=moment, meta=(("stale", "the page shows the same, the person says"),))
                self._seen_digits.add(digits)
                self._last = answer.text
                return self._capture(answer.text, moment=moment, at=answer.at)
        raise GatewayUnreachable(
            f"no fresh text of {self._plan.key} was pasted", given=f"{_TIMES} tries", todo="Load its page anew, then go on; nothing is lost."
        )

    async def settings(self) -> SettingsSeen:
        """Return what was last told to set; the first time, what the person says is set now."""
        if self._told is None:
            answer = await self._ask(
                "settings", f"What are network mode and bands of {self._plan.key} set to now? Write it down as its page says it: it is put back at the end."
            )
            self._told = answer.text.strip()
        return SettingsSeen(capture=self._capture(self._told, moment=None), raw=(("as the person says", self._told),))

    async def apply(self, tuning: Tuning) -> Capture:
        """Tell the person what to set, and wait for their word."""
        if not self._settings.can_tune:
            raise GatewayRefused(f"{self._plan.key} cannot be tuned", todo="It is declared so (can_tune = false).")
        return await self._set(told(tuning), tuning)

    async def restore(self, seen: SettingsSeen) -> Capture:
        """Tell the person to put back what they said was set."""
        former = dict(seen.raw).get("as the person says", "")
        return await self._set(f"Set it back to what it was: {former or 'as it was before the first change'}", None)

    async def close(self) -> None:
        """Nothing is held."""

    _last: str = ""

    async def _set(self, what: str, tuning: Tuning | None) -> Capture:
        text = f"On the page of {self._plan.key}: {what}. Then answer 'done', or 'cannot' and why."
        answer = await self._ask("set", text, tuning)
        word = answer.text.strip().lower()
        if not word.startswith(("done", "ok", "yes")):
            raise GatewayRefused(f"{self._plan.key} was not set", given=answer.text.strip() or "no answer", todo="This setup is left out until it can be set.")
        self._changed_at = answer.at or self._clock.now()
        self._told = what
        exchange = Exchange(sent=text, received=answer.text)
        return make_capture(self.kind, [exchange], at=self._clock.now(), gateway=self._plan.key, text=answer.text, meta=(("told", what),))

    async def _ask(self, what: str, text: str, tuning: Tuning | None = None) -> Pasted:
        if self._ask_person is None:
            raise GatewayUnreachable(
                f"{self._plan.key} is read by a person, and nobody is here to ask",
                todo="Run this where you can answer, or paste with `bandwright reading --paste`.",
            )
        answer = await self._ask_person(Asked(what=what, text=text, tuning=tuning, gateway=self._plan.key))
        return Pasted(text=answer) if isinstance(answer, str) else answer

    def _capture(self, text: str, *, moment: str | None, at: datetime | None = None, meta: tuple[tuple[str, str], ...] = ()) -> Capture:
        return make_capture(self.kind, (), at=at or self._clock.now(), gateway=self._plan.key, moment=moment, text=text, meta=meta)


def told(tuning: Tuning) -> str:
    """Return a tuning as an instruction to a person."""
    mode = {
        "automatic": "network mode: automatic (4G and 5G allowed)",
        "nr-sa": "network mode: 5G standalone only (5G SA)",
        "endc": "network mode: 4G with 5G added (5G NSA), standalone off",
        "lte": "network mode: 4G (LTE) only",
    }.get(tuning.mode, f"network mode: {tuning.mode}")
    parts = [mode, f"bands: only {', '.join(tuning.bands)}" if tuning.bands else "bands: all"]
    parts.append(f"cell: only {tuning.cell}" if tuning.cell else "cell: none pinned")
    if tuning.antenna:
        parts.append(f"antenna: {tuning.antenna}")
    return "; ".join(parts)


def by_person(plan: GatewayPlan, settings: PastedSettings, *, clock: Clock, ask: Ask | None) -> PastedGateway:
    """Return the gateway of a plan of kind pasted."""
    return PastedGateway(plan, settings, clock=clock, ask=ask)


def _digits(text: str) -> str:
    """Return the numbers of a text in their order, and the text itself where it has none."""
    return " ".join(re.findall(r"\d+", text)) or text.strip()

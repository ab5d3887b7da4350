"""The person is the gateway (kind `pasted`): they are told what to set, and paste what the gateway's page shows.

A paste that repeats an earlier one in every digit shows the page as it was then, perhaps from before the last change: it is stale and asked
for again. A page that really shows the same is confirmed with the word 'same'. So is a paste whose own clock time lies before the change.
"""

from __future__ import annotations

import re
from collections.abc import Awaitable, Callable
from datetime import UTC, datetime, timedelta

from pydantic import Field

from bandwright.errors import GatewayRefused, GatewayUnreachable
from bandwright.gateways.captures import make_capture
from bandwright.gateways.declared import Declared
from bandwright.ports import Clock, GatewayAbilities, Question
from bandwright.words.radio import Capture, Exchange, SettingsSeen
from bandwright.words.rig import GatewayPlan, Tuning

__all__ = ["Ask", "PastedGateway", "PastedSettings", "by_person", "told"]

_TIMES = 3
_SAID = "as the person says"
_TIME = re.compile(r"(?<!\d)(\d{4}-\d\d-\d\d[T ]\d\d:\d\d(?::\d\d)?)\s?(Z|[+-]\d\d:?\d\d)?")
_FURTHEST_ZONE = timedelta(hours=14)  # a printed time without its zone may be that far from UTC


class PastedSettings(Declared):
    """Settings of kind pasted."""

    page: str | None = Field(default=None, description="where its page is, shown to the person, e.g. http://192.0.2.1/")
    can_tune: bool = Field(default=True, description="whether a person can set modes and bands on its page")


Ask = Callable[[Question], Awaitable[str]]


class PastedGateway:
    """A gateway that only a person can reach."""

    kind = "pasted"

    def __init__(self, plan: GatewayPlan, settings: PastedSettings, *, clock: Clock, ask: Ask | None) -> None:
        self._plan, self._settings, self._clock, self._ask_person = plan, settings, clock, ask
        self._seen_digits: set[str] = set()
        self._changed_at: datetime | None = None
        self._told: str | None = None
        self._last: str | None = None

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
            if self._last is not None and answer.strip().strip("'\"").lower() == "same":
                return self._capture(self._last, moment=moment, meta=(("stale", "the page shows the same, the person says"),))
            complaint = self._stale(answer)
            if complaint is None:
                self._seen_digits.add(_digits(answer))
                self._last = answer
                return self._capture(answer, moment=moment)
            text = complaint
        raise GatewayUnreachable(
            f"no fresh text of {self._plan.key} was pasted", given=f"{_TIMES} tries", todo="Load its page anew, then go on; nothing is lost."
        )

    async def settings(self) -> SettingsSeen:
        """Return what was last told to set; the first time, what the person says is set now."""
        if self._told is None:
            text = f"What are network mode and bands of {self._plan.key} set to now? Copy it from its page: it is put back at the end."
            self._told = (await self._ask("paste", text)).strip() or "not said"
        return SettingsSeen(capture=self._capture(self._told, moment=None), raw=((_SAID, self._told),))

    async def apply(self, tuning: Tuning) -> Capture:
        """Tell the person what to set, and wait for their word."""
        if not self._settings.can_tune:
            raise GatewayRefused(f"{self._plan.key} cannot be tuned", todo="It is declared so (can_tune = false).")
        return await self._set(told(tuning))

    async def restore(self, seen: SettingsSeen) -> Capture:
        """Tell the person to put back what they said was set."""
        former = " ".join(dict(seen.raw).get(_SAID, "").split())
        return await self._set(f"set it back to what it was before: {former[:300]}" if former else "set it back as it was before the first change")

    async def close(self) -> None:
        """Nothing is held."""

    async def _set(self, what: str) -> Capture:
        text = f"On the page of {self._plan.key}: {what}. Then answer 'done', or 'skip' where it cannot be set."
        answer = await self._ask("set", text)
        word = answer.strip().strip("'\"").lower()
        if word and not word.startswith(("done", "ok", "yes")):
            raise GatewayRefused(f"{self._plan.key} was not set", given=answer.strip(), todo="This setup is left out until it can be set.")
        self._changed_at = self._clock.now()
        self._told = what
        return make_capture(self.kind, [Exchange(sent=text, received=answer)], at=self._changed_at, gateway=self._plan.key, text=answer, meta=(("told", what),))

    async def _ask(self, kind: str, text: str) -> str:
        if self._ask_person is None:
            raise GatewayUnreachable(
                f"{self._plan.key} is read by a person, and nobody is here to ask",
                todo="Run this where you can answer, or paste with `bandwright reading --paste`.",
            )
        return await self._ask_person(Question(kind=kind, text=text))

    def _stale(self, text: str) -> str | None:
        """Return what to ask instead where a paste is empty or stale, else None."""
        if not text.strip():
            return "Nothing was pasted. Paste the text of the status page."
        printed = _printed_time(text)
        if self._changed_at is not None and printed is not None and printed < self._changed_at:
            return "That was read before the last change, by the time printed in it. Load the page anew and paste what it shows now."
        if _digits(text) in self._seen_digits:
            return "That equals an earlier paste in every digit. Load the page anew and paste it; if it really shows the same, answer 'same'."
        return None

    def _capture(self, text: str, *, moment: str | None, meta: tuple[tuple[str, str], ...] = ()) -> Capture:
        return make_capture(self.kind, (), at=self._clock.now(), gateway=self._plan.key, moment=moment, text=text, meta=meta)


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
    """Return the numbers of a text in their order, or the text itself where it has none."""
    return " ".join(re.findall(r"\d+", text)) or text.strip()


def _printed_time(text: str) -> datetime | None:
    """Return the latest that a time printed in a text can mean, UTC, or None where none is printed."""
    times = []
    for stamp, zone in _TIME.findall(text):
        try:
            read = datetime.fromisoformat(stamp + (zone or "Z"))
        except ValueError:
            continue
        times.append(read.astimezone(UTC) + (timedelta(minutes=1) if zone else _FURTHEST_ZONE))
    return max(times, default=None)

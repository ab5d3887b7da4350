"""Answers as sentences.

The first sentence says what to do next; then by how much, how sure, for which need, against which other setup, what would overturn
it, and what a clearer answer would cost.

Nothing is decided here: every number comes with the answer, and is put into words.
"""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from dataclasses import dataclass, field

from bandwright.errors import BandwrightError, FarEndError
from bandwright.telling.names import Names
from bandwright.telling.numbers import (
    NBSP,
    certainty,
    counted,
    day,
    factor_range,
    gigabytes,
    joined,
    measured_text,
    more_or_less,
    number,
    of_hundred_range,
    span_of_days,
)
from bandwright.telling.said import Said, said, strong
from bandwright.words.answers import Comparison, Estimate, NeedShare, SetupAnswer, Verdict
from bandwright.words.campaign import Tested
from bandwright.words.declared import Declared
from bandwright.words.measurement import Measurement, Method, Outcome, Phase
from bandwright.words.site import Need, Requirements

__all__ = [
    "ErrorTold",
    "VerdictTold",
    "asks",
    "asks_of",
    "cheaper",
    "comparison_sentence",
    "error_told",
    "failure_sentence",
    "measured_sentence",
    "need_sentence",
    "needs_met_text",
    "ordered_shares",
    "verdict_told",
]

_RESOURCES = {
    "visits": "changes of rig",
    "days": "days",
    "data": "data",
    "deadline": "time before the deadline",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class VerdictTold:
    """A verdict in sentences. headline: what to do next, and how sure; lede: by how much; then the rest, each on its own."""

    headline: Said
    lede: Said
    todo: Said
    needs: tuple[Said, ...] = ()
    overturn: tuple[Said, ...] = ()
    figures: tuple[Said, ...] = ()  # the same in figures, for the practitioner
    basis: Said = field(default_factory=Said)
    notes: tuple[Said, ...] = ()

    def sentences(self) -> tuple[Said, ...]:
        """Return all of it in reading order, for a terminal."""
        return tuple(s for s in (self.headline, self.lede, self.todo, *self.needs, *self.overturn, *self.notes, self.basis) if s)


def verdict_told(verdict: Verdict, *, names: Names, declared: Declared | None = None) -> VerdictTold:
    """Return a verdict in sentences, for each of its kinds."""
    headline, lede, todo = _OPENINGS[verdict.kind](_Case(verdict=verdict, names=names, declared=declared))
    return VerdictTold(
        headline=headline,
        lede=lede,
        todo=todo,
        needs=tuple(need_sentence(share, names=names) for share in ordered_shares(verdict, declared, verdict.lead)),
        overturn=_overturn(verdict, names),
        figures=tuple(said(_with_names(text, names).replace(" -", " −")) for text in verdict.overturn),
        basis=_basis(verdict),
        notes=tuple(said(_with_names(text, names)) for text in verdict.notes),
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class _Case:
    verdict: Verdict
    names: Names
    declared: Declared | None


def _best(case: _Case) -> tuple[Said, Said, Said]:
    verdict, names = case.verdict, case.names
    name = names.setup(verdict.lead)
    if verdict.lead == verdict.in_use:
        first = f"Keep {name}."
    elif verdict.in_use is None:
        first = f"Use {name}."
    else:
        first = f"Change to {name}."
    headline = said(f"{first} ", strong(f"{_upper(certainty(verdict.certainty))}{NBSP}sure."))
    lede = _gain(verdict, names)
    nothing = f"Nothing tried is better by {_percent(verdict.indifference)} or more."
    if verdict.lead == verdict.in_use:
        todo = said(strong("What to do now:"), " leave it as it is. Nothing to buy, nothing to move.")
    else:
        todo = said(strong("What to do now:"), f" {_going_over(verdict, case.declared)}")
    return headline, said(lede, " " if lede else "", nothing), todo


def _no_difference(case: _Case) -> tuple[Said, Said, Said]:
    verdict, names = case.verdict, case.names
    equals = list(verdict.equals) or [s.setup for s in verdict.setups[:2]]
    said_names = joined([names.setup(k) for k in equals], "or")
    low_cost = cheaper(case.declared, equals)
    sure = strong(f"{_upper(certainty(verdict.certainty))}{NBSP}sure.")
    if low_cost is not None:
        headline = said(f"Take the cheaper, {names.setup(low_cost)}: for these needs either will do. ", sure)
        todo = said(strong("What to do now:"), f" choose by price, not by tests: {said_names} serve these needs alike.")
    elif verdict.in_use in equals:
        headline = said(f"Keep {names.setup(verdict.in_use)}: for these needs either will do. ", sure)
        others = joined([names.setup(k) for k in equals if k != verdict.in_use], "and")
        todo = said(strong("What to do now:"), f" leave it as it is. {others} would serve the needs alike, so a change is not worth its trouble.")
    else:
        headline = said(f"Take whichever is cheaper or less trouble: {said_names}. ", sure)
        todo = said(strong("What to do now:"), " choose by price, by looks or by the climb it saves. More tests would not help the choice.")
    pair = _pair(verdict, equals)
    margin = f"{joined([names.setup(k) for k in equals], 'and')} differ by less than {_percent(math.exp(pair.margin) - 1)}." if pair else ""
    return headline, said(margin, " " if margin else "", f"A difference below {_percent(verdict.indifference)} does not matter for what is asked here."), todo


def _not_yet(case: _Case) -> tuple[Said, Said, Said]:
    verdict, names = case.verdict, case.names
    lead = names.setup(verdict.lead) if verdict.lead else None
    meanwhile = f" Until then {'keep' if verdict.lead == verdict.in_use else 'use'} {lead}." if lead else ""
    rounds = verdict.rounds_needed
    more = counted(max(1, math.ceil(rounds)), "more round") if rounds is not None and math.isfinite(rounds) else None
    binding = _RESOURCES.get(verdict.binding or "")
    if verdict.forced or verdict.binding:
        what = f"more {binding}" if binding and binding.startswith(("changes", "days", "data", "time")) else "more"
        headline = said(f"Allow the trial {what}, or {'keep' if verdict.lead == verdict.in_use else 'use'} {lead or 'what you have'} for now. ", strong("Not decided yet."))
        lede = said(
            f"The trial may use no more {binding} and the setups are still too close to call" if binding else "The allowance is used up and the setups are still too close to call",
            f"; about {more} would most likely settle it." if more else ".",
        )
    else:
        headline = said(f"Go on testing: about {more} would most likely settle it. " if more else "Go on testing. ", strong("Not decided yet."))
        lede = said(_too_close(verdict, names) + meanwhile)
    sure = f"{lead} is ahead, {certainty(verdict.certainty)} sure: less than the {certainty(1 - verdict.risk)} that a choice asks for." if lead else "No setup is ahead."
    return headline, lede, said(strong("How it stands:"), f" {sure}")


def _not_attainable(case: _Case) -> tuple[Said, Said, Said]:
    verdict, names = case.verdict, case.names
    why = [f"{names.setup(s.setup)}: {s.why_not}" for s in verdict.setups if not s.attainable and s.why_not]
    headline = said("Check the gateway before testing again: ", strong("no setup could be put in force."))
    lede = said("A setting counts only when a reading shows it, and none did. ", "; ".join(why) + "." if why else "The gateway gave no reason.")
    return headline, lede, said(strong("What to do now:"), " take a reading, see that the SIM is served and that the gateway may be tuned, then start the trial again. Nothing measured is lost.")


def _send_back(case: _Case) -> tuple[Said, Said, Said]:
    verdict, names = case.verdict, case.names
    what = names.rigs.get(verdict.return_what or "", verdict.return_what or "it")
    by = f" by {day(verdict.return_by)}" if verdict.return_by else ""
    headline = said(f"Send {_lower(what)} back{by}: ", strong("it does not earn its place."))
    keep = f"{names.setup(verdict.lead)} serves the needs {'as well' if verdict.kind else ''}".strip() if verdict.lead else "What you have serves the needs as well"
    lede = said(f"{keep}, {certainty(verdict.certainty)} sure. ", _gain(verdict, names))
    keeping = f" {'Keep' if verdict.lead == verdict.in_use else 'Use'} {names.setup(verdict.lead)}." if verdict.lead else ""
    return headline, lede, said(strong("What to do now:"), f" unplug it only after the setup you keep has shown a reading.{keeping} After the last day it can no longer be returned.")


_OPENINGS = {"best": _best, "no difference": _no_difference, "not yet": _not_yet, "not attainable": _not_attainable, "send it back": _send_back}


def _gain(verdict: Verdict, names: Names) -> Said:
    gain = verdict.gain_over_in_use
    if gain is not None and verdict.in_use is not None and verdict.lead != verdict.in_use:
        return comparison_sentence(gain, lead=verdict.lead, names=names)
    if verdict.against is not None:
        return comparison_sentence(verdict.against, lead=verdict.lead, names=names)
    return Said()


def comparison_sentence(comparison: Comparison, *, lead: str | None, names: Names) -> Said:
    """Return by how much the lead is ahead of the other setup, with its range."""
    if comparison.a == lead:
        difference, other = comparison.difference, comparison.b
    else:
        d = comparison.difference
        difference, other = Estimate(value=-d.value, low=-d.high, high=-d.low, unit=d.unit, level=d.level, source=d.source), comparison.a
    name = names.setup(other)
    span = factor_range(difference)
    if difference.low <= 0.0 <= difference.high or abs(difference.value) < math.log(1.3):
        low, high = more_or_less(difference.low), more_or_less(difference.high)
        return said(f"Against {name}, it leaves the needs {more_or_less(difference.value)} room to spare ", strong(f"({low} to {high})"), ".")
    return said(f"Against {name}, it leaves the needs ", strong(f"{math.exp(difference.value):.1f} times the room to spare"), f" ({span}).")


def _overturn(verdict: Verdict, names: Names) -> tuple[Said, ...]:
    if verdict.lead is None or verdict.kind not in {"best", "send it back", "no difference"}:
        return ()
    out = []
    if verdict.against is not None:
        c = verdict.against
        d = c.difference if c.b == verdict.lead else Estimate(value=-c.difference.value, low=-c.difference.high, high=-c.difference.low)
        other = names.setup(c.a if c.b == verdict.lead else c.b)
        out.append(
            said(
                strong(f"If {other} turned out better by {_percent(verdict.indifference)} or more. "),
                f"So far it leaves {more_or_less(d.value)} room to spare than {names.setup(verdict.lead)} ({more_or_less(d.low)} to {more_or_less(d.high)}).",
            )
        )
    out.append(said(strong("If something outside changed:"), " another cell or carrier, an antenna that moved, a busier cell. Then test again."))
    return tuple(out)


def _too_close(verdict: Verdict, names: Names) -> str:
    if verdict.against is None:
        return "Too few rounds have been tested to tell the setups apart."
    other = verdict.against.b if verdict.against.a == verdict.lead else verdict.against.a
    return f"{names.setup(verdict.lead)} and {names.setup(other)} are too close to tell apart."


def _pair(verdict: Verdict, equals: Sequence[str]) -> Comparison | None:
    wanted = set(equals[:2])
    found = [c for c in (*verdict.comparisons, *((verdict.against,) if verdict.against else ())) if {c.a, c.b} == wanted]
    return found[0] if found else None


def _going_over(verdict: Verdict, declared: Declared | None) -> str:
    if declared is None or verdict.lead is None:
        return "change over, and take a reading to see that the setting is in force."
    try:
        setup = declared.setup(verdict.lead)
        rig = declared.rig(setup.rig)
        before = declared.setup(verdict.in_use).rig if verdict.in_use else None
    except KeyError:
        return "change over, and take a reading to see that the setting is in force."
    if before == setup.rig:
        return "set it in the gateway and take a reading to see that it is in force. Nothing to buy, nobody has to climb."
    gateway = declared.gateway(rig.gateway)
    before_gateway = declared.rig(before).gateway if before else None
    prices = [f"{what} {cost}" for what, cost in (("the rig", rig.price), ("the gateway", gateway.price if rig.gateway != before_gateway else None), ("the antenna", rig.antenna.price)) if cost]
    price = f" It costs: {joined(prices)}." if prices else ""
    until = rig.returnable_until or gateway.returnable_until
    back = f" It can be returned until {day(until)}." if until else ""
    return f"go over to it, about {number(rig.change_minutes)}{NBSP}minutes, and take a reading to see that it is in force.{price}{back}"


def cheaper(declared: Declared | None, keys: Sequence[str]) -> str | None:
    """Return the setup that costs least to have, or None where prices are missing, in different currencies, or equal.

    Counted are the prices declared for the rig, its gateway, its antenna and its line's month.
    """
    if declared is None:
        return None
    costs: dict[str, float] = {}
    currencies: set[str] = set()
    for key in keys:
        try:
            rig = declared.rig(declared.setup(key).rig)
            gateway = declared.gateway(rig.gateway)
        except KeyError:
            return None
        line = {x.key: x for x in declared.lines}.get(rig.line)
        total = 0.0
        for price in (rig.price, gateway.price, rig.antenna.price, line.price_per_month if line else None):
            if price:
                match = re.search(r"(\d+(?:[.,]\d+)?)\s*(\S*)", price)
                if match is None:
                    return None
                total += float(match[1].replace(",", "."))
                currencies.add(match[2] or price[: match.start()].strip())
        costs[key] = total
    if len(currencies) != 1 or len(costs) < 2:
        return None
    least = min(costs, key=lambda k: costs[k])
    return least if all(costs[k] > costs[least] for k in costs if k != least) else None


def _basis(verdict: Verdict) -> Said:
    parts = [f"{counted(verdict.tests, 'test')} in {counted(verdict.rounds, 'round')}"]
    if verdict.visits:
        parts.append(counted(verdict.visits, "visit"))
    if verdict.days:
        parts.append(f"over {span_of_days(verdict.days)}")
    if verdict.megabytes:
        warming = f", {gigabytes(verdict.load_megabytes)} of it to warm the link up" if verdict.load_megabytes >= 1.0 else ""
        parts.append(gigabytes(verdict.megabytes) + warming)
    text = ", ".join(parts)
    if verdict.failed:
        text += f"; {verdict.failed} failed and count{'s' if verdict.failed == 1 else ''} as not met"
    if verdict.moved_share >= 0.005:
        text += f"; the network moved the device in {certainty(verdict.moved_share)} of them"
    if verdict.void:
        text += f"; {verdict.void} more void, kept and repeated"
    if verdict.ramping:
        text += f"; {verdict.ramping} more taken while carriers were still joining, kept and repeated"
    return said(strong("From"), f" {text}. Seed {verdict.seed}.")


def ordered_shares(verdict: Verdict, declared: Declared | None, setup: str | None) -> tuple[NeedShare, ...]:
    """Return a setup's shares in the user's own order of needs."""
    answer = next((s for s in verdict.setups if s.setup == setup), None)
    return _in_order(answer, declared)


def _in_order(answer: SetupAnswer | None, declared: Declared | None) -> tuple[NeedShare, ...]:
    if answer is None:
        return ()
    order = {need.key: i for i, need in enumerate(declared.needs)} if declared else {}
    return tuple(sorted(answer.needs, key=lambda s: order.get(s.need, len(order))))


def need_sentence(share: NeedShare, *, names: Names, setup: str | None = None) -> Said:
    """Return "Video consultations, weekdays 9 to 17: met in 85 to 98 of 100 tests.", the first number everywhere."""
    when = names.when(share.need)
    place = f" with {names.setup(setup)}" if setup else ""
    return said(f"{names.need(share.need)}{', ' + when if when else ''}: ", strong(f"met in {of_hundred_range(share.estimate)} of 100 tests"), f"{place}.")


def asks(need: Need) -> str:
    """Return what a need asks of the connection: "weekdays 9 to 17: 5 Mbit/s each way, within 300 ms, loss under 1 %"."""
    return asks_of(need.requirements)


def asks_of(req: Requirements) -> str:
    """Return requirements in words."""
    parts: list[str] = []
    if req.downlink_mbps is not None and req.downlink_mbps == req.uplink_mbps:
        parts.append(f"{req.downlink_mbps:g}{NBSP}Mbit/s each way")
    else:
        if req.downlink_mbps is not None:
            parts.append(f"{req.downlink_mbps:g}{NBSP}Mbit/s down")
        if req.uplink_mbps is not None:
            parts.append(f"{req.uplink_mbps:g}{NBSP}Mbit/s up")
    if req.loaded_delay_ms is not None:
        parts.append(f"an answer within {_delay(req.loaded_delay_ms)} under load")
    elif req.idle_delay_ms is not None:
        parts.append(f"an answer within {_delay(req.idle_delay_ms)}")
    if req.loss_ratio is not None:
        parts.append(f"loss under {100 * req.loss_ratio:g}{NBSP}%")
    return ", ".join(parts)


_WHERE = {
    Phase.SETTING: ("The setting was asked for and no reading showed it", "so this is no test of the setup. It is tried again"),
    Phase.RADIO: ("The radio had no service", "so no need was met: the test counts as not met for the setup that was asked for"),
    Phase.NAME_LOOKUP: ("The far end's name was not found", "so nothing could be measured"),
    Phase.CONNECT: ("The far end did not take the connection", "so nothing could be measured"),
    Phase.TLS: ("The far end's certificate was not accepted", "so nothing was sent"),
    Phase.AUTH: ("The far end did not know the pairing secret", "so nothing was measured"),
    Phase.IDLE: ("The round trips at rest did not come back", "so the needs were not met"),
    Phase.DOWNLINK: ("The download stalled", "so the needs were not met"),
    Phase.UPLINK: ("The upload stalled", "so the needs were not met"),
    Phase.RESULT: ("The far end did not send its own figures", "so only this side's are known"),
    Phase.FAR_END: ("The far end failed, not the link", "so the test says nothing of the setup"),
    Phase.NEAR_END: ("This computer failed, not the link", "so the test says nothing of the setup"),
}
_THEN = {
    Phase.SETTING: "See whether the gateway allows this mode and these bands.",
    Phase.NAME_LOOKUP: "Check the address under [far_end] in site.toml.",
    Phase.CONNECT: "Check that `bandwright far-end` runs there and that its port is open.",
    Phase.TLS: "Check the clock on both computers, and the address.",
    Phase.AUTH: "Pair again: `bandwright far-end` prints a new secret.",
    Phase.FAR_END: "Check that `bandwright far-end` runs there.",
    Phase.NEAR_END: "Close what else uses this computer's network, and test again.",
}


def failure_sentence(measurement: Measurement, *, radio: str = "") -> Said:
    """Return what happened, what it means for the result, and what to do, for a test that failed or is void. radio: its state, in words."""
    phase = measurement.phase or Phase.RESULT
    happened, means = _WHERE[phase]
    reason = f" ({measurement.reason})" if measurement.reason else ""
    seen = f" The radio: {radio}." if radio else ""
    if measurement.outcome is Outcome.VOID:
        means = "so the test is kept, marked void, and repeated in this round"
    todo = _THEN.get(phase, "")
    return said(strong(f"{happened}{reason},"), f" {means}.{seen}", f" {todo}" if todo else "")


def measured_sentence(measurement: Measurement) -> Said:
    """Return a finished test in one sentence: rates both ways, and the delay under load."""
    if measurement.outcome is not Outcome.OK:
        return failure_sentence(measurement)
    parts = []
    for key, word in (("goodput_down_mbps", "down"), ("goodput_up_mbps", "up")):
        value = measurement.number(key)
        if value is not None:
            parts.append(f"{measured_text(key, value)} {word}")
    delay = measurement.number("delay_loaded_up_ms") or measurement.number("delay_loaded_down_ms")
    if delay is not None:
        parts.append(f"{measured_text('delay_loaded_up_ms', delay)} round trip under load")
    idle = measurement.number("delay_idle_ms")
    if idle is not None:
        parts.append(f"{measured_text('delay_idle_ms', idle)} at rest")
    who = f" Read elsewhere and entered by {measurement.entered_by or 'a person'}: never compared with measured ones." if measurement.method is Method.ENTERED else ""
    return said(joined(parts) + "." if parts else "Nothing was measured.", who)


def needs_met_text(tested: Tested, *, names: Names) -> str:
    """Return which needs a test met, and by how much: what a test is for."""
    if tested.outcome == "void":
        return f"void, {tested.reason or 'the far end failed'}. It is kept and repeated."
    if tested.outcome == "failed":
        return f"failed ({tested.reason or tested.phase}). It counts as not met."
    if not tested.met:
        return "done; no need matters at this hour."
    margins = dict(tested.margins)
    words = []
    for need, met in tested.met:
        margin = margins.get(need)
        by = "" if margin is None else f", {_times(margin)}"
        words.append(f"{names.need(need)} {'met' if met else 'not met'}{by}")
    return "; ".join(words) + "."


def _times(margin: float) -> str:
    if margin >= 0.995:
        return "with more than enough to spare"
    ratio = math.exp(abs(margin))
    return f"{ratio:.1f} times what it asks" if margin >= 0 else f"short by a factor of {ratio:.1f}"


@dataclass(frozen=True, slots=True, kw_only=True)
class ErrorTold:
    """An error for a person: what happened, what it means, what to do."""

    happened: str
    means: str
    todo: str


def error_told(error: BandwrightError) -> ErrorTold:
    """Return an error as what happened, what it means for the result and what to do; never a code alone, never blame."""
    from bandwright import errors as tree

    rows: tuple[tuple[type[BandwrightError], str, str], ...] = (
        (tree.DiskFull, "Nothing that was finished is lost. What was being written is not kept.", "Free some space on this computer, then go on: the trial resumes by itself."),
        (tree.StoreError, "What was measured stays on disk.", "Close other programs that use this folder, then try again."),
        (tree.GatewayBusy, "Nothing was changed in the gateway.", "Close the other program that talks to the gateway, then try again."),
        (tree.GatewayRefused, "The gateway stays as it was.", "See what the gateway allows, or choose another tuning."),
        (tree.GatewayUnreachable, "Nothing was changed and nothing is lost. Without the gateway no reading can be taken; text can still be pasted.", "See that it has power and that its cable or address is right."),
        (tree.GatewayError, "Nothing is lost.", "Take a reading to see how the gateway stands."),
        (FarEndError, "The radio is not to blame. Tests need a far end that answers; readings do not.", "Check that `bandwright far-end` runs there."),
        (tree.DeclarationError, "Nothing else was read from the file, and nothing measured is touched.", "Change that place in site.toml and load the page again."),
        (tree.AllowanceError, "It was not done.", "Raise the allowance under [campaign] in site.toml if you want it done all the same."),
        (tree.UserFault, "It was not done.", "Change what is named and try again."),
    )
    for kind, means, todo in rows:
        if isinstance(error, kind):
            return ErrorTold(happened=_sentence(error), means=means, todo=error.todo or todo)
    return ErrorTold(happened=_sentence(error), means="Nothing measured is lost.", todo=error.todo or "Try again; if it happens again, the details below help whoever mends it.")


def _sentence(error: BandwrightError) -> str:
    text = str(error)
    if error.todo:
        text = text.replace(f". {error.todo}", "")
    return _upper(text.rstrip(".")) + "."


def _with_names(text: str, names: Names) -> str:
    """Return text in which setup keys stand as names. A key is replaced only where it stands alone, the longest first."""
    for key in sorted(names.setups, key=len, reverse=True):
        text = re.sub(rf"(?<![\w/-]){re.escape(key)}(?![\w/-])", lambda _, k=key: names.setup(k), text)  # type: ignore[misc]
    return text


def _delay(ms: float) -> str:
    return f"{ms / 1000:g}{NBSP}s" if ms >= 1000 else f"{ms:g}{NBSP}ms"


def _percent(share: float) -> str:
    return f"{100 * share:.0f}{NBSP}%"


def _upper(text: str) -> str:
    return text[:1].upper() + text[1:]


def _lower(text: str) -> str:
    return text[:1].lower() + text[1:]

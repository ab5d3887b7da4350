"""What the watch says: a change in a sentence, with its size, since when, in which hours, and what probably caused it."""

from __future__ import annotations

import math
from datetime import datetime, tzinfo

from bandwright.words.answers import Estimate

__all__ = ["back_sentence", "change_sentence", "notice_sentence", "outage_sentence", "percent_range", "since_text"]

_WHAT = {"down": "the download", "up": "the upload", "both": "download and upload", "delay": "the delay under load", "loss": "the share of tests that lose packets"}
_READING = {"rsrp": ("signal", "dB"), "sinr": ("SINR", "dB"), "rsrq": ("RSRQ", "dB"), "nr_share": ("use of the 5G leg", ""), "ln_bandwidth": ("total bandwidth", "ln"), "ln_first_hop": ("delay to the gateway", "ln")}
_EVENT = {"cell": "another cell took over", "firmware": "the gateway's firmware changed", "cap": "the plan's volume is used up", "mode": "the network mode changed", "reboot": "the gateway restarted"}
_PHASE = {
    "gateway": "the gateway did not answer", "radio": "no radio signal was in use", "registration": "the network did not serve the gateway", "address": "this computer had no way out",
    "names": "names did not resolve", "far end": "the far end did not answer",
}  # fmt: skip


def since_text(at: datetime, zone: tzinfo) -> str:
    """Return a time as the site's people say it."""
    local = at.astimezone(zone)
    return f"{local:%a} {local.day} {local:%b %H:%M}"


def percent_range(size: Estimate, channel: str) -> tuple[str, str]:
    """Return (how much, range) of a change. Sizes are in ln, those of loss in shares."""
    if channel == "loss":
        return f"{100 * abs(size.value):.0f} points {'more' if size.value > 0 else 'fewer'}", f"{100 * min(abs(size.low), abs(size.high)):.0f} to {100 * max(abs(size.low), abs(size.high)):.0f}"
    low, value, high = sorted((100 * abs(math.expm1(size.low)), 100 * abs(math.expm1(size.value)), 100 * abs(math.expm1(size.high))))
    word = ("longer" if size.value > 0 else "shorter") if channel == "delay" else ("more" if size.value > 0 else "less")
    return f"{value:.0f} % {word}", f"{low:.0f} to {high:.0f} %"


def change_sentence(
    *, channel: str, size: Estimate, since: datetime, zone: tzinfo, hours: str = "all", cause: str | None = None, chance: float = 0.0, second: str | None = None, settle: str = ""
) -> str:
    """Return the sentence of a change. hours: "all" or "16-24". cause: in words; below .6 both causes are named, and what would tell them apart."""
    much, range_ = percent_range(size, channel)
    when = "" if hours == "all" else f", between {hours.replace('-', ' and ')} o'clock"
    text = f"Since about {since_text(since, zone)}, {_WHAT[channel]} {'is' if channel != 'both' else 'are'} {much} than before ({range_}){when}."
    if cause is not None and chance >= 0.6:
        text += f" Probably {cause} ({100 * chance:.0f} in 100)."
    elif cause is not None:
        text += f" Either {cause} ({100 * chance:.0f} in 100)" + (f", or {second}" if second else "") + "."
        text += f" What would tell: {settle}." if settle else ""
    return text


def back_sentence(*, channel: str, since: datetime, zone: tzinfo) -> str:
    """Return the sentence of a change that is over."""
    what = _WHAT[channel]
    return f"Back to normal: {what} {'is' if channel != 'both' else 'are'} as before, since about {since_text(since, zone)}."


def notice_sentence(*, kind: str, size: float | None, since: datetime, zone: tzinfo) -> str:
    """Return the sentence of something that changed in the readings, without an effect on tests seen yet."""
    when = since_text(since, zone)
    if size is None:
        return f"{_EVENT[kind][0].upper()}{_EVENT[kind][1:]}, {when}. No effect on what is needed is seen yet."
    name, unit = _READING[kind]
    if unit == "ln":
        much = f"{100 * abs(math.expm1(size)):.0f} % {'more' if size > 0 else 'less'}"
    elif unit == "dB":
        much = f"{abs(size):.1f} dB {'higher' if size > 0 else 'lower'}"
    else:
        much = f"{100 * abs(size):.0f} points {'more' if size > 0 else 'less'}"
    return f"The {name} is {much} since {when}. No effect on what is needed is seen yet."


def outage_sentence(*, start: datetime, end: datetime, phase: str, give_or_take_s: float, zone: tzinfo) -> str:
    """Return the sentence of an outage that is over."""
    minutes = (end - start).total_seconds() / 60.0
    long = f"{minutes:.0f} minutes" if minutes < 120 else f"{minutes / 60.0:.1f} hours"
    return f"There was no service for {long}, from {since_text(start, zone)} to {since_text(end, zone)} (each within {give_or_take_s:.0f} s): {_PHASE.get(phase, phase)}."

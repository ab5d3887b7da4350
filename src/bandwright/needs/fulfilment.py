"""Whether a measurement meets a need, by what margin, and the score by which a trial compares setups.

Margin: the worst of ln(value / required) over what the need asks, with the sign turned for delay and loss. Met means margin >= 0.
Score: the margin clipped to [-1, +1]; a failed test scores -1; a void one has no score. With several needs the score is the mean
over the needs whose hours include the moment, by weight. A quantity that was not measured leaves the margin to the others and is
named in `missing`; a need with something missing can be refuted, never confirmed.

Loss is that of the delay probes at rest where there is one: a full load overflows any short queue by itself, and what it loses there is
not what a call beside it would lose. Without it, the worse direction of the load's own packets counts.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

from bandwright.words.measurement import Measurement, Outcome
from bandwright.words.site import Need, Requirements

__all__ = ["SCORE_LIMIT", "NeedResult", "Score", "assess", "margin_of", "score", "score_values"]

SCORE_LIMIT = 1.0
_LEAST_LOSS = 1e-4  # a loss below this cannot be told from none in one test
_LEAST_RATE_MBPS = 1e-3

Values = Mapping[str, float | None]


@dataclass(frozen=True, slots=True, kw_only=True)
class NeedResult:
    """One need and one test. margin: ln units, None where nothing it asks was measured. met: None where it cannot be told.

    limiting: which of downlink, uplink, loaded_delay, idle_delay, loss is the tightest. missing: what was asked and not measured.
    """

    need: str
    margin: float | None
    met: bool | None
    limiting: str | None = None
    missing: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Score:
    """A test's score -1..1 (None: void, or nothing measured that a need asks), and each active need's result.

    out_of_hours: no need's hours include the moment; all needs were used.
    """

    value: float | None
    results: tuple[NeedResult, ...]
    out_of_hours: bool = False


def _worst(values: Values, *keys: str) -> float | None:
    known = [v for k in keys if (v := values.get(k)) is not None]
    return max(known) if known else None


def _more(value: float, required: float) -> float:
    return math.log(max(value, _LEAST_RATE_MBPS) / required)


def _less(value: float, required: float) -> float:
    return math.log(required / max(value, 1e-9))


def _loss(value: float, required: float) -> float:
    return math.log(required / max(value, _LEAST_LOSS))


# what is asked, the attribute that asks it, where its value is found, how it becomes a margin
_ASKED: tuple[tuple[str, Callable[[Requirements], float | None], Callable[[Values], float | None], Callable[[float, float], float]], ...] = (
    ("downlink", lambda r: r.downlink_mbps, lambda v: v.get("goodput_down_mbps"), _more),
    ("uplink", lambda r: r.uplink_mbps, lambda v: v.get("goodput_up_mbps"), _more),
    ("loaded_delay", lambda r: r.loaded_delay_ms, lambda v: _worst(v, "delay_loaded_down_ms", "delay_loaded_up_ms"), _less),
    ("idle_delay", lambda r: r.idle_delay_ms, lambda v: v.get("delay_idle_ms"), _less),
    ("loss", lambda r: r.loss_ratio, lambda v: v.get("loss_ratio") if v.get("loss_ratio") is not None else _worst(v, "loss_down_ratio", "loss_up_ratio"), _loss),
)


def margin_of(requirements: Requirements, values: Values) -> tuple[float | None, str | None, tuple[str, ...]]:
    """Return (margin in ln units or None, the limiting item, the items asked but not measured).

    values: quantity key -> value in the unit of the table of quantities, or None where absent.
    """
    margins: list[tuple[float, str]] = []
    missing: list[str] = []
    for name, asks, finds, turns in _ASKED:
        required = asks(requirements)
        if required is None:
            continue
        value = finds(values)
        if value is None:
            missing.append(name)
        else:
            margins.append((turns(value, required), name))
    if not margins:
        return None, None, tuple(missing)
    worst, limiting = min(margins)
    return worst, limiting, tuple(missing)


def assess(need: Need, values: Values, *, failed: bool = False) -> NeedResult:
    """Return whether a test's values meet a need, and by what margin. A failed test meets nothing."""
    if failed:
        return NeedResult(need=need.key, margin=-SCORE_LIMIT, met=False, limiting="failed")
    margin, limiting, missing = margin_of(need.requirements, values)
    met: bool | None = None
    if margin is not None:
        met = False if margin < 0 else (None if missing else True)
    return NeedResult(need=need.key, margin=margin, met=met, limiting=limiting, missing=missing)


def score_values(needs: Sequence[Need], values: Values, *, weekday: int, minute: float, failed: bool = False, void: bool = False) -> Score:
    """Return the score of one test at a local weekday (0 = Monday) and minute of the day."""
    active = [n for n in needs if n.hours.includes(weekday, minute)]
    used = active or list(needs)
    if void:
        return Score(value=None, results=(), out_of_hours=not active)
    results = tuple(assess(n, values, failed=failed) for n in used)
    known = [(n.weight, r.margin) for n, r in zip(used, results, strict=True) if r.margin is not None]
    total = sum(weight for weight, _ in known)
    value = sum(w * max(-SCORE_LIMIT, min(SCORE_LIMIT, m)) for w, m in known) / total if total > 0 else None
    return Score(value=value, results=results, out_of_hours=not active)


def score(needs: Sequence[Need], measurement: Measurement, *, weekday: int, minute: float) -> Score:
    """Return the score of a kept measurement (see `score_values`)."""
    values = {v.quantity: v.value for v in measurement.values}
    return score_values(needs, values, weekday=weekday, minute=minute, failed=measurement.outcome is Outcome.FAILED, void=measurement.outcome is Outcome.VOID)

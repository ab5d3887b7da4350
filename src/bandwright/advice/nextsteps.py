"""Would it help? From a present reading and proposed rigs to what each would change, how surely, and what to try first.

"Nothing here will help" is an answer. Where interference limits, gain by itself is advised against: it lifts signal and interference
alike. The proof is a trial: a slow change of a fixed link asks for close to 6 dB of extra margin at the 90th percentile, and no budget
knows the directions of interferers. Cautions are keys; their sentences belong to the telling.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Literal

from bandwright.antenna.patterns import mean_attenuation_db
from bandwright.errors import UsageError
from bandwright.predict.carriers import ActiveCarrier
from bandwright.predict.change import Change, Side, change_of_rig
from bandwright.predict.forecast import DOWN_RATIO, DOWN_SD_LN, UP_RATIO, USUAL_DEVICE, Device, downlink_formula_mbps, uplink_formula_mbps
from bandwright.words.answers import Estimate, Forecast
from bandwright.words.site import Need

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    Draws = NDArray[np.float64]

__all__ = ["CAUTIONS_BY_PLACE", "CarrierOutlook", "Measured", "NeedOutlook", "NextSteps", "Outlook", "Place", "Proposal", "Worth", "would_it_help"]

Place = Literal["indoors", "window", "attic", "wall", "roof", "mast"]
Worth = Literal["helps", "may help", "will not help", "makes it worse"]

CAUTIONS_BY_PLACE: dict[Place, tuple[str, ...]] = {
    "indoors": (),
    "window": (),
    "attic": ("attic", "ladder", "rf distance"),
    "wall": ("ladder", "power line", "lightning", "rf distance", "wind"),
    "roof": ("ladder", "roof", "power line", "lightning", "rf distance", "wind"),
    "mast": ("ladder", "roof", "mast", "power line", "lightning", "rf distance", "wind"),
}

_LEVEL = 0.80
_MATTERS_LN = math.log(1.1)  # a tenth: below that two setups are as good as the same
_SURE, _LIKELY = 0.8, 0.5
_TEST_SD_LN = 0.45  # test to test at a fixed place, network chooses cells: measured median over 34 places


@dataclass(frozen=True, slots=True, kw_only=True)
class Proposal:
    """A rig that could be tried. price: in the user's currency, None where not known. device: another gateway by its capabilities."""

    key: str
    side: Side
    place: Place
    label: str = ""
    price: float | None = None
    minutes: float = 30.0
    device: Device | None = None
    other_carriers: tuple[ActiveCarrier, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Measured:
    """What tests of the present rig gave: medians and the sd of ln from test to test, with their count."""

    down_mbps: float | None
    up_mbps: float | None
    sd_ln: float = _TEST_SD_LN
    tests: int = 1


@dataclass(frozen=True, slots=True, kw_only=True)
class CarrierOutlook:
    """What would change on one carrier. down: its share of the rate after the change; up_ratio: None where it does not send."""

    of: str
    down: Forecast
    down_ratio: Estimate
    up_ratio: Estimate | None
    rsrp_change: Estimate
    sinr_change: Estimate
    interference_over_noise: Estimate
    layers_before: float
    layers_after: float


@dataclass(frozen=True, slots=True, kw_only=True)
class NeedOutlook:
    """The chance that one test meets a need, now and then (rates only: physics says little of delay and loss)."""

    need: str
    before: float
    after: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Outlook:
    """What one proposal would bring. down_ratio, up_ratio: rate after over before, 80 % interval. reasons: keys of why.

    chance_better: that a rate that matters rises by a tenth or more. cost_per_need: price per need newly met (expected), None where free of gain or price.
    """

    key: str
    label: str
    worth: Worth
    chance_better: float
    chance_worse: float
    rsrp_change: Estimate
    sinr_change: Estimate
    headroom_change: Estimate | None
    layers_before: float
    layers_after: float
    down_ratio: Estimate
    up_ratio: Estimate | None
    down: Forecast
    up: Forecast | None
    carriers: tuple[CarrierOutlook, ...]
    needs: tuple[NeedOutlook, ...] = ()
    cost_per_need: float | None = None
    price: float | None = None
    reasons: tuple[str, ...] = ()
    cautions: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class NextSteps:
    """Proposals, the one to try first at the head. nothing_will_help: none is likely to. limited_by: what stands beside the signal.

    against_gain: interference limits, so gain by itself is not worth buying. ask: readings that would sharpen the answer (keys).
    """

    ranked: tuple[Outlook, ...]
    nothing_will_help: bool
    limited_by: Literal["interference", "noise", "cannot tell"]
    chance_interference: float
    against_gain: bool
    ask: tuple[str, ...] = ()
    seed: int = 0
    level: float = _LEVEL
    source: str = "predict.change; TR 36.942 Annex A; ITU-R P.2109-2, P.2108-1"
    assumptions: tuple[str, ...] = field(default=())


def would_it_help(
    carriers: Sequence[ActiveCarrier],
    *,
    now: Side,
    proposals: Sequence[Proposal],
    needs: Sequence[Need] = (),
    measured: Measured | None = None,
    device: Device = USUAL_DEVICE,
    smallest_gap_db: float | None = None,
    plan_limits_mbps: tuple[float | None, float | None] = (None, None),
    draws: int = 2000,
    seed: int = 0,
) -> NextSteps:
    """Return what each proposal would change against the present rig, ranked.

    carriers: of a present reading, best a mean over 30 s or more under load. plan_limits_mbps: what the subscription allows, down and up.
    Raises UsageError without a proposal, or where no carrier can be used.
    """
    if not proposals:
        raise UsageError("proposals", given=0, allowed="1 or more", todo="Name what could be tried: another antenna, place, height, feeder or gateway.")
    outlooks, chance = [], 0.0
    for proposal in proposals:
        change = change_of_rig(
            carriers,
            now=now,
            then=proposal.side,
            device_now=device,
            device_then=proposal.device,
            other_carriers=proposal.other_carriers,
            smallest_gap_db=smallest_gap_db,
            draws=draws,
            seed=seed,
        )
        chance = change.interference_rules
        outlooks.append(_outlook(proposal, change, carriers, now, needs, measured, device, plan_limits_mbps, seed))
    ranked = tuple(sorted(outlooks, key=_rank))
    return NextSteps(
        ranked=ranked,
        nothing_will_help=all(o.worth in {"will not help", "makes it worse"} for o in ranked),
        limited_by="interference" if chance >= 0.75 else "noise" if chance <= 0.25 else "cannot tell",
        chance_interference=chance,
        against_gain=chance >= 0.75,
        ask=_ask(carriers, measured),
        seed=seed,
        assumptions=("noise figure 7 ± 1.5 dB", "interferers ± 4 dB about the pattern's mean", "transmitter ceiling 25 to 32 dB"),
    )


def _rank(outlook: Outlook) -> tuple[int, float, float, str]:
    """Worth first, then the gain in needs met and rate, then price."""
    order = {"helps": 0, "may help": 1, "will not help": 2, "makes it worse": 3}
    met = sum(n.after - n.before for n in outlook.needs)
    value = met + 0.1 * math.log(max(1e-6, outlook.down_ratio.value)) + (0.1 * math.log(max(1e-6, outlook.up_ratio.value)) if outlook.up_ratio else 0.0)
    return order[outlook.worth], -round(value, 2), outlook.price if outlook.price is not None else math.inf, outlook.key


def _outlook(
    proposal: Proposal,
    change: Change,
    carriers: Sequence[ActiveCarrier],
    now: Side,
    needs: Sequence[Need],
    measured: Measured | None,
    device: Device,
    plan: tuple[float | None, float | None],
    seed: int,
) -> Outlook:
    import numpy as np

    rng = np.random.default_rng([seed, 1])
    size = change.ln_down.size
    sd = measured.sd_ln if measured is not None else _TEST_SD_LN
    down_now = _tests(rng, _median_down(carriers, measured, device), sd, measured, size)
    up_median = _median_up(carriers, measured, device)
    up_now = None if up_median is None else _tests(rng, up_median, sd, measured, size)
    down_then = down_now * np.exp(change.ln_down)
    up_then = None if up_now is None or change.ln_up is None else up_now * np.exp(change.ln_up)
    down_now, down_then = _limited(down_now, plan[0]), _limited(down_then, plan[0])
    up_now, up_then = (None if up_now is None else _limited(up_now, plan[1])), (None if up_then is None else _limited(up_then, plan[1]))
    outlooks = tuple(_need_outlook(need, (down_now, up_now), (down_then, up_then)) for need in needs)
    total_after = sum((c.down_after for c in change.carriers), np.zeros(size))
    better, worse = _chances(change, needs)
    newly = sum(max(0.0, n.after - n.before) for n in outlooks)
    main = max(change.carriers, key=lambda c: float(c.down_before.mean()))
    worth = _worth(better, worse)
    return Outlook(
        key=proposal.key,
        label=proposal.label or proposal.key,
        worth=worth,
        chance_better=better,
        chance_worse=worse,
        rsrp_change=_estimate(main.rsrp_change_db, "dB"),
        sinr_change=_estimate(main.sinr_change_db, "dB"),
        headroom_change=None if change.headroom_change_db is None else _estimate(change.headroom_change_db, "dB"),
        layers_before=float(main.layers_before.mean()),
        layers_after=float(main.layers_after.mean()),
        down_ratio=_ratio(change.ln_down),
        up_ratio=None if change.ln_up is None else _ratio(change.ln_up),
        down=_rate("goodput_down_mbps", down_then),
        up=None if up_then is None else _rate("goodput_up_mbps", up_then),
        carriers=tuple(
            CarrierOutlook(
                of=c.of,
                down=_rate("goodput_down_mbps", down_then * c.down_after / np.maximum(total_after, 1e-9), of=c.of),
                down_ratio=_ratio(np.log(np.maximum(c.down_after, 1e-9) / np.maximum(c.down_before, 1e-9))),
                up_ratio=None if c.uplink is None else _ratio(np.log(np.maximum(c.uplink.after, 1e-9) / np.maximum(c.uplink.before, 1e-9))),
                rsrp_change=_estimate(c.rsrp_change_db, "dB"),
                sinr_change=_estimate(c.sinr_change_db, "dB"),
                interference_over_noise=_estimate(c.inr_db, "dB"),
                layers_before=float(c.layers_before.mean()),
                layers_after=float(c.layers_after.mean()),
            )
            for c in change.carriers
        ),
        needs=outlooks,
        cost_per_need=proposal.price / newly if proposal.price is not None and newly > 0.02 else None,
        price=proposal.price,
        reasons=_reasons(proposal, change, now, device),
        cautions=CAUTIONS_BY_PLACE[proposal.place],
        notes=change.notes,
    )


def _median_down(carriers: Sequence[ActiveCarrier], measured: Measured | None, device: Device) -> float:
    if measured is not None and measured.down_mbps is not None:
        return measured.down_mbps
    total = sum(
        downlink_formula_mbps(sinr_db=c.sinr_db, layers=min(c.layers or device.assumed_layers, device.max_layers), blocks=c.blocks, scs_khz=c.scs_khz, share=c.down_share)
        for c in carriers
        if c.sinr_db is not None and c.blocks is not None
    )
    return DOWN_RATIO * total


def _median_up(carriers: Sequence[ActiveCarrier], measured: Measured | None, device: Device) -> float | None:
    if measured is not None and measured.up_mbps is not None:
        return measured.up_mbps
    senders = [c for c in carriers if c.uplink and c.rsrp_dbm is not None and c.ul_blocks is not None]
    if not senders:
        return None
    return UP_RATIO * sum(
        uplink_formula_mbps(rsrp_dbm=c.rsrp_dbm, power_dbm=device.power_dbm, rat=c.rat, blocks=c.ul_blocks, scs_khz=c.scs_khz, share=c.up_share)
        for c in senders
        if c.rsrp_dbm is not None and c.ul_blocks is not None
    )


def _tests(rng: np.random.Generator, median: float, sd: float, measured: Measured | None, size: int) -> Draws:
    """Draws of one test each: the median is itself uncertain (few tests, or a formula), and tests scatter about it."""
    import numpy as np

    about = sd / math.sqrt(max(1, measured.tests)) if measured is not None else DOWN_SD_LN
    return np.asarray(max(median, 1e-9) * np.exp(rng.normal(0.0, about, size) + rng.normal(0.0, sd, size)), dtype=np.float64)


def _limited(rates: Draws, limit: float | None) -> Draws:
    import numpy as np

    return rates if limit is None else np.minimum(rates, limit)


def _need_outlook(need: Need, before: tuple[Draws, Draws | None], after: tuple[Draws, Draws | None]) -> NeedOutlook:
    return NeedOutlook(need=need.key, before=_met(need, *before), after=_met(need, *after))


def _met(need: Need, down: Draws, up: Draws | None) -> float:
    import numpy as np

    met = np.ones(down.size, dtype=bool)
    if need.requirements.downlink_mbps is not None:
        met &= down >= need.requirements.downlink_mbps
    if need.requirements.uplink_mbps is not None and up is not None:
        met &= up >= need.requirements.uplink_mbps
    return float(met.mean())


def _chances(change: Change, needs: Sequence[Need]) -> tuple[float, float]:
    """Chance that a direction that matters gains a tenth and none loses one; and that one loses a tenth. Without needs both directions matter."""
    import numpy as np

    down_matters = not needs or any(n.requirements.downlink_mbps is not None for n in needs)
    up_matters = change.ln_up is not None and (not needs or any(n.requirements.uplink_mbps is not None for n in needs))
    if not down_matters and not up_matters:
        down_matters = True
    parts = ([change.ln_down] if down_matters else []) + ([change.ln_up] if up_matters and change.ln_up is not None else [])
    stack = np.stack(parts)
    worse = (stack < -_MATTERS_LN).any(axis=0)
    better = (stack > _MATTERS_LN).any(axis=0) & ~worse
    return float(better.mean()), float(worse.mean())


def _worth(better: float, worse: float) -> Worth:
    if worse > _LIKELY:
        return "makes it worse"
    if better >= _SURE:
        return "helps"
    return "may help" if better >= _LIKELY else "will not help"


def _reasons(proposal: Proposal, change: Change, now: Side, device: Device) -> tuple[str, ...]:
    """Keys of why a proposal does what it does; the telling has their sentences."""
    side = proposal.side
    reasons = []
    if change.interference_rules >= 0.75:
        directed = mean_attenuation_db(side.pattern) - mean_attenuation_db(now.pattern)
        reasons.append("direction shuts interference out" if directed > 2.0 else "interference rises with the signal")
    if side.feeder is not None and side.feeder_m > 0.0:
        main = 1800.0
        gain = side.pattern.gain_dbi - now.pattern.gain_dbi
        if side.fixed_loss_db(main) > 0.5 * max(gain, 0.1):
            reasons.append("the feeder eats the gain")
    if now.building is not None and side.building is None:
        reasons.append("the wall is avoided")
    if min(side.ports, device.max_layers) < min(now.ports, device.max_layers):
        reasons.append("fewer ports carry fewer layers")
    if bool(change.capped.mean() > 0.5):
        reasons.append("the uplink is at its power limit")
    return tuple(reasons)


def _ask(carriers: Sequence[ActiveCarrier], measured: Measured | None) -> tuple[str, ...]:
    ask = []
    if all(c.tx_power_dbm is None for c in carriers if c.uplink):
        ask.append("read transmit power during an upload")
    if all(c.layers is None for c in carriers):
        ask.append("read the rank under load")
    if measured is None or measured.tests < 4:
        ask.append("measure a few more times")
    return tuple(ask)


def _estimate(draws: Draws, unit: str) -> Estimate:
    import numpy as np

    low, middle, high = (float(x) for x in np.quantile(draws, ((1.0 - _LEVEL) / 2.0, 0.5, (1.0 + _LEVEL) / 2.0)))
    return Estimate(value=middle, low=low, high=high, unit=unit, level=_LEVEL)


def _ratio(ln_draws: Draws) -> Estimate:
    import numpy as np

    return _estimate(np.exp(ln_draws), "times")


def _rate(quantity: str, draws: Draws, *, of: str = "") -> Forecast:
    spread = _estimate(draws, "Mbit/s")
    return Forecast(quantity=quantity, median=spread.value, low=spread.low, high=spread.high, level=_LEVEL, unit="Mbit/s", source="predict.change", of=of)

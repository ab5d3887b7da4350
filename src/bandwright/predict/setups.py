"""Predicted score of every setup of a trial: which carriers a tuning allows, what a rig does to them, and what that means for the needs.

A prediction only tells a trial where to look first; its data decide how far it is trusted. A setup of which nothing is known has none.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from bandwright.errors import UsageError
from bandwright.predict.carriers import ActiveCarrier
from bandwright.predict.change import Side, change_of_rig
from bandwright.predict.forecast import (
    DOWN_RATIO,
    DOWN_SD_LN,
    UP_RATIO,
    UP_SD_LN,
    USUAL_DEVICE,
    Device,
    RateSpread,
    downlink_formula_mbps,
    prior_scores,
    uplink_formula_mbps,
)
from bandwright.words.answers import Forecast
from bandwright.words.radio import Rat
from bandwright.words.rig import Setup, Tuning
from bandwright.words.site import Need

__all__ = ["KnownRig", "carriers_allowed", "predict_scores", "setup_forecasts"]

_LEVEL = 0.80


@dataclass(frozen=True, slots=True, kw_only=True)
class KnownRig:
    """What is known of a rig: its side, its gateway, and the carriers that readings on it showed (any tuning, each once); () where it was never read."""

    side: Side = field(default_factory=Side)
    device: Device = USUAL_DEVICE
    carriers: tuple[ActiveCarrier, ...] = ()


def carriers_allowed(carriers: Sequence[ActiveCarrier], tuning: Tuning) -> tuple[ActiveCarrier, ...]:
    """Return the carriers that a tuning leaves: by its mode (lte, nr-sa, endc, automatic) and its bands (() is all). A tuning that leaves no anchor leaves nothing."""
    left = [c for c in carriers if not tuning.bands or c.band in tuning.bands]
    if tuning.mode == "lte":
        left = [c for c in left if c.rat is Rat.LTE]
    elif tuning.mode == "nr-sa":
        left = [c for c in left if c.rat is Rat.NR]
    elif tuning.mode == "endc" and not any(c.rat is Rat.LTE and c.duplex != "SDL" for c in left):
        left = []
    return tuple(left) if any(c.duplex != "SDL" for c in left) else ()


def setup_forecasts(setups: Sequence[Setup], *, tunings: Mapping[str, Tuning], rigs: Mapping[str, KnownRig], seed: int = 0) -> dict[str, tuple[Forecast, ...]]:
    """Return what one test of each setup should show, down and up in sum. A rig that was never read is reckoned from one that was.

    Setups of which nothing is known are left out. Raises UsageError for a setup whose tuning or rig is not given.
    """
    read = next((key for key, rig in rigs.items() if rig.carriers), None)
    found: dict[str, tuple[Forecast, ...]] = {}
    for setup in setups:
        if setup.tuning not in tunings or setup.rig not in rigs:
            raise UsageError("setup", given=setup.key, allowed="one whose tuning and rig are given")
        rig = rigs[setup.rig]
        base = rig if rig.carriers else rigs[read] if read is not None else None
        if base is None:
            continue
        left = carriers_allowed(base.carriers, tunings[setup.tuning])
        rows = _forecasts(left, base, rig, seed)
        if rows:
            found[setup.key] = rows
    return found


def predict_scores(setups: Sequence[Setup], *, needs: Sequence[Need], tunings: Mapping[str, Tuning], rigs: Mapping[str, KnownRig], seed: int = 0) -> dict[str, float]:
    """Return setup key -> predicted score, −1..1, for the setups of which something is known."""
    return prior_scores(setup_forecasts(setups, tunings=tunings, rigs=rigs, seed=seed), needs)


def _forecasts(carriers: Sequence[ActiveCarrier], base: KnownRig, rig: KnownRig, seed: int) -> tuple[Forecast, ...]:
    import numpy as np

    usable = [c for c in carriers if c.sinr_db is not None and c.blocks is not None]
    if not usable:
        return ()
    down = DOWN_RATIO * _best_sum(usable, base.device)
    up = max((u for c in usable if (u := _upload(c, base.device)) is not None), default=None)
    down_sd, up_sd = DOWN_SD_LN, UP_SD_LN
    if rig is not base:
        if not any(c.rsrp_dbm is not None and c.frequency_mhz is not None for c in usable):
            return ()
        change = change_of_rig(usable, now=base.side, then=rig.side, device_now=base.device, device_then=rig.device, seed=seed)
        down *= float(np.exp(np.median(change.ln_down)))
        down_sd = math.hypot(down_sd, float(np.std(change.ln_down)))
        if up is not None and change.ln_up is not None:
            up *= float(np.exp(np.median(change.ln_up)))
            up_sd = math.hypot(up_sd, float(np.std(change.ln_up)))
    rows = [_row("goodput_down_mbps", down, down_sd)]
    if up is not None:
        rows.append(_row("goodput_up_mbps", up, up_sd))
    return tuple(rows)


def _best_sum(carriers: Sequence[ActiveCarrier], device: Device) -> float:
    rates = sorted(
        (
            downlink_formula_mbps(sinr_db=c.sinr_db, layers=min(c.layers or device.assumed_layers, device.max_layers), blocks=c.blocks, scs_khz=c.scs_khz, share=c.down_share)
            for c in carriers
            if c.sinr_db is not None and c.blocks is not None
        ),
        reverse=True,
    )
    return sum(rates if device.max_dl_carriers is None else rates[: device.max_dl_carriers])


def _upload(carrier: ActiveCarrier, device: Device) -> float | None:
    """Upload on one carrier if it were the one that sends: a tuning may make any that has an uplink the primary one."""
    if carrier.duplex == "SDL" or carrier.rsrp_dbm is None or carrier.ul_blocks is None:
        return None
    return UP_RATIO * uplink_formula_mbps(
        rsrp_dbm=carrier.rsrp_dbm, power_dbm=device.power_dbm, rat=carrier.rat, blocks=carrier.ul_blocks, scs_khz=carrier.scs_khz, share=carrier.up_share
    )


def _row(quantity: str, median: float, sd_ln: float) -> Forecast:
    spread = RateSpread(median_mbps=median, sd_ln=sd_ln)
    edge = (1.0 - _LEVEL) / 2.0
    return Forecast(
        quantity=quantity, median=median, low=spread.quantile_mbps(edge), high=spread.quantile_mbps(1.0 - edge), level=_LEVEL, unit="Mbit/s", source="predict.forecast, predict.change"
    )

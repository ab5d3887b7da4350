"""What no reading tells, as draws: noise figure, interference, link map, interferers' directions, streams of the channel, power control.

Each prior is a row at the top. They are common practice without a source unless one is named, and are held by the studies in `bench/`: on
a twin with formulas of its own the 80 % intervals made from them must hold what they say.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from bandwright.errors import RangeError
from bandwright.predict.carriers import ActiveCarrier
from bandwright.predict.forecast import Device
from bandwright.words.radio import Rat

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    Draws = NDArray[np.float64]

__all__ = ["READ_SINR_SD_DB", "SPREAD_LEVELS", "LinkMap", "Scene", "UplinkDraws", "best_layers", "interference_over_noise_db", "noise_figures_db", "stream_steps_db", "through_ceiling_db", "uplink_draws"]

READ_SINR_SD_DB = 1.5  # mean of a minute at a fixed place
SPREAD_LEVELS = (-1.4, -0.5, 0.0, 0.5, 1.4)  # of the angular spread, in its own sigma

_NOISE_FIGURE_DB = (7.0, 1.5)  # 3GPP studies use 7 to 9 dB for devices
_INR_DB = (-15.0, 40.0)  # flat
_MOST_INTERFERERS = 6  # one to six, anywhere in azimuth, with exponential shares
_POINTING_SD_DEG = 4.0
_LINK_CAP = (4.4, 7.2)  # 4.4 in TR 36.942 is near 64QAM's; 256QAM goes to 7.4 (TS 38.214 table 5.1.3.1-2)
_STREAM_STEPS_DB, _STREAM_STEPS_SD_DB = (3.0, 4.0, 4.0), (3.0, 4.0, 4.0)
_ALPHAS = (0.7, 0.8, 0.9, 1.0)  # of TS 38.331's values those that networks use
_UL_REFERENCE_DBM = {Rat.LTE: 15.2, Rat.NR: 8.0}  # base station's level per resource element (NR: less some receive gain)
_UL_REFERENCE_SD_DB = 3.0
_UL_TARGET_DBM, _UL_TARGET_SD_DB = -104.0, 5.0  # received per 180 kHz at a path loss of 118 dB
_UL_NOISE_DB = (6.0, 11.0)  # noise figure and rise of a base station
_UL_ALL_BLOCKS_SHARE = 0.3
_CAPPED_MARGIN_DB = 1.5
_BLOCK_NOISE_DBM = -121.422  # k·290 K over 180 kHz


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class LinkMap:
    """A receiver's link map per draw, the same before and after: min(cap, alpha·log2(1 + SINR/gap)) per stream."""

    alpha: Draws
    gap: Draws
    cap: Draws

    @staticmethod
    def drawn(rng: np.random.Generator, draws: int) -> LinkMap:
        """Between TR 36.942's form (slope 0.6, no gap) and link curves a gap below Shannon's bound (slope near 1, 3.7 dB in the median)."""
        share = rng.random(draws)
        return LinkMap(alpha=0.6 + 0.36 * share + rng.normal(0.0, 0.03, draws), gap=10.0 ** (0.37 * share), cap=rng.uniform(*_LINK_CAP, draws))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Scene:
    """Per draw: where interferers stand (degrees from the mast), how the interference is shared among them, which level of angular spread, pointing error."""

    azimuths_deg: Draws
    shares: Draws
    spread_level: NDArray[np.int64]
    pointing_deg: Draws

    @staticmethod
    def drawn(rng: np.random.Generator, draws: int) -> Scene:
        """Draw a scene for each draw."""
        import numpy as np

        there = np.arange(_MOST_INTERFERERS)[None, :] < rng.integers(1, _MOST_INTERFERERS + 1, draws)[:, None]
        shares = rng.exponential(1.0, there.shape) * there
        return Scene(
            azimuths_deg=rng.uniform(-180.0, 180.0, there.shape),
            shares=shares / shares.sum(axis=1, keepdims=True),
            spread_level=rng.integers(0, len(SPREAD_LEVELS), draws),
            pointing_deg=rng.normal(0.0, _POINTING_SD_DEG, draws),
        )


def noise_figures_db(rng: np.random.Generator, usable: Sequence[ActiveCarrier], smallest_gap_db: float | None, draws: int) -> Draws:
    """Noise figures weighted by how well noise and a flat prior on interference explain every carrier's gap. Rejecting draws with NI below N would bias the answer."""
    import numpy as np

    candidates = rng.normal(*_NOISE_FIGURE_DB, 4 * draws)
    inr = np.linspace(*_INR_DB, 112)
    rise = 10.0 * np.log10(1.0 + 10.0 ** (inr / 10.0))
    log_weight = np.zeros(candidates.size)
    for carrier in usable:
        misfit = (_gap_db(carrier) - (candidates[:, None] - 7.0) - rise[None, :]) / READ_SINR_SD_DB
        log_weight += np.log(np.exp(-0.5 * misfit**2).mean(axis=1) + 1e-30)
    if smallest_gap_db is not None:
        excess = np.maximum(candidates - 7.0 - smallest_gap_db, 0.0)
        log_weight -= 0.5 * (excess / READ_SINR_SD_DB) ** 2
    weight = np.exp(log_weight - log_weight.max())
    chosen = rng.choice(candidates, size=draws, p=weight / weight.sum())
    return np.asarray(chosen, dtype=np.float64)


def _gap_db(carrier: ActiveCarrier) -> float:
    if carrier.rsrp_dbm is None or carrier.sinr_db is None:
        raise RangeError("carrier", given=carrier.of, allowed="one with RSRP and SINR")
    return carrier.rsrp_dbm - carrier.sinr_db - (-173.975 + 10.0 * math.log10(carrier.scs_khz * 1e3) + 7.0)


def interference_over_noise_db(rng: np.random.Generator, carrier: ActiveCarrier, noise_figure: Draws) -> Draws:
    """INR of a carrier, drawn from its posterior given each noise figure (flat prior, Gaussian reading)."""
    import numpy as np

    grid = np.linspace(*_INR_DB, 221)
    rise = 10.0 * np.log10(1.0 + 10.0 ** (grid / 10.0))
    misfit = (_gap_db(carrier) - (noise_figure[:, None] - 7.0) - rise[None, :]) / READ_SINR_SD_DB
    density = np.exp(-0.5 * (misfit**2 - (misfit**2).min(axis=1, keepdims=True)))
    cumulative = np.cumsum(density, axis=1)
    at = (cumulative < rng.random(noise_figure.size)[:, None] * cumulative[:, -1:]).sum(axis=1)
    return np.asarray(grid[np.minimum(at, grid.size - 1)], dtype=np.float64)


def through_ceiling_db(sinr_db: Draws, ceiling_db: Draws, *, out: bool) -> Draws:
    """Take the ceiling of transmitter and receiver impairments out of a SINR, or put it back; at most 13 dB above the ceiling."""
    import numpy as np

    part = 10.0 ** (-ceiling_db / 10.0)
    rest = 10.0 ** (-sinr_db / 10.0) + (-part if out else part)
    return np.asarray(-10.0 * np.log10(np.maximum(rest, part * 0.05)), dtype=np.float64)


def stream_steps_db(rng: np.random.Generator, sinr_db: Draws, most: int, read: int | None, link: LinkMap) -> Draws:
    """How far the second, third and fourth stream of the channel lie below the first, dB; drawn so that the rank that was read is the best one where possible."""
    chosen = _stream_draw(rng, sinr_db.size)
    if read is None:
        return chosen
    for _ in range(8):
        off = best_layers(sinr_db, most, chosen, link)[1] != min(read, most)
        if not off.any():
            break
        chosen[off] = _stream_draw(rng, int(off.sum()))
    return chosen


def _stream_draw(rng: np.random.Generator, size: int) -> Draws:
    import numpy as np

    steps = np.abs(rng.normal(_STREAM_STEPS_DB, _STREAM_STEPS_SD_DB, (size, 3)))
    return np.asarray(np.cumsum(steps, axis=1), dtype=np.float64)


def best_layers(sinr_db: Draws, most: int, streams_db: Draws, link: LinkMap) -> tuple[Draws, Draws]:
    """bit/s/Hz and layers at the best number of layers: power shared equally, each stream by TR 36.942's form with slope and cap as drawn."""
    import numpy as np

    best, layers = np.full(sinr_db.size, 0.01), np.ones(sinr_db.size)
    ratio = 10.0 ** (sinr_db / 10.0)
    weaker = np.concatenate((np.ones((sinr_db.size, 1)), 10.0 ** (-streams_db / 10.0)), axis=1)
    for count in range(1, min(most, 4) + 1):
        per_stream = np.log2(1.0 + (ratio / link.gap)[:, None] / count * weaker[:, :count])
        total = np.minimum(link.cap[:, None], link.alpha[:, None] * per_stream).sum(axis=1)
        better = (total > best) & (sinr_db >= -10.0)
        best, layers = np.where(better, total, best), np.where(better, float(count), layers)
    return best, layers


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class UplinkDraws:
    """Upload per draw before and after, how much more power is asked for than there is (dB; below 0 is headroom), and by how much headroom rises."""

    before: Draws
    after: Draws
    short_db: Draws
    headroom_rise_db: Draws


def uplink_draws(rng: np.random.Generator, carrier: ActiveCarrier, device_now: Device, device_then: Device, signal: Draws) -> UplinkDraws | None:
    """Power control by TS 38.213 7.1.1 with parameters nobody tells: target, alpha and the base station's level are drawn.

    Short of power, a network gives fewer blocks at full density (most draws) or all blocks at less (the rest).
    """
    import numpy as np

    size = signal.size
    blocks = carrier.ul_blocks or carrier.blocks or 0
    if not carrier.uplink or carrier.rsrp_dbm is None or blocks == 0:
        return None
    alpha = rng.choice(_ALPHAS, size)
    reference = _UL_REFERENCE_DBM[carrier.rat] + rng.normal(0.0, _UL_REFERENCE_SD_DB, size)
    loss = reference - carrier.rsrp_dbm
    wider = 10.0 * math.log10(carrier.scs_khz / 15.0)
    target = rng.normal(_UL_TARGET_DBM, _UL_TARGET_SD_DB, size) + wider
    density = target + (1.0 - alpha) * (118.0 - loss)
    short = density + loss + 10.0 * math.log10(blocks) - device_now.power_dbm
    if carrier.tx_power_dbm is not None:
        if carrier.tx_power_dbm >= device_now.power_dbm - _CAPPED_MARGIN_DB:
            short = np.where(short > 0.0, short, rng.exponential(6.0, size))
        else:
            short = np.full(size, carrier.tx_power_dbm - device_now.power_dbm)
    noise = _BLOCK_NOISE_DBM + wider + rng.uniform(*_UL_NOISE_DB, size)
    spread_out = rng.random(size) < _UL_ALL_BLOCKS_SHARE

    def rate(short_db: Draws, density_dbm: Draws) -> Draws:
        fewer = np.maximum(short_db, 0.0)
        given = np.where(spread_out, blocks, np.maximum(1.0, blocks * 10.0 ** (-fewer / 10.0)))
        thinner = np.where(spread_out, fewer, np.maximum(0.0, fewer - 10.0 * math.log10(blocks)))
        efficiency = np.minimum(4.4, 0.4 * np.log2(1.0 + 10.0 ** ((density_dbm - thinner - noise) / 10.0)))
        return np.asarray(given * 12e-3 * carrier.scs_khz * efficiency * carrier.up_share, dtype=np.float64)

    power = device_then.power_dbm - device_now.power_dbm
    rise = alpha * signal + power
    return UplinkDraws(before=rate(short, density), after=rate(short - rise, density + (1.0 - alpha) * signal), short_db=short, headroom_rise_db=rise)

"""Turning an antenna to where it serves best: a search plan, and a fit of what was read at each heading, with an interval.

The model is level + pattern(heading − best) + slow drift + fast fading: the drift is exponentially correlated over two minutes, the fading
is white, both of unknown size, and the beamwidth is known to 25 %. All are averaged over, so the interval of the best heading holds what it
says. Going forth and back over the headings is worth more than doubling the time at each: it separates drift from direction.
Knows nothing of gateways; the same fit serves RSRP, SINR and rate.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Literal

from bandwright.antenna.patterns import wrap_deg
from bandwright.errors import RangeError
from bandwright.words.answers import Estimate

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

__all__ = [
    "Against",
    "AimFit",
    "AimReading",
    "AimStep",
    "Mark",
    "Peak",
    "SearchPlan",
    "against_best",
    "coarse_plan",
    "fine_plan",
    "fit_by_cell",
    "fit_heading",
    "fitted_curve",
    "interference_db",
    "marks",
    "next_heading",
    "quantity_to_turn_for",
]

State = Literal["found", "go on turning", "flat", "too few"]

_LEVEL = 0.90
_DRIFT_CORRELATION_S = 120.0
_WITHIN_DB = 9.0
_FLAT_DB = 3.0
_READINGS_A_STAY = 3
_SAME_HEADING_DEG = 1.0
_MOST_ONWARDS = 3
_BEAMWIDTH_SD_LN = 0.25
# A real beam is no parabola, and scatterers bend it: this share of the depth below the peak is in doubt, alike at each visit of a heading.
_SHAPE_ERROR = 0.055
# Sizes over which the fit averages, dB: fading of one reading, and drift. Typical fixed links show 1 to 3.5 and 0.5 to 2.
_USUAL_DRIFT_DB = 0.7
_Z90 = 1.645
_FAST_DB = (0.6, 1.0, 1.5, 2.2, 3.2)
_SLOW_DB = (0.1, 0.35, 0.7, 1.2, 2.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class SearchPlan:
    """Headings (true, 0..360) in the order in which to turn to them, with the time at each. cautions: keys of what to say beside it."""

    kind: Literal["coarse", "fine"]
    headings_deg: tuple[float, ...]
    dwell_s: float
    settle_s: float
    cautions: tuple[str, ...] = ("ladder", "roof", "mast", "power line", "lightning", "rf distance")

    @property
    def seconds(self) -> float:
        """How long it takes, without the turning itself."""
        return len(self.headings_deg) * (self.dwell_s + self.settle_s)


@dataclass(frozen=True, slots=True, kw_only=True)
class AimReading:
    """One value at one heading. at_s: seconds on any clock that runs on. cell: identity of the serving cell, "" where not read."""

    at_s: float
    heading_deg: float
    value_db: float
    cell: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Peak:
    """A separate local peak: a heading as turned to, its mean level, and how far it lies below the best."""

    heading_deg: float
    level_db: float
    below_best_db: float


@dataclass(frozen=True, slots=True, kw_only=True)
class AimFit:
    """What the readings say.

    state: "found"; "go on turning" (the best is at the edge of what was turned to, or the readings curve upwards); "flat" (no direction stands out); "too few".
    heading: best heading with its 90 % interval, degrees true (the interval may pass 0 or 360); None unless found.
    loss_db: expected pointing loss from the uncertainty of the heading. again: a second pass pays (the interval is wider than a third of the beam).
    peaks: separate peaks within 3 dB of the best, the best first: candidates for a trial.
    """

    state: State
    heading: Estimate | None
    peaks: tuple[Peak, ...]
    turn_towards_deg: float | None = None
    beamwidth_deg: float | None = None
    loss_db: float | None = None
    again: bool = False
    cell: str = ""
    readings: int = 0


def coarse_plan(*, beamwidth_deg: float, from_deg: float = 0.0, arc_deg: float = 360.0, dwell_s: float = 5.0, settle_s: float = 5.0) -> SearchPlan:
    """Return headings every three quarters of a beam over an arc, one way round. arc_deg: 0..360, 0 excluded; a wall allows 180."""
    _check_beam(beamwidth_deg)
    if not 0.0 < arc_deg <= 360.0:
        raise RangeError("arc_deg", given=arc_deg, allowed="0..360, 0 excluded")
    steps = max(3, math.ceil(arc_deg / (0.75 * beamwidth_deg)))
    count = steps if arc_deg >= 360.0 else steps + 1
    return SearchPlan(kind="coarse", headings_deg=tuple((from_deg + arc_deg * i / steps) % 360.0 for i in range(count)), dwell_s=dwell_s, settle_s=settle_s)


def fine_plan(*, around_deg: float, beamwidth_deg: float, dwell_s: float = 5.0, settle_s: float = 5.0) -> SearchPlan:
    """Return seven headings across one beam either side, forth and back (A..G, G..A)."""
    _check_beam(beamwidth_deg)
    forth = [(around_deg + beamwidth_deg * k / 3.0) % 360.0 for k in range(-3, 4)]
    return SearchPlan(kind="fine", headings_deg=tuple(forth + forth[::-1]), dwell_s=dwell_s, settle_s=settle_s)


@dataclass(frozen=True, slots=True, kw_only=True)
class AimStep:
    """What is next while turning. kind: "turn" (to heading_deg, then settle and dwell), "finish". done, of: headings of this phase. fit: of all readings so far, at the end."""

    kind: Literal["turn", "finish"]
    phase: Literal["coarse", "fine", "again", "onwards"]
    heading_deg: float | None = None
    done: int = 0
    of: int = 0
    dwell_s: float = 5.0
    settle_s: float = 5.0
    fit: AimFit | None = None


def next_heading(
    readings: Sequence[AimReading], *, beamwidth_deg: float, from_deg: float = 0.0, arc_deg: float = 360.0, quantity: Literal["rsrp", "sinr"] = "rsrp"
) -> AimStep:
    """Return what is next after these readings: a fold, so that an interruption costs nothing.

    Coarse headings first, then seven forth and back round the best of them; onwards by half a beam where the peak is at the edge (three times at most, and
    never where the arc ends); once more over the seven where the interval is wider than a third of the beam. A heading counts once it has three readings in a row.
    """
    stays = [s for s in _stays(readings) if s.count >= _READINGS_A_STAY]
    coarse = coarse_plan(beamwidth_deg=beamwidth_deg, from_deg=from_deg, arc_deg=arc_deg)
    missing, used = _missing(coarse.headings_deg, stays)
    if missing:
        return AimStep(kind="turn", phase="coarse", heading_deg=missing[0], done=len(coarse.headings_deg) - len(missing), of=len(coarse.headings_deg))
    around = _best_heading([stays[i] for i in used])
    fine = fine_plan(around_deg=around, beamwidth_deg=beamwidth_deg)
    allowed = tuple(h for h in fine.headings_deg if arc_deg >= 360.0 or (h - from_deg) % 360.0 <= arc_deg + 1e-6)
    rest = [s for i, s in enumerate(stays) if i not in used]
    missing, used = _missing(allowed, rest)
    if missing:
        return AimStep(kind="turn", phase="fine", heading_deg=missing[0], done=len(allowed) - len(missing), of=len(allowed))
    rest = [s for i, s in enumerate(rest) if i not in used]
    fit = fit_heading(readings, beamwidth_deg=beamwidth_deg, quantity=quantity)
    towards = fit.turn_towards_deg
    onwards = fit.state == "go on turning" and towards is not None and (arc_deg >= 360.0 or (towards - from_deg) % 360.0 <= arc_deg)
    if onwards and towards is not None and len(rest) < _MOST_ONWARDS:
        return AimStep(kind="turn", phase="onwards", heading_deg=towards, done=len(rest), of=_MOST_ONWARDS)
    if fit.again:
        missing, _ = _missing(allowed, rest)
        if missing:
            return AimStep(kind="turn", phase="again", heading_deg=missing[0], done=len(allowed) - len(missing), of=len(allowed))
    return AimStep(kind="finish", phase="fine", fit=fit)


def interference_db(*, rsrp_dbm: float, sinr_db: float, scs_khz: float = 15.0, noise_figure_db: float = 7.0) -> float:
    """Return the interference-to-noise ratio in dB that a pair of readings stands for; −40 where noise explains all of it.

    noise_figure_db is a prior, 7 ± 1.5 dB. N = −173.975 + 10·log10(SCS) + NF (k·290 K).
    """
    noise = math.pow(10.0, (-173.975 + 10.0 * math.log10(scs_khz * 1e3) + noise_figure_db) / 10.0)
    rest = math.pow(10.0, (rsrp_dbm - sinr_db) / 10.0) - noise
    return -40.0 if rest <= noise * 1e-4 else 10.0 * math.log10(rest / noise)


def quantity_to_turn_for(*, rsrp_dbm: float, sinr_db: float | None, scs_khz: float = 15.0) -> Literal["rsrp", "sinr"]:
    """Return what to turn for: SINR where interference outweighs noise, RSRP otherwise (it moves less with load)."""
    if sinr_db is None:
        return "rsrp"
    return "sinr" if interference_db(rsrp_dbm=rsrp_dbm, sinr_db=sinr_db, scs_khz=scs_khz) > 0.0 else "rsrp"


def fit_by_cell(readings: Sequence[AimReading], *, beamwidth_deg: float, quantity: Literal["rsrp", "sinr"] = "rsrp") -> tuple[AimFit, ...]:
    """Return one fit per serving cell, the highest level first: while turning, the gateway may change cell, and each has its own direction."""
    cells = dict.fromkeys(r.cell for r in readings)
    fits = [fit_heading([r for r in readings if r.cell == cell], beamwidth_deg=beamwidth_deg, quantity=quantity) for cell in cells]
    return tuple(sorted(fits, key=lambda f: -max((p.level_db for p in f.peaks), default=-math.inf)))


def fit_heading(readings: Sequence[AimReading], *, beamwidth_deg: float, quantity: Literal["rsrp", "sinr"] = "rsrp", rounding_db: float = 1.0) -> AimFit:
    """Return the best heading with its interval, or why there is none.

    beamwidth_deg: nominal half-power width of the antenna (3..180). rounding_db: step of the readings. quantity: for SINR the width of the peak is
    known less well, since interferers have directions of their own. Raises RangeError for a beamwidth outside.
    """
    import numpy as np

    _check_beam(beamwidth_deg)
    stays = _stays(readings)
    cell = readings[0].cell if readings else ""
    if len(stays) < 4 or len({round(s.heading_deg, 1) for s in stays}) < 3:
        return AimFit(state="too few", heading=None, peaks=_peaks(stays, beamwidth_deg), cell=cell, readings=len(readings))
    best = _best_heading(stays)
    peaks = _peaks(stays, beamwidth_deg)
    level = max(s.mean_db for s in stays)
    reach = beamwidth_deg * (1.4 if len(peaks) == 1 else 0.7)  # the flank of another peak bends this one
    near = [s for s in stays if s.mean_db >= level - _WITHIN_DB and abs(wrap_deg(s.heading_deg - best)) <= reach]
    turned = [wrap_deg(s.heading_deg - best) for s in stays]
    if len(near) < 3:
        edge = _edge(0.0, turned, beamwidth_deg, curved=True)
        if edge is not None:
            return AimFit(state="go on turning", heading=None, peaks=peaks, turn_towards_deg=(best + edge) % 360.0, cell=cell, readings=len(readings))
        level_everywhere = level - min(s.mean_db for s in stays) < _FLAT_DB
        return AimFit(state="flat" if level_everywhere else "too few", heading=None, peaks=peaks, cell=cell, readings=len(readings))
    offsets = np.array([wrap_deg(s.heading_deg - best) for s in near])
    grid = np.linspace(-1.6 * beamwidth_deg, 1.6 * beamwidth_deg, 241)
    spread = _BEAMWIDTH_SD_LN if quantity == "rsrp" else 2.0 * _BEAMWIDTH_SD_LN
    share, widths, curved = _posterior(near, offsets, grid, beamwidth_deg, spread, rounding_db)
    cumulative = np.cumsum(share)
    low, middle, high = (float(np.interp(q, cumulative, grid)) for q in ((1.0 - _LEVEL) / 2.0, 0.5, (1.0 + _LEVEL) / 2.0))
    mean = float((share * grid).sum())
    nothing = AimFit(state="flat", heading=None, peaks=peaks, cell=cell, readings=len(readings))
    if high - low > 1.5 * beamwidth_deg and not curved:
        return nothing
    edge = _edge(mean, turned, beamwidth_deg, curved=curved)
    if edge is not None:
        return AimFit(state="go on turning", heading=None, peaks=peaks, turn_towards_deg=(best + edge) % 360.0, cell=cell, readings=len(readings))
    width = float(share @ widths)
    pointing = float((share * 12.0 * ((grid - mean) / width) ** 2).sum())
    found = (best + mean) % 360.0
    return AimFit(
        state="found",
        heading=Estimate(value=found, low=found + (low - mean), high=found + (high - mean), unit="deg", level=_LEVEL, source=f"fit to {len(near)} stays, median {(best + middle) % 360:.1f}"),
        peaks=peaks,
        beamwidth_deg=width,
        loss_db=pointing,
        again=high - low > beamwidth_deg / 3.0,
        cell=cell,
        readings=len(readings),
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Mark:
    """One heading with the mean over all stays there, its noise (half of a 90 % interval, fading and drift of a stay), and how many readings."""

    heading_deg: float
    level_db: float
    noise_db: float
    readings: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Against:
    """A heading against the best one before it: the change, half of its 90 % interval, and which heading that was."""

    change_db: float
    noise_db: float
    best_deg: float


def marks(readings: Sequence[AimReading]) -> tuple[Mark, ...]:
    """Return the headings turned to, in the order in which they were last visited."""
    stays = _stays(readings)
    fast = _fast_db(readings)
    visits: dict[float, list[_Stay]] = {}
    for stay in stays:
        key = round(stay.heading_deg % 360.0, 1)
        visits[key] = [*visits.pop(key, []), stay]
    return tuple(
        Mark(heading_deg=h, level_db=sum(s.mean_db for s in at) / len(at), noise_db=_Z90 * math.sqrt(fast**2 / sum(s.count for s in at) + _USUAL_DRIFT_DB**2 / len(at)), readings=sum(s.count for s in at))
        for h, at in visits.items()
    )


def against_best(new: Sequence[AimReading], before: Sequence[AimReading]) -> Against | None:
    """Return how the readings of one stay compare with the best heading before it; None where either is empty.

    The noise holds the fading as seen (0.6 dB at least, the floor of the fit's table), rounding to whole dB, and what a link drifts by between the two stays.
    """
    if not new or not before:
        return None
    stays = _stays(before)
    heading = _best_heading(stays)
    best = [s for s in stays if round(s.heading_deg % 360.0, 1) == heading]
    level, count = sum(s.mean_db for s in best) / len(best), sum(s.count for s in best)
    at = sum(r.at_s for r in new) / len(new)
    apart = min(abs(at - s.at_s) for s in best)
    drift = 2.0 * _USUAL_DRIFT_DB**2 * (1.0 - math.exp(-apart / _DRIFT_CORRELATION_S))
    fast = _fast_db([*before, *new])
    variance = (fast**2 + 1.0 / 12.0) * (1.0 / len(new) + 1.0 / count) + drift
    return Against(change_db=sum(r.value_db for r in new) / len(new) - level, noise_db=_Z90 * math.sqrt(variance), best_deg=heading)


def fitted_curve(readings: Sequence[AimReading], fit: AimFit, *, points: int = 25) -> tuple[tuple[float, float, float, float], ...]:
    """Return the fitted pattern as (azimuth, low, middle, high) over one beam either side; () unless found.

    low and high: the least and most that a heading within the fit's interval gives there.
    """
    if fit.heading is None or fit.beamwidth_deg is None:
        return ()
    width, best = fit.beamwidth_deg, fit.heading
    near = [s for s in _stays(readings) if abs(wrap_deg(s.heading_deg - best.value)) <= width]
    if not near:
        return ()

    def below(turned: float) -> float:
        return min(12.0 * (turned / width) ** 2, 25.0)

    def curve(centre: float, azimuth: float) -> float:
        level = sum(s.mean_db + below(wrap_deg(s.heading_deg - centre)) for s in near) / len(near)
        return level - below(wrap_deg(azimuth - centre))

    centres = [best.low + (best.high - best.low) * k / 8.0 for k in range(9)]
    rows = []
    for k in range(points):
        azimuth = best.value + width * (2.0 * k / (points - 1) - 1.0)
        band = [curve(c, azimuth) for c in centres]
        rows.append((azimuth, min(band), curve(best.value, azimuth), max(band)))
    return tuple(rows)


def _fast_db(readings: Sequence[AimReading]) -> float:
    """Standard deviation of readings about the mean of their stay, pooled; the least of the fit's table at least."""
    stays = _stays(readings)
    ordered, at, squares = sorted(readings, key=lambda r: r.at_s), 0, 0.0
    for stay in stays:
        squares += sum((r.value_db - stay.mean_db) ** 2 for r in ordered[at : at + stay.count])
        at += stay.count
    freedom = len(ordered) - len(stays)
    return max(_FAST_DB[0], math.sqrt(squares / freedom)) if freedom > 0 else _FAST_DB[1]


@dataclass(frozen=True, slots=True, kw_only=True)
class _Stay:
    """The mean of consecutive readings at one heading."""

    at_s: float
    heading_deg: float
    mean_db: float
    count: int


def _check_beam(beamwidth_deg: float) -> None:
    if not 3.0 <= beamwidth_deg <= 180.0:
        raise RangeError("beamwidth_deg", given=beamwidth_deg, allowed="3..180", todo="An antenna without a beam need not be turned.")


def _stays(readings: Sequence[AimReading]) -> list[_Stay]:
    ordered = sorted(readings, key=lambda r: r.at_s)
    runs: list[list[AimReading]] = []
    for reading in ordered:
        if runs and abs(wrap_deg(runs[-1][-1].heading_deg - reading.heading_deg)) < 0.5:
            runs[-1].append(reading)
        else:
            runs.append([reading])
    return [
        _Stay(at_s=sum(r.at_s for r in run) / len(run), heading_deg=run[0].heading_deg, mean_db=sum(r.value_db for r in run) / len(run), count=len(run)) for run in runs
    ]


def _missing(headings_deg: Sequence[float], stays: Sequence[_Stay]) -> tuple[list[float], set[int]]:
    """Headings of a plan that no stay serves yet, in order, and which stays served.

    Each stay serves once, but where a plan turns back on the spot (G, G) its two stays run into one, which serves both if it is long enough.
    """
    used: set[int] = set()
    missing: list[float] = []
    before: tuple[float, int] | None = None
    for heading in headings_deg:
        if before is not None and before[0] == heading and stays[before[1]].count >= 2 * _READINGS_A_STAY:
            before = None
            continue
        match = next((i for i, s in enumerate(stays) if i not in used and abs(wrap_deg(s.heading_deg - heading)) <= _SAME_HEADING_DEG), None)
        if match is None:
            missing.append(heading)
            before = None
        else:
            used.add(match)
            before = (heading, match)
    return missing, used


def _by_heading(stays: Sequence[_Stay]) -> list[tuple[float, float]]:
    """(heading, mean level over all stays there), by heading."""
    levels: dict[float, list[float]] = {}
    for stay in stays:
        levels.setdefault(round(stay.heading_deg % 360.0, 1), []).append(stay.mean_db)
    return sorted((heading, sum(values) / len(values)) for heading, values in levels.items())


def _best_heading(stays: Sequence[_Stay]) -> float:
    return max(_by_heading(stays), key=lambda row: row[1])[0]


def _peaks(stays: Sequence[_Stay], beamwidth_deg: float) -> tuple[Peak, ...]:
    """Headings higher than all within half a beam, more than a beam apart from any better one, within 3 dB of the best."""
    rows = sorted(_by_heading(stays), key=lambda row: -row[1])
    kept: list[tuple[float, float]] = []
    for heading, level in rows:
        if level < rows[0][1] - 3.0:
            break
        beaten = any(other > level and abs(wrap_deg(where - heading)) <= 0.8 * beamwidth_deg for where, other in rows)
        if not beaten and all(abs(wrap_deg(heading - where)) > 0.8 * beamwidth_deg for where, _ in kept):
            kept.append((heading, level))
    return tuple(Peak(heading_deg=heading, level_db=level, below_best_db=rows[0][1] - level) for heading, level in kept)


def _edge(mean: float, turned: Sequence[float], beamwidth_deg: float, *, curved: bool) -> float | None:
    """Offset towards which to go on turning, or None where headings a quarter of a beam past the peak were tried on both sides and the readings curve downwards."""
    reach = beamwidth_deg / 4.0
    below, above = any(t <= mean - reach for t in turned), any(t >= mean + reach for t in turned)
    if curved and below and above:
        return None
    if not above:
        return max(turned) + beamwidth_deg / 2.0
    if not below:
        return min(turned) - beamwidth_deg / 2.0
    return max(turned, key=abs) + math.copysign(beamwidth_deg / 2.0, max(turned, key=abs))


def _posterior(
    stays: Sequence[_Stay], offsets: NDArray[np.float64], grid: NDArray[np.float64], beamwidth_deg: float, spread_ln: float, rounding_db: float
) -> tuple[NDArray[np.float64], NDArray[np.float64], bool]:
    """Posterior over the grid of headings, mean width per grid point, and whether a downward curve explains the readings better than a flat one.

    Level: flat prior, integrated out. Width: ln-normal. Fading and drift: averaged over their tables.
    """
    import numpy as np

    times = np.array([s.at_s for s in stays])
    counts = np.array([s.count for s in stays])
    values = np.array([s.mean_db for s in stays])
    ratios = np.linspace(-2.0, 2.0, 9)
    width_grid = beamwidth_deg * np.exp(spread_ln * ratios)
    width_weight = np.exp(-0.5 * ratios**2)
    fall = np.minimum(12.0 * ((offsets[:, None, None] - grid[None, :, None]) / width_grid[None, None, :]) ** 2, 25.0)
    rest = (values[:, None, None] + fall).reshape(len(stays), -1)
    drift = np.exp(-np.abs(times[:, None] - times[None, :]) / _DRIFT_CORRELATION_S)
    depth = _SHAPE_ERROR * (values.max() - values)
    shape = np.where(np.abs(offsets[:, None] - offsets[None, :]) < 0.5, np.outer(depth, depth), 0.0)
    log_like, log_flat = [], []
    for fast in _FAST_DB:
        for slow in _SLOW_DB:
            covariance = slow**2 * drift + shape + np.diag(fast**2 / counts + rounding_db**2 / 12.0 / counts + 0.02)
            factor = np.linalg.cholesky(covariance)
            ones = np.linalg.solve(factor, np.ones(len(stays)))
            norm = -np.log(np.diag(factor)).sum() - 0.5 * math.log(float(ones @ ones))
            log_like.append(norm - 0.5 * _squares(np.linalg.solve(factor, rest), ones))
            log_flat.append(norm - 0.5 * float(_squares(np.linalg.solve(factor, values[:, None]), ones)[0]))
    stack = np.stack(log_like).reshape(len(log_like), len(grid), len(width_grid))
    top = float(stack.max())
    weight = np.exp(stack - top).sum(axis=0) * width_weight[None, :]
    share = weight.sum(axis=1)
    evidence = math.log(float(share.sum()) / (len(grid) * float(width_weight.sum()))) + top
    flat = math.log(float(np.exp(np.array(log_flat) - top).sum())) + top
    return share / share.sum(), (weight @ width_grid) / np.maximum(share, 1e-300), evidence > flat


def _squares(whitened: NDArray[np.floating[Any]], ones: NDArray[np.floating[Any]]) -> NDArray[np.float64]:
    """Sum of squares about the generalised mean, per column."""
    import numpy as np

    along = ones @ whitened
    return np.asarray((whitened**2).sum(axis=0) - along**2 / float(ones @ ones), dtype=np.float64)

"""Where in the house: a guided walk over a few named spots, there and back, and the ranking of what it found.

A walk costs nothing and comes before any ladder. Each spot is visited twice, in opposite order, so that a steady drift of the cell's load weighs on
all spots alike and drops out of their means. What is next is a fold over the visits: the gateway may be unplugged between spots, the
program may be stopped, and the same visits give the same next step. Levels and rates are put into one score in ln units of rate, since a
minute at light load says little of a rate and a SINR says little of a cell; the interval of each says how little.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from statistics import NormalDist
from typing import TYPE_CHECKING, Literal

from bandwright.errors import UsageError
from bandwright.words.answers import Estimate

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

__all__ = ["SpotAnswer", "SpotVisit", "Walk", "WalkAnswer", "WalkStep", "next_step", "plan_walk", "rank_spots"]

_LEVEL = 0.80
_SHORTEST_S = 30.0  # a visit cut shorter says too little and is repeated
# ln of rate per dB, measured within and across fixed places; the uplink's per dB of headroom while it is scarce.
_PER_DB_SINR, _PER_DB_UPLINK = 0.08, 0.07
_HEADROOM_ENOUGH_DB = 6.0
# One sigma of one visit of a minute, before anything is seen: SINR of a minute's mean, headroom, ln of a light test.
_PRIOR_SD = {"sinr": 1.5, "rsrp": 1.0, "headroom": 2.0, "down": 0.40, "up": 0.45}
_PRIOR_WEIGHT = 6.0  # visits that the prior is worth


@dataclass(frozen=True, slots=True, kw_only=True)
class Walk:
    """A planned walk: spots in the order of visits, each twice. cautions: keys; indoors there are none, an attic has its own."""

    spots: tuple[str, ...]
    order: tuple[str, ...]
    seconds_each: float = 60.0
    settle_s: float = 20.0
    cautions: tuple[str, ...] = ()

    @property
    def minutes(self) -> float:
        """About how long it takes, with a minute to carry the gateway and let it attach."""
        return len(self.order) * (self.seconds_each + self.settle_s + 60.0) / 60.0


@dataclass(frozen=True, slots=True, kw_only=True)
class SpotVisit:
    """What a minute at a spot gave. Means over the minute, under light load; None where not read. failed: no service there."""

    spot: str
    at: datetime
    seconds: float = 60.0
    rsrp_dbm: float | None = None
    sinr_db: float | None = None
    headroom_db: float | None = None
    down_mbps: float | None = None
    up_mbps: float | None = None
    cells: tuple[str, ...] = ()
    failed: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class WalkStep:
    """What is next. kind: "go" (carry the gateway to `spot`), "finish". visit: 1 there, 2 back. repeat: the last visit there was cut short."""

    kind: Literal["go", "finish"]
    spot: str | None = None
    visit: int = 0
    done: int = 0
    of: int = 0
    repeat: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class SpotAnswer:
    """One spot: what was read there with 80 % intervals, its score against the mean of all (ln of rate), and the chance that it is the best."""

    spot: str
    score: Estimate
    chance_best: float
    visits: int
    failed: int
    sinr: Estimate | None = None
    rsrp: Estimate | None = None
    headroom: Estimate | None = None
    down: Estimate | None = None
    up: Estimate | None = None
    cells: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class WalkAnswer:
    """All spots, the best first. candidates: the best two that had service, to become rigs of a trial. close: the walk does not tell the two apart."""

    spots: tuple[SpotAnswer, ...]
    candidates: tuple[str, ...]
    close: bool
    seed: int = 0
    notes: tuple[str, ...] = ()


def plan_walk(spots: Sequence[str], *, attic: Sequence[str] = ()) -> Walk:
    """Return a walk over four to eight named spots, there and back. attic: those that are in an attic. Raises UsageError for other counts or doubles."""
    names = tuple(s.strip() for s in spots)
    if not 4 <= len(names) <= 8 or len(set(names)) != len(names) or not all(names):
        raise UsageError("spots", given=len(names), allowed="4 to 8 different names", todo="Name the places where the gateway could stand: window sills first, high before low.")
    return Walk(spots=names, order=names + names[::-1], cautions=("attic", "ladder") if any(s in names for s in attic) else ())


def next_step(walk: Walk, visits: Sequence[SpotVisit]) -> WalkStep:
    """Return what is next after these visits, in the order in which they were made. Visits cut short do not count; visits to other spots are left alone."""
    usable = [v for v in visits if _counts(v)]
    waiting = list(usable)
    for place, spot in enumerate(walk.order):
        match = next((v for v in waiting if v.spot == spot), None)
        if match is None:
            cut = bool(visits) and visits[-1].spot == spot and not _counts(visits[-1])
            return WalkStep(kind="go", spot=spot, visit=1 if place < len(walk.spots) else 2, done=place, of=len(walk.order), repeat=cut)
        waiting.remove(match)
    return WalkStep(kind="finish", done=len(walk.order), of=len(walk.order))


def rank_spots(visits: Sequence[SpotVisit], *, seed: int = 0, draws: int = 4000) -> WalkAnswer:
    """Return the spots ranked by a score of SINR, uplink headroom and rates, with intervals. Works on part of a walk, and says what is missing.

    Raises UsageError where no visit counts.
    """
    import numpy as np

    usable = sorted((v for v in visits if _counts(v)), key=lambda v: v.at)
    if not usable:
        raise UsageError("visits", given=len(visits), allowed="1 or more of 30 s", todo="Stay a minute at each spot.")
    spots = tuple(dict.fromkeys(v.spot for v in usable))
    sd = {key: _spread(usable, key) for key in _PRIOR_SD}
    scores = {s: _score([v for v in usable if v.spot == s], sd) for s in spots}
    reached = [s for s in spots if scores[s] is not None]
    centre = _mean([found[0] for s in reached if (found := scores[s]) is not None]) if reached else 0.0
    rng = np.random.default_rng(seed)
    chances = _chances(rng, spots, scores, draws)
    answers = sorted((_answer(s, [v for v in usable if v.spot == s], scores[s], centre, sd, chances[s]) for s in spots), key=lambda a: -a.score.value)
    candidates = tuple(a.spot for a in answers if scores[a.spot] is not None)[:2]
    close = len(candidates) == 2 and chances[candidates[0]] < 0.8
    return WalkAnswer(spots=tuple(answers), candidates=candidates, close=close, seed=seed, notes=_notes(usable, spots))


def _counts(visit: SpotVisit) -> bool:
    return visit.failed or visit.seconds >= _SHORTEST_S


def _value(visit: SpotVisit, key: str) -> float | None:
    """A quantity in the unit in which it is averaged: dB, or ln of Mbit/s."""
    raw = {"sinr": visit.sinr_db, "rsrp": visit.rsrp_dbm, "headroom": visit.headroom_db, "down": visit.down_mbps, "up": visit.up_mbps}[key]
    if raw is None or visit.failed:
        return None
    return math.log(max(raw, 1e-3)) if key in {"down", "up"} else raw


def _values(visits: Sequence[SpotVisit], key: str) -> list[float]:
    return [x for v in visits if (x := _value(v, key)) is not None]


def _spread(visits: Sequence[SpotVisit], key: str) -> float:
    """One sigma of one visit: the scatter between the visits of one spot, a common drift taken out, shrunk towards its prior."""
    differences = []
    for spot in {v.spot for v in visits}:
        pair = [(v.at.timestamp(), x) for v in visits if v.spot == spot and (x := _value(v, key)) is not None]
        if len(pair) >= 2:
            differences.append((pair[-1][0] - pair[0][0], pair[-1][1] - pair[0][1]))
    drift = 0.0
    if len(differences) >= 3:
        drift = sum(gap * d for gap, d in differences) / max(1e-9, sum(gap * gap for gap, _ in differences))
    squares = sum((d - drift * gap) ** 2 / 2.0 for gap, d in differences)
    return math.sqrt((_PRIOR_WEIGHT * _PRIOR_SD[key] ** 2 + squares) / (_PRIOR_WEIGHT + len(differences)))


def _score(visits: Sequence[SpotVisit], sd: dict[str, float]) -> tuple[float, float] | None:
    """(score, one sigma) in ln of rate: radio and tests, each direction, weighted by how well each tells spots apart; None without service or figures."""
    if any(v.failed for v in visits) and not any(not v.failed for v in visits):
        return None
    parts: list[list[tuple[float, float]]] = [[], []]
    sinr, headroom = _values(visits, "sinr"), _values(visits, "headroom")
    if sinr:
        parts[0].append((_PER_DB_SINR * min(30.0, _mean(sinr)), math.hypot(0.12, _PER_DB_SINR * sd["sinr"] / math.sqrt(len(sinr)))))
    if headroom:
        parts[1].append((_PER_DB_UPLINK * min(_HEADROOM_ENOUGH_DB, _mean(headroom)), math.hypot(0.12, _PER_DB_UPLINK * sd["headroom"] / math.sqrt(len(headroom)))))
    elif rsrp := _values(visits, "rsrp"):
        parts[1].append((_PER_DB_UPLINK * min(0.0, _mean(rsrp) + 85.0), math.hypot(0.2, _PER_DB_UPLINK * sd["rsrp"] / math.sqrt(len(rsrp)))))
    for direction, key, offset in ((0, "down", 3.0), (1, "up", 2.0)):
        if rates := _values(visits, key):
            parts[direction].append((_mean(rates) - offset, sd[key] / math.sqrt(len(rates))))
    directions = [_pooled(p) for p in parts if p]
    if not directions:
        return None
    lost = 0.5 * sum(v.failed for v in visits) / len(visits)
    return sum(m for m, _ in directions) / len(directions) - lost, math.sqrt(sum(s * s for _, s in directions)) / len(directions)


def _pooled(parts: Sequence[tuple[float, float]]) -> tuple[float, float]:
    weights = [1.0 / s**2 for _, s in parts]
    return sum(w * m for w, (m, _) in zip(weights, parts, strict=True)) / sum(weights), 1.0 / math.sqrt(sum(weights))


def _mean(values: Sequence[float]) -> float:
    return sum(values) / len(values)


def _chances(rng: np.random.Generator, spots: Sequence[str], scores: dict[str, tuple[float, float] | None], draws: int) -> dict[str, float]:
    import numpy as np

    columns: list[NDArray[np.float64]] = []
    for spot in spots:
        found = scores[spot]
        columns.append(np.full(draws, -1e9) if found is None else rng.normal(found[0], found[1], draws))
    best = np.stack(columns, axis=1).argmax(axis=1)
    return {spot: float((best == place).mean()) if scores[spot] is not None else 0.0 for place, spot in enumerate(spots)}


def _answer(spot: str, visits: Sequence[SpotVisit], score: tuple[float, float] | None, centre: float, sd: dict[str, float], chance: float) -> SpotAnswer:
    z = NormalDist().inv_cdf((1.0 + _LEVEL) / 2.0)
    value, sigma = (-math.inf, 0.0) if score is None else (score[0] - centre, score[1])

    def estimate(key: str, unit: str) -> Estimate | None:
        found = _values(visits, key)
        if not found:
            return None
        middle, reach = _mean(found), z * sd[key] / math.sqrt(len(found))
        turn = math.exp if key in {"down", "up"} else float
        return Estimate(value=turn(middle), low=turn(middle - reach), high=turn(middle + reach), unit=unit, level=_LEVEL)

    return SpotAnswer(
        spot=spot,
        score=Estimate(value=value, low=value - z * sigma, high=value + z * sigma, unit="ln", level=_LEVEL),
        chance_best=chance,
        visits=len(visits),
        failed=sum(v.failed for v in visits),
        sinr=estimate("sinr", "dB"),
        rsrp=estimate("rsrp", "dBm"),
        headroom=estimate("headroom", "dB"),
        down=estimate("down", "Mbit/s"),
        up=estimate("up", "Mbit/s"),
        cells=tuple(dict.fromkeys(c for v in visits for c in v.cells)),
    )


def _notes(usable: Sequence[SpotVisit], spots: Sequence[str]) -> tuple[str, ...]:
    notes = []
    once = [s for s in spots if sum(v.spot == s for v in usable) == 1]
    if once:
        notes.append(f"visited once only: {', '.join(once)}; a drift of the cell is not taken out there")
    cells = {c for v in usable for c in v.cells}
    if len(cells) > 1:
        notes.append("the gateway used different cells at different spots")
    return tuple(notes)

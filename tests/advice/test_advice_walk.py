"""The walk in the house: what is next after any interruption, and the ranking with its intervals."""

from __future__ import annotations

import math
from datetime import UTC, datetime, timedelta
from random import Random

import pytest

from bandwright.advice.walk import SpotVisit, next_step, plan_walk, rank_spots
from bandwright.errors import UsageError

START = datetime(2026, 11, 25, 18, 0, tzinfo=UTC)
SPOTS = ("sill west", "sill south", "shelf", "landing")


def visit(spot: str, minute: float, **values: object) -> SpotVisit:
    return SpotVisit(**{"spot": spot, "at": START + timedelta(minutes=minute), "sinr_db": 10.0} | values)


def test_plan_is_there_and_back() -> None:
    walk = plan_walk(SPOTS)
    assert walk.order == (*SPOTS, *SPOTS[::-1])
    assert walk.cautions == ()
    assert walk.minutes == pytest.approx(8 * 140 / 60)
    assert plan_walk((*SPOTS, "attic"), attic=("attic",)).cautions == ("attic", "ladder")
    for spots in (SPOTS[:3], tuple("abcdefghi"), ("a", "b", "c", "a"), ("a", "b", "c", " ")):
        with pytest.raises(UsageError, match="4 to 8"):
            plan_walk(spots)


def test_every_interruption_leaves_the_same_next_step() -> None:
    """Unplugged, stopped, restarted: what is next depends on the visits alone."""
    walk = plan_walk(SPOTS)
    visits: list[SpotVisit] = []
    for place, spot in enumerate(walk.order):
        step = next_step(walk, visits)
        assert (step.kind, step.spot, step.visit, step.done) == ("go", spot, 1 if place < 4 else 2, place)
        assert not step.repeat
        cut = [*visits, visit(spot, place, seconds=12.0)]  # the gateway was unplugged in the middle
        again = next_step(walk, cut)
        assert (again.spot, again.repeat, again.done) == (spot, True, place)
        assert next_step(walk, list(cut)) == again
        visits = [*cut, visit(spot, place + 0.5)]
    assert next_step(walk, visits).kind == "finish"


def test_a_spot_without_service_counts_and_a_stray_visit_does_not() -> None:
    walk = plan_walk(SPOTS)
    visits = [visit("sill west", 0), visit("garden", 1), visit("sill south", 2, failed=True, seconds=5.0)]
    assert next_step(walk, visits).spot == "shelf"


def full_walk(level: dict[str, float], *, drift_per_minute: float = 0.0, rng: Random | None = None) -> list[SpotVisit]:
    noise = rng or Random(0)
    visits = []
    for place, spot in enumerate(plan_walk(tuple(level)).order):
        minute = 3.0 * place
        ln = level[spot] + drift_per_minute * minute
        visits.append(
            visit(
                spot, minute,
                sinr_db=12.0 + 12.0 * level[spot] + (noise.gauss(0, 1.5) if rng else 0.0), headroom_db=3.0 + 5.0 * level[spot] + (noise.gauss(0, 2.0) if rng else 0.0),
                down_mbps=40.0 * math.exp(ln + (noise.gauss(0, 0.4) if rng else 0.0)), up_mbps=8.0 * math.exp(ln + (noise.gauss(0, 0.45) if rng else 0.0)),
            )
        )  # fmt: skip
    return visits


LEVEL = {"sill west": 0.5, "sill south": 0.1, "shelf": -0.4, "landing": -0.2}


def test_ranking_and_a_steady_drift_that_drops_out() -> None:
    calm = rank_spots(full_walk(LEVEL))
    assert [a.spot for a in calm.spots] == ["sill west", "sill south", "landing", "shelf"]
    assert calm.candidates == ("sill west", "sill south")
    drifting = rank_spots(full_walk(LEVEL, drift_per_minute=-0.05))  # the evening fills the cell: a factor of 3 within the walk
    assert [a.spot for a in drifting.spots] == [a.spot for a in calm.spots]
    for a, b in zip(drifting.spots, calm.spots, strict=True):
        assert a.score.value == pytest.approx(b.score.value, abs=0.03)
    assert sum(a.chance_best for a in calm.spots) == pytest.approx(1.0)
    best = calm.spots[0]
    assert best.sinr is not None
    assert best.down is not None
    assert best.sinr.low < best.sinr.value < best.sinr.high
    assert best.down.value == pytest.approx(40.0 * math.exp(0.5), rel=1e-6)


def test_intervals_of_the_readings_hold_what_they_say() -> None:
    """200 seeded walks: 80 % intervals of SINR hold the spot's own mean in 75 to 87 %, and the best spot is named first mostly."""
    held = total = first = 0
    for seed in range(200):
        answer = rank_spots(full_walk(LEVEL, rng=Random(seed)), draws=200)
        first += answer.spots[0].spot == "sill west"
        for spot in answer.spots:
            assert spot.sinr is not None
            total += 1
            held += spot.sinr.low <= 12.0 + 12.0 * LEVEL[spot.spot] <= spot.sinr.high
    assert 0.75 < held / total < 0.87
    assert first > 150


def test_close_spots_are_said_to_be_close() -> None:
    near = rank_spots(full_walk({"a": 0.02, "b": 0.0, "c": -1.0, "d": -1.0}))
    assert near.close
    assert set(near.candidates) == {"a", "b"}
    assert not rank_spots(full_walk({"a": 1.5, "b": 0.0, "c": -1.0, "d": -1.0})).close


def test_no_service_part_of_a_walk_and_other_cells() -> None:
    visits = [visit("a", 0, cells=("17",)), visit("b", 3, failed=True, seconds=4.0, sinr_db=None), visit("c", 6, sinr_db=4.0, cells=("321",))]
    answer = rank_spots(visits)
    assert [a.spot for a in answer.spots] == ["a", "c", "b"]
    assert answer.spots[-1].chance_best == 0.0
    assert answer.spots[-1].failed == 1
    assert answer.candidates == ("a", "c")
    assert any("visited once" in n for n in answer.notes)
    assert any("different cells" in n for n in answer.notes)
    with pytest.raises(UsageError):
        rank_spots([visit("a", 0, seconds=3.0)])


def test_a_scarce_uplink_decides_between_spots_of_like_sinr() -> None:
    answer = rank_spots([visit("a", 0, headroom_db=-6.0), visit("b", 3, headroom_db=4.0), visit("b", 6, headroom_db=4.0), visit("a", 9, headroom_db=-6.0)])
    assert answer.spots[0].spot == "b"
    plenty = rank_spots([visit("a", 0, headroom_db=9.0), visit("b", 3, headroom_db=19.0), visit("b", 6, headroom_db=19.0), visit("a", 9, headroom_db=9.0)])
    assert plenty.spots[0].score.value == pytest.approx(plenty.spots[1].score.value)  # enough is enough

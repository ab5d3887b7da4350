"""What a measurement costs is stated before it is begun."""

from __future__ import annotations

import pytest

from bandwright.probe import recipe
from bandwright.words.measurement import MeasurementPlan, Size


def test_sizes_cost_what_the_settings_say() -> None:
    for size, most in ((Size.LIGHT, 0.12), (Size.USUAL, 0.35), (Size.FULL, 1.0)):
        plan = MeasurementPlan(size=size, expected_down_mbps=100, expected_up_mbps=20)
        assert recipe.cost_megabytes(plan) / 120 <= most
    costs = [recipe.cost_megabytes(MeasurementPlan(size=s)) for s in (Size.LIGHT, Size.USUAL, Size.FULL)]
    assert costs == sorted(costs)


def test_a_limit_is_never_passed_and_is_split_between_the_directions() -> None:
    plan = MeasurementPlan(max_megabytes=5.0, expected_down_mbps=100, expected_up_mbps=20)
    assert recipe.cost_megabytes(plan) == 5.0
    down, up = recipe.split_megabytes(plan)
    assert down + up < 5.0
    assert down / up == pytest.approx(5.0)
    assert recipe.split_megabytes(MeasurementPlan(max_megabytes=5.0, uplink=False))[1] == 0.0
    assert recipe.split_megabytes(MeasurementPlan()) == (float("inf"), float("inf"))


def test_a_time_limit_shortens_every_part() -> None:
    usual = recipe.recipe_for(MeasurementPlan())
    short = recipe.recipe_for(MeasurementPlan(max_seconds=4.0))
    assert short.tcp_s < usual.tcp_s
    assert recipe.stated_seconds(MeasurementPlan(), short) <= 4.0 + 1e-9
    assert recipe.stated_seconds(MeasurementPlan()) <= 8.0
    assert recipe.stated_seconds(MeasurementPlan(size=Size.LIGHT)) <= 3.7  # at 50 ms of round trip

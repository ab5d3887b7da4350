"""Path loss where no terrain is known: TR 38.901 rural macro, urban macro and urban micro.

Source: TR 38.901 table 7.4.1-1 and 7.4.2-1, with its c = 3.0e8 m/s in the breakpoint. The spread is the table's shadow fading.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

from bandwright.errors import RangeError

__all__ = ["Scenario", "StatisticalLoss", "line_of_sight_chance", "path_loss"]

Scenario = Literal["rural", "urban", "street"]
_C = 3.0e8
_BASE_HEIGHT_M: dict[Scenario, float] = {"rural": 35.0, "urban": 25.0, "street": 10.0}


@dataclass(frozen=True, slots=True, kw_only=True)
class StatisticalLoss:
    """Median loss and one sigma of shadow fading, dB."""

    loss_db: float
    sigma_db: float
    in_sight: bool


def path_loss(
    *,
    scenario: Scenario,
    distance_m: float,
    frequency_ghz: float,
    in_sight: bool,
    base_height_m: float | None = None,
    user_height_m: float = 1.5,
    street_width_m: float = 20.0,
    building_height_m: float = 5.0,
) -> StatisticalLoss:
    """Return the path loss of a scenario. distance_m: on the ground, 10..10000 (rural in sight), 10..5000 otherwise.

    frequency_ghz: 0.5..100 (rural to 7). user_height_m: 1..10 rural, 1.5..22.5 else. base_height_m: the scenario's default where left out.
    Raises RangeError outside. Source: TR 38.901 table 7.4.1-1.
    """
    base = _BASE_HEIGHT_M[scenario] if base_height_m is None else base_height_m
    _check(scenario, distance_m, frequency_ghz, in_sight, base, user_height_m)
    slant = math.hypot(distance_m, base - user_height_m)
    if scenario == "rural":
        return _rural(distance_m, slant, frequency_ghz, in_sight, base, user_height_m, street_width_m, building_height_m)
    return _urban(scenario, distance_m, slant, frequency_ghz, in_sight, base, user_height_m)


def line_of_sight_chance(*, scenario: Scenario, distance_m: float, user_height_m: float = 1.5) -> float:
    """Return the chance of line of sight, 0..1. Source: TR 38.901 table 7.4.2-1."""
    d = distance_m
    if scenario == "rural":
        return 1.0 if d <= 10.0 else math.exp(-(d - 10.0) / 1000.0)
    if d <= 18.0:
        return 1.0
    if scenario == "street":
        return 18.0 / d + math.exp(-d / 36.0) * (1.0 - 18.0 / d)
    over = 0.0 if user_height_m <= 13.0 else math.pow((min(user_height_m, 23.0) - 13.0) / 10.0, 1.5)
    return (18.0 / d + math.exp(-d / 63.0) * (1.0 - 18.0 / d)) * (1.0 + over * 1.25 * (d / 100.0) ** 3 * math.exp(-d / 150.0))


def _check(scenario: Scenario, d: float, f: float, in_sight: bool, base: float, user: float) -> None:
    farthest = 10_000.0 if scenario == "rural" and in_sight else 5_000.0
    highest = 7.0 if scenario == "rural" else 100.0
    low_user, high_user = (1.0, 10.0) if scenario == "rural" else (1.5, 22.5)
    for name, value, low, high in (
        ("distance_m", d, 10.0, farthest),
        ("frequency_ghz", f, 0.5, highest),
        ("base_height_m", base, 5.0, 150.0),
        ("user_height_m", user, low_user, high_user),
    ):
        if not low <= value <= high:
            raise RangeError(name, given=value, allowed=f"{low:g}..{high:g}", source="TR 38.901 table 7.4.1-1")


def _rural(d: float, slant: float, f: float, in_sight: bool, base: float, user: float, street: float, roof: float) -> StatisticalLoss:
    near = min(0.03 * math.pow(roof, 1.72), 10.0)
    far = min(0.044 * math.pow(roof, 1.72), 14.77)

    def first(x: float) -> float:
        return 20.0 * math.log10(40.0 * math.pi * x * f / 3.0) + near * math.log10(x) - far + 0.002 * math.log10(roof) * x

    breakpoint_m = 2.0 * math.pi * base * user * f * 1e9 / _C
    sight, sigma = (first(slant), 4.0) if d <= breakpoint_m else (first(breakpoint_m) + 40.0 * math.log10(slant / breakpoint_m), 6.0)
    if in_sight:
        return StatisticalLoss(loss_db=sight, sigma_db=sigma, in_sight=True)
    hidden = (
        161.04
        - 7.1 * math.log10(street)
        + 7.5 * math.log10(roof)
        - (24.37 - 3.7 * (roof / base) ** 2) * math.log10(base)
        + (43.42 - 3.1 * math.log10(base)) * (math.log10(slant) - 3.0)
        + 20.0 * math.log10(f)
        - (3.2 * math.log10(11.75 * user) ** 2 - 4.97)
    )
    return StatisticalLoss(loss_db=max(sight, hidden), sigma_db=8.0, in_sight=False)


def _urban(scenario: Scenario, d: float, slant: float, f: float, in_sight: bool, base: float, user: float) -> StatisticalLoss:
    macro = scenario == "urban"
    breakpoint_m = 4.0 * (base - 1.0) * (user - 1.0) * f * 1e9 / _C
    if d <= breakpoint_m:
        sight = (28.0 + 22.0 * math.log10(slant) if macro else 32.4 + 21.0 * math.log10(slant)) + 20.0 * math.log10(f)
    else:
        height_term = math.log10(breakpoint_m**2 + (base - user) ** 2)
        sight = (28.0 - 9.0 * height_term if macro else 32.4 - 9.5 * height_term) + 40.0 * math.log10(slant) + 20.0 * math.log10(f)
    if in_sight:
        return StatisticalLoss(loss_db=sight, sigma_db=4.0, in_sight=True)
    if macro:
        hidden = 13.54 + 39.08 * math.log10(slant) + 20.0 * math.log10(f) - 0.6 * (user - 1.5)
        return StatisticalLoss(loss_db=max(sight, hidden), sigma_db=6.0, in_sight=False)
    hidden = 22.4 + 35.3 * math.log10(slant) + 21.3 * math.log10(f) - 0.3 * (user - 1.5)
    return StatisticalLoss(loss_db=max(sight, hidden), sigma_db=7.82, in_sight=False)

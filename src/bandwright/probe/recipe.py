"""The three sizes of a measurement: what each does, how long it takes and what it costs, stated before it is begun.

Costs are MB per Mbit/s of what the path carries. A TCP load ends when it has sent so many seconds' worth of the line's own rate:
0.125 MB per Mbit/s and second, however long the ramp was that led to it; a UDP search stops as soon as the path was seen full for
half a second.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

from bandwright.words.measurement import MeasurementPlan, Size

__all__ = ["RECIPES", "UNKNOWN_DOWN_MBPS", "UNKNOWN_UP_MBPS", "Recipe", "cost_megabytes", "load_megabytes", "recipe_for", "split_megabytes", "stated_seconds"]

UNKNOWN_DOWN_MBPS, UNKNOWN_UP_MBPS = 60.0, 15.0  # stated cost where nothing is known: middle of fixed-wireless lines; common practice, no source
_MB_PER_MBPS_S = 0.125  # by definition: a second of one Mbit/s
_RAMP_S = 0.15
_OPENING_MB = 0.06  # the first windows of four connections, which a load of a second's worth or more does not count
_FIXED_MB = 0.06  # handshakes, delay packets, results


@dataclass(frozen=True, slots=True, kw_only=True)
class Recipe:
    """What a measurement does.

    tcp_s, single_s: seconds of load by TCP at most, by several streams or one, which ends when it has sent tcp_worth_s of the line's
    rate; udp_s: at most, of a UDP search, which ends when the path was seen full for udp_enough_s. total_s: what the whole measurement
    keeps to, loads being shortened where round trips take long; 0 is no limit.
    """

    size: Size
    idle_s: float
    tcp_s: float = 0.0
    tcp_worth_s: float = 0.0
    udp_s: float = 0.0
    udp_enough_s: float = 0.45
    single_s: float = 0.0
    probes_per_s: float = 50.0
    total_s: float = 0.0

    @property
    def mb_per_mbps(self) -> float:
        """What one direction costs, in MB per Mbit/s, the single stream left out."""
        return _MB_PER_MBPS_S * self.tcp_worth_s + (0.045 + 0.14 * self.udp_enough_s if self.udp_s else 0.0)

    @property
    def tcp_expected_s(self) -> float:
        """How long a load by several streams takes, with a ramp as of 40 ms of round trip."""
        return min(self.tcp_s, self.tcp_worth_s + _RAMP_S) if self.tcp_worth_s else self.tcp_s


RECIPES = {
    Size.LIGHT: Recipe(size=Size.LIGHT, idle_s=0.4, tcp_s=1.2, tcp_worth_s=0.72, total_s=2.75),
    Size.USUAL: Recipe(size=Size.USUAL, idle_s=0.9, tcp_s=2.7, tcp_worth_s=2.0, total_s=7.5),
    Size.FULL: Recipe(size=Size.FULL, idle_s=2.0, tcp_s=4.4, tcp_worth_s=3.6, udp_s=2.2, udp_enough_s=1.1, single_s=2.0),
}

_OVERHEAD_S = 0.8  # reaching the far end, emptying queues, fetching results, at 50 ms of round trip


def recipe_for(plan: MeasurementPlan) -> Recipe:
    """Return the recipe of a plan, shortened to its max_seconds where need be."""
    recipe = RECIPES[plan.size]
    if plan.max_seconds is None or stated_seconds(plan, recipe) <= plan.max_seconds:
        return recipe
    fixed_s = _OVERHEAD_S + (_RAMP_S * (plan.downlink + plan.uplink) if recipe.tcp_worth_s else 0.0)
    share = max(0.05, (plan.max_seconds - fixed_s) / (stated_seconds(plan, recipe) - fixed_s))
    return replace(recipe, **{name: getattr(recipe, name) * share for name in ("idle_s", "tcp_s", "tcp_worth_s", "udp_s", "single_s")}, total_s=plan.max_seconds)


def stated_seconds(plan: MeasurementPlan, recipe: Recipe | None = None) -> float:
    """Return about how long a measurement takes, in s."""
    r = RECIPES[plan.size] if recipe is None else recipe
    directions = plan.downlink + plan.uplink
    return _OVERHEAD_S + r.idle_s + directions * (r.tcp_expected_s + r.udp_s) + plan.downlink * r.single_s


def cost_megabytes(plan: MeasurementPlan) -> float:
    """Return about what a measurement takes, in MB: never more than its max_megabytes."""
    recipe = recipe_for(plan)
    down = (plan.expected_down_mbps or UNKNOWN_DOWN_MBPS) if plan.downlink else 0.0
    up = (plan.expected_up_mbps or UNKNOWN_UP_MBPS) if plan.uplink else 0.0
    opening = _OPENING_MB * (plan.downlink + plan.uplink) if recipe.tcp_worth_s >= 1 else 0.0
    megabytes = _FIXED_MB + opening + recipe.mb_per_mbps * (down + up) + 0.134 * recipe.single_s * down
    return megabytes if plan.max_megabytes is None else min(megabytes, plan.max_megabytes)


def load_megabytes(plan: MeasurementPlan, seconds: float) -> float:
    """Return about what a load of the downlink that is not measured takes, in MB, headers counted."""
    return 0.134 * seconds * (plan.expected_down_mbps or UNKNOWN_DOWN_MBPS)


def split_megabytes(plan: MeasurementPlan) -> tuple[float, float]:
    """Return how many MB the downlink and the uplink may take: by their expected rates, at least a tenth each; inf without a limit."""
    if plan.max_megabytes is None:
        return float("inf"), float("inf")
    left = max(0.0, plan.max_megabytes - _FIXED_MB)
    down = (plan.expected_down_mbps or UNKNOWN_DOWN_MBPS) if plan.downlink else 0.0
    up = (plan.expected_up_mbps or UNKNOWN_UP_MBPS) if plan.uplink else 0.0
    if not (down and up):
        return (left, 0.0) if plan.downlink else (0.0, left)
    share = min(0.9, max(0.1, down / (down + up)))
    return left * share, left * (1 - share)

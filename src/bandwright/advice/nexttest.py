"""Which test to do next: the expected gain of information for its cost.

A test has two outcomes. For each finding the table says how likely "yes" is if that finding is the cause; all others share one
figure. Gain is in bits; cost is a scale of trouble: 1 + minutes of a person + a quarter of the hours of waiting + data over the
allowance + the chance of losing service. All of it is common practice, no source.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

__all__ = ["TESTS", "NextTest", "SettlingTest", "entropy_bits", "gain_bits_of", "next_tests", "sentences_of"]

_FREE_COST = 2.0
_WORTH_BITS = 0.02
_WORTH_TESTING = 0.05


@dataclass(frozen=True, slots=True, kw_only=True)
class SettlingTest:
    """One test. yes: what that outcome means. likely: P(yes) by finding; otherwise: by all others, unknown included.

    answered: (evidence, low, high): the answer is known where low <= evidence < high (None: any end). ladder: someone may climb.
    """

    key: str
    sentence: str
    cost: float
    yes: str
    likely: Mapping[str, float]
    otherwise: float = 0.1
    answered: tuple[tuple[str, float | None, float | None], ...] = ()
    ladder: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class NextTest:
    """A test worth doing: its gain in bits, its cost and what it would tell."""

    key: str
    sentence: str
    gain_bits: float
    cost: float
    yes: str
    settles: tuple[str, ...] = field(default=())
    ladder: bool = False

    @property
    def worth(self) -> float:
        """Bits per cost."""
        return self.gain_bits / self.cost


_UPLINK_POWER = {"uplink_power_limited": 0.95, "uplink_nsa_anchor": 0.95, "sa_mid_band_reach": 0.95, "uplink_nsa_nr_weak": 0.5}
_ANY: tuple[float | None, float | None] = (None, None)
_TRUE: tuple[float | None, float | None] = (0.5, None)
_REFUTED: tuple[float | None, float | None] = (None, 0.5)

TESTS: tuple[SettlingTest, ...] = (
    SettlingTest(key="read_under_load", sentence="Read the radio state again while a download runs.", cost=1, yes="the idle reading was the matter", likely={"ca_idle_reading": 0.95}, answered=(("fewer_at_idle", *_REFUTED), ("load_was_read", *_TRUE))),
    SettlingTest(key="read_tx_power", sentence="Read the transmit power while an upload runs.", cost=1, yes="the power is at its limit", likely=_UPLINK_POWER, answered=(("headroom_db", *_ANY),)),
    SettlingTest(key="read_back", sentence="Read the settings back, then the radio state under load.", cost=1, yes="it is not in force", likely={"setting_not_applied": 0.95}, answered=(("not_in_force", *_REFUTED),)),
    SettlingTest(key="more_streams", sentence="Download with eight streams instead of one.", cost=1, yes="twice as fast", likely={"single_flow_limit": 0.95}, answered=(("capacity_over_single", None, 1.2),)),
    SettlingTest(key="small_mtu", sentence="Set the MTU to 1358 and try again.", cost=1, yes="it passes", likely={"mtu_black_hole": 0.95}, answered=(("big_packets_vanish", *_REFUTED),)),
    SettlingTest(key="steady_ping", sentence="Ping twenty times a second instead of once a minute.", cost=1, yes="the delay is gone", likely={"idle_wake": 0.95}, answered=(("first_wake", *_REFUTED),)),
    SettlingTest(key="direct_name", sentence="Ask another resolver, and connect by address.", cost=1, yes="it works", likely={"name_lookup": 0.95}, answered=(("names_fail", *_REFUTED),)),
    SettlingTest(key="full_reading", sentence="Take a full set: readings at rest and under load, a measurement at a cable, nothing else running.", cost=2, yes="", likely={}, otherwise=0.5),
    SettlingTest(key="both_families", sentence="Try in and out, by IPv4 and by IPv6.", cost=2, yes="only one family passes", likely={"cgnat": 0.9, "ipv6_only": 0.9}),
    SettlingTest(key="other_protocol", sentence="Fetch from the same server by another protocol.", cost=2, yes="much faster", likely={"shaped_traffic": 0.9}, answered=(("kinds_apart", None, 2.0),)),
    SettlingTest(key="log_temperature", sentence="Log the gateway's temperature beside its rate for a day.", cost=2, yes="the rate falls with heat", likely={"gateway_hot": 0.9}, answered=(("hot_step", *_REFUTED),)),
    SettlingTest(key="winter_compare", sentence="Compare with the same month's readings of other seasons.", cost=2, yes="it came back in winter", likely={"leaves_season": 0.9}, answered=(("leaves_returned", 0.5, None),)),
    SettlingTest(key="other_far_end", sentence="Measure to another server.", cost=3, yes="faster, or clean", likely={"far_end_limit": 0.9, "loss_beyond": 0.9, "shaped_traffic": 0.6}, answered=(("beyond_and_alike", *_TRUE),)),
    SettlingTest(key="fdd_uplink", sentence="Upload on a paired band.", cost=3, yes="1.5 times as fast", likely={"uplink_tdd_share": 0.9, "sa_mid_band_reach": 0.8}),
    SettlingTest(key="read_gateway_log", sentence="Read the gateway's log and uptime.", cost=3, yes="a reason is found", likely={"gateway_restarts": 0.9}),
    SettlingTest(key="repeat_at_0400", sentence="Measure at four in the morning.", cost=4, yes="twice as fast", likely={"cell_load": 0.9, "deprioritised": 0.9}, answered=(("hour_ratio", *_ANY),)),
    SettlingTest(key="sa_only", sentence="Try 5G alone.", cost=4, yes="better", likely={"uplink_nsa_anchor": 0.8, "nr_leg_unstable": 0.6}),
    SettlingTest(key="nsa_only", sentence="Try 4G and 5G together.", cost=4, yes="better", likely={"sa_mid_band_reach": 0.8}),
    SettlingTest(key="lte_only", sentence="Try 4G alone.", cost=4, yes="better", likely={"uplink_nsa_nr_weak": 0.9, "nr_leg_unstable": 0.7, "sa_mid_band_reach": 0.7}),
    SettlingTest(key="other_anchor", sentence="Try another 4G band as the anchor.", cost=4, yes="better", likely={"uplink_nsa_anchor": 0.8}),
    SettlingTest(key="pin_mid_band", sentence="Allow only the wide 5G band for an hour.", cost=4, yes="better", likely={"sa_low_band_primary": 0.85}),
    SettlingTest(key="pin_other_cell", sentence="Pin another cell for an hour, with a timed return.", cost=4, yes="better", likely={"sector_overlap": 0.7, "reselection_ping_pong": 0.8, "cell_load": 0.4, "loss_radio": 0.6, "interference_limited": 0.3}, otherwise=0.15),
    SettlingTest(key="force_bands", sentence="Allow the bands one by one, and without the weak one.", cost=4, yes="better", likely={"ca_not_aggregated": 0.6, "scell_deactivated": 0.6, "sa_low_band_primary": 0.6, "capability_limit": 0.3, "within_expected": 0.3, "reselection_ping_pong": 0.6}),
    SettlingTest(key="dry_hour", sentence="Measure in a dry hour.", cost=4, yes="better", likely={"rain_mmwave": 0.9}, answered=(("rain_on_mmwave", *_REFUTED),)),
    SettlingTest(key="cable", sentence="Measure with a cable straight into the gateway.", cost=5, yes="1.5 times as fast, or the loss or delay is gone", likely={"wifi_limit": 0.95, "wifi_loss": 0.95, "bloat_home": 0.9}, otherwise=0.05),
    SettlingTest(key="gigabit_cable", sentence="Use a cable with eight wires and another socket, and read the port's speed.", cost=5, yes="1.5 times as fast", likely={"port_limit": 0.95}, answered=(("port_gap", None, -0.03),)),
    SettlingTest(key="idle_house", sentence="Measure while nobody else uses the line.", cost=5, yes="better", likely={"home_traffic": 0.95}, answered=(("other_share", None, 0.02),)),
    SettlingTest(key="attenuate", sentence="Turn the antenna away, or take it off.", cost=5, yes="the SINR rises as the RSRP falls", likely={"overload_near_mast": 0.95}, answered=(("overdriven", *_REFUTED),)),
    SettlingTest(key="hourly_series", sentence="Measure each hour for a day.", cost=6, yes="the rates are explained by carriers, signal and hour", likely={"cell_load": 0.9, "deprioritised": 0.9, "within_expected": 0.9}, answered=(("hour_lr", 3.0, None),)),
    SettlingTest(key="shape_at_router", sentence="Hold the traffic at 85 % of the capacity in the router.", cost=6, yes="the delay falls", likely={"bloat_radio": 0.95, "bloat_home": 0.5}),
    SettlingTest(key="udp_capacity", sentence="Measure the capacity by UDP.", cost=6, yes="twice one stream's rate", likely={"single_flow_limit": 0.95}, answered=(("capacity_over_single", None, 1.2),)),
    SettlingTest(key="second_computer", sentence="Measure with another computer.", cost=10, yes="faster", likely={"near_end_slow": 0.9}, answered=(("near_busy", *_REFUTED),)),
    SettlingTest(key="swap_ports", sentence="Swap the two antenna cables at the gateway.", cost=15, yes="the weak port follows the cable, or stays", likely={"port_dead": 0.9}, answered=(("port_spread_db", None, 8.0),)),
    SettlingTest(key="built_in_antenna", sentence="Read with the gateway's own antenna at the same spot.", cost=20, yes="no worse", likely={"feeder_loss": 0.9, "rank_low": 0.6}, answered=(("outdoor_gain_db", 6.0, None),)),
    SettlingTest(key="soak_load", sentence="Load the line for twenty minutes while logging the temperature.", cost=25, yes="the rate falls", likely={"gateway_hot": 0.9}, answered=(("hot_step", *_REFUTED),)),
    SettlingTest(key="second_plan", sentence="Put another plan's SIM into the same gateway at the same hour.", cost=15, yes="twice as fast", likely={"deprioritised": 0.9, "plan_throttle": 0.9}),
    SettlingTest(key="outdoors_by_hand", sentence="Hold the gateway outside for five minutes.", cost=15, yes="6 dB more", likely={"noise_limited": 0.85, "uplink_power_limited": 0.85, "interference_limited": 0.3, "feeder_loss": 0.4}),
    SettlingTest(key="rotate_antenna", sentence="Turn one antenna of the pair by 90 degrees.", cost=15, yes="rank 2", likely={"rank_low": 0.8}, answered=(("rank_two_seen", 0.5, None),), ladder=True),
    SettlingTest(key="raise_antenna", sentence="Raise the antenna by two metres or step it aside.", cost=15, yes="better", likely={"noise_limited": 0.6, "leaves_season": 0.6}, ladder=True),
    SettlingTest(key="other_gateway", sentence="Borrow another gateway for an hour.", cost=15, yes="better", likely={"capability_limit": 0.9}),
    SettlingTest(key="heading_sweep", sentence="Sweep the antenna's heading, reading the SINR.", cost=25, yes="3 dB more SINR", likely={"misaim": 0.95, "sector_overlap": 0.8, "interference_limited": 0.6, "noise_limited": 0.5, "loss_radio": 0.6, "nr_leg_unstable": 0.4, "scell_deactivated": 0.4}, ladder=True),
    SettlingTest(key="after_reset", sentence="Measure again after the month's counter is reset.", cost=30, yes="twice as fast", likely={"deprioritised": 0.9, "plan_throttle": 0.9}),
)  # fmt: skip


def entropy_bits(chances: Mapping[str, float]) -> float:
    """Return the entropy of chances in bits; they are taken as shares of their sum."""
    total = math.fsum(chances.values())
    return -math.fsum(p / total * math.log2(p / total) for p in chances.values() if p > 0) if total > 0 else 0.0


def gain_bits_of(row: SettlingTest, chances: Mapping[str, float]) -> float:
    """Return H(P) - P(yes) H(P|yes) - P(no) H(P|no), in bits. chances: by finding, "unknown" included, adding up to 1."""
    yes = {key: p * row.likely.get(key, row.otherwise) for key, p in chances.items()}
    no = {key: p - yes[key] for key, p in chances.items()}
    total = math.fsum(chances.values())
    gain = entropy_bits(chances) - (math.fsum(yes.values()) * entropy_bits(yes) + math.fsum(no.values()) * entropy_bits(no)) / total
    return max(0.0, gain)


def next_tests(
    chances: Mapping[str, float],
    evidence: Mapping[str, float],
    *,
    settle_by: Sequence[str] = (),
    anything_known: bool = True,
) -> tuple[NextTest, ...]:
    """Return the tests worth doing, best first: by gain per cost, the cheaper first where two are equal.

    Findings of less than a twentieth count as "unknown": what hardly anything speaks for is not worth a test. Tests whose answer
    is in the evidence have no gain and are left out. A ladder comes after every free test that is worth it.
    settle_by: tests of the leading finding; those that would add little come last rather than not at all.
    anything_known: whether any finding has an item of its own; if none has, a full reading comes first.
    """
    likely = {key: p for key, p in chances.items() if key == "unknown" or p >= _WORTH_TESTING}
    likely["unknown"] = likely.get("unknown", 0.0) + math.fsum(p for key, p in chances.items() if key not in likely)
    found = []
    for row in TESTS:
        if any(_answers(evidence.get(key), low, high) for key, low, high in row.answered):
            continue
        gain = gain_bits_of(row, likely)
        if gain > 1e-9 or row.key in settle_by:
            settles = tuple(sorted((k for k in row.likely if k in likely), key=lambda k: -likely[k]))
            found.append(NextTest(key=row.key, sentence=row.sentence, gain_bits=gain, cost=row.cost, yes=row.yes, settles=settles, ladder=row.ladder))
    found.sort(key=lambda t: (-t.worth, t.cost))
    free = [t for t in found if t.cost <= _FREE_COST and t.gain_bits >= _WORTH_BITS]
    rest = [t for t in found if t not in free]
    ordered = _ladders_after(free, rest)
    if not anything_known:
        first = next(row for row in TESTS if row.key == "full_reading")
        ordered = [NextTest(key=first.key, sentence=first.sentence, gain_bits=entropy_bits(chances), cost=first.cost, yes=first.yes), *ordered]
    return tuple(ordered)


def _ladders_after(free: list[NextTest], rest: list[NextTest]) -> list[NextTest]:
    """Merge by worth, but let no ladder stand before a free test."""
    merged = sorted([*free, *rest], key=lambda t: (-t.worth, t.cost))
    last_free = max((i for i, t in enumerate(merged) if t in free), default=-1)
    early = [t for t in merged[: last_free + 1] if t.ladder]
    return [t for t in merged[: last_free + 1] if not t.ladder] + early + merged[last_free + 1 :]


def _answers(value: float | None, low: float | None, high: float | None) -> bool:
    return value is not None and (low is None or value >= low) and (high is None or value < high)


def sentences_of(keys: Sequence[str]) -> tuple[str, ...]:
    """Return what settling tests ask of a person, in words. Raises KeyError for a key that is not in the table."""
    by_key = {row.key: row.sentence for row in TESTS}
    return tuple(by_key[key] for key in keys)

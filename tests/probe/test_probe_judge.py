"""From recorded series to values and facts, without a socket or a clock."""

from __future__ import annotations

import pytest

from bandwright.probe import judge
from bandwright.probe.recipe import RECIPES
from bandwright.probe.seen import LoadSeen, Seen
from bandwright.words.measurement import MeasurementPlan, Size

SECOND = 1_000_000_000


def _load(direction: str, rates: list[float], *, at_s: float, segments: int = 4000, came: int = 4000, tcp_info: bool = True) -> LoadSeen:
    """A recorded TCP load: these rates by 100 ms."""
    samples, octets = [(int(at_s * SECOND), 0)], 0.0
    for i in range(len(rates) * 5):
        octets += rates[i // 5] * 1e6 / 8 * 0.02
        samples.append((int((at_s + 0.02 * (i + 1)) * SECOND), int(octets)))
    sender = {"samples": samples, "tcp_info": tcp_info, "ended": "time", "cc": "cubic", "octets_sent": int(octets), "segments": segments, "cpu_share": 0.1}
    sender |= {"retransmitted_segments": segments - came, "unacked_segments": 0, "rwnd_limited_share": 0.02, "sndbuf_limited_share": 0.0, "path_mtu": 1500}
    receiver = {"samples": samples, "ended": "closed", "segments_in": came, "octets_received": int(octets), "cpu_share": 0.2}
    load = LoadSeen(direction=direction, kind="tcp", streams=4, seconds=len(rates) / 10)
    load.from_ns, load.to_ns = int(at_s * SECOND), int((at_s + len(rates) / 10) * SECOND)
    load.near, load.far = (receiver, sender) if direction == "down" else (sender, receiver)
    return load


def _seen(*loads: LoadSeen, loaded_ms: float = 90.0, hop_ms: float = 1.0, lost: frozenset[int] = frozenset()) -> Seen:
    """An idle second from 0 s on at 30 ms, then the loads; delay packets each 20 ms."""
    end = max((load.to_ns for load in loads), default=SECOND)
    seen = Seen(idle=(0, SECOND), loads=list(loads))
    seen.sent = list(range(0, end, 20_000_000))

    def busy(at: int) -> bool:
        return any(load.from_ns <= at < load.to_ns for load in loads)

    answered = 0
    for s, at in enumerate(seen.sent):
        if s not in lost:
            trip = int((loaded_ms if busy(at) else 30.0) * 1e6)
            seen.rows.append((s, at, trip, trip // 3, trip - trip // 3, answered))
            answered += 1
    seen.hop = [(at, int((hop_ms if busy(at) else 1.0) * 1e6)) for at in range(0, end, 66_000_000)]
    seen.hop_method = "tcp refusal"
    return seen


def _values(seen: Seen, **plan: object) -> dict[str, object]:
    return {v.quantity: v for v in judge.values_of(seen, MeasurementPlan(**plan))}


def test_a_plain_measurement() -> None:
    seen = _seen(_load("down", [5, 30] + [48] * 18, at_s=1.0), _load("up", [2, 9] + [10] * 18, at_s=4.0))
    rows = _values(seen)
    own = 50 * 140 * 8 / 1e6 * 1448 / 1500  # Mbit/s: what 50 delay packets a second displaced
    assert rows["goodput_down_mbps"].value == pytest.approx(48 + own, rel=0.005)
    assert rows["goodput_up_mbps"].value == pytest.approx(10 + own, rel=0.005)
    assert rows["delay_idle_ms"].value == pytest.approx(30.0)
    assert rows["delay_loaded_down_ms"].value == pytest.approx(90.0)
    assert rows["loss_ratio"].value == 0.0
    assert rows["loss_down_ratio"].value == 0.0
    assert rows["first_hop_loaded_up_ms"].value == pytest.approx(1.0)
    facts = dict(judge.facts_of(seen, RECIPES[Size.USUAL]))
    assert facts["hop_share_down"] == pytest.approx(0.0)
    assert (facts["policed_down"], facts["fell_down"]) == (False, False)
    assert facts["near_end.cpu_share"] == 0.2
    assert len(dict(judge.series_of(seen))["series_down_mbps"]) == 20


def test_the_house_is_blamed_where_the_first_hop_rises_with_the_rest() -> None:
    facts = dict(judge.facts_of(_seen(_load("down", [48] * 20, at_s=1.0), hop_ms=58.0), RECIPES[Size.USUAL]))
    assert facts["hop_share_down"] == pytest.approx(0.95)


def test_no_share_is_given_where_the_delay_hardly_rose() -> None:
    facts = dict(judge.facts_of(_seen(_load("down", [48] * 20, at_s=1.0), loaded_ms=33.0), RECIPES[Size.USUAL]))
    assert "hop_share_down" not in facts


def test_loss_without_a_queue_is_marked_as_a_policers() -> None:
    facts = dict(judge.facts_of(_seen(_load("down", [48] * 20, at_s=1.0, came=3800), loaded_ms=30.5), RECIPES[Size.USUAL]))
    assert facts["policed_down"] is True
    facts = dict(judge.facts_of(_seen(_load("down", [48] * 20, at_s=1.0, came=3800), loaded_ms=90.0), RECIPES[Size.USUAL]))
    assert facts["policed_down"] is False


def test_a_burst_allowance_is_seen_and_said_with_its_figures() -> None:
    facts = dict(judge.facts_of(_seen(_load("down", [90] * 6 + [20] * 14, at_s=1.0)), RECIPES[Size.USUAL]))
    assert facts["fell_down"] is True
    assert (facts["fell_down_from_mbps"], facts["fell_down_to_mbps"]) == pytest.approx((90, 20), rel=0.01)


def test_a_flat_top_gives_its_variation() -> None:
    facts = dict(judge.facts_of(_seen(_load("down", [20] * 70, at_s=1.0)), RECIPES[Size.FULL]))
    assert facts["flat_down_cv"] < 0.01


def test_lost_delay_packets_give_an_interval() -> None:
    rows = _values(_seen(lost=frozenset({3, 4, 20})), downlink=False, uplink=False)
    assert rows["loss_ratio"].value == pytest.approx(3 / 50)
    assert rows["loss_ratio"].low < 3 / 50 < rows["loss_ratio"].high
    assert rows["probes_lost"].value == 3


def test_a_system_without_kernel_stamps_is_said() -> None:
    seen = _seen()
    seen.delay = {"kernel_stamps": False}
    assert "late by milliseconds" in dict(judge.facts_of(seen, RECIPES[Size.LIGHT]))["degraded"]
    seen.delay = {"kernel_stamps": True}
    assert "degraded" not in dict(judge.facts_of(seen, RECIPES[Size.LIGHT]))


def test_a_budget_that_is_used_up_too_soon_is_said() -> None:
    load = _load("down", [900.0], at_s=1.0)
    load.far["ended"] = "octets"
    assert "used up" in _values(_seen(load), uplink=False)["goodput_down_mbps"].reason


def test_absence_has_its_reason() -> None:
    rows = _values(Seen())
    for quantity in ("delay_idle_ms", "goodput_down_mbps", "goodput_up_mbps", "first_hop_idle_ms"):
        assert rows[quantity].value is None
        assert rows[quantity].reason
    silent = Seen(idle=(0, SECOND), sent=list(range(0, SECOND, 20_000_000)))
    assert "UDP may not pass" in _values(silent)["delay_idle_ms"].reason


def test_without_tcp_info_the_octets_read_are_used_and_it_is_said() -> None:
    seen = _seen(_load("down", [5, 30] + [48] * 18, at_s=1.0, tcp_info=False))
    seen.loads[0].far.pop("segments")
    rows = _values(seen, uplink=False)
    assert rows["goodput_down_mbps"].value == pytest.approx(48, rel=0.02)
    assert rows["loss_down_ratio"].value is None
    assert "octets read" in dict(judge.facts_of(seen, RECIPES[Size.USUAL]))["rate_from_down"]


def test_packets_that_are_handed_on_in_bundles_are_not_taken_for_lost() -> None:
    load = _load("up", [48] * 20, at_s=1.0, came=600)
    load.near["retransmitted_segments"] = 3
    row = _values(_seen(load), downlink=False)["loss_up_ratio"]
    assert row.value is None
    assert "bundles" in row.reason


def _udp(rates: list[float], **more: object) -> LoadSeen:
    trace = [[0.05 * (i + 1), 0.05, int(r * 1e6 / 8 * 0.05), r * 1.1, r, 30.0, 2.0, 0.0, i >= 4, i >= 5] for i, r in enumerate(rates)]
    load = LoadSeen(direction="down", kind="udp", streams=1, seconds=1.2)
    load.from_ns, load.to_ns = SECOND, SECOND + len(rates) * 50_000_000
    load.far = {"trace": trace, "ended": "enough", "octets_sent": 1, "pacing_shortfall": 0.0, "by_loss": False, **more}
    load.near = {"samples": [(SECOND, 0)], "highest_sequence": 999, "packets_received": 990, "receive_errors": 0, "ended": "stopped"}
    return load


def test_capacity_and_its_loss() -> None:
    rows = _values(_seen(_udp([50.0] * 14)), uplink=False)
    assert rows["capacity_down_mbps"].value == pytest.approx(50, rel=0.01)
    assert rows["loss_down_ratio"].value == pytest.approx(0.01)
    assert rows["goodput_down_mbps"].value == pytest.approx(rows["capacity_down_mbps"].value * 1200 / 1228)


@pytest.mark.parametrize(("more", "why"), [({"pacing_shortfall": 0.3}, "too slow to pace"), ({"ended": "no feedback", "trace": []}, "broke off")])
def test_capacity_is_refused_where_an_end_was_too_slow_or_too_little_was_seen(more: dict, why: str) -> None:
    assert why in _values(_seen(_udp([50.0] * 14, **more)), uplink=False)["capacity_down_mbps"].reason


def test_capacity_of_a_burst_allowance_is_refused_with_its_figures() -> None:
    row = _values(_seen(_udp([90.0] * 9 + [20.0] * 9)), uplink=False)["capacity_down_mbps"]
    assert row.value is None
    assert "90.0 to 20.0" in row.reason


def test_a_receiver_that_dropped_packets_is_not_the_line() -> None:
    load = _udp([50.0] * 14)
    load.near["receive_errors"] = 7
    assert "too slow to take" in _values(_seen(load), uplink=False)["capacity_down_mbps"].reason

"""Accuracy against a path whose truth is logged, and whose fault it is. Root only: namespaces, TUN, tbf."""

from __future__ import annotations

import asyncio

import pytest
from bed import FAR_ADDRESS, GATEWAY_ADDRESS, Bed, Hop, Link, why_not
from ends import OpenNearEnd, far_end, window_of

from bandwright.probe.contact import Timeouts
from bandwright.probe.near import NearEndSettings
from bandwright.words.measurement import Measurement, MeasurementPlan, Outcome, Size

pytestmark = [pytest.mark.root, pytest.mark.skipif(why_not() is not None, reason=str(why_not()))]


def _measure(bed: Bed, plan: MeasurementPlan, **timeouts: float) -> tuple[Measurement, OpenNearEnd]:
    with far_end(host=FAR_ADDRESS, bed=bed) as (_, secret), bed.inside("near"):
        near = OpenNearEnd(None, secret, settings=NearEndSettings(timeouts=Timeouts(**timeouts)))
        return asyncio.run(near.measure(plan)), near


@pytest.mark.parametrize(
    ("size", "down", "up", "round_trip_ms", "buffer_ms", "loss", "tolerance"),
    [
        (Size.USUAL, 3.0, 0.5, 40.0, 200.0, 0.0, 0.02),
        (Size.LIGHT, 50.0, 10.0, 40.0, 200.0, 1.0, 0.05),
        (Size.LIGHT, 100.0, 20.0, 20.0, 100.0, 0.0, 0.02),
    ],
)
def test_a_measurement_tells_the_truth(size: Size, down: float, up: float, round_trip_ms: float, buffer_ms: float, loss: float, tolerance: float) -> None:
    common = {"delay_ms": round_trip_ms / 2, "buffer_ms": buffer_ms, "loss_percent": loss}
    with Bed.make(down=Link(rate_mbps=down, **common), up=Link(rate_mbps=up, **common)) as bed:
        m, near = _measure(bed, MeasurementPlan(size=size))
        assert m.outcome is Outcome.OK, m.reason
        on_the_link = 140 * 8e-3 * (1 / down + 1 / up)  # ms: the delay packet's own transmission
        assert m.number("delay_idle_ms") == pytest.approx(round_trip_ms + on_the_link, abs=0.5)
        for load in near.conduct.seen.loads:
            d = load.direction
            start, end = window_of(load)
            truth = bed.truth(d, from_ns=start, to_ns=end)
            assert m.number(f"goodput_{d}_mbps") == pytest.approx(truth.goodput_mbps, rel=tolerance)
            queue_ms = m.number(f"delay_loaded_{d}_ms") - m.number("delay_idle_ms")
            assert queue_ms == pytest.approx(truth.wait_ms, rel=0.10, abs=2.0)
            lost = m.get(f"loss_{d}_ratio")
            whole = bed.truth(d, from_ns=load.from_ns - 150_000_000, to_ns=load.to_ns + 150_000_000)
            assert lost.low - 0.002 <= whole.loss_ratio <= lost.high + 0.002  # 0.002: drops within the 100 ms steps of the log


def test_a_bottleneck_in_the_house_is_seen_at_the_first_hop() -> None:
    with Bed.make(down=Link(rate_mbps=200, delay_ms=15), up=Link(rate_mbps=200, delay_ms=15), hop=Hop(rate_mbps=20, buffer_ms=150)) as bed:
        m, _ = _measure(bed, MeasurementPlan(size=Size.LIGHT, first_hop=GATEWAY_ADDRESS))
    assert m.outcome is Outcome.OK, m.reason
    assert m.fact("hop_share_down") > 0.7
    assert m.fact("hop_share_up") > 0.7
    assert m.number("first_hop_idle_ms") < 5


def test_a_bottleneck_behind_the_gateway_is_not_blamed_on_the_house() -> None:
    with Bed.make(down=Link(rate_mbps=20, delay_ms=15, buffer_ms=150), up=Link(rate_mbps=5, delay_ms=15, buffer_ms=150), gateway=True) as bed:
        m, _ = _measure(bed, MeasurementPlan(size=Size.LIGHT))  # the gateway is found from the route
    assert m.outcome is Outcome.OK, m.reason
    assert abs(m.fact("hop_share_down")) < 0.1
    assert abs(m.fact("hop_share_up")) < 0.1


def test_a_path_that_swallows_large_packets_is_measured_with_small_ones() -> None:
    link = Link(rate_mbps=20, delay_ms=10, mtu=1300)
    with Bed.make(down=link, up=link) as bed:
        m, _ = _measure(bed, MeasurementPlan(size=Size.LIGHT, uplink=False), stall_s=1.0)
    assert m.outcome is Outcome.OK, m.reason
    assert m.fact("mtu_black_hole") is True
    assert m.number("path_mtu") <= 1300
    assert m.number("goodput_down_mbps") == pytest.approx(20 * 1208 / 1260, rel=0.05)


def test_capacity_by_udp_is_the_links_rate() -> None:
    with Bed.make(down=Link(rate_mbps=40, delay_ms=20, loss_percent=2.0), up=Link(rate_mbps=8, delay_ms=20)) as bed:
        m, _ = _measure(bed, MeasurementPlan(size=Size.FULL, max_seconds=5.5))
    assert m.number("capacity_down_mbps") == pytest.approx(40, rel=0.01)
    assert m.number("capacity_up_mbps") == pytest.approx(8, rel=0.02)


def test_teardown_leaves_nothing_behind() -> None:
    from pathlib import Path

    bed = Bed.make()
    names = list(bed.names.values())
    bed.set_rate("down", 30)
    bed.set_delay("up", 5)
    with pytest.raises(ValueError):
        bed.set("down", nonsense=1)
    bed.close()
    bed.close()
    assert not [n for n in names if Path("/run/netns", n).exists()]
    assert bed.process.poll() is not None

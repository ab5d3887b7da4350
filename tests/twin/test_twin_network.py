from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta

import numpy as np
import pytest

from bandwright.ports import Probe, ProbeEvent
from bandwright.quantities import quantity
from bandwright.twin.clock import SimulatedClock
from bandwright.twin.network import InForce, SimulatedProbe
from bandwright.twin.plan import MIDDLE, RigPlan, SetupPlan, SitePlan
from bandwright.twin.site import SimulatedSite
from bandwright.words.measurement import Measurement, MeasurementPlan, Method, Outcome, Phase, Size

START = datetime(2026, 3, 2, 9, tzinfo=UTC)
PLAN = SitePlan(
    key="place",
    setups=(
        SetupPlan(key="r/a", rig="r", down_mbps=80, up_mbps=12, failed_share=0.0),
        SetupPlan(key="r/failing", rig="r", down_mbps=80, up_mbps=12, failed_share=0.6),
        SetupPlan(key="r/slow", rig="r", down_mbps=80, up_mbps=12, failed_share=0.0, warmup_scale=8.0),
        SetupPlan(key="r/moved", rig="r", down_mbps=80, up_mbps=12, failed_share=0.0, moved_share=0.95, moved_to=("r/a",)),
    ),
    rigs=(RigPlan(key="r"),),
    layers=MIDDLE,
)
AN_HOUR = timedelta(hours=1)


class Bench:
    """A probe on a simulated clock, and what its listener was told."""

    def __init__(self, setup: str | None = "r/a", **options) -> None:
        self.clock = SimulatedClock(START)
        self.site = SimulatedSite(PLAN, 3)
        self.setup, self.since, self.mounting = setup, START - AN_HOUR, 0
        self.probe = SimulatedProbe(self.site, self.clock, lambda: InForce(setup=self.setup, since=self.since, mounting=self.mounting), **options)
        self.events: list[ProbeEvent] = []
        self.at: list[float] = []

    async def hear(self, event: ProbeEvent) -> None:
        self.events.append(event)
        self.at.append(self.clock.monotonic_s())

    async def measure(self, **plan) -> Measurement:
        return await self.probe.measure(MeasurementPlan(**plan), listener=self.hear)


async def test_it_finds_what_the_site_gives_at_that_moment_and_takes_its_time():
    bench = Bench()
    assert isinstance(bench.probe, Probe)
    found = await bench.measure(setup="r/a")
    moment = bench.site.moment("r/a", START)
    assert found.number("goodput_down_mbps") == moment.down_mbps
    assert found.number("goodput_up_mbps") == moment.up_mbps
    assert found.number("delay_idle_ms") == moment.delay_idle_ms
    assert found.number("delay_loaded_up_ms") == moment.delay_loaded_up_ms
    assert found.number("loss_ratio") == moment.loss_ratio
    assert (found.outcome, found.method, found.at) == (Outcome.OK, Method.SIMULATED, START)
    assert found.setup_asked == found.setup_seen == "r/a"
    assert not found.moved
    assert found.seconds == pytest.approx(bench.clock.monotonic_s())
    assert found.seconds == pytest.approx(0.6 + 2.0 + 2 * 2.8)


async def test_its_listener_hears_each_phase_as_it_begins():
    bench = Bench()
    await bench.measure()
    assert [e.phase for e in bench.events if e.kind == "phase"] == ["idle", "downlink", "uplink"]
    assert bench.at[:3] == pytest.approx([0.6, 2.6, 5.4])
    assert {e.quantity for e in bench.events if e.kind == "sample"} == {"delay_idle_ms", "goodput_down_mbps", "goodput_up_mbps"}


async def test_its_series_average_to_its_figures_and_its_figures_are_known_quantities():
    found = await Bench().measure(first_hop="192.0.2.1", size=Size.FULL)
    for way in ("down", "up"):
        series = dict(found.series)[f"series_{way}_mbps"]
        assert len(series) == 80
        assert np.mean(series) == pytest.approx(found.number(f"goodput_{way}_mbps"), rel=1e-3)
        assert np.std(np.log(series)) > 0.05
        row = found.get(f"goodput_{way}_mbps")
        assert row.low < row.value < row.high
    for value in found.values:
        row = quantity(value.quantity)
        assert row is not None, value.quantity
        assert row.low <= value.value <= (row.high or 1e9)
    assert found.number("first_hop_loaded_up_ms") is not None


async def test_what_it_takes_is_what_it_carried():
    for size, seconds in ((Size.LIGHT, 1.0), (Size.USUAL, 2.8), (Size.FULL, 8.0)):
        bench = Bench()
        found = await bench.measure(size=size)
        rates = found.number("goodput_down_mbps") + found.number("goodput_up_mbps")
        assert found.megabytes == pytest.approx(rates * seconds / 8, rel=0.02)
        guess = bench.probe.cost_megabytes(MeasurementPlan(size=size, expected_down_mbps=found.number("goodput_down_mbps"), expected_up_mbps=found.number("goodput_up_mbps")))
        assert guess == pytest.approx(found.megabytes, rel=0.02)


async def test_a_load_says_what_it_took_and_its_cost_was_stated():
    bench = Bench()
    took = await bench.probe.load(10.0, plan=MeasurementPlan())
    found = await bench.measure(size=Size.LIGHT)
    assert took == pytest.approx(found.number("goodput_down_mbps") * 10.0 / 8, rel=0.5)  # two moments ten seconds apart: alike, not the same
    plan = MeasurementPlan(expected_down_mbps=80.0)
    assert bench.probe.cost_megabytes(plan, load_s=10.0) - bench.probe.cost_megabytes(plan) == pytest.approx(100.0)


async def test_it_stays_within_the_megabytes_and_seconds_it_was_given():
    found = await Bench().measure(size=Size.FULL, max_megabytes=15.0)
    assert found.outcome is Outcome.OK
    assert 14.0 < found.megabytes <= 15.1
    assert (await Bench().measure(size=Size.FULL, max_seconds=6.0)).seconds == pytest.approx(6.0)
    too_little = await Bench().measure(max_megabytes=0.5)
    assert (too_little.outcome, too_little.phase) == (Outcome.VOID, Phase.NEAR_END)
    assert too_little.megabytes <= 0.5


async def test_one_direction_alone_leaves_the_other_out():
    found = await Bench().measure(uplink=False)
    assert found.number("goodput_up_mbps") is None
    assert found.number("delay_loaded_up_ms") is None
    assert found.number("goodput_down_mbps") is not None
    assert [k for k, _ in found.series] == ["series_down_mbps"]


async def test_a_failure_keeps_what_was_measured_before_it():
    bench = Bench("r/failing")
    kept: dict[Phase, set[str]] = {}
    for _ in range(120):
        found = await bench.measure(setup="r/failing")
        if found.outcome is Outcome.FAILED:
            kept[found.phase] = {v.quantity for v in found.values}
            assert found.reason
        await bench.clock.sleep(1000.0)
    assert "goodput_down_mbps" in kept[Phase.UPLINK]
    assert "goodput_up_mbps" not in kept[Phase.UPLINK]
    assert "delay_idle_ms" in kept[Phase.DOWNLINK]
    assert "goodput_down_mbps" not in kept[Phase.DOWNLINK]
    assert kept[Phase.CONNECT] == kept[Phase.IDLE] == kept[Phase.RADIO] == set()


async def test_without_a_setup_in_force_there_is_no_service():
    found = await Bench(None).measure(setup="r/a")
    assert (found.outcome, found.phase, found.setup_seen) == (Outcome.FAILED, Phase.RADIO, None)
    assert found.fact("registration") == "none"


async def test_a_moved_device_is_told_as_asked_and_seen():
    bench = Bench("r/moved")
    seen = [await bench.measure(setup="r/moved") for _ in range(30)]
    moved = [m for m in seen if m.moved]
    assert moved
    assert {(m.setup_asked, m.setup_seen) for m in moved} == {("r/moved", "r/a")}


async def test_a_warm_up_adds_carriers_and_a_long_silence_lets_them_go():
    """11 to 13 s of silence let the connection go ("A Variegated Look at 5G in the Wild", SIGCOMM 2021)."""
    bench = Bench("r/slow")
    assert bench.probe.load_s == 0.0
    cold = sum([(await bench.measure()).ramping for _ in range(40) if not await bench.clock.sleep(100.0)])
    warm = 0
    for _ in range(40):
        await bench.clock.sleep(100.0)
        await bench.probe.load(45.0, plan=MeasurementPlan())
        warm += (await bench.measure()).ramping
    assert cold == 40
    assert warm < 15
    await bench.probe.load(5.0, plan=MeasurementPlan())
    await bench.clock.sleep(10.0)
    assert bench.probe.load_s > 0
    await bench.clock.sleep(2.0)
    assert bench.probe.load_s == 0.0


async def test_a_change_of_tuning_ends_the_load_that_went_before():
    bench = Bench()
    await bench.probe.load(30.0, plan=MeasurementPlan())
    bench.since = bench.clock.now()
    assert bench.probe.load_s == 0.0


async def test_a_far_end_that_fails_makes_a_test_void():
    bench = Bench(void_share=0.3)
    outcomes = []
    for _ in range(60):
        found = await bench.measure()
        outcomes.append(found.outcome)
        if found.outcome is Outcome.VOID:
            assert found.phase is Phase.FAR_END
        await bench.clock.sleep(600.0)
    assert 0.1 < outcomes.count(Outcome.VOID) / 60 < 0.5
    assert Outcome.FAILED not in outcomes


async def test_the_same_seed_and_clock_give_the_same_measurements():
    def keys():
        return iter("ab").__next__

    first, second = Bench(new_key=keys()), Bench(new_key=keys())
    one = [await first.measure(), await first.measure()]
    two = [await second.measure(), await second.measure()]
    assert one == two
    assert one[0] != replace(one[1], key="a", at=one[0].at)


async def test_each_mounting_is_another_draw():
    bench = Bench()
    bench.site = SimulatedSite(replace(PLAN, rigs=(RigPlan(key="r", mount_sd=0.5),)), 3)
    figures = set()
    for mounting in range(5):
        other = Bench()
        other.probe = SimulatedProbe(bench.site, other.clock, lambda m=mounting: InForce(setup="r/a", since=START - AN_HOUR, mounting=m))
        figures.add((await other.measure()).number("goodput_down_mbps"))
    assert len(figures) == 5

from __future__ import annotations

import random
from dataclasses import replace
from datetime import UTC, datetime, timedelta

import numpy as np
import pytest
from scipy import stats

from bandwright.errors import UsageError
from bandwright.twin.plan import CALM, MIDDLE, NSA_REGIMES, WILD, CarrierPlan, RigPlan, ServingSet, SetupPlan, Shift, SitePlan
from bandwright.twin.site import SimulatedSite
from bandwright.words.measurement import Phase
from bandwright.words.radio import Mode, Rat, Registration, Role

START = datetime(2026, 3, 2, tzinfo=UTC)
LTE = CarrierPlan(rat=Rat.LTE, role=Role.PCELL, band="B3", arfcn=1300, pci=138, bandwidth_mhz=20, rsrp_dbm=-95, sinr_db=12, up=True)
NR = CarrierPlan(rat=Rat.NR, role=Role.PSCELL, band="n78", arfcn=639936, pci=211, bandwidth_mhz=100, rsrp_dbm=-100, sinr_db=10, scs_khz=30)
SETUPS = (
    SetupPlan(key="r/a", rig="r", mode="endc", bands=("B3", "n78"), down_mbps=200, up_mbps=20, regimes=NSA_REGIMES, carriers=(LTE, NR), moved_share=0.2, moved_to=("r/b",), failed_share=0.05),
    SetupPlan(key="r/b", rig="r", mode="lte", down_mbps=60, up_mbps=25, carriers=(LTE,), serving=(ServingSet(1.0, (0,)),)),
    SetupPlan(key="s/c", rig="s", mode="nr-sa", down_mbps=90, up_mbps=30, carriers=(replace(NR, role=Role.PCELL),), cell="another"),
)
PLAN = SitePlan(key="place", setups=SETUPS, rigs=(RigPlan(key="r"), RigPlan(key="s", mount_sd=0.1)), layers=MIDDLE, timezone="Europe/London")
FIGURES = ("down_mbps", "up_mbps", "delay_idle_ms", "delay_loaded_down_ms", "delay_loaded_up_ms", "loss_ratio")


def _asks(n: int = 200) -> list[tuple[str, datetime, int, float]]:
    rng = random.Random(4)
    return [(rng.choice(SETUPS).key, START + timedelta(seconds=rng.uniform(0, 14 * 86400)), rng.randrange(4), rng.choice([0.0, 10.0, 300.0])) for _ in range(n)]


def _answers(site: SimulatedSite, asks) -> list:
    return [site.moment(k, at, mounting=m, load_s=load) for k, at, m, load in asks]


def test_a_moment_does_not_depend_on_what_was_asked_before():
    asks = _asks()
    forwards = _answers(SimulatedSite(PLAN, 5), asks)
    site = SimulatedSite(PLAN, 5)
    backwards = _answers(site, asks[::-1])[::-1]
    assert forwards == backwards
    assert [m.carriers for m in forwards] == [m.carriers for m in backwards]
    assert forwards == _answers(site, asks)


def test_another_seed_is_another_draw_and_redraws_share_nothing():
    asks = [("r/b", START + timedelta(minutes=10), 0, 300.0)]
    x = np.log([_answers(SimulatedSite(PLAN, seed), asks)[0].down_mbps for seed in range(600)])
    assert len(set(x)) == 600
    assert abs(np.corrcoef(x[:-1], x[1:])[0, 1]) < 0.12  # neighbouring seeds; standard error .04


@pytest.mark.parametrize(("layers", "setup"), [(CALM, {}), (MIDDLE, {}), (WILD, {"regimes": NSA_REGIMES})])
def test_fresh_samples_and_moments_are_draws_of_the_same(layers, setup):
    """Moments of many sites at random times against fresh samples of one: same distribution of each figure."""
    plan = SitePlan(key="p", setups=(SetupPlan(key="r/a", rig="r", down_mbps=80, up_mbps=12, warmup_scale=0.0, **setup),), rigs=(RigPlan(key="r", mount_sd=0.15),), layers=layers)
    rng = np.random.default_rng(1)
    fresh = SimulatedSite(plan, 0).sample_fresh("r/a", 6000, [1.0] * 24, rng)
    moments = []
    for seed in range(90):
        site = SimulatedSite(plan, seed)
        moments += [site.moment("r/a", START + timedelta(seconds=float(s)), mounting=int(rng.integers(10**6)), load_s=60.0) for s in rng.uniform(0, 60 * 86400, 12)]
    for name in FIGURES:
        found = stats.ks_2samp([getattr(m, name) for m in moments], getattr(fresh, name))
        assert found.pvalue > 1e-4, name  # sites come 12 moments each, so they are not quite independent
    assert abs(np.mean([m.failed is not None for m in moments]) - fresh.failed.mean()) < 0.02


def test_moved_devices_get_what_the_other_setup_carries():
    site = SimulatedSite(PLAN, 6)
    there = [m for i in range(1500) if (m := site.moment("r/a", START + timedelta(minutes=13 * i), load_s=300.0)).moved_to]
    assert 0.12 < len(there) / 1500 < 0.28
    for moment in there[:20]:
        other = site.moment("r/b", moment.at, load_s=300.0)
        assert moment.moved_to == "r/b"
        assert [getattr(moment, n) for n in FIGURES] == [getattr(other, n) for n in FIGURES]
        assert {c["rat"] for c in moment.carriers} <= {"lte"}
    fresh = site.sample_fresh("r/a", 8000, [1.0] * 24, np.random.default_rng(2))
    assert abs(fresh.moved.mean() - 0.2) < 0.02


def test_the_network_moves_devices_more_when_it_is_busy():
    fresh = SimulatedSite(PLAN, 6).sample_fresh("r/a", 20000, [1.0] * 24, np.random.default_rng(3))
    night = (fresh.hour >= 1) & (fresh.hour < 5)
    evening = (fresh.hour >= 18) & (fresh.hour < 21)
    assert fresh.moved[evening].mean() > 3 * fresh.moved[night].mean()


def test_fresh_samples_keep_to_the_hours_they_are_given():
    weights = [0.0] * 24
    weights[9], weights[20] = 3.0, 1.0
    fresh = SimulatedSite(PLAN, 1).sample_fresh("r/b", 4000, weights, np.random.default_rng(4))
    assert set(fresh.hour.astype(int)) == {9, 20}
    assert abs((fresh.hour < 10).mean() - 0.75) < 0.03
    assert len(fresh) == 4000


@pytest.mark.parametrize("weights", [[1.0] * 23, [0.0] * 24, [-1.0] + [1.0] * 23])
def test_hours_that_cannot_be_used_are_refused(weights):
    with pytest.raises(UsageError, match="24 numbers"):
        SimulatedSite(PLAN, 1).sample_fresh("r/b", 10, weights, np.random.default_rng(5))


def test_hours_are_local_ones():
    quiet = replace(CALM, test_down=0.0, day_down=0.0, drift=0.0, within_down=0.0, dip_share=0.0)
    figures = {}
    for zone in ("UTC", "Asia/Tokyo"):
        plan = SitePlan(key="p", setups=(SetupPlan(key="r/a", rig="r", down_mbps=100, up_mbps=9, load_down=0.8),), rigs=(RigPlan(key="r", mount_sd=0.0),), layers=quiet, timezone=zone)
        figures[zone] = SimulatedSite(plan, 1).moment("r/a", START + timedelta(hours=11.5), load_s=300.0).down_mbps  # 20:30 in Tokyo
    evening = 1 - 0.8 * (1 - np.exp(-0.15 - 0.12)) / 0.24  # TMA 2018: hour 20 is -.15
    assert abs(figures["Asia/Tokyo"] - 100 * evening) < 0.1
    assert figures["UTC"] > 1.5 * figures["Asia/Tokyo"]


@pytest.mark.parametrize("seconds", [3, 8, 20])
def test_a_trace_is_what_its_moments_average(seconds):
    site = SimulatedSite(PLAN, 7)
    at = START + timedelta(hours=30)
    down, up = site.trace("r/a", at, seconds=seconds, load_s=300.0)
    assert down.shape == up.shape == (seconds,)
    assert (down > 0).all()
    if seconds >= 8:
        moment = site.moment("r/a", at, load_s=300.0)
        assert down[:8].mean() == pytest.approx(moment.down_mbps)
        assert up[:8].mean() == pytest.approx(moment.up_mbps)


def test_a_rising_trace_shows_when_carriers_come():
    plan = replace(PLAN, setups=(replace(SETUPS[1], bare_ln=-1.5, warmup_scale=2.0),), layers=replace(CALM, within_down=0.0), rigs=(RigPlan(key="r"),))
    site = SimulatedSite(plan, 3)
    at = next(a for i in range(200) if 2.0 < site.moment("r/b", a := START + timedelta(minutes=i), load_s=0.0).added_s < 5.0)
    down, _ = site.trace("r/b", at, seconds=8, load_s=0.0)
    assert down[-1] / down[0] == pytest.approx(np.exp(1.5), rel=1e-6)
    assert (np.diff(down) >= -1e-9).all()


def test_service_comes_back_some_seconds_after_a_change():
    site = SimulatedSite(PLAN, 8)
    early = site.moment("r/b", START, since_change_s=2.0)
    late = site.moment("r/b", START, since_change_s=30.0)
    assert early.failed is Phase.RADIO
    assert early.registration is Registration.SEARCHING
    assert early.carriers == ()
    assert late.registration is Registration.HOME
    assert len(late.carriers) == 1


def test_a_modem_shows_its_nr_leg_under_load_and_seldom_when_idle():
    site = SimulatedSite(replace(PLAN, setups=(replace(SETUPS[0], moved_share=0.0, failed_share=0.0), *SETUPS[1:])), 9)
    times = [START + timedelta(minutes=11 * i) for i in range(800)]
    idle = np.mean([len(site.moment("r/a", at).carriers) == 2 for at in times])
    loaded = np.mean([len(site.moment("r/a", at, load_s=40.0).carriers) == 2 for at in times])
    assert abs(idle - 0.075) < 0.03  # MTU 2022: an idle gateway showed the NR leg 7.5 % of the time
    assert loaded == 1.0
    shown = site.moment("r/a", START, load_s=40.0).carriers[0]
    assert set(shown) == {"rat", "role", "band", "arfcn", "pci", "bandwidth_mhz", "scs_khz", "rsrp_dbm", "rsrq_db", "sinr_db", "tx_power_dbm", "cell_id", "tac"}
    assert site.moment("r/a", START).carriers[0]["tx_power_dbm"] is None
    assert -40 < shown["tx_power_dbm"] <= 23.0


def test_rsrq_falls_when_the_cell_is_full():
    """With all elements in use RSRQ stays below 1/12, -10.8 dB; TS 36.214 5.1.3: N RSRP / RSSI, 12 elements a block."""
    site = SimulatedSite(PLAN, 9)
    times = [START + timedelta(hours=3 * i) for i in range(60)]
    loaded = np.mean([site.moment("r/b", t, load_s=40.0).carriers[0]["rsrq_db"] for t in times])
    idle = np.mean([site.moment("r/b", t).carriers[0]["rsrq_db"] for t in times])
    assert loaded < -10.8 < idle - 1.0


def test_a_lasting_change_begins_when_it_is_said():
    at = START + timedelta(days=3)
    site = SimulatedSite(replace(PLAN, shifts=(Shift(at=at, setups=("s/c",), down_ln=-1.0, up_ln=0.5, failed_factor=1e9),)), 10)
    plain = SimulatedSite(PLAN, 10)
    before, after = at - timedelta(seconds=1), at + timedelta(seconds=1)
    assert site.moment("s/c", before) == plain.moment("s/c", before)
    assert site.moment("s/c", after).down_mbps == pytest.approx(plain.moment("s/c", after).down_mbps * np.exp(-1.0))
    assert site.moment("s/c", after).up_mbps == pytest.approx(plain.moment("s/c", after).up_mbps * np.exp(0.5))
    assert site.moment("s/c", after).failed is not None
    assert site.moment("r/b", after) == plain.moment("r/b", after)


def test_a_plan_knows_its_setups_by_key_and_by_settings():
    assert PLAN.setup("s/c").rig == "s"
    assert PLAN.match("r", mode="endc", bands=("n78", "B3")).key == "r/a"
    assert PLAN.match("r", mode="endc", bands=("B3",)) is None
    assert PLAN.match("s", mode="lte", bands=()) is None
    assert [s.shown_mode() for s in SETUPS] == [Mode.ENDC, Mode.LTE, Mode.NR_SA]
    with pytest.raises(UsageError, match="r/a, r/b, s/c"):
        SimulatedSite(PLAN, 1).moment("r/z", START)

"""Evidence: each function's published figures, both sides of its edges, and silence where nothing was seen."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import replace
from datetime import datetime, timedelta

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bandwright.advice.case import Asked, Capability, Case, Compared, FarEnd, HistoryRow, Month, NearEnd, Outage, Plan, SeenCarrier, SeenReading, SeenTest
from bandwright.advice.evidence import EVIDENCE, gather
from bandwright.advice.evidence_base import main_carrier, steady_values
from bandwright.advice.evidence_rates import expected_down_mbps, hour_likelihood_ratio, hour_swing

T0 = datetime.fromisoformat("2026-03-10T12:00")


def lte(**more: object) -> SeenCarrier:
    return replace(SeenCarrier(rat="lte", role="pcell", band="B3", pci=9, width_mhz=20.0, duplex="FDD", rsrp_dbm=-90.0, sinr_db=20.0), **more)


def nr(**more: object) -> SeenCarrier:
    return replace(SeenCarrier(rat="nr", role="pcell", band="n78", pci=41, width_mhz=100.0, scs_khz=30, duplex="TDD", rsrp_dbm=-90.0, sinr_db=20.0), **more)


def loaded(*carriers: SeenCarrier, state: str = "load_down", mode: str | None = None) -> SeenReading:
    return SeenReading(state=state, mode=mode, carriers=carriers)


def measured(
    numbers: Mapping[str, float],
    *,
    at: datetime | None = T0,
    texts: Mapping[str, str] | None = None,
    failures: Mapping[str, float] | None = None,
    **more: object,
) -> SeenTest:
    return SeenTest(at=at, numbers=dict(numbers), texts=dict(texts or {}), failures=dict(failures or {}), **more)


def of(case: Case, key: str, symptom: str = "down") -> float | None:
    return gather(case, symptom).get(key)


def rows(*pairs: tuple[int, float], **more: object) -> tuple[HistoryRow, ...]:
    """One row a pair of (hour, rate), on days one after another."""
    return tuple(HistoryRow(at=T0.replace(hour=h) - timedelta(days=len(pairs) - i), down_mbps=r, **more) for i, (h, r) in enumerate(pairs))


def test_an_empty_case_bears_no_evidence() -> None:
    for symptom in ("down", "up", "delay", "delay_loaded", "loss", "drops", "cannot_connect"):
        assert gather(Case(), symptom) == {}


def test_every_row_has_a_key_of_its_own_and_a_label() -> None:
    keys = [row.key for row in EVIDENCE]
    assert len(keys) == len(set(keys))
    assert all(row.label and row.source for row in EVIDENCE)


def test_expected_rate_of_the_carriers_under_load() -> None:
    # TR 36.942 annex A over two layers, times 0.9: 110.27 + 79.15 + 73.26
    case = Case(readings=(loaded(lte(), lte(role="scell", band="B7", sinr_db=15.0), lte(role="scell", band="B1", width_mhz=15.0, sinr_db=18.0)),))
    assert expected_down_mbps(case) == pytest.approx(262.68, abs=0.005)
    assert expected_down_mbps(Case(readings=(loaded(nr()),))) == pytest.approx(447.3, abs=0.05)
    assert expected_down_mbps(Case(readings=(loaded(nr(rank=4)),))) == pytest.approx(741.3, abs=0.06)


def test_expected_rate_needs_every_carrier_and_a_loaded_reading() -> None:
    assert expected_down_mbps(Case(readings=(loaded(lte(), state="idle"),))) is None
    assert expected_down_mbps(Case(readings=(loaded(lte(), lte(role="scell", band="B7", sinr_db=None)),))) is None
    assert expected_down_mbps(Case(readings=(loaded(lte(width_mhz=17.0)),))) is None
    inactive = lte(role="scell", band="B7", active=False)
    assert expected_down_mbps(Case(readings=(loaded(lte(), inactive),))) == pytest.approx(110.27, abs=0.005)


def test_rate_ratio_takes_the_median_of_three_near_this_hour() -> None:
    case = Case(readings=(loaded(lte()),), measurement=measured({"goodput_down_mbps": 20.0}))
    assert of(case, "rate_ratio") == pytest.approx(20 / 110.27, abs=1e-4)
    near = replace(case, history=rows((11, 60.0), (13, 80.0), (3, 500.0)))
    assert of(near, "rate_ratio") == pytest.approx(60 / 110.27, abs=1e-4)
    assert of(near, "rate_ratio", "up") is None


@pytest.mark.parametrize(("ratio", "expected"), [(1.0, 0.1665), (1.33, 0.556), (1.7, 3.409), (2.0, 10.0)])
def test_weight_of_night_over_evening(ratio: float, expected: float) -> None:
    # two normal densities, 2 + 4 tests, squares .16: worked by hand; at 2 it would be 16.8 and stops at 10
    found = hour_likelihood_ratio(ln_ratio=math.log(ratio), squares=0.16, nights=2, evenings=4)
    assert abs(found - expected) < 5.1e-4


def test_error_of_the_night_over_evening_ratio() -> None:
    variance = (4 * 0.37**2 + 0.16) / (4 + 2 + 4 - 2)
    assert abs(math.sqrt(variance * (1 / 2 + 1 / 4)) - 0.2576) < 5e-5


def test_hours_need_two_tests_of_each_kind() -> None:
    assert hour_swing(Case(history=rows((2, 100.0), (20, 50.0), (21, 50.0))), "down") is None
    swing = hour_swing(Case(history=rows((2, 100.0), (4, 100.0), (20, 50.0), (22, 50.0))), "down")
    assert swing is not None
    assert swing[0] == pytest.approx(math.log(2))
    assert swing[2:] == (2, 2)
    assert hour_swing(Case(history=rows((2, 100.0), (6, 100.0), (17, 50.0), (23, 50.0), (20, 50.0))), "down") is None  # 6, 17 and 23 are neither


def test_a_swing_explains_no_more_than_itself() -> None:
    history = rows((2, 100.0), (4, 100.0), (2, 100.0), (20, 25.0), (22, 25.0), (21, 25.0))
    case = Case(history=history, readings=(loaded(lte()),), measurement=measured({"goodput_down_mbps": 25.0}, at=T0.replace(hour=21)))
    assert of(case, "hour_lr") == pytest.approx(10)  # ratio .23
    half = replace(case, readings=(loaded(lte(sinr_db=5.0)),))
    ratio = of(half, "rate_ratio")
    assert ratio is not None
    assert ratio > 0.55
    assert of(half, "hour_lr") == pytest.approx(1.5)


def test_a_radio_that_moves_with_the_hour_is_no_load() -> None:
    night = tuple(replace(r, rsrp_dbm=-85.0) for r in rows((2, 100.0), (4, 100.0)))
    evening = tuple(replace(r, rsrp_dbm=-95.0) for r in rows((20, 25.0), (22, 25.0)))
    assert of(Case(history=night + evening), "hour_lr") == pytest.approx(1.5)


def test_flat_needs_five_seconds_after_the_ramp() -> None:
    ramp = tuple(94.0 * min(1, (i + 1) / 6) for i in range(10))
    assert steady_values(ramp + (94.0,) * 50) == (94.0,) * 5
    assert of(Case(measurement=measured({}, series_down_mbps=ramp + (94.0,) * 50)), "cv") == 0
    assert of(Case(measurement=measured({}, series_down_mbps=ramp + (94.0,) * 40)), "cv") is None


def test_a_burst_at_the_start_is_left_off() -> None:
    series = (0.0,) * 10 + (60.0,) * 10 + (10.0,) * 50
    assert steady_values(series) == (10.0,) * 5


def test_seconds_that_agree_by_chance_are_not_flat() -> None:
    tenths = [100.0 + (30 if i % 2 else -30) for i in range(50)]
    found = of(Case(measurement=measured({}, series_down_mbps=(0.0,) * 10 + tuple(tenths))), "cv")
    assert found == 0.05


def test_flat_says_nothing_at_mmwave() -> None:
    wave = nr(band="n257", scs_khz=120)
    assert of(Case(readings=(loaded(wave),), measurement=measured({}, series_down_mbps=(50.0,) * 70)), "cv") is None


def test_the_same_figure_at_hours_apart() -> None:
    assert of(Case(history=rows((2, 30.0), (8, 30.5), (14, 30.2))), "same_figure") == 1
    assert of(Case(history=rows((2, 30.0), (8, 31.0), (14, 30.2))), "same_figure") == 0  # 1.033 of three
    assert of(Case(history=rows((2, 30.0), (8, 31.0), (14, 30.2), (18, 30.1), (22, 30.6))), "same_figure") == 1  # 1.033 of five
    assert of(Case(history=rows((2, 30.0), (8, 30.0))), "same_figure") is None


def test_the_first_hop_share_of_the_rise() -> None:
    numbers = {"delay_idle_ms": 30.0, "delay_loaded_down_ms": 130.0, "first_hop_idle_ms": 0.6, "first_hop_loaded_down_ms": 60.6}
    case = Case(measurement=measured(numbers), near_end=NearEnd(wifi=True))
    assert of(case, "hop_share") == pytest.approx(0.6)
    assert of(case, "wifi_hop_share") == pytest.approx(0.6)
    assert of(case, "cable_hop_share") is None
    assert of(replace(case, near_end=None), "wifi_hop_share") is None
    assert of(Case(measurement=measured(numbers | {"delay_loaded_down_ms": 45.0})), "hop_share") is None  # nothing to share
    assert of(case, "hop_share", "up") is None


def test_ports() -> None:
    case = Case(measurement=measured({"goodput_down_mbps": 94.148}), near_end=NearEnd(port_mbps=100.0), far_end=FarEnd(port_mbps=1000.0))
    assert of(case, "port_gap") == pytest.approx(0, abs=1e-5)  # RFC 6349: 94.148 of 100
    assert of(case, "far_port_gap") == pytest.approx(-0.9, abs=1e-3)


def test_near_and_far_end() -> None:
    assert of(Case(near_end=NearEnd(cpu_share=0.81)), "near_busy") == 1
    assert of(Case(near_end=NearEnd(cpu_share=0.8, rwnd_limited_share=0.1)), "near_busy") == 0
    assert of(Case(near_end=NearEnd()), "near_busy") is None
    assert of(Case(far_end=FarEnd(cpu_share=0.9)), "far_busy") == 1
    assert of(Case(near_end=NearEnd(other_traffic_mbps=25.0), measurement=measured({"goodput_down_mbps": 75.0})), "other_share") == 0.25


def test_sleep() -> None:
    base = {"delay_idle_ms": 30.0, "delay_idle_p95_ms": 40.0}
    assert of(Case(measurement=measured(base | {"delay_first_ms": 331.0})), "first_wake", "delay") == 1
    assert of(Case(measurement=measured(base | {"delay_first_ms": 329.0})), "first_wake", "delay") == 0
    assert of(Case(measurement=measured(base | {"delay_first_ms": 900.0, "delay_idle_p95_ms": 95.0})), "first_wake", "delay") == 0


def test_one_stream_at_what_its_loss_allows() -> None:
    # Mathis and others 1997: 28.375 Mbit/s at 1e-4, 50 ms (CUBIC 25.82 is the smaller)
    numbers = {"goodput_down_single_mbps": 28.375, "delay_idle_ms": 50.0, "loss_down_ratio": 1e-4, "capacity_down_mbps": 80.0}
    assert of(Case(measurement=measured(numbers)), "single_flow") == 1
    assert of(Case(measurement=measured(numbers | {"capacity_down_mbps": 50.0})), "single_flow") == 0
    assert of(Case(measurement=measured(numbers | {"goodput_down_single_mbps": 28.375 * math.exp(0.61), "capacity_down_mbps": 200.0})), "single_flow") == 0


def test_noise_and_interference() -> None:
    weak = Case(readings=(loaded(lte(rsrp_dbm=-121.0, sinr_db=2.0)),))
    assert of(weak, "noise_gap_db") == pytest.approx(2.2, abs=0.05)  # k T0, noise figure 7 dB
    assert (of(weak, "poor_by_noise"), of(weak, "poor_by_others")) == (1, 0)
    shouted = Case(readings=(loaded(lte(rsrp_dbm=-84.0, sinr_db=2.0)),))
    assert of(shouted, "noise_gap_db") == pytest.approx(39.2, abs=0.05)
    assert (of(shouted, "poor_by_noise"), of(shouted, "poor_by_others")) == (0, 1)


def test_the_main_carrier_brings_most() -> None:
    case = Case(readings=(loaded(lte(), nr(role="pscell")),))
    main = main_carrier(case)
    assert main is not None
    assert main.band == "n78"


def test_neighbours_on_the_channel() -> None:
    other = SeenCarrier(rat="lte", role="neighbour", band="B3", pci=210, rsrp_dbm=-92.0)
    elsewhere = SeenCarrier(rat="lte", role="neighbour", band="B7", pci=211, rsrp_dbm=-80.0)
    case = Case(readings=(loaded(lte(sinr_db=3.0), other, elsewhere),))
    assert of(case, "neighbour_gap_db") == 2
    assert of(case, "on_the_seam") == 1
    assert of(Case(readings=(loaded(lte(arfcn=1300), replace(other, arfcn=1500)),)), "neighbour_gap_db") is None
    assert of(Case(readings=(loaded(lte()),)), "neighbour_gap_db") is None
    assert of(Case(readings=(loaded(lte(pci=9), replace(other, pci=10)),)), "same_mast") == 1


def levels(*values: float, pcis: tuple[int, ...] | None = None) -> tuple[HistoryRow, ...]:
    numbers = pcis or (9,) * len(values)
    return tuple(HistoryRow(at=T0 + timedelta(hours=3 * i), rsrp_dbm=v, pci=p, band="B3") for i, (v, p) in enumerate(zip(values, numbers, strict=True)))


def test_a_step_down_is_sudden_and_lasts() -> None:
    assert of(Case(history=levels(-90, -91, -90, -99, -100, -99)), "step_down_db") == pytest.approx(9, abs=0.5)
    assert of(Case(history=levels(-90, -92, -94, -96, -98, -100)), "step_down_db") == 0  # slow
    assert of(Case(history=levels(-90, -91, -90, -99, -90, -91)), "step_down_db") == 0  # it came back
    assert of(Case(history=levels(-90, -91, -90, -99, -100, -99, pcis=(9, 9, 9, 10, 10, 10))), "step_down_db") is None  # another cell
    assert of(Case(history=levels(-90, -91, -99, -99)), "step_down_db") is None  # too few


def test_antenna_ports_and_rank() -> None:
    dead = lte(ports=(-88.0, -100.0), rank=1)
    assert of(Case(readings=(loaded(dead),)), "port_spread_db") == 12
    assert of(Case(readings=(loaded(dead),)), "rank_one") == 1
    assert of(Case(readings=(loaded(lte(ports=(-88.0, -90.0), rank=1)),)), "same_stream") == 1
    assert of(Case(readings=(loaded(lte(rank=1, sinr_db=14.0)),)), "rank_one") == 0
    assert of(Case(readings=(loaded(lte(rank=2)),)), "rank_two_seen") == 1


def test_carriers_at_rest_and_under_load() -> None:
    case = Case(readings=(loaded(lte(), state="idle"), loaded(lte(), lte(role="scell", band="B7"))))
    assert of(case, "fewer_at_idle") == 1
    assert of(case, "one_carrier_complaint") is None
    assert of(replace(case, complaint="only one carrier is shown"), "one_carrier_complaint") == 1
    assert of(replace(case, complaint="slow in the evening"), "one_carrier_complaint") == 0


def test_carriers_that_do_not_join() -> None:
    heard = SeenCarrier(rat="lte", role="neighbour", band="B7", pci=12, rsrp_dbm=-95.0)
    case = Case(readings=(loaded(lte(), heard),), capability=Capability(max_dl_carriers=3.0))
    assert of(case, "joined_none") == 1
    assert of(replace(case, readings=(loaded(lte(), replace(heard, rsrp_dbm=-106.0)),)), "joined_none") == 0
    assert of(replace(case, capability=Capability(max_dl_carriers=3.0, bands=("B3", "B20"))), "joined_none") == 0
    assert of(replace(case, capability=None), "joined_none") is None
    assert of(replace(case, capability=Capability(max_dl_carriers=1.0)), "all_in_use") == 1


def test_an_inactive_secondary_carrier() -> None:
    case = Case(readings=(loaded(lte(), lte(role="scell", band="B7", active=False)),))
    assert of(case, "scell_inactive") == 1
    assert of(Case(readings=(loaded(lte(), lte(role="scell", band="B7")),)), "scell_inactive") is None


def test_low_band_although_a_wide_one_is_heard() -> None:
    low, wide = nr(band="n28", width_mhz=10.0, duplex="FDD", scs_khz=15), SeenCarrier(rat="nr", role="neighbour", band="n78", pci=41, rsrp_dbm=-96.0)
    assert of(Case(readings=(loaded(low, wide, mode="nr-sa"),)), "low_although_wide") == 1
    assert of(Case(readings=(loaded(low, replace(wide, rsrp_dbm=-112.0), mode="nr-sa"),)), "low_although_wide") == 0


def test_what_was_asked_and_what_is_seen() -> None:
    asked = Asked(mode="lte", bands=("B3", "B7"))
    off = lte(band="B20", width_mhz=10.0)
    assert of(Case(asked=asked, readings=(loaded(off, state="idle"), loaded(off))), "not_in_force") == 2
    assert of(Case(asked=asked, readings=(loaded(off, state="idle"),)), "not_in_force") == 1
    assert of(Case(asked=asked, readings=(loaded(lte()),)), "not_in_force") == 0
    assert of(Case(asked=asked, readings=(loaded(lte(), lte(role="scell", band="B20")),)), "not_in_force") == 0  # secondary bands may be allowed
    assert of(Case(asked=Asked(mode="lte"), readings=(loaded(lte(), nr(role="pscell")),) * 2), "not_in_force") == 2
    assert of(Case(asked=Asked(mode="endc"), readings=(loaded(lte(), state="idle"),)), "not_in_force") == 0  # the 5G leg sleeps at rest
    assert of(Case(readings=(loaded(lte()),)), "not_in_force") is None


def test_heat_rain_and_leaves() -> None:
    cool = HistoryRow(temperature_c=55.0, down_mbps=100.0, sinr_db=20.0, carriers_under_load=3.0)
    hot = HistoryRow(temperature_c=80.0, down_mbps=50.0, sinr_db=20.0, carriers_under_load=1.0)
    assert of(Case(history=(cool, hot)), "hot_step") == 1
    assert of(Case(history=(cool, replace(hot, sinr_db=10.0))), "hot_step") == 0
    assert of(Case(history=(cool, replace(hot, down_mbps=70.0))), "hot_step") == 0
    assert of(Case(history=(cool,)), "hot_step") is None
    dry, wet = HistoryRow(rain_mm_h=0.0, rsrp_dbm=-95.0, band="n257"), HistoryRow(rain_mm_h=8.0, rsrp_dbm=-101.0, band="n257")
    assert of(Case(history=(dry, dry, wet)), "rain_on_mmwave") == 1
    low = tuple(replace(r, band="n78") for r in (dry, dry, wet))
    assert of(Case(history=low), "rain_on_mmwave") is None  # weather below 10 GHz is never evidence
    two_years = tuple(Month(number=m, year=y, rsrp_dbm=-105.0 if 5 <= m <= 10 else -98.0) for y in (2024, 2025) for m in range(1, 13))
    assert of(Case(months=two_years), "leaves_returned") == 1
    assert of(Case(months=two_years[:9]), "leaves_returned") == 0
    assert of(Case(months=two_years[:9]), "fell_once") == 1


def test_comparisons() -> None:
    inside, outside = Compared(label="built-in antenna", numbers={"rsrp": -104.0}), Compared(label="outdoor panel", numbers={"rsrp": -102.5})
    assert of(Case(comparison=(inside, outside)), "outdoor_gain_db") == 1.5
    alone, both = Compared(label="lte_only", numbers={"goodput_up_mbps": 12.0}, tests=3.0), Compared(label="nsa", numbers={"goodput_up_mbps": 5.0}, tests=3.0)
    assert of(Case(comparison=(alone, both)), "lte_only_gain", "up") == 2.4
    assert of(Case(comparison=(replace(alone, tests=2.0), both)), "lte_only_gain", "up") is None
    assert (
        of(
            Case(comparison=(Compared(label="video", numbers={"goodput_down_mbps": 5.0}), Compared(label="files", numbers={"goodput_down_mbps": 40.0}))),
            "kinds_apart",
        )
        == 8
    )


def test_restarts_from_outages_or_uptime() -> None:
    assert of(Case(outages=(Outage(uptime_after_h=0.02), Outage(uptime_after_h=0.05))), "restarts", "drops") == 1
    assert of(Case(outages=(Outage(uptime_after_h=300.0),)), "restarts", "drops") == 0
    later = HistoryRow(at=T0 + timedelta(hours=2), uptime_h=1.9)
    assert of(Case(outages=(Outage(at=T0),), history=(later,)), "restarts", "drops") == 1
    assert of(Case(outages=(Outage(at=T0),), history=(replace(later, uptime_h=500.0),)), "restarts", "drops") == 0


def test_uplink_power() -> None:
    sending = loaded(lte(tx_power_dbm=22.0), state="load_up")
    assert of(Case(readings=(sending,)), "headroom_db", "up") == 1  # class 3: 23 dBm, TS 36.101 6.2
    assert of(Case(readings=(sending,), capability=Capability(power_class_dbm=26.0)), "headroom_db", "up") == 4
    assert of(Case(readings=(loaded(lte(rsrp_dbm=-112.0), state="load_up"),)), "unread_power_rsrp", "up") == -112
    assert of(Case(readings=(sending,)), "unread_power_rsrp", "up") is None


def test_uplink_paths() -> None:
    tdd = loaded(nr(tx_power_dbm=14.0), state="load_up", mode="nr-sa")
    assert of(Case(readings=(tdd,)), "tdd_with_room", "up") == 1
    assert of(Case(readings=(loaded(nr(tx_power_dbm=22.0), state="load_up", mode="nr-sa"),)), "sa_at_limit", "up") == 1
    pair = loaded(lte(rsrp_dbm=-112.0, tx_power_dbm=23.0), nr(role="pscell", rsrp_dbm=-95.0), state="load_up", mode="endc")
    assert of(Case(readings=(pair,)), "weak_anchor", "up") == 1
    near = loaded(lte(rsrp_dbm=-104.0, tx_power_dbm=23.0), nr(role="pscell", rsrp_dbm=-95.0), state="load_up", mode="endc")
    assert of(Case(readings=(near,)), "weak_anchor", "up") == 0


def test_loss_needs_proof() -> None:
    # Wilson 95 %: 13 of 600 is 0.0127 or more; 3 of 600 is below 0.003
    lossy = {"probes_sent": 600.0, "probes_lost": 13.0, "first_hop_probes_sent": 600.0, "first_hop_probes_lost": 0.0}
    assert of(Case(measurement=measured(lossy)), "loss_before_gateway", "loss") == 0
    assert of(Case(measurement=measured(lossy | {"first_hop_probes_lost": 12.0})), "loss_before_gateway", "loss") == pytest.approx(12 / 13)
    assert of(Case(measurement=measured(lossy | {"probes_lost": 3.0})), "loss_before_gateway", "loss") is None
    alike = Case(measurement=measured(lossy, far_ends=(("A", 1200.0, 27.0), ("B", 1200.0, 30.0))))
    assert (of(alike, "beyond_and_alike", "loss"), of(alike, "one_far_end_only", "loss")) == (1, 0)
    single = Case(measurement=measured(lossy, far_ends=(("A", 1200.0, 27.0), ("B", 1200.0, 0.0))))
    assert (of(single, "beyond_and_alike", "loss"), of(single, "one_far_end_only", "loss")) == (0, 1)
    assert of(Case(measurement=measured(lossy)), "beyond_and_alike", "loss") is None


def test_failures() -> None:
    names = Case(measurement=measured({"connect_by_cached_address_ok": 12.0}, failures={"name_lookup": 5.0, "connect": 0.0}))
    assert of(names, "names_fail", "cannot_connect") == 1
    assert of(Case(measurement=measured({}, failures={"name_lookup": 5.0, "connect": 3.0})), "names_fail", "cannot_connect") == 0
    big = measured({"segments_delivered": 1.0}, failures={"transfer": 4.0, "connect": 0.0})
    assert of(Case(measurement=big), "big_packets_vanish", "cannot_connect") == 1
    assert of(Case(measurement=measured({}, texts={"address": "100.72.3.4"})), "shared_address", "cannot_connect") == 1  # RFC 6598
    assert of(Case(measurement=measured({}, texts={"address": "100.32.3.4"})), "shared_address", "cannot_connect") == 0
    assert of(Case(measurement=measured({"inbound_ok": 0.0}, texts={"address": "shared"})), "behind_shared", "cannot_connect") == 1


def test_caps() -> None:
    case = Case(plan=Plan(cap_gb=250.0, used_gb=262.0, after_cap_mbps=10.0), measurement=measured({"goodput_down_mbps": 9.6}))
    assert of(case, "cap_passed") == 1
    assert of(case, "plan_gap") == pytest.approx(-0.04)
    assert of(replace(case, plan=Plan()), "cap_passed") == 0
    assert of(replace(case, plan=None), "cap_passed") is None


def test_since_the_cap() -> None:
    before = tuple(replace(r, cap_passed=False) for r in rows((2, 200.0), (4, 200.0), (20, 180.0), (22, 180.0)))
    after = tuple(replace(r, cap_passed=True) for r in rows((2, 190.0), (4, 190.0), (20, 60.0), (22, 60.0)))
    case = Case(plan=Plan(cap_gb=100.0, used_gb=120.0), history=before + after)
    assert of(case, "evenings_since_cap") == 1
    flat = tuple(replace(r, cap_passed=True) for r in rows((2, 10.0), (4, 10.0), (20, 10.1), (22, 10.0)))
    assert of(replace(case, history=before + flat), "evenings_since_cap") == 0
    assert of(replace(case, history=before + flat), "all_since_cap") == 1


def test_rsrq_is_used_at_rest_only() -> None:
    # TS 36.214 5.1.3 with two ports: -13.01 dB is a full cell, -6.02 an empty one
    full = Case(readings=(loaded(lte(rsrq_db=-13.01, sinr_db=40.0), state="idle"),))
    assert of(full, "cell_load_idle") == pytest.approx(1.0, abs=0.01)
    assert of(Case(readings=(loaded(lte(rsrq_db=-6.02, sinr_db=40.0), state="idle"),)), "cell_load_idle") == pytest.approx(0.0, abs=0.01)
    assert of(Case(readings=(loaded(lte(rsrq_db=-13.0)),)), "cell_load_idle") is None
    assert of(Case(readings=(loaded(lte(rsrq_db=-13.0, sinr_db=9.0), state="idle"),)), "cell_load_idle") is None
    assert of(Case(readings=(loaded(nr(rsrq_db=-13.0), state="idle"),)), "cell_load_idle") is None


@settings(deadline=None, max_examples=60)
@given(st.floats(-20, 0), st.floats(-20, 0))
def test_rsrq_under_load_changes_nothing(a: float, b: float) -> None:
    first, second = (Case(readings=(loaded(lte(rsrq_db=x)), loaded(lte(rsrq_db=x), state="load_up"))) for x in (a, b))
    assert gather(first, "down") == gather(second, "down")


def test_one_layer_is_expected_where_one_port_hears_ten_db_more_and_the_rank_is_unread() -> None:
    two = expected_down_mbps(Case(readings=(loaded(lte(ports=(-90.0, -91.0))),)))
    near = expected_down_mbps(Case(readings=(loaded(lte(ports=(-90.0, -99.9))),)))
    one = expected_down_mbps(Case(readings=(loaded(lte(ports=(-90.0, -100.0))),)))
    assert two is not None
    assert two == near
    assert one == pytest.approx(0.9 * 4.0 * 0.18 * 100 / 0.9 * 0.9, rel=0.05)  # 0.6 log2(101) = 3.99 bit/s/Hz on 100 blocks, 10 % first errors: TR 36.942 Annex A
    assert one == expected_down_mbps(Case(readings=(loaded(lte(rank=1)),)))

"""Fulfilment against common practice and hand-worked margins."""

from __future__ import annotations

import math

import pytest

from bandwright.needs.catalogue import CATALOGUE, need_kind
from bandwright.needs.fulfilment import assess, margin_of, score_values
from bandwright.words.site import Hours, Need, Requirements

ALWAYS = Hours("Mon-Sun 00:00-24:00", tuple((d, 0, 1440) for d in range(7)))
WORK = Hours("Mon-Fri 09:00-17:00", tuple((d, 540, 1020) for d in range(5)))


def need(kind: str, hours: Hours = ALWAYS, weight: float = 1.0) -> Need:
    row = need_kind(kind)
    assert row is not None
    return Need(key=kind, kind=kind, requirements=row.requirements, hours=hours, weight=weight)


def values(down: float, up: float, loss: float, delay: float = 60.0, idle: float = 20.0) -> dict[str, float | None]:
    return {"goodput_down_mbps": down, "goodput_up_mbps": up, "loss_ratio": loss, "delay_loaded_down_ms": delay, "delay_loaded_up_ms": delay, "delay_idle_ms": idle}


def test_fast_down_but_starved_up_and_lossy_does_not_serve_a_video_call() -> None:
    # common practice, no source: 400 down, 3 up, half the packets lost
    result = assess(need("video call"), values(400, 3, 0.5))
    assert result.met is False
    assert result.limiting == "loss"


def test_balanced_and_clean_serves_a_video_call() -> None:
    # common practice, no source: 350 down, 40 up, no loss
    assert assess(need("video call"), values(350, 40, 0.0)).met is True


def test_idle_round_trip_near_20_ms_is_good_for_every_catalogued_use() -> None:
    # common practice, no source: about 20 ms on standalone 5G is good
    for row in CATALOGUE:
        asked = row.requirements.loaded_delay_ms
        assert asked is None or asked / 4 > 20.0


def test_margin_is_the_worst_log_ratio() -> None:
    asks = Requirements(downlink_mbps=10, uplink_mbps=5, loaded_delay_ms=100, loss_ratio=0.01)
    margin, limiting, missing = margin_of(asks, values(20, 20, 0.0, delay=50))
    assert margin == pytest.approx(math.log(2))  # both down and delay stand a factor 2 better: hand-worked
    assert limiting in {"downlink", "loaded_delay"}
    assert missing == ()


def test_what_was_not_measured_can_be_refuted_never_confirmed() -> None:
    no_upload: dict[str, float | None] = {"goodput_down_mbps": 50.0, "delay_loaded_down_ms": 40.0, "loss_ratio": 0.0}
    assert assess(need("video call"), no_upload).met is None
    assert assess(need("video call"), no_upload).missing == ("uplink",)
    assert assess(need("video call"), {**no_upload, "goodput_down_mbps": 1.0}).met is False


@pytest.mark.parametrize(("minute", "hours_out"), [(539.9, True), (540.0, False), (1019.9, False), (1020.0, True)])
def test_hours_on_both_sides_of_their_ends(minute: float, hours_out: bool) -> None:
    assert score_values([need("video call", WORK)], values(50, 10, 0), weekday=0, minute=minute).out_of_hours is hours_out


def test_score_weighs_active_needs_and_is_clipped() -> None:
    needs = [need("video call", ALWAYS, 3), need("large upload", ALWAYS, 1)]
    got = score_values(needs, values(400, 7 * math.exp(-0.5), 0), weekday=1, minute=700)
    # video call: uplink 7e^-.5 / 3 gives ln 1.4152 = .3473; large upload: exactly -.5 (hand-worked)
    assert got.value == pytest.approx((3 * math.log(7 * math.exp(-0.5) / 3) + 1 * -0.5) / 4)
    assert score_values(needs, values(400, 400, 0, delay=1), weekday=1, minute=700).value == 1.0


def test_failed_scores_minus_one_and_void_nothing() -> None:
    needs = [need("video call")]
    assert score_values(needs, {}, weekday=0, minute=0, failed=True).value == -1
    assert score_values(needs, {}, weekday=0, minute=0, void=True).value is None


def test_worst_direction_counts_for_delay_and_loss() -> None:
    base = values(50, 50, 0.0, delay=60)
    assert assess(need("video call"), {**base, "delay_loaded_up_ms": 900.0}).met is False
    without_probes = {k: v for k, v in base.items() if k != "loss_ratio"}
    assert assess(need("video call"), {**without_probes, "loss_down_ratio": 0.0, "loss_up_ratio": 0.2}).met is False


def test_what_a_full_load_overflows_does_not_count_as_the_lines_loss() -> None:
    assert assess(need("video call"), {**values(50, 50, 0.0), "loss_up_ratio": 0.2}).met is True
    assert assess(need("video call"), {**values(50, 50, 0.05), "loss_up_ratio": 0.0}).met is False


def test_every_row_names_its_source() -> None:
    for row in CATALOGUE:
        assert row.requirements.source
        asked = (row.requirements.downlink_mbps, row.requirements.uplink_mbps, row.requirements.loaded_delay_ms, row.requirements.loss_ratio)
        assert any(a is not None and a > 0 for a in asked)

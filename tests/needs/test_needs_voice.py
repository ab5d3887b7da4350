"""The E-model against the values ITU-T G.107 prints and follows from."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bandwright.errors import RangeError, UsageError
from bandwright.needs.voice import WIDEBAND_IE, EModel, codec, mos_of_r, rate_call, wideband_rating


def test_defaults() -> None:
    assert abs(EModel().rating - 93.206) < 5e-4  # ITU-T G.107 prints 93.2
    assert abs(mos_of_r(EModel().rating) - 4.409) < 5e-4


@pytest.mark.parametrize(("r", "mos"), [(93.2, 4.409), (90, 4.339), (80, 4.024), (70, 3.597), (60, 3.100), (50, 2.575), (-1, 1.0), (101, 4.5)])
def test_opinion_score(r: float, mos: float) -> None:
    assert abs(mos_of_r(r) - mos) < 5.1e-4  # ITU-T G.107 annex B


@pytest.mark.parametrize(("ms", "idd"), [(100, 0.0), (150, 0.164), (200, 3.044), (300, 14.761), (400, 24.070)])
def test_delay_alone(ms: float, idd: float) -> None:
    assert abs(EModel(absolute_ms=ms).delay_alone - idd) < 5.1e-4  # ITU-T G.107 7.4


@pytest.mark.parametrize(("ms", "r"), [(100, 90.664), (150, 89.539), (200, 85.805), (300, 72.666)])
def test_delay_with_its_echoes(ms: float, r: float) -> None:
    assert abs(EModel().over(ms).rating - r) < 5.1e-4


def test_loss() -> None:
    assert abs(EModel(loss_percent=1).equipment - 17.925) < 5e-4  # ITU-T G.107 7.5
    assert abs(EModel(loss_percent=1).rating - 75.28) < 5e-3
    assert abs(EModel(loss_percent=1, bpl=25.1).equipment - 3.640) < 5e-4
    assert abs(EModel(loss_percent=1, bpl=25.1).rating - 89.57) < 5.1e-3
    assert abs(EModel(ie=11, bpl=19, loss_percent=2).equipment - 19.00) < 5e-3
    assert abs(EModel(ie=11, bpl=19, loss_percent=2).rating - 74.21) < 5.1e-3
    both = EModel(ie=11, bpl=19, loss_percent=1).over(150)
    assert abs(both.rating - 74.34) < 5.1e-3
    assert abs(mos_of_r(both.rating) - 3.793) < 5.1e-4


def test_bursts_are_worse_than_the_same_loss_at_random() -> None:
    random = EModel(loss_percent=2, bpl=25.1).rating
    assert EModel(loss_percent=2, bpl=25.1, burst_ratio=3).rating < random


def test_calls() -> None:
    found = rate_call(mouth_to_ear_ms=150, loss_ratio=0.01, codec_name="G.729A")
    assert abs(found.r - 74.34) < 5.1e-3
    assert found.scale == "narrowband"
    assert rate_call(mouth_to_ear_ms=0, loss_ratio=0).mos == pytest.approx(4.409, abs=5e-4)
    assert codec("GSM-EFR").ie == 5  # ITU-T G.113 appendix I
    with pytest.raises(UsageError, match=r"G\.711"):
        codec("AMR 12.2")
    for delay, loss in ((-1, 0), (100, 1.1), (float("nan"), 0)):
        with pytest.raises(RangeError):
            rate_call(mouth_to_ear_ms=delay, loss_ratio=loss)


@pytest.mark.parametrize(("ie", "mos"), [(13, 4.337), (8, 4.42), (1, 4.49), (26, 4.02), (41, 3.51), (56, 2.92)])
def test_wideband(ie: float, mos: float) -> None:
    tolerance = 5.1e-4 if ie == 13 else 6e-3  # as many digits as are given
    assert abs(wideband_rating(ie_wb=ie).mos - mos) < tolerance  # ITU-T G.107.1, MOS at R/1.29
    assert wideband_rating(ie_wb=ie).scale == "wideband"


def test_wideband_modes() -> None:
    assert WIDEBAND_IE[12.65] == 13  # ITU-T G.113 appendix IV
    assert wideband_rating(ie_wb=13).r == 116


@settings(deadline=None)
@given(st.floats(0, 500), st.floats(0, 0.3), st.floats(0, 200), st.floats(0, 0.1))
def test_more_delay_or_loss_is_never_better(delay: float, loss: float, more_delay: float, more_loss: float) -> None:
    base = rate_call(mouth_to_ear_ms=delay, loss_ratio=loss)
    assert rate_call(mouth_to_ear_ms=delay, loss_ratio=loss + more_loss).r <= base.r + 1e-9
    # the echo terms of the model are not monotonic below a millisecond, so whole steps are compared
    if delay > 1:
        assert rate_call(mouth_to_ear_ms=delay + more_delay, loss_ratio=loss).r <= base.r + 0.1

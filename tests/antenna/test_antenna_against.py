"""A heading against the best so far: the change, its noise by hand and by simulation, the marks, and the fitted curve."""

from __future__ import annotations

import math

import numpy as np
import pytest

from bandwright.antenna.aiming import AimReading, against_best, fit_heading, fitted_curve, marks


def stay(heading: float, values: list[float], at_s: float) -> list[AimReading]:
    return [AimReading(at_s=at_s + k, heading_deg=heading, value_db=v) for k, v in enumerate(values)]


def test_the_change_is_the_difference_of_means_against_the_best_heading() -> None:
    before = stay(0, [-95, -95], 0) + stay(30, [-90, -92], 20) + stay(60, [-99, -99], 40)
    found = against_best(stay(45, [-88, -89], 60), before)
    assert found is not None
    assert found.best_deg == 30
    assert found.change_db == pytest.approx(2.5)
    assert against_best([], before) is None
    assert against_best(before, []) is None


def test_the_noise_by_hand() -> None:
    # Steady readings: fading at its floor of 0.6 dB, rounding 1/12, drift 0.7 dB with exp(-t/120 s), four readings each; 1.645 sigma.
    before, new = stay(0, [-90.0] * 4, 0), stay(30, [-91.0] * 4, 60)
    found = against_best(new, before)
    assert found is not None
    variance = (0.36 + 1 / 12) * (1 / 4 + 1 / 4) + 2 * 0.49 * (1 - math.exp(-60 / 120))
    assert found.noise_db == pytest.approx(1.645 * math.sqrt(variance), rel=1e-9)


def test_the_noise_holds_what_it_says_where_fading_and_drift_are_as_assumed() -> None:
    rng = np.random.default_rng(7)
    held = 0
    for _ in range(400):
        correlation = math.exp(-12 / 120)
        first = 0.7 * rng.standard_normal()
        second = correlation * first + math.sqrt(1 - correlation**2) * 0.7 * rng.standard_normal()
        before = stay(0, [round(v) for v in -90.3 + first + 1.2 * rng.standard_normal(5)], 0)
        new = stay(45, [round(v) for v in -92.7 + second + 1.2 * rng.standard_normal(5)], 12)
        found = against_best(new, before)
        assert found is not None
        held += abs(found.change_db + 2.4) <= found.noise_db
    assert 0.84 <= held / 400 <= 0.97  # 90 %, and the size of fading is known from eight readings only


def test_marks_pool_the_visits_of_a_heading_and_keep_the_last_one_last() -> None:
    found = marks(stay(0, [-90, -90], 0) + stay(45, [-95], 10) + stay(0, [-94, -94], 20))
    assert [(m.heading_deg, m.level_db, m.readings) for m in found] == [(45.0, -95.0, 1), (0.0, -92.0, 4)]
    assert found[1].noise_db < found[0].noise_db


def test_the_fitted_curve_peaks_where_the_fit_says_and_brackets_it() -> None:
    readings = [r for k, h in enumerate(range(150, 280, 15)) for r in stay(h, [round(-90 - 12 * ((h - 212) / 60) ** 2) + w for w in (0.2, -0.1, 0.0)], 12.0 * k)]
    fit = fit_heading(readings, beamwidth_deg=60)
    assert fit.state == "found"
    assert fit.heading is not None
    curve = fitted_curve(readings, fit)
    top = max(curve, key=lambda row: row[2])
    assert abs(top[0] - fit.heading.value) < 3.0  # degrees: a step of the curve is 5
    assert top[2] == pytest.approx(-90.0, abs=0.7)  # dB, rounding of readings
    assert all(low <= middle <= high for _, low, middle, high in curve)
    assert fitted_curve(readings[:6], fit_heading(readings[:6], beamwidth_deg=60)) == ()

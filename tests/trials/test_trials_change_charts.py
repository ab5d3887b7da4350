"""Run lengths of control charts, and the bound on any method's delay."""

import math

import numpy as np
import pytest

from bandwright.trials.change_charts import (
    cusum_alarms,
    cusum_arl,
    ewma_alarms,
    ewma_arl,
    ewma_limits,
    ewma_values,
    least_delay_tests,
    siegmund_arl,
    two_sided_arl,
)


# Integral equation of Goel and Wu (1971), computed independently of this module with 24 to 200 points; k = .5.
@pytest.mark.parametrize(
    ("h", "shift", "arl"),
    [(4, 0, 335.4), (4, 0.5, 26.68), (4, 1, 8.383), (4, 2, 3.343), (5, 0, 930.9), (5, 0.5, 38.01), (5, 1, 10.38), (5, 2, 4.009)],
)
def test_one_sided_cusum_run_lengths(h, shift, arl):
    assert cusum_arl(k=0.5, h=h, shift=shift) == pytest.approx(arl, rel=5e-4)  # four printed digits


# Lucas and Crosier (1982) print 168 and 465 for the two-sided chart: from memory
@pytest.mark.parametrize(("h", "arl"), [(4, 167.68), (5, 465.44)])
def test_two_sided_cusum_run_length_without_a_change(h, arl):
    one = cusum_arl(k=0.5, h=h)
    assert two_sided_arl(one, one) == pytest.approx(arl, rel=1e-4)


# Siegmund (1985): (exp(-2 d b) + 2 d b - 1) / (2 d^2), b = h + 1.166; figures worked by hand from the formula
@pytest.mark.parametrize(("h", "shift", "arl"), [(4, 0, 338.1), (4, 0.5, 26.69), (4, 1, 8.343), (5, 0, 938.2), (5, 0.5, 38.02), (5, 1, 10.34)])
def test_siegmunds_approximation(h, shift, arl):
    assert siegmund_arl(k=0.5, h=h, shift=shift) == pytest.approx(arl, rel=5e-4)


# Lucas and Saccucci (1990), table 3 (500, 48.2, 11.1, 3.6 and so on); the digits here were computed independently of this module
@pytest.mark.parametrize(
    ("weight", "width", "arls"),
    [(0.25, 2.998, (499.8, 48.29, 11.14, 3.614)), (0.4, 3.054, (500.0, 71.2, 14.26, 3.522)), (0.1, 2.703, (371.9, 28.27, 9.745, 4.183))],
)
def test_two_sided_ewma_run_lengths(weight, width, arls):
    for shift, arl in zip((0, 0.5, 1, 2), arls, strict=True):
        assert ewma_arl(weight=weight, width=width, shift=shift) == pytest.approx(arl, rel=1e-3)


def test_handbook_ewma_example():
    # NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.4; the data are from memory
    data = [52, 47, 53, 49.3, 50.1, 47, 51, 50.1, 51.2, 50.5, 49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1]
    low, high = ewma_limits(target=50.0, sd=2.0539, weight=0.3)
    assert (low, high) == (pytest.approx(47.4116, abs=2e-4), pytest.approx(52.5884, abs=2e-4))
    found = ewma_values(data, weight=0.3, start=50.0)
    assert [round(x, 2) for x in found[:3]] == [50.6, 49.52, 50.56]
    assert round(found[-1], 2) == 51.99


@pytest.mark.parametrize("shift", [0.0, 1.0])
def test_run_lengths_agree_with_a_simulation(shift):
    rng = np.random.default_rng(11)
    cusum, ewma, tests = 0, 0, 60_000
    z = rng.standard_normal(tests) + shift
    cusum, ewma = len(cusum_alarms(z, k=0.5, h=4.0)), len(ewma_alarms(z, weight=0.25, width=2.998))
    up, down = cusum_arl(k=0.5, h=4.0, shift=shift), cusum_arl(k=0.5, h=4.0, shift=-shift)
    # 360 or more renewals each, run lengths nearly exponential: four standard errors
    assert tests / cusum == pytest.approx(two_sided_arl(up, down), rel=4 / math.sqrt(cusum))
    assert tests / ewma == pytest.approx(ewma_arl(weight=0.25, width=2.998, shift=shift), rel=4 / math.sqrt(ewma))


def test_the_bound_in_white_noise_is_lordens():
    # without slow parts S -> 1 and g -> 1 but for what is still being learnt of level and profile: n about 2 ln(ARL) / shift^2
    n = least_delay_tests(shift_sds=2.0, fast_sd=1e-6, day_sd=1e-6, tests_a_day=6, known_days=400)
    assert 2 * math.log(360 * 6) / 4 <= n <= 2 * math.log(360 * 6) / 4 * 1.5 + 1


def test_slow_noise_makes_any_method_slower():
    fast = least_delay_tests(shift_sds=1.5, fast_sd=0.25, day_sd=0.12, tests_a_day=6)
    slow = least_delay_tests(shift_sds=1.5, fast_sd=0.25, day_sd=0.8, tests_a_day=6)
    assert slow > 1.5 * fast

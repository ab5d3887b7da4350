"""Whether a new trial is worth it after a change."""

import math

import numpy as np
import pytest

from bandwright.advice.retrial import retrial
from bandwright.errors import UsageError

SMALL = np.eye(3) * 0.03**2


def test_a_drop_that_a_runner_up_does_not_share_is_worth_a_trial():
    found = retrial([0.5, 0.4, -0.3], SMALL, current=0, shares=[True, False, False], shift=-0.4, days=30, indifference=0.1)
    assert found.worth
    assert found.chance_better > 0.95
    assert found.setups[:2] == (0, 1)
    assert found.gain == pytest.approx(0.3, abs=0.02)  # .4 - (.5 - .4)


def test_a_drop_that_all_share_is_not():
    found = retrial([0.5, 0.35, 0.2], SMALL, current=0, shares=[True, True, True], shift=-0.4, days=30, indifference=0.1)
    assert not found.worth
    assert found.gain < 0.01


def test_a_better_current_setup_is_kept():
    assert not retrial([0.5, 0.45, 0.2], SMALL, current=0, shares=[True, False, False], shift=0.3, days=30, indifference=0.1).worth


def test_the_expected_gain_of_two_is_that_of_the_normal_maximum():
    # E max(X, Y) - E X for independent normals of sd s: d + ..., Clark (1961): a phi(d/a) + d Phi(d/a), d = E Y - E X, a = s sqrt 2
    s = math.hypot(0.2, 0.1)  # .2 of the trial and .1 of 90 days of ageing
    a, d = s * math.sqrt(2), 0.05
    expected = a * math.exp(-((d / a) ** 2) / 2) / math.sqrt(2 * math.pi) + d * 0.5 * math.erfc(-d / a / math.sqrt(2))
    found = retrial([0.0, 0.05], np.eye(2) * 0.04, current=0, shares=[True, False], shift=0.0, days=90, indifference=0.1)
    assert found.gain == pytest.approx(expected, abs=4 * 0.3 / math.sqrt(4000))  # Monte Carlo error of 4,000 draws


def test_sizes_that_disagree_are_refused():
    with pytest.raises(UsageError):
        retrial([0.1, 0.2], SMALL, current=0, shares=[True, True], shift=0.0, days=1, indifference=0.1)

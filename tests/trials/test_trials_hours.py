"""When rounds are run, and in what order."""

from __future__ import annotations

from collections import Counter
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from itertools import pairwise

import numpy as np
import pytest

from bandwright.trials.hours import hour_weights, next_in_hours, next_slot, round_order, slots_of_day
from bandwright.words.site import Hours

OFFICE = Hours(text="Mon-Fri 09:00-17:00", spans=tuple((d, 540, 1020) for d in range(5)))
EVENING = Hours(text="daily 18:00-22:00", spans=tuple((d, 1080, 1320) for d in range(7)))


def test_weights_are_time_declared_times_the_weight_of_the_need(make) -> None:
    weights = hour_weights((make.need(OFFICE, weight=2.0), make.need(EVENING, key="other")))
    # office: 5 days * 2 = 10 in each of 8 hours; evening: 7 days * 1 = 7 in each of 4 hours; 108 in all
    assert weights[9] == pytest.approx(10 / 108)
    assert weights[18] == pytest.approx(7 / 108)
    assert weights[3] == 0.0
    assert sum(weights) == pytest.approx(1.0)
    assert hour_weights(()) == (1 / 24,) * 24


def test_slots_lie_one_in_each_equal_share_of_the_days_weight(make) -> None:
    needs = (make.need(OFFICE, weight=3.0), make.need(EVENING, key="other"))
    monday = date(2026, 3, 2)
    for seed in range(40):
        slots = slots_of_day(needs, "UTC", seed, 4, monday)
        minutes = [s.hour * 60 + s.minute + s.second / 60 for s in slots]
        mass = [3 * min(max(m - 540, 0), 480) + min(max(m - 1080, 0), 240) for m in minutes]
        shares = [int(4 * x / (3 * 480 + 240)) for x in mass]
        assert shares == sorted(set(shares))
        assert all(b - a >= 30 for a, b in pairwise(minutes))


def test_slots_follow_the_weights_over_many_days(make) -> None:
    needs = (make.need(OFFICE, weight=1.0), make.need(EVENING, key="other", weight=1.0))
    hours = Counter(s.hour for day in range(700) for s in slots_of_day(needs, "UTC", 5, 4, date(2026, 3, 2) + timedelta(days=day)) if day % 7 < 5)
    n = sum(hours.values())
    assert set(hours) == {*range(9, 17), *range(18, 22)}
    assert max(abs(hours[h] / n - 1 / 12) for h in hours) < 0.025  # 2,000 draws, stratified; binomial sd 0.006


def test_days_without_weight_have_no_slots_and_local_time_is_kept(make) -> None:
    needs = (make.need(OFFICE),)
    assert slots_of_day(needs, "UTC", 1, 4, date(2026, 3, 7)) == ()  # a Saturday
    for s in slots_of_day(needs, "Europe/Paris", 1, 4, date(2026, 7, 6)):
        assert 7 <= s.hour < 15  # UTC+2 in summer
    design = replace(make.design(), needs=needs, start=datetime(2026, 3, 6, 18, 0, tzinfo=UTC))  # a Friday evening
    slot = design.start + timedelta(minutes=next_slot(design, earliest_min=0.0, rounds_per_day=4))
    assert slot.weekday() == 0


def test_a_persons_hours() -> None:
    saturday = datetime(2026, 3, 7, 12, 0, tzinfo=UTC)
    assert next_in_hours(OFFICE, "UTC", saturday) == datetime(2026, 3, 9, 9, 0, tzinfo=UTC)
    assert next_in_hours(EVENING, "UTC", saturday) == datetime(2026, 3, 7, 18, 0, tzinfo=UTC)
    assert next_in_hours(None, "UTC", saturday) == saturday
    inside = datetime(2026, 3, 9, 10, 30, tzinfo=UTC)
    assert next_in_hours(OFFICE, "UTC", inside) == inside


def test_the_order_of_a_round_is_random_and_comes_from_the_seed_alone() -> None:
    three = ["a", "b", "c"]
    orders = Counter(round_order(three, lead="a", seed=9, number=n) for n in range(600))
    assert len(orders) == 6
    assert min(orders.values()) > 60  # 100 expected each, binomial sd 9
    assert round_order(three, lead="a", seed=9, number=4) == round_order(three, lead="b", seed=9, number=4)
    assert [round_order(three, lead=None, seed=s, number=1) for s in range(9)] != [round_order(three, lead=None, seed=0, number=1)] * 9


def test_orders_of_pairs_and_of_many() -> None:
    pair = round_order(["a", "b"], lead="a", seed=1, number=1)
    assert sorted(pair) == ["a", "b"]
    twice = round_order(["a", "b"], lead="a", seed=1, number=1, twice=True)
    assert twice == (*pair, *reversed(pair))
    assert round_order(["a"], lead="a", seed=1, number=1, twice=True) == ("a", "a")
    many = round_order(list("abcde"), lead="c", seed=1, number=1)
    assert (many[0], many[-1], len(many)) == ("c", "c", 6)
    assert sorted(many[1:-1]) == ["a", "b", "d", "e"]
    assert np.all([len(round_order(list("abc"), lead="a", seed=1, number=n)) == 3 for n in range(5)])

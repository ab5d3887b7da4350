"""Outages from polls, and availability with its interval."""

import math
from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import numpy as np
import pytest

from bandwright.errors import UsageError
from bandwright.needs.availability import Observed, Outage, OutageFold, Poll, availability, availability_by_hour, outages_of, unavailability_interval
from bandwright.needs.hours import parse_hours

START = datetime(2026, 3, 2, tzinfo=UTC)  # a Monday


def _polls(down, *, days, every_s=30.0, jitter=None):
    """Polls of a service that is down in the given (from_s, to_s): a failed poll is asked again after 3 s."""
    t, out, i = 0.0, [], 0
    while t < days * 86400:
        while i < len(down) and t >= down[i][1]:
            i += 1
        is_down = i < len(down) and down[i][0] <= t
        if is_down:
            out.append(Poll(START + timedelta(seconds=t), "radio", t))
            t += 3.0
            while i < len(down) and t >= down[i][1]:
                i += 1
            is_down = i < len(down) and down[i][0] <= t
        out.append(Poll(START + timedelta(seconds=t), "radio" if is_down else None, t))
        t += every_s - (3.0 if is_down else 0.0)
    return out


def test_start_and_end_lie_midway_between_the_polls_that_differ():
    outages, observed = outages_of([Poll(START + timedelta(seconds=s), phase, s) for s, phase in ((0, None), (30, None), (60, "registration"), (90, "radio"), (120, None))])
    assert outages == (
        Outage(start=START + timedelta(seconds=45), end=START + timedelta(seconds=105), phase="registration", start_give_or_take_s=15, end_give_or_take_s=15, polls=2),
    )
    assert observed == (Observed(START, START + timedelta(seconds=120)),)


def test_every_outage_of_two_polls_or_more_is_listed_within_one_interval():
    rng = np.random.default_rng(7)
    starts = np.sort(rng.uniform(0, 60 * 86400, 500))
    down = []
    for s in starts:
        length = float(np.exp(rng.normal(np.log(240), 1.0)))
        if not down or s > down[-1][1] + 120:
            down.append((float(s), float(s) + length))
    found, _ = outages_of(_polls(down, days=60))
    long_enough = [d for d in down if d[1] - d[0] >= 60.0 and d[1] < 60 * 86400 - 60]
    listed = 0
    errors = []
    for begin, end in long_enough:
        near = [o for o in found if abs((o.start - START).total_seconds() - begin) <= 30 and abs((o.end - START).total_seconds() - end) <= 30]
        listed += bool(near)
        errors += [abs((o.start - START).total_seconds() - begin) for o in near] + [abs((o.end - START).total_seconds() - end) for o in near]
    assert listed >= 0.99 * len(long_enough) > 300
    assert float(np.median(errors)) <= 8  # half of half an interval: errors are even over 0 to 15 s
    for o in found:  # none false
        assert any(a - 31 <= (o.start - START).total_seconds() <= b + 31 for a, b in down)


def test_a_clock_step_makes_no_outage_and_hides_none():
    polls = []
    for i in range(200):
        step = timedelta(hours=-1) if i >= 100 else timedelta(0)
        polls.append(Poll(START + timedelta(seconds=30 * i) + step, "radio" if 120 <= i < 124 else None, 30.0 * i))
    outages, observed = outages_of(polls)
    assert len(outages) == 1
    assert outages[0].seconds == 120.0
    assert len(observed) == 1
    assert (observed[0].end - observed[0].start).total_seconds() == 199 * 30


def test_time_in_which_nobody_looked_is_neither_up_nor_down():
    polls = [Poll(START + timedelta(seconds=s), p, s) for s, p in ((0, None), (30, None), (60, "radio"), (36060, None), (36090, None))]
    outages, observed = outages_of(polls)
    assert [o.open_end for o in outages] == [True]
    assert outages[0].seconds == 15.0
    assert sum((o.end - o.start).total_seconds() for o in observed) == 90.0
    fold = OutageFold()
    for p in polls[:3]:
        fold.poll(p)
    assert fold.is_down
    outage, stretch = fold.so_far()
    assert outage.end is None
    assert outage.seconds is None
    assert stretch == Observed(START, START + timedelta(seconds=60))


def test_availability_counts_only_the_hours_that_matter():
    office = parse_hours("Mon-Fri 09:00-17:00")
    observed = [Observed(START, START + timedelta(days=7))]
    outages = [
        Outage(start=START + timedelta(hours=8, minutes=50), end=START + timedelta(hours=9, minutes=10), phase="radio", start_give_or_take_s=15),
        Outage(start=START + timedelta(days=5, hours=10), end=START + timedelta(days=5, hours=11), phase="radio", start_give_or_take_s=15),  # a Saturday
    ]
    found = availability(outages, observed, hours=office, zone=UTC, label="office")
    assert found.observed_h == 40.0
    assert found.down_s == 600.0
    assert found.share == pytest.approx(1 - 600 / 144000)
    assert found.outages == 1
    assert found.few
    whole = availability(outages, observed, hours=None, zone=UTC, label="all")
    assert whole.down_s == 20 * 60 + 3600
    hours = availability_by_hour(outages, observed, zone=UTC)
    assert [(h.hour, h.down_s) for h in hours if h.down_s] == [(8, 600.0), (9, 600.0), (10, 3600.0)]
    assert all(h.observed_h == 7.0 for h in hours)


def test_the_night_of_the_clock_change_has_25_hours():
    zone = ZoneInfo("Europe/Madrid")
    observed = [Observed(datetime(2026, 10, 24, 22, tzinfo=UTC), datetime(2026, 10, 25, 23, tzinfo=UTC))]
    found = availability([], observed, hours=parse_hours("always"), zone=zone, label="all")
    assert found.observed_h == pytest.approx(25.0)
    hours = availability_by_hour([], observed, zone=zone)
    assert hours[2].observed_h == 2.0
    assert hours[3].observed_h == 1.0


def test_nothing_observed_is_refused():
    with pytest.raises(UsageError, match="no observed time"):
        availability([], [], hours=None, zone=UTC, label="all")


def test_without_outages_the_upper_limit_is_three_episodes_of_ten_minutes():
    low, high = unavailability_interval([], observed_s=30 * 86400)
    assert low == 0.0
    assert high == pytest.approx(3 * 600 / (30 * 86400))
    assert unavailability_interval([7200.0], observed_s=30 * 86400)[1] == pytest.approx(3 * 7200 / (30 * 86400))


# coverage of the stated 90 % over 60 days: few, middle and many episodes, each a cluster of one to four outages, lengths lognormal
@pytest.mark.parametrize(("per_month", "sd"), [(4, 1.0), (15, 1.2), (60, 1.0)])
def test_intervals_cover_what_they_say(per_month, sd):
    rng = np.random.default_rng([per_month, 1])
    days, runs = 60.0, 200
    mean_ln = math.log(300.0)
    truth = per_month / 30.0 / 86400.0 * math.exp(mean_ln + sd * sd / 2) * 2.5  # 2.5 outages a cluster
    covered = poor = 0
    for _ in range(runs):
        spans = []
        for at in np.sort(rng.uniform(0, days * 86400, rng.poisson(per_month * days / 30))):
            t = float(at)
            for _ in range(int(rng.integers(1, 5))):
                length = float(np.exp(rng.normal(mean_ln, sd)))
                spans.append((t, t + length))
                t += length + float(rng.uniform(60, 3600))
        outages = [Outage(start=START + timedelta(seconds=a), end=START + timedelta(seconds=b), phase="radio", start_give_or_take_s=15) for a, b in spans]
        found = availability(outages, [Observed(START, START + timedelta(days=days))], hours=None, zone=UTC, label="all")
        covered += 1 - found.high <= truth <= 1 - found.low
        # minutes taken as independent: a binomial interval of the downtime
        minutes, down = days * 1440, found.down_s / 60
        half = 1.645 * math.sqrt(max(down, 1.0) * (1 - down / minutes))
        poor += down - half <= truth * minutes <= down + half
    assert 0.82 <= covered / runs <= 0.98  # .90, and the binomial error of 200 runs: .02
    assert poor / runs < covered / runs - 0.2

"""The bank of filters and the signatures of candidate changes, against direct generalised least squares and its own model."""

import math

import numpy as np
import pytest

from bandwright.trials.change_bank import Bank, BankKind, Moment
from bandwright.trials.change_loss import LossBank

PLAIN = BankKind(floor=1.0, matters=0.0, fast_sds=(0.5,), day_sds=(0.8,), clip=1e9)


def _times(n, rng):
    at = np.cumsum(rng.uniform(2.0, 6.0, n))
    return [Moment(float(t), float(t % 24), bool((t // 24) % 7 >= 5)) for t in at]


def _covariance(kind, moments):
    """The model's covariance of the observations, written out: white 1, waves of the day, weekend, two wanders, a slow walk, a level."""
    t = np.array([m.at_h for m in moments])
    gap = np.abs(t[:, None] - t)
    angle = np.array([m.hour for m in moments]) * math.pi / 12
    v = np.eye(t.size) + 20.0**2
    for k, sd in ((1, 0.7), (2, 0.4), (3, 0.25)):
        v += sd**2 * np.cos(k * (angle[:, None] - angle))
    weekend = np.array([float(m.weekend) for m in moments])
    v += 0.25**2 * weekend[:, None] * weekend
    v += kind.fast_sds[0] ** 2 * np.exp(-gap / kind.fast_h) + kind.day_sds[0] ** 2 * np.exp(-gap / kind.day_h)
    v += 0.03**2 / 24 * np.minimum(t[:, None] - t[0], t - t[0])
    return v


def test_signature_sums_are_those_of_direct_generalised_least_squares():
    # independent derivation: A = x' V^-1 x and B = x' V^-1 (y - y_1) with the whole covariance inverted, for every candidate and shape
    rng = np.random.default_rng(5)
    moments = _times(34, rng)
    y = 3.0 + rng.standard_normal(len(moments))
    bank = Bank(PLAIN)
    for m, value in zip(moments, y, strict=True):
        bank.observe(m, float(value))
    times, a, b = bank.signature_sums()
    inverse = np.linalg.inv(_covariance(PLAIN, moments))
    at = np.array([m.at_h for m in moments])
    hour = np.array([m.hour for m in moments])
    assert times.size == 33
    for c, when in enumerate(times):
        for s, (low, high, _) in enumerate(PLAIN.shapes):
            x = ((at > when) & (hour >= low) & (hour < high)).astype(float)
            assert a[0, c, s] == pytest.approx(x @ inverse @ x, rel=1e-8, abs=1e-10)
            assert b[0, c, s] == pytest.approx(x @ inverse @ (y - y[0]), rel=1e-7, abs=1e-8)


def test_the_odds_are_the_integral_over_shift_and_noise():
    # independent derivation: P(y | change) / P(y | none) by quadrature over sigma^2 (inverse gamma) and the shift, one filter, one candidate
    kind = BankKind(floor=1.0, matters=0.0, fast_sds=(0.5,), day_sds=(0.8,), clip=1e9, shapes=((0, 24, 1.0),), kappas=(1.5,))
    rng = np.random.default_rng(9)
    moments = _times(14, rng)
    y = rng.standard_normal(14) + np.where(np.arange(14) >= 9, 1.5, 0.0)
    bank = Bank(kind)
    for i, (m, value) in enumerate(zip(moments, y, strict=True)):
        (bank.observe if i == 9 else bank.learn)(m, float(value))
    when, a, b = bank.signature_sums()
    v = _covariance(kind, moments)
    x = (np.array([m.at_h for m in moments]) > when[0]).astype(float)
    d = y - y[0]

    def ln_evidence(cov):
        # y ~ N(0, s2 cov), s2 ~ IG(2, 2): a multivariate t, in logs and up to a constant of n
        quad = d @ np.linalg.solve(cov, d)
        return -0.5 * np.linalg.slogdet(cov)[1] - (2 + 7) * math.log(2 + quad / 2)

    ln_ratio = ln_evidence(v + 1.5**2 * np.outer(x, x)) - ln_evidence(v)
    ln_mass = math.log((moments[9].at_h - moments[8].at_h) / (180 * 24))
    found = bank.shift()
    assert found.ln_odds - ln_mass == pytest.approx(ln_ratio, abs=1e-6)
    assert found.size == pytest.approx(b[0, 0, 0] / (a[0, 0, 0] + 1.5**-2), rel=1e-9)


def _draw_from_the_model(rng, kind, days, shift_at=None, shift=0.0, sigma=0.1):
    j_fast, j_day = rng.choice(kind.fast_sds), rng.choice(kind.day_sds)
    fast, day = rng.normal(0, j_fast), rng.normal(0, j_day)
    waves = rng.normal(0, (0.7, 0.7, 0.4, 0.4, 0.25, 0.25))
    out, last = [], None
    for d in range(days):
        for i in range(6):
            at = 24 * d + 4 * (i + rng.random())
            if last is not None:
                f, g = math.exp(-(at - last) / kind.fast_h), math.exp(-(at - last) / kind.day_h)
                fast = f * fast + rng.normal(0, j_fast * math.sqrt(1 - f * f))
                day = g * day + rng.normal(0, j_day * math.sqrt(1 - g * g))
            w = at % 24 * math.pi / 12
            wave = waves @ (math.cos(w), math.sin(w), math.cos(2 * w), math.sin(2 * w), math.cos(3 * w), math.sin(3 * w))
            moved = shift if shift_at is not None and at > shift_at else 0.0
            out.append((Moment(at, at % 24), 3.0 + sigma * (wave + fast + day + rng.standard_normal() + moved)))
            last = at
    return out


def test_the_stated_chance_of_a_change_is_its_frequency():
    # data from the detector's own model and prior (shift from the two kappas, time even over the watch): calibration
    kind = BankKind(floor=0.06, matters=0.0, shapes=((0, 24, 1.0),), per_h=0.5 / (14 * 24))
    rng = np.random.default_rng(3)
    stated, happened = [], []
    for _ in range(80):
        change = rng.random() < 1 / 3  # odds .5 : 1, as the prior mass of 14 days says
        at = 24 * (6 + 14 * rng.random()) if change else None
        data = _draw_from_the_model(rng, kind, 20, at, rng.normal(0, rng.choice(kind.kappas)), sigma=0.06 * math.sqrt(2 / rng.gamma(2.0)))
        bank = Bank(kind)
        for m, y in data:
            (bank.learn if m.at_h < 144 else bank.observe)(m, float(y))
        odds = math.exp(bank.shift().ln_odds)
        stated.append(odds / (1 + odds))
        happened.append(change)
    stated, happened = np.array(stated), np.array(happened)
    # mean stated chance against the share: three standard errors of 80 draws; and it must tell the two apart
    assert abs(stated.mean() - happened.mean()) < 3 * math.sqrt((stated * (1 - stated)).sum()) / 80
    assert stated[happened].mean() > stated[~happened].mean() + 0.1
    assert (stated[~happened] > 0.9).mean() < 0.1


def test_since_size_and_hours_come_with_the_alarm():
    rng = np.random.default_rng(8)
    kind = BankKind(floor=0.06, matters=0.10)
    bank = Bank(kind)
    for m, y in _draw_from_the_model(rng, kind, 40):
        evening = m.at_h > 30 * 24 and m.hour >= 16
        (bank.learn if m.at_h < 144 else bank.observe)(m, float(y) - (0.5 if evening else 0.0))
    found = bank.shift()
    assert found.ln_odds > 4
    assert abs(found.since_h - 30 * 24) < 36
    assert found.since_low_h <= found.since_h <= found.since_high_h
    assert found.shapes[1] > 0.8  # 16-24
    assert -0.7 < found.size < -0.25


def test_memory_does_not_grow_and_the_mass_of_dropped_candidates_is_kept():
    bank = Bank(BankKind(floor=0.06, matters=0.1))
    rng = np.random.default_rng(2)
    at = 0.0
    for _ in range(400):
        at += 4.0
        bank.observe(Moment(at, at % 24), float(rng.standard_normal()))
    assert bank.candidates == 36
    assert float(bank._mass[:36].sum()) == pytest.approx((at - 4.0) / (180 * 24), rel=1e-9)
    times = bank.signature_sums()[0]
    assert (np.diff(times) > 0).all()


def test_prior_mass_from_an_event_makes_its_time_likelier():
    rng = np.random.default_rng(4)
    kind = BankKind(floor=0.06, matters=0.1)
    data = _draw_from_the_model(rng, kind, 20, 15 * 24, -2.0)
    told, untold = Bank(kind), Bank(kind)
    for m, y in data:
        if m.at_h > 15 * 24 + 2 and told is not None and not told._extra and told._mass.max() < 0.1:
            told.add_mass(15 * 24 + 1, 0.2)
        for bank in (told, untold):
            (bank.learn if m.at_h < 144 else bank.observe)(m, float(y))
    assert told.shift().ln_odds > untold.shift().ln_odds + 1.5
    assert told.shift().since_high_h - told.shift().since_low_h <= untold.shift().since_high_h - untold.shift().since_low_h + 1e-9


def test_a_stalled_test_counts_as_low_as_any_may():
    bank, other = Bank(BankKind(floor=0.06, matters=0.1)), Bank(BankKind(floor=0.06, matters=0.1))
    for i in range(40):
        for b in (bank, other):
            b.learn(Moment(4.0 * i, 4.0 * i % 24), 3.0 + 0.1 * (-1) ** i)
    bank.stalled(Moment(160.0, 16.0))
    other.observe(Moment(160.0, 16.0), -1e6)
    assert bank.shift() == other.shift()
    assert bank.shift().size < 0


def test_an_accepted_change_is_forgotten_and_the_new_level_taken():
    rng = np.random.default_rng(6)
    kind = BankKind(floor=0.06, matters=0.1)
    bank = Bank(kind)
    for m, y in _draw_from_the_model(rng, kind, 30, 20 * 24, -6.0):
        (bank.learn if m.at_h < 144 else bank.observe)(m, float(y))
        s = bank.shift()
        if s is not None and s.ln_odds > 4:
            bank.accept()
            assert bank.shift() is None
            assert bank.tests <= 80
    expected, _ = bank.predicted(Moment(30 * 24.0, 0.0))
    assert abs(expected - (3.0 - 0.6)) < 0.35
    assert bank.shift().ln_odds < 0


def test_loss_appearing_is_found_and_rare_loss_is_not():
    bank = LossBank()
    for i in range(60):
        bank.learn(4.0 * i, hit=i % 30 == 0)
    for i in range(60, 120):
        bank.observe(4.0 * i, hit=i % 30 == 0)
    assert bank.shift().ln_odds < 0
    for i in range(120, 150):
        bank.observe(4.0 * i, hit=i % 2 == 0)
    found = bank.shift()
    assert found.ln_odds > 4
    assert found.size > 0.2
    assert abs(found.since_h - 480) < 24


def test_the_ratio_of_the_loss_channel_by_hand():
    # before 0 of 16, after 8 of 8, counts over 1.6: Beta(.6, 12) and Beta(1, 2) marginals, worked with the beta function
    bank = LossBank()
    for i in range(16):
        bank.learn(float(i), hit=False)
    bank.observe(16.0, hit=True)
    for i in range(17, 24):
        bank.learn(float(i), hit=True)

    def ln_beta(a, b):
        return math.lgamma(a) + math.lgamma(b) - math.lgamma(a + b)

    none = ln_beta(0.6 + 5, 12 + 10) - ln_beta(0.6, 12)
    changed = ln_beta(0.6, 12 + 10) - ln_beta(0.6, 12) + ln_beta(1 + 5, 2) - ln_beta(1, 2)
    assert bank.shift().ln_odds == pytest.approx(changed - none + math.log(1.0 / (180 * 24)), rel=1e-9)

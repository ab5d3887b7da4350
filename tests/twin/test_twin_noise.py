from __future__ import annotations

import numpy as np
import pytest

from bandwright.twin.noise import Batch, Part, Process, key_of, unit_normals, unit_uniform, unit_uniforms

LAGS = (0.0, 1.0, 2.0, 4.0, 8.0)


def _draws(part: Part, *, seeds: int = 300, times: int = 40) -> np.ndarray:
    """Values at LAGS after times far apart, for many seeds: one row each."""
    out = np.empty((seeds, times, len(LAGS)))
    for seed in range(seeds):
        batch = Batch(seed, [Process("x", (part,), at_s=LAGS)])
        for j in range(times):
            out[seed, j] = batch.at(1.7e9 + 97.0 * j)
    return out.reshape(-1, len(LAGS))


def test_a_part_has_the_covariance_of_an_ornstein_uhlenbeck_process():
    x = _draws(Part("x", 2.0, 1.0))
    found = (x[:, :1] * x).mean(axis=0)
    expected = np.exp(-np.array(LAGS) / 2.0)  # Uhlenbeck and Ornstein 1930: exp(-|dt| / tau)
    assert np.abs(found - expected).max() < 0.03  # 12,000 draws: standard error about 0.01


def test_a_part_is_normal_at_each_time():
    x = _draws(Part("x", 2.0, 1.0))[:, 0]
    assert abs(x.mean()) < 0.03
    assert abs(x.std() - 1.0) < 0.03
    assert abs((x**4).mean() - 3.0) < 0.25  # fourth moment of the normal distribution
    assert abs((np.abs(x) < 1.96).mean() - 0.95) < 0.01


def test_a_held_part_stays_within_its_cell_and_is_new_in_the_next():
    batch = Batch(3, [Process("day", (Part("day", 86400.0, 1.0, held=True),))])
    midnight = 20000 * 86400.0
    first, last, next_day = (float(batch.at(t)[0]) for t in (midnight, midnight + 86399.9, midnight + 86400.0))
    assert first == last
    assert first != next_day


def test_shares_add_up_to_the_variance():
    batch = [Batch(s, [Process("x", (Part("a", 5.0, 0.3), Part("b", 500.0, 0.5), Part("c", 1.0, 0.2, held=True)))]) for s in range(400)]
    x = np.array([[b.at(1e9 + 5000.0 * j)[0] for j in range(20)] for b in batch])
    assert abs(x.var() - 1.0) < 0.06  # 400 seeds


def test_parts_of_the_same_key_are_the_same_noise_in_two_batches_and_of_another_key_are_not():
    shared = Part("cell", 60.0, 1.0)
    one = Batch(7, [Process("x", (shared,)), Process("y", (Part("own", 60.0, 1.0),))])
    two = Batch(7, [Process("z", (shared,), at_s=(0.0, 1.0))])
    times = 1e9 + 600.0 * np.arange(300)
    a = np.array([one.at(t) for t in times])
    b = np.array([two.at(t)[0] for t in times])
    assert np.array_equal(a[:, one["x"].start], b)
    assert abs(np.corrcoef(a[:, 0], a[:, 1])[0, 1]) < 0.2  # 300 draws: standard error 0.06


def test_values_wanted_ahead_are_those_of_the_later_time():
    part = Part("x", 30.0, 1.0)
    ahead = Batch(1, [Process("x", (part,), at_s=(0.0, 7.0, 11.0))])
    now = Batch(1, [Process("x", (part,))])
    assert np.allclose(ahead.at(1e9), [now.at(1e9 + dt)[0] for dt in (0.0, 7.0, 11.0)], atol=0)


def test_uniform_processes_come_last_and_are_even():
    batch = Batch(5, [Process("u", (Part("u", 1.0, 1.0, held=True),), uniform=True), Process("x", (Part("x", 9.0, 1.0),))])
    assert batch["x"] == slice(0, 1)
    assert batch["u"] == slice(1, 2)
    u = np.array([batch.at(1e9 + j)[1] for j in range(4000)])
    assert u.min() > 0
    assert u.max() < 1
    counts = np.histogram(u, bins=10, range=(0, 1))[0]
    assert ((counts - 400.0) ** 2 / 400.0).sum() < 27.9  # chi-square, 9 degrees of freedom, p = .001 (from memory)


@pytest.mark.parametrize("make", [unit_normals, unit_uniforms])
def test_neighbouring_keys_give_unrelated_numbers(make):
    x = make(np.arange(20000, dtype=np.uint64))
    assert abs(np.corrcoef(x[:-1], x[1:])[0, 1]) < 0.03  # standard error 0.007


def test_keys_differ_by_word_and_by_where_words_part():
    keys = {key_of(1, "a"), key_of(2, "a"), key_of(1, "b"), key_of("1a"), key_of("", "1", "a"), key_of(1, "a", "")}
    assert len(keys) == 6
    assert key_of(1, "a") == key_of("1", "a")


def test_a_single_number_is_that_of_the_array():
    keys = [0, 1, 2**63, 2**64 - 1, *(key_of(i) for i in range(100))]
    assert [unit_uniform(k) for k in keys] == unit_uniforms(np.array(keys, dtype=np.uint64)).tolist()


def test_tilings_of_one_part_are_unrelated():
    """Numbers of one part's values at times many widths apart: none is another's, shifted."""
    batch = Batch(2, [Process("x", (Part("x", 10.0, 1.0),))])
    x = np.array([batch.at(200.0 * j)[0] for j in range(3000)])
    spectrum = np.abs(np.fft.rfft(x - x.mean())) ** 2
    lagged = np.fft.irfft(spectrum)[1:400] / np.fft.irfft(spectrum)[0]
    assert np.abs(lagged).max() < 0.09  # 399 lags of white noise, standard error .018: five of them

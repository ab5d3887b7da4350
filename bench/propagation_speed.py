"""How fast the terrain arithmetic is: one full profile and a fan, compiled against the plain twin in the same run.

Usage: python bench/propagation_speed.py     Best of several repeats; one core; kernels warm (the first use is timed apart).
"""

from __future__ import annotations

import time
from collections.abc import Callable

import numpy as np

from bandwright.propagation.kernels import ensemble_losses_db, fan, fan_plain, is_compiled, profile_loss_db
from bandwright.propagation.profile import profile
from bandwright.propagation.terrain import p1812


def best_s(call: Callable[[], object], repeats: int) -> float:
    times = []
    for _ in range(repeats):
        start = time.perf_counter()
        call()
        times.append(time.perf_counter() - start)
    return min(times)


def ground(rng: np.random.Generator, points: int, roughness_m: float) -> np.ndarray:
    return 200.0 + np.cumsum(rng.normal(0.0, roughness_m, points))


def main() -> None:
    rng = np.random.default_rng(20261125)
    print(f"compiled before: {is_compiled()}")
    start = time.perf_counter()
    small = np.stack([ground(rng, 21, 2.0) for _ in range(2)])
    fan(small, step_m=30.0, every=5, centre_height_m=30.0, far_height_m=6.0, frequency_ghz=1.8, on_compile=print)
    ensemble_losses_db(distance_km=[0, 1, 2], ground_m=[1, 2, 3], tx_heights_m=[30], rx_heights_m=[6], frequencies_ghz=[1.8], delta_ns=[45])
    print(f"first use: {time.perf_counter() - start:.2f} s\n")

    print(f"{'one full profile of P.1812':34} {'compiled µs':>12} {'plain µs':>10} {'times':>7}")
    for points in (200, 500, 1000):
        path = profile(distance_km=np.linspace(0.0, 15.0, points).tolist(), ground_m=ground(rng, points, 3.0).tolist())
        arrays = {"distance_km": path.distance_km, "ground_m": path.ground_m, "clutter_m": path.clutter_m, "zone": path.zone}

        members = 200
        spread = {"tx_heights_m": [30.0] * members, "rx_heights_m": np.linspace(2.0, 12.0, members).tolist(), "frequencies_ghz": [1.8] * members, "delta_ns": [45.0] * members}
        lists = {k: v.tolist() for k, v in arrays.items()}
        quick = best_s(lambda lists=lists, spread=spread: ensemble_losses_db(**lists, **spread), 9) / members
        alone = best_s(lambda arrays=arrays: [profile_loss_db(**arrays, frequency_ghz=1.8, tx_height_m=30.0, rx_height_m=6.0, latitude_deg=50.0) for _ in range(200)], 9) / 200
        plain = best_s(
            lambda lists=lists: p1812(
                frequency_ghz=1.8, distance_km=lists["distance_km"], terrain_height_m=lists["ground_m"], tx_height_m=30.0, rx_height_m=6.0,
                tx_lat_deg=50.0, rx_lat_deg=50.0, tx_lon_deg=0.0, rx_lon_deg=0.1,
            ), 20,
        )  # fmt: skip
        print(f"{f'{points} points, 50 % of time':34} {quick * 1e6:12.2f} {plain * 1e6:10.1f} {plain / quick:7.0f}   called singly from Python {alone * 1e6:.2f} µs")

    print(f"\n{'fan of 360 x 100, 501 points':34} {'compiled µs':>12} {'plain µs':>10} {'times':>7}   per loss")
    for label, roughness in (("gentle relief", 1.5), ("hills", 4.0)):
        radials = np.stack([ground(rng, 501, roughness) for _ in range(360)])
        radials[:, 0] = 200.0
        setup = {"step_m": 30.0, "every": 5, "centre_height_m": 30.0, "far_height_m": 6.0, "frequency_ghz": 1.8}
        quick = best_s(lambda radials=radials, setup=setup: fan(radials, **setup), 15) / 36_000
        plain = best_s(lambda radials=radials, setup=setup: fan_plain(radials[:3], **setup), 3) / 300
        apart = np.abs(fan(radials[:3], **setup).loss_db - fan_plain(radials[:3], **setup).loss_db).max()
        print(f"{label:34} {quick * 1e6:12.3f} {plain * 1e6:10.1f} {plain / quick:7.0f}   apart by at most {apart:.1e} dB; whole fan {quick * 36_000_000:.1f} ms")


if __name__ == "__main__":
    main()

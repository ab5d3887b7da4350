"""Accuracy of a measurement at many points of a path whose truth is known: rate, idle delay, queue under load, loss.

Run as root: python bench/probe_points.py [size] [runs] [first] [last]. Prints one row a run and the errors' quantiles.
"""

from __future__ import annotations

import asyncio
import sys
from dataclasses import dataclass
from pathlib import Path
from statistics import median

sys.path.insert(0, str(Path(__file__).resolve().parent.parent / "tests" / "testbed"))

from bed import FAR_ADDRESS, Bed, Link, why_not
from ends import OpenNearEnd, far_end, window_of

from bandwright.probe.seen import LoadSeen, trace_of
from bandwright.words.measurement import MeasurementPlan, Size


@dataclass(frozen=True)
class Point:
    """Down and up rate (Mbit/s), round trip (ms), buffer (ms), loss (per cent)."""

    down: float
    up: float
    round_trip_ms: float
    buffer_ms: float
    loss: float = 0.0
    police: bool = False


POINTS = (
    Point(3, 0.5, 40, 200),
    Point(3, 0.5, 100, 500),
    Point(10, 1, 60, 100),
    Point(20, 5, 10, 50),
    Point(50, 10, 20, 100),
    Point(50, 10, 40, 10),
    Point(50, 10, 40, 200, loss=1.0),
    Point(50, 10, 40, 200, loss=5.0),
    Point(100, 20, 80, 300),
    Point(150, 30, 30, 500),
    Point(200, 50, 50, 100, loss=0.1),
    Point(300, 50, 20, 50),
    Point(1000, 100, 20, 30),
    Point(50, 10, 40, 0, police=True),
)


def udp_window(load: LoadSeen) -> tuple[int, int]:
    """Return the window (monotonic ns) of the intervals that counted."""
    sender = load.sender or {}
    counted = [x for x in trace_of(load) if x.counted]
    if not counted:
        return load.from_ns, load.to_ns
    return sender["start_ns"] + int((counted[0].at_s - counted[0].seconds) * 1e9), sender["start_ns"] + int(counted[-1].at_s * 1e9)


def measure(point: Point, size: Size, seed: int = 1) -> dict[str, float | str | None]:
    """Measure one point once; return estimates and truths."""
    half = point.round_trip_ms / 2
    common = {"delay_ms": half, "buffer_ms": point.buffer_ms or 10.0, "loss_percent": point.loss, "police": point.police}
    with (
        Bed.make(down=Link(rate_mbps=point.down, **common), up=Link(rate_mbps=point.up, **common), gso=point.down > 400, seed=seed) as bed,
        far_end(host=FAR_ADDRESS, bed=bed) as (_, secret),
        bed.inside("near"),
    ):
        near = OpenNearEnd(None, secret)
        plan = MeasurementPlan(size=size)
        m = asyncio.run(near.measure(plan))
        out: dict[str, float | str | None] = {
            "outcome": m.outcome.value,
            "reason": m.reason,
            "seconds": m.seconds,
            "mb": m.megabytes,
            "idle": m.number("delay_idle_ms"),
        }
        out["idle_truth"] = point.round_trip_ms + 140 * 8e-3 * (1 / point.down + 1 / point.up)  # and the delay packet's own time on the link
        for load in near.conduct.seen.loads:
            d = load.direction
            if f"rate_{d}" in out:
                continue
            if load.kind == "udp":
                start, end = udp_window(load)
            else:
                start, end = window_of(load)
            truth = bed.truth(d, from_ns=start, to_ns=end)
            whole = bed.truth(d, from_ns=load.from_ns - 150_000_000, to_ns=load.to_ns + 150_000_000)
            value = m.get(f"loss_{d}_ratio")
            out |= {
                f"rate_{d}": m.number(f"capacity_{d}_mbps" if load.kind == "udp" else f"goodput_{d}_mbps"),
                f"rate_{d}_truth": truth.rate_mbps if load.kind == "udp" else truth.goodput_mbps,
                f"queue_{d}": (m.number(f"delay_loaded_{d}_ms") or 0) - (m.number("delay_idle_ms") or 0),
                f"queue_{d}_truth": truth.wait_ms,
                f"loss_{d}": value.value if value else None,
                f"loss_{d}_low": value.low if value else None,
                f"loss_{d}_high": value.high if value else None,
                f"loss_{d}_truth": whole.loss_ratio,
            }
    return out


def main() -> None:
    """Measure every point, print a table and the quantiles of the errors."""
    if (why := why_not()) is not None:
        sys.exit(why)
    size = Size(sys.argv[1]) if len(sys.argv) > 1 else Size.USUAL
    runs = int(sys.argv[2]) if len(sys.argv) > 2 else 1
    first, last = (int(sys.argv[3]), int(sys.argv[4])) if len(sys.argv) > 4 else (0, len(POINTS))
    print(
        "down/up Mbit/s, rtt, buffer, loss      |  s   |   MB   MB/M | rate d    err%  | rate u    err%  | idle err ms | queue d true (err%)  | queue u true (err%)  | loss d [interval] true"
    )
    errors: dict[str, list[float]] = {"rate": [], "idle": [], "queue": []}
    inside = total = 0
    for point in POINTS[first:last]:
        for run in range(runs):
            r = measure(point, size, seed=run + 1)
            cells = [
                f"{point.down:6g}/{point.up:<5g} {point.round_trip_ms:4g} {point.buffer_ms:4g} {point.loss:4g}{' policer' if point.police else '        '}"
            ]
            cells.append(f"{r['seconds']:4.1f} | {r['mb']:7.2f} {r['mb'] / (point.down + point.up):.3f}")
            for d in ("down", "up"):
                got, truth = r.get(f"rate_{d}"), r.get(f"rate_{d}_truth")
                if got is None or not truth:
                    cells.append(f"none ({r['outcome']}: {r['reason']})")
                    continue
                errors["rate"].append((got / truth - 1) * 100)
                cells.append(f"{got:8.3f} {(got / truth - 1) * 100:+6.2f}")
            if r["idle"] is not None:
                errors["idle"].append(r["idle"] - r["idle_truth"])
                cells.append(f"{r['idle'] - r['idle_truth']:+6.3f}")
            for d in ("down", "up"):
                got, truth = r.get(f"queue_{d}"), r.get(f"queue_{d}_truth")
                if got is None or not truth:
                    continue
                if truth >= 10:
                    errors["queue"].append((got / truth - 1) * 100)
                cells.append(f"{got:7.2f} {truth:7.2f} {(got / truth - 1) * 100:+6.1f}")
            for d in ("down", "up"):
                if r.get(f"loss_{d}") is None:
                    cells.append("-")
                    continue
                ok = r[f"loss_{d}_low"] <= r[f"loss_{d}_truth"] <= r[f"loss_{d}_high"]
                inside, total = inside + ok, total + 1
                cells.append(f"{r[f'loss_{d}']:.4f} [{r[f'loss_{d}_low']:.4f} {r[f'loss_{d}_high']:.4f}] {r[f'loss_{d}_truth']:.4f}{'' if ok else ' OUT'}")
            print(" | ".join(cells), flush=True)
    for name, values in errors.items():
        if values:
            print(f"{name}: median {median(values):+.3f}, largest {max(values, key=abs):+.3f}, n {len(values)}")
    print(f"loss inside its interval: {inside} of {total}")


if __name__ == "__main__":
    main()

"""Aiming on the twin: do the 90 % intervals hold the best heading, and what does the remaining error cost?

Usage: python bench/aiming_study.py [SEEDS [FIRST]]     (200 seeds from 0 by default; the priors were set on those, so FIRST 5000 is a fresh look). Each run: coarse search over the circle, fine search forth and back, fit.
"""

from __future__ import annotations

import math
import sys

from bandwright.antenna.aiming import AimFit, AimReading, coarse_plan, fine_plan, fit_heading
from bandwright.antenna.patterns import wrap_deg
from bandwright.twin.path import AimScene, draw_aim_scene

# name, beamwidth, fast, slow, error of the width (sd of ln), reflection
CASES = (
    ("panel, calm", 60.0, 1.5, 0.5, 0.15, False),
    ("panel, wild", 60.0, 2.5, 1.5, 0.15, False),
    ("log-periodic", 45.0, 1.5, 0.5, 0.15, False),
    ("yagi", 30.0, 1.5, 0.5, 0.15, False),
    ("yagi, wild, width off", 30.0, 2.5, 1.5, 0.25, False),
    ("panel, width off", 60.0, 1.5, 0.5, 0.25, False),
    ("panel, strong echo", 60.0, 1.5, 0.5, 0.15, True),
)


def aim(scene: AimScene, beamwidth_deg: float) -> AimFit:
    coarse = coarse_plan(beamwidth_deg=beamwidth_deg)
    first = [AimReading(at_s=t, heading_deg=h, value_db=v) for t, h, v in scene.readings(coarse.headings_deg, dwell_s=coarse.dwell_s, settle_s=coarse.settle_s)]
    levels: dict[float, list[float]] = {}
    for reading in first:
        levels.setdefault(reading.heading_deg, []).append(reading.value_db)
    around = max(levels, key=lambda h: sum(levels[h]) / len(levels[h]))
    fine = fine_plan(around_deg=around, beamwidth_deg=beamwidth_deg)
    start = coarse.seconds + 30.0
    second = [AimReading(at_s=t, heading_deg=h, value_db=v) for t, h, v in scene.readings(fine.headings_deg, dwell_s=fine.dwell_s, settle_s=fine.settle_s, start_s=start)]
    return fit_heading(first + second, beamwidth_deg=beamwidth_deg)


def true_best(scene: AimScene) -> tuple[float, ...]:
    """The headings with the highest true level near the direct path and the echo."""
    ends = [scene.best_deg] + ([] if scene.reflection_deg is None else [scene.reflection_deg])
    return tuple(max((e + k / 4.0 for k in range(-160, 161)), key=scene.true_db) for e in ends)


def run(name: str, beamwidth: float, fast: float, slow: float, width_error: float, reflection: bool, seeds: int, first: int = 0) -> dict[str, float | str]:
    held, losses, errors, found, again = 0, [], [], 0, 0
    for seed in range(first, first + seeds):
        scene = draw_aim_scene(seed, beamwidth_deg=beamwidth, fast_db=fast, slow_db=slow, width_error=width_error, reflection=reflection)
        fit = aim(scene, beamwidth)
        if fit.state != "found" or fit.heading is None:
            continue
        found += 1
        again += fit.again
        targets = true_best(scene)
        error = min((wrap_deg(fit.heading.value - t) for t in targets), key=abs)
        target = fit.heading.value - error
        held += fit.heading.low <= target <= fit.heading.high
        errors.append(error / beamwidth)
        near = max(targets, key=lambda t: -abs(wrap_deg(t - fit.heading.value)))
        losses.append(scene.true_db(near) - scene.true_db(fit.heading.value))
    return {
        "case": name,
        "found": found / seeds,
        "90 % holds": held / max(1, found),
        "rms / beam": math.sqrt(sum(e * e for e in errors) / max(1, len(errors))),
        "mean loss dB": sum(losses) / max(1, len(losses)),
        "again": again / max(1, found),
    }


def main() -> None:
    seeds = int(sys.argv[1]) if len(sys.argv) > 1 else 200
    first = int(sys.argv[2]) if len(sys.argv) > 2 else 0
    print(f"{'case':24} {'found':>6} {'90 % holds':>10} {'rms/beam':>9} {'mean loss dB':>13} {'again':>6}   {seeds} seeds")
    for case in CASES:
        row = run(*case, seeds, first)
        print(f"{row['case']:24} {row['found']:6.2f} {row['90 % holds']:10.3f} {row['rms / beam']:9.3f} {row['mean loss dB']:13.3f} {row['again']:6.2f}")


if __name__ == "__main__":
    main()

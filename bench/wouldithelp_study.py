"""Would it help, on the twin: do the 80 % intervals of the change of rate hold the true change, and is gain advised against where interference limits?

Usage: python bench/wouldithelp_study.py [SEEDS [FIRST]]     (200 seeds from 0 by default; the priors were set on those, so FIRST 5000 is a fresh look). The twin's air is its own (`bandwright.twin.path`).
"""

from __future__ import annotations

import math
import sys
from random import Random

from bandwright.advice.nextsteps import NextSteps, Proposal, would_it_help
from bandwright.antenna.patterns import Omni, Parabola
from bandwright.predict.carriers import ActiveCarrier
from bandwright.predict.change import Side
from bandwright.twin.path import TwinBeam, TwinMount, TwinPlace, draw_place
from bandwright.words.radio import Rat, Role
from bandwright.words.site import Hours, Need, Requirements

GAIN_ONLY = "gain all round, indoors"

# What could be tried: key, how the prediction sees it, how the twin sees it (heading is the mast's, aimed within a few degrees).
PROPOSALS = {
    "panel outside": (
        {"pattern": Parabola(gain_dbi=9.0, beamwidth_deg=60.0), "height_m": 6.0, "spread_deg": 15.0},
        {"beam": TwinBeam(gain_dbi=9.0, beamwidth_deg=60.0), "height_m": 6.0, "loss_db": 1.2},
    ),
    "gateway outside": ({"pattern": Omni(gain_dbi=2.0), "built_in": True, "height_m": 3.0}, {"beam": TwinBeam(gain_dbi=2.0), "own": True}),
    "panel indoors": ({"pattern": Parabola(gain_dbi=9.0, beamwidth_deg=60.0), "spread_deg": 50.0, "height_m": 3.0, "indoors": True}, {"beam": TwinBeam(gain_dbi=9.0, beamwidth_deg=60.0), "indoors": True}),
    "gain all round, indoors": ({"pattern": Omni(gain_dbi=7.0), "height_m": 3.0, "indoors": True}, {"beam": TwinBeam(gain_dbi=7.0), "indoors": True, "loss_db": 0.4}),
    "yagi high, long feeder": (
        {"pattern": Parabola(gain_dbi=12.0, beamwidth_deg=35.0), "height_m": 9.0, "spread_deg": 15.0, "loss_db": 4.0},
        {"beam": TwinBeam(gain_dbi=12.0, beamwidth_deg=35.0), "height_m": 9.0, "loss_db": 5.0},
    ),
}


def reading(place: TwinPlace, rng: Random, *, with_power: bool) -> tuple[ActiveCarrier, object]:
    """A minute's mean of what the gateway would report on the sill inside, and the truth behind it."""
    state = place.state(TwinMount(beam=TwinBeam(gain_dbi=2.0), indoors=True, own=True))
    carrier = ActiveCarrier(
        of="LTE 1",
        rat=Rat.LTE,
        role=Role.PCELL,
        frequency_mhz=place.frequency_mhz,
        blocks=place.blocks,
        ul_blocks=place.blocks,
        rsrp_dbm=round(state.rsrp_dbm + rng.gauss(0.0, 1.0), 1),
        sinr_db=round(state.sinr_db + rng.gauss(0.0, 1.5), 1),
        layers=state.layers,
        tx_power_dbm=state.sent_dbm if with_power else None,
        uplink=True,
    )
    return carrier, state


def side(fields: dict) -> Side:
    from bandwright.antenna.feeders import Feeder

    rest = {k: v for k, v in fields.items() if k not in {"indoors", "loss_db"}}
    if "loss_db" in fields:  # a feeder that loses this at 1.8 GHz over 10 m
        rest |= {"feeder": Feeder(a_db_per_m=fields["loss_db"] / 10.0 / math.sqrt(1800.0), b_db_per_m=0.0), "feeder_m": 10.0}
    return Side(**rest, building="traditional" if fields.get("indoors") else None)


def site(seed: int, *, interference_limited: bool | None = None, draws: int = 2000, needs: tuple[Need, ...] = ()) -> tuple[NextSteps, dict[str, tuple[float, float]]]:
    """Answer and truth (ln ratio down, up) of one site."""
    rng = Random(f"study {seed}")
    place = draw_place(seed, interference_limited=interference_limited)
    carrier, before = reading(place, rng, with_power=rng.random() < 0.5)
    now = Side(pattern=Omni(gain_dbi=2.0), built_in=True, building="traditional", height_m=3.0, spread_deg=60.0)
    proposals = [Proposal(key=k, side=side(seen), place="indoors" if seen.get("indoors") else "wall", price=90.0) for k, (seen, _) in PROPOSALS.items()]
    answer = would_it_help([carrier], now=now, proposals=proposals, needs=needs, draws=draws, seed=seed)
    truth = {}
    for key, (_, real) in PROPOSALS.items():
        after = place.state(TwinMount(**real, heading_deg=place.mast_azimuth_deg + rng.gauss(0.0, 4.0)))
        truth[key] = (math.log(max(after.down_mbps, 1e-3) / max(before.down_mbps, 1e-3)), math.log(max(after.up_mbps, 1e-3) / max(before.up_mbps, 1e-3)))
    return answer, truth


def coverage(seeds: int, *, first: int = 0, interference_limited: bool | None = None) -> dict[str, dict[str, float]]:
    counts: dict[str, dict[str, float]] = {k: {"n": 0, "down": 0, "up": 0, "down_bias": 0, "up_bias": 0, "good": 0, "said": 0, "right": 0} for k in PROPOSALS}
    for seed in range(first, first + seeds):
        answer, truth = site(seed, interference_limited=interference_limited)
        for outlook in answer.ranked:
            row = counts[outlook.key]
            down, up = truth[outlook.key]
            row["n"] += 1
            row["down"] += math.log(outlook.down_ratio.low) - 1e-9 <= down <= math.log(outlook.down_ratio.high) + 1e-9
            row["down_bias"] += down - math.log(outlook.down_ratio.value)
            if outlook.up_ratio is not None:
                row["up"] += math.log(outlook.up_ratio.low) - 1e-9 <= up <= math.log(outlook.up_ratio.high) + 1e-9
                row["up_bias"] += up - math.log(outlook.up_ratio.value)
            truly = max(down, up) > math.log(1.1) and min(down, up) > -math.log(1.1)
            row["good"] += truly
            row["said"] += outlook.worth in {"helps", "may help"}
            row["right"] += truly == (outlook.worth in {"helps", "may help"})
    return counts


DOWN_ONLY = (Need(key="watch", kind="any", requirements=Requirements(downlink_mbps=25.0), hours=Hours("always", ())),)


def against_gain(seeds: int, first: int = 0) -> dict[str, float]:
    """Where interference limits: is gain advised against, and was that right? Where noise limits: is it not?"""
    said = refused = right = quiet = 0
    for seed in range(first, first + seeds):
        answer, truth = site(seed, interference_limited=True, needs=DOWN_ONLY)
        outlook = next(o for o in answer.ranked if o.key == GAIN_ONLY)
        said += answer.against_gain
        refused += outlook.worth in {"will not help", "makes it worse"}
        right += (outlook.worth in {"will not help", "makes it worse"}) == (truth[GAIN_ONLY][0] < math.log(1.1))
        quiet += not site(seed, interference_limited=False, needs=DOWN_ONLY)[0].against_gain
    return {"advised against": said / seeds, "gain alone will not help": refused / seeds, "right": right / seeds, "noise-limited, not advised against": quiet / seeds}


def main() -> None:
    seeds = int(sys.argv[1]) if len(sys.argv) > 1 else 200
    first = int(sys.argv[2]) if len(sys.argv) > 2 else 0
    print(f"{'proposal':26} {'down in 80 %':>12} {'up in 80 %':>11} {'bias ln down':>13} {'up':>6} {'truly helps':>12} {'said so':>8} {'right':>6}   {seeds} sites")
    total = {"n": 0.0, "down": 0.0, "up": 0.0}
    for key, row in coverage(seeds, first=first).items():
        n = row["n"]
        for part in total:
            total[part] += row[part]
        print(f"{key:26} {row['down'] / n:12.3f} {row['up'] / n:11.3f} {row['down_bias'] / n:13.3f} {row['up_bias'] / n:6.2f} {row['good'] / n:12.2f} {row['said'] / n:8.2f} {row['right'] / n:6.2f}")
    print(f"{'all':26} {total['down'] / total['n']:12.3f} {total['up'] / total['n']:11.3f}")
    print("interference-limited sites, a need for download only: " + ", ".join(f"{k} {v:.3f}" for k, v in against_gain(seeds, first).items()))


if __name__ == "__main__":
    main()

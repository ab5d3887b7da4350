"""Study of the diagnosis on the twin: stated certainty against truth, on rates, hours, seconds and readings of simulated places.

Each cause of `diagnosis_study` is drawn as there (what caps, what the house takes, what fails), but what the radio gives comes from the
twin: rates of tests from its layers (days, drift, test to test, seconds, dips, the hour's load), the series of a test from its trace,
and the readings from its modem's printed text, read like any other. What that modem does not print (rank, antenna ports, neighbours, power,
states of carriers) stays as drawn. The layers are scaled so that tests at one hour scatter by the spread stated; what they do scatter by is printed.

Run: nice python bench/diagnosis_twin.py [cases per cause] [seed] [looks]: a reading is the mean of that many looks 3 s apart (1: a single one).
"""

from __future__ import annotations

import sys
from collections.abc import Mapping
from dataclasses import replace
from datetime import datetime, timedelta
from math import log
from random import Random
from statistics import fmean, pstdev
from typing import Any

import diagnosis_study as study
from bandwright.radio.bands import band_label
from bandwright.readings.parse import parse
from bandwright.twin.clock import SimulatedClock
from bandwright.twin.modem import TwinModem
from bandwright.twin.modem_state import RadioState
from bandwright.twin.plan import CALM, MIDDLE, CarrierPlan, Layers, RigPlan, SetupPlan, SitePlan
from bandwright.twin.site import SimulatedSite
from bandwright.words.radio import Rat, Role

START = datetime.fromisoformat("2026-03-02T00:00:00+00:00")
CHANNELS = {"B1": 300, "B3": 1300, "B7": 3050, "B20": 6300, "n28": 154830, "n78": 639936}
# test_down beside what seconds and dips add, so that tests at one hour scatter by about the spread in front
LAYERS = {
    0.15: replace(CALM, day_down=0.0, day_up=0.0, drift=0.0, test_down=0.13, test_up=0.13),
    0.40: replace(MIDDLE, day_down=0.0, day_up=0.0, drift=0.0, test_down=0.30, test_up=0.33),
}
QUIET_HOUR, LOOKED_S = 3, 60.0


def plan_of(world: study.World, layers: Layers) -> SitePlan:
    """Return the place of a world: its carriers, with the rate that they carry in a quiet hour as the model has it, and its cell's load."""
    carriers = tuple(
        CarrierPlan(
            rat=Rat(c.rat), role=Role(c.role), band=c.band, arfcn=CHANNELS[c.band], pci=c.pci + 100 * n, bandwidth_mhz=c.width, rsrp_dbm=c.rsrp, sinr_db=c.sinr,
            scs_khz=30 if c.rat == "nr" and c.duplex == "TDD" else 15, up=n == 0,
        )
        for n, c in enumerate(world.carriers) if c.band in CHANNELS
    )  # fmt: skip
    load = min(0.85, (world.busy - 1.0) / (1.1 * world.busy - 0.1))
    down = sum(c.rate() for c in world.carriers if c.state is None) * world.share(QUIET_HOUR) * world.factor
    up = world.up_rate * world.share(QUIET_HOUR) / 0.95
    setup = SetupPlan(
        key="here", rig="here", down_mbps=max(0.01, down), up_mbps=max(0.01, up), load_down=load, load_up=load, carriers=carriers, warmup_scale=0.0, failed_share=0.0
    )
    return SitePlan(key="place", setups=(setup,), rigs=(RigPlan(key="here", mount_sd=0.0),), layers=layers)


class Place:
    """A world whose rates, series and readings are the twin's."""

    def __init__(self, world: study.World, noise: float, seed: int) -> None:
        self.world, self.site = world, SimulatedSite(plan_of(world, LAYERS[noise]), seed)
        self.scatter: list[float] = []
        world.down = self.down  # type: ignore[method-assign] - the study's own model is put aside here
        world.up = self.up  # type: ignore[method-assign]
        world.series = self.series  # type: ignore[method-assign]
        self.last = START

    def at(self, hour: int, rng: Random) -> datetime:
        self.last = START + timedelta(days=rng.randrange(60), hours=hour, minutes=rng.randrange(30))
        return self.last

    def down(self, hour: int, rng: Random) -> float:
        rate = self.site.moment("here", self.at(hour, rng), load_s=LOOKED_S).down_mbps
        return rate if self.world.cap_down is None else min(rate, self.world.cap_down * (1 + rng.gauss(0, 0.006)))

    def up(self, hour: int, rng: Random) -> float:
        rate = self.site.moment("here", self.at(hour, rng), load_s=LOOKED_S).up_mbps
        return rate if self.world.cap_up is None else min(rate, self.world.cap_up * (1 + rng.gauss(0, 0.006)))

    def series(self, mean: float, capped: bool, bins: int, rng: Random) -> list[float]:
        down, _ = self.site.trace("here", self.last, seconds=bins // 10 + 1, load_s=LOOKED_S)
        shape = [1.0] * len(down) if capped else [float(x) / fmean(map(float, down)) for x in down]
        scatter = 0.01 if capped else 0.1
        return [round(mean * shape[i // 10] * max(0.0, 1 + rng.gauss(0, scatter)) * min(1.0, (i + 1) / 6.5), 1) for i in range(bins)]

    def look(self, at: datetime, *, load_s: float) -> list[Mapping[tuple[str, int], Mapping[str, float]]]:
        """Return what the modem's text says, by technology and physical cell."""
        moment = self.site.moment("here", at, load_s=load_s)
        rats = {c["rat"] for c in moment.carriers}
        mode = "endc" if len(rats) == 2 else "nr-sa" if "nr" in rats else "lte"
        modem = TwinModem(lambda: RadioState(mode=mode, registration="home", carriers=moment.carriers, connected=load_s > 0), clock=SimulatedClock(START))
        text = "\n".join(f"AT{c}\n" + "\n".join(modem.answer(c)) + "\n" for c in ('+QENG="servingcell"', "+QCAINFO"))
        found: dict[tuple[str, int], dict[str, float]] = {}
        for carrier in parse(text)[-1].serving():
            values = {f.name: f.number for f in carrier if f.number is not None}
            if "pci" in values:
                found[carrier.rat.value, int(values["pci"])] = values
        return [found]

    def put_into(self, drawn: dict[str, Any], looks: int, rng: Random) -> int:
        """Put what was read into the drawn readings; return how many values came through text."""
        count = 0
        for reading in drawn["readings"]:
            load_s = 0.0 if reading["state"] == "idle" else LOOKED_S
            at = START + timedelta(days=rng.randrange(60), hours=self.world.hour, minutes=rng.randrange(30))
            seen = [one for n in range(looks) for one in self.look(at + timedelta(seconds=3 * n), load_s=load_s + (3 * n if load_s else 0))]
            for n, carrier in enumerate(c for c in reading["carriers"] if c["role"] not in {"neighbour", "scan"}):
                key = (carrier["rat"], self.world.carriers[n].pci + 100 * n)
                texts = [one[key] for one in seen if key in one]
                if not texts:
                    continue
                for name in ("rsrp", "rsrq", "sinr"):
                    values = [t[name] for t in texts if name in t]
                    if values:
                        carrier["fields"][name] = round(fmean(values), 1)
                        count += 1
                    else:
                        carrier["fields"].pop(name, None)  # that modem does not print it
                if "band" in texts[0]:
                    carrier["fields"]["band"] = band_label(carrier["rat"], int(texts[0]["band"]))
        return count


def run(noise: float, per_cause: int, seed: int, looks: int) -> None:
    from bandwright.advice.case_json import case_from_json
    from bandwright.advice.diagnosis import diagnose

    tally = study.Tally()
    read, scatter, left_out = 0, [], []
    for number, cause in enumerate(study.CAUSES):
        for i in range(per_cause):
            rng = Random(f"{seed}/{noise}/{number}/{i}/twin")
            world = cause.draw(rng)
            world.noise = noise
            if any(c.band not in CHANNELS for c in world.carriers):
                left_out.append(cause.key)
                continue
            place = Place(world, noise, seed * 1_000_003 + number * 1009 + i)
            drawn = study.record(world, cause.symptom, rng)
            read += place.put_into(drawn, looks, rng)
            if i == 0:
                scatter.append(pstdev([log(place.site.moment("here", START + timedelta(days=d, hours=12), load_s=LOOKED_S).down_mbps) for d in range(60)]))
            found = diagnose(case_from_json(drawn))[0]
            right, ranked = {cause.key, *cause.also}, [r.key for r in found.ranked]
            nobody = cause.key == "unknown" and not found.claims
            tally.cases += 1
            tally.top += nobody or ranked[0] == cause.key or (ranked[0] in cause.also and not found.claims)
            tally.two += nobody or cause.key in ranked[:2]
            tally.test += any(t.key in cause.tests for t in found.next_tests[:2])
            for claim in found.claims:
                wrong = claim.key not in right
                tally.claims += 1
                tally.wrong += wrong
                tally.wrongs[f"{cause.key}: {claim.key}"] += wrong
                band = f"{min(0.9, int(10 * (claim.certainty or 0)) / 10):.1f}"
                tally.certainty[band][0] += 1
                tally.certainty[band][1] += not wrong
    print(f"spread asked {noise:.2f}, tests at one hour scatter by {fmean(scatter):.3f}: {tally.cases} cases; {read} values through the modem's text; looks {looks}")
    if left_out:
        print(f"  left out, no channel of the twin's modem: {', '.join(sorted(set(left_out)))}")
    print(f"  top-1 {tally.top / tally.cases:.3f}  first two {tally.two / tally.cases:.3f}  right test among first two {tally.test / tally.cases:.3f}")
    print(f"  claimed {tally.claims / tally.cases:.3f}  wrong claims {tally.wrong / tally.cases:.4f} of cases, {tally.wrong / max(1, tally.claims):.4f} of claims")
    print("  stated certainty -> right: " + ", ".join(f"{k}: {b}/{a}" for k, (a, b) in sorted(tally.certainty.items())))
    for text, count in tally.wrongs.most_common(20):
        if count:
            print(f"    wrong {count:4d}  {text}")
    sys.stdout.flush()


def main() -> None:
    given = [int(x) for x in sys.argv[1:]]
    per_cause, seed, looks = (given + [10, 1, 10][len(given) :])[:3]
    for noise in (0.15, 0.40):
        run(noise, per_cause, seed, looks)


if __name__ == "__main__":
    main()

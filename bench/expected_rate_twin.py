"""Does the forecast of a reading cover what tests on the twin find? Its rates come from layers of its own, never from the radio's arithmetic.

For each setup of the practice, at random times, the modem's text under load is read as any other, and the 80 % interval of the
forecast (down and up, in sum) is held against the test that begins then. Nothing is tuned to the figures printed here.
"""

from __future__ import annotations

import random
from datetime import timedelta

from bandwright.predict.forecast import expected_rates
from bandwright.readings.parse import parse
from bandwright.twin import practice
from bandwright.twin.clock import SimulatedClock
from bandwright.twin.modem import TwinModem
from bandwright.twin.modem_state import RadioState

DRAWS = 60


def main() -> int:
    clock, chance = SimulatedClock(practice.START), random.Random(7)
    place = practice.site()
    print(f"{'setup':<28}{'down: covered':>14}{'median test/forecast':>22}{'up: covered':>13}{'median':>8}   of {DRAWS}")
    total = {"down": [0, 0], "up": [0, 0]}
    for setup in practice.PLAN.setups:
        ratios: dict[str, list[float]] = {"down": [], "up": []}
        hits = {"down": 0, "up": 0}
        for _ in range(DRAWS):
            at = practice.START + timedelta(hours=chance.uniform(0, 24 * 60))
            moment = place.moment(setup.key, at, mounting=chance.randrange(8), load_s=60.0)
            if moment.failed is not None or moment.moved_to is not None or not moment.carriers:
                continue
            rats = {c["rat"] for c in moment.carriers}
            state = RadioState(mode="endc" if len(rats) == 2 else "nr-sa" if "nr" in rats else "lte", registration="home", carriers=moment.carriers, connected=True)
            modem = TwinModem(lambda state=state: state, clock=clock)
            text = "\n".join(f"AT{c}\n" + "\n".join(modem.answer(c)) for c in ('+QENG="servingcell"', "+QCAINFO"))
            readings = [r for r in parse(text) if r.serving()]
            if not readings:
                continue
            for forecast in expected_rates(readings[-1]):
                if forecast.of:
                    continue
                direction = "down" if "down" in forecast.quantity else "up"
                found = moment.down_mbps if direction == "down" else moment.up_mbps
                hits[direction] += forecast.low <= found <= forecast.high
                ratios[direction].append(found / forecast.median)
        row = f"{setup.key:<28}"
        for direction, width in (("down", 14), ("up", 13)):
            values = sorted(ratios[direction])
            total[direction][0] += hits[direction]
            total[direction][1] += len(values)
            share = hits[direction] / len(values) if values else float("nan")
            row += f"{share:>{width}.2f}" + (f"{values[len(values) // 2]:>22.2f}" if direction == "down" and values else f"{values[len(values) // 2]:>8.2f}" if values else "")
        print(row)
    for direction, (hit, count) in total.items():
        print(f"{direction}: {hit / count:.2f} of {count} in the stated 80 % interval")
    return 0


if __name__ == "__main__":
    raise SystemExit(main())

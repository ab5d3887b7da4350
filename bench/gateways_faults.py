"""What a line to a modem can do wrong, in each phase, and 1,000 random sequences of it: what is told, and whether the site comes back.

Run: python bench/gateways_faults.py [EXAMPLES] [SEED]. Without a seed the sequences are drawn afresh, and the seed is printed. Time is simulated; seconds in the table are those of the simulated line.
"""

from __future__ import annotations

import asyncio
import secrets
import sys
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parent.parent / "tests" / "gateways"))

from hypothesis import HealthCheck, seed, settings
from hypothesis.stateful import run_state_machine_as_test
from machine import Faults
from stage import Place, Script, SimClock, bring_back, put, read, wireless

from bandwright.errors import GatewayError
from bandwright.twin.modem import Fault
from bandwright.words.rig import Tuning

ANCHOR = Tuning(key="anchor 20", mode="endc", bands=("B20", "n78"))
PHASES = ("read", "apply", "wait", "test", "restore")


def is_setting(command: str) -> bool:
    return "QNWPREFCFG" in command and command.count(",") >= 1


async def one(phase: str, fault: Fault) -> tuple[str, float, bool]:
    """Return what is told, how long the phase took, and whether the site came back to what it was."""
    clock = SimClock()
    place = Place(clock)
    gateway, _ = wireless(place, clock)
    former = await gateway.settings()
    if phase in ("test", "restore"):
        await put(gateway, ANCHOR, clock)
    when = {"apply": is_setting, "restore": is_setting, "wait": lambda c: '"' in c and not is_setting(c) and "QNWPREFCFG" in c}.get(
        phase, lambda c: "QENG" in c
    )
    place.modem.faults = Script([fault], when=when)
    began = clock.seconds
    if phase in ("read", "test"):
        told = await _told(gateway, "load_down" if phase == "test" else "idle")
    elif phase == "restore":
        told = "put back" if await bring_back(gateway, former, clock) else "NOT put back"
    else:
        ok, why = await put(gateway, ANCHOR, clock)
        told = "applied and shown" if ok else f"not applied: {why}"
    took = clock.seconds - began
    place.modem.faults = None
    back = await bring_back(gateway, former, clock)
    await clock.sleep(20.0)
    return told, took, back and place.modem.in_force.mode == "automatic" and read(await gateway.fetch()) is not None


async def _told(gateway, moment: str) -> str:
    try:
        capture = await gateway.fetch(moment=moment)
    except GatewayError as error:
        return str(error)
    return next((f"recorded with its exchange: {done.fault}" for done in capture.exchanges if done.fault), "nothing: the reading is whole")


def main(examples: int, start: int) -> None:
    print(f"{'fault':12} {'phase':8} {'seconds':>7}  {'back':4}  told")
    for fault in Fault:
        for phase in PHASES:
            told, took, back = asyncio.run(one(phase, fault))
            print(f"{fault.value:12} {phase:8} {took:7.1f}  {'yes' if back else 'NO':4}  {told[:90]}")
    began = time.perf_counter()
    profile = settings(max_examples=examples, stateful_step_count=12, deadline=None, database=None, suppress_health_check=list(HealthCheck))
    run_state_machine_as_test(seed(start)(Faults), settings=profile)
    print(
        f"{examples} random sequences of up to 12 steps (seed {start}): none left the twin on another setup than promised ({time.perf_counter() - began:.0f} s of real time)"
    )


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 1000, int(sys.argv[2]) if len(sys.argv) > 2 else secrets.randbelow(1 << 32))

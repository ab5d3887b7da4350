"""What reading a gateway once, and switching it to another tuning, costs of our own time, beside a bare exchange over the same line.

The modem is the twin's, in the same process, and answers at once; so everything measured is our own time and the twin's together, an upper bound.
Run: python bench/gateways_cost.py
"""

from __future__ import annotations

import asyncio
import statistics
import sys
import tempfile
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parent.parent / "tests" / "gateways"))

from campaigns import over_a_pty
from stage import Place, RealClock

from bandwright.gateways.kinds import open_gateway
from bandwright.words.rig import GatewayPlan, Tuning

TIMES = 200


async def bare_ms(host: str, port: int) -> float:
    """The reference: six commands and their answers over a socket, with nothing of ours around them."""
    reader, writer = await asyncio.open_connection(host, port)
    took = []
    for _ in range(TIMES):
        began = time.perf_counter()
        for command in (b'AT+QENG="servingcell"\r', b"AT+QCAINFO\r", b'AT+QENG="neighbourcell"\r', b"AT+CEREG?\r", b"AT+C5GREG?\r", b"AT+COPS?\r"):
            writer.write(command)
            await reader.readuntil(b"OK\r\n")
        took.append((time.perf_counter() - began) * 1000)
    writer.close()
    return statistics.median(took)


async def main() -> None:
    place = Place(RealClock(), apply_delay_s=0.0)
    host, port = await place.modem.serve_tcp()
    link = Path(tempfile.mkdtemp()) / "modem"
    await place.modem.serve_pty(link)
    reference = await bare_ms(host, port)
    print(f"{'what':44} {'median ms':>9} {'p95 ms':>8} {'x bare':>7}")
    print(f"{'six bare exchanges over TCP':44} {reference:9.2f} {'':8} {1.0:7.1f}")
    for kind, settings in (("at-tcp", (("address", f"{host}:{port}"),)), ("at-serial", (("port", str(link)),))):
        gateway = open_gateway(GatewayPlan(key="own", kind=kind, settings=settings), clock=RealClock())
        began = time.perf_counter()
        await gateway.fetch()
        first = (time.perf_counter() - began) * 1000
        print(f"{kind + ': opening and the first reading':44} {first:9.2f} {'':8} {first / reference:7.1f}")
        for what, moment in (("a reading", "idle"), ("a reading under load", "load_down")):
            await show(f"{kind}: {what}", lambda m=moment, g=gateway: g.fetch(moment=m), reference)
        await show(f"{kind}: reading the settings back", gateway.settings, reference)
        turns = iter([Tuning(key="lte", mode="lte"), Tuning(key="endc", mode="endc", bands=("B20", "n78"))] * TIMES)
        await show(f"{kind}: asking for another tuning", lambda t=turns, g=gateway: g.apply(next(t)), reference)
        await gateway.close()
    await place.modem.close()
    await campaign()


async def campaign() -> None:
    """A campaign over a pseudo-terminal in simulated time: the real time that its gateway calls took, for each finished test."""
    twin, house, gateway, _ = await over_a_pty(Path(tempfile.mkdtemp()), days=1.0)
    tests = len(house.records.measurements())
    print(f"\na campaign of {tests} tests over a pseudo-terminal, real time in gateway calls:")
    for name, took in sorted(gateway.took.items()):
        print(f"{'  ' + name:44} {1000 * statistics.median(took):9.2f} ms median, {len(took)} calls, {1000 * sum(took) / tests:.1f} ms a test")
    switching = sum(sum(gateway.took[name]) for name in ("apply", "settings", "restore"))
    print(f"{'  switching: apply, settings, restore':44} {1000 * switching / tests:9.1f} ms a test")
    await house.close()
    await twin.close()


async def show(what: str, act, reference: float) -> None:
    took = []
    for _ in range(TIMES):
        began = time.perf_counter()
        await act()
        took.append((time.perf_counter() - began) * 1000)
    median = statistics.median(took)
    print(f"{what:44} {median:9.2f} {sorted(took)[int(TIMES * 0.95)]:8.2f} {median / reference:7.1f}")


if __name__ == "__main__":
    asyncio.run(main())

"""How quick the command line is: help, a paste, the verdict on the demonstration's workspace. Ratios are against `python -c pass`."""

from __future__ import annotations

import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path

PASTE = (Path(__file__).resolve().parent.parent / "docs" / "example-reading.txt").read_text()
RUNS = 7


def median_s(words: list[str], *, given: str = "") -> float:
    times = []
    for _ in range(RUNS):
        began = time.perf_counter()
        subprocess.run(words, input=given, capture_output=True, text=True, check=False)
        times.append(time.perf_counter() - began)
    return statistics.median(times)


def main() -> int:
    command = [str(Path(sys.executable).with_name("bandwright"))]
    with tempfile.TemporaryDirectory() as folder:
        subprocess.run([*command, "demo", "--no-page", "--folder", folder], capture_output=True, check=True)
        plain = median_s([sys.executable, "-c", "pass"])
        print(f"{'command':<28}{'median ms':>10}{'x python':>10}{'target ms':>11}   ({RUNS} runs)")
        for name, words, given, target in (
            ("--help", ["--help"], "", 150),
            ("reading --paste --json", ["reading", "--paste", "--json"], PASTE, 600),
            ("verdict --brief", ["verdict", "--brief", "--site", folder], "", 3000),
            ("verdict", ["verdict", "--site", folder], "", 3000),
        ):
            found = median_s([*command, *words], given=given)
            print(f"{name:<28}{1000 * found:>10.0f}{found / plain:>10.1f}{target:>11}")
    return 0


if __name__ == "__main__":
    raise SystemExit(main())

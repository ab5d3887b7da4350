"""Twenty `kill -9` at random moments of a campaign on the simulated practice: no finished test may be lost or repeated."""

from __future__ import annotations

import random
import signal
import subprocess
import sys
import tempfile
import time
from pathlib import Path

TESTS = Path(__file__).resolve().parent.parent / "tests" / "jobs"
sys.path.insert(0, str(TESTS))

import twin_bench  # noqa: E402

from bandwright.workspace.records import DiskRecords  # noqa: E402

CHILD = (TESTS / "test_jobs_campaign.py").read_text().split('CHILD = """')[1].split('"""')[0]
KILLS = 20


def main() -> int:
    chance, bad = random.Random(20261125), 0
    for number in range(KILLS):
        with tempfile.TemporaryDirectory() as folder:
            words = [sys.executable, "-c", CHILD, folder, str(TESTS)]
            with subprocess.Popen(words, stdout=subprocess.PIPE, text=True) as child:
                assert child.stdout is not None
                child.stdout.readline()
                time.sleep(chance.uniform(0.0, 2.0))
                child.send_signal(signal.SIGKILL)
                said = set(child.stdout.read().split())
            again = set(subprocess.run(words, capture_output=True, text=True, check=True).stdout.split()) - {"ready"}
            tests = [t.test for t in twin_bench.tests_of(DiskRecords(Path(folder)).events("c1"))]
            lost, repeated = said - set(tests), said & again
            sound = not lost and not repeated and len(set(tests)) == len(tests)
            bad += not sound
            print(f"kill {number + 1:>2}: {len(said):>3} tests finished before it, {len(tests):>3} in the end, lost {len(lost)}, repeated {len(repeated)}", flush=True)
    print(f"{KILLS - bad} of {KILLS} sound")
    return 1 if bad else 0


if __name__ == "__main__":
    raise SystemExit(main())

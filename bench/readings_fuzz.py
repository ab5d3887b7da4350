"""Fuzz the reading of texts with coverage guidance: no bytes may make `parse` raise, and every span must lie in the text.

Run: nice python bench/readings_fuzz.py [seconds] (default 3600). Starts from the project's own texts. Prints the number of executions; a
failing input is written to the folder it was started from, by the fuzzer, as crash-*.
"""

from __future__ import annotations

import json
import sys
import tempfile
from pathlib import Path

import atheris

with atheris.instrument_imports(include=["bandwright.readings"]):
    from bandwright.readings.normalise import decode
    from bandwright.readings.parse import parse, reading_json
    from bandwright.readings.settings import read_settings

CORPUS = Path(__file__).resolve().parent.parent / "tests" / "readings" / "corpus"


def one_input(data: bytes) -> None:
    text = decode(data)
    for reading in parse(data):
        json.dumps(reading_json(reading, text))
        for span in (*reading.unread, *reading.recognised):
            if not 0 <= span.start <= span.stop <= len(text):
                raise AssertionError(f"{span} lies outside a text of {len(text)} characters")
    read_settings(text)


def main() -> None:
    seconds = int(sys.argv[1]) if len(sys.argv) > 1 else 3600
    with tempfile.TemporaryDirectory() as folder:
        number = 0
        for path in sorted(CORPUS.glob("*.jsonl")):
            for line in path.read_text().splitlines():
                (Path(folder) / f"{number}.txt").write_bytes(json.loads(line)["raw"].encode())
                number += 1
        print(f"{number} texts to start from, {seconds} s", flush=True)
        atheris.Setup([sys.argv[0], folder, f"-max_total_time={seconds}", "-max_len=4000", "-timeout=10", "-print_final_stats=1", "-verbosity=0"], one_input)
        atheris.Fuzz()


if __name__ == "__main__":
    main()

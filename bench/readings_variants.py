"""Every text cut at every byte, doubled, quoted, with other line ends and marks: how often a value appears that the whole text does not print.

Run: nice python bench/readings_variants.py [folder with more texts as *.jsonl]. The project's own texts are always read; of each line of a
file, "raw" is taken. Prints one row a variant: readings made, values created, meanings changed, exceptions. The tests hold a seeded part of this.
"""

from __future__ import annotations

import json
import sys
import time
from pathlib import Path

CODE = Path(__file__).resolve().parent.parent
sys.path.insert(0, str(CODE / "tests"))


def texts(folders: list[Path]) -> list[tuple[str, str]]:
    out = []
    for folder in folders:
        for path in sorted(folder.glob("*.jsonl")):
            for line in path.read_text().splitlines():
                record = json.loads(line)
                out.append((record["id"], record["raw"]))
    return out


def main() -> int:
    from bandwright.readings.normalise import decode
    from bandwright.readings.parse import parse
    from readings.test_readings_properties import VARIANTS, printed, told, within

    folders = [CODE / "tests" / "readings" / "corpus", *(Path(name) for name in sys.argv[1:])]
    every = texts(folders)
    print(f"{len(every)} texts, {sum(len(raw.encode()) for _, raw in every)} bytes", flush=True)
    begin = time.process_time()
    cuts = created = raised = 0
    for name, raw in every:
        data = raw.encode()
        whole = printed(parse(raw), also_disputed=True)
        for place in range(len(data)):
            cuts += 1
            try:
                values = printed(parse(decode(data[:place])))
            except Exception as error:  # noqa: BLE001 - what is counted here is that there is none
                raised += 1
                print(f"  {name} at {place}: {error!r}")
                continue
            for value in values:
                if not within(value, whole):
                    created += 1
                    print(f"  {name} at {place}: {value}", flush=True)
    print(f"{'cut at every byte':<22}{cuts:>8} readings   {created} values created   {raised} exceptions   {time.process_time() - begin:.0f} s", flush=True)
    for kind, change in VARIANTS.items():
        differ = 0
        for name, raw in every:
            if told(change(raw)) != told(raw):
                differ += 1
                print(f"  {name}, {kind}: another meaning")
        print(f"{kind:<22}{len(every):>8} readings   {differ} meanings changed", flush=True)
    return 1 if created or raised else 0


if __name__ == "__main__":
    raise SystemExit(main())

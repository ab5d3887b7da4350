"""How fast texts are read, on one core: one-line AT answers in texts per second, and long texts in milliseconds for 10 kB.

Run: nice python bench/readings_speed.py. Prints a table; the reference in the same run is a bare split of each text into lines and fields.
Every pass reads another text of its kind (other digits), so that nothing remembered of the last one helps but what a real text repeats too.
Then every text and every line of the project's own texts, repeated with other digits to 10 kB: what no equipment prints, but anybody can paste.
"""

from __future__ import annotations

import json
import random
import re
import time
from collections.abc import Callable, Sequence
from pathlib import Path

from bandwright.readings.parse import parse

CORPUS = Path(__file__).resolve().parent.parent / "tests" / "readings" / "corpus"
_DIGIT = re.compile(r"\d")
ONE_LINERS = (
    "+CSQ: 20,99\r\n\r\nOK\r\n",
    '+CEREG: 2,1,"1A2B","01A2D003",7\r\n\r\nOK\r\n',
    "+CESQ: 99,99,255,255,20,80\r\n\r\nOK\r\n",
    "+XCESQ: 0,99,99,255,255,19,46,32\r\n",
    '^HCSQ:"LTE",53,45,181,18\r\n',
    "+QRSRP: -94,-88,-95,-97,NR5G\r\n\r\nOK\r\n",
    '+QCSQ: "LTE",-52,-81,195,-10\r\n\r\nOK\r\n',
    '+QNWINFO: "FDD LTE","00101","LTE BAND 3",1650\r\n\r\nOK\r\n',
    '+QENG: "servingcell","NOCONN","LTE","FDD",001,01,1A2B30C,12,1650,3,5,5,1A2B,-100,-12,-68,11,0,-32768,27\r\n\r\nOK\r\n',
    "^SMONI: 4G,6300,20,10,10,FDD,001,01,1A2B,0345103,350,33,-94,-7,NOCONN\r\n\r\nOK\r\n",
    "+CPSI: LTE,Online,001-01,0x1A2B,50896642,236,EUTRAN-BAND4,2300,5,5,-125,-987,-663,10\r\n\r\nOK\r\n",
)

_AT_BLOCK = (
    'AT+QENG="servingcell"\r\n+QENG: "servingcell","NOCONN"\r\n+QENG: "LTE","FDD",001,01,1A2B30C,12,1650,3,5,5,1A2B,-{level},-12,-67,11,9,230,-\r\n'
    '+QENG:"NR5G-NSA",001,01,747,-{level},33,-11,627264,78,12,1\r\n\r\nOK\r\n'
)
_PAGE = "LTE\n  Band: B3 (1800 MHz)\n  EARFCN: 1300\n  PCI: {pci}\n  RSRP: -{level} dBm\n  RSRQ: -11.5 dB\n  SINR: 13 dB\n  Bandwidth: 20 MHz\n  Uptime: 3 days 4 hours\n  Firmware: 1.2.3\n"
_PROSE = "Sometimes it connects to the far cell and then the level is worse, and nobody knows why; the antenna was moved to the other wall last week.\n"
_LOG = "2026-03-10 12:{level}:00 band=B3 earfcn=1300 pci={pci} rsrp=-{level} rsrq=-11 sinr=13\n"
_JSON = '{{"lte":{{"band":"B3","earfcn":1300,"pci":{pci},"rsrp":-{level},"rsrq":-11,"sinr":13}},"uptime":{level},"name":"TEST"}}\n'
_TABLE = "Carrier | Band | EARFCN | PCI | RSRP | RSRQ | SINR\n" + "".join(f"SCC{n} | B3 | 1300 | {n} | -9{n % 10} | -11 | 13\n" for n in range(1, 40)) + "\n"


def long_text(block: str, *, chance: random.Random | None = None) -> str:
    """Return a block repeated to 10 kB, with other digits here and there each time where chance is given."""
    out: list[str] = []
    size = number = 0
    while size < 10_000:
        part = block.format(level=70 + number % 60, pci=number % 504) if "{level}" in block or "{pci}" in block else block
        if chance is not None:
            part = _DIGIT.sub(lambda found: found.group() if chance.random() < 0.7 else str(chance.randrange(10)), part)
        out.append(part if part.endswith("\n") else part + "\n")
        size += len(out[-1])
        number += 1
    return "".join(out)[:10_000]


def seconds_each(work: Callable[[str], object], texts: Sequence[str], least_s: float = 1.0) -> float:
    rounds, begin = 0, time.process_time()
    while time.process_time() - begin < least_s:
        for text in texts:
            work(text)
        rounds += 1
    return (time.process_time() - begin) / (rounds * len(texts))


def bare_split(text: str) -> int:
    return sum(len(line.split(",")) for line in text.splitlines())


def main() -> None:
    print(f"{'text':<28}{'reading':>16}{'bare split':>14}{'ratio':>9}")
    each, bare = seconds_each(parse, ONE_LINERS), seconds_each(bare_split, ONE_LINERS)
    print(f"{'one-line AT answers':<28}{1 / each:>11,.0f} /s{1 / bare:>11,.0f} /s{each / bare:>9.0f}")
    for line in ONE_LINERS:
        each = seconds_each(parse, (line,), 0.2)
        print(f"  {line.split(':')[0]:<26}{1 / each:>11,.0f} /s")
    for name, block in (("AT answers", _AT_BLOCK), ("labelled page", _PAGE), ("log lines", _LOG), ("prose", _PROSE), ("JSON", _JSON), ("table", _TABLE)):
        text = [long_text(block, chance=random.Random(n)) for n in range(30)]
        each, bare = seconds_each(parse, text), seconds_each(bare_split, text, 0.2)
        print(f"{'10 kB of ' + name:<28}{each * 1000:>11.2f} ms{bare * 1000:>11.2f} ms{each / bare:>9.0f}")


def repeated() -> None:
    """Print how long the project's own texts take, each and each of their lines repeated to 10 kB with other digits."""
    blocks: dict[str, str] = {}
    for path in sorted(CORPUS.glob("*.jsonl")):
        for line in path.read_text().splitlines():
            record = json.loads(line)
            for part in (record["raw"], *record["raw"].splitlines()):
                if part.strip():
                    blocks.setdefault(_DIGIT.sub("0", part), f"{record['id']}: {part.strip()[:40]!r}")
    took = []
    for number, (block, name) in enumerate(blocks.items()):
        text = long_text(block.replace("{", "{{").replace("}", "}}") if "{level}" in block else block, chance=random.Random(number))
        begin = time.process_time()
        parse(text)
        took.append((time.process_time() - begin, name))
    took.sort(reverse=True)
    times = [t for t, _ in took]
    print(f"\n{len(took)} texts and lines, each repeated to 10 kB: median {1000 * times[len(times) // 2]:.1f} ms, nine in ten below {1000 * times[len(times) // 10]:.1f} ms, ", end="")
    print(f"{sum(t < 0.02 for t in times)} below 20 ms, longest {1000 * times[0]:.0f} ms")
    for t, name in took[:5]:
        print(f"  {1000 * t:6.1f} ms  {name}")


if __name__ == "__main__":
    main()
    repeated()

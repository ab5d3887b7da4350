"""How fast texts are read, on one core: one-line AT answers in texts per second, and long texts in milliseconds for 10 kB.

Run: nice python bench/readings_speed.py. Prints a table; the reference in the same run is a bare split of each text into lines and fields.
"""

from __future__ import annotations

import time
from collections.abc import Callable

from bandwright.readings.parse import parse

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
_JSON = '{{"lte":{{"band":"B3","earfcn":1300,"pci":{pci},"rsrp":-{level},"rsrq":-11,"sinr":13}},"uptime":{level},"name":"TEST"}}\n'
_TABLE = "Carrier | Band | EARFCN | PCI | RSRP | RSRQ | SINR\n" + "".join(f"SCC{n} | B3 | 1300 | {n} | -9{n % 10} | -11 | 13\n" for n in range(1, 40)) + "\n"


def long_text(block: str) -> str:
    out = ""
    number = 0
    while len(out) < 10_000:
        out += block.format(level=70 + number % 60, pci=number % 504) if "{" in block else block
        number += 1
    return out[:10_000]


def seconds_each(work: Callable[[str], object], texts: tuple[str, ...], least_s: float = 1.0) -> float:
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
    for name, block in (("AT answers", _AT_BLOCK), ("labelled page", _PAGE), ("prose", _PROSE), ("JSON", _JSON), ("table", _TABLE)):
        text = (long_text(block),)
        each, bare = seconds_each(parse, text), seconds_each(bare_split, text, 0.2)
        print(f"{'10 kB of ' + name:<28}{each * 1000:>11.2f} ms{bare * 1000:>11.2f} ms{each / bare:>9.0f}")


if __name__ == "__main__":
    main()

"""How long the Place page takes: a path of 30 km over a 1-arcsecond tile, from the site file to the page's HTML, in a warm process.

    python bench/place_speed.py [--repeats 7]

The tile is made here: rolling ground of 3601 x 3601 points as an .hgt file, once plain and once gzipped. The first call in the process
is shown apart, since it imports libraries and may compile kernels. Reference of the ratio: reading the same profile alone.
"""

from __future__ import annotations

import argparse
import gzip
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np

from bandwright.jobs.assembly import open_house
from bandwright.jobs.place import place
from bandwright.telling.accounts.place import place_document
from bandwright.telling.markup import document_html

SIDE = 3601
SITE = """
[site]
name = "Bench"
latitude_deg = 46.30
longitude_deg = 8.30

[[mast]]
latitude_deg = 46.50
longitude_deg = 8.563
height_m = 30
"""


def tile() -> bytes:
    """Return rolling ground between 300 and 900 m."""
    x = np.linspace(0.0, 60.0, SIDE)
    wave = np.sin(x)[:, None] * np.cos(1.3 * x)[None, :] + 0.3 * np.sin(3.1 * x)[:, None] + 0.2 * np.cos(7.0 * x)[None, :]
    return np.rint(600.0 + 200.0 * wave).astype(">i2").tobytes()


def page(folder: Path) -> str:
    """Do what one request does."""
    return document_html(place_document(place(open_house(folder))))


def best_ms(work: Callable[[], object], repeats: int) -> tuple[float, float]:
    """Return the least and the middle of the times, ms."""
    times = []
    for _ in range(repeats):
        began = time.perf_counter()
        work()
        times.append(1e3 * (time.perf_counter() - began))
    return min(times), sorted(times)[len(times) // 2]


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--repeats", type=int, default=7)
    repeats = parser.parse_args().repeats
    octets = tile()
    print(f"{'tile':<14}{'first, ms':>12}{'best, ms':>12}{'middle, ms':>12}{'page, kB':>10}{'profile alone, ms':>20}{'ratio':>8}")
    for name, body in (("N46E008.hgt", octets), ("N46E008.hgt.gz", gzip.compress(octets, 1))):
        with tempfile.TemporaryDirectory() as place_:
            folder = Path(place_)
            (folder / "site.toml").write_text(SITE, encoding="utf-8")
            (folder / "elevation").mkdir()
            (folder / "elevation" / name).write_bytes(body)
            began = time.perf_counter()
            size = len(page(folder)) / 1000.0
            first = 1e3 * (time.perf_counter() - began)
            least, middle = best_ms(lambda folder=folder: page(folder), repeats)
            terrain = open_house(folder).terrain()
            if terrain is None:
                raise SystemExit("the tile was not found")
            alone, _ = best_ms(lambda t=terrain: t.profile_m(from_lat_deg=46.50, from_lon_deg=8.563, to_lat_deg=46.30, to_lon_deg=8.30, step_m=30.0), repeats)
            print(f"{name:<14}{first:>12.0f}{least:>12.0f}{middle:>12.0f}{size:>10.0f}{alone:>20.1f}{least / alone:>8.0f}")


if __name__ == "__main__":
    main()

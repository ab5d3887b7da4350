"""How fast and how heavy the pages are, on a workspace with many measurements.

    python bench/web_speed.py [--tests 1000000] [--browser /usr/bin/chromium]

Builds a workspace in a temporary folder: the invented campaign of the tests, and beside it as many measurements as asked for, put
straight into the database. Then serves it in a process of its own and prints times, weights and memory. `times settings` is the ratio
to the Settings page of the same run, which asks nothing of the database but what is declared.
"""

from __future__ import annotations

import argparse
import importlib.util
import json
import os
import socket
import sqlite3
import statistics
import subprocess
import sys
import tempfile
import threading
import time
import urllib.request
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from types import ModuleType

ROOT = Path(__file__).resolve().parent.parent
PAGES = ("/settings", "/", "/verdict", "/setups", "/campaign", "/history", "/reading")


def sample() -> ModuleType:
    spec = importlib.util.spec_from_file_location("web_sample", ROOT / "tests" / "telling" / "sample.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules["web_sample"] = module
    spec.loader.exec_module(module)
    return module


SITE = """[site]
name = "Bench"
timezone = "Europe/London"
[[need]]
key = "video"
kind = "video call"
[[need]]
key = "stream"
kind = "streaming"
[[line]]
key = "A"
[[gateway]]
key = "own"
kind = "at-tcp"
address = "127.0.0.1:9"
[[rig]]
key = "window"
line = "A"
gateway = "own"
[[rig]]
key = "gable"
line = "A"
gateway = "own"
[[tuning]]
key = "5g"
mode = "endc"
[[tuning]]
key = "4g"
mode = "lte"
[campaign]
in_use = "window/5g"
mounted = "window"
[far_end]
download_url = "https://example.org/file"
"""


def build(folder: Path, tests: int) -> None:
    """Write a campaign through the records, then the rest in one transaction."""
    from bandwright.jobs.assembly import open_house

    folder.mkdir(parents=True)
    (folder / "site.toml").write_text(SITE, encoding="utf-8")
    house, s = open_house(folder), sample()
    campaign = s.campaign()
    house.records.add_design(replace(s.DESIGN, setups=house.declared.setups, needs=house.declared.needs))
    for m in campaign.measurements:
        house.records.add_measurement(replace(m, captures=()))
    for e in campaign.events:
        kept = replace(e, met=tuple(x for x in e.met if x[0] in {"video", "stream"}), margins=()) if hasattr(e, "met") else e
        house.records.add_event("c1", kept)
    with sqlite3.connect(folder / "records.db") as db:
        columns = [c[1] for c in db.execute("pragma table_info(measurement)")]
        one = dict(zip(columns, db.execute(f"select {', '.join(columns)} from measurement limit 1").fetchone(), strict=True))
        template = datetime.fromisoformat(one["at"]) if isinstance(one["at"], str) else None
        start = datetime(2024, 1, 1, tzinfo=UTC)

        def at(k: int) -> object:
            when = start + timedelta(seconds=90 * k)
            if template is None:
                return int(when.timestamp() * 1_000_000)
            return when.isoformat(sep=" ").replace("+00:00", "") if " " in str(one["at"]) else when.isoformat()

        marks = ", ".join("?" for _ in columns)
        db.executemany(f"insert into measurement values ({marks})", ([(f"b{k:08d}" if c == "key" else at(k) if c == "at" else one[c]) for c in columns] for k in range(tests)))
        db.executemany("insert into measurement_value (measurement_key, quantity, value) values (?, ?, ?)", ((f"b{k:08d}", q, 10.0 + k % 50) for k in range(tests) for q in ("goodput_down_mbps", "goodput_up_mbps")))


def serve(folder: Path) -> tuple[subprocess.Popen[bytes], str]:
    with socket.socket() as s:
        s.bind(("127.0.0.1", 0))
        port = s.getsockname()[1]
    code = f"import uvicorn; from pathlib import Path; from bandwright.web.app import create_app; from bandwright.web.house import HouseJobs; uvicorn.run(create_app(HouseJobs(Path({str(folder)!r}))), port={port}, log_level='warning')"
    process = subprocess.Popen([sys.executable, "-c", code])
    url = f"http://127.0.0.1:{port}"
    for _ in range(400):
        try:
            urllib.request.urlopen(url + "/static/mark.svg", timeout=1).read()
        except OSError:
            threading.Event().wait(0.05)
        else:
            return process, url
    raise SystemExit("the server did not start")


def get(url: str) -> tuple[float, int]:
    began = time.perf_counter()
    body = urllib.request.urlopen(url, timeout=120).read()
    return 1000 * (time.perf_counter() - began), len(body)


def rss_mb(pid: int) -> float:
    status = Path(f"/proc/{pid}/status")
    if not status.exists():
        return float("nan")
    line = next(x for x in status.read_text(encoding="ascii").splitlines() if x.startswith("VmRSS"))
    return int(line.split()[1]) / 1024


def first_paint_ms(url: str, browser: str) -> float | None:
    """Return the first paint of Today with the processor slowed six times, median of five loads, or None where there is no browser."""
    if not Path(browser).exists():
        return None
    from playwright.sync_api import sync_playwright

    found = []
    with sync_playwright() as p:
        b = p.chromium.launch(executable_path=browser, args=["--no-sandbox", "--disable-gpu", "--disable-background-networking"])
        for _ in range(5):
            page = b.new_context(viewport={"width": 360, "height": 740}).new_page()
            page.context.new_cdp_session(page).send("Emulation.setCPUThrottlingRate", {"rate": 6})
            page.goto(url + "/")
            paint = page.evaluate("new Promise(r => { const look = () => { const e = performance.getEntriesByName('first-contentful-paint')[0]; e ? r(e.startTime) : setTimeout(look, 20); }; look(); })")
            found.append(paint)
            page.context.close()
        b.close()
    return statistics.median(found)


def fan_out_ms(viewers: int = 10) -> float:
    """Return how long after its event the slowest of ten viewers has the new state, in ms: worst of 20 events."""
    import asyncio

    from bandwright.web.feeds import CampaignFeed
    from bandwright.words.progress import CampaignProgress

    sent: list[float] = []

    class Jobs:
        async def run(self, _person: object):
            for k in range(20):
                await asyncio.sleep(0.05)
                sent.append(time.perf_counter())
                yield CampaignProgress(kind="note", at=datetime(2026, 1, 1, tzinfo=UTC), text=f"event {k}")

    async def all_of_them() -> float:
        feed = CampaignFeed(Jobs(), lambda state: state.latest.text if state.latest else "")  # type: ignore[arg-type]
        worst = 0.0

        async def one() -> None:
            nonlocal worst
            async for text in feed.listen():
                got = time.perf_counter()
                if "event" in text:
                    k = int(text.split("event ")[1].split()[0])
                    worst = max(worst, 1000 * (got - sent[k]))
                    if k == 19:
                        return

        tasks = [asyncio.create_task(one()) for _ in range(viewers)]
        await asyncio.sleep(0)
        await asyncio.to_thread(feed.start)
        await asyncio.wait_for(asyncio.gather(*tasks), 60)
        return worst

    return asyncio.run(all_of_them())


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--tests", type=int, default=100_000)
    parser.add_argument("--browser", default="/usr/bin/chromium")
    asked = parser.parse_args()
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place) / "site"
        began = time.perf_counter()
        build(folder, asked.tests)
        print(f"{asked.tests} measurements beside a campaign, {(folder / 'records.db').stat().st_size / 1e6:.0f} MB, built in {time.perf_counter() - began:.0f} s; {os.cpu_count()} cores, load {os.getloadavg()[0]:.1f}")
        process, url = serve(folder)
        try:
            first = {p: get(url + p) for p in PAGES}
            warm = {p: statistics.median(get(url + p)[0] for _ in range(9)) for p in PAGES}
            print(f"{'page':<12}{'first ms':>10}{'warm ms':>10}{'times settings':>16}{'kB':>8}")
            for p in PAGES:
                print(f"{p:<12}{first[p][0]:>10.0f}{warm[p]:>10.1f}{warm[p] / warm['/settings']:>16.1f}{(first[p][1]) / 1000:>8.1f}")
            print(f"Today, all it needs: {first['/'][1] / 1000:.0f} kB; server memory {rss_mb(process.pid):.0f} MB")
            paint = first_paint_ms(url, asked.browser)
            print(f"first paint of Today, processor slowed six times: {'no browser' if paint is None else f'{paint:.0f} ms'}")
        finally:
            process.terminate()
            process.wait(10)
        print(f"ten viewers of a running campaign: the slowest has each of 20 events within {fan_out_ms():.1f} ms")
        print(json.dumps({"tests": asked.tests, "today_warm_ms": round(warm["/"], 1), "history_warm_ms": round(warm["/history"], 1), "verdict_first_ms": round(first["/verdict"][0])}))


if __name__ == "__main__":
    main()

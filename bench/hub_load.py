"""Many sites push to a hub on a real PostgreSQL over loopback, with the hub killed (-9) in the middle: records a second, nothing lost, nothing twice.

    python bench/hub_load.py --sites 5000 --tests 100

PostgreSQL is started here in a folder of its own with its usual durability (fsync and synchronous_commit on), and stopped at the end.
Batches hold one site's tests and are packed beforehand, so that what is timed is the hub. Plain HTTP: no TLS.
"""

from __future__ import annotations

import argparse
import asyncio
import os
import shutil
import signal
import socket
import subprocess
import sys
import tempfile
import time
import uuid
from datetime import UTC, datetime, timedelta
from pathlib import Path

import httpx2
from sqlalchemy import create_engine, text

from bandwright.jobs.assembly_hub import add_site, open_store
from bandwright.outlets import hubwire
from bandwright.privacy import Private
from bandwright.words.fleet import Batch, Parcel
from bandwright.words.measurement import Measurement, Method, Value
from bandwright.workspace.documents import to_document

QUANTITIES = ("goodput_down_mbps", "goodput_up_mbps", "delay_idle_ms", "delay_loaded_up_ms", "loss_ratio")


def start_postgres(folder: Path) -> list[str]:
    initdb = max(Path("/usr/lib/postgresql").glob("*/bin/initdb"))
    prefix = ["runuser", "-u", "postgres", "--"] if os.geteuid() == 0 else []
    if prefix:
        shutil.chown(folder, "postgres", "postgres")
    subprocess.run([*prefix, str(initdb), "-D", str(folder / "data"), "-A", "trust", "-U", "bw", "--no-locale", "-E", "UTF8"], check=True, capture_output=True, cwd="/")
    control = [*prefix, str(initdb.with_name("pg_ctl")), "-D", str(folder / "data")]
    subprocess.run([*control, "-s", "-w", "-l", str(folder / "log"), "-o", f"-k {folder} -c listen_addresses='' -c shared_buffers=512MB -c max_wal_size=4GB", "start"], check=True, cwd="/")
    with create_engine(f"postgresql+psycopg://bw@/postgres?host={folder}", isolation_level="AUTOCOMMIT").connect() as c:
        c.execute(text("create role hub login"))
        c.execute(text("create database hub owner hub"))
    return control


def start_hub(url: str, port: int) -> subprocess.Popen[bytes]:
    hub = subprocess.Popen([sys.executable, "-m", "bandwright.cli.main", "hub", url, "--port", str(port)], stderr=subprocess.DEVNULL)
    for _ in range(300):
        with socket.socket() as s:
            if s.connect_ex(("127.0.0.1", port)) == 0:
                return hub
        time.sleep(0.1)
    raise SystemExit("the hub did not start")


def body_of(site: int, tests: int) -> bytes:
    start = datetime.now(UTC).replace(minute=0, second=0, microsecond=0) - timedelta(days=20)
    parcels = []
    for i in range(tests):
        key = str(uuid.uuid5(uuid.NAMESPACE_OID, f"{site} {i}"))
        values = tuple(Value(quantity=q, value=10.0 + (site * 7 + i * 3 + n) % 90, low=9.0, high=101.0) for n, q in enumerate(QUANTITIES))
        m = Measurement(key=key, at=start + timedelta(hours=4 * i, seconds=site % 3600), method=Method.NEAR_FAR, values=values, setup_asked="window/automatic", megabytes=20.0, seconds=9.0)
        parcels.append(Parcel(kind="measurements", key=key, record=to_document(m)))
    return hubwire.encode_batch(Batch(key=str(uuid.uuid5(uuid.NAMESPACE_OID, f"batch {site}")), sequence=1, parcels=tuple(parcels)))


async def load(work: list[tuple[hubwire.HubLink, bytes]], port: int, done: list[int], clients: int, half_done: asyncio.Event) -> tuple[int, int]:
    """Deliver until every batch is acknowledged. Returns (deliveries that failed, batches the hub said it had already)."""
    queue = list(range(len(work)))
    failed = had = 0
    async with httpx2.AsyncClient(timeout=60.0) as client:

        async def one() -> None:
            nonlocal failed, had
            while queue:
                number = queue.pop()
                link, body = work[number]
                try:
                    got = await client.post(f"http://127.0.0.1:{port}{hubwire.BATCHES}", content=body, headers={"authorization": hubwire.authorization(link, method="POST", path=hubwire.BATCHES, body=body)})
                    answer = hubwire.answer_from(got.json()) if got.status_code == 200 else None
                except (httpx2.HTTPError, OSError, ValueError):
                    answer = None
                if answer is None:
                    failed += 1
                    queue.append(number)
                    await asyncio.sleep(0.2)
                else:
                    had += answer.kind == "had"
                    done.append(number)
                    if len(done) >= len(work) // 2:
                        half_done.set()

        await asyncio.gather(*(one() for _ in range(clients)))
    return failed, had


async def both(work: list[tuple[hubwire.HubLink, bytes]], url: str, port: int, clients: int) -> tuple[int, int, float, float]:
    hub = await asyncio.to_thread(start_hub, url, port)
    done: list[int] = []
    half_done = asyncio.Event()
    began = time.perf_counter()
    loading = asyncio.create_task(load(work, port, done, clients, half_done))
    await half_done.wait()
    first_s = time.perf_counter() - began
    half = len(done)
    os.kill(hub.pid, signal.SIGKILL)
    hub.wait()
    down = time.perf_counter()
    hub = await asyncio.to_thread(start_hub, url, port)
    up_s = time.perf_counter() - down
    failed, had = await loading
    whole_s = time.perf_counter() - began - up_s
    hub.terminate()
    hub.wait()
    print(f"before the kill: {half} batches in {first_s:.1f} s; the hub was away for {up_s:.1f} s")
    return failed, had, whole_s, up_s


def main() -> None:
    options = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    options.add_argument("--sites", type=int, default=5000)
    options.add_argument("--tests", type=int, default=100)
    options.add_argument("--clients", type=int, default=16)
    given = options.parse_args()
    folder = Path(tempfile.mkdtemp(prefix="bwl", dir="/tmp"))
    control = start_postgres(folder)
    try:
        url = f"postgresql+psycopg://hub@/hub?host={folder}"
        store = open_store(url)
        with socket.socket() as s:
            s.bind(("127.0.0.1", 0))
            port = s.getsockname()[1]
        work = []
        for n in range(given.sites):
            _, link = add_site(store, f"site {n}", address=f"http://127.0.0.1:{port}")
            work.append((hubwire.parse_link(Private(link)), body_of(n, given.tests)))
        store.close()
        records = given.sites * given.tests
        print(f"{given.sites} sites, {records} tests, {sum(len(b) for _, b in work) / 1e6:.0f} MB packed", flush=True)
        failed, had, seconds, _ = asyncio.run(both(work, url, port, given.clients))
        with create_engine(f"postgresql+psycopg://bw@/hub?host={folder}").connect() as c:
            kept, keys, values, sums = (c.execute(text(q)).scalar_one() for q in ("select count(*) from measurement", "select count(distinct (site, key)) from measurement", "select count(*) from measurement_value", "select sum(tests) from hourly"))
            size = c.execute(text("select pg_database_size('hub')")).scalar_one()
        print(f"{records / seconds:.0f} records/s over {seconds:.1f} s (generator and database on the same machine), {failed} deliveries failed, {had} batches were there already")
        print(f"kept {kept} of {records}; lost {records - kept}; twice {kept - keys}; values {values}; in the hourly sums {sums}; {size / 1e6:.0f} MB on disk, {size / max(1, kept):.0f} bytes a test")
        if (kept, keys, sums) != (records, records, records):
            raise SystemExit(1)
    finally:
        subprocess.run([*control, "-m", "fast", "-s", "stop"], check=False, cwd="/")
        shutil.rmtree(folder, ignore_errors=True)


if __name__ == "__main__":
    main()

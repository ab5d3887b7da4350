"""`bandwright demo`: the scenes of the demonstration, told in about half a minute."""

from __future__ import annotations

import asyncio
import sys
import tempfile
import time
import webbrowser
from datetime import datetime
from pathlib import Path
from zoneinfo import ZoneInfo

from bandwright.cli.screens import say, width
from bandwright.jobs.demo import Scene, demonstrate
from bandwright.telling.accounts.reading import reading_document
from bandwright.telling.demo import live_lines, one_test_lines, place_lines, verdict_lines
from bandwright.telling.plain import document_lines

__all__ = ["show_demo"]


def show_demo(*, seed: int | None, folder: Path | None, page: bool) -> None:
    """Show the demonstration, then serve its workspace's page until Ctrl-C where asked."""
    place = folder or Path(tempfile.mkdtemp(prefix="bandwright-demo-"))
    began = time.monotonic()
    asyncio.run(_show(place, seed))
    print(f"\nAll of it is kept in {place} ({time.monotonic() - began:.0f} s). Yours: `bandwright new DIR`, or paste what your gateway shows: `bandwright reading --paste`.", flush=True)
    if page:
        _serve(place)


async def _show(folder: Path, seed: int | None) -> None:
    day: datetime | None = None
    count = 0
    async for scene in demonstrate(folder, seed=seed):
        if scene.kind != "progress":
            _print(scene)
            continue
        event = scene.progress
        if event is None or scene.declared is None:
            continue
        local = event.at.astimezone(ZoneInfo(scene.declared.site.timezone))
        count += event.kind == "tested"
        if day is None or local.date() != day.date():
            if day is None:
                print("\n4. The campaign, in simulated time: a week's waiting passes in seconds, every test goes through modem, parser and analysis.")
            day = local
            print(f"   {local:%A %d %B}: {count} tests so far", flush=True)
        if event.kind == "mounted":
            print(f"   {local:%a %H:%M}  a person changed the rig: {event.rig}", flush=True)
        elif event.kind == "answer":
            print(f"   {local:%a %H:%M}  stopped by itself after {count} tests: {event.text}", flush=True)


def _print(scene: Scene) -> None:
    columns = width()
    if scene.kind == "declared" and scene.declared is not None:
        lines = ["1. The place (simulated, in simulated days: a real campaign takes days, not seconds)", *place_lines(scene.declared, width=columns)]
    elif scene.kind == "look" and scene.look is not None:
        look = scene.look
        document = reading_document(look.capture, look.readings, main=look.main, findings=look.findings, forecasts=look.forecasts)
        lines = ["", "2. What the supplied gateway's page says, pasted and explained", *(f"   {line}" for line in document_lines(document, width=columns - 3, evidence=False))]
    elif scene.kind == "one_test" and scene.one_test is not None:
        lines = ["", "3. What one test of each setup would pick", *one_test_lines(scene.one_test, declared=scene.declared, width=columns)]
    elif scene.kind == "verdict" and scene.verdict is not None:
        answer = scene.verdict
        lines = ["", "5. The verdict", *verdict_lines(answer.verdict, declared=answer.declared, design=answer.design, width=columns)]
    elif scene.kind == "live" and scene.live is not None:
        lines = ["", "6. One test in real time: real bytes through a bottleneck on this computer", *live_lines(scene.live, width=columns)]
    else:
        return
    print("\n".join(lines), flush=True)


def _serve(folder: Path) -> None:
    from bandwright.errors import UsageError
    from bandwright.web.serve import serve
    from bandwright.words.settings import defaults

    port = int(defaults()["page_port"])
    for offset in range(20):
        address = f"http://127.0.0.1:{port + offset}/"
        try:
            if sys.stdout.isatty():
                webbrowser.open(address + "verdict")
            print(f"\nThe page with the same verdict: {address}verdict   Ctrl-C ends it. Paste yours at {address}reading", flush=True)
            serve(folder, port=port + offset, say=lambda text: None if text.startswith("The pages") else say(text))
        except UsageError:
            continue
        return

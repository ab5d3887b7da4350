"""Make the README's picture and printed output from what the commands show; `python3 tasks.py pictures` runs it.

Blocks between `<!-- output: NAME -->` and `<!-- end -->` are what the named command prints; a test compares them.
"""

from __future__ import annotations

import asyncio
import os
import re
import subprocess
import sys
import tempfile
import threading
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
README = ROOT / "README.md"
PICTURES = ROOT / "docs" / "pictures"
CHROMIUM = "/usr/bin/chromium"
WIDTH = 100


def reading_output() -> str:
    """Return what `bandwright reading --paste < docs/example-reading.txt` prints, from its second line on (the first holds the time)."""
    text = (ROOT / "docs" / "example-reading.txt").read_text(encoding="utf-8")
    done = subprocess.run([sys.executable, "-m", "bandwright.cli.main", "reading", "--paste"], input=text, capture_output=True, text=True, check=True, cwd=ROOT, env={**os.environ, "COLUMNS": str(WIDTH)})
    return "\n".join(done.stdout.splitlines()[1:])


async def _demonstration(folder: Path) -> dict[str, list[str]]:
    from bandwright.jobs.demo import demonstrate
    from bandwright.telling.demo import one_test_lines, verdict_lines

    out: dict[str, list[str]] = {}
    async for scene in demonstrate(folder, live=False):
        if scene.one_test is not None:
            out["one test each"] = one_test_lines(scene.one_test, declared=scene.declared, width=WIDTH)
        elif scene.verdict is not None:
            out["verdict"] = verdict_lines(scene.verdict.verdict, declared=scene.verdict.declared, design=scene.verdict.design, width=WIDTH)
    return out


def outputs(folder: Path) -> dict[str, str]:
    """Return every printed block by its name; the demonstration's workspace goes into `folder`."""
    scenes = asyncio.run(_demonstration(folder))
    return {"reading": reading_output(), **{name: "\n".join(lines) for name, lines in scenes.items()}}


def blocks(text: str) -> dict[str, str]:
    """Return the printed blocks that a text holds, by name."""
    return {m[1]: m[2] for m in re.finditer(r"<!-- output: ([\w ]+) -->\n```text\n(.*?)\n```\n<!-- end -->", text, re.DOTALL)}


def fill(text: str, found: dict[str, str]) -> str:
    """Return the text with its blocks replaced."""
    for name, body in found.items():
        pattern = re.compile(rf"(<!-- output: {name} -->\n```text\n).*?(\n```\n<!-- end -->)", re.DOTALL)
        text = pattern.sub(lambda m, body=body: m[1] + body + m[2], text)
    return text


def photograph(folder: Path) -> None:
    """Take the picture of the verdict page."""
    import uvicorn
    from playwright.sync_api import sync_playwright

    from bandwright.web.app import create_app
    from bandwright.web.house import HouseJobs

    server = uvicorn.Server(uvicorn.Config(create_app(HouseJobs(folder)), host="127.0.0.1", port=8699, log_level="error"))
    threading.Thread(target=server.run, daemon=True).start()
    PICTURES.mkdir(exist_ok=True)
    with sync_playwright() as p:
        browser = p.chromium.launch(executable_path=CHROMIUM, args=["--no-sandbox", "--disable-gpu", "--disable-background-networking"])
        page = browser.new_page(viewport={"width": 1280, "height": 1000}, device_scale_factor=1)
        for _ in range(50):
            try:
                page.goto("http://127.0.0.1:8699/verdict")
                break
            except Exception:  # noqa: BLE001 -- the server may still be starting
                page.wait_for_timeout(100)
        page.screenshot(path=str(PICTURES / "verdict.png"))
        browser.close()
    server.should_exit = True


def main() -> int:
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        found = outputs(folder)
        README.write_text(fill(README.read_text(encoding="utf-8"), found), encoding="utf-8")
        photograph(folder)
    print("README.md and docs/pictures are what the commands show.")
    return 0


if __name__ == "__main__":
    raise SystemExit(main())

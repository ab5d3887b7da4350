"""`bandwright reading`: pasted text or a gateway's answer, explained."""

from __future__ import annotations

import asyncio
import sys
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from bandwright.cli.screens import print_document, print_json, say
from bandwright.errors import UsageError
from bandwright.jobs.look import LookAnswer, explain

__all__ = ["look_json", "show_reading"]


def show_reading(site: Path, *, paste: bool, source: str | None, as_json: bool) -> None:
    """Print what a paste, or a declared gateway's answer, means."""
    if paste and source is not None:
        raise UsageError("--paste and --from exclude each other")
    answer = _pasted() if paste or (source is None and not sys.stdin.isatty()) else asyncio.run(_asked(site, source))
    if as_json:
        print_json("reading", look_json(answer))
        return
    from bandwright.telling.accounts.reading import reading_document

    print_document(reading_document(answer.capture, answer.readings, findings=answer.findings, forecasts=answer.forecasts))


def _pasted() -> LookAnswer:
    if sys.stdin.isatty():
        say("Paste the text, then end the input (Ctrl-D).")
    return explain(sys.stdin.buffer.read(), at=datetime.now(UTC))


async def _asked(site: Path, source: str | None) -> LookAnswer:
    from bandwright.jobs.assembly import open_house
    from bandwright.jobs.look import look

    house = open_house(site)
    keys = [g.key for g in house.declared.gateways]
    if source is None and len(keys) != 1:
        raise UsageError("which gateway?", allowed=", ".join(keys) or "none is declared", todo="Name it with --from, or paste text with --paste")
    if source is not None and source not in keys:
        raise UsageError("gateway", given=source, allowed=", ".join(keys))
    try:
        return await look(house, source or keys[0])
    finally:
        await house.close()


def look_json(answer: LookAnswer) -> dict[str, Any]:
    """Return a look as plain JSON values."""
    from dataclasses import asdict

    from bandwright.readings.parse import reading_json

    return {
        "at": answer.capture.at.isoformat(),
        "readings": [reading_json(r, answer.capture.text) for r in answer.readings],
        "findings": [asdict(f) for f in answer.findings],
        "forecasts": [asdict(f) for f in answer.forecasts],
    }

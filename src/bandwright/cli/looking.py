"""`bandwright reading`: pasted text, a picture of a page, or a gateway's answer, explained."""

from __future__ import annotations

import asyncio
import sys
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import typer

from bandwright.cli.screens import print_document, print_json, say
from bandwright.errors import UsageError
from bandwright.jobs.look import LookAnswer, explain
from bandwright.words.radio import Field

__all__ = ["look_json", "show_reading"]


_NOTHING_RECOGNISED = 8


def show_reading(site: Path, *, paste: bool, source: str | None, picture: Path | None, as_json: bool) -> int:
    """Print what a paste, a picture, or a declared gateway's answer means; return the exit code: 8 where nothing of the radio was recognised."""
    if paste + (source is not None) + (picture is not None) > 1:
        raise UsageError("--paste, --from and --picture exclude each other")
    if picture is not None:
        answer = _pictured(picture)
    else:
        answer = _pasted() if paste or (source is None and not sys.stdin.isatty()) else asyncio.run(_asked(site, source))
    if as_json:
        print_json("reading", look_json(answer))
    else:
        from bandwright.telling.accounts.reading import reading_document

        print_document(reading_document(answer.capture, answer.readings, findings=answer.findings, forecasts=answer.forecasts))
    return 0 if answer.recognised else _NOTHING_RECOGNISED


def _pictured(picture: Path) -> LookAnswer:
    """Read a picture, and put each value to the person at the terminal; without one, none counts."""
    from bandwright.jobs.picture import explain_picture

    def is_right(whose: str, item: Field) -> bool:
        if not sys.stdin.isatty():
            return False
        shown = item.value if item.value is not None else f"{item.low} to {item.high}"
        return typer.confirm(f"{whose}{item.name}: {shown} {item.unit or ''}".rstrip() + " - is this what the page says?", default=False, err=True)

    say("What is read from a picture is a guess. Each value counts only if you confirm it.")
    return explain_picture(picture, at=datetime.now(UTC), is_right=is_right)


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

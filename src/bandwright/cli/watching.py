"""`bandwright watch` and `bandwright again`: keep watch, and recheck in ten minutes."""

from __future__ import annotations

import asyncio
import os
import sys
from contextlib import aclosing
from dataclasses import asdict
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING

from bandwright.errors import BandwrightError, UsageError

if TYPE_CHECKING:
    from bandwright.jobs.recheck import AgainAnswer
    from bandwright.jobs.reliability import ReliabilityAnswer
    from bandwright.telling.document import Document

__all__ = ["show_again", "show_outages", "show_watch"]

_CHANGED = 4


def show_watch(site: Path, *, setup: str | None, days: float | None, as_json: bool) -> int:
    """Keep watch until stopped; 4 where a change was found.

    A watch runs for weeks, so the program starts itself anew without the command line's libraries, and without the texts that only
    programmers read (-OO: 4 MB), where the system can.
    """
    if os.name == "posix" and Path(sys.argv[0]).name == "bandwright":
        words = [str(site), setup or "", "" if days is None else str(days), "json" if as_json else ""]
        os.execv(sys.executable, [sys.executable, "-OO", "-m", "bandwright.cli.watching", *words])  # noqa: S606 -- this program itself
    return asyncio.run(_watch(site, setup=setup, days=days, as_json=as_json))


async def _watch(site: Path, *, setup: str | None, days: float | None, as_json: bool) -> int:
    from bandwright.jobs.assembly_watch import open_watch
    from bandwright.jobs.watch import watch

    house, close = open_watch(site)
    until = None if days is None else house.clock.now() + timedelta(days=days)
    changed = False
    try:
        async with aclosing(watch(house, setup=setup, until=until)) as events:
            async for event in events:
                changed = changed or event.kind == "change"
                if as_json:
                    from bandwright.cli.screens import print_json

                    alert = None if event.alert is None else asdict(event.alert)
                    print_json("watch", {"kind": event.kind, "at": event.at.isoformat(), "text": event.text, "alert": alert}, line=True)
                elif event.kind != "hour":
                    print(f"{event.at.astimezone(house.zone):%a %d %b %H:%M}  {event.text}", file=sys.stderr, flush=True)
    finally:
        await close()
    return _CHANGED if changed else 0


def show_outages(site: Path, *, out: Path | None, as_json: bool) -> None:
    """Print what the watch saw of outages and availability, or write it as a document."""
    from bandwright.cli.screens import print_document, print_json
    from bandwright.jobs.assembly import open_house
    from bandwright.jobs.reliability import reliability

    answer = reliability(open_house(site))
    if as_json:
        print_json("outages", {k: v for k, v in asdict(answer).items() if k != "declared"})
        return
    document = _document(answer)
    if out is None:
        print_document(document)
        return
    from bandwright.telling.paper import paper_html, paper_pdf

    if out.suffix == ".pdf":
        out.write_bytes(paper_pdf(document))
    elif out.suffix in {".html", ".htm"}:
        out.write_text(paper_html(document), encoding="utf-8")
    else:
        raise UsageError("--document", given=out.name, allowed="a name that ends in .html or .pdf")
    print(f"{out} is written.")


def _document(answer: ReliabilityAnswer) -> Document:
    from zoneinfo import ZoneInfo

    from bandwright.telling.accounts.availability import availability_document

    return availability_document(
        site=answer.declared.site.name, whole=answer.whole, by_need=answer.by_need, by_hour=answer.by_hour, outages=answer.outages, began=answer.began, ended=answer.ended,
        look_s=answer.look_s, zone=ZoneInfo(answer.declared.site.timezone), made=datetime.now(UTC),
    )  # fmt: skip


def show_again(site: Path, *, setup: str | None, tests: int, megabytes: float | None, as_json: bool) -> int:
    """Recheck against the campaign: 0 as it was or better, 3 cannot tell, 4 worse."""
    if not 1 <= tests <= 30:
        raise UsageError("--tests", given=tests, allowed="1 to 30")
    return asyncio.run(_again(site, setup=setup, tests=tests, megabytes=megabytes, as_json=as_json))


async def _again(site: Path, *, setup: str | None, tests: int, megabytes: float | None, as_json: bool) -> int:
    from bandwright.cli.screens import print_json, say
    from bandwright.jobs.assembly import open_house
    from bandwright.jobs.recheck import again

    house = open_house(site)
    answer: AgainAnswer | None = None
    try:
        async with aclosing(again(house, setup=setup, tests=tests, megabytes=megabytes)) as events:
            async for event in events:
                answer = event.answer or answer
                if event.answer is None:
                    say(event.text)
    finally:
        await house.close()
    if answer is None:
        raise UsageError("the recheck ended without a test", todo="Allow more data with --megabytes")
    if as_json:
        print_json("again", {k: v for k, v in asdict(answer).items() if k != "measurements"} | {"tests": [m.key for m in answer.measurements]})
    else:
        print(answer.sentence)
    return {"worse": _CHANGED, "cannot tell": 3}.get(answer.kind, 0)


def _anew(site: str, setup: str, days: str, as_json: str) -> int:
    try:
        return asyncio.run(_watch(Path(site), setup=setup or None, days=float(days) if days else None, as_json=bool(as_json)))
    except (BandwrightError, KeyboardInterrupt) as error:
        from bandwright.cli.main import end

        return end(error)


if __name__ == "__main__":
    raise SystemExit(_anew(*sys.argv[1:5]))

"""Setups, design, run, verdict, history and report on the command line."""

from __future__ import annotations

import asyncio
import sys
from concurrent.futures import ProcessPoolExecutor
from dataclasses import asdict
from multiprocessing import get_context
from pathlib import Path
from typing import Any

from bandwright.cli.screens import TerminalPerson, print_document, print_json, progress_printer, say
from bandwright.errors import UsageError
from bandwright.words.answers import Verdict

__all__ = ["show_design", "show_history", "show_put_back", "show_run", "show_setups", "show_verdict", "write_report"]

_REHEARSED = 24
_DECIDED = {"best", "no difference", "send it back"}


def show_setups(site: Path, *, as_json: bool) -> None:
    """Print the declared setups."""
    from bandwright.jobs.assembly import open_house

    house = open_house(site)
    if as_json:
        print_json("setups", {"setups": [asdict(s) for s in house.declared.setups]})
        return
    from bandwright.telling.accounts.setups import setups_document

    print_document(setups_document(house.declared))


def show_design(site: Path, *, as_json: bool) -> None:
    """Print what a campaign would take."""
    from bandwright.jobs.assembly import open_house
    from bandwright.jobs.deciding import hold_to_one_thread
    from bandwright.jobs.foresee import foresee

    house = open_house(site)
    say(f"Rehearsing {_REHEARSED} campaigns on what is known of places like this; about half a minute ...")
    with ProcessPoolExecutor(mp_context=get_context("spawn"), initializer=hold_to_one_thread) as executor:
        answer = foresee(house, campaigns=_REHEARSED, executor=executor)
    if as_json:
        print_json("design", {"campaign": answer.design.key, **asdict(answer.plan)})
        return
    from bandwright.telling.accounts.outlook import outlook_document

    print_document(outlook_document(answer.plan, design=answer.design, declared=answer.declared))


def show_run(site: Path, *, fresh: bool, as_json: bool) -> int:
    """Run the campaign and print its progress and its answer."""
    return asyncio.run(_run(site, fresh=fresh, as_json=as_json))


def show_put_back(site: Path) -> None:
    """Put back what every gateway was set to before the last campaign, and say what was done."""

    async def ask() -> tuple[str, ...]:
        from bandwright.jobs.assembly import open_house
        from bandwright.jobs.campaign import put_back

        house = open_house(site, person=TerminalPerson())
        try:
            with house.run_lock():
                return await put_back(house)
        finally:
            await house.close()

    for sentence in asyncio.run(ask()) or ("Nothing to put back: no campaign has set a gateway here.",):
        print(sentence)


async def _run(site: Path, *, fresh: bool, as_json: bool) -> int:
    from bandwright.jobs.assembly import open_house, recover
    from bandwright.jobs.campaign import run

    for sentence in await recover(site):
        say(sentence)
    house = open_house(site, person=TerminalPerson())
    show = progress_printer(house.zone)
    last: Verdict | None = None
    try:
        async for event in run(house, fresh=fresh):
            if as_json:
                print_json("progress", {"kind": event.kind, "at": event.at.isoformat(), "text": event.text, "setup": event.setup, "tested": asdict(event.tested) if event.tested else None}, line=True)
            show(event)
            if event.kind == "answer":
                last = event.verdict
                say(event.text)
    finally:
        await house.close()
    if last is None:
        return 3
    if as_json:
        print_json("verdict", asdict(last), line=True)
    else:
        _print_verdict_lines(last, house)
    return 0 if last.kind in _DECIDED else 3


def _print_verdict_lines(found: Verdict, house: Any) -> None:
    from bandwright.telling.names import names_of
    from bandwright.telling.plain import said_text
    from bandwright.telling.sentences import verdict_told

    for sentence in verdict_told(found, names=names_of(house.declared, verdict=found), declared=house.declared).sentences():
        print(said_text(sentence))


def show_verdict(site: Path, *, campaign: str | None, seed: int | None, brief: bool, as_json: bool) -> int:
    """Print a campaign's verdict; exit code 3 where it is not yet one."""
    from bandwright.jobs.assembly import open_house
    from bandwright.jobs.judge import judge

    house = open_house(site)
    answer = judge(house, campaign=campaign, seed=seed, with_measurements=not brief and not as_json)
    if as_json:
        print_json("verdict", {"campaign": answer.design.key, **asdict(answer.verdict)})
    elif brief:
        _print_verdict_lines(answer.verdict, house)
    else:
        from bandwright.telling.accounts.verdict import verdict_document

        print_document(verdict_document(answer.verdict, declared=answer.declared, design=answer.design, events=answer.events))
    return 0 if answer.verdict.kind in _DECIDED else 3


def show_history(site: Path, *, last: int, as_json: bool) -> None:
    """Print the newest measurements."""
    from bandwright.cli.measuring import measurement_json
    from bandwright.jobs.assembly import open_house
    from bandwright.jobs.history import history

    house = open_house(site)
    answer = history(house, limit=last)
    if as_json:
        print_json("history", {"count": answer.count, "measurements": [measurement_json(m) for m in answer.measurements]})
        return
    from bandwright.telling.plain import said_text
    from bandwright.telling.sentences import failure_sentence, measured_sentence

    for m in answer.measurements:
        told = measured_sentence(m) if m.outcome == "ok" else failure_sentence(m)
        mark = " (entered)" if m.method == "entered" else ""
        print(f"{m.at.astimezone(house.zone):%a %d %b %Y %H:%M}  {m.setup_asked or '-'}{mark}  {said_text(told)}")
    print(f"{len(answer.measurements)} of {answer.count}", file=sys.stderr)


def write_report(site: Path, *, out: Path, campaign: str | None) -> None:
    """Write a campaign's report."""
    from bandwright.jobs.assembly import open_house
    from bandwright.jobs.handover import report

    if out.suffix.lower() not in {".html", ".pdf"}:
        raise UsageError("report file", given=str(out), allowed="a name that ends in .html or .pdf")
    report(open_house(site), out=out, campaign=campaign)
    print(f"{out} is written.")

"""What the terminal shows: documents as lines, progress on a terminal or plain lines elsewhere, questions to the person at the site."""

from __future__ import annotations

import asyncio
import json
import shutil
import sys
from collections.abc import Callable, Mapping
from typing import Any

from bandwright.ports import Question
from bandwright.telling.cautions import CAUTIONS
from bandwright.telling.document import Document
from bandwright.telling.plain import document_lines
from bandwright.words.progress import CampaignProgress

__all__ = ["TerminalPerson", "print_document", "print_json", "progress_printer", "say", "width"]


def width() -> int:
    """Return the width to write to: the terminal's, at most 100, and 100 where there is none."""
    return min(100, shutil.get_terminal_size((100, 24)).columns)


def say(text: str) -> None:
    """Print words and progress to stderr: stdout is for the answer."""
    print(text, file=sys.stderr, flush=True)


def print_json(schema: str, document: Mapping[str, Any], *, version: int = 1, line: bool = False) -> None:
    """Print one JSON object on stdout, with the name and version of its schema."""
    whole = {"schema": f"bandwright.{schema}", "schema_version": version, **document}
    print(json.dumps(whole, ensure_ascii=False, default=str, indent=None if line else 2), flush=True)


def print_document(document: Document, *, evidence: bool = True) -> None:
    """Print a document on stdout."""
    print("\n".join(document_lines(document, width=width(), evidence=evidence)), flush=True)


def progress_printer(zone: Any) -> Callable[[CampaignProgress], None]:
    """Return a printer of a campaign's events: one changing line on a terminal, a line per test elsewhere."""
    live = sys.stderr.isatty()
    state = {"open": False}

    def show(event: CampaignProgress) -> None:
        stamp = f"{event.at.astimezone(zone):%a %d %b %H:%M}"
        passing = event.kind in {"applying", "warming up", "measuring"}
        line = f"{stamp}  {event.text}"[: width() - 1]
        if live and passing:
            print(f"\r{line:<{width() - 1}}", end="", file=sys.stderr, flush=True)
            state["open"] = True
        elif not passing and event.kind != "answer":
            print(f"\r{line:<{width() - 1}}" if state["open"] else line, file=sys.stderr, flush=True)
            state["open"] = False

    return show


class TerminalPerson:
    """Asks the person at the terminal. A pasted text ends with a line that holds a single full stop, or with the end of input."""

    async def ask(self, question: Question) -> str:
        """Ask on stderr, read the answer from stdin."""
        return await asyncio.to_thread(self._ask, question)

    def _ask(self, question: Question) -> str:
        say("")
        for row in CAUTIONS:
            if row.key in question.cautions:
                say(f"  ! {row.text}")
        say(question.text)
        if question.kind == "paste":
            say('Paste what the gateway shows, then a line with a single full stop. "skip" on a line of its own if you cannot.')
            return self._paste()
        say('Press Enter when it is done; "skip" if it cannot be done, "stop" to go on another time.')
        line = sys.stdin.readline()
        return "stop" if line == "" else line.strip() or "done"

    def _paste(self) -> str:
        lines: list[str] = []
        for line in sys.stdin:
            if line.strip() == "." or (not lines and line.strip() in {"skip", "stop"}):
                return line.strip() if line.strip() != "." else "".join(lines)
            lines.append(line)
        return "".join(lines)

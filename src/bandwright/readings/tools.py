"""The printed output of command-line tools and of a router system's monitor: one row each, with what it begins with and its reader."""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass

from bandwright.readings.draft import Piece
from bandwright.readings.programs.mbimcli import read_mbim_registration, read_mbimcli
from bandwright.readings.programs.mmcli import read_mmcli
from bandwright.readings.programs.monitor import MONITOR, read_monitor_text
from bandwright.readings.programs.qmicli import read_qmicli
from bandwright.words.radio import Mode

__all__ = ["TOOLS", "Tool", "read_tools"]


@dataclass(frozen=True, slots=True)
class Tool:
    """One row of the table of tools: what its output begins with, and the reader. read: text and match to pieces."""

    key: str
    begins: re.Pattern[str]
    read: Callable[[str, re.Match[str]], list[Piece]]


def _tool_error(_text: str, found: re.Match[str]) -> list[Piece]:
    """Read a tool's refusal: of all of them only "no network" says something of the radio."""
    piece = Piece("tool error", "command-line tool", found.start(), found.end(), repeats=False)
    piece.spans.append((found.start(), found.end()))
    if "NoNetwork" in found.group() or "NotProvisioned" in found.group():
        piece.say_mode(Mode.NONE, 1)
        piece.why["registration"] = "an error, not a registration state"
    return [piece]


TOOLS: tuple[Tool, ...] = (
    Tool("qmicli", re.compile(r"^[ \t]*\[[^\]\n]{1,80}\] Successfully got ([^\n]{3,40}?):?[ \t]*$", re.MULTILINE), read_qmicli),
    Tool("error", re.compile(r"^[^\n]{0,60}error: couldn't [^\n]*$", re.MULTILINE), _tool_error),
    Tool("mmcli", re.compile(r"^[ \t]*-{10,}[ \t]*\n(?=[ \t]*[A-Za-z0-9 ]+\|[^\n]*:)", re.MULTILINE), read_mmcli),
    Tool("mbimcli", re.compile(r"^[ \t]*(?:System type: [^\n]*|LTE Serving cell:[ \t]*)$", re.MULTILINE), read_mbimcli),
    Tool("mbimcli", re.compile(r"^[ \t]*\[[^\]\n]{1,80}\] Registration status:[ \t]*$", re.MULTILINE), read_mbim_registration),
    Tool("monitor", MONITOR, read_monitor_text),
)


def read_tools(text: str) -> list[Piece]:
    """Return the pieces of all tool outputs in a plain text."""
    pieces: list[Piece] = []
    for tool in TOOLS:
        place = 0
        while (found := tool.begins.search(text, place)) is not None:
            made = tool.read(text, found)
            pieces.extend(made)
            place = max(found.end(), *(piece.stop for piece in made)) if made else found.end()
    return pieces

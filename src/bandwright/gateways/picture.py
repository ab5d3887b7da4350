"""Text out of a picture of a status page: the one thing here that guesses, so nothing of it counts before a person has confirmed it.

Needs the extra `ocr`, whose models come with its package: nothing is fetched and nothing leaves the computer. What stands where on the
picture becomes lines of text, with wide gaps between columns, so that the text is read as any other.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import NamedTuple

from bandwright.errors import UsageError

__all__ = ["Box", "lines_of", "picture_text"]

_LARGEST_BYTES = 20_000_000


class Box(NamedTuple):
    """A piece of text on a picture: its words, its left edge, its middle's height from the top, and how high it is, in pixels."""

    text: str
    left: float
    middle: float
    height: float


def picture_text(path: Path) -> str:
    """Return the text of a picture (PNG or JPEG).

    Raises UsageError where the file is none, is too large, shows no text, or where the extra is not installed.
    """
    try:
        size = path.stat().st_size
        data = path.read_bytes() if size <= _LARGEST_BYTES else b""
    except OSError as error:
        raise UsageError("picture", given=str(path), todo=f"Name a PNG or JPEG file that can be read ({error.strerror})") from error
    if size > _LARGEST_BYTES:
        raise UsageError("picture", given=f"{size} octets", allowed=f"at most {_LARGEST_BYTES}", todo="Cut the picture to the status page")
    if not data.startswith((b"\x89PNG\r\n", b"\xff\xd8\xff")):
        raise UsageError("picture", given=path.name, allowed="PNG or JPEG", todo="Save the screenshot as PNG")
    boxes = _recognised(data)
    if not boxes:
        raise UsageError("picture", given=path.name, todo="No text was found on it: take the screenshot anew, larger, or paste the page's text")
    return lines_of(boxes)


def lines_of(boxes: Sequence[Box]) -> str:
    """Return pieces of text as lines, top to bottom and left to right; pieces at one height are one line, two blanks apart."""
    rows: list[list[Box]] = []
    for box in sorted(boxes, key=lambda one: one.middle):
        last = rows[-1] if rows else []
        if last and box.middle - last[-1].middle < 0.5 * min(box.height, last[-1].height):
            last.append(box)
        else:
            rows.append([box])
    return "\n".join("  ".join(box.text for box in sorted(row, key=lambda one: one.left)) for row in rows) + "\n"


def _recognised(data: bytes) -> list[Box]:
    try:
        from rapidocr import RapidOCR
    except ImportError as error:
        raise UsageError("pictures need the extra ocr", todo="Install it with `pip install 'bandwright[ocr]'`, or paste the page's text with --paste") from error
    try:
        found = RapidOCR(params={"Global.log_level": "error"})(data)
    except Exception as error:
        raise UsageError("picture", given=f"{len(data)} octets", todo=f"It cannot be read as a picture ({type(error).__name__}): save it anew as PNG") from error
    if found.boxes is None or found.txts is None:
        return []
    out = []
    for corners, text in zip(found.boxes, found.txts, strict=True):
        heights = [float(corner[1]) for corner in corners]
        out.append(Box(str(text), min(float(corner[0]) for corner in corners), sum(heights) / len(heights), max(heights) - min(heights)))
    return out

"""What a picture of a status page says, value by value confirmed by a person."""

from __future__ import annotations

import hashlib
from collections.abc import Callable
from datetime import datetime
from pathlib import Path

from bandwright.gateways.picture import picture_text
from bandwright.jobs.look import LookAnswer, explain_readings_of
from bandwright.readings.confirm import confirmed
from bandwright.readings.parse import parse
from bandwright.words.radio import Capture, Carrier, Field

__all__ = ["explain_picture"]


def explain_picture(path: Path, *, at: datetime, is_right: Callable[[str, Field], bool], text_of: Callable[[Path], str] = picture_text) -> LookAnswer:
    """Return what a picture means, as far as the person confirms it.

    at: UTC. is_right: asked for each value, with the words that say whose it is ("lte pcell "), or "" for what is of the device.
    """
    text = text_of(path)
    key = "picture-" + hashlib.sha256(f"{at.isoformat()}|{text}".encode()).hexdigest()[:16]
    capture = Capture(key=key, at=at, kind="pasted", text=text, meta=(("guessed from", path.name),))

    def asked(carrier: Carrier | None, item: Field) -> bool:
        return is_right("" if carrier is None else f"{carrier.rat.value} {carrier.role.value} ", item)

    return explain_readings_of(capture, tuple(confirmed(reading, asked) for reading in parse(capture)))

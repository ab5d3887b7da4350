"""How exchanges become a capture: verbatim, with the command before its answer where the equipment did not echo it."""

from __future__ import annotations

import uuid
from collections.abc import Sequence
from datetime import datetime

from bandwright.words.radio import Capture, Exchange

__all__ = ["exchange_text", "make_capture"]


def exchange_text(exchanges: Sequence[Exchange]) -> str:
    """Return the text that spans of a reading point into: each command, then what answered it."""
    parts = []
    for one in exchanges:
        echoed = one.received.lstrip("\r\n").startswith(one.sent)
        parts.append(one.received if echoed or not one.sent else f"{one.sent}\r\n{one.received}")
        if parts[-1] and not parts[-1].endswith("\n"):
            parts.append("\r\n")
    return "".join(parts)


def make_capture(
    kind: str,
    exchanges: Sequence[Exchange],
    *,
    at: datetime,
    gateway: str | None,
    moment: str | None = None,
    text: str | None = None,
    meta: tuple[tuple[str, str], ...] = (),
) -> Capture:
    """Return a capture of these exchanges. text: given where it is not simply the exchanges in their order."""
    return Capture(
        key=uuid.uuid4().hex,
        at=at,
        kind=kind,
        text=exchange_text(exchanges) if text is None else text,
        exchanges=tuple(exchanges),
        gateway=gateway,
        moment=moment,
        meta=meta,
    )

"""Progress of a long job: a stream of frozen events that ends in its answer. The terminal prints it, the page streams it."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from typing import Literal

from bandwright.words.answers import Verdict
from bandwright.words.campaign import Course, Tested
from bandwright.words.measurement import Measurement

__all__ = ["CampaignProgress"]


@dataclass(frozen=True, slots=True, kw_only=True)
class CampaignProgress:
    """One event of a running campaign.

    kind: "waiting" (until `until`), "applying", "warming up", "measuring", "tested", "ask" (a person must do something:
    `text` says what, with cautions first where it is a climb), "round", "mounted", "note", "answer" (the last: `verdict`).
    at: the campaign's own clock.
    """

    kind: Literal["waiting", "applying", "warming up", "measuring", "tested", "ask", "round", "mounted", "note", "answer"]
    at: datetime
    text: str
    setup: str | None = None
    rig: str | None = None
    until: datetime | None = None
    course: Course | None = None
    tested: Tested | None = None
    measurement: Measurement | None = None
    verdict: Verdict | None = None

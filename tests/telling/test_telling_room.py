"""What is said of a room, by case: the sentence first, then the table; nothing that was not measured."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Any, get_args

import pytest

from bandwright.telling.accounts.room import room_document, rooms_table
from bandwright.telling.plain import document_lines
from bandwright.words.measurement import Measurement, Method, Value
from bandwright.words.room import Quantile, RoomAnswer, RoomKind, RoomMeasured

AT = datetime(2026, 11, 3, 18, 0, tzinfo=UTC)
LINE = Measurement(key="m", at=datetime(2026, 11, 2, 9, 30, tzinfo=UTC), method=Method.NEAR_FAR, values=(Value(quantity="goodput_down_mbps", value=41.7), Value(quantity="goodput_up_mbps", value=8.2)))


def answer(kind: Any, **k: Any) -> RoomAnswer:
    measured = RoomMeasured(key="r1", at=AT, room="Back <room>", clock_step_ms=k.pop("step", 1.0), ended="up" if kind == "broken" else "", here=kind == "here")
    given = {"line": LINE, "down_mbps": Quantile(value=18.04, low=16.2, high=20.1, count=10), "idle_ms": Quantile(value=4.0, low=3.0, high=5.2, count=20), "idle_p95_ms": Quantile(value=9.0, low=6.0, count=20), **k}
    return RoomAnswer(measured=measured, kind=kind, **given)


def words(a: RoomAnswer) -> str:
    return " ".join(document_lines(room_document(a, timezone="Europe/London"))).replace("\u00a0", " ")


@pytest.mark.parametrize(
    ("kind", "headline", "todo"),
    [
        ("limits", "the house's own network is what limits here, not the radio.", "lay a cable"),
        ("clear", "the house's own network is not the limit in this room.", "slow past this computer"),
        ("may limit", "may be what limits here; this run cannot tell.", "Measure again here"),
        ("no line", "there is nothing to hold it against yet", "Measure the internet path once"),
        ("too little", "too little got through to say what limits here", "keep the page open"),
        ("broken", "the phone lost this computer while it sent much", "lay a cable"),
        ("here", "this was tried on the computer itself, so it says nothing of any room", "open the page on a phone in the room"),
    ],
)
def test_each_case_has_its_sentence_and_its_next_step(kind: Any, headline: str, todo: str) -> None:
    document = room_document(answer(kind), timezone="Europe/London")
    assert headline in str(document.headline)
    assert "Back <room>" in str(document.headline)
    assert todo.lower() in words(answer(kind)).lower()


def test_every_case_is_told_and_listed() -> None:
    every = [answer(kind) for kind in get_args(RoomKind)]
    assert len({str(room_document(a, timezone="UTC").headline) for a in every}) == len(every)
    table = rooms_table(every, timezone="UTC")
    assert len(table.rows) == len(every)
    assert len({str(r[1]) for r in table.rows}) == len(every)


def test_the_line_it_was_held_against_is_said_with_its_time() -> None:
    text = words(answer("limits", narrow=("down", "delay_up")))
    assert "What shows it: what comes to the phone and the wait while the phone sends much." in text
    assert "The internet line last carried 41.7 Mbit/s to the house and 8.2 Mbit/s from it, on Monday 2 November 2026, 09:30." in text
    assert "common practice, no source" in text


def test_figures_stand_with_their_range_and_absence_stays_visible() -> None:
    text = words(answer("limits"))
    assert "18.0 Mbit/s" in text
    assert "16.2 to 20.1 Mbit/s" in text
    assert "6.0 ms or more" in text
    assert text.count("not measured") == 3  # the upload and both waits under load


@pytest.mark.parametrize(("step", "said"), [(0.1, "steps of 0.1 ms"), (100.0, "steps of 100 ms"), (None, "could not be seen")])
def test_the_browsers_clock_is_owned_up_to(step: float | None, said: str) -> None:
    assert said in words(answer("clear", step=step))
    assert "The phone may be slower than the room" in words(answer("clear", step=step))


def test_nothing_is_said_of_a_line_that_was_not_measured() -> None:
    assert "internet line last carried" not in words(answer("no line", line=None))

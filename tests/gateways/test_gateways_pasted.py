"""The person as the gateway: stale pastes are asked for again, and what was told is kept."""

from __future__ import annotations

from datetime import timedelta

import pytest
from fakes import Person
from stage import SimClock

from bandwright.errors import GatewayRefused, GatewayUnreachable
from bandwright.gateways.kinds import open_gateway
from bandwright.gateways.pasted import told
from bandwright.words.rig import GatewayPlan, Tuning


def opened(person: Person | None, clock: SimClock, **settings: str):
    plan = GatewayPlan(key="supplied", kind="pasted", settings=tuple(settings.items()))
    return open_gateway(plan, clock=clock, ask=None if person is None else person.ask)


async def test_a_paste_equal_in_every_digit_is_asked_for_again() -> None:
    person, clock = Person(), SimClock()
    gateway = opened(person, clock)
    person.answers = ["RSRP: -92 dBm", "RSRP : -92", "RSRP: -91 dBm"]
    assert (await gateway.fetch()).text == "RSRP: -92 dBm"
    assert (await gateway.fetch()).text == "RSRP: -91 dBm"
    assert "equals an earlier paste in every digit" in person.questions[-1]


async def test_a_page_that_really_shows_the_same_is_confirmed_with_a_word() -> None:
    person, clock = Person(), SimClock()
    gateway = opened(person, clock)
    person.answers = ["RSRP: -92 dBm", "RSRP: -92 dBm", "same"]
    await gateway.fetch()
    capture = await gateway.fetch()
    assert capture.text == "RSRP: -92 dBm"
    assert "the person says" in dict(capture.meta)["stale"]


async def test_a_paste_older_than_the_change_by_its_own_clock_is_asked_for_again() -> None:
    person, clock = Person(), SimClock()
    gateway = opened(person, clock)
    await gateway.apply(Tuning(key="lte", mode="lte"))
    old, new = clock.now() - timedelta(hours=1), clock.now() + timedelta(minutes=1)
    person.answers = [f"at {old:%Y-%m-%dT%H:%M:%S}Z RSRP: -92", f"at {new:%Y-%m-%dT%H:%M:%S}Z RSRP: -90"]
    assert (await gateway.fetch()).text.endswith("-90")
    assert "before the last change" in person.questions[-1]


async def test_a_printed_time_without_its_zone_is_only_certain_beyond_fourteen_hours() -> None:
    person, clock = Person(), SimClock()
    gateway = opened(person, clock)
    await gateway.apply(Tuning(key="lte", mode="lte"))
    near = clock.now() - timedelta(hours=13)
    person.answers = [f"at {near:%Y-%m-%d %H:%M} RSRP: -92"]
    assert (await gateway.fetch()).text.endswith("-92")
    far = clock.now() - timedelta(hours=15)
    person.answers = [f"at {far:%Y-%m-%d %H:%M} RSRP: -91", "RSRP: -89"]
    assert (await gateway.fetch()).text == "RSRP: -89"


async def test_it_ends_after_three_times_and_nothing_is_made_up() -> None:
    person = Person()
    gateway = opened(person, SimClock())
    person.answers = ["", "  ", "\n"]
    with pytest.raises(GatewayUnreachable, match="no fresh text"):
        await gateway.fetch()
    assert len(person.questions) == 3


async def test_what_cannot_be_set_is_a_refusal_with_the_persons_words() -> None:
    person = Person()
    gateway = opened(person, SimClock())
    person.answers = ["cannot: there is no such menu"]
    with pytest.raises(GatewayRefused, match="no such menu"):
        await gateway.apply(Tuning(key="sa", mode="nr-sa"))


async def test_an_untunable_gateway_is_never_asked_to_be_set() -> None:
    person = Person()
    gateway = opened(person, SimClock(), can_tune="false")
    assert not (await gateway.abilities()).can_tune
    with pytest.raises(GatewayRefused, match="cannot be tuned"):
        await gateway.apply(Tuning(key="sa", mode="nr-sa"))
    assert person.questions == []


async def test_the_former_settings_are_put_back_in_the_persons_own_words() -> None:
    person = Person()
    gateway = opened(person, SimClock())
    person.answers = ["Mode: 4G/5G auto\nBands: all"]
    former = await gateway.settings()
    await gateway.apply(Tuning(key="lte", mode="lte"))
    await gateway.restore(former)
    assert "Mode: 4G/5G auto Bands: all" in person.questions[-1]


async def test_without_a_person_it_says_so() -> None:
    with pytest.raises(GatewayUnreachable, match="nobody is here to ask"):
        await opened(None, SimClock()).fetch()


def test_a_tuning_is_told_in_words() -> None:
    text = told(Tuning(key="x", mode="endc", bands=("B20", "n78"), cell="lte:6300:55", antenna="outside"))
    assert text == "network mode: 4G with 5G added (5G NSA), standalone off; bands: only B20, n78; cell: only lte:6300:55; antenna: outside"

"""What every kind of gateway must keep, one suite for all. A `Case` brings one kind up with something behind it; nothing here knows the kind.

What stands behind: the twin's modem (over TCP, over a pty), the real modem daemon from the operating system, and fakes for the rest;
`behind` says which.
"""

from __future__ import annotations

from collections.abc import Awaitable, Callable
from dataclasses import dataclass, field
from typing import Any

import pytest

from bandwright.errors import GatewayBusy, GatewayError, GatewayRefused, GatewayUnreachable
from bandwright.gateways.kinds import open_gateway
from bandwright.ports import Clock, Gateway
from bandwright.words.radio import Capture
from bandwright.words.rig import GatewayPlan, Tuning


async def _nothing() -> None:
    return


@dataclass(kw_only=True)
class Case:
    """One kind, brought up.

    tunings: what can be applied and read back. says: what must stand in a capture's text. sent: every command, call or request that
    reached the other side. may_send: whether one of them may be sent at all. unplug: makes the other side unreachable for good.
    """

    plan: GatewayPlan
    clock: Clock
    behind: str
    says: tuple[str, ...]
    tunings: tuple[Tuning, ...] = ()
    sent: Callable[[], list[str]]
    may_send: Callable[[str], bool]
    unplug: Callable[[], Awaitable[None]] = _nothing
    settle: Callable[[], Awaitable[None]] = _nothing
    opening: dict[str, Any] = field(default_factory=dict)
    unreachable: type[GatewayError] = GatewayUnreachable
    exclusive: bool = False
    reads_back_mode: bool = True

    def open(self) -> Gateway:
        return open_gateway(self.plan, clock=self.clock, **self.opening)


async def reads(case: Case) -> None:
    gateway = case.open()
    assert isinstance(gateway, Gateway)
    assert gateway.kind == case.plan.kind
    try:
        for moment in ("idle", "load_down"):
            capture = await gateway.fetch(moment=moment)
            assert isinstance(capture, Capture)
            assert (capture.kind, capture.gateway, capture.moment) == (case.plan.kind, case.plan.key, moment)
            assert abs((capture.at - case.clock.now()).total_seconds()) < 60
            assert capture.exchanges or case.plan.kind == "pasted"
        for words in case.says:
            assert words in (await gateway.fetch()).text
        keys = {(await gateway.fetch()).key for _ in range(3)}
        assert len(keys) == 3
    finally:
        await gateway.close()
    assert case.sent()
    assert [sent for sent in case.sent() if not case.may_send(sent)] == []


async def says_what_it_can(case: Case) -> None:
    gateway = case.open()
    try:
        able = await gateway.abilities()
    finally:
        await gateway.close()
    assert able.label
    assert set(able.modes) <= {"automatic", "nr-sa", "endc", "lte"}
    assert all(band[0] in "Bn" and band[1:].isdigit() for band in able.bands)
    assert able.can_tune == bool(case.tunings)
    if not able.can_tune:
        assert able.modes == ()
        assert not able.can_pin_cell
    assert {tuning.mode for tuning in case.tunings} <= set(able.modes)


async def applies_reads_back_and_restores(case: Case) -> None:
    gateway = case.open()
    try:
        former = await gateway.settings()
        if not case.tunings:
            with pytest.raises(GatewayRefused):
                await gateway.apply(Tuning(key="lte", mode="lte"))
            assert dict((await gateway.settings()).raw) == dict(former.raw)
        for tuning in case.tunings:
            capture = await gateway.apply(tuning)
            assert capture.kind == case.plan.kind
            await case.settle()
            seen = await gateway.settings()
            if case.reads_back_mode:
                assert seen.mode == tuning.mode
                if tuning.bands and seen.bands is not None:
                    assert set(seen.bands) == set(tuning.bands)
                if tuning.cell:
                    assert seen.cell is not None
                    assert tuning.cell.startswith(seen.cell)
        if case.tunings:
            await gateway.restore(former)
        await case.settle()
        back = await gateway.settings()
        if case.reads_back_mode:
            assert (back.mode, back.bands, back.cell) == (former.mode, former.bands, former.cell)
            assert dict(back.raw) == dict(former.raw)
        assert [sent for sent in case.sent() if not case.may_send(sent)] == []
    finally:
        await gateway.close()


async def refuses_what_makes_no_sense_and_sends_none_of_it(case: Case) -> None:
    gateway = case.open()
    bad = (
        Tuning(key="mode", mode="turbo"),
        Tuning(key="band", mode="lte", bands=("B3;+CFUN=0",)),
        Tuning(key="newline", mode="lte", bands=("B3\r\nAT+CFUN=0",)),
        Tuning(key="cell", mode="lte", cell="lte:1300:9999"),
        Tuning(key="cell text", mode="lte", cell='lte:1300:1",0\r+CFUN=0'),
        Tuning(key="contradiction", mode="nr-sa", bands=("B3",)),
    )
    try:
        await gateway.settings()
        for tuning in bad:
            if case.plan.kind == "pasted":
                continue  # a person is told words, and nothing is sent
            with pytest.raises(GatewayRefused):
                await gateway.apply(tuning)
    finally:
        await gateway.close()
    assert not any("CFUN=" in sent or "turbo" in sent for sent in case.sent())


async def says_clearly_that_it_cannot_be_reached(case: Case) -> None:
    await case.unplug()
    gateway = case.open()
    try:
        with pytest.raises(case.unreachable) as raised:
            await gateway.fetch()
        assert str(raised.value).strip()
        assert len(str(raised.value)) < 400
    finally:
        await gateway.close()


async def lets_go_and_comes_back(case: Case) -> None:
    gateway = case.open()
    await gateway.fetch()
    await gateway.close()
    await gateway.close()
    assert (await gateway.fetch()).text
    await gateway.close()
    other = case.open()
    assert (await other.fetch()).text
    await other.close()


async def holds_its_port_alone(case: Case) -> None:
    first, second = case.open(), case.open()
    try:
        await first.fetch()
        if not case.exclusive:  # nothing is held between questions, so both can be asked
            assert (await second.fetch()).text
            return
        with pytest.raises(GatewayBusy, match="in use"):
            await second.fetch()
        await first.close()
        assert (await second.fetch()).text
    finally:
        await first.close()
        await second.close()


PROMISES = (
    reads,
    says_what_it_can,
    applies_reads_back_and_restores,
    refuses_what_makes_no_sense_and_sends_none_of_it,
    says_clearly_that_it_cannot_be_reached,
    lets_go_and_comes_back,
    holds_its_port_alone,
)

"""A campaign over a pseudo-terminal, end to end: tunings are applied, seen in readings, and taken back at the end."""

from __future__ import annotations

import sys

import pytest
from campaigns import over_a_pty

from bandwright.readings.parse import parse

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="a pseudo-terminal needs POSIX")


async def test_a_campaign_over_a_pty_applies_sees_and_takes_back_its_tunings(tmp_path) -> None:
    twin, house, gateway, progress = await over_a_pty(tmp_path, days=1.0)
    measurements = house.records.measurements()
    assert len(measurements) >= 4, [event.text for event in progress]
    assert {m.setup_asked for m in measurements} == {"sill-own/standalone", "sill-own/anchor 20"}
    captures = {capture.key: capture for capture in house.records.captures()}
    modes: dict[str, set[str]] = {}
    for measurement in measurements:
        for _, key in measurement.captures:
            modes.setdefault(measurement.setup_asked, set()).update(r.mode.value for r in parse(captures[key]) if r.mode is not None)
    assert "nr-sa" in modes["sill-own/standalone"]
    assert "endc" in modes["sill-own/anchor 20"]
    assert all(capture.kind == "at-serial" for capture in captures.values() if capture.gateway == "own")
    assert len(gateway.took["apply"]) >= 2
    assert twin.world.modem.configured.mode == "automatic"
    assert twin.world.modem.configured.cell is None
    await house.close()
    await twin.close()

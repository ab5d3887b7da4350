"""Gateways as a person meets them: proposals and spots accepted into site.toml, what a crash left behind, the boot unit; each command a process of its own."""

from __future__ import annotations

import asyncio
import json
import os
import subprocess
import sys
from datetime import UTC, datetime
from pathlib import Path

import pytest
from stage import Place, RealClock
from test_gateways_jobs import SITE, a_house

from bandwright.advice.walk import SpotAnswer, WalkAnswer
from bandwright.cli.proposing import chosen_keys
from bandwright.errors import DeclarationError, UsageError
from bandwright.gateways.kinds import open_gateway
from bandwright.gateways.returns import Record, write_record
from bandwright.jobs.assembly import add_rigs
from bandwright.jobs.declare import NEW_SITE
from bandwright.jobs.walk import accept_spots, rigs_from
from bandwright.words.answers import Estimate
from bandwright.workspace.declared import read_declared


async def bandwright(*words: str) -> tuple[int, str, str]:
    process = await asyncio.create_subprocess_exec(
        sys.executable, "-m", "bandwright.cli.main", *words, stdin=subprocess.DEVNULL, stdout=subprocess.PIPE, stderr=subprocess.PIPE, env={**os.environ, "COLUMNS": "100"}
    )
    out, err = await asyncio.wait_for(process.communicate(), 60)
    return process.returncode or 0, out.decode(), err.decode()


async def served(folder: Path, **place: object) -> tuple[Place, str]:
    made = Place(RealClock(), apply_delay_s=0.0, **place)
    host, port = await made.modem.serve_tcp()
    text = SITE.replace("192.0.2.1:5000", f"{host}:{port}")
    (folder / "site.toml").write_text(text)
    return made, text


async def test_propose_lists_what_is_worth_trying_and_writes_what_is_accepted(tmp_path) -> None:
    place, text = await served(tmp_path)
    code, out, _ = await bandwright("propose", "--site", str(tmp_path))
    assert code == 0
    assert "worth trying" in out
    assert "standalone" in out
    assert "automatic (as it chooses itself): declared already" in out
    assert (tmp_path / "site.toml").read_text() == text, "nothing is written unless it is accepted"
    code, _, err = await bandwright("propose", "--site", str(tmp_path), "--accept", "1, lte")
    assert code == 0
    assert "in site.toml now" in err
    declared = read_declared((tmp_path / "site.toml").read_text())
    assert "lte" in {t.key for t in declared.tunings}
    assert len(declared.tunings) == 4
    code, out, _ = await bandwright("propose", "--site", str(tmp_path), "--json")
    assert json.loads(out)["schema"] == "bandwright.propose"
    code, _, err = await bandwright("propose", "--site", str(tmp_path), "--accept", "no such")
    assert (code, "Traceback" in err) == (2, False)
    await place.modem.close()


async def test_any_command_first_puts_back_what_a_crash_left_set_and_says_so(tmp_path) -> None:
    place, text = await served(tmp_path)
    plan = read_declared(text).gateway("own")
    gateway = open_gateway(plan, clock=RealClock())
    former = await gateway.settings()
    await gateway.apply(read_declared(text).tuning("pinned"))
    await gateway.close()
    write_record(tmp_path / "return-own.json", Record(key="k", plan=plan, former=former, seconds=600.0, armed_at=datetime.now(UTC), pid=1, born="0", tuning="pinned"))
    assert place.modem.in_force.cell == "lte:6300:55"
    code, out, err = await bandwright("reading", "--site", str(tmp_path), "--from", "own")
    assert code == 0
    assert "own: the former setting is back (a record was left behind)" in err
    assert "B20" in out or "LTE" in out
    heard = place.modem.heard
    assert max(i for i, c in enumerate(heard) if c == 'AT+QNWLOCK="common/4g",0') < min(i for i, c in enumerate(heard) if "QENG" in c)
    assert place.modem.in_force.cell is None
    assert not list(tmp_path.glob("return-*.json"))
    code, out, _ = await bandwright("run", "--site", str(tmp_path), "--put-back")
    assert (code, out) == (0, "Nothing to put back: no campaign has set a gateway here.\n")
    code, out, _ = await bandwright("check", "--site", str(tmp_path), "--boot-unit")
    assert code == 0
    assert str(tmp_path.resolve()) in out
    await place.modem.close()


async def test_check_says_what_a_connection_lacks_and_what_to_look_up_in_the_terms(tmp_path) -> None:
    place, _ = await served(tmp_path)
    plain = place.modem.answer
    place.modem.answer = lambda command: [line.replace('"IPV4V6","internet"', '"IP","internet"') for line in plain(command)]
    _, out, _ = await bandwright("check", "--site", str(tmp_path))
    assert "connection of own: Only IPv4 is asked for" in out
    assert "pinned stays on one cell" in out
    await place.modem.close()


@pytest.mark.parametrize(
    ("text", "chosen"), [("", []), ("all", ["a", "b c", "d"]), ("2", ["b c"]), ("d, 1, d", ["d", "a"]), ("b c", ["b c"])]
)
def test_an_answer_names_keys_or_numbers(text, chosen) -> None:
    assert chosen_keys(text, ["a", "b c", "d"]) == chosen


def test_an_answer_that_names_nothing_proposed_is_refused() -> None:
    with pytest.raises(UsageError, match="numbers 1 to 3"):
        chosen_keys("4", ["a", "b", "c"])


def an_answer(*spots: str) -> WalkAnswer:
    rows = tuple(
        SpotAnswer(spot=s, score=Estimate(value=0.0, low=-0.1, high=0.1, unit="ln", level=0.8), chance_best=0.5, visits=2, failed=0, sinr=Estimate(value=9.0, low=7.0, high=11.0, unit="dB", level=0.8))
        for s in spots
    )
    return WalkAnswer(spots=rows, candidates=spots[:2], close=False)


def test_the_best_two_places_of_a_walk_become_rigs_and_the_rest_of_the_file_stays(tmp_path) -> None:
    text = SITE.replace('gateway = "own"\n', 'gateway = "own"\nplace = "Kitchen sill"\n', 1)
    house, _, _, _ = a_house(tmp_path, text=text)
    answer = an_answer("kitchen sill", "loft / west", "hall")
    rigs = rigs_from(house, answer)
    assert [(r.key, r.place) for r in rigs] == [("loft west", "loft / west")], "a place that has a rig already is not declared twice"
    declared = accept_spots(answer, rigs, lambda chosen, why: add_rigs(tmp_path, chosen, why))
    after = (tmp_path / "site.toml").read_text()
    assert after.startswith(text.rstrip("\n"))
    assert "# From the walk through the house: 50 in 100 that it is the best place, SINR 7 to 11 dB." in after
    assert declared.rig("loft west").place == "loft / west"
    assert declared.rig("loft west").antenna.kind == "built-in"
    with pytest.raises(DeclarationError):
        accept_spots(answer, rigs, lambda chosen, why: add_rigs(tmp_path, chosen, why))
    assert (tmp_path / "site.toml").read_text() == after


def test_the_first_file_names_settings_that_a_gateway_has(tmp_path) -> None:
    text = NEW_SITE.replace('kind = "pasted" ', '# kind = "pasted" ').replace('# kind = "at-serial"', 'kind = "at-serial"').replace('# port = "/dev/ttyUSB2"', 'port = "/dev/ttyUSB2"')
    from bandwright.gateways.kinds import settings_of

    assert settings_of(read_declared(text).gateway("mine")).port == "/dev/ttyUSB2"

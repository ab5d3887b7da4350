"""Sharing end to end: a campaign's verdict survives the way, a helper sees enough, and a proposal enters only when it is accepted."""

from __future__ import annotations

import asyncio
import importlib.util
import shutil
import sys
import zipfile
from dataclasses import asdict
from pathlib import Path

import pytest

from bandwright.errors import DeclarationError, StoreError, UsageError
from bandwright.jobs import share
from bandwright.jobs.assembly import open_house
from bandwright.jobs.campaign import make_design
from bandwright.jobs.check import CheckAnswer, Item
from bandwright.jobs.declare import new
from bandwright.jobs.judge import judge
from bandwright.workspace.exchange import read_share
from bandwright.workspace.lock import RunLock

_spec = importlib.util.spec_from_file_location("twin_bench", Path(__file__).with_name("twin_bench.py"))
assert _spec is not None
assert _spec.loader is not None
bench = importlib.util.module_from_spec(_spec)
sys.modules["twin_bench"] = bench
_spec.loader.exec_module(bench)

CHECKS = CheckAnswer(items=(Item(what="gateway own", ok=False, text="no connection to 192.0.2.1:5000", todo="Check that it is on"),))


async def _campaign(folder: Path) -> None:
    twin, house = await bench.small(folder, days=1.5)
    await bench.to_the_end(house)
    await house.close()
    await twin.close()


@pytest.fixture(scope="module")
def place(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A workspace with a finished small campaign."""
    folder = tmp_path_factory.mktemp("place")
    asyncio.run(_campaign(folder))
    return folder


@pytest.mark.parametrize("whole", [False, True])
@pytest.mark.parametrize("campaign", [None, "latest"])
def test_the_verdict_of_an_imported_campaign_is_the_originals_bit_for_bit(place: Path, tmp_path: Path, campaign: str | None, whole: bool) -> None:
    sent = share.send(place, tmp_path / "out.zip", campaign=campaign, whole=whole)
    assert sent.redacted is not whole
    taken = share.take(tmp_path / "there", tmp_path / "out.zip")
    assert taken.declared_written
    here, there = judge(open_house(place), with_measurements=True), judge(open_house(tmp_path / "there"), with_measurements=True)
    assert here.verdict.tests > 4
    assert there.verdict == here.verdict
    assert _bits(there.verdict) == _bits(here.verdict)
    assert there.events == here.events
    assert there.first_tests == here.first_tests
    assert [m.values for m in there.measurements] == [m.values for m in here.measurements]


def _bits(verdict: object) -> list[str]:
    """Every number of an answer, to the last bit."""

    def walk(value: object) -> list[str]:
        if isinstance(value, float):
            return [value.hex()]
        if isinstance(value, dict):
            return [bit for v in value.values() for bit in walk(v)]
        return [bit for v in value for bit in walk(v)] if isinstance(value, list | tuple) else []

    return walk(asdict(verdict))  # type: ignore[call-overload]


def test_taking_a_file_again_changes_nothing(place: Path, tmp_path: Path) -> None:
    share.send(place, tmp_path / "out.zip")
    share.take(tmp_path / "there", tmp_path / "out.zip")
    site, first = (tmp_path / "there" / "site.toml").read_bytes(), judge(open_house(tmp_path / "there"))
    again = share.take(tmp_path / "there", tmp_path / "out.zip")
    assert again.kept is not None
    assert again.kept.added == 0
    assert not again.declared_written
    assert (tmp_path / "there" / "site.toml").read_bytes() == site
    assert judge(open_house(tmp_path / "there")).events == first.events


def test_a_share_of_one_campaign_holds_only_what_it_used(place: Path, tmp_path: Path) -> None:
    house = open_house(place)
    sent = dict(share.send(place, tmp_path / "one.zip", campaign="c1").rows)
    captures = {key for m in house.records.measurements() for _, key in m.captures}
    assert sent["captures"] == len(captures) < len(house.records.captures())
    with pytest.raises(UsageError, match="c1"):
        share.send(place, tmp_path / "none.zip", campaign="c9")
    assert not (tmp_path / "none.zip").exists()


def test_a_starting_kit_is_a_workspace_without_measurements(tmp_path: Path) -> None:
    new(tmp_path / "bench")
    share.send(tmp_path / "bench", tmp_path / "kit.zip", whole=True)
    share.take(tmp_path / "home", tmp_path / "kit.zip")
    assert (tmp_path / "home" / "site.toml").read_text() == (tmp_path / "bench" / "site.toml").read_text()


def test_secrets_are_in_no_share(place: Path, tmp_path: Path) -> None:
    (place / "secrets.toml").write_text('far_end = "bw1.never-leaves"\n')
    share.send(place, tmp_path / "out.zip", whole=True)
    with zipfile.ZipFile(tmp_path / "out.zip") as archive:
        assert not any(b"never-leaves" in archive.read(n) for n in archive.namelist())
    (place / "secrets.toml").unlink()


def test_a_help_parcel_holds_checks_readings_and_the_last_measurements(place: Path, tmp_path: Path) -> None:
    sent = share.send_help_parcel(place, tmp_path / "help.zip", checks=CHECKS)
    assert sent.redacted
    rows = dict(sent.rows)
    assert 0 < rows["measurements"] <= share.LAST_MEASUREMENTS
    assert rows["checks"] == 1
    taken = share.take(tmp_path / "helper", tmp_path / "help.zip")
    assert taken.checks[0].what == "gateway own"
    assert "192.0.2.1" not in taken.checks[0].text
    assert "Check that it is on" in taken.checks[0].text
    assert open_house(tmp_path / "helper").records.measurement_count() == rows["measurements"]


@pytest.fixture(scope="module")
def proposal(place: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """What a helper sends back: the parcel's site with one tuning more."""
    tmp_path = tmp_path_factory.mktemp("helped")
    share.send_help_parcel(place, tmp_path / "help.zip", checks=CHECKS)
    share.take(tmp_path / "helper", tmp_path / "help.zip")
    site = tmp_path / "helper" / "site.toml"
    site.write_text(site.read_text() + '\n[[tuning]]\nkey = "band 28"\nmode = "lte"\nbands = ["B28"]\n')
    share.propose(tmp_path / "helper", tmp_path / "proposal.zip")
    return tmp_path / "proposal.zip"


def _home(place: Path, tmp_path: Path) -> Path:
    shutil.copytree(place, tmp_path / "home")
    return tmp_path / "home"


def test_a_proposal_is_shown_and_changes_nothing_until_it_is_accepted(place: Path, tmp_path: Path, proposal: Path) -> None:
    home = _home(place, tmp_path)
    text = (home / "site.toml").read_text()
    shown = share.take(home, proposal)
    assert shown.proposed is not None
    assert not shown.accepted
    assert [t.key for t in shown.proposed.new_tunings] == ["band 28"]
    assert shown.proposed.risky == ("sill-own/band 28",)  # one band only
    assert (home / "site.toml").read_text() == text
    assert len(open_house(home).records.designs()) == 1


def test_an_accepted_proposal_is_the_next_campaign_and_what_was_declared_stays(place: Path, tmp_path: Path, proposal: Path) -> None:
    home = _home(place, tmp_path)
    text = (home / "site.toml").read_text()
    assert share.take(home, proposal, accept=True).accepted
    now = (home / "site.toml").read_text()
    assert now.startswith(text.rstrip("\n"))
    house = open_house(home)
    design = house.records.designs()[-1]
    assert {s.key for s in design.setups} == {"sill-own/standalone", "sill-own/anchor 20", "sill-own/band 28"}
    assert {s.key for s in design.setups} <= {s.key for s in house.declared.setups}
    assert house.declared.tuning("band 28").bands == ("B28",)
    assert judge(house, campaign="c1").verdict == judge(open_house(place)).verdict
    again = share.take(home, proposal, accept=True)
    assert again.proposed is not None
    assert again.proposed.known
    assert (home / "site.toml").read_text() == now
    assert len(open_house(home).records.designs()) == 2


def test_a_proposal_that_does_not_fit_the_place_is_refused_whole(place: Path, tmp_path: Path, proposal: Path) -> None:
    home = _home(place, tmp_path)
    site = home / "site.toml"
    site.write_text(site.read_text().replace("sill-own", "attic"))
    text = site.read_text()
    assert "rig sill-own" in _shown(home, proposal).missing
    with pytest.raises(UsageError, match="does not fit"):
        share.take(home, proposal, accept=True)
    site.write_text(text.replace('mode = "nr-sa"', 'mode = "lte"'))
    assert any("means something else" in m for m in _shown(home, proposal).missing)
    assert len(open_house(home).records.designs()) == 1


def _shown(home: Path, proposal: Path) -> share.Proposed:
    found = share.take(home, proposal).proposed
    assert found is not None
    return found


def test_accept_is_for_proposals_only(place: Path, tmp_path: Path) -> None:
    share.send(place, tmp_path / "out.zip")
    with pytest.raises(UsageError, match="proposal"):
        share.take(tmp_path / "there", tmp_path / "out.zip", accept=True)
    assert not (tmp_path / "there").exists()


def test_nothing_is_taken_while_a_campaign_runs(place: Path, tmp_path: Path) -> None:
    home = _home(place, tmp_path)
    share.send(place, tmp_path / "out.zip")
    with RunLock(home), pytest.raises(StoreError, match="already running"):
        share.take(home, tmp_path / "out.zip")


def test_a_refused_file_leaves_no_trace(tmp_path: Path) -> None:
    (tmp_path / "x.zip").write_bytes(b"PK\x03\x04")
    with pytest.raises(UsageError):
        share.take(tmp_path / "there", tmp_path / "x.zip")
    assert not (tmp_path / "there").exists()
    with pytest.raises(DeclarationError):
        share.send(tmp_path / "there", tmp_path / "y.zip")


def test_a_proposal_has_a_key_that_no_campaign_of_the_place_has(place: Path, proposal: Path) -> None:
    (design,) = read_share(proposal).designs
    assert design.key not in {d.key for d in open_house(place).records.designs()}
    assert make_design(open_house(proposal.parent / "helper")).key != design.key

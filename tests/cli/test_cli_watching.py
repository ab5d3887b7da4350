"""`watch` and `again` on the command line: what a user meets before anything was watched, and the outage document."""

from __future__ import annotations

import json
import subprocess
import sys
from datetime import UTC, datetime, timedelta

import pytest
from typer.testing import CliRunner

from bandwright.cli.main import app, end
from bandwright.errors import GatewayUnreachable, UsageError
from bandwright.words.watch import ObservedKept, OutageKept
from bandwright.workspace.records import DiskRecords

SITE = """
[site]
name = "Hill farm"
timezone = "UTC"
[[need]]
kind = "video call"
hours = "daily 08:00-20:00"
[[line]]
key = "A"
[[gateway]]
key = "own"
kind = "at-tcp"
address = "127.0.0.1:1"
[[rig]]
key = "sill"
line = "A"
gateway = "own"
[[tuning]]
key = "automatic"
"""


@pytest.fixture
def site(tmp_path):
    (tmp_path / "site.toml").write_text(SITE)
    return tmp_path


def _watched(folder):
    start = datetime(2026, 3, 2, tzinfo=UTC)
    records = DiskRecords(folder)
    records.add_watched(ObservedKept(at=start, end=start + timedelta(days=9)))
    at = start + timedelta(days=2, hours=9)
    records.add_watched(OutageKept(at=at, end=at + timedelta(minutes=7), phase="names", start_give_or_take_s=15, end_give_or_take_s=2, polls=14))
    records.close()


def test_outages_are_printed_and_written_as_a_document(site, tmp_path):
    _watched(site)
    printed = CliRunner().invoke(app, ["watch", "-C", str(site), "--outages"])
    assert printed.exit_code == 0
    assert "names did not resolve" in printed.stdout
    found = json.loads(CliRunner().invoke(app, ["watch", "-C", str(site), "--outages", "--json"]).stdout)
    assert found["schema"] == "bandwright.outages"
    assert found["whole"]["down_s"] == 420
    out = tmp_path / "outages.html"
    assert CliRunner().invoke(app, ["watch", "-C", str(site), "--document", str(out)]).exit_code == 0
    assert "2026-03-04 09:00:00" in out.read_text(encoding="utf-8")
    wrong = CliRunner().invoke(app, ["watch", "-C", str(site), "--document", str(tmp_path / "outages.doc")])
    assert isinstance(wrong.exception, UsageError)


def test_before_anything_was_watched_or_tested_it_says_what_to_do(site):
    nothing = CliRunner().invoke(app, ["watch", "-C", str(site), "--outages"])
    assert "Run `bandwright watch`" in str(nothing.exception)
    before = CliRunner().invoke(app, ["again", "-C", str(site)])
    assert "Run a campaign first" in str(before.exception)
    many = CliRunner().invoke(app, ["again", "-C", str(site), "--tests", "99"])
    assert "1 to 30" in str(many.exception)


def test_a_watch_needs_something_to_measure_against_and_ends_with_the_documented_code(site):
    ran = subprocess.run([sys.executable, "-m", "bandwright.cli.watching", str(site), "", "0.00001", ""], capture_output=True, text=True, timeout=60)
    assert ran.returncode == 2
    assert "nothing to measure against" in ran.stderr
    assert "Traceback" not in ran.stderr


def test_the_documented_codes(capsys):
    assert end(KeyboardInterrupt()) == 130
    assert end(UsageError("x")) == 2
    assert end(GatewayUnreachable("x")) == 5
    assert "x" in capsys.readouterr().err

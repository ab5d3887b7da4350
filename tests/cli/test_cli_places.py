"""`bandwright places`: every workspace of a folder with its verdict, age and next thing; a broken one is said and hides no other."""

from __future__ import annotations

import json
import subprocess
import sys
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from bandwright.jobs.declare import NEW_SITE, new
from bandwright.telling.accounts.places import age_words


def run(*more: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run([sys.executable, "-m", "bandwright.cli.main", "places", *more], capture_output=True, text=True, timeout=60, check=False)


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    new(tmp_path / "first", text=NEW_SITE.replace("My place", "The mill"))
    (tmp_path / "broken").mkdir()
    (tmp_path / "broken" / "site.toml").write_text("[site\n", encoding="utf-8")
    (tmp_path / "no place").mkdir()
    return tmp_path


def test_every_place_is_listed_and_a_broken_one_says_why(folder: Path) -> None:
    done = run(str(folder))
    assert done.returncode == 0, done.stderr
    words = " ".join(done.stdout.split())
    assert "Two places: none with a verdict, one that cannot be read." in words
    assert "The mill" in words
    assert "Declare a second setup" in words
    assert "not valid TOML" in words
    assert "no place" not in words.replace("no places", "")


def test_the_page_is_one_file_that_asks_for_nothing(folder: Path) -> None:
    page = folder / "all.html"
    assert run(str(folder), "--page", str(page)).returncode == 0
    html = page.read_text(encoding="utf-8")
    assert "The mill" in html
    assert "src=" not in html
    assert "<link" not in html


def test_as_json(folder: Path) -> None:
    made = json.loads(run(str(folder), "--json").stdout)
    assert made["schema"] == "bandwright.places"
    assert [(p["folder"], p["verdict"], p["problem"] is None) for p in made["places"]] == [("broken", None, False), ("first", None, True)]


def test_a_folder_without_places_is_said(tmp_path: Path) -> None:
    done = run(str(tmp_path))
    assert done.returncode == 2
    assert "no place is in" in done.stderr


def test_ages_are_rounded_down() -> None:
    now = datetime(2026, 11, 11, 12, tzinfo=UTC)
    assert age_words(now, None) == "none"
    assert age_words(now, now - timedelta(minutes=59)) == "less than an hour"
    assert age_words(now, now - timedelta(hours=1)) == "1\u00a0hour"
    assert age_words(now, now - timedelta(hours=47)) == "1\u00a0day"
    assert age_words(now, now - timedelta(days=9, hours=23)) == "9\u00a0days"

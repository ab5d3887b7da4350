"""Changing settings: all that was typed or nothing, in the file, comments kept."""

from __future__ import annotations

from pathlib import Path

import pytest

from bandwright.errors import DeclarationError, UsageError
from bandwright.jobs.declare import new
from bandwright.jobs.settings import change_settings
from bandwright.workspace.declared import read_file


def test_what_differs_is_written_and_the_rest_is_not(tmp_path: Path) -> None:
    path = new(tmp_path)
    before = path.read_text(encoding="utf-8")
    answer = change_settings(tmp_path, {"rounds_per_day": "6", "warmup_s": "10", "quiet_hours": "none"})
    assert answer.changed == {"rounds_per_day": 6, "quiet_hours": "none"}
    held = read_file(path).settings
    assert (held["rounds_per_day"], held["warmup_s"], held["quiet_hours"]) == (6, 10.0, "none")
    after = path.read_text(encoding="utf-8")
    assert after.replace('rounds_per_day = 6\nquiet_hours = "none"\n', "") == before
    assert change_settings(tmp_path, {"rounds_per_day": "6"}).changed == {}
    assert path.read_text(encoding="utf-8") == after


def test_one_wrong_value_keeps_all_of_them_out(tmp_path: Path) -> None:
    path = new(tmp_path)
    before = path.read_bytes()
    answer = change_settings(tmp_path, {"rounds_per_day": "6", "warmup_s": "soon", "page_port": "99999"})
    assert answer.changed == {}
    assert answer.problems == {"warmup_s": "a number from 0 to 60 s", "page_port": "a whole number from 1 to 65535"}
    assert path.read_bytes() == before


def test_a_folder_without_a_site_and_a_broken_file_are_said(tmp_path: Path) -> None:
    with pytest.raises(UsageError, match="nothing is declared yet"):
        change_settings(tmp_path, {"warmup_s": "5"})
    (tmp_path / "site.toml").write_text("[site\n", encoding="utf-8")
    with pytest.raises(DeclarationError):
        change_settings(tmp_path, {"warmup_s": "5"})

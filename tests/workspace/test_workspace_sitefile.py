"""Changing site.toml in place: typed settings read and checked, lines put where they belong, every comment kept, all or nothing."""

from __future__ import annotations

import errno
import tomllib
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bandwright.errors import DeclarationError, DiskFull, StoreError
from bandwright.jobs.declare import NEW_SITE
from bandwright.words.settings import SETTINGS, Setting
from bandwright.workspace.declared import read_declared
from bandwright.workspace.sitefile import allowed_words, checked_setting, read_setting, replace_text, with_settings

ROWS = {row.key: row for row in SETTINGS}


@pytest.mark.parametrize("row", SETTINGS, ids=lambda r: r.key)
def test_every_default_written_as_text_is_read_as_itself(row: Setting) -> None:
    assert read_setting(row, str(row.default)) == row.default
    assert type(read_setting(row, str(row.default))) is type(row.default)


@pytest.mark.parametrize("row", [r for r in SETTINGS if r.low is not None], ids=lambda r: r.key)
def test_both_ends_of_a_range_are_taken_and_what_lies_beyond_is_refused(row: Setting) -> None:
    assert row.low is not None
    assert row.high is not None
    assert read_setting(row, f"{row.low:g}") == row.low
    assert read_setting(row, f"{row.high:g}") == row.high
    for beyond in (row.low - 1, row.high + 1, float("nan"), float("inf")):
        with pytest.raises(DeclarationError) as caught:
            read_setting(row, str(beyond))
        assert caught.value.allowed == allowed_words(row)


def test_a_decimal_comma_is_a_point_and_a_count_has_no_fraction() -> None:
    assert read_setting(ROWS["warmup_s"], " 7,5 ") == 7.5
    with pytest.raises(DeclarationError, match="a whole number from 1 to 24 rounds"):
        read_setting(ROWS["rounds_per_day"], "4.5")
    with pytest.raises(DeclarationError, match="a number from 0 to 60 s"):
        read_setting(ROWS["warmup_s"], "")


def test_texts_are_held_to_what_they_name() -> None:
    assert read_setting(ROWS["measurement_size"], "light") == "light"
    assert read_setting(ROWS["quiet_hours"], "none") == "none"
    assert read_setting(ROWS["quiet_hours"], "Mon-Fri 21:00-06:00") == "Mon-Fri 21:00-06:00"
    assert read_setting(ROWS["alert_to"], "home, work-1") == "home, work-1"
    for key, text in (("measurement_size", "huge"), ("quiet_hours", "at night"), ("alert_to", "ntfy://a@b"), ("congestion_control", 'b"br')):
        with pytest.raises(DeclarationError):
            read_setting(ROWS[key], text)


def test_a_switch_is_yes_or_no() -> None:
    row = Setting(key="x", default=False)
    assert read_setting(row, "Yes") is True
    with pytest.raises(DeclarationError, match="yes, no"):
        read_setting(row, "1")
    with pytest.raises(DeclarationError):
        checked_setting(row, 1)


def test_a_file_is_held_to_the_same_and_the_line_is_named() -> None:
    with pytest.raises(DeclarationError, match="line 4"):
        read_declared('[site]\nname = "x"\n[settings]\nmeasurement_size = "huge"\n')
    with pytest.raises(DeclarationError, match="line 4"):
        read_declared('[site]\nname = "x"\n[settings]\nwarmup_s = nan\n')


def test_lines_go_below_their_header_and_all_else_stays_as_it_was() -> None:
    text = '# mine\n[site]\nname = "x"\n\n[settings]   # few\npage_port = 8000   # the old one\n\n# The rig on the wall.\n[[line]]\nkey = "A"\n'
    made = with_settings(text, {"page_port": 9000, "warmup_s": 5.0})
    assert made == text.replace("8000", "9000").replace("# few\n", "# few\nwarmup_s = 5.0\n")


@pytest.mark.parametrize(
    "text",
    ['[site]\nname = "x"', NEW_SITE, 'settings.page_port = 8000\n[site]\nname = "x"\n', 'settings = { page_port = 8000 }\n[site]\nname = "x"\n', '[site]\nname = "x"\n[settings]'],
    ids=["none", "new", "dotted", "inline", "last line"],
)
def test_every_way_to_write_the_section_takes_new_values(text: str) -> None:
    made = with_settings(text, {"page_port": 9000, "quiet_hours": "none", "watch_share": 0.1})
    found = read_declared(made)
    assert (found.settings["page_port"], found.settings["quiet_hours"], found.settings["watch_share"]) == (9000, "none", 0.1)
    assert tomllib.loads(text).get("site") == tomllib.loads(made).get("site")
    assert [line for line in text.splitlines() if line.startswith("#")] == [line for line in made.splitlines() if line.startswith("#")]


@given(st.dictionaries(st.sampled_from(["warmup_s", "apply_timeout_s", "watch_share"]), st.floats(0.01, 0.5), max_size=3))
def test_what_is_written_is_what_is_read(changes: dict[str, float]) -> None:
    found = tomllib.loads(with_settings(NEW_SITE, changes)).get("settings", {})
    assert found == changes


def test_a_full_disk_leaves_the_old_file_whole(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "site.toml"
    path.write_text("old", encoding="utf-8")

    def full(_fd: int) -> None:
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr("os.fsync", full)
    with pytest.raises(DiskFull, match="as it was"):
        replace_text(path, "new")
    assert path.read_text(encoding="utf-8") == "old"
    assert [p.name for p in tmp_path.iterdir()] == ["site.toml"]


def test_a_folder_that_cannot_be_written_is_said(tmp_path: Path) -> None:
    with pytest.raises(StoreError):
        replace_text(tmp_path / "gone" / "site.toml", "x")

"""The page about readings: its example prints what it says, and it names every dialect and every setting that is read."""

from __future__ import annotations

import re
from pathlib import Path

from bandwright.readings.at.table import DIALECTS
from bandwright.readings.settings import SETTING_ROWS
from bandwright.words.radio import FieldState

PAGE = (Path(__file__).resolve().parents[2] / "docs" / "readings.md").read_text()


def test_example_prints_what_it_says(capsys):
    (code,) = re.findall(r"```python\n(.*?)```", PAGE, re.DOTALL)
    exec(compile(code, "docs/readings.md", "exec"), {})
    printed = capsys.readouterr().out.splitlines()
    said = [line.rpartition("# ")[2] for line in code.splitlines() if line.startswith("print")]
    assert printed == said


def test_page_names_every_dialect_state_and_setting():
    for dialect in DIALECTS:
        assert f"| {dialect.title} |" in PAGE
        assert all(f"`{tag}`" in PAGE for tag in dialect.tags)
    assert all(f"| {state.value} |" in PAGE for state in FieldState)
    assert all(f"`{row.tag}`" in PAGE for row in SETTING_ROWS)

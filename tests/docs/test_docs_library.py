"""The library surface: light to import, complete, and shown richly in a notebook; the example notebook runs."""

from __future__ import annotations

import ast
import json
import subprocess
import sys
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest

import bandwright
from bandwright.telling.notebook import Shown, html_of, register, show

ROOT = Path(__file__).resolve().parents[2]


def test_importing_the_package_loads_nothing_else() -> None:
    code = "import sys; before = set(sys.modules); import bandwright; print(sorted(m for m in set(sys.modules) - before if m != 'bandwright'))"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    loaded = ast.literal_eval(done.stdout)
    assert [m for m in loaded if m.split(".")[0] in {"bandwright", "numpy", "scipy", "pydantic", "polars", "altair", "sqlalchemy", "typer"}] == []


def test_every_public_name_is_there_and_the_list_is_sorted() -> None:
    assert bandwright.__all__ == sorted(bandwright.__all__)
    for name in bandwright.__all__:
        assert getattr(bandwright, name) is not None
    assert set(bandwright.__all__) <= set(dir(bandwright))
    with pytest.raises(AttributeError, match="no attribute"):
        _ = bandwright.nothing_of_that_name  # type: ignore[attr-defined]


def test_type_checkers_see_the_same_names_from_the_same_places() -> None:
    stub = ast.parse((ROOT / "src" / "bandwright" / "__init__.pyi").read_text(encoding="utf-8"))
    seen = {a.asname: f"{node.module.removeprefix('bandwright.')}:{a.name}" for node in stub.body if isinstance(node, ast.ImportFrom) and node.module and node.module.startswith("bandwright.") for a in node.names}
    assert seen == bandwright._HOME
    (listed,) = [ast.literal_eval(n.value) for n in stub.body if isinstance(n, ast.Assign)]
    assert listed == bandwright.__all__


def test_a_reading_is_shown_with_its_carriers_and_without_markup_from_outside() -> None:
    text = (ROOT / "docs" / "example-reading.txt").read_text(encoding="utf-8")
    look = bandwright.explain(text, at=datetime(2026, 1, 1, tzinfo=UTC))
    shown = show(look.main)
    assert isinstance(shown, Shown)
    assert "2 carriers in use" in shown._repr_html_()
    assert "NR n78" in shown._repr_html_()
    from dataclasses import replace

    assert look.main is not None
    assert "<script>" not in html_of(replace(look.main, warnings=("<script>alert(1)</script>",)))
    with pytest.raises(TypeError, match="no rich form"):
        show(3)


class Formatter:
    """What IPython's formatters offer to an extension."""

    def __init__(self) -> None:
        self.known: dict[type, Any] = {}

    def for_type(self, word: type, function: Any) -> None:
        self.known[word] = function


def test_the_extension_registers_the_frozen_words_and_the_words_know_nothing_of_it() -> None:
    formatter = Formatter()
    shell = type("Shell", (), {"display_formatter": type("D", (), {"formatters": {"text/html": formatter}})()})()
    bandwright.load_ipython_extension(shell)
    assert {bandwright.Reading, bandwright.Verdict, bandwright.Drawing} <= set(formatter.known)
    register(shell)
    assert not hasattr(bandwright.Reading, "_repr_html_")
    done = subprocess.run([sys.executable, "-c", "import sys, bandwright.words.answers; print('bandwright.telling' in sys.modules)"], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "False"


def test_the_example_notebook_runs_and_each_last_line_has_a_rich_form() -> None:
    notebook = json.loads((ROOT / "docs" / "example.ipynb").read_text(encoding="utf-8"))
    space: dict[str, Any] = {"__name__": "__main__"}
    rich: list[str] = []
    for cell in notebook["cells"]:
        assert cell["cell_type"] in {"markdown", "code"}
        if cell["cell_type"] == "markdown":
            continue
        assert cell["outputs"] == []  # kept without outputs: they are what the reader's own run shows
        tree = ast.parse("".join(cell["source"]))
        last = tree.body.pop() if isinstance(tree.body[-1], ast.Expr) else None
        exec(compile(tree, "example.ipynb", "exec"), space)
        if last is not None:
            value = eval(compile(ast.Expression(last.value), "example.ipynb", "eval"), space)
            rich.append(value._repr_html_())
    reading, spectrum, verdict, timeline = rich
    assert "carriers in use" in reading
    assert "<svg" in spectrum
    assert "<svg" in timeline
    assert "sill-own/standalone" in verdict  # its uplink is 15 Mbit/s and the other's 9.9: twin/practice.py
    assert space["verdict"].lead == "sill-own/standalone"

"""README and docs are true: printed output is what the commands print, named commands and files exist, every row of a table is documented."""

from __future__ import annotations

import importlib.util
import re
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
README = (ROOT / "README.md").read_text(encoding="utf-8")

_spec = importlib.util.spec_from_file_location("make_pictures", ROOT / "docs" / "make_pictures.py")
assert _spec is not None
assert _spec.loader is not None
make_pictures = importlib.util.module_from_spec(_spec)
_spec.loader.exec_module(make_pictures)


def test_the_readmes_output_is_what_the_commands_print(tmp_path: Path) -> None:
    shown, found = make_pictures.blocks(README), make_pictures.outputs(tmp_path)
    assert set(shown) == set(found)
    for name, body in found.items():
        assert shown[name] == body, f"{name}: run `python3 tasks.py pictures`"


def test_the_readme_begins_with_the_job_then_the_two_commands_then_the_picture() -> None:
    job, demo, test, picture = (README.index(x) for x in ("Some homes", "python3 tasks.py demo", "python3 tasks.py test", "docs/pictures/verdict.png"))
    assert job < demo < test < picture
    assert (ROOT / "docs" / "pictures" / "verdict.png").stat().st_size > 20_000


def test_every_file_that_the_documents_name_is_there() -> None:
    for page in (ROOT / "README.md", ROOT / "CONTRIBUTING.md", *sorted((ROOT / "docs").glob("*.md"))):
        text = page.read_text(encoding="utf-8")
        for name in re.findall(r"`((?:docs|src|tests|bench)/[\w./-]+\.(?:md|py|txt|toml))`", text):
            assert (ROOT / name).exists(), f"{page.name} names {name}"


def test_every_command_that_the_documents_name_exists() -> None:
    done = subprocess.run([sys.executable, "-m", "bandwright.cli.main", "--help"], capture_output=True, text=True, check=True)
    verbs = set(re.findall(r"^\s{2}([a-z][a-z-]+)\s{2,}", done.stdout, re.MULTILINE))
    for page in (ROOT / "README.md", ROOT / "CONTRIBUTING.md", *sorted((ROOT / "docs").glob("*.md"))):
        named = set(re.findall(r"\bbandwright ([a-z][a-z-]*)\b(?! is\b)", "\n".join(re.findall(r"`[^`]+`|```.*?```", page.read_text(encoding="utf-8"), re.DOTALL))))
        assert named <= verbs, f"{page.name}: {named - verbs}"


@pytest.mark.parametrize("name", ["demo", "test", "bench", "long", "bundle", "lock", "pictures"])
def test_every_task_is_described(name: str) -> None:
    done = subprocess.run([sys.executable, "tasks.py", "--help"], capture_output=True, text=True, check=True, cwd=ROOT)
    assert f"tasks.py {name}" in done.stdout

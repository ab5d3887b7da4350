"""The JSON Schemas are current, valid, and hold for what the commands print and what a share holds."""

from __future__ import annotations

import asyncio
import importlib.util
import json
import re
import sys
import zipfile
from pathlib import Path
from types import ModuleType
from typing import Any

import pytest
from jsonschema import Draft202012Validator

from bandwright.cli import campaigning
from bandwright.cli.main import app

ROOT = Path(__file__).resolve().parents[2]


def _module(name: str, path: Path) -> ModuleType:
    spec = importlib.util.spec_from_file_location(name, path)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules[name] = module
    spec.loader.exec_module(module)
    return module


make_schemas = _module("make_schemas", ROOT / "docs" / "make_schemas.py")
bench = _module("twin_bench", ROOT / "tests" / "jobs" / "twin_bench.py")
KEPT = {p.stem: json.loads(p.read_text(encoding="utf-8")) for p in sorted((ROOT / "docs" / "schemas").glob("*.json"))}


async def _campaign(folder: Path, patch: pytest.MonkeyPatch) -> None:
    twin, house = await bench.small(folder, days=1)

    async def nothing(_folder: Path) -> tuple[str, ...]:
        return ()

    patch.setattr("bandwright.jobs.assembly.open_house", lambda *_a, **_k: house)
    patch.setattr("bandwright.jobs.assembly.recover", nothing)
    await campaigning._run(folder, fresh=False, as_json=True)
    await twin.close()


@pytest.fixture(scope="module")
def place(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A workspace with a finished small campaign; `streamed` beside it holds what `run --json` printed."""
    folder = tmp_path_factory.mktemp("place")
    with pytest.MonkeyPatch.context() as patch:
        printed: list[str] = []
        patch.setattr("builtins.print", lambda *words, **_k: printed.append(" ".join(map(str, words))))
        asyncio.run(_campaign(folder, patch))
    (folder / "streamed").write_text("\n".join(line for line in printed if line.startswith("{")))
    return folder


def checked(document: dict[str, Any]) -> dict[str, Any]:
    """Return a document that its own schema holds for."""
    name = document["schema"].removeprefix("bandwright.")
    faults = [f"{'/'.join(map(str, e.absolute_path))}: {e.message}"[:200] for e in Draft202012Validator(KEPT[name]).iter_errors(document)]
    assert faults == [], name
    return document


def printed_by(capsys: pytest.CaptureFixture[str], *words: str) -> dict[str, Any]:
    capsys.readouterr()
    app(list(words), standalone_mode=False)
    found: dict[str, Any] = json.loads(capsys.readouterr().out)
    return checked(found)


def test_the_schemas_are_current_and_valid() -> None:
    assert make_schemas.schemas() == KEPT, "run `python docs/make_schemas.py`"
    for schema in KEPT.values():
        Draft202012Validator.check_schema(schema)


def test_every_json_output_of_the_command_line_has_a_schema() -> None:
    named = {n for p in (ROOT / "src" / "bandwright" / "cli").glob("*.py") for n in re.findall(r'print_json\(\s*"(\w+)"', p.read_text(encoding="utf-8"))}
    assert len(named) > 10
    assert named == {n for n in KEPT if not n.startswith("share.")}


@pytest.mark.parametrize("words", [("setups",), ("history",), ("verdict",), ("place",), ("predict",)], ids=lambda w: w[0])
def test_what_a_command_prints_is_what_its_schema_says(place: Path, capsys: pytest.CaptureFixture[str], words: tuple[str, ...]) -> None:
    found = printed_by(capsys, *words, "--json", "--site", str(place))
    assert found["schema"] == f"bandwright.{words[0]}"
    if words[0] == "history":
        assert found["measurements"]
        assert found["measurements"][0]["goodput_down_mbps"]["unit"] == "Mbit/s"


def test_a_stream_is_one_object_a_line_each_as_its_schema_says(place: Path) -> None:
    documents = [checked(json.loads(line)) for line in (place / "streamed").read_text().splitlines()]
    assert {d["schema"] for d in documents} == {"bandwright.progress", "bandwright.verdict"}
    assert any(d.get("tested") for d in documents)


def test_check_and_design_print_what_their_schemas_say(place: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(campaigning, "_REHEARSED", 2)
    assert 0 <= printed_by(capsys, "design", "--json", "--site", str(place))["as_designed"]["chance_clear"] <= 1
    app(["new", str(tmp_path / "n")], standalone_mode=False)
    assert printed_by(capsys, "check", "--json", "--site", str(tmp_path / "n"))["items"]


def test_a_pasted_reading_is_as_its_schema_says(tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch) -> None:
    text = (ROOT / "docs" / "example-reading.txt").read_bytes() + b"\n+CESQ: 99,99,255,255,20,46\nOK\n"
    monkeypatch.setattr("sys.stdin", open(_written(tmp_path / "paste", text), encoding="utf-8"))  # noqa: PTH123, SIM115 -- stands in for standard input, which has a buffer
    found = printed_by(capsys, "reading", "--paste", "--json")
    assert found["readings"][0]["carriers"]
    sys.stdin.close()


def _written(path: Path, data: bytes) -> Path:
    path.write_bytes(data)
    return path


def test_a_failed_measurement_is_as_its_schema_says(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    app(["new", str(tmp_path)], standalone_mode=False)
    text = (tmp_path / "site.toml").read_text()
    (tmp_path / "site.toml").write_text(text.replace('# download_url = "https://example.org/some-large-file"', 'download_url = "https://127.0.0.1:9/x"'))
    found = printed_by(capsys, "measure", "--json", "--site", str(tmp_path))
    assert found["schema"] == "bandwright.measurement"
    assert found["goodput_down_mbps"]["value"] is None
    assert found["goodput_down_mbps"]["reason"]


def test_a_share_and_what_is_said_of_it_are_as_their_schemas_say(place: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    file, proposal = str(tmp_path / "out.zip"), str(tmp_path / "p.zip")
    assert printed_by(capsys, "export", file, "--json", "--site", str(place))["rows"]["measurements"]
    printed_by(capsys, "import", file, "--json", "--site", str(tmp_path / "there"))
    printed_by(capsys, "export", proposal, "--proposal", "--json", "--site", str(tmp_path / "there"))
    assert printed_by(capsys, "import", proposal, "--json", "--site", str(place))["proposed"]["design"]
    lines = 0
    for path in (file, proposal):
        with zipfile.ZipFile(path) as archive:
            for name in archive.namelist():
                if name.endswith(".jsonl"):
                    validator = Draft202012Validator(KEPT[f"share.{name.removesuffix('.jsonl')}"])
                    for line in archive.read(name).decode().splitlines()[:40]:
                        assert [e.message[:200] for e in validator.iter_errors(json.loads(line))] == [], name
                        lines += 1
    assert lines > 50


def test_a_schema_refuses_what_it_should() -> None:
    validator = Draft202012Validator(KEPT["setups"])
    good = {"schema": "bandwright.setups", "schema_version": 1, "setups": [{"key": "a/b", "rig": "a", "tuning": "b", "label": "", "predicted_score": None}]}
    assert validator.is_valid(good)
    for wrong in ({"schema_version": 2}, {"schema": "other"}, {"setups": [{"key": 1}]}, {"more": 1}):
        assert not validator.is_valid({**good, **wrong}), wrong

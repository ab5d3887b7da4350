"""Every command, program and file in the guides is run as a reader would: each page from its top, in an empty folder."""

from __future__ import annotations

import importlib.util
import os
import re
import shlex
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from types import ModuleType

import pytest

ROOT = Path(__file__).resolve().parents[2]
DOCS = ROOT / "docs"
PAGES = ("tutorial", "lesson", "howto")
# What goes on until it is stopped, or takes long by its nature: started, waited for until it has said this, and stopped.
LONG = {"twin": "Ctrl-C ends it", "serve": "http://", "far-end": "Listening on port", "design": "Rehearsing"}
# What a person would have to answer: started with nobody there. It must say so and end, keeping all.
ASKING = {"run"}
DEADLINE_S = 60.0


def generator(name: str) -> ModuleType:
    """Return one of the generators in docs/."""
    spec = importlib.util.spec_from_file_location(name, DOCS / f"{name}.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules[name] = module
    spec.loader.exec_module(module)
    return module


def blocks(text: str) -> list[tuple[str, str]]:
    """Return (language, body) of each fenced block."""
    return re.findall(r"^```(\w+)\n(.*?)^```$", text, re.DOTALL | re.MULTILINE)


def free_port() -> int:
    with socket.socket() as s:
        s.bind(("127.0.0.1", 0))
        return int(s.getsockname()[1])


@dataclass
class Reader:
    """Someone who follows a page: types each line, starts what goes on in another terminal, and stops it at the end."""

    folder: Path
    tools: Path
    ports: dict[str, str]
    running: list[tuple[subprocess.Popen[bytes], Path, bool]] = field(default_factory=list)

    def environment(self) -> dict[str, str]:
        return {**os.environ, "PATH": f"{self.tools}{os.pathsep}{os.environ['PATH']}", "NO_COLOR": "1"}

    def typed(self, line: str) -> str:
        """Return the line with names and ports that are free on this computer."""
        for given, used in self.ports.items():
            line = line.replace(given, used)
        if re.match(r"bandwright serve\b", line) and "--port" not in line:
            line += f" --port {free_port()}"
        return line

    def run(self, line: str) -> None:
        words = shlex.split(line, comments=True)
        verb = words[1] if words[0] == "bandwright" else ""
        expected = {int(n) for n in re.findall(r"\d+", m[1])} if (m := re.search(r"# exit (.*)$", line)) else {0}
        if verb in LONG and not {"--new-key", "--revoke"} & set(words):
            self.start(line, LONG[verb])
            return
        done = subprocess.run(["bash", "-o", "pipefail", "-c", self.typed(line)], cwd=self.folder, capture_output=True, text=True, timeout=DEADLINE_S, env=self.environment(), stdin=subprocess.DEVNULL)
        assert "Traceback" not in done.stderr, done.stderr
        if verb in ASKING:
            assert done.returncode in {3, 5}, f"{line}\n{done.stderr}"
            assert done.stdout + done.stderr
            return
        assert done.returncode in expected, f"{line}\n{done.stdout}\n{done.stderr}"

    def start(self, line: str, until: str) -> None:
        said = self.folder / f".said-{len(self.running)}"
        with said.open("wb") as out:
            process = subprocess.Popen(["bash", "-c", f"exec {self.typed(line)}"], cwd=self.folder, stdout=out, stderr=subprocess.STDOUT, stdin=subprocess.DEVNULL, env=self.environment(), start_new_session=True)
        self.running.append((process, said, "design" not in line))  # a rehearsal has processes of its own, which a terminal would interrupt too
        deadline = time.monotonic() + DEADLINE_S
        while until not in said.read_text(errors="replace"):
            assert process.poll() is None, f"{line}\n{said.read_text(errors='replace')}"
            assert time.monotonic() < deadline, f"{line} said nothing of {until!r}"
            with pytest.raises(subprocess.TimeoutExpired):
                process.wait(0.05)

    def stop(self) -> None:
        for process, _, alone in self.running:
            (os.kill if alone else os.killpg)(process.pid, signal.SIGINT)
        for process, said, _ in self.running:
            try:
                process.wait(15)
            except subprocess.TimeoutExpired:
                os.killpg(process.pid, signal.SIGKILL)
                process.wait()
                raise AssertionError(f"did not end on Ctrl-C: {said.read_text(errors='replace')}") from None
            assert "Traceback" not in said.read_text(errors="replace")
        self.running.clear()


@pytest.fixture(scope="module")
def tools(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with `bandwright` in it. A demonstration of the same words runs once, for real; later pages get its folder and its output."""
    folder = tmp_path_factory.mktemp("tools")
    program = folder / "bandwright"
    program.write_text(
        f"""#!/bin/bash
if [ "$1" = demo ]; then
    kept="{folder}/demo"
    if [ ! -d "$kept" ]; then
        "{sys.executable}" -m bandwright.cli.main "$@" | tee "{folder}/demo.txt" || exit 1
        cp -r practice "$kept"
    else
        cp -r "$kept" practice && cat "{folder}/demo.txt"
    fi
    exit "${{PIPESTATUS[0]}}"
fi
exec "{sys.executable}" -m bandwright.cli.main "$@"
"""
    )
    program.chmod(0o755)
    return folder


@pytest.fixture
def reader(tools: Path, tmp_path: Path) -> Iterator[Reader]:
    port = free_port()
    someone = Reader(folder=tmp_path, tools=tools, ports={"far.example.org:8620": f"127.0.0.1:{port}", "--port 8620": f"--port {port}"})
    yield someone
    someone.stop()


@pytest.mark.parametrize("name", PAGES)
def test_everything_a_page_says_to_do_can_be_done(name: str, reader: Reader, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(reader.folder)
    space: dict[str, object] = {}
    commands = 0
    for language, body in blocks((DOCS / f"{name}.md").read_text(encoding="utf-8")):
        if language == "sh":
            for line in body.splitlines():
                reader.run(line)
                commands += 1
        elif language == "python":
            exec(compile(body, f"{name}.md", "exec"), space)
            assert capsys.readouterr().out.count("Mbit/s") >= 3
        elif language == "toml":
            where = re.match(r"# file: (\S+)\n", body)
            assert where is not None
            (reader.folder / where[1]).parent.mkdir(parents=True, exist_ok=True)
            (reader.folder / where[1]).write_text(body, encoding="utf-8")
        else:
            pytest.fail(f"a block of {language} is neither run nor read")
    assert commands >= 3


def test_no_page_hides_a_command_from_the_tests() -> None:
    for name in (*PAGES, "explanation", "safety", "exchange"):
        text = (DOCS / f"{name}.md").read_text(encoding="utf-8")
        assert {language for language, _ in blocks(text)} <= {"sh", "python", "toml"}, name
        assert not re.search(r"^```\s*\n(?=bandwright)", text, re.MULTILINE), name


@pytest.mark.parametrize("name", [*PAGES, "explanation", "safety", "exchange", "reference"])
def test_every_page_that_is_linked_is_there(name: str) -> None:
    text = (DOCS / f"{name}.md").read_text(encoding="utf-8")
    for target in re.findall(r"\]\(([\w./-]+)\)", text):
        assert (DOCS / target).exists(), target


def test_the_reference_is_what_the_tables_say() -> None:
    reference = generator("make_reference")
    assert reference.PAGE.read_text(encoding="utf-8") == reference.page(), "run `python docs/make_reference.py`"


def test_the_safety_page_has_every_caution_as_the_program_shows_it() -> None:
    reference = generator("make_reference")
    text = reference.SAFETY.read_text(encoding="utf-8")
    assert reference.safety(text) == text, "run `python docs/make_reference.py`"
    from bandwright.telling.cautions import CAUTIONS

    assert all(c.text in text for c in CAUTIONS)
    assert "licensed" in text
    assert "Local codes" in text


def test_every_member_of_every_table_is_in_the_reference() -> None:
    from bandwright.advice.findings import FINDINGS
    from bandwright.gateways.kinds import KINDS
    from bandwright.needs.catalogue import CATALOGUE
    from bandwright.propagation.terms import TERMS
    from bandwright.quantities import QUANTITIES
    from bandwright.telling.charts.table import CHARTS
    from bandwright.words.settings import SETTINGS

    text = (DOCS / "reference.md").read_text(encoding="utf-8")
    for rows in (FINDINGS, CATALOGUE, TERMS, QUANTITIES, CHARTS, SETTINGS):
        assert [r.key for r in rows if f"`{r.key}`" not in text] == []
    for kind in KINDS:
        assert f"### {kind.key}\n" in text
        assert [n for n in kind.settings.model_fields if f"`{n}`" not in text] == []


def test_the_files_of_a_share_are_all_described() -> None:
    from bandwright.workspace.exchange import FILES, LIMIT_BYTES, VERSION

    text = (DOCS / "exchange.md").read_text(encoding="utf-8")
    assert all(f"`{f.name}`" in text for f in FILES)
    assert f"{LIMIT_BYTES // 1_000_000} MB" in text
    assert f"`version` ({VERSION})" in text

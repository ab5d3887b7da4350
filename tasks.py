#!/usr/bin/env python3
"""Set up and run Bandwright from a fresh checkout, with nothing but Python, venv and pip.

    python3 tasks.py demo     set up, run the demonstration on the simulated site, open the page
    python3 tasks.py test     set up with what the tests need, then lint, types, contracts and tests
    python3 tasks.py bench    every benchmark that gives its figure in a minute or so
    python3 tasks.py long     coverage, studies, fuzzing and soak: what takes longer than a test may
    python3 tasks.py bundle   fetch all packages into a folder, for a machine without a connection
    python3 tasks.py lock     renew the lock files (needs uv)
    python3 tasks.py pictures make the pictures of the README anew

Standard library only.
"""

from __future__ import annotations

import argparse
import hashlib
import importlib.util
import os
import platform
import shutil
import subprocess
import sys
import time
from pathlib import Path

ROOT = Path(__file__).resolve().parent
VENV = ROOT / ".venv"
LOCKS = ROOT / "requirements"
OLDEST = (3, 11)
WINDOWS = os.name == "nt"
PYTHON = VENV / ("Scripts/python.exe" if WINDOWS else "bin/python")
# What the tests use of the operating system, on Debian and its kin: the browser, a private message bus with the modem daemon and
# its command-line tools, network namespaces, a compiler for the path emulator, PostgreSQL.
DEBIAN = ("chromium", "dbus", "modemmanager", "libqmi-utils", "libmbim-utils", "iproute2", "ethtool", "gcc", "libc6-dev", "postgresql", "mosquitto", "fonts-noto-core")
LONG = (
    "trials_study.py",
    "trials_twin.py",
    "trials_replay.py",
    "trials_speed.py",
    "watch_study.py",
    "probe_fuzz.py",
    "probe_hardness.py",
    "probe_firsthop.py",
    "campaign_bed.py",
    "diagnosis_study.py",
    "aiming_study.py",
    "wouldithelp_study.py",
    "readings_fuzz.py",
    "probe_points.py",
    "gateways_faults.py",
    "campaign_kills.py",
)


def say(text: str) -> None:
    """Print a line at once."""
    print(text, flush=True)


def stop(text: str) -> None:
    """End with a plain sentence."""
    say(text)
    raise SystemExit(2)


def check_python() -> None:
    """Stop where this Python cannot do it, saying what to do."""
    if sys.version_info < OLDEST:
        stop(f"This is Python {platform.python_version()}; Bandwright needs {OLDEST[0]}.{OLDEST[1]} or newer.")
    if importlib.util.find_spec("ensurepip") is None:
        stop("This Python has no ensurepip, so it cannot make a virtual environment. On Debian: apt-get install python3-venv")


def stamp_for(kind: str) -> str:
    """Return a digest of what a set-up depends on."""
    parts = [LOCKS / "run.txt", ROOT / "pyproject.toml", *([LOCKS / "test.txt"] if kind == "test" else [])]
    digest = hashlib.sha256(platform.python_version().encode())
    for part in parts:
        digest.update(part.read_bytes())
    return digest.hexdigest()


def set_up(kind: str) -> None:
    """Make .venv with the locked packages of `kind` ("run" or "test"); instant where it is there."""
    check_python()
    wanted = stamp_for(kind)
    stamp = VENV / f"stamp-{kind}"
    if PYTHON.exists() and stamp.exists() and stamp.read_text() == wanted:
        return
    say(f"Setting up for '{kind}' in .venv (once; needs a connection) ...")
    began = time.monotonic()
    uv = shutil.which("uv")
    if not PYTHON.exists():
        subprocess.run([sys.executable, "-m", "venv", str(VENV)], check=True)
    pip = [uv, "pip", "install", "--python", str(PYTHON)] if uv else [str(PYTHON), "-m", "pip", "install", "--disable-pip-version-check"]
    bundle = ROOT / "bundle"
    offline = ["--no-index", "--find-links", str(bundle)] if bundle.is_dir() else []
    quiet = {"stdout": subprocess.DEVNULL, "stderr": subprocess.PIPE, "text": True}
    for command in (
        [*pip, *offline, "--require-hashes", "-r", str(LOCKS / f"{kind}.txt")],
        [*pip, "--no-deps", "--no-build-isolation", "-e", str(ROOT)],
    ):
        done = subprocess.run(command, check=False, **quiet)
        if done.returncode:
            say(done.stderr.strip()[-2000:])
            stop("The set-up could not finish. Is there a connection? What is there stays, and the same command goes on. For a machine without one: `python3 tasks.py bundle` elsewhere, and copy the folder.")
    stamp.write_text(wanted)
    say(f"... done in {time.monotonic() - began:.0f} s")


def run(*command: str, env: dict[str, str] | None = None) -> int:
    """Run a command from the virtual environment and return its exit code."""
    return subprocess.run([str(PYTHON), *command], cwd=ROOT, check=False, env={**os.environ, **(env or {})}).returncode


def debian_packages() -> None:
    """Install what the tests use of Debian, as root; elsewhere print the line to type."""
    if not shutil.which("apt-get"):
        return
    missing = [p for p in DEBIAN if subprocess.run(["dpkg", "-s", p], capture_output=True, check=False).returncode]
    if not missing:
        return
    line = f"apt-get install -y --no-install-recommends {' '.join(missing)}"
    if os.geteuid() != 0:
        say(f"Tests that need them will be skipped, saying so. To run them too, as root: {line}")
        return
    say(f"Installing {', '.join(missing)} ...")
    env = {**os.environ, "DEBIAN_FRONTEND": "noninteractive"}
    for command in ("apt-get update -q", line):
        if subprocess.run(command.split(), env=env, stdout=subprocess.DEVNULL, check=False).returncode:
            say(f"That failed: {command}. Tests that need it will say so.")


def demo(rest: list[str]) -> int:
    """Set up and run the demonstration."""
    set_up("run")
    return run("-m", "bandwright.cli.main", "demo", *rest)


def test(rest: list[str]) -> int:
    """Set up, then lint, types, contracts and tests. All of them run; the first failure decides the exit code."""
    set_up("test")
    debian_packages()
    tests = ["-m", "pytest", "-n", os.environ.get("BANDWRIGHT_TEST_WORKERS", "2"), *rest]
    steps = [
        ("lint", ["-m", "ruff", "check", "."]),
        ("types", ["-m", "mypy"]),
        ("contracts", ["-c", "from importlinter.cli import lint_imports_command; lint_imports_command()"]),
        ("addresses", ["tasks.py", "addresses"]),
        ("tests", tests),
    ]
    worst = 0
    for name, command in steps:
        began = time.monotonic()
        code = run(*command)
        say(f"{name}: {'ok' if code == 0 else f'FAILED ({code})'} in {time.monotonic() - began:.0f} s")
        worst = worst or code
    return worst


def addresses(_rest: list[str]) -> int:
    """Fail where a tracked file holds the address of a package registry or a path of a developer's machine."""
    hosts = ("pypi" + ".org", "pythonhosted" + ".org", "registry." + "npmjs", "deb." + "debian")
    names = subprocess.run(["git", "ls-files"], cwd=ROOT, capture_output=True, text=True, check=False).stdout.split("\n")
    bad = []
    for name in filter(None, names):
        path = ROOT / name
        if path.is_file() and path.stat().st_size < 3_000_000:
            text = path.read_text(errors="ignore")
            bad += [f"{name}: {h}" for h in hosts if h in text]
    for line in bad:
        say(line)
    return 1 if bad else 0


def bench(rest: list[str]) -> int:
    """Run the benchmarks, or those whose names are given."""
    set_up("test")
    names = rest or sorted(p.name for p in (ROOT / "bench").glob("*.py") if p.name not in LONG and not p.name.startswith("_"))
    worst = 0
    for name in names:
        say(f"== bench/{name}")
        worst = run(str(ROOT / "bench" / name)) or worst
    return worst


def long(rest: list[str]) -> int:
    """Run coverage, studies, fuzzing and soak."""
    set_up("test")
    worst = 0
    if not rest:
        worst = run("-m", "coverage", "run", "-m", "pytest", "-p", "no:xdist") or run("-m", "coverage", "report", "--skip-covered")
    for name in rest or [n for n in LONG if (ROOT / "bench" / n).exists()]:
        say(f"== bench/{name}")
        worst = run(str(ROOT / "bench" / name)) or worst
    return worst


def bundle(_rest: list[str]) -> int:
    """Fetch all packages into ./bundle."""
    set_up("run")
    return run("-m", "pip", "download", "--require-hashes", "-r", str(LOCKS / "run.txt"), "-d", str(ROOT / "bundle"))


def lock(rest: list[str]) -> int:
    """Renew the lock files: universal, hashed, free of any address."""
    uv = shutil.which("uv")
    if uv is None:
        stop("`lock` needs uv on the PATH; nothing else does.")
    common = [str(uv), "pip", "compile", "-q", "--universal", "--generate-hashes", "--no-header", "--no-annotate", "--no-emit-index-url", "../pyproject.toml", "build.in", *rest]
    extras = ["speed", "terrain", "hub", "fleet"]
    first = subprocess.run([*common, "--extra", "report", "-o", "run.txt"], cwd=LOCKS, check=False).returncode
    more = [x for e in extras for x in ("--extra", e)]
    return first or subprocess.run([*common, "--extra", "report", *more, "--group", "../pyproject.toml:test", "-c", "run.txt", "-o", "test.txt"], cwd=LOCKS, check=False).returncode


def pictures(_rest: list[str]) -> int:
    """Make the README's pictures and printed output from what the commands show."""
    set_up("test")
    debian_packages()
    return run(str(ROOT / "docs" / "make_pictures.py"))


COMMANDS = {"demo": demo, "test": test, "bench": bench, "long": long, "bundle": bundle, "lock": lock, "pictures": pictures, "addresses": addresses}


def main() -> int:
    """Run one command."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("command", choices=sorted(COMMANDS))
    args, rest = parser.parse_known_args()
    return COMMANDS[args.command](rest)


if __name__ == "__main__":
    raise SystemExit(main())

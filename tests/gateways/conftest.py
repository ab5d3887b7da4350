"""Lets the tests of this folder share their stage, their fakes and the contract suite, and the small campaign of the jobs."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

pytest.register_assert_rewrite("contract", "stage")
sys.path[:0] = [str(Path(__file__).parent), str(Path(__file__).parent.parent / "jobs")]


@pytest.fixture(scope="session")
def real_daemon(tmp_path_factory) -> Iterator[list[str]]:
    """The address of a bus with the operating system's own modem daemon on it, and of the modem's second port. With CI=true a missing daemon is skipped, a failing one is not."""
    if shutil.which("ModemManager") is None or shutil.which("dbus-daemon") is None:
        pytest.skip("the modem daemon is not installed")
    if os.geteuid() != 0 and os.environ.get("CI") != "true":
        pytest.skip("the modem daemon is run as root here, or in CI")
    folder = tmp_path_factory.mktemp("daemon")
    script = Path(__file__).with_name("realdaemon.py")
    process = subprocess.Popen([sys.executable, str(script), str(folder)], stdin=subprocess.PIPE, stdout=subprocess.PIPE)
    addresses = process.stdout.readline().decode().split()
    if len(addresses) != 2:
        log = folder / "daemon.log"
        pytest.fail("the modem daemon did not start: " + (log.read_text()[-2000:] if log.exists() else "no log"))
    yield addresses
    process.stdin.close()
    process.wait(20)

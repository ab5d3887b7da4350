"""`bandwright check`: what can be used, and what to do about what cannot."""

from __future__ import annotations

import asyncio
import getpass
import sys
from dataclasses import asdict
from pathlib import Path

from bandwright.cli.screens import print_json
from bandwright.privacy import Private

__all__ = ["show_boot_unit", "show_check", "show_kinds", "show_settings"]


def show_check(site: Path, *, pair: str | None, keep_secret: str | None, as_json: bool) -> int:
    """Keep what is to be kept, look at everything, and return the exit code."""
    from bandwright.jobs import assembly
    from bandwright.jobs.check import check

    if pair is not None:
        assembly.keep_secret(site, "far_end", Private(pair))
        print("The pairing string is kept in secrets.toml, readable by you only.")
    if keep_secret is not None:
        text = getpass.getpass(f"{keep_secret}: ") if sys.stdin.isatty() else sys.stdin.readline().rstrip("\n")
        assembly.keep_secret(site, keep_secret, Private(text))
        print(f"{keep_secret} is kept in secrets.toml, readable by you only.")
        return 0
    answer = asyncio.run(check(site))
    if as_json:
        print_json("check", asdict(answer))
        return answer.code
    for item in answer.items:
        mark = {True: "ok   ", False: "NOT  ", None: "     "}[item.ok]
        print(f"{mark}{item.what}: {item.text}")
        if item.todo and item.todo not in item.text:
            print(f"         {item.todo}")
    return answer.code


def show_boot_unit(site: Path) -> None:
    """Print the boot unit of this workspace, and say where it goes."""
    from bandwright.jobs.assembly import boot_unit

    print(boot_unit(site), end="")
    where = {
        "darwin": "Keep it as ~/Library/LaunchAgents/bandwright-return.plist, then: launchctl load that file.",
        "win32": "Run that command as an administrator.",
    }.get(sys.platform, "Keep it as /etc/systemd/system/bandwright-return.service, then: sudo systemctl enable bandwright-return")
    print(where, file=sys.stderr)


def show_kinds() -> None:
    """Print the table of gateway kinds with their settings."""
    from bandwright.jobs.assembly import kind_rows

    for key, label, about, settings in kind_rows():
        print(f"{key}: {label}")
        print(f"    {about}")
        for name, default, meaning in settings:
            print(f"    {name} = {default}: {meaning}")


def show_settings() -> None:
    """Print the settings table."""
    from bandwright.words.settings import SETTINGS

    for row in SETTINGS:
        unit = f" {row.unit}" if row.unit else ""
        bounds = f" ({row.low:g} to {row.high:g})" if row.low is not None and row.high is not None else ""
        print(f"{row.key} = {row.default!r}{unit}{bounds}")
        print(f"    {row.meaning}; it costs: {row.cost}")

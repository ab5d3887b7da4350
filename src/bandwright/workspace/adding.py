"""Adding to `site.toml`: new tunings and rigs as sections at its end, so that nothing that stands in it is touched, comments included.

The whole new text is read as a declaration before it takes the old one's place.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

from bandwright.errors import DeclarationError
from bandwright.words.declared import Declared
from bandwright.words.rig import Rig, Tuning
from bandwright.workspace.declared import SITE_FILE, read_declared
from bandwright.workspace.sitefile import replace_text

__all__ = ["add_rigs", "add_tunings"]


def add_tunings(folder: Path, tunings: Sequence[Tuning], *, why: Sequence[str]) -> Declared:
    """Write tunings into a workspace's `site.toml`, each below a comment that says what it is for. Returns what is declared now.

    why: one line for each. Raises DeclarationError where a key is taken or the file cannot be read, DiskFull, StoreError.
    """
    rows = [{"key": t.key, "mode": t.mode, "bands": list(t.bands), "cell": t.cell, "antenna": t.antenna, "gateways": list(t.gateways)} for t in tunings]
    return _append(folder, "tuning", rows, why)


def add_rigs(folder: Path, rigs: Sequence[Rig], *, why: Sequence[str]) -> Declared:
    """Write rigs with built-in antennas into a workspace's `site.toml`, each below a comment. Returns what is declared now.

    why: one line for each. Raises DeclarationError where a key is taken or the file cannot be read, DiskFull, StoreError.
    """
    rows = [{"key": r.key, "line": r.line, "gateway": r.gateway, "place": r.place, "change_minutes": r.change_minutes} for r in rigs]
    return _append(folder, "rig", rows, why)


def _append(folder: Path, section: str, rows: Sequence[dict[str, Any]], why: Sequence[str]) -> Declared:
    import tomlkit

    path = folder / SITE_FILE
    try:
        text = path.read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError) as error:
        raise DeclarationError(f"{path.name} cannot be read", given=str(error)) from error
    parts = [text.rstrip("\n")]
    for row, line in zip(rows, why, strict=True):
        table = tomlkit.dumps({key: value for key, value in row.items() if value not in (None, "", [])})
        parts.append(f"# {' '.join(line.split())}\n[[{section}]]\n{table.rstrip()}")
    whole = "\n\n".join(parts) + "\n"
    declared = read_declared(whole)
    replace_text(path, whole)
    return declared

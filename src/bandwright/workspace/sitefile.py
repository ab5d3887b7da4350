"""Changing `site.toml` in place: a setting's text read and checked, and its line put into the file, with every comment kept.

A changed file takes the old one's place in one step, so that a crash or a full disk leaves the old one whole.
"""

from __future__ import annotations

import errno
import math
import os
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from bandwright.errors import DeclarationError, DiskFull, StoreError
from bandwright.needs.hours import parse_hours
from bandwright.words.settings import Setting, SettingValue

__all__ = ["allowed_words", "checked_setting", "read_setting", "replace_text", "with_settings"]


def read_setting(row: Setting, text: str) -> SettingValue:
    """Return the value that a typed text stands for. A decimal comma is taken for a point.

    Raises DeclarationError for a text of another kind than the default's, or a value out of its range.
    """
    plain = text.strip()
    if isinstance(row.default, str):
        return checked_setting(row, plain)
    if isinstance(row.default, bool):
        if plain.lower() not in {"yes", "no"}:
            raise DeclarationError(row.key, given=plain, allowed="yes, no")
        return plain.lower() == "yes"
    try:
        number = float(plain.replace(",", "."))
    except ValueError:
        raise DeclarationError(row.key, given=plain, allowed=allowed_words(row)) from None
    if isinstance(row.default, int):
        if not number.is_integer():
            raise DeclarationError(row.key, given=plain, allowed=allowed_words(row))
        return checked_setting(row, int(number))
    return checked_setting(row, number)


def checked_setting(row: Setting, value: SettingValue) -> SettingValue:
    """Return the value where the row allows it. Raises DeclarationError, whose `what` is the setting's key."""
    if isinstance(row.default, str) != isinstance(value, str) or isinstance(value, bool) != isinstance(row.default, bool):
        raise DeclarationError(row.key, given=value, allowed=f"like {row.default!r}")
    if isinstance(value, str):
        _check_text(row, value)
    elif not isinstance(value, bool) and (not math.isfinite(value) or (isinstance(row.default, int) and not float(value).is_integer()) or _is_outside(row, value)):
        raise DeclarationError(row.key, given=str(value), allowed=allowed_words(row))
    return value


def allowed_words(row: Setting) -> str:
    """Return what a setting takes, in words."""
    if row.choices:
        return ", ".join(row.choices)
    if row.hours:
        return 'hours like "daily 22:00-07:00" or "Mon-Fri 21:00-06:00", or "none"'
    if isinstance(row.default, str):
        return "letters, digits, spaces and - _ . ,"
    kind = "a whole number" if isinstance(row.default, int) else "a number"
    unit = f" {row.unit}" if row.unit and row.unit != "port" else ""
    return kind if row.low is None or row.high is None else f"{kind} from {row.low:g} to {row.high:g}{unit}"


def _is_outside(row: Setting, value: float) -> bool:
    return (row.low is not None and value < row.low) or (row.high is not None and value > row.high)


def _check_text(row: Setting, value: str) -> None:
    if row.choices:
        wrong = value not in row.choices
    elif row.hours:
        if value and value != "none":
            try:
                parse_hours(value)
            except DeclarationError as error:
                raise DeclarationError(row.key, given=value, allowed=allowed_words(row)) from error
        return
    else:
        wrong = any(not (c.isalnum() or c in " -_.,") for c in value)
    if wrong:
        raise DeclarationError(row.key, given=value, allowed=allowed_words(row))


def with_settings(site_toml: str, changes: Mapping[str, SettingValue]) -> str:
    """Return the text with these settings put under [settings]; every comment, blank line and order of the rest stays as it was."""
    import tomlkit
    from tomlkit.items import Table

    if not changes:
        return site_toml
    document = tomlkit.parse(site_toml)
    section: Any = document.get("settings")
    if section is None:
        return site_toml.rstrip("\n") + "\n\n[settings]\n" + tomlkit.dumps(dict(changes))
    fresh = {key: value for key, value in changes.items() if key not in section}
    for key, value in changes.items():
        if key in section:
            section[key] = value
    if not isinstance(section, Table) or section.is_super_table():
        for key, value in fresh.items():
            section[key] = value
        return tomlkit.dumps(document)
    return _with_lines(tomlkit.dumps(document), tomlkit.dumps(fresh))


def _with_lines(text: str, lines: str) -> str:
    """Put lines right below the header [settings], where they cannot end up behind a comment that speaks of the next section."""
    out: list[str] = []
    put = not lines
    for line in text.splitlines(keepends=True):
        out.append(line if line.endswith("\n") else line + "\n")
        if not put and line.split("#")[0].replace(" ", "").replace("\t", "").strip() in {"[settings]", '["settings"]', "['settings']"}:
            out.append(lines)
            put = True
    return "".join(out)


def replace_text(path: Path, text: str) -> None:
    """Put a new text in a file's place in one step, durably. Raises DiskFull, StoreError; the old file is then as it was."""
    beside = path.with_name(path.name + ".new")
    try:
        with beside.open("w", encoding="utf-8") as out:
            out.write(text)
            out.flush()
            os.fsync(out.fileno())
        beside.replace(path)
    except OSError as error:
        beside.unlink(missing_ok=True)
        if error.errno in {errno.ENOSPC, errno.EDQUOT}:
            raise DiskFull(f"the disk is full while writing {path.name}", todo="Free some space and send it again: the file is as it was") from error
        raise StoreError(f"{path.name} cannot be written", given=error.strerror, todo="Look whether the folder may be written to") from error

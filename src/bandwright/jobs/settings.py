"""Change settings: what was typed is read row by row, and what holds afterwards stands in `site.toml`, with its comments kept."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from bandwright.errors import DeclarationError, StoreError, UsageError
from bandwright.words.settings import SETTINGS, SettingValue

__all__ = ["SettingsAnswer", "change_settings"]


@dataclass(frozen=True, slots=True, kw_only=True)
class SettingsAnswer:
    """What was changed, by key; or, where something typed cannot be used, what is allowed instead, by key: then nothing was changed."""

    changed: Mapping[str, SettingValue]
    problems: Mapping[str, str]


def change_settings(folder: Path, typed: Mapping[str, str]) -> SettingsAnswer:
    """Write typed settings into the folder's `site.toml`, all or none of them. A setting that is not named stays as it is.

    Raises UsageError where nothing is declared, DeclarationError where the file cannot be used as it is, DiskFull, StoreError.
    """
    from bandwright.workspace.declared import SITE_FILE, read_declared
    from bandwright.workspace.sitefile import allowed_words, read_setting, replace_text, with_settings

    path = folder / SITE_FILE
    try:
        text = path.read_text(encoding="utf-8")
    except FileNotFoundError as error:
        raise UsageError("nothing is declared yet, so there is nothing to set", todo="Answer the five questions of First use, or run `bandwright new`") from error
    except (OSError, UnicodeDecodeError) as error:
        raise StoreError(f"{path.name} cannot be read", given=str(error)) from error
    held = read_declared(text).settings
    values: dict[str, SettingValue] = {}
    problems: dict[str, str] = {}
    for row in SETTINGS:
        if row.key in typed:
            try:
                values[row.key] = read_setting(row, typed[row.key])
            except DeclarationError:
                problems[row.key] = allowed_words(row)
    changed = {key: value for key, value in values.items() if value != held[key]}
    if problems or not changed:
        return SettingsAnswer(changed={}, problems=problems)
    new = with_settings(text, changed)
    read_declared(new)
    replace_text(path, new)
    return SettingsAnswer(changed=changed, problems={})

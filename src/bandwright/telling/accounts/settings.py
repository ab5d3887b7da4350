"""Settings laid out: every row of the table of settings, what holds here, what it takes and what more of it costs; by what they are about."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass

from bandwright.telling.numbers import NBSP, counted, in_words, joined
from bandwright.telling.said import Said, said, strong
from bandwright.words.settings import SETTINGS, Setting, SettingValue

__all__ = ["SettingGroup", "SettingTold", "settings_headline", "settings_kept", "settings_told"]


@dataclass(frozen=True, slots=True, kw_only=True)
class SettingTold:
    """One setting as a person reads it. text: what stands in its field; choices: where only these can be meant; differs: from the default."""

    key: str
    meaning: str
    text: str
    unit: str
    takes: str
    default: str
    cost: str
    choices: tuple[str, ...]
    figures: bool
    differs: bool
    problem: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class SettingGroup:
    """The settings of one subject."""

    title: str
    rows: tuple[SettingTold, ...]


def settings_headline(values: Mapping[str, SettingValue]) -> Said:
    """Return how many settings differ from their defaults."""
    changed = [row.key for row in SETTINGS if values.get(row.key, row.default) != row.default]
    if not changed:
        return said(strong("Every setting is at its default"), ".")
    verb = "differs from its default" if len(changed) == 1 else "differ from their defaults"
    return said(strong(f"{in_words(len(changed), 'setting').capitalize()} {verb}"), f", of {len(SETTINGS)}.")


def settings_told(values: Mapping[str, SettingValue], *, typed: Mapping[str, str] | None = None, problems: Mapping[str, str] | None = None) -> tuple[SettingGroup, ...]:
    """Return every setting by group. typed: what stands in the fields instead, where it could not be used; problems: what is allowed there, by key."""
    groups: dict[str, list[SettingTold]] = {}
    for row in SETTINGS:
        held = values.get(row.key, row.default)
        text = _plain(held) if typed is None or row.key not in typed else typed[row.key]
        problem = (problems or {}).get(row.key, "")
        groups.setdefault(row.group, []).append(
            SettingTold(
                key=row.key,
                meaning=_upper(row.meaning),
                text=text,
                unit="" if row.unit == "port" else row.unit,
                takes=_takes(row),
                default="" if row.default == "" else _plain(row.default) + (NBSP + row.unit if row.unit and row.unit != "port" else ""),
                cost=re.sub(r"^none\b", "nothing", row.cost),
                choices=row.choices,
                figures=not isinstance(row.default, str),
                differs=held != row.default,
                problem=f"This takes {problem}." if problem else "",
            )
        )
    return tuple(SettingGroup(title=title, rows=tuple(rows)) for title, rows in groups.items())


def settings_kept(keys: list[str]) -> str:
    """Return what was written, in one sentence."""
    known = [row for row in SETTINGS if row.key in keys]
    if not known:
        return "Nothing was different, so site.toml is as it was."
    later = " A port is taken up when the program starts again." if any(row.unit == "port" for row in known) else ""
    return f"{counted(len(known), 'setting')} written into site.toml: {joined([row.key for row in known])}.{later}"


def _upper(text: str) -> str:
    return text[:1].upper() + text[1:]


def _plain(value: SettingValue) -> str:
    if isinstance(value, bool):
        return "yes" if value else "no"
    return f"{value:g}" if isinstance(value, int | float) else value


def _takes(row: Setting) -> str:
    if row.low is None or row.high is None or row.choices:
        return ""
    return f"{row.low:g} to {row.high:g}"

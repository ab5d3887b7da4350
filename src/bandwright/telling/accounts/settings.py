"""Settings laid out: every row of the table of settings, its value here, what it means and what more of it costs."""

from __future__ import annotations

import re
from collections.abc import Mapping

from bandwright.telling.document import Document, Note, Para, Part, Table
from bandwright.telling.numbers import NBSP, number
from bandwright.telling.said import Piece, quiet, said, strong
from bandwright.words.settings import SETTINGS, Setting, SettingValue

__all__ = ["settings_document"]


def settings_document(values: Mapping[str, SettingValue]) -> Document:
    """Return the Settings page. values: what holds here, by key."""
    changed = [row.key for row in SETTINGS if values.get(row.key, row.default) != row.default]
    rows = tuple(
        (
            said(row.meaning[:1].upper() + row.meaning[1:], quiet(f" {row.key}")),
            said(_value(row, values.get(row.key, row.default)), quiet(f" default {_value(row, row.default)}") if row.key in changed else ""),
            said(_range(row)),
            said(_cost(row.cost)),
        )
        for row in SETTINGS
    )
    table = Table(caption=said("What holds here"), heads=("What it does", "Value", "Range", "What more of it costs"), rows=rows)
    note = Note(
        label="How to change a setting",
        paras=(
            said(strong("To change one"), ", write its key under ", Piece(text="[settings]", style="code"), " in site.toml, like ", Piece(text="rounds_per_day = 6", style="code"), ". The page shows the new value when it is loaded again."),
            said("A campaign keeps the settings it was drawn with."),
        ),
    )
    many = f"{len(changed)} of {len(SETTINGS)} settings differ from the default" if changed else "Every setting is at its default"
    return Document(title="Settings", headline=said(strong(many), "."), parts=(Part(blocks=(Para(said("No setting needs to be changed. Each says what more of it would cost."), "lede"), table), note=note),))


def _value(row: Setting, value: SettingValue) -> str:
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, int | float):
        return f"{value}" if row.unit == "port" else number(value, 0 if float(value).is_integer() else 1) + (NBSP + row.unit if row.unit else "")
    return str(value)


def _cost(text: str) -> str:
    text = re.sub(r"^none\b", "nothing", text)
    return text[:1].upper() + text[1:]


def _range(row: Setting) -> str:
    if row.low is None or row.high is None:
        return "words as named" if isinstance(row.default, str) else "any"
    return f"{row.low:g} to {row.high:g}"

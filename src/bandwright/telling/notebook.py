"""Readings, verdicts and charts as a notebook shows them. The frozen words know nothing of it: their forms are looked up here by type.

`show(value)` gives something that any notebook displays; `register(shell)` (`%load_ext bandwright`) does so for every answer in a cell.
"""

from __future__ import annotations

import html
from dataclasses import dataclass
from functools import singledispatch
from typing import Any

from bandwright.telling.accounts.reading import carriers_table
from bandwright.telling.charts.svg import standalone
from bandwright.telling.document import Drawing, Table
from bandwright.telling.markup import block_html, said_html
from bandwright.telling.names import names_of
from bandwright.telling.sentences import verdict_told
from bandwright.words.answers import Verdict
from bandwright.words.radio import Reading

__all__ = ["Shown", "html_of", "register", "show"]


@dataclass(frozen=True, slots=True)
class Shown:
    """An answer in its rich form."""

    html: str

    def _repr_html_(self) -> str:
        """Return what a notebook displays."""
        return self.html


def show(value: object) -> Shown:
    """Return an answer in its rich form. Raises TypeError where it has none."""
    return Shown(html_of(value))


@singledispatch
def html_of(value: object) -> str:
    """Return an answer as HTML: a Reading, a Verdict, a Drawing or a Table. Raises TypeError for anything else."""
    raise TypeError(f"{type(value).__name__} has no rich form; known: Reading, Verdict, Drawing, Table")


@html_of.register
def _(value: Drawing) -> str:
    return f'<figure role="img" aria-label="{html.escape(value.text)}">{standalone(value.wide)}</figure>'


@html_of.register
def _(value: Table) -> str:
    return block_html(value)


@html_of.register
def _(value: Reading) -> str:
    serving = value.serving()
    notes = "".join(f"<li>{html.escape(w)}</li>" for w in value.warnings)
    carriers = block_html(carriers_table(serving, caption=f"{len(serving)} carrier{'' if len(serving) == 1 else 's'} in use")) if serving else "<p>No carrier in use was read.</p>"
    return carriers + (f"<ul>{notes}</ul>" if notes else "")


@html_of.register
def _(value: Verdict) -> str:
    told = verdict_told(value, names=names_of(None, verdict=value))
    first, *rest = told.sentences()
    return f"<p><b>{said_html(first)}</b></p><ul>{''.join(f'<li>{said_html(s)}</li>' for s in rest)}</ul>"


def register(shell: Any) -> None:
    """Let an IPython shell display the frozen words by these forms."""
    formatter = shell.display_formatter.formatters["text/html"]
    for word in (Drawing, Reading, Table, Verdict):
        formatter.for_type(word, html_of)

"""Make docs/reference.md, and the cautions in docs/safety.md, from the tables of the program; a test holds them together.

Run it after a change to a table: `python docs/make_reference.py`.
"""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

PAGE = Path(__file__).resolve().parent / "reference.md"
SAFETY = PAGE.with_name("safety.md")

HEAD = """# Reference

Made from the program's own tables by `docs/make_reference.py`; a test fails where the two differ. Words are explained in
[explanation.md](explanation.md), JSON output in [schemas](schemas/), the file of `export` in [exchange.md](exchange.md).
"""


def table(heads: tuple[str, ...], rows: list[tuple[Any, ...]]) -> str:
    """Return a Markdown table."""
    lines = ["| " + " | ".join(heads) + " |", "|" + "---|" * len(heads)]
    return "\n".join([*lines, *("| " + " | ".join(_cell(c) for c in row) + " |" for row in rows)])


def _cell(value: Any) -> str:
    text = "" if value is None else f"{value:g}" if isinstance(value, float) else str(value)
    return text.replace("|", "\\|").replace("\n", " ").replace("<", "&lt;")


def _span(low: float | None, high: float | None) -> str:
    return "" if low is None and high is None else f"{'' if low is None else f'{low:g}'} to {'' if high is None else f'{high:g}'}"


def commands() -> str:
    """Return every command with its arguments and options."""
    import typer

    from bandwright.cli.main import app

    group: Any = typer.main.get_command(app)
    parts = []
    for name, command in sorted(group.commands.items()):
        rows = []
        for param in command.params:
            given = ", ".join(f"`{o}`" for o in (*param.opts, *param.secondary_opts)) if param.param_type_name == "option" else f"`{param.name.upper()}`"
            default = "" if param.default is None or callable(param.default) or "Sentinel" in type(param.default).__name__ or param.default is False or param.default == () else str(param.default)
            rows.append((given, "needed" if param.required else default, param.help or ""))
        parts.append(f"### {name}\n\n{command.help}\n\n" + (table(("option", "default", "meaning"), rows) if rows else "It takes no option."))
    return "\n\n".join(parts)


def exit_codes() -> str:
    """Return the exit codes, from the words of the command line's own module."""
    from bandwright.cli import main

    text = re.search(r"Exit codes: (.*?)\n\n|Exit codes: (.*)$", main.__doc__ or "", re.DOTALL)
    assert text is not None
    rows = [tuple(part.strip(" .\n").split(" ", 1)) for part in " ".join((text[1] or text[2]).split()).split(";")]
    return table(("code", "meaning"), rows)


def kinds() -> str:
    """Return the gateway kinds with their settings."""
    from bandwright.gateways.kinds import KINDS

    parts = []
    for k in KINDS:
        rows = [(f"`{n}`", "needed" if f.is_required() else repr(f.default), f.description or "") for n, f in k.settings.model_fields.items()]
        parts.append(f"### {k.key}\n\n{k.label}. {k.about} It can set: {k.tunes}.\n\n" + (table(("setting", "default", "meaning"), rows) if rows else "It has no settings of its own."))
    return "\n\n".join(parts)


def page() -> str:
    """Return the whole page."""
    from bandwright.advice.findings import FINDINGS
    from bandwright.needs.catalogue import CATALOGUE
    from bandwright.propagation.terms import TERMS
    from bandwright.quantities import QUANTITIES
    from bandwright.telling.charts.table import CHARTS
    from bandwright.words.settings import SETTINGS

    needs = [
        (f"`{n.key}`", n.hours, n.requirements.downlink_mbps, n.requirements.uplink_mbps, n.requirements.loaded_delay_ms, n.requirements.loss_ratio, n.requirements.source) for n in CATALOGUE
    ]
    sections = (
        ("Commands", commands()),
        ("Exit codes", exit_codes()),
        ("Settings", table(("key", "default", "unit", "range", "meaning", "more of it costs"), [(f"`{s.key}`", repr(s.default), s.unit, _span(s.low, s.high), s.meaning, s.cost) for s in SETTINGS])),
        ("Gateway kinds", kinds()),
        ("Needs", table(("kind", "usual hours", "down, Mbit/s", "up, Mbit/s", "delay under load, ms", "loss ratio", "source"), needs)),
        (
            "Quantities",
            table(
                ("key", "unit", "meaning", "of", "plausible", "better", "source"),
                [(f"`{q.key}`", q.unit, q.label, q.of, _span(q.low, q.high), {1: "more", -1: "less", 0: ""}[q.better], q.source) for q in QUANTITIES],
            ),
        ),
        ("Findings", table(("key", "what it says", "judged by"), [(f"`{f.key}`", f.sentence, f.rule) for f in FINDINGS])),
        ("Loss terms", table(("key", "what it is", "source"), [(f"`{t.key}`", t.label, t.source) for t in TERMS])),
        ("Charts", table(("key", "shows"), [(f"`{c.key}`", c.shows) for c in CHARTS])),
    )
    return HEAD + "".join(f"\n## {title}\n\n{body}\n" for title, body in sections)


def safety(text: str) -> str:
    """Return the safety page with the cautions as the program shows them."""
    from bandwright.telling.cautions import CAUTIONS

    rows = table(("caution", "shown for work on or in"), [(f"**{c.key}**: {c.text}", ", ".join(sorted(c.where))) for c in CAUTIONS])
    return re.sub(r"(<!-- cautions -->\n).*?(<!-- end -->)", lambda m: f"{m[1]}{rows}\n{m[2]}", text, flags=re.DOTALL)


if __name__ == "__main__":
    PAGE.write_text(page(), encoding="utf-8")
    SAFETY.write_text(safety(SAFETY.read_text(encoding="utf-8")), encoding="utf-8")

"""docs/gateways.md is true: every kind, setting and dialect stands in it, and its declarations and code can be used."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path

import pytest

from bandwright.gateways.dialects.table import DIALECTS
from bandwright.gateways.kinds import KINDS, settings_of
from bandwright.words.rig import GatewayPlan

PAGE = (Path(__file__).resolve().parents[2] / "docs" / "gateways.md").read_text("utf-8")


@pytest.mark.parametrize("kind", KINDS, ids=lambda kind: kind.key)
def test_every_kind_and_setting_is_documented(kind) -> None:
    assert re.search(rf"^\| `{kind.key}` \|", PAGE, re.MULTILINE)
    for name in kind.settings.model_fields:
        assert f"`{name}`" in PAGE, f"{kind.key}: {name}"


@pytest.mark.parametrize("dialect", DIALECTS, ids=lambda dialect: dialect.key)
def test_every_dialect_is_documented_with_what_it_sets(dialect) -> None:
    row = re.search(rf"^\| `{re.escape(dialect.key)}` \|(.*)$", PAGE, re.MULTILINE).group(1)
    for mode in dialect.modes:
        assert mode in row
    if not dialect.can_tune:
        assert "read only" in row


def flat(tree: dict, prefix: str = "") -> list[tuple[str, str]]:
    pairs = []
    for key, value in tree.items():
        pairs += flat(value, f"{prefix}{key}.") if isinstance(value, dict) else [(f"{prefix}{key}", str(value))]
    return pairs


def test_the_declarations_can_be_used() -> None:
    rows = [row for block in re.findall(r"```toml\n(.*?)```", PAGE, re.DOTALL) for row in tomllib.loads(block)["gateway"]]
    assert len(rows) >= 4
    for row in rows:
        plan = GatewayPlan(key=row.pop("key"), kind=row.pop("kind"), settings=tuple(flat(row)))
        assert settings_of(plan)


def test_the_code_runs() -> None:
    blocks = re.findall(r"```python\n(.*?)```", PAGE, re.DOTALL)
    assert blocks
    for block in blocks:
        exec(compile(block, "docs/gateways.md", "exec"), {})

from __future__ import annotations

import re
from pathlib import Path

from bandwright.twin.families import FAMILIES

PAGE = (Path(__file__).resolve().parents[2] / "docs" / "twin.md").read_text(encoding="utf-8")


def test_the_page_s_code_runs():
    blocks = re.findall(r"```python\n(.*?)```", PAGE, re.DOTALL)
    assert blocks
    for block in blocks:
        exec(compile(block, "docs/twin.md", "exec"), {})


def test_the_page_names_each_family_and_each_module():
    rows = PAGE[PAGE.index("## Families") :]
    assert [f.key for f in FAMILIES if f.key not in rows] == []
    modules = {p.stem for p in (Path(__file__).resolve().parents[2] / "src" / "bandwright" / "twin").glob("*.py")} - {"__init__"}
    assert sorted(m for m in modules if f"twin.{m}" not in PAGE) == []

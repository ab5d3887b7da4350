"""The examples in the two pages run as printed, and every term is documented."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from bandwright.propagation.terms import TERMS

DOCS = Path(__file__).resolve().parents[2] / "docs"


@pytest.mark.parametrize("page", ["propagation.md", "antenna.md"])
def test_examples_run(page: str) -> None:
    blocks = re.findall(r"```python\n(.*?)```", (DOCS / page).read_text(), flags=re.DOTALL)
    assert blocks
    for block in blocks:
        exec(compile(block, page, "exec"), {})


def test_every_term_is_documented() -> None:
    text = (DOCS / "propagation.md").read_text()
    assert all(term.key in text for term in TERMS)

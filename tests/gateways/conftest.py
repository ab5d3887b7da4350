"""Lets the tests of this folder share their stage, their fakes and the contract suite, and the small campaign of the jobs."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

pytest.register_assert_rewrite("contract", "stage")
sys.path[:0] = [str(Path(__file__).parent), str(Path(__file__).parent.parent / "jobs")]

"""Lets the tests of this folder share their stage, their fakes and the contract suite."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

pytest.register_assert_rewrite("contract", "stage")
sys.path.insert(0, str(Path(__file__).parent))

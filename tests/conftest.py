"""What all tests share: where the shared data files are, and how a missing one is said."""

from __future__ import annotations

from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parent.parent
SHARED_DATA = ROOT.parent / "shared" / "data"


@pytest.fixture(scope="session")
def shared_data() -> Path:
    """The folder of shared data files; the test is skipped, saying so, where it is absent."""
    if not SHARED_DATA.is_dir():
        pytest.skip("the shared data files are not beside this checkout")
    return SHARED_DATA

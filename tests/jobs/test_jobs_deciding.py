"""What can be sent back: only what the lead does not use itself."""

from __future__ import annotations

from datetime import date

from bandwright.jobs.deciding import return_dates
from bandwright.workspace.declared import read_declared

SITE = """
[site]
name = "Returns"

[[line]]
key = "A"

[[line]]
key = "B"
returnable_until = 2026-12-10

[[gateway]]
key = "supplied"
kind = "pasted"

[[gateway]]
key = "own"
kind = "pasted"
returnable_until = 2026-12-20

[[rig]]
key = "sill"
line = "A"
gateway = "own"

[[rig]]
key = "gable"
line = "A"
gateway = "own"
returnable_until = 2026-12-28

[[rig]]
key = "other network"
line = "B"
gateway = "supplied"
"""


def test_what_the_lead_uses_is_not_sent_back() -> None:
    declared = read_declared(SITE)
    assert return_dates(declared, lead_rig="gable") == {"other network": date(2026, 12, 10)}
    assert return_dates(declared, lead_rig="sill") == {"gable": date(2026, 12, 28), "other network": date(2026, 12, 10)}
    assert return_dates(declared, lead_rig="other network") == {"sill": date(2026, 12, 20), "gable": date(2026, 12, 20)}
    assert return_dates(declared, lead_rig=None) == {}

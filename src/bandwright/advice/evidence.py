"""Evidence: pure functions from a case to one number each, or None where what it needs was not seen.

A number is 1.0 or 0.0 where the answer is yes or no. Nothing is drawn from the absence of a reading: a function answers only from
what is there. What the numbers weigh stands in the table of findings, not here. One row adds a piece of evidence.
"""

from __future__ import annotations

import math
from collections.abc import Mapping

from bandwright.advice import evidence_course, evidence_path, evidence_radio, evidence_rates, evidence_uplink
from bandwright.advice.case import Case
from bandwright.advice.evidence_base import EvidenceRow

__all__ = ["EVIDENCE", "gather"]

EVIDENCE: tuple[EvidenceRow, ...] = (*evidence_rates.ROWS, *evidence_path.ROWS, *evidence_radio.ROWS, *evidence_course.ROWS, *evidence_uplink.ROWS)


def gather(case: Case, symptom: str) -> Mapping[str, float]:
    """Return every piece of evidence that the case bears for a symptom, by key; what is not known is not there."""
    return {row.key: value for row in EVIDENCE if (value := row.find(case, symptom)) is not None and math.isfinite(value)}

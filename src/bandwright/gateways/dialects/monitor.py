"""The dialect of `^SMONI`. It is read only: none of its settings is documented to us, so none is sent."""

from __future__ import annotations

from bandwright.gateways.commands import Row
from bandwright.gateways.dialects.base import Dialect
from bandwright.gateways.dialects.generic import EXTENDED, STRENGTH
from bandwright.gateways.dialects.preference import EPS, OPERATOR

__all__ = ["Monitor"]

SMONI = Row(key="smoni", template="AT^SMONI", expects="^SMONI:", source="recorded output")


class Monitor(Dialect):
    """The dialect of `^SMONI`."""

    key = "^SMONI"
    label = "^SMONI"
    source = "recorded output"
    recognise = SMONI
    reads = (SMONI, EXTENDED, STRENGTH, EPS, OPERATOR)
    reads_under_load = (SMONI, EPS)

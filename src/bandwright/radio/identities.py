"""Identities of cells and networks: what the numbers contain, and what they do not.

An E-UTRA cell identity splits into base station and cell; an NR one splits too, but where is not inside the number: the length of
the gNB part must be known or assumed, and is stated with the answer. A PLMN is text: "01" and "001" are different networks.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

from bandwright.errors import IdentityError

__all__ = [
    "MAX_ECI",
    "MAX_NCI",
    "USUAL_GNB_BITS",
    "EutraCell",
    "NrCell",
    "Plmn",
    "check_pci",
    "is_reserved_tac",
    "is_test_plmn",
    "neighbouring_cells",
    "parse_plmn",
    "pci_parts",
    "split_eci",
    "split_nci",
]

MAX_ECI = 2**28 - 1
MAX_NCI = 2**36 - 1
USUAL_GNB_BITS = 24  # common practice, no source


@dataclass(frozen=True, slots=True)
class EutraCell:
    """A macro base station's number and the cell's number in it. A home base station uses all 28 bits and has no cell part."""

    enb: int
    cell: int


@dataclass(frozen=True, slots=True)
class NrCell:
    """A base station's number and the cell's number in it. assumed: the length of the gNB part was assumed, not broadcast or known."""

    gnb: int
    cell: int
    gnb_bits: int
    assumed: bool


@dataclass(frozen=True, slots=True)
class Plmn:
    """A network: mobile country code of three digits, mobile network code of two or three, as text."""

    mcc: str
    mnc: str

    def __str__(self) -> str:
        return f"{self.mcc}-{self.mnc}"


def split_eci(eci: int) -> EutraCell:
    """Return the parts of an E-UTRA cell identity, as for a macro base station (20 + 8 bits).

    Raises IdentityError outside 0..268435455. Source: TS 36.413 9.2.1.37, TS 23.003 19.6.
    """
    if not 0 <= eci <= MAX_ECI:
        raise IdentityError("E-UTRA cell identity", given=eci, allowed=f"0..{MAX_ECI}", source="TS 23.003, 19.6")
    return EutraCell(enb=eci >> 8, cell=eci & 0xFF)


def split_nci(nci: int, *, gnb_bits: int | None = None) -> NrCell:
    """Return the parts of an NR cell identity. gnb_bits: 22..32; None assumes 24 and says so.

    Raises IdentityError outside 0..68719476735, or for another length. Source: TS 38.413 9.3.1.6, TS 23.003 19.6A.
    """
    if not 0 <= nci <= MAX_NCI:
        raise IdentityError("NR cell identity", given=nci, allowed=f"0..{MAX_NCI}", source="TS 23.003, 19.6A")
    bits = USUAL_GNB_BITS if gnb_bits is None else gnb_bits
    if not 22 <= bits <= 32:
        raise IdentityError("length of the gNB part", given=bits, allowed="22..32 bits", source="TS 38.413, 9.3.1.6")
    rest = 36 - bits
    return NrCell(gnb=nci >> rest, cell=nci & (2**rest - 1), gnb_bits=bits, assumed=gnb_bits is None)


def parse_plmn(text: str) -> Plmn:
    """Return the PLMN of "001-01", "001 01", "001/01", "00101" or "001001". Raises IdentityError for anything else.

    Digits alone: the first three are the country, the rest the network; leading zeros count. Source: TS 23.003, 2.2.
    """
    match = re.fullmatch(r"\s*(\d{3})[-/ ]?(\d{2,3})\s*", text)
    if match is None:
        raise IdentityError("PLMN", given=text, allowed='three digits and two or three more, such as "001-01"', source="TS 23.003, 2.2")
    return Plmn(match.group(1), match.group(2))


def is_test_plmn(plmn: Plmn) -> bool:
    """Whether a network is for tests (MCC 001) or private (MCC 999, from memory). Source: ITU-T E.212."""
    return plmn.mcc in {"001", "999"}


def is_reserved_tac(tac: int, *, nr: bool) -> bool:
    """Whether a tracking area code is reserved and so no area: 0 and the last but one (from memory).

    Raises IdentityError outside 16 bits (LTE) or 24 bits (NR). Source: TS 23.003 19.4.2.3.
    """
    top = 0xFFFFFF if nr else 0xFFFF
    if not 0 <= tac <= top:
        raise IdentityError("tracking area code", given=tac, allowed=f"0..{top}", source="TS 23.003, 19.4.2.3")
    return tac in {0, top - 1}


def check_pci(pci: int, *, nr: bool) -> int:
    """Return the physical cell identity if it exists: 0..503 for LTE, 0..1007 for NR; else IdentityError.

    Source: TS 36.211 6.11, TS 38.211 7.4.2.1.
    """
    top = 1007 if nr else 503
    if not 0 <= pci <= top:
        raise IdentityError("NR PCI" if nr else "LTE PCI", given=pci, allowed=f"0..{top}", source="TS 38.211, 7.4.2.1" if nr else "TS 36.211, 6.11")
    return pci


def pci_parts(pci: int, *, nr: bool) -> tuple[int, int]:
    """Return (N1, N2) of PCI = 3 N1 + N2; N2 picks the primary synchronisation sequence. Raises IdentityError.

    Source: TS 36.211 6.11, TS 38.211 7.4.2.1.
    """
    return divmod(check_pci(pci, nr=nr), 3)


def neighbouring_cells(a: int, b: int) -> bool:
    """Whether two physical cell identities stand next to each other, as sectors of one mast often do. Common practice, no source."""
    return a != b and abs(a - b) <= 2

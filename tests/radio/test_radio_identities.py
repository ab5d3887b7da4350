"""Identities and combinations."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bandwright.errors import ChannelError, IdentityError
from bandwright.radio.carriers import NR_FR1_CLASSES, aggregated_width, nr_class_of_widths, parse_combination
from bandwright.radio.identities import (
    Plmn,
    check_pci,
    is_reserved_tac,
    is_test_plmn,
    neighbouring_cells,
    parse_plmn,
    pci_parts,
    split_eci,
    split_nci,
)


def test_eutra_cell_identity() -> None:
    cell = split_eci(0x01A2D003)  # TS 36.413 9.2.1.37: 20 + 8 bits
    assert (cell.enb, cell.cell) == (107216, 3)
    assert split_eci(268435455).enb == 2**20 - 1
    for wrong in (-1, 2**28):
        with pytest.raises(IdentityError):
            split_eci(wrong)


def test_nr_cell_identity_states_the_length_it_assumed() -> None:
    cell = split_nci(4886718346)  # TS 38.413 9.3.1.6
    assert (cell.gnb, cell.cell, cell.gnb_bits, cell.assumed) == (1193046, 1930, 24, True)
    known = split_nci(0x12345678A, gnb_bits=22)
    assert (known.gnb, known.cell, known.assumed) == (298261, 10122, False)
    for wrong, bits in ((-1, 24), (2**36, 24), (5, 21), (5, 33)):
        with pytest.raises(IdentityError):
            split_nci(wrong, gnb_bits=bits)


@settings(deadline=None)
@given(st.integers(0, 2**36 - 1), st.integers(22, 32))
def test_nr_parts_make_the_whole(nci: int, bits: int) -> None:
    cell = split_nci(nci, gnb_bits=bits)
    assert (cell.gnb << (36 - bits)) + cell.cell == nci
    assert cell.gnb < 2**bits


def test_plmn_is_text() -> None:
    assert parse_plmn("00101") == Plmn("001", "01")  # TS 23.003, 2.2
    assert parse_plmn("001001") == Plmn("001", "001")
    assert parse_plmn("001-01") != parse_plmn("001-001")
    assert str(parse_plmn(" 999 99 ")) == "999-99"
    assert is_test_plmn(parse_plmn("001-01"))
    assert not is_test_plmn(Plmn("002", "01"))
    for wrong in ("0010", "0010011", "abc-01", "001-1", ""):
        with pytest.raises(IdentityError):
            parse_plmn(wrong)


def test_tracking_areas() -> None:
    assert is_reserved_tac(0xFFFE, nr=False)  # TS 23.003 19.4.2.3, from memory
    assert is_reserved_tac(0xFFFFFE, nr=True)
    assert is_reserved_tac(0, nr=True)
    assert not is_reserved_tac(0xFFFE, nr=True)
    with pytest.raises(IdentityError):
        is_reserved_tac(0x10000, nr=False)


def test_pci_ranges() -> None:
    assert check_pci(503, nr=False) == 503  # TS 36.211 6.11
    assert check_pci(1007, nr=True) == 1007  # TS 38.211 7.4.2.1
    assert pci_parts(503, nr=False) == (167, 2)
    assert pci_parts(1007, nr=True) == (335, 2)
    for wrong, nr in ((504, False), (1008, True), (-1, True)):
        with pytest.raises(IdentityError):
            check_pci(wrong, nr=nr)
    assert neighbouring_cells(9, 10)
    assert not neighbouring_cells(9, 9)
    assert not neighbouring_cells(9, 12)


@pytest.mark.parametrize(
    ("text", "blocks", "carriers"),
    [
        # TS 38.101-1 5.2A, TS 38.101-3 5.2B and table 6.2B.1.3-1
        ("CA_n78C", ["n78C"], 2),
        ("CA_n78(2A)", ["n78A", "n78A"], 2),
        ("CA_n1A-n28A-n78A", ["n1A", "n28A", "n78A"], 3),
        ("CA_n41(A-C)", ["n41A", "n41C"], 3),
        ("CA_3C-7A", ["B3C", "B7A"], 3),
        ("DC_3A_n78A", ["B3A", "n78A"], 2),
        ("DC_3A-7A_n78A", ["B3A", "B7A", "n78A"], 3),
        ("DC_3C-7A_n78A", ["B3C", "B7A", "n78A"], 4),
        ("DC_3C_n78A", ["B3C", "n78A"], 3),
        ("DC_(n)41AA", ["B41A", "n41A"], 2),
        ("DC_41A_n41A", ["B41A", "n41A"], 2),
        ("DC_3_n80A_ULSUP-TDM_n78A", ["B3A", "n80A", "n78A"], 2),
    ],
)
def test_combinations(text: str, blocks: list[str], carriers: int) -> None:
    found = parse_combination(text)
    assert [b.band + b.letter for b in found.blocks] == blocks
    assert found.downlink_carriers == carriers
    assert found.text == text


def test_parts_of_a_combination() -> None:
    found = parse_combination("DC_3C-7A_n78A")
    assert [b.band for b in found.lte] == ["B3", "B7"]
    assert [b.band for b in found.nr] == ["n78"]
    assert parse_combination("DC_(n)41AA").contiguous
    assert parse_combination("DC_3_n80A_ULSUP-TDM_n78A").supplementary == ("n80",)


@pytest.mark.parametrize("text", ["", "CA_", "n78A", "CA_n78Z", "DC_3A", "DC_n78A_3A", "CA_n999A", "CA_n78(2A", "XX_3A", "DC_3A_7A", "CA_--"])
def test_what_is_no_combination(text: str) -> None:
    with pytest.raises(ChannelError):
        parse_combination(text)


@pytest.mark.parametrize(
    ("widths", "letters"),
    [
        ([60, 60], ("C",)),
        ([40, 40], ("B",)),
        ([100], ("A",)),
        ([100, 100], ("C",)),
        ([100, 100, 100], ("D",)),
        ([50, 50, 40], ("G", "M")),
        ([10, 5], ()),
        ([10, 10], ("B",)),
    ],
)
def test_class_of_contiguous_widths(widths: list[float], letters: tuple[str, ...]) -> None:
    assert nr_class_of_widths(widths) == letters  # TS 38.101-1 table 5.3A.5-1: 60 + 60 is class C, 40 + 40 class B


def test_fallback_groups() -> None:
    assert {row.letter for row in NR_FR1_CLASSES if "1" in row.groups.split()} == {"A", "C", "D", "E"}  # TS 38.101-1 table 5.3A.5-1


def test_widths_add_up_by_direction() -> None:
    carriers = [("lte", "B3", 15.0), ("nr", "n78", 60.0), ("lte", "B32", 20.0), ("nr", None, None)]
    down, up = aggregated_width(carriers), aggregated_width(carriers, direction="up")
    assert (down.lte_mhz, down.nr_mhz, down.total_mhz, down.unknown) == (35, 60, 95, 1)
    assert (up.lte_mhz, up.nr_mhz, up.total_mhz) == (15, 60, 75)

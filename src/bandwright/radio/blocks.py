"""Transport block sizes: how many bits one slot (NR) or one subframe (LTE) carries.

NR sizes are computed as TS 38.214, 5.1.3.2 says, in whole numbers and fractions so that no rounding of binary numbers decides a
tie. LTE sizes are a table; here stand the columns of whole carriers, which is what a peak or a usual rate needs. The rows 26A,
32A, 33A/B, 34A and 35..37A of Rel-14 and Rel-15 are not here.
"""

from __future__ import annotations

from bisect import bisect_left
from fractions import Fraction

from bandwright.errors import CodeError

__all__ = ["LTE_TBS_COLUMNS", "LTE_TBS_ONE_LAYER", "LTE_TBS_TWO_LAYERS", "NR_TBS", "lte_code_rate", "lte_transport_block_bits", "nr_transport_block_bits"]

# TS 38.214 table 5.1.3.2-1.
NR_TBS: tuple[int, ...] = (
    *range(24, 193, 8),
    *range(208, 385, 16),
    408, 432, 456, 480, 504, 528, 552, 576, 608, 640, 672, 704, 736, 768, 808, 848,
    888, 928, 984, 1032, 1064, 1128, 1160, 1192, 1224, 1256, 1288, 1320, 1352, 1416, 1480, 1544,
    1608, 1672, 1736, 1800, 1864, 1928, 2024, 2088, 2152, 2216, 2280, 2408, 2472, 2536, 2600, 2664,
    2728, 2792, 2856, 2976, 3104, 3240, 3368, 3496, 3624, 3752, 3824,
)

# TS 36.213 table 7.1.7.2.1-1, one layer: I_TBS down, N_PRB across.
LTE_TBS_COLUMNS: tuple[int, ...] = (6, 15, 25, 50, 75, 100)
LTE_TBS_ONE_LAYER: tuple[tuple[int, ...], ...] = (
    (152, 392, 680, 1384, 2088, 2792),  # 0
    (208, 520, 904, 1800, 2728, 3624),  # 1
    (256, 648, 1096, 2216, 3368, 4584),  # 2
    (328, 872, 1416, 2856, 4392, 5736),  # 3
    (408, 1064, 1800, 3624, 5352, 7224),  # 4
    (504, 1320, 2216, 4392, 6712, 8760),  # 5
    (600, 1544, 2600, 5160, 7736, 10296),  # 6
    (712, 1800, 3112, 6200, 9144, 12216),  # 7
    (808, 2088, 3496, 6968, 10680, 14112),  # 8
    (936, 2344, 4008, 7992, 11832, 15840),  # 9
    (1032, 2664, 4392, 8760, 12960, 17568),  # 10
    (1192, 2984, 4968, 9912, 15264, 19848),  # 11
    (1352, 3368, 5736, 11448, 16992, 22920),  # 12
    (1544, 3880, 6456, 12960, 19080, 25456),  # 13
    (1736, 4264, 7224, 14112, 21384, 28336),  # 14
    (1800, 4584, 7736, 15264, 22920, 30576),  # 15
    (1928, 4968, 7992, 16416, 24496, 32856),  # 16
    (2152, 5352, 9144, 18336, 27376, 36696),  # 17
    (2344, 5992, 9912, 19848, 29296, 39232),  # 18
    (2600, 6456, 10680, 21384, 32856, 43816),  # 19
    (2792, 6968, 11448, 22920, 35160, 46888),  # 20
    (2984, 7480, 12576, 25456, 37888, 51024),  # 21
    (3240, 7992, 13536, 27376, 40576, 55056),  # 22
    (3496, 8504, 14112, 28336, 43816, 57336),  # 23
    (3624, 9144, 15264, 30576, 45352, 61664),  # 24
    (3752, 9528, 15840, 31704, 46888, 63776),  # 25
    (4392, 11064, 18336, 36696, 55056, 75376),  # 26
    (4008, 9912, 16416, 32856, 48936, 66592),  # 27
    (4264, 10680, 17568, 35160, 52752, 71112),  # 28
    (4392, 11064, 18336, 36696, 55056, 73712),  # 29
    (4776, 11832, 19848, 39232, 59256, 78704),  # 30
    (4968, 12216, 20616, 40576, 61664, 81176),  # 31
    (5160, 12960, 21384, 42368, 63776, 84760),  # 32
    (5992, 14688, 24496, 48936, 75376, 97896),  # 33
)

# TS 36.213 tables 7.1.7.2.2-1: one codeword on two layers, I_TBS 0..33, where N_PRB is above 55.
LTE_TBS_TWO_LAYERS: dict[int, tuple[int, ...]] = {
    75: (
        4136, 5544, 6712, 8760, 10680, 13536, 15264, 18336, 21384, 23688, 25456, 30576, 34008, 37888, 42368, 45352, 48936,
        55056, 59256, 66592, 71112, 76208, 81176, 87936, 90816, 93800, 110136, 97896, 105528, 110136, 119816, 124464, 128496, 149776,
    ),
    100: (
        5544, 7224, 9144, 11448, 14688, 17568, 20616, 24496, 28336, 31704, 35160, 39232, 45352, 51024, 57336, 61664, 66592,
        73712, 78704, 87936, 93800, 101840, 110136, 115040, 124464, 128496, 149776, 133208, 142248, 146856, 157432, 161760, 169544, 195816,
    ),
}

_SOURCE = "TS 36.213, 7.1.7.2"


def nr_transport_block_bits(
    *,
    resource_blocks: int,
    symbols: int,
    dmrs_elements: int,
    bits_per_symbol: int,
    rate_1024: float,
    layers: int,
    overhead: int = 0,
    scaling: Fraction = Fraction(1),
) -> int:
    """Return the size in bits of one NR transport block.

    symbols: scheduled symbols of the slot, 1..14. dmrs_elements: DMRS resource elements per block and slot. overhead: xOverhead,
    0, 6, 12 or 18. scaling: 1, 1/2 or 1/4. Returns 0 where the allocation holds no data. Raises CodeError for impossible numbers.
    Source: TS 38.214, 5.1.3.2.
    """
    if resource_blocks < 1 or not 1 <= symbols <= 14 or layers < 1 or dmrs_elements < 0:
        raise CodeError("NR allocation", given=(resource_blocks, symbols, dmrs_elements, layers), allowed="blocks >= 1, symbols 1..14, layers >= 1")
    elements = min(156, 12 * symbols - dmrs_elements - overhead) * resource_blocks
    info = elements * bits_per_symbol * layers * Fraction(rate_1024) / 1024 * scaling
    if info <= 0:
        return 0
    if info <= 3824:
        n = max(3, _floor_log2(info) - 6)
        quantised = max(24, 2**n * int(info / 2**n))
        return NR_TBS[bisect_left(NR_TBS, quantised)]
    n = _floor_log2(info - 24) - 5
    quantised = max(3840, 2**n * int((info - 24) / 2**n + Fraction(1, 2)))  # ties go up
    blocks = 1
    if Fraction(rate_1024) <= 256:
        blocks = _ceil_div(quantised + 24, 3816)
    elif quantised > 8424:
        blocks = _ceil_div(quantised + 24, 8424)
    return 8 * blocks * _ceil_div(quantised + 24, 8 * blocks) - 24


def lte_transport_block_bits(*, tbs_index: int, resource_blocks: int, layers: int = 1) -> int:
    """Return the size in bits of what one LTE subframe carries on a whole carrier.

    resource_blocks: 6, 15, 25, 50, 75 or 100. layers: 1; 2 (one codeword on two layers; 25 blocks or more); 4 (two codewords of
    two layers each). Raises CodeError for what the tables here do not hold.
    Source: TS 36.213, tables 7.1.7.2.1-1 and 7.1.7.2.2-1.
    """
    if not 0 <= tbs_index < len(LTE_TBS_ONE_LAYER):
        raise CodeError("I_TBS", given=tbs_index, allowed=f"0..{len(LTE_TBS_ONE_LAYER) - 1}", source=_SOURCE)
    if layers == 4:
        return 2 * lte_transport_block_bits(tbs_index=tbs_index, resource_blocks=resource_blocks, layers=2)
    if resource_blocks not in LTE_TBS_COLUMNS or layers not in {1, 2} or (layers == 2 and resource_blocks < 25):
        raise CodeError("LTE blocks and layers", given=(resource_blocks, layers), allowed="6, 15, 25, 50, 75, 100 with 1 layer, from 25 with 2 or 4", source=_SOURCE)
    row = LTE_TBS_ONE_LAYER[tbs_index]
    if layers == 1:
        return row[LTE_TBS_COLUMNS.index(resource_blocks)]
    if resource_blocks <= 50:  # twice the blocks on one layer; the clause allows this up to 55
        return row[LTE_TBS_COLUMNS.index(2 * resource_blocks)]
    return LTE_TBS_TWO_LAYERS[resource_blocks][tbs_index]


def lte_code_rate(*, transport_block_bits: int, resource_blocks: int, bits_per_symbol: int, control_symbols: int) -> float:
    """Return the code rate of a one-layer LTE block with two reference ports; above about 0.932 a device may skip it.

    control_symbols: 1, 2 or 3, leaving 144, 132 or 120 data elements in a pair of blocks. Raises CodeError otherwise.
    Source: TS 36.213, 7.1.7; TS 36.212, 5.1.2 (blocks of at most 6144 bits, 24 check bits each).
    """
    if control_symbols not in {1, 2, 3}:
        raise CodeError("control symbols", given=control_symbols, allowed="1, 2, 3", source="TS 36.211, 6.7")
    with_crc = transport_block_bits + 24
    blocks = _ceil_div(with_crc, 6120) if with_crc > 6144 else 0
    elements = (156 - 12 * control_symbols) * resource_blocks
    return (with_crc + 24 * blocks) / (elements * bits_per_symbol)


def _floor_log2(x: Fraction) -> int:
    """Return floor(log2 x) of x >= 1, exactly; 0 below 1."""
    return max(0, int(x).bit_length() - 1)


def _ceil_div(a: int, b: int) -> int:
    return -(-a // b)

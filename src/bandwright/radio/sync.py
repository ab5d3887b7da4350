"""The synchronisation raster: where a synchronisation signal block may stand, and its number (GSCN).

Raster: TS 38.104 table 5.4.3.1-1. Which numbers each band uses: TS 38.104 V19.4.0 tables 5.4.3.3-1 and -2, for carriers wider than
3 MHz (3 MHz carriers have a raster of their own since Rel-18, which is not here).
"""

from __future__ import annotations

from dataclasses import dataclass

from bandwright.errors import ChannelError

__all__ = ["SYNC_ROWS", "SyncRow", "gscn_to_mhz", "mhz_to_gscn", "ssb_width_mhz", "sync_numbers"]

_SOURCE = "TS 38.104 table 5.4.3.1-1"
_MAX_GSCN = 26639


@dataclass(frozen=True, slots=True)
class SyncRow:
    """GSCN of one band and block spacing: first to last by step, or the values listed."""

    band: int
    scs_khz: int
    first: int = 0
    last: int = 0
    step: int = 1
    values: tuple[int, ...] = ()

    @property
    def numbers(self) -> range | tuple[int, ...]:
        """All GSCN of this row."""
        return self.values or range(self.first, self.last + 1, self.step)


SYNC_ROWS: tuple[SyncRow, ...] = (
    SyncRow(1, 15, 5279, 5419, 1),
    SyncRow(2, 15, 4829, 4969, 1),
    SyncRow(3, 15, 4517, 4693, 1),
    SyncRow(5, 15, 2177, 2230, 1),
    SyncRow(5, 30, 2183, 2224, 1),
    SyncRow(7, 15, 6554, 6718, 1),
    SyncRow(8, 15, 2318, 2395, 1),
    SyncRow(12, 15, 1828, 1858, 1),
    SyncRow(13, 15, 1871, 1885, 1),
    SyncRow(14, 15, 1901, 1915, 1),
    SyncRow(18, 15, 2156, 2182, 1),
    SyncRow(20, 15, 1982, 2047, 1),
    SyncRow(24, 15, 3818, 3892, 1),
    SyncRow(24, 30, 3824, 3886, 1),
    SyncRow(25, 15, 4829, 4981, 1),
    SyncRow(26, 15, 2153, 2230, 1),
    SyncRow(28, 15, 1901, 2002, 1),
    SyncRow(29, 15, 1798, 1813, 1),
    SyncRow(30, 15, 5879, 5893, 1),
    SyncRow(31, 15, 1161, 1162, 1),
    SyncRow(34, 15, values=(5032, 5043, 5054)),
    SyncRow(34, 30, 5036, 5050, 1),
    SyncRow(38, 15, values=(6432, 6443, 6457, 6468, 6479, 6493, 6507, 6518, 6532, 6543)),
    SyncRow(38, 30, 6437, 6538, 1),
    SyncRow(39, 15, values=(4707, 4715, 4718, 4729, 4732, 4743, 4747, 4754, 4761, 4768, 4772, 4782, 4786, 4793)),
    SyncRow(39, 30, 4712, 4789, 1),
    SyncRow(40, 30, 5762, 5989, 1),
    SyncRow(41, 15, 6246, 6717, 3),
    SyncRow(41, 30, 6252, 6714, 3),
    SyncRow(46, 30, 8993, 9530, 1),
    SyncRow(48, 30, 7884, 7982, 1),
    SyncRow(50, 30, 3590, 3781, 1),
    SyncRow(51, 15, 3572, 3574, 1),
    SyncRow(53, 15, 6215, 6232, 1),
    SyncRow(53, 30, 6221, 6226, 1),
    SyncRow(54, 15, 4181, 4182, 1),
    SyncRow(65, 15, 5279, 5494, 1),
    SyncRow(66, 15, 5279, 5494, 1),
    SyncRow(66, 30, 5285, 5488, 1),
    SyncRow(67, 15, 1850, 1888, 1),
    SyncRow(68, 15, 1888, 1951, 1),
    SyncRow(70, 15, 4993, 5044, 1),
    SyncRow(71, 15, 1547, 1624, 1),
    SyncRow(72, 15, 1157, 1159, 1),
    SyncRow(74, 15, 3692, 3790, 1),
    SyncRow(75, 15, 3584, 3787, 1),
    SyncRow(76, 15, 3572, 3574, 1),
    SyncRow(77, 30, 7711, 8329, 1),
    SyncRow(78, 30, 7711, 8051, 1),
    SyncRow(79, 30, 8480, 8880, 16),
    SyncRow(79, 30, 8475, 8884, 1),
    SyncRow(85, 15, 1826, 1858, 1),
    SyncRow(87, 15, 1055, 1057, 1),
    SyncRow(88, 15, 1061, 1062, 1),
    SyncRow(90, 15, 6246, 6717, 1),
    SyncRow(90, 15, 6245, 6718, 1),
    SyncRow(90, 30, 6252, 6714, 1),
    SyncRow(91, 15, 3572, 3574, 1),
    SyncRow(92, 15, 3584, 3787, 1),
    SyncRow(93, 15, 3572, 3574, 1),
    SyncRow(94, 15, 3584, 3787, 1),
    SyncRow(96, 30, 9531, 10363, 1),
    SyncRow(100, 15, 2303, 2307, 1),
    SyncRow(101, 15, 4754, 4768, 1),
    SyncRow(101, 30, 4760, 4764, 1),
    SyncRow(102, 30, 9531, 9877, 1),
    SyncRow(104, 30, 9882, 10358, 7),
    SyncRow(105, 15, 1535, 1624, 1),
    SyncRow(109, 15, 3584, 3787, 1),
    SyncRow(257, 120, 22388, 22558, 1),
    SyncRow(257, 240, 22390, 22556, 2),
    SyncRow(258, 120, 22257, 22443, 1),
    SyncRow(258, 240, 22258, 22442, 2),
    SyncRow(259, 120, 23140, 23369, 1),
    SyncRow(259, 240, 23142, 23368, 2),
    SyncRow(260, 120, 22995, 23166, 1),
    SyncRow(260, 240, 22996, 23164, 2),
    SyncRow(261, 120, 22446, 22492, 1),
    SyncRow(261, 240, 22446, 22490, 2),
    SyncRow(262, 120, 23586, 23641, 1),
    SyncRow(262, 240, 23588, 23640, 2),
    SyncRow(263, 120, values=(24156, 24162, 24168, 24174, 24180, 24186, 24192, 24198, 24204, 24210, 24216, 24222, 24228, 24231, 24237, 24243, 24249, 24255, 24261, 24267, 24273, 24279, 24285, 24291, 24297, 24303, 24309, 24315, 24321, 24327, 24333, 24336, 24342, 24348, 24354, 24360, 24366, 24372, 24378, 24384, 24390, 24396, 24402, 24408, 24414, 24420, 24426, 24432, 24438, 24441, 24447, 24453, 24459, 24465, 24471, 24477, 24483, 24489, 24495, 24501, 24507, 24513, 24519, 24525, 24531, 24537, 24543, 24546, 24552, 24558, 24564, 24570, 24576, 24582, 24588, 24594, 24600, 24606, 24612, 24618, 24624, 24630, 24636, 24642, 24648, 24651, 24657, 24663, 24669, 24675, 24681, 24687, 24693, 24699, 24705, 24711, 24717, 24723, 24729, 24735, 24741, 24747, 24753, 24756, 24762, 24768, 24774, 24780, 24786, 24792, 24798, 24804, 24810, 24816, 24822, 24828, 24834, 24840, 24846, 24852, 24858, 24861, 24867, 24873, 24879, 24885, 24891, 24897, 24903, 24909, 24915, 24921, 24927, 24933, 24939, 24945, 24951, 24957)),
    SyncRow(263, 480, values=(24162, 24186, 24210, 24234, 24258, 24282, 24306, 24330, 24354, 24378, 24402, 24426, 24450, 24474, 24486, 24510, 24534, 24558, 24582, 24606, 24630, 24654, 24678, 24702, 24726, 24750, 24774, 24798, 24822, 24846, 24870, 24894, 24906, 24930)),
    SyncRow(263, 960, 24162, 24954, 6),
)


def gscn_to_mhz(gscn: int) -> float:
    """Return SS_REF, the middle of the synchronisation block, in MHz.

    gscn: 2..26639. Raises ChannelError outside that range. Source: TS 38.104 table 5.4.3.1-1.
    """
    if not 2 <= gscn <= _MAX_GSCN:
        raise ChannelError("gscn", given=gscn, allowed=f"2..{_MAX_GSCN}", source=_SOURCE)
    if gscn < 7499:
        n, rest = divmod(gscn + 1, 3)  # gscn = 3 N + (M - 3) / 2, M in 1, 3, 5, so gscn + 1 = 3 N + (M - 1) / 2
        return (1200 * n + 50 * (2 * rest + 1)) / 1000
    if gscn < 22256:
        return (3_000_000 + 1440 * (gscn - 7499)) / 1000
    return (24_250_080 + 17_280 * (gscn - 22256)) / 1000


def mhz_to_gscn(frequency_mhz: float) -> int:
    """Return the GSCN whose SS_REF lies at that frequency (within 1 kHz).

    Raises ChannelError where no raster entry lies there. Source: TS 38.104 table 5.4.3.1-1.
    """
    khz = frequency_mhz * 1000
    if khz < 3_000_000:
        n = round((khz - 150) / 1200)
        candidates = [3 * n + (m - 3) // 2 for m in (1, 3, 5)]
    elif khz < 24_250_080:
        candidates = [7499 + round((khz - 3_000_000) / 1440)]
    else:
        candidates = [22256 + round((khz - 24_250_080) / 17_280)]
    for gscn in candidates:
        if 2 <= gscn <= _MAX_GSCN and abs(gscn_to_mhz(gscn) * 1000 - khz) <= 1.0:
            return gscn
    raise ChannelError(f"{frequency_mhz} MHz is no entry of the synchronisation raster", source=_SOURCE)


def sync_numbers(band: int, scs_khz: int | None = None) -> tuple[int, ...]:
    """Return the GSCN that a band uses, sorted; () where the band has none. scs_khz: of the block; None is any."""
    return tuple(sorted({n for row in SYNC_ROWS if row.band == band and scs_khz in (None, row.scs_khz) for n in row.numbers}))


def ssb_width_mhz(scs_khz: int) -> float:
    """Return the width of a synchronisation block: 20 resource blocks (3.6 MHz at 15 kHz). Source: TS 38.211 7.4.3."""
    return 20 * 12 * scs_khz / 1000

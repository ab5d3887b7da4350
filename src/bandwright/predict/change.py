"""What a change of rig does, as draws: from a present reading and two sides (now, proposed) to levels, SINR, layers, uplink and rates.

Everything unknown is drawn: the gateway's noise figure and the interference behind a reading, the antenna's real gain, the directions
of interferers, the loss of a wall nobody measured, what a metre of height brings, the ceiling of the transmitters, the layers the
channel has, and how far a receiver follows the link map. What is common to before and after cancels, as it does in reality. Draws are
seeded, so an answer can be recomputed.

    S(side) = gain towards the mast − spread − feeder − connectors − mismatch − wall + height;  Δs = S(new) − S(old)
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from bandwright.antenna.feeders import Feeder, connector_loss_db, fit_feeder, mismatch_loss_db
from bandwright.antenna.patterns import Omni, Parabola, Pattern, wrap_deg
from bandwright.errors import RangeError, UsageError
from bandwright.predict.carriers import ActiveCarrier
from bandwright.predict.forecast import USUAL_DEVICE, Device
from bandwright.propagation.entry import Building, building_entry_db, material_db
from bandwright.propagation.surroundings import Clutter, height_gain_loss_db
from bandwright.words.radio import Rat
from bandwright.words.rig import Rig

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    Draws = NDArray[np.float64]
    Flags = NDArray[np.bool_]

__all__ = ["CarrierChange", "Change", "Side", "change_of_rig", "side_of_rig"]

# Priors, one sigma or range (common practice, no source, unless said).
_NOISE_FIGURE_DB = (7.0, 1.5)  # 3GPP studies use 7 to 9 dB for devices
_INR_DB = (-15.0, 40.0)  # flat
_READ_RSRP_SD_DB, _READ_SINR_SD_DB = 1.0, 1.5  # means of a minute at fixed places
_DECLARED_GAIN_SD_DB, _BUILT_IN_GAIN_SD_DB = 1.0, 2.0
_MOST_INTERFERERS = 6  # one to six, anywhere in azimuth, with exponential shares
_SPREAD_LEVELS, _SPREAD_SD_LN = (-1.4, -0.5, 0.0, 0.5, 1.4), 0.7  # angular spread differs between sites by a factor of two
_POINTING_SD_DEG = 4.0
_CEILING_DB = (25.0, 32.0)
_HEIGHT_SD_DB = 4.0
_LINK_MAP_SD_LN = 0.05
_STREAM_STEPS_DB, _STREAM_STEPS_SD_DB = (3.0, 4.0, 4.0), (3.0, 4.0, 4.0)
_LINK_CAP = (4.4, 7.2)  # 4.4 in TR 36.942 is near 64QAM's; 256QAM goes to 7.4 (TS 38.214 table 5.1.3.1-2)
_FEEDER_SD_SHARE = 0.10
_UL_REFERENCE_DBM = {Rat.LTE: 15.2, Rat.NR: 8.0}  # base station's level per resource element (NR: less some receive gain)
_UPLINK_OFFSET_SD_DB = 3.0
_UL_TARGET_DBM, _UL_TARGET_SD_DB = -104.0, 5.0
_UL_ALL_BLOCKS_SHARE = 0.3
_CAPPED_MARGIN_DB = 1.5


@dataclass(frozen=True, slots=True, kw_only=True)
class Side:
    """One rig as the radio sees it: antenna, what lies between it and the receiver, and what stands before it.

    heading_off_deg: how far it points from the serving mast. spread_deg: one sigma of arriving angles where it hangs. building: it is
    indoors; through: it looks through this material instead. built_in: a gateway's own antennas, whose gain is known less well. ports: feeding the receiver.
    """

    pattern: Pattern = field(default_factory=lambda: Omni(gain_dbi=2.0))
    heading_off_deg: float = 0.0
    spread_deg: float = 12.0
    feeder: Feeder | None = None
    feeder_m: float = 0.0
    connectors: int = 0
    return_loss_db: float = 14.0
    building: Building | None = None
    through: str | None = None
    height_m: float | None = None
    clutter: Clutter = "suburban"
    ports: int = 2
    built_in: bool = False

    def fixed_loss_db(self, frequency_mhz: float) -> float:
        """Feeder, connectors and mismatch, dB."""
        cable = self.feeder.loss_db(length_m=self.feeder_m, frequency_mhz=frequency_mhz) if self.feeder is not None else 0.0
        return cable + connector_loss_db(connectors=self.connectors, frequency_mhz=frequency_mhz) + (0.0 if self.built_in else mismatch_loss_db(self.return_loss_db))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class CarrierChange:
    """Draws for one carrier. inr_db: interference over noise before; layers are the best the channel and ports allow."""

    of: str
    rsrp_change_db: Draws
    sinr_change_db: Draws
    inr_db: Draws
    down_before: Draws
    down_after: Draws
    uplink: _Uplink | None
    layers_before: Draws
    layers_after: Draws


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Change:
    """Draws of what a change of rig does. ln_down, ln_up: ln of the ratio of rates after to before; ln_up is None where no carrier sends."""

    carriers: tuple[CarrierChange, ...]
    ln_down: Draws
    ln_up: Draws | None
    headroom_change_db: Draws | None
    capped: Flags
    interference_rules: float
    notes: tuple[str, ...] = ()


def side_of_rig(
    rig: Rig,
    *,
    mast_azimuth_deg: float | None = None,
    building: Building | None = None,
    through: str | None = None,
    spread_deg: float | None = None,
    clutter: Clutter = "suburban",
) -> Side:
    """Return a declared rig as a Side. Pointing counts where the rig's azimuth and the mast's are both known. indoors: spread 60° unless given, 12° outside.

    Raises RangeError for a feeder longer than sensible (over 100 m) or without a point of its loss.
    """
    antenna = rig.antenna
    built_in = antenna.kind == "built-in"
    gain = antenna.gain_dbi if antenna.gain_dbi is not None else 2.0
    pattern: Pattern = Omni(gain_dbi=gain) if antenna.beamwidth_deg is None else Parabola(gain_dbi=gain, beamwidth_deg=antenna.beamwidth_deg)
    off = wrap_deg(antenna.azimuth_deg - mast_azimuth_deg) if antenna.azimuth_deg is not None and mast_azimuth_deg is not None else 0.0
    feeder = None
    if rig.feeder is not None:
        feeder = fit_feeder([(f, loss / 10.0) for f, loss in rig.feeder.loss_db_per_10m])
        feeder.loss_db(length_m=rig.feeder.length_m, frequency_mhz=1000.0)
    indoors = building is not None
    return Side(
        pattern=pattern,
        heading_off_deg=off,
        spread_deg=spread_deg if spread_deg is not None else 60.0 if indoors else 12.0,
        feeder=feeder,
        feeder_m=0.0 if rig.feeder is None else rig.feeder.length_m,
        connectors=0 if rig.feeder is None else rig.feeder.connectors,
        building=building,
        through=through,
        height_m=antenna.height_m,
        clutter=clutter,
        ports=antenna.ports,
        built_in=built_in,
    )


def change_of_rig(
    carriers: Sequence[ActiveCarrier],
    *,
    now: Side,
    then: Side,
    device_now: Device = USUAL_DEVICE,
    device_then: Device | None = None,
    other_carriers: Sequence[ActiveCarrier] = (),
    smallest_gap_db: float | None = None,
    draws: int = 2000,
    seed: int = 0,
) -> Change:
    """Return draws of the change from `now` to `then`.

    carriers: in use now, each with frequency, width and SINR (others are left out, and noted). device_then: the same gateway where left out.
    other_carriers: seen but not in use, which a gateway that combines more could add. smallest_gap_db: least RSRP − SINR − (noise at 7 dB) ever seen on this
    gateway: it bounds the noise figure from above. Raises UsageError where no carrier has what is needed.
    """
    import numpy as np

    usable = [c for c in carriers if c.frequency_mhz is not None and c.blocks is not None and c.sinr_db is not None and c.rsrp_dbm is not None]
    if not usable:
        raise UsageError("a change of rig", given="no carrier with band, width, RSRP and SINR", todo="Read the radio under load, and declare the width if it is not printed.")
    after_device = device_then if device_then is not None else device_now
    rng = np.random.default_rng(seed)
    noise_figure = _noise_figures(rng, usable, smallest_gap_db, draws)
    signal, interference = _side_changes(rng, now, then, [c.frequency_mhz or 0.0 for c in usable], draws)
    link = _Link.drawn(rng, draws)
    branches = 10.0 * math.log10(min(after_device.max_layers, then.ports) / min(device_now.max_layers, now.ports))
    rows = [
        _carrier_change(rng, carrier, now, then, device_now, after_device, noise_figure, link, signal[:, i], interference[:, i], max(-3.0, min(3.0, branches)))
        for i, carrier in enumerate(usable)
    ]
    kept_now, kept_then = device_now.max_dl_carriers, after_device.max_dl_carriers
    down_before, down_after = _sum_best([r.down_before for r in rows], kept_now), [r.down_after for r in rows]
    added = _added(rng, other_carriers, now, then, after_device, noise_figure, link, draws) if kept_then is None or kept_then > len(rows) else []
    map_error = np.exp(rng.normal(0.0, _LINK_MAP_SD_LN, draws))
    total_after = _sum_best(down_after + added, kept_then) * map_error
    sending = [r.uplink for r in rows if r.uplink is not None]
    ln_up = None
    if sending:
        ln_up = np.log(np.maximum(sum(u.after for u in sending), 1e-9) / np.maximum(sum(u.before for u in sending), 1e-9))
        if after_device.max_ul_layers > device_now.max_ul_layers:
            ln_up = ln_up + np.where(sending[0].short_db > 0.0, 0.0, math.log(1.6))  # two layers with room to spare carry 1.6 times one (common practice, no source)
    power = after_device.power_dbm - device_now.power_dbm
    main = int(np.argmax([float(r.down_before.mean()) for r in rows]))
    left_out = tuple(f"{c.of}: left out, the reading lacks {', '.join(c.missing) or 'RSRP'}" for c in carriers if c not in usable)
    return Change(
        carriers=tuple(rows),
        ln_down=np.log(np.maximum(total_after, 1e-9) / np.maximum(down_before, 1e-9)),
        ln_up=ln_up,
        headroom_change_db=signal[:, main] + power if sending else None,
        capped=sending[0].short_db > 0.0 if sending else np.zeros(draws, dtype=bool),
        interference_rules=float((rows[main].inr_db > 0.0).mean()),
        notes=left_out,
    )


def _noise_figures(rng: np.random.Generator, usable: Sequence[ActiveCarrier], smallest_gap_db: float | None, draws: int) -> Draws:
    """Noise figures weighted by how well noise and a flat prior on interference explain every carrier's gap. Rejecting draws with NI below N would bias the answer."""
    import numpy as np

    candidates = rng.normal(*_NOISE_FIGURE_DB, 4 * draws)
    inr = np.linspace(*_INR_DB, 112)
    rise = 10.0 * np.log10(1.0 + 10.0 ** (inr / 10.0))
    log_weight = np.zeros(candidates.size)
    for carrier in usable:
        misfit = (_gap_db(carrier) - (candidates[:, None] - 7.0) - rise[None, :]) / _READ_SINR_SD_DB
        log_weight += np.log(np.exp(-0.5 * misfit**2).mean(axis=1) + 1e-30)
    if smallest_gap_db is not None:
        excess = np.maximum(candidates - 7.0 - smallest_gap_db, 0.0)
        log_weight -= 0.5 * (excess / _READ_SINR_SD_DB) ** 2
    weight = np.exp(log_weight - log_weight.max())
    chosen = rng.choice(candidates, size=draws, p=weight / weight.sum())
    return np.asarray(chosen, dtype=np.float64)


def _gap_db(carrier: ActiveCarrier) -> float:
    if carrier.rsrp_dbm is None or carrier.sinr_db is None:
        raise RangeError("carrier", given=carrier.of, allowed="one with RSRP and SINR")
    return carrier.rsrp_dbm - carrier.sinr_db - (-173.975 + 10.0 * math.log10(carrier.scs_khz * 1e3) + 7.0)


def _interference(rng: np.random.Generator, carrier: ActiveCarrier, noise_figure: Draws) -> Draws:
    """INR of a carrier, drawn from its posterior given each noise figure (flat prior, Gaussian reading)."""
    import numpy as np

    grid = np.linspace(*_INR_DB, 221)
    rise = 10.0 * np.log10(1.0 + 10.0 ** (grid / 10.0))
    misfit = (_gap_db(carrier) - (noise_figure[:, None] - 7.0) - rise[None, :]) / _READ_SINR_SD_DB
    density = np.exp(-0.5 * (misfit**2 - (misfit**2).min(axis=1, keepdims=True)))
    cumulative = np.cumsum(density, axis=1)
    at = (cumulative < rng.random(noise_figure.size)[:, None] * cumulative[:, -1:]).sum(axis=1)
    return np.asarray(grid[np.minimum(at, grid.size - 1)], dtype=np.float64)


def _side_changes(rng: np.random.Generator, now: Side, then: Side, frequencies_mhz: Sequence[float], draws: int) -> tuple[Draws, Draws]:
    """Δs and Δi per draw and carrier. What one draw says of a wall, an antenna or a height holds for all carriers."""
    import numpy as np

    gain_error = np.zeros(draws) if then.pattern == now.pattern and then.built_in == now.built_in else _gain_error(rng, then, draws) - _gain_error(rng, now, draws)
    wall_now, wall_then = rng.random(draws), rng.random(draws)
    height_z = rng.normal(0.0, 1.0, draws)
    feeder_z = rng.normal(0.0, _FEEDER_SD_SHARE, draws)
    scene = _Scene.drawn(rng, draws)
    gain_now, rest_now = _towards(now, scene)
    gain_then, rest_then = _towards(then, scene)
    gain, towards_rest = gain_then - gain_now, rest_then - rest_now
    same_wall = now.building == then.building and now.through == then.through
    signal, interference = [], []
    for f in frequencies_mhz:
        fixed = (then.fixed_loss_db(f) - now.fixed_loss_db(f)) * (1.0 + feeder_z)
        walls = np.zeros(draws) if same_wall else _wall_db(then, f, wall_then) - _wall_db(now, f, wall_now)
        common = gain_error - fixed - walls + _height_db(now, then, f, height_z)
        signal.append(common + gain)
        interference.append(common + towards_rest)
    return np.stack(signal, axis=1), np.stack(interference, axis=1)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Link:
    """A receiver's link map per draw, the same before and after: min(cap, alpha·log2(1 + SINR/gap)) per stream."""

    alpha: Draws
    gap: Draws
    cap: Draws

    @staticmethod
    def drawn(rng: np.random.Generator, draws: int) -> _Link:
        """Between TR 36.942's form (slope 0.6, no gap) and link curves a gap below Shannon's bound (slope near 1, 3.7 dB in the median)."""
        share = rng.random(draws)
        return _Link(alpha=0.6 + 0.36 * share + rng.normal(0.0, 0.03, draws), gap=10.0 ** (0.37 * share), cap=rng.uniform(*_LINK_CAP, draws))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Scene:
    """Per draw: where interferers stand (degrees from the mast), how the interference is shared among them, which level of angular spread, pointing error."""

    azimuths_deg: Draws
    shares: Draws
    spread_level: NDArray[np.int64]
    pointing_deg: Draws

    @staticmethod
    def drawn(rng: np.random.Generator, draws: int) -> _Scene:
        import numpy as np

        there = np.arange(_MOST_INTERFERERS)[None, :] < rng.integers(1, _MOST_INTERFERERS + 1, draws)[:, None]
        shares = rng.exponential(1.0, there.shape) * there
        return _Scene(
            azimuths_deg=rng.uniform(-180.0, 180.0, there.shape),
            shares=shares / shares.sum(axis=1, keepdims=True),
            spread_level=rng.integers(0, len(_SPREAD_LEVELS), draws),
            pointing_deg=rng.normal(0.0, _POINTING_SD_DEG, draws),
        )


def _towards(side: Side, scene: _Scene) -> tuple[Draws, Draws]:
    """Gain (dBi) of a side towards the mast and towards the interference as a whole, per draw, with the spread of arriving angles laid over the pattern."""
    import numpy as np

    size = scene.spread_level.size
    if isinstance(side.pattern, Omni):
        return np.full(size, side.pattern.gain_dbi), np.full(size, side.pattern.gain_dbi)
    angles = np.arange(-180, 180)
    power = np.array([10.0 ** (-0.1 * side.pattern.attenuation_db(float(a))) for a in angles])
    off = side.heading_off_deg + scene.pointing_deg
    mast, rest = np.zeros(size), np.zeros(size)
    for level, z in enumerate(_SPREAD_LEVELS):
        sigma = max(1.0, side.spread_deg * math.exp(_SPREAD_SD_LN * z))
        weight = np.exp(-0.5 * (angles / sigma) ** 2)
        # Circular convolution: what arrives from one direction comes in over a spread of angles.
        seen = np.real(np.fft.ifft(np.fft.fft(power) * np.fft.fft(np.fft.ifftshift(weight / weight.sum()))))
        here = scene.spread_level == level
        mast[here] = _look_up(seen, -off[here])
        rest[here] = (_look_up(seen, scene.azimuths_deg[here] - off[here, None]) * scene.shares[here]).sum(axis=1)
    return side.pattern.gain_dbi + 10.0 * np.log10(mast), side.pattern.gain_dbi + 10.0 * np.log10(rest)


def _look_up(per_degree: Draws, angle_deg: Draws) -> Draws:
    """Value of a table that starts at −180°, at the nearest degree."""
    import numpy as np

    return np.asarray(per_degree[np.rint(angle_deg + 180.0).astype(np.int64) % 360], dtype=np.float64)


def _gain_error(rng: np.random.Generator, side: Side, draws: int) -> Draws:
    return rng.normal(0.0, _BUILT_IN_GAIN_SD_DB if side.built_in else _DECLARED_GAIN_SD_DB, draws)


def _wall_db(side: Side, frequency_mhz: float, share: Draws) -> Draws:
    """Loss before a side: P.2109 by its own distribution for a building, a material with its spread, nothing in the open."""
    import numpy as np

    if side.through is not None:
        median, sd = material_db(frequency_ghz=frequency_mhz / 1e3, material=side.through)
        from scipy.special import ndtri

        return np.asarray(np.maximum(0.0, median + sd * ndtri(np.clip(share, 1e-6, 1.0 - 1e-6))), dtype=np.float64)
    if side.building is None:
        return np.zeros(share.size)
    places = np.linspace(0.005, 0.995, 100)
    table = [building_entry_db(frequency_ghz=frequency_mhz / 1e3, building=side.building, share=float(p)) for p in places]
    return np.asarray(np.interp(share, places, np.array(table)), dtype=np.float64)


def _height_db(now: Side, then: Side, frequency_mhz: float, z: Draws) -> Draws:
    """What height brings: P.2108 3.1 among clutter (at 3 GHz above that), with a spread of at least 4 dB."""
    import numpy as np

    if now.height_m is None or then.height_m is None or abs(now.height_m - then.height_m) < 0.5:
        return np.zeros(z.size)
    f = min(3.0, frequency_mhz / 1e3)
    low, high = (height_gain_loss_db(frequency_ghz=f, height_m=side.height_m or 1.0, clutter=then.clutter) for side in (now, then))
    gain = low - high
    return gain + z * max(_HEIGHT_SD_DB, 0.4 * abs(gain))


def _carrier_change(
    rng: np.random.Generator,
    carrier: ActiveCarrier,
    now: Side,
    then: Side,
    device_now: Device,
    device_then: Device,
    noise_figure: Draws,
    link: _Link,
    signal: Draws,
    interference: Draws,
    branches_db: float,
) -> CarrierChange:
    import numpy as np

    draws = noise_figure.size
    inr = _interference(rng, carrier, noise_figure)
    before = (carrier.sinr_db or 0.0) + rng.normal(0.0, _READ_SINR_SD_DB, draws)
    ceiling = rng.uniform(*_CEILING_DB, draws)
    inner = _ceiling(before, ceiling, out=True)
    rise = 10.0 * np.log10((10.0 ** ((inr + interference) / 10.0) + 1.0) / (10.0 ** (inr / 10.0) + 1.0))
    after = _ceiling(inner + signal + branches_db - rise, ceiling, out=False)
    most_before, most_after = min(device_now.max_layers, now.ports), min(device_then.max_layers, then.ports)
    streams = _streams(rng, before, most_before, carrier.layers, link)
    down_before, layers_before = _best(before, most_before, streams, link)
    down_after, layers_after = _best(after, most_after, streams, link)
    width = (carrier.blocks or 0) * 12e-3 * carrier.scs_khz * carrier.down_share * 0.9
    return CarrierChange(
        of=carrier.of,
        rsrp_change_db=signal,
        sinr_change_db=after - before,
        inr_db=inr,
        down_before=down_before * width,
        down_after=down_after * width,
        uplink=_uplink(rng, carrier, device_now, device_then, signal),
        layers_before=layers_before,
        layers_after=layers_after,
    )


def _ceiling(sinr_db: Draws, ceiling_db: Draws, *, out: bool) -> Draws:
    import numpy as np

    part = 10.0 ** (-ceiling_db / 10.0)
    rest = 10.0 ** (-sinr_db / 10.0) + (-part if out else part)
    return np.asarray(-10.0 * np.log10(np.maximum(rest, part * 0.05)), dtype=np.float64)


def _streams(rng: np.random.Generator, sinr_db: Draws, most: int, read: int | None, link: _Link) -> Draws:
    """How far the second, third and fourth stream of the channel lie below the first, dB; drawn so that the rank that was read is the best one where possible."""
    chosen = _stream_draw(rng, sinr_db.size)
    if read is None:
        return chosen
    for _ in range(8):
        off = _best(sinr_db, most, chosen, link)[1] != min(read, most)
        if not off.any():
            break
        chosen[off] = _stream_draw(rng, int(off.sum()))
    return chosen


def _stream_draw(rng: np.random.Generator, size: int) -> Draws:
    import numpy as np

    steps = np.abs(rng.normal(_STREAM_STEPS_DB, _STREAM_STEPS_SD_DB, (size, 3)))
    return np.asarray(np.cumsum(steps, axis=1), dtype=np.float64)


def _best(sinr_db: Draws, most: int, streams_db: Draws, link: _Link) -> tuple[Draws, Draws]:
    """bit/s/Hz and layers at the best number of layers: power shared equally, each stream by TR 36.942's form with slope and cap as drawn."""
    import numpy as np

    best, layers = np.full(sinr_db.size, 0.01), np.ones(sinr_db.size)
    ratio = 10.0 ** (sinr_db / 10.0)
    weaker = np.concatenate((np.ones((sinr_db.size, 1)), 10.0 ** (-streams_db / 10.0)), axis=1)
    for count in range(1, min(most, 4) + 1):
        per_stream = np.log2(1.0 + (ratio / link.gap)[:, None] / count * weaker[:, :count])
        total = np.minimum(link.cap[:, None], link.alpha[:, None] * per_stream).sum(axis=1)
        better = (total > best) & (sinr_db >= -10.0)
        best, layers = np.where(better, total, best), np.where(better, float(count), layers)
    return best, layers


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Uplink:
    """Upload per draw before and after, and how much more power is asked for than there is (dB; below 0 is headroom)."""

    before: Draws
    after: Draws
    short_db: Draws


def _uplink(rng: np.random.Generator, carrier: ActiveCarrier, device_now: Device, device_then: Device, signal: Draws) -> _Uplink | None:
    """Power control by TS 38.213 7.1.1 with parameters nobody tells: target, alpha and the base station's level are drawn.

    Short of power, a network gives fewer blocks at full density (most draws) or all blocks at less (the rest).
    """
    import numpy as np

    size = signal.size
    blocks = carrier.ul_blocks or carrier.blocks or 0
    if not carrier.uplink or carrier.rsrp_dbm is None or blocks == 0:
        return None
    alpha = rng.choice((0.7, 0.8, 0.9, 1.0), size)
    reference = _UL_REFERENCE_DBM[carrier.rat] + rng.normal(0.0, _UPLINK_OFFSET_SD_DB, size)
    loss = reference - carrier.rsrp_dbm
    target = rng.normal(_UL_TARGET_DBM, _UL_TARGET_SD_DB, size)  # received per block, at a path loss of 118 dB
    density = target + (1.0 - alpha) * (118.0 - loss)
    short = density + loss + 10.0 * math.log10(blocks) - device_now.power_dbm
    if carrier.tx_power_dbm is not None:
        if carrier.tx_power_dbm >= device_now.power_dbm - _CAPPED_MARGIN_DB:
            short = np.where(short > 0.0, short, rng.exponential(6.0, size))
        else:
            short = np.full(size, carrier.tx_power_dbm - device_now.power_dbm)
    noise = -121.422 + rng.uniform(6.0, 11.0, size)
    spread_out = rng.random(size) < _UL_ALL_BLOCKS_SHARE

    def rate(short_db: Draws, density_dbm: Draws) -> Draws:
        fewer = np.maximum(short_db, 0.0)
        given = np.where(spread_out, blocks, np.maximum(1.0, blocks * 10.0 ** (-fewer / 10.0)))
        thinner = np.where(spread_out, fewer, np.maximum(0.0, fewer - 10.0 * math.log10(blocks)))
        efficiency = np.minimum(4.4, 0.4 * np.log2(1.0 + 10.0 ** ((density_dbm - thinner - noise) / 10.0)))
        return np.asarray(given * 12e-3 * carrier.scs_khz * efficiency * carrier.up_share, dtype=np.float64)

    power = device_then.power_dbm - device_now.power_dbm
    return _Uplink(before=rate(short, density), after=rate(short - alpha * signal - power, density + (1.0 - alpha) * signal), short_db=short)


def _added(rng: np.random.Generator, others: Sequence[ActiveCarrier], now: Side, then: Side, device: Device, noise_figure: Draws, link: _Link, draws: int) -> list[Draws]:
    """Rates of carriers that were seen but not in use."""
    rates = []
    for carrier in others:
        if carrier.frequency_mhz is None or carrier.blocks is None or carrier.sinr_db is None or carrier.rsrp_dbm is None:
            continue
        signal, interference = _side_changes(rng, now, then, [carrier.frequency_mhz], draws)
        change = _carrier_change(rng, carrier, now, then, device, device, noise_figure, link, signal[:, 0], interference[:, 0], 0.0)
        rates.append(change.down_after)
    return rates


def _sum_best(parts: Sequence[Draws], most: int | None) -> Draws:
    import numpy as np

    stack = np.stack(parts)
    if most is None or most >= len(parts):
        return np.asarray(stack.sum(axis=0), dtype=np.float64)
    return np.asarray(np.sort(stack, axis=0)[-most:].sum(axis=0), dtype=np.float64)

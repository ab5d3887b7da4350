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
from bandwright.errors import UsageError
from bandwright.predict.carriers import ActiveCarrier
from bandwright.predict.forecast import USUAL_DEVICE, Device
from bandwright.predict.unknowns import (
    READ_SINR_SD_DB,
    SPREAD_LEVELS,
    LinkMap,
    Scene,
    UplinkDraws,
    best_layers,
    interference_over_noise_db,
    noise_figures_db,
    stream_steps_db,
    through_ceiling_db,
    uplink_draws,
)
from bandwright.propagation.entry import Building, building_entry_db, material_db
from bandwright.propagation.surroundings import Clutter, height_gain_loss_db
from bandwright.words.rig import Rig

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    Draws = NDArray[np.float64]
    Flags = NDArray[np.bool_]

__all__ = ["CarrierChange", "Change", "Side", "change_of_rig", "side_of_rig"]

# One sigma or range (common practice, no source); the other priors stand in `unknowns`.
_DECLARED_GAIN_SD_DB, _BUILT_IN_GAIN_SD_DB = 1.0, 2.0
_SPREAD_SD_LN = 0.7  # angular spread differs between sites by a factor of two
_CEILING_DB = (25.0, 32.0)
_HEIGHT_SD_DB = 4.0
_LINK_MAP_SD_LN = 0.05
_FEEDER_SD_SHARE = 0.10


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
    uplink: UplinkDraws | None
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
    noise_figure = noise_figures_db(rng, usable, smallest_gap_db, draws)
    signal, interference = _side_changes(rng, now, then, [c.frequency_mhz or 0.0 for c in usable], draws)
    link = LinkMap.drawn(rng, draws)
    branches = 10.0 * math.log10(min(after_device.max_layers, then.ports) / min(device_now.max_layers, now.ports))
    rows = [
        _carrier_change(rng, carrier, now, then, device_now, after_device, noise_figure, link, signal[:, i], interference[:, i], max(-3.0, min(3.0, branches)))
        for i, carrier in enumerate(usable)
    ]
    kept_now, kept_then = device_now.max_dl_carriers, after_device.max_dl_carriers
    down_before, down_after = _sumbest_layers([r.down_before for r in rows], kept_now), [r.down_after for r in rows]
    added = _added(rng, other_carriers, now, then, after_device, noise_figure, link, draws) if kept_then is None or kept_then > len(rows) else []
    map_error = np.exp(rng.normal(0.0, _LINK_MAP_SD_LN, draws))
    total_after = _sumbest_layers(down_after + added, kept_then) * map_error
    sending = [r.uplink for r in rows if r.uplink is not None]
    ln_up = None
    if sending:
        ln_up = np.log(np.maximum(sum(u.after for u in sending), 1e-9) / np.maximum(sum(u.before for u in sending), 1e-9))
        if after_device.max_ul_layers > device_now.max_ul_layers:
            ln_up = ln_up + np.where(sending[0].short_db > 0.0, 0.0, math.log(1.6))  # two layers with room to spare carry 1.6 times one (common practice, no source)
    main = int(np.argmax([float(r.down_before.mean()) for r in rows]))
    left_out = tuple(f"{c.of}: left out, the reading lacks {', '.join(c.missing) or 'RSRP'}" for c in carriers if c not in usable)
    return Change(
        carriers=tuple(rows),
        ln_down=np.log(np.maximum(total_after, 1e-9) / np.maximum(down_before, 1e-9)),
        ln_up=ln_up,
        headroom_change_db=sending[0].headroom_rise_db if sending else None,
        capped=sending[0].short_db > 0.0 if sending else np.zeros(draws, dtype=bool),
        interference_rules=float((rows[main].inr_db > 0.0).mean()),
        notes=left_out,
    )


def _side_changes(rng: np.random.Generator, now: Side, then: Side, frequencies_mhz: Sequence[float], draws: int) -> tuple[Draws, Draws]:
    """Δs and Δi per draw and carrier. What one draw says of a wall, an antenna or a height holds for all carriers."""
    import numpy as np

    gain_error = np.zeros(draws) if then.pattern == now.pattern and then.built_in == now.built_in else _gain_error(rng, then, draws) - _gain_error(rng, now, draws)
    wall_now, wall_then = rng.random(draws), rng.random(draws)
    height_z = rng.normal(0.0, 1.0, draws)
    feeder_z = rng.normal(0.0, _FEEDER_SD_SHARE, draws)
    scene = Scene.drawn(rng, draws)
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


def _towards(side: Side, scene: Scene) -> tuple[Draws, Draws]:
    """Gain (dBi) of a side towards the mast and towards the interference as a whole, per draw, with the spread of arriving angles laid over the pattern."""
    import numpy as np

    size = scene.spread_level.size
    if isinstance(side.pattern, Omni):
        return np.full(size, side.pattern.gain_dbi), np.full(size, side.pattern.gain_dbi)
    angles = np.arange(-180, 180)
    power = np.array([10.0 ** (-0.1 * side.pattern.attenuation_db(float(a))) for a in angles])
    off = side.heading_off_deg + scene.pointing_deg
    mast, rest = np.zeros(size), np.zeros(size)
    for level, z in enumerate(SPREAD_LEVELS):
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
    link: LinkMap,
    signal: Draws,
    interference: Draws,
    branches_db: float,
) -> CarrierChange:
    import numpy as np

    draws = noise_figure.size
    inr = interference_over_noise_db(rng, carrier, noise_figure)
    before = (carrier.sinr_db or 0.0) + rng.normal(0.0, READ_SINR_SD_DB, draws)
    ceiling = rng.uniform(*_CEILING_DB, draws)
    inner = through_ceiling_db(before, ceiling, out=True)
    rise = 10.0 * np.log10((10.0 ** ((inr + interference) / 10.0) + 1.0) / (10.0 ** (inr / 10.0) + 1.0))
    after = through_ceiling_db(inner + signal + branches_db - rise, ceiling, out=False)
    most_before, most_after = min(device_now.max_layers, now.ports), min(device_then.max_layers, then.ports)
    streams = stream_steps_db(rng, before, most_before, carrier.layers, link)
    down_before, layers_before = best_layers(before, most_before, streams, link)
    down_after, layers_after = best_layers(after, most_after, streams, link)
    width = (carrier.blocks or 0) * 12e-3 * carrier.scs_khz * carrier.down_share * 0.9
    return CarrierChange(
        of=carrier.of,
        rsrp_change_db=signal,
        sinr_change_db=after - before,
        inr_db=inr,
        down_before=down_before * width,
        down_after=down_after * width,
        uplink=uplink_draws(rng, carrier, device_now, device_then, signal),
        layers_before=layers_before,
        layers_after=layers_after,
    )


def _added(rng: np.random.Generator, others: Sequence[ActiveCarrier], now: Side, then: Side, device: Device, noise_figure: Draws, link: LinkMap, draws: int) -> list[Draws]:
    """Rates of carriers that were seen but not in use."""
    rates = []
    for carrier in others:
        if carrier.frequency_mhz is None or carrier.blocks is None or carrier.sinr_db is None or carrier.rsrp_dbm is None:
            continue
        signal, interference = _side_changes(rng, now, then, [carrier.frequency_mhz], draws)
        change = _carrier_change(rng, carrier, now, then, device, device, noise_figure, link, signal[:, 0], interference[:, 0], 0.0)
        rates.append(change.down_after)
    return rates


def _sumbest_layers(parts: Sequence[Draws], most: int | None) -> Draws:
    import numpy as np

    stack = np.stack(parts)
    if most is None or most >= len(parts):
        return np.asarray(stack.sum(axis=0), dtype=np.float64)
    return np.asarray(np.sort(stack, axis=0)[-most:].sum(axis=0), dtype=np.float64)

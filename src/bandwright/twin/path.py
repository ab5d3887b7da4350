"""The twin's own air: beams, walls, interferers, fading and a link curve by formulas of its own, so that a prediction can be wrong here.

Nothing of `propagation`, `antenna` or `radio.rates` is used. The beam is a power of the cosine, not a parabola; every cell arrives over a handful of
rays of its own, few degrees apart outside and many inside; the link curve steps through a list of CQI thresholds; uplink power shrinks the number of blocks.
Every place is drawn from ranges that reach from very calm to wild, by a seed.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from random import Random

__all__ = ["AimScene", "TwinBeam", "TwinInterferer", "TwinMount", "TwinPlace", "TwinState", "draw_aim_scene", "draw_place"]

# SINR at which a CQI of table 1 begins, and its efficiency: the list most often copied in open simulators (LTE link curves, 10 % errors),
# with the 256QAM rows extended on the same gap.
_CQI_DB = (-6.7, -4.7, -2.3, 0.2, 2.4, 4.3, 5.9, 8.1, 10.3, 11.7, 14.1, 16.3, 18.7, 21.0, 22.7, 24.8, 26.8, 28.3)
_CQI_EFFICIENCY = (0.1523, 0.2344, 0.3770, 0.6016, 0.8770, 1.1758, 1.4766, 1.9141, 2.4063, 2.7305, 3.3223, 3.9023, 4.5234, 5.1152, 5.5547, 6.2266, 6.9141, 7.4063)


_RAYS = 12


@dataclass(frozen=True, slots=True, kw_only=True)
class TwinBeam:
    """cos^n about the boresight in the front half plane, a back lobe beyond. beamwidth_deg: 360 is the same everywhere."""

    gain_dbi: float
    beamwidth_deg: float = 360.0
    back_db: float = 22.0

    def gain_towards_dbi(self, off_deg: float) -> float:
        """Return the gain at an angle off boresight."""
        if self.beamwidth_deg >= 360.0:
            return self.gain_dbi
        away = abs((off_deg + 180.0) % 360.0 - 180.0)
        if away >= 89.0:
            return self.gain_dbi - self.back_db
        power = -0.30103 / math.log10(math.cos(math.radians(self.beamwidth_deg / 2.0)))
        return self.gain_dbi + max(-self.back_db, 10.0 * power * math.log10(math.cos(math.radians(away))))


@dataclass(frozen=True, slots=True, kw_only=True)
class TwinInterferer:
    """Another cell on the same channel: where it stands, and its level per resource element outside on an isotropic antenna."""

    azimuth_deg: float
    level_dbm: float


@dataclass(frozen=True, slots=True, kw_only=True)
class TwinMount:
    """A rig in the twin: beam, heading, whether behind the wall, height over the reference, losses on the way, ports. own: the gateway's own antennas."""

    beam: TwinBeam
    heading_deg: float = 0.0
    indoors: bool = False
    height_m: float = 3.0
    loss_db: float = 0.0
    ports: int = 2
    own: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class TwinState:
    """What is true of a mount: levels, rank, rates (Mbit/s, for one user's usual share), and whether the uplink is power-limited."""

    rsrp_dbm: float
    sinr_db: float
    layers: int
    down_mbps: float
    up_mbps: float
    sent_dbm: float
    capped: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class TwinPlace:
    """A place: everything that no reading tells. level_dbm: of the serving cell outside at 3 m on an isotropic antenna."""

    frequency_mhz: float
    blocks: int
    level_dbm: float
    mast_azimuth_deg: float
    interferers: tuple[TwinInterferer, ...]
    wall_db: float
    noise_figure_db: float
    ceiling_db: float
    height_db_per_m: float
    spread_deg: tuple[float, float]  # scale of the rays' angles about their cell's direction: outside, inside
    gain_errors_db: tuple[float, float]  # built-in, outside antenna
    stream_penalties_db: tuple[float, float, float]
    share: float
    reference_dbm: float
    p0_dbm: float
    alpha: float
    base_noise_dbm: float
    link_error: float = 1.0
    max_dbm: float = 23.0
    seed: int = field(default=0)

    def state(self, mount: TwinMount) -> TwinState:
        """Return what is true with this mount in place."""
        towards = self._gain_dbi(mount, self.mast_azimuth_deg)
        before = -(self.wall_db if mount.indoors else 0.0) + self.height_db_per_m * (mount.height_m - 3.0) - mount.loss_db
        rsrp = self.level_dbm + towards + before
        noise = _mw(-173.975 + 10.0 * math.log10(15e3) + self.noise_figure_db)
        other = sum(_mw(i.level_dbm + self._gain_dbi(mount, i.azimuth_deg) + before) for i in self.interferers)
        sinr = 10.0 * math.log10(1.0 / ((noise + other) / _mw(rsrp) + _mw(-self.ceiling_db)))
        efficiency, layers = self._streams(sinr, mount.ports)
        up, sent, capped = self._uplink(rsrp)
        down = efficiency * self.link_error * self.blocks * 0.18 * self.share
        return TwinState(rsrp_dbm=rsrp, sinr_db=sinr, layers=layers, down_mbps=down, up_mbps=up * self.share, sent_dbm=sent, capped=capped)

    def _gain_dbi(self, mount: TwinMount, azimuth_deg: float) -> float:
        """Gain towards a cell: the mean over its rays, whose angles (two-sided exponential) and powers belong to the place and the cell."""
        beam = mount.beam
        error = self.gain_errors_db[0 if mount.own else 1]
        if beam.beamwidth_deg >= 360.0:
            return beam.gain_dbi + error
        rng = Random(f"rays {self.seed} {azimuth_deg:.6f} {mount.indoors}")
        scale = self.spread_deg[1 if mount.indoors else 0]
        power = gain = 0.0
        for _ in range(_RAYS):
            weight = rng.expovariate(1.0)
            turn = rng.choice((-1.0, 1.0)) * rng.expovariate(1.0 / scale)
            power += weight
            gain += weight * _mw(beam.gain_towards_dbi(azimuth_deg + turn - mount.heading_deg))
        return 10.0 * math.log10(gain / power) + error

    def _streams(self, sinr_db: float, ports: int) -> tuple[float, int]:
        best, layers = 0.0, 1
        for count in range(1, min(ports, 4) + 1):
            penalties = (0.0, *self.stream_penalties_db)[:count]
            shared = sinr_db - 10.0 * math.log10(count)
            total = sum(_step_efficiency(shared - penalty) for penalty in penalties)
            if total > best:
                best, layers = total, count
        return best, layers

    def _uplink(self, rsrp_dbm: float) -> tuple[float, float, bool]:
        loss = self.reference_dbm - rsrp_dbm
        per_block = self.p0_dbm + self.alpha * loss
        wanted = per_block + 10.0 * math.log10(self.blocks)
        if wanted <= self.max_dbm:
            return self._up_mbps(per_block - loss, self.blocks), wanted, False
        blocks = min(float(self.blocks), _mw(self.max_dbm - per_block))
        if blocks >= 1.0:
            return self._up_mbps(per_block - loss, blocks), self.max_dbm, True
        return self._up_mbps(self.max_dbm - loss, 1.0), self.max_dbm, True

    def _up_mbps(self, received_per_block_dbm: float, blocks: float) -> float:
        snr = received_per_block_dbm - self.base_noise_dbm
        # Outer loop and retransmissions carry something below the first threshold too.
        efficiency = min(_smooth_efficiency(snr), 5.5)
        return blocks * 0.18 * efficiency * 0.8


@dataclass(frozen=True, slots=True, kw_only=True)
class AimScene:
    """An antenna being turned: the truth, and what a gateway would report at a heading and time."""

    best_deg: float
    beam: TwinBeam
    level_db: float
    fast_db: float
    slow_db: float
    correlation_s: float
    seed: int
    reflection_deg: float | None = None
    reflection_below_db: float = 99.0
    rounding_db: float = 1.0

    def true_db(self, heading_deg: float) -> float:
        """Return the level without fading."""
        direct = _mw(self.beam.gain_towards_dbi(heading_deg - self.best_deg))
        if self.reflection_deg is None:
            return self.level_db + 10.0 * math.log10(direct)
        echo = _mw(self.beam.gain_towards_dbi(heading_deg - self.reflection_deg) - self.reflection_below_db)
        return self.level_db + 10.0 * math.log10(direct + echo)

    def readings(self, headings_deg: tuple[float, ...], *, dwell_s: float, settle_s: float, start_s: float = 0.0) -> list[tuple[float, float, float]]:
        """Return (seconds, heading, reported level) once a second through a search, with its own fading by the seed."""
        rng = Random(f"{self.seed}/{start_s}")
        drift, last, now = rng.gauss(0.0, self.slow_db), start_s, start_s
        out = []
        for heading in headings_deg:
            now += settle_s
            for _ in range(round(dwell_s)):
                now += 1.0
                keep = math.exp(-(now - last) / self.correlation_s)
                drift = drift * keep + rng.gauss(0.0, self.slow_db * math.sqrt(1.0 - keep**2))
                last = now
                raw = self.true_db(heading) + drift + rng.gauss(0.0, self.fast_db)
                out.append((now, heading, round(raw / self.rounding_db) * self.rounding_db))
        return out

    def pointing_loss_db(self, heading_deg: float) -> float:
        """Return how far the true level at a heading lies below the best there is."""
        best = max(self.true_db(self.best_deg + k / 2.0) for k in range(-360, 360))
        return best - self.true_db(heading_deg)


def draw_aim_scene(seed: int, *, beamwidth_deg: float = 60.0, fast_db: float = 1.5, slow_db: float = 0.5, width_error: float = 0.15, reflection: bool = False) -> AimScene:
    """Draw an aiming scene: a direction, a real beam that is not the nominal one, a level."""
    rng = Random(f"aim {seed}")
    best = rng.uniform(0.0, 360.0)
    real = beamwidth_deg * math.exp(rng.gauss(0.0, width_error))
    return AimScene(
        best_deg=best,
        beam=TwinBeam(gain_dbi=10.0, beamwidth_deg=min(150.0, real), back_db=rng.uniform(15.0, 25.0)),
        level_db=rng.uniform(-115.0, -80.0),
        fast_db=fast_db,
        slow_db=slow_db,
        correlation_s=rng.uniform(60.0, 240.0),
        seed=seed,
        reflection_deg=best + rng.choice((-1.0, 1.0)) * rng.uniform(80.0, 150.0) if reflection else None,
        reflection_below_db=rng.uniform(0.5, 2.0) if reflection else 99.0,
    )


def draw_place(seed: int, *, interference_limited: bool | None = None) -> TwinPlace:
    """Draw a place. interference_limited: True or False draws one of that kind, None any."""
    rng = Random(f"place {seed} {interference_limited}")
    frequency = rng.choice((800.0, 1800.0, 2100.0, 2600.0))
    noise_figure = rng.gauss(7.0, 1.5)
    noise = -173.975 + 10.0 * math.log10(15e3) + noise_figure
    over_noise = rng.uniform(-15.0, 35.0)
    if interference_limited is True:
        over_noise = rng.uniform(12.0, 35.0)
    elif interference_limited is False:
        over_noise = rng.uniform(-15.0, -6.0)
    wall = max(1.0, rng.lognormvariate(math.log(14.0), 0.65))
    mast = rng.uniform(0.0, 360.0)
    count = rng.randint(1, 5)
    shares = [rng.expovariate(1.0) for _ in range(count)]
    # Levels are outside on an isotropic antenna; the ratio over noise is meant where the gateway stands, behind the wall.
    interferers = tuple(
        TwinInterferer(azimuth_deg=rng.uniform(0.0, 360.0), level_dbm=noise + over_noise + wall - 2.0 + 10.0 * math.log10(s / sum(shares))) for s in shares
    )
    sinr = rng.uniform(-3.0, 22.0)
    level = noise + 10.0 * math.log10(1.0 + _mw(over_noise)) + sinr + wall - 2.0
    alpha = rng.choice((0.7, 0.8, 0.9, 1.0))
    reference = 15.2 + rng.gauss(0.0, 3.0)
    return TwinPlace(
        frequency_mhz=frequency,
        blocks=rng.choice((50, 75, 100)),
        level_dbm=level,
        mast_azimuth_deg=mast,
        interferers=interferers,
        wall_db=wall,
        noise_figure_db=noise_figure,
        ceiling_db=rng.uniform(25.0, 32.0),
        height_db_per_m=max(-0.3, rng.gauss(1.4, 1.1)),
        spread_deg=(rng.lognormvariate(math.log(10.0), 0.6), rng.lognormvariate(math.log(38.0), 0.4)),
        gain_errors_db=(rng.gauss(0.0, 1.8), rng.gauss(-0.3, 1.0)),
        stream_penalties_db=(rng.uniform(0.0, 8.0), rng.uniform(4.0, 14.0), rng.uniform(6.0, 20.0)),
        share=rng.betavariate(3.0, 2.0),
        reference_dbm=reference,
        p0_dbm=-118.0 + 12.0 + (1.0 - alpha) * 118.0 + rng.gauss(0.0, 3.0),
        alpha=alpha,
        base_noise_dbm=-121.4 + 5.0 + rng.uniform(1.0, 6.0),
        link_error=math.exp(rng.gauss(0.0, 0.1)),
        seed=seed,
    )


def _mw(dbm: float) -> float:
    return float(10.0 ** (dbm / 10.0))


def _step_efficiency(sinr_db: float) -> float:
    reached = sum(1 for threshold in _CQI_DB if sinr_db >= threshold - 1.0)
    return _CQI_EFFICIENCY[reached - 1] if reached else 0.0


def _smooth_efficiency(snr_db: float) -> float:
    """Half of Shannon's, which uplinks come near to."""
    return 0.5 * math.log2(1.0 + 10.0 ** (snr_db / 10.0))

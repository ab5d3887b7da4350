"""Whether a call is good: the E-model of ITU-T G.107, from delay and loss to a rating R and a mean opinion score.

Narrowband (G.107) and wideband (G.107.1) are different scales: a wideband score is not comparable with a narrowband one, and each
answer says which it is. The model's defaults describe a good handset on a line without echo trouble.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

from bandwright.errors import RangeError, UsageError
from bandwright.units import db_to_ratio, ratio_to_db

__all__ = ["CODECS", "WIDEBAND_IE", "CallRating", "Codec", "EModel", "codec", "mos_of_r", "rate_call", "wideband_rating"]


@dataclass(frozen=True, slots=True, kw_only=True)
class EModel:
    """The inputs of G.107 table 2 with their defaults. Delays in ms, loss in per cent.

    mean_one_way_ms: T, for echo; round_trip_4wire_ms: Tr; absolute_ms: Ta, mouth to ear. ie, bpl: of the codec.
    """

    slr_db: float = 8.0
    rlr_db: float = 2.0
    stmr_db: float = 15.0
    lstr_db: float = 18.0
    ds: float = 3.0
    telr_db: float = 65.0
    wepl_db: float = 110.0
    mean_one_way_ms: float = 0.0
    round_trip_4wire_ms: float = 0.0
    absolute_ms: float = 0.0
    qdu: float = 1.0
    ie: float = 0.0
    bpl: float = 4.3
    loss_percent: float = 0.0
    burst_ratio: float = 1.0
    circuit_noise_dbm0p: float = -70.0
    noise_floor_dbmp: float = -64.0
    room_noise_send_dba: float = 35.0
    room_noise_receive_dba: float = 35.0
    advantage: float = 0.0

    def over(self, delay_ms: float) -> EModel:
        """Return the same call with a mouth-to-ear delay: T = Ta, Tr = 2 Ta."""
        return replace(self, mean_one_way_ms=delay_ms, absolute_ms=delay_ms, round_trip_4wire_ms=2 * delay_ms)

    @property
    def signal_to_noise(self) -> float:
        """Ro, G.107 7.2."""
        olr = self.slr_db + self.rlr_db
        send = self.room_noise_send_dba - self.slr_db - self.ds - 100 + 0.004 * (self.room_noise_send_dba - olr - self.ds - 14) ** 2
        pre = self.room_noise_receive_dba + 10 * math.log10(1 + 10 ** ((10 - self.lstr_db) / 10))
        receive = self.rlr_db - 121 + pre + 0.008 * (pre - 35) ** 2
        return float(15 - 1.5 * (self.slr_db + self._noise(send, receive)))

    @property
    def simultaneous(self) -> float:
        """Is, G.107 7.3: loudness, sidetone, quantising."""
        olr = self.slr_db + self.rlr_db
        x = olr + 0.2 * (64 + self._total_noise() - self.rlr_db)
        loudness = 20 * ((1 + (x / 8) ** 8) ** (1 / 8) - x / 8)
        s = -10 * math.log10(10 ** (-self.stmr_db / 10) + math.exp(-self.mean_one_way_ms / 4) * 10 ** (-self.telr_db / 10))
        sidetone = 12 * (1 + ((s - 13) / 6) ** 8) ** (1 / 8) - 28 * (1 + ((s + 1) / 19.4) ** 35) ** (1 / 35) - 13 * (1 + ((s - 3) / 33) ** 13) ** (1 / 13) + 29
        q = 37 - 15 * math.log10(self.qdu)
        g = 1.07 + 0.258 * q + 0.0602 * q * q
        y = (self.signal_to_noise - 100) / 15 + 46 / 8.4 - g / 9
        z = 46 / 30 - g / 40
        return float(loudness + sidetone + 15 * math.log10(1 + 10**y + 10**z))

    @property
    def delay(self) -> float:
        """Id, G.107 7.4: talker echo, listener echo, absolute delay."""
        return self._talker_echo() + self._listener_echo() + self.delay_alone

    @property
    def delay_alone(self) -> float:
        """Idd, G.107 7.4: what delay costs without any echo; 0 up to 100 ms."""
        if self.absolute_ms <= 100:
            return 0.0
        x = math.log2(self.absolute_ms / 100)
        return float(25 * ((1 + x**6) ** (1 / 6) - 3 * (1 + (x / 3) ** 6) ** (1 / 6) + 2))

    @property
    def equipment(self) -> float:
        """Ie,eff, G.107 7.5: codec and packet loss."""
        return self.ie + (95 - self.ie) * self.loss_percent / (self.loss_percent / self.burst_ratio + self.bpl)

    @property
    def rating(self) -> float:
        """R = Ro - Is - Id - Ie,eff + A."""
        return self.signal_to_noise - self.simultaneous - self.delay - self.equipment + self.advantage

    def _noise(self, send: float, receive: float) -> float:
        floor = self.noise_floor_dbmp + self.rlr_db
        return ratio_to_db(sum(db_to_ratio(x) for x in (self.circuit_noise_dbm0p, send, receive, floor)))

    def _total_noise(self) -> float:
        return (15 - self.signal_to_noise) / 1.5 - self.slr_db

    def _talker_echo(self) -> float:
        t = self.mean_one_way_ms
        roe = -1.5 * (self._total_noise() - self.rlr_db)
        terv = self.telr_db - 40 * math.log10((1 + t / 10) / (1 + t / 150)) + 6 * math.exp(-0.3 * t * t)
        half = (roe - (80 + 2.5 * (terv - 14))) / 2
        return (half + math.sqrt(half * half + 100) - 1) * (1 - math.exp(-t))

    def _listener_echo(self) -> float:
        rle: float = 10.5 * (self.wepl_db + 7) * (self.round_trip_4wire_ms + 1) ** (-1 / 4)
        half = (self.signal_to_noise - rle) / 2
        return half + math.sqrt(half * half + 169)


@dataclass(frozen=True, slots=True)
class Codec:
    """A narrowband codec's equipment impairment and robustness to loss. source: where the figures come from."""

    name: str
    ie: float
    bpl: float
    source: str


# ITU-T G.113 appendix I, provisional planning values; Bpl from memory.
CODECS = (
    Codec("G.711", 0, 4.3, "ITU-T G.113 appendix I"),
    Codec("G.711 with concealment", 0, 25.1, "ITU-T G.113 appendix I"),
    Codec("G.729A", 11, 19.0, "ITU-T G.113 appendix I"),
    Codec("G.723.1 6.3k", 15, 16.1, "ITU-T G.113 appendix I"),
    Codec("GSM-EFR", 5, 10.0, "ITU-T G.113 appendix I"),
)

# ITU-T G.113 appendix IV: AMR-WB, handset (monotic), Ie,wb by kbit/s.
WIDEBAND_IE = {23.85: 8, 23.05: 1, 19.85: 3, 18.25: 5, 15.85: 7, 14.25: 10, 12.65: 13, 8.85: 26, 6.6: 41}


@dataclass(frozen=True, slots=True)
class CallRating:
    """A call's rating. scale: "narrowband" or "wideband"; scores of different scales are not compared."""

    r: float
    mos: float
    scale: str


def codec(name: str) -> Codec:
    """Return the row of that name. Raises UsageError for a codec the table has not (AMR has no narrowband value in G.113)."""
    for row in CODECS:
        if row.name == name:
            return row
    raise UsageError("codec", given=name, allowed=", ".join(c.name for c in CODECS))


def mos_of_r(r: float) -> float:
    """Return the mean opinion score (conversational, estimated) of a rating: 1 below 0, 4.5 above 100. Source: ITU-T G.107 annex B."""
    if r < 0:
        return 1.0
    if r > 100:
        return 4.5
    return 1 + 0.035 * r + r * (r - 60) * (100 - r) * 7e-6


def rate_call(*, mouth_to_ear_ms: float, loss_ratio: float, burst_ratio: float = 1.0, codec_name: str = "G.711 with concealment") -> CallRating:
    """Return how a narrowband call rates at a delay and a loss, all else at the model's defaults.

    mouth_to_ear_ms: network one way plus the ends (about 80 ms: 40 packetisation, 30 half of the de-jitter buffer, 10 concealment).
    loss_ratio: of voice packets after the de-jitter buffer, 0..1. Raises RangeError outside. Source: ITU-T G.107.
    """
    if mouth_to_ear_ms < 0 or not math.isfinite(mouth_to_ear_ms):
        raise RangeError("delay in ms", given=mouth_to_ear_ms, allowed="0 or more")
    if not 0 <= loss_ratio <= 1:
        raise RangeError("loss ratio", given=loss_ratio, allowed="0..1")
    row = codec(codec_name)
    model = EModel(ie=row.ie, bpl=row.bpl, loss_percent=loss_ratio * 100, burst_ratio=burst_ratio).over(mouth_to_ear_ms)
    return CallRating(model.rating, mos_of_r(model.rating), "narrowband")


def wideband_rating(*, ie_wb: float, mouth_to_ear_ms: float = 0.0) -> CallRating:
    """Return how a wideband call without loss rates: R = 129 - Id - Ie,wb, scored by the narrowband curve at R/1.29.

    Only the absolute delay counts here. Source: ITU-T G.107.1.
    """
    r = 129 - EModel(absolute_ms=mouth_to_ear_ms).delay_alone - ie_wb
    return CallRating(r, mos_of_r(r / 1.29), "wideband")

"""The table of needs: what common uses ask of a connection. One row adds a use; a user may override any figure in `site.toml`.

Delays are round trips under load, to the far end: twice the one-way target where a source gives one way. Rates without a
published target are marked "common practice, no source". The delay targets of ITU-T G.1010 include both end devices; what is
asked here of the connection alone is therefore on the lenient side of "preferred" and well inside "limit".
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

from bandwright.words.site import Requirements

__all__ = ["CATALOGUE", "NeedKind", "need_kind"]


@dataclass(frozen=True, slots=True, kw_only=True)
class NeedKind:
    """One row: key as written in `site.toml`, a householder's words for it, what it asks, and when it usually matters."""

    key: str
    label: str
    requirements: Requirements
    hours: str
    examples: str = ""


def _row(key: str, label: str, hours: str, source: str, *, down: float | None = None, up: float | None = None, delay: float | None = None, loss: float | None = None, examples: str = "") -> NeedKind:
    asks = Requirements(downlink_mbps=down, uplink_mbps=up, loaded_delay_ms=delay, loss_ratio=loss, source=source)
    return NeedKind(key=key, label=label, requirements=asks, hours=hours, examples=examples)


CATALOGUE: tuple[NeedKind, ...] = (
    _row("video call", "video calls", "Mon-Fri 09:00-17:00",
         "delay and loss: ITU-T G.1010 table I.1, videophone, 150 ms one way preferred, 1 % (and TS 23.501 table 5.7.4-1, 5QI 2, 150 ms); rates: common practice, no source",
         down=4.0, up=3.0, delay=300.0, loss=0.01, examples="one HD picture each way"),
    _row("group video call", "group video calls", "Mon-Fri 09:00-17:00",
         "delay and loss: ITU-T G.1010 table I.1, videophone; rates: common practice, no source",
         down=8.0, up=4.0, delay=300.0, loss=0.01, examples="four to nine pictures down, one up"),
    _row("voice call", "phone calls", "Mon-Sun 08:00-20:00",
         "delay and loss: ITU-T G.1010 table I.1, conversational voice, 150 ms one way preferred, 3 %; G.114; rate: 64 kbit/s of G.711 with headers, both ways",
         down=0.1, up=0.1, delay=300.0, loss=0.03),
    _row("large upload", "large files sent", "Mon-Fri 09:00-17:00",
         "common practice, no source: 100 MB in about two minutes", up=7.0, examples="images to a specialist, plans, video"),
    _row("backup", "backup to elsewhere", "Mon-Sun 22:00-06:00",
         "common practice, no source: 20 GB in a night", up=6.0),
    _row("security camera", "a camera seen from outside", "Mon-Sun 00:00-24:00",
         "delay budget and error rate: TS 23.501 table 5.7.4-1, 5QI 7, 100 ms one way, 1e-3, relaxed to 1 % for a stream that repairs itself; rate: common practice, no source",
         up=2.0, loss=0.01),
    _row("streaming", "films and television", "Mon-Sun 18:00-23:00",
         "loss: ITU-T G.1010 table I.1, video, one way, 1 %; rate: common practice, no source", down=8.0, loss=0.01, examples="one HD stream with room for a second"),
    _row("streaming ultra high definition", "films in ultra high definition", "Mon-Sun 18:00-23:00",
         "loss: ITU-T G.1010 table I.1, 1 %; rate: common practice, no source", down=25.0, loss=0.01),
    _row("gaming", "games played live", "Mon-Sun 17:00-23:00",
         "TS 23.501 table 5.7.4-1, 5QI 3, real time gaming: 50 ms one way, 1e-3; loss relaxed to 1 % (game traffic repairs itself: common practice, no source); rates: common practice, no source",
         down=3.0, up=1.0, delay=100.0, loss=0.01),
    _row("card terminal", "the card terminal", "Mon-Sat 08:00-18:00",
         "ITU-T G.1010 table I.2, transaction services, 2 s preferred: four round trips of 500 ms; loss and rates: common practice, no source",
         down=0.1, up=0.1, delay=500.0, loss=0.03),
    _row("remote desktop", "a distant computer's screen", "Mon-Fri 08:00-18:00",
         "ITU-T G.1010 table I.2, interactive session, 200 ms; loss and rates: common practice, no source",
         down=4.0, up=1.0, delay=200.0, loss=0.01),
    _row("web", "pages and mail", "Mon-Sun 07:00-23:00",
         "ITU-T G.1010 table I.2, page in 2 s preferred, 4 s acceptable: about 2 MB and six round trips; common practice, no source, for both",
         down=8.0, up=1.0, delay=400.0, loss=0.03),
    _row("software updates", "updates and downloads", "Mon-Sun 00:00-24:00",
         "common practice, no source: 10 GB in two hours", down=12.0),
    _row("telemetry", "meters and sensors", "Mon-Sun 00:00-24:00",
         "common practice, no source", up=0.05, delay=2000.0, loss=0.05),
)


@cache
def _by_key() -> dict[str, NeedKind]:
    return {row.key: row for row in CATALOGUE}


def need_kind(key: str) -> NeedKind | None:
    """Return the row of that key, or None."""
    return _by_key().get(key)

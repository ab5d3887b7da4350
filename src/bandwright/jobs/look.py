"""What the radio says: a paste or a gateway's answer, read, explained and valued."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from datetime import datetime

from bandwright.advice.diagnosis import explain_readings
from bandwright.jobs.house import House
from bandwright.jobs.tuning import look as fetch_and_read
from bandwright.predict.forecast import expected_rates
from bandwright.readings.parse import parse
from bandwright.words.answers import Finding, Forecast
from bandwright.words.radio import Capture, Reading

__all__ = ["LookAnswer", "explain", "explain_capture", "explain_readings_of", "look"]


@dataclass(frozen=True, slots=True, kw_only=True)
class LookAnswer:
    """A capture and what it means. forecasts: of the last reading that shows carriers; findings: only what a reading can bear."""

    capture: Capture
    readings: tuple[Reading, ...]
    findings: tuple[Finding, ...]
    forecasts: tuple[Forecast, ...]
    main: Reading | None = None  # the reading that findings and forecasts speak of

    @property
    def recognised(self) -> bool:
        """Whether anything of the radio was recognised: a carrier, a mode or a registration."""
        return any(r.carriers or r.mode is not None or r.registration is not None for r in self.readings)


def explain(text: str | bytes, *, at: datetime) -> LookAnswer:
    """Return what a pasted text means. Needs no workspace. at: when it was pasted, UTC."""
    plain = text.decode("utf-8", errors="replace") if isinstance(text, bytes) else text
    key = "paste-" + hashlib.sha256(f"{at.isoformat()}|{plain}".encode()).hexdigest()[:16]
    return explain_capture(Capture(key=key, at=at, kind="pasted", text=plain))


def explain_capture(capture: Capture) -> LookAnswer:
    """Return what a capture means."""
    return explain_readings_of(capture, parse(capture))


def explain_readings_of(capture: Capture, readings: tuple[Reading, ...]) -> LookAnswer:
    """Return what readings of a capture mean."""
    with_carriers = [r for r in readings if r.serving()]
    main = with_carriers[-1] if with_carriers else None
    return LookAnswer(
        capture=capture,
        readings=readings,
        findings=explain_readings(readings),
        forecasts=expected_rates(main) if main is not None else (),
        main=main,
    )


async def look(house: House, gateway: str, *, moment: str = "idle") -> LookAnswer:
    """Ask a declared gateway, keep what it said, and explain it. Raises GatewayError."""
    capture, _ = await fetch_and_read(house, house.gateway(gateway), moment=moment)
    return explain_capture(capture)

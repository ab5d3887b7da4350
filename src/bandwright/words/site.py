"""Site, mast, need, hours and line: what a user declares of the place and of what must work there."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

__all__ = ["Hours", "Line", "Mast", "Need", "Requirements", "Site"]


@dataclass(frozen=True, slots=True)
class Hours:
    """The hours of a week that matter, in the site's time zone.

    spans: (weekday 0 = Monday..6, from_minute 0..1439, to_minute 1..1440), not overlapping, sorted.
    text: as declared, e.g. "Mon-Fri 09:00-17:00".
    """

    text: str
    spans: tuple[tuple[int, int, int], ...]

    def includes(self, weekday: int, minute: float) -> bool:
        """Whether minute 0..1440 of weekday 0..6 matters."""
        return any(d == weekday and a <= minute < b for d, a, b in self.spans)

    def weights_by_hour(self) -> tuple[float, ...]:
        """Return 24 numbers: the share of the declared time that falls in each hour of the day; they add up to 1."""
        out = [0.0] * 24
        for _, a, b in self.spans:
            for hour in range(24):
                out[hour] += max(0, min(b, 60 * hour + 60) - max(a, 60 * hour))
        total = sum(out) or 1.0
        return tuple(x / total for x in out)


@dataclass(frozen=True, slots=True, kw_only=True)
class Requirements:
    """What a use asks of the connection. None: it does not ask. source: where the figures come from."""

    downlink_mbps: float | None = None
    uplink_mbps: float | None = None
    loaded_delay_ms: float | None = None  # round trip under load, to the far end
    idle_delay_ms: float | None = None
    loss_ratio: float | None = None
    source: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Need:
    """One use of the connection, the hours in which it matters, and its weight against the others (> 0)."""

    key: str
    kind: str  # row of the catalogue
    requirements: Requirements
    hours: Hours
    weight: float = 1.0
    label: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Site:
    """The fixed place. Position and heights are optional, and stay in the workspace."""

    name: str
    timezone: str = "UTC"
    latitude_deg: float | None = None
    longitude_deg: float | None = None
    height_m: float | None = None  # of the ground above sea level
    country: str | None = None  # for limits that differ by country; ISO 3166 alpha-2
    notes: str = ""
    elevation_unit: str | None = None  # m, ft or us-ft: of elevation files that do not say it


@dataclass(frozen=True, slots=True, kw_only=True)
class Mast:
    """A mast whose position the user knows. height_m: of its antennas above the ground, where known. Its position stays in the workspace."""

    latitude_deg: float
    longitude_deg: float
    height_m: float | None = None
    name: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Line:
    """A subscription on its SIM."""

    key: str
    plmn: str | None = None
    cap_gb_per_month: float | None = None
    used_gb: float | None = None
    rate_down_mbps: float | None = None  # what the plan allows
    rate_up_mbps: float | None = None
    after_cap_mbps: float | None = None
    price_per_month: str | None = None
    contract_end: date | None = None
    returnable_until: date | None = None
    terms: tuple[str, ...] = ()

"""`site.toml`: what a user declares, read into frozen words, with errors that name the place in the file.

The shape of each section is a pydantic model with nothing extra allowed, except a gateway, whose kind brings settings of its own.
Secrets do not belong here: a key that looks like one is refused with a word on where it goes.
"""

from __future__ import annotations

import re
import tomllib
from datetime import date, datetime, time
from pathlib import Path
from typing import Annotated, Any, Literal
from zoneinfo import ZoneInfo, available_timezones

from pydantic import BaseModel, ConfigDict, Field, ValidationError

from bandwright.errors import DeclarationError
from bandwright.needs.catalogue import CATALOGUE, need_kind
from bandwright.needs.hours import parse_hours
from bandwright.words.campaign import Allowance
from bandwright.words.declared import CampaignPlan, Declared, FarEndPlan
from bandwright.words.rig import AntennaPlan, FeederPlan, GatewayPlan, Rig, Setup, Tuning, setup_key
from bandwright.words.settings import SETTINGS, defaults
from bandwright.words.site import Line, Mast, Need, Requirements, Site
from bandwright.workspace.sitefile import checked_setting

__all__ = ["SITE_FILE", "read_declared", "read_file"]

SITE_FILE = "site.toml"

Positive = Annotated[float, Field(gt=0)]
Key = Annotated[str, Field(min_length=1, max_length=60, pattern=r"^[^/\x00-\x1f]+$")]
Band = Annotated[str, Field(pattern=r"^(B|n)\d{1,3}$")]
_SECRET = re.compile(r"(?i)(password|passwd|token|secret|api_?key|pin$)")


class _Section(BaseModel):
    model_config = ConfigDict(extra="forbid", strict=False, frozen=True)


class _Site(_Section):
    name: str = Field(min_length=1)
    timezone: str = "UTC"
    latitude_deg: float | None = Field(None, ge=-90, le=90)
    longitude_deg: float | None = Field(None, ge=-180, le=180)
    height_m: float | None = Field(None, ge=-500, le=9000)
    country: str | None = Field(None, pattern=r"^[A-Z]{2}$")
    notes: str = ""
    elevation_unit: Literal["m", "ft", "us-ft"] | None = None


class _Mast(_Section):
    name: str = Field("", max_length=60)
    latitude_deg: float = Field(ge=-90, le=90)
    longitude_deg: float = Field(ge=-180, le=180)
    height_m: float | None = Field(None, gt=0, le=500)


class _Need(_Section):
    kind: str
    key: str | None = None
    label: str | None = None
    hours: str | None = None
    weight: Positive = 1.0
    downlink_mbps: Positive | None = None
    uplink_mbps: Positive | None = None
    loaded_delay_ms: Positive | None = None
    idle_delay_ms: Positive | None = None
    loss_ratio: float | None = Field(None, gt=0, lt=1)


class _Line(_Section):
    key: Key
    plmn: str | None = Field(None, pattern=r"^\d{3}-\d{2,3}$")
    cap_gb_per_month: Positive | None = None
    used_gb: float | None = Field(None, ge=0)
    rate_down_mbps: Positive | None = None
    rate_up_mbps: Positive | None = None
    after_cap_mbps: Positive | None = None
    price_per_month: str | None = None
    contract_end: date | None = None
    returnable_until: date | None = None
    terms: list[str] = []


class _Gateway(BaseModel):
    model_config = ConfigDict(extra="allow", frozen=True)
    key: Key
    kind: str
    interface: str | None = None
    price: str | None = None
    returnable_until: date | None = None
    switches_antenna: bool = False
    capability: dict[str, float] = {}


class _Antenna(_Section):
    kind: str = "built-in"
    gain_dbi: float | None = Field(None, ge=-10, le=50)
    beamwidth_deg: float | None = Field(None, gt=0, le=360)
    height_m: float | None = Field(None, ge=0, le=150)
    azimuth_deg: float | None = Field(None, ge=0, lt=360)
    downtilt_deg: float | None = Field(None, ge=-90, le=90)
    ports: int = Field(2, ge=1, le=8)
    price: str | None = None


class _Feeder(_Section):
    length_m: float = Field(ge=0, le=200)
    loss_db_per_10m: dict[str, Positive] = {}
    connectors: int = Field(2, ge=0, le=12)


class _Rig(_Section):
    key: Key
    line: str
    gateway: str
    place: str = ""
    label: str = ""
    antenna: _Antenna = Field(default_factory=lambda: _Antenna.model_validate({}))
    feeder: _Feeder | None = None
    change_minutes: float = Field(15.0, ge=0, le=1440)
    change_minutes_from: dict[str, float] = {}
    price: str | None = None
    returnable_until: date | None = None


class _Tuning(_Section):
    key: Key
    label: str = ""
    mode: Literal["automatic", "nr-sa", "endc", "lte"] = "automatic"
    bands: list[Band] = []
    cell: str | None = Field(None, pattern=r"^(lte:\d+:\d+|nr:\d+:\d+:\d+:\d+)$")
    antenna: Literal["own", "outside"] | None = None
    gateways: list[str] = []


class _Campaign(_Section):
    indifference: float = Field(0.10, gt=0, le=1)
    risk: float = Field(0.05, gt=0, lt=0.5)
    allowance_gb: Positive = 40.0
    allowance_days: Positive = 14.0
    rig_changes: int = Field(12, ge=0)
    person_hours: str | None = None
    person_minutes: Positive | None = None
    seed: int = 0
    in_use: str | None = None
    mounted: str | None = None
    rigs_at_once: list[list[str]] = []
    by_hand: bool = False
    prove_equal: bool = False


class _FarEnd(_Section):
    address: str | None = None
    download_url: str | None = Field(None, pattern=r"^https://")
    upload_url: str | None = Field(None, pattern=r"^https://")


class _File(_Section):
    site: _Site
    mast: list[_Mast] = []
    need: list[_Need] = []
    line: list[_Line] = []
    gateway: list[_Gateway] = []
    rig: list[_Rig] = []
    tuning: list[_Tuning] = []
    campaign: _Campaign = Field(default_factory=lambda: _Campaign.model_validate({}))
    far_end: _FarEnd = Field(default_factory=lambda: _FarEnd.model_validate({}))
    settings: dict[str, Any] = {}


def read_file(path: Path) -> Declared:
    """Return what the file declares. Raises DeclarationError where it is missing, unreadable or wrong."""
    try:
        text = path.read_text(encoding="utf-8")
    except FileNotFoundError:
        raise DeclarationError(f"there is no {SITE_FILE} in {path.parent.resolve()}", todo='"bandwright new DIR" writes one') from None
    except (OSError, UnicodeDecodeError) as error:
        raise DeclarationError(f"{path.name} cannot be read", given=str(error)) from error
    return read_declared(text, name=path.name)


def read_declared(text: str, *, name: str = SITE_FILE) -> Declared:
    """Return what the text of a site file declares. Raises DeclarationError naming the line, what was given and what is allowed."""
    try:
        raw = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise DeclarationError(f"{name} is not valid TOML", given=str(error), todo="Look at that line for a missing quote, bracket or equals sign") from error
    places = _Places(text, name)
    try:
        parsed = _File.model_validate(raw)
    except ValidationError as error:
        raise _explained(error, places) from None
    return _Builder(parsed, places).build()


class _Places:
    """Finds the line on which a section's key stands."""

    def __init__(self, text: str, name: str) -> None:
        self.name = name
        self._lines: dict[tuple[str | int, ...], int] = {}
        counts: dict[str, int] = {}
        section: tuple[str | int, ...] = ()
        for number, line in enumerate(text.splitlines(), 1):
            stripped = line.strip()
            if match := re.match(r"\[\[\s*([\w.-]+)\s*\]\]", stripped):
                index = counts.get(match[1], -1) + 1
                counts[match[1]] = index
                section = (match[1], index)
                self._lines[section] = number
            elif match := re.match(r"\[\s*([\w.-]+)\s*\]", stripped):
                section = (match[1],)
                self._lines[section] = number
            elif match := re.match(r'"?([\w.-]+)"?\s*=', stripped):
                self._lines.setdefault((*section, match[1]), number)

    def __call__(self, *location: str | int) -> str:
        parts = [str(p + 1) if isinstance(p, int) else p for p in location]
        words = " ".join(parts[:2]) + ("" if len(parts) < 3 else ", " + ".".join(parts[2:])) if len(location) > 1 and isinstance(location[1], int) else ", ".join(parts)
        for cut in range(len(location), 0, -1):
            if (number := self._lines.get(tuple(location[:cut]))) is not None:
                return f"{self.name} line {number} ({words})"
        return f"{self.name} ({words})"


def _explained(error: ValidationError, places: _Places) -> DeclarationError:
    first = error.errors()[0]
    location = tuple(first["loc"])
    context = first.get("ctx", {})
    allowed = str(first["msg"])
    if first["type"] == "extra_forbidden":
        return DeclarationError(places(*location), given=str(location[-1]), allowed="only the keys that `bandwright new` writes", todo="Is it misspelt?")
    if first["type"] == "missing":
        return DeclarationError(f"{places(*location)}: {location[-1]} is missing", todo="Add it")
    if "pattern" in context:
        allowed = {
            r"^\d{3}-\d{2,3}$": 'like "001-01": three digits, a hyphen, two or three digits',
            r"^(B|n)\d{1,3}$": 'like "B20" (LTE) or "n78" (NR)',
            r"^https://": "an address that begins with https://",
            r"^[A-Z]{2}$": "two capital letters, ISO 3166",
            r"^(lte:\d+:\d+|nr:\d+:\d+:\d+:\d+)$": '"lte:EARFCN:PCI" or "nr:ARFCN:PCI:SCS_KHZ:BAND"',
            r"^[^/\x00-\x1f]+$": "a key without a slash",
        }.get(str(context["pattern"]), str(context["pattern"]))
    given = first.get("input")
    return DeclarationError(places(*location), given=str(given)[:80], allowed=allowed[:1].lower() + allowed[1:])



class _Builder:
    """Turns the parsed sections into words, checking what one section says of another."""

    def __init__(self, parsed: _File, places: _Places) -> None:
        self._in = parsed
        self._at = places

    def build(self) -> Declared:
        site = self._site()
        for section in ("line", "gateway", "rig", "tuning"):
            self._unique(section)
        lines = tuple(Line(**{**row.model_dump(), "terms": tuple(row.terms)}) for row in self._in.line)
        gateways = tuple(self._gateway(i, row) for i, row in enumerate(self._in.gateway))
        rigs = tuple(self._rig(i, row) for i, row in enumerate(self._in.rig))
        tunings = tuple(self._tuning(i, row) for i, row in enumerate(self._in.tuning))
        setups, tunings = self._setups(rigs, tunings)
        return Declared(
            site=site,
            needs=self._needs(),
            lines=lines,
            gateways=gateways,
            rigs=rigs,
            tunings=tunings,
            setups=setups,
            campaign=self._campaign(setups, rigs, lines, gateways, ZoneInfo(site.timezone)),
            far_end=FarEndPlan(**self._in.far_end.model_dump()),
            settings=self._settings(),
            masts=tuple(Mast(**row.model_dump()) for row in self._in.mast),
        )

    def _unique(self, section: str) -> None:
        seen: set[str] = set()
        for i, row in enumerate(getattr(self._in, section)):
            if row.key in seen:
                raise DeclarationError(self._at(section, i, "key"), given=row.key, allowed=f"a key that no other {section} has")
            seen.add(row.key)

    def _one_of(self, place: str, given: str, allowed: list[str], what: str, section: str) -> None:
        if given not in allowed:
            names = ", ".join(f'"{a}"' for a in allowed) or "none is declared"
            raise DeclarationError(place, given=given, allowed=f"a declared {what}: {names}", todo=f"Declare it in a [[{section}]] section, or correct the name")

    def _site(self) -> Site:
        zone = self._in.site.timezone
        if zone not in available_timezones():
            raise DeclarationError(self._at("site", "timezone"), given=zone, allowed='a name of the time zone database, like "Europe/London"')
        return Site(**self._in.site.model_dump())

    def _needs(self) -> tuple[Need, ...]:
        out: list[Need] = []
        for i, row in enumerate(self._in.need):
            kind = need_kind(row.kind)
            if kind is None and row.kind != "own":
                names = ", ".join(f'"{k.key}"' for k in CATALOGUE)
                raise DeclarationError(self._at("need", i, "kind"), given=row.kind, allowed=f'{names}, or "own" with its figures')
            base = kind.requirements if kind else Requirements()
            given = {k: v for k in ("downlink_mbps", "uplink_mbps", "loaded_delay_ms", "idle_delay_ms", "loss_ratio") if (v := getattr(row, k)) is not None}
            asked = Requirements(
                downlink_mbps=given.get("downlink_mbps", base.downlink_mbps),
                uplink_mbps=given.get("uplink_mbps", base.uplink_mbps),
                loaded_delay_ms=given.get("loaded_delay_ms", base.loaded_delay_ms),
                idle_delay_ms=given.get("idle_delay_ms", base.idle_delay_ms),
                loss_ratio=given.get("loss_ratio", base.loss_ratio),
                source=f"declared: {', '.join(given)}" + (f"; {base.source}" if base.source else "") if given else base.source,
            )
            if kind is None and not given:
                raise DeclarationError(self._at("need", i), given='kind "own"', allowed="at least one of downlink_mbps, uplink_mbps, loaded_delay_ms, idle_delay_ms, loss_ratio")
            hours = self._hours(row.hours or (kind.hours if kind else "always"), "need", i, "hours")
            key = row.key or row.kind
            if any(n.key == key for n in out):
                key = f"{key} {sum(n.kind == row.kind for n in out) + 1}"
            out.append(Need(key=key, kind=row.kind, requirements=asked, hours=hours, weight=row.weight, label=row.label or (kind.label if kind else key)))
        return tuple(out)

    def _hours(self, text: str, *place: str | int) -> Any:
        try:
            return parse_hours(text)
        except DeclarationError as error:
            raise DeclarationError(self._at(*place), given=error.given, allowed=error.allowed, todo=error.todo) from None

    def _gateway(self, index: int, row: _Gateway) -> GatewayPlan:
        extra = row.model_extra or {}
        for key, value in extra.items():
            if _SECRET.search(key):
                raise DeclarationError(self._at("gateway", index, key), given="a secret", allowed="no secrets in this file", todo="Keep it with `bandwright check --keep-secret NAME`, which stores it outside this file")
            if isinstance(value, list | dict) and not value:
                raise DeclarationError(self._at("gateway", index, key), given=value, allowed="a text, number or table with something in it")
        base = row.model_dump(include={"key", "kind", "interface", "price", "returnable_until", "switches_antenna"})
        return GatewayPlan(**base, settings=tuple(_flat(extra)), capability=tuple(sorted(row.capability.items())))

    def _rig(self, index: int, row: _Rig) -> Rig:
        self._one_of(self._at("rig", index, "line"), row.line, [x.key for x in self._in.line], "line", "line")
        self._one_of(self._at("rig", index, "gateway"), row.gateway, [x.key for x in self._in.gateway], "gateway", "gateway")
        feeder = None
        if row.feeder is not None:
            points: list[tuple[float, float]] = []
            for text, loss in row.feeder.loss_db_per_10m.items():
                match = re.fullmatch(r"\s*(\d+(?:\.\d+)?)\s*(MHz|GHz)\s*", text)
                if match is None:
                    raise DeclarationError(self._at("rig", index, "feeder"), given=text, allowed='frequencies like "1800 MHz" or "3.5 GHz"')
                points.append((float(match[1]) * (1000 if match[2] == "GHz" else 1), loss))
            feeder = FeederPlan(length_m=row.feeder.length_m, loss_db_per_10m=tuple(sorted(points)), connectors=row.feeder.connectors)
        base = row.model_dump(exclude={"antenna", "feeder", "change_minutes_from"})
        return Rig(**base, antenna=AntennaPlan(**row.antenna.model_dump()), feeder=feeder, change_minutes_from=tuple(sorted(row.change_minutes_from.items())))

    def _tuning(self, index: int, row: _Tuning) -> Tuning:
        for g in row.gateways:
            self._one_of(self._at("tuning", index, "gateways"), g, [x.key for x in self._in.gateway], "gateway", "gateway")
        return Tuning(**{**row.model_dump(), "bands": tuple(row.bands), "gateways": tuple(row.gateways)})

    def _setups(self, rigs: tuple[Rig, ...], tunings: tuple[Tuning, ...]) -> tuple[tuple[Setup, ...], tuple[Tuning, ...]]:
        as_it_is = Tuning(key="as it is", label="as it is")
        out: list[Setup] = []
        used_default = False
        for rig in rigs:
            fitting = [t for t in tunings if not t.gateways or rig.gateway in t.gateways]
            used_default |= not fitting
            for tuning in fitting or [as_it_is]:
                label = f"{rig.label or rig.key}, {tuning.label or tuning.key}"
                out.append(Setup(key=setup_key(rig.key, tuning.key), rig=rig.key, tuning=tuning.key, label=label))
        return tuple(out), (*tunings, as_it_is) if used_default else tunings

    def _campaign(self, setups: tuple[Setup, ...], rigs: tuple[Rig, ...], lines: tuple[Line, ...], gateways: tuple[GatewayPlan, ...], zone: ZoneInfo) -> CampaignPlan:
        row = self._in.campaign
        if row.in_use is not None:
            self._one_of(self._at("campaign", "in_use"), row.in_use, [s.key for s in setups], "setup (rig/tuning)", "rig")
        if row.mounted is not None:
            self._one_of(self._at("campaign", "mounted"), row.mounted, [r.key for r in rigs], "rig", "rig")
        for group in row.rigs_at_once:
            for key in group:
                self._one_of(self._at("campaign", "rigs_at_once"), key, [r.key for r in rigs], "rig", "rig")
        dates = [*(r.returnable_until for r in rigs), *(x.returnable_until for x in lines), *(g.returnable_until for g in gateways)]
        days = [d for d in dates if d is not None]
        deadline = datetime.combine(min(days), time(23, 59), tzinfo=zone) if days else None
        allowance = Allowance(
            data_gb=row.allowance_gb,
            days=row.allowance_days,
            rig_changes=row.rig_changes,
            person_minutes=row.person_minutes,
            person_hours=self._hours(row.person_hours, "campaign", "person_hours") if row.person_hours else None,
            deadline=deadline,
        )
        return CampaignPlan(
            indifference=row.indifference,
            risk=row.risk,
            allowance=allowance,
            seed=row.seed,
            in_use=row.in_use,
            mounted=row.mounted,
            rigs_at_once=tuple(tuple(g) for g in row.rigs_at_once),
            by_hand=row.by_hand,
            prove_equal=row.prove_equal,
        )

    def _settings(self) -> dict[str, float | int | str | bool]:
        out = defaults()
        rows = {s.key: s for s in SETTINGS}
        for key, value in self._in.settings.items():
            row = rows.get(key)
            if row is None:
                raise DeclarationError(self._at("settings", key), given=key, allowed=", ".join(sorted(rows)))
            try:
                out[key] = checked_setting(row, value)
            except DeclarationError as error:
                raise DeclarationError(self._at("settings", key), given=error.given, allowed=error.allowed) from None
        return out


def _flat(extra: dict[str, Any], prefix: str = "") -> list[tuple[str, str]]:
    out: list[tuple[str, str]] = []
    for key, value in extra.items():
        if isinstance(value, dict):
            out += _flat(value, f"{prefix}{key}.")
        elif isinstance(value, list):
            out.append((f"{prefix}{key}", ",".join(str(v) for v in value)))
        else:
            out.append((f"{prefix}{key}", str(value).lower() if isinstance(value, bool) else str(value)))
    return out

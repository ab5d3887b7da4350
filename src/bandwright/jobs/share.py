"""Share a workspace, a campaign, what a helper needs, or what a helper proposes, as one file; and take such a file.

Redacted unless the whole is asked for; secrets are in no share. Taking a file adds what is missing and writes over nothing. A proposal
is shown first and enters only where the householder accepts it.
"""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from contextlib import AbstractContextManager
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from bandwright.errors import DeclarationError, UsageError
from bandwright.words.campaign import Design
from bandwright.words.declared import Declared
from bandwright.words.rig import Setup, Tuning

if TYPE_CHECKING:
    from bandwright.jobs.check import CheckAnswer
    from bandwright.workspace.exchange import Checked, Kept, Share, ShareKind
    from bandwright.workspace.records import DiskRecords

__all__ = ["Proposed", "Sent", "Taken", "look_into", "propose", "proposed", "send", "send_help_parcel", "take"]

LAST_MEASUREMENTS = 30  # of a help parcel


@dataclass(frozen=True, slots=True, kw_only=True)
class Sent:
    """A file that was written. rows: (what, how many)."""

    out: Path
    kind: str
    redacted: bool
    rows: tuple[tuple[str, int], ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Proposed:
    """What a proposal asks for.

    new_tunings: not declared here. risky: setups that may leave the place without service for minutes. missing: what it names that is not here.
    known: it was accepted before.
    """

    design: Design
    new_tunings: tuple[Tuning, ...]
    risky: tuple[str, ...]
    missing: tuple[str, ...]
    known: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Taken:
    """What taking a file did. proposed: of a proposal; accepted: whether it entered."""

    kind: str
    made_by: str
    declared_written: bool
    kept: Kept | None = None
    checks: tuple[Checked, ...] = ()
    proposed: Proposed | None = None
    accepted: bool = False


def send(folder: Path, out: Path, *, campaign: str | None = None, whole: bool = False) -> Sent:
    """Write a workspace, or one campaign of it, as one file. whole: nothing withheld but secrets.

    Raises UsageError where the campaign or the folder is not there, or `out` is there already.
    """
    site_toml, records = _opened(folder)
    designs = tuple(records.designs())
    if campaign is None:
        share = _share(
            "workspace",
            site_toml,
            captures=records.captures(),
            readings=records.readings(),
            measurements=records.measurements(),
            designs=designs,
            watched=records.watched(),
            events=[(d.key, e) for d in designs for e in records.events(d.key)],
        )
    else:
        share = _of_campaign(site_toml, records, _design_of(designs, campaign))
    records.close()
    return _written(share, out, whole=whole)


def send_help_parcel(folder: Path, out: Path, *, checks: CheckAnswer) -> Sent:
    """Write what a helper needs to see: what is declared, what was checked, the last measurements with their readings, and the last readings. Always redacted."""
    from bandwright.workspace.exchange import Checked

    site_toml, records = _opened(folder)
    measurements = records.measurements(limit=LAST_MEASUREMENTS)
    wanted = {key for m in measurements for _, key in m.captures} | {c.key for c in records.captures(limit=LAST_MEASUREMENTS)}
    looked = tuple(Checked(what=i.what, ok=i.ok, text="; ".join(filter(None, (i.text, i.todo if i.todo not in i.text else "")))) for i in checks.items)
    share = _share("help parcel", site_toml, measurements=measurements, checks=looked, **_with_captures(records, wanted))
    records.close()
    return _written(share, out, whole=False)


def propose(folder: Path, out: Path) -> Sent:
    """Write the campaign that this workspace's `site.toml` would start, as a proposal for another's. Raises UsageError where there is nothing to compare."""
    from bandwright.jobs.assembly import open_house
    from bandwright.jobs.campaign import make_design

    house = open_house(folder)
    drawn = make_design(house)
    key = f"p{hashlib.sha256(repr(drawn).encode()).hexdigest()[:8]}"  # no key of a campaign that was started at the place
    design = replace(drawn, key=key)
    used = {s.tuning for s in design.setups}
    tunings = tuple(t for t in house.declared.tunings if t.key in used)
    return _written(_share("proposal", "", designs=(design,), tunings=tunings), out, whole=False)


def look_into(path: Path) -> Share:
    """Return what a file holds, checked; nothing is kept. Raises UsageError."""
    from bandwright.workspace.exchange import read_share

    return read_share(path)


def take(folder: Path, path: Path, *, accept: bool = False) -> Taken:
    """Take a file into a workspace. accept: let a proposal enter; without it a proposal is only shown.

    Raises UsageError for a file that cannot be taken, or that differs from what is here; DeclarationError for this folder's own `site.toml`.
    """
    from bandwright.workspace.declared import SITE_FILE

    share = look_into(path)
    if share.kind == "proposal":
        return _take_proposal(folder, share, accept=accept)
    if accept:
        raise UsageError("--accept is for a proposal", given=share.kind, todo="Leave it out")
    missing = not (folder / SITE_FILE).exists()
    if missing and not share.site_toml:
        raise UsageError(f"there is no {SITE_FILE} in {folder}, and none in {path.name}", todo='"bandwright new DIR" writes one')
    if missing:
        from bandwright.jobs.declare import new

        new(folder, text=share.site_toml)
    from bandwright.workspace.exchange import keep

    _, records = _opened(folder)
    with _locked(folder):
        kept = keep(share, records)
    records.close()
    return Taken(kind=share.kind, made_by=share.made_by, declared_written=missing, kept=kept, checks=share.checks)


def proposed(share: Share, declared: Declared, known: Sequence[Design] = ()) -> Proposed:
    """Return what a proposal asks of a site: what it needs declared, what of it is risky, and what it names that the site has not."""
    design = share.designs[0]
    here = {t.key: t for t in declared.tunings}
    rigs = {r.key for r in declared.rigs}
    theirs = {t.key: t for t in share.tunings}
    changed = [k for k, t in theirs.items() if k in here and _told(here[k]) != _told(t)]
    return Proposed(
        design=design,
        new_tunings=tuple(t for k, t in theirs.items() if k not in here),
        risky=tuple(s.key for s in design.setups if s.tuning in theirs and theirs[s.tuning].is_risky),
        missing=(
            *(f"rig {r}" for r in sorted({s.rig for s in design.setups} - rigs)),
            *(f"tuning {s.tuning}, which neither the proposal nor this place describes" for s in design.setups if s.tuning not in theirs and s.tuning not in here),
            *(f"tuning {k}, which means something else here" for k in changed),
        ),
        known=any(d.key == design.key for d in known),
    )


def _told(tuning: Tuning) -> tuple[object, ...]:
    return tuning.mode, frozenset(tuning.bands), tuning.cell, tuning.antenna


def _take_proposal(folder: Path, share: Share, *, accept: bool) -> Taken:
    from bandwright.workspace.clock import SystemClock
    from bandwright.workspace.declared import SITE_FILE, read_declared
    from bandwright.workspace.sitefile import replace_text

    site_toml, records = _opened(folder)
    asked = proposed(share, read_declared(site_toml), records.designs())
    answer = Taken(kind=share.kind, made_by=share.made_by, declared_written=False, proposed=asked)
    if not accept:
        records.close()
        return answer
    if asked.missing:
        raise UsageError("the proposal does not fit this place", given="; ".join(asked.missing), todo="Ask the helper to propose it again from a newer help parcel")
    design = replace(asked.design, start=SystemClock().now())  # its days count from here
    with _locked(folder):
        text = _with_tunings(site_toml, asked.new_tunings, design.setups)
        _fits(read_declared(site_toml), text, design)
        if text != site_toml:
            replace_text(folder / SITE_FILE, text)
        if not asked.known:
            records.add_design(design)
    records.close()
    return replace(answer, accepted=True, declared_written=text != site_toml)


def _with_tunings(site_toml: str, tunings: Sequence[Tuning], setups: Sequence[Setup]) -> str:
    """Return the text with sections for new tunings at its end; nothing that stands in it is touched."""
    if not tunings:
        return site_toml
    import tomlkit

    from bandwright.workspace.declared import read_declared

    gateway_of = {r.key: r.gateway for r in read_declared(site_toml).rigs}
    sections = []
    for t in tunings:
        for_gateways = sorted({gateway_of[s.rig] for s in setups if s.tuning == t.key})
        row = {"key": t.key, "label": t.label, "mode": t.mode, "bands": list(t.bands), "cell": t.cell, "antenna": t.antenna, "gateways": for_gateways}
        sections.append({k: v for k, v in row.items() if v not in (None, "", [])})
    return site_toml.rstrip("\n") + "\n\n# From an accepted proposal.\n" + tomlkit.dumps({"tuning": sections})


def _fits(before: Declared, text: str, design: Design) -> None:
    from bandwright.workspace.declared import read_declared

    try:
        after = {s.key for s in read_declared(text).setups}
    except DeclarationError as error:
        raise UsageError("the proposal's tunings cannot be declared here", given=str(error)) from error
    lacking = [s.key for s in design.setups if s.key not in after]
    lost = [s.key for s in before.setups if s.key not in after]
    if lacking or lost:
        raise UsageError("the proposal does not fit this place", given=", ".join(lacking or lost), todo="Declare a [[tuning]] for each rig first, then send a new help parcel")


def _opened(folder: Path) -> tuple[str, DiskRecords]:
    from bandwright.workspace.declared import SITE_FILE, read_file
    from bandwright.workspace.records import DiskRecords

    read_file(folder / SITE_FILE)
    return (folder / SITE_FILE).read_text(encoding="utf-8"), DiskRecords(folder)


def _locked(folder: Path) -> AbstractContextManager[object]:
    from bandwright.workspace.lock import RunLock

    return RunLock(folder)


def _design_of(designs: Sequence[Design], key: str) -> Design:
    for design in reversed(designs):
        if key in {design.key, "latest"}:
            return design
    raise UsageError("that campaign is not there", given=key, allowed=", ".join(["latest", *(d.key for d in designs)]) if designs else "none has been started")


def _of_campaign(site_toml: str, records: DiskRecords, design: Design) -> Share:
    events = [(design.key, e) for e in records.events(design.key)]
    tests = {test for _, e in events if (test := getattr(e, "test", None)) is not None}
    measurements = [m for m in records.measurements() if m.key in tests or m.fact("campaign") == design.key]
    return _share("campaign", site_toml, measurements=measurements, designs=(design,), events=events, **_with_captures(records, {key for m in measurements for _, key in m.captures}))


def _with_captures(records: DiskRecords, keys: set[str]) -> dict[str, Sequence[object]]:
    captures = [c for c in records.captures() if c.key in keys]
    found = {c.key for c in captures}
    return {"captures": captures, "readings": [r for r in records.readings() if r.capture_key in found]}


def _share(kind: ShareKind, site_toml: str, **rows: Sequence[object]) -> Share:
    from bandwright import __version__
    from bandwright.workspace.exchange import Share

    words: dict[str, Any] = {name: tuple(values) for name, values in rows.items()}
    return Share(kind=kind, redacted=False, made_by=f"bandwright {__version__}", site_toml=site_toml, **words)


def _written(share: Share, out: Path, *, whole: bool) -> Sent:
    from bandwright.workspace.exchange import FILES, redacted, write_share

    leaving = share if whole else redacted(share)
    write_share(leaving, out)
    return Sent(out=out, kind=leaving.kind, redacted=leaving.redacted, rows=tuple((f.field, len(words)) for f in FILES if (words := getattr(leaving, f.field))))

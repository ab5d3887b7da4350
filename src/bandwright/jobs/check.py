"""Can it be used: what is declared, the disk, the clock, the gateways, the far end; and what to do about what cannot."""

from __future__ import annotations

import shutil
from dataclasses import dataclass
from pathlib import Path

from bandwright.advice.permitted import permitted
from bandwright.errors import BandwrightError, GatewayError, StoreError
from bandwright.jobs.assembly import check_far_end, found_here, open_house
from bandwright.jobs.tuning import lacking
from bandwright.words.measurement import Outcome

__all__ = ["CheckAnswer", "Item", "check"]

_LEAST_FREE_MB = 200


@dataclass(frozen=True, slots=True, kw_only=True)
class Item:
    """One thing that was looked at. ok is None where it is only worth knowing. code: the exit code it stands for where it is not ok."""

    what: str
    ok: bool | None
    text: str
    todo: str = ""
    code: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class CheckAnswer:
    """All that was looked at, in order."""

    items: tuple[Item, ...]

    @property
    def code(self) -> int:
        """The exit code: that of the first thing that is not ok."""
        return next((i.code for i in self.items if i.ok is False), 0)


async def check(folder: Path) -> CheckAnswer:
    """Look at everything a campaign in this folder would need. Nothing is loaded or changed."""
    items = [_disk(folder)]
    try:
        house = open_house(folder)
    except StoreError as error:
        return CheckAnswer(items=(*items, Item(what="records", ok=False, text=str(error), code=1)))
    except BandwrightError as error:
        return CheckAnswer(items=(*items, Item(what="site.toml", ok=False, text=str(error), todo=error.todo or "", code=2), *_here()))
    declared = house.declared
    items.append(Item(what="site.toml", ok=True, text=", ".join(_counted(n, noun) for n, noun in ((len(declared.needs), "need"), (len(declared.rigs), "rig"), (len(declared.setups), "setup")))))
    for plan in declared.gateways:
        if plan.kind == "pasted":
            items.append(Item(what=f"gateway {plan.key}", ok=None, text="read and set by a person: nothing to reach"))
            continue
        try:
            abilities = await house.gateway(plan.key).abilities()
            await house.gateway(plan.key).fetch()
            tunes = f"modes {', '.join(abilities.modes)}; bands {', '.join(abilities.bands) or 'not said'}" if abilities.can_tune else "it can be read, not tuned"
            items.append(Item(what=f"gateway {plan.key}", ok=True, text=f"answers; {tunes}"))
            rig = next((r for r in declared.rigs if r.gateway == plan.key), None)
            items += [Item(what=f"connection of {plan.key}", ok=None, text=text) for text in (await lacking(house, rig, wait=False) if rig is not None else ())]
        except GatewayError as error:
            items.append(Item(what=f"gateway {plan.key}", ok=False, text=str(error), todo=error.todo or "", code=5))
    await house.close()
    items += [Item(what="allowed?", ok=None, text=text) for text in permitted(declared)]
    items += await _far_end(folder)
    return CheckAnswer(items=(*items, *_here()))


def _disk(folder: Path) -> Item:
    place = folder if folder.exists() else Path()
    free_mb = shutil.disk_usage(place).free / 1e6
    ok = free_mb > _LEAST_FREE_MB
    return Item(what="disk", ok=ok, text=f"{free_mb / 1000:.1f} GB free", todo="" if ok else "Free some space: a campaign needs up to 200 MB", code=1)


async def _far_end(folder: Path) -> list[Item]:
    try:
        found = await check_far_end(folder)
    except BandwrightError as error:
        return [Item(what="far end", ok=False, text=str(error), todo=error.todo or "", code=2)]
    if found is None:
        return [Item(what="far end", ok=None, text="none is paired", todo="Run `bandwright far-end` on a server of yours, then `bandwright check --pair STRING`; until then a declared download_url serves")]
    facts = dict(found.facts)
    if found.outcome is Outcome.OK:
        return [Item(what="far end", ok=True, text=f"{facts.get('far_end')} answers and believes us ({facts.get('connect_ms')} ms)")]
    return [Item(what="far end", ok=False, text=f"{facts.get('far_end')}: {found.reason} (phase: {found.phase})", code=6)]


def _here() -> tuple[Item, ...]:
    return tuple(Item(what=what, ok=None, text=text, todo=todo) for what, text, todo in found_here())


def _counted(count: int, noun: str) -> str:
    return f"{count} {noun}" if count == 1 else f"{count} {noun}s"

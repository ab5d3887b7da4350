"""Setups laid out: rigs as groups with their tunings, what was tested of each, and what going over costs."""

from __future__ import annotations

from bandwright.telling.cautions import work_of
from bandwright.telling.document import Block, Document, Note, Para, Part, Table
from bandwright.telling.names import names_of
from bandwright.telling.numbers import NBSP, certainty, day, number, of_hundred_range
from bandwright.telling.said import Piece, quiet, said, strong
from bandwright.telling.sentences import ordered_shares
from bandwright.words.answers import Verdict
from bandwright.words.declared import Declared
from bandwright.words.rig import Rig, Tuning

__all__ = ["rig_line", "setups_document"]


def setups_document(declared: Declared, *, verdict: Verdict | None = None) -> Document:
    """Return the Setups page."""
    names = names_of(declared, verdict=verdict)
    answers = {s.setup: s for s in verdict.setups} if verdict else {}
    needs = [s.need for s in ordered_shares(verdict, declared, verdict.lead)] if verdict else []
    parts = []
    for rig in declared.rigs:
        mine = [s for s in declared.setups if s.rig == rig.key]
        if not mine:
            continue
        blocks: list[Block] = [Para(said(rig_line(rig, declared)))]
        rows = []
        for s in mine:
            answer = answers.get(s.key)
            shares = {n.need: n for n in answer.needs} if answer else {}
            rows.append(
                (
                    said(names.piece(s.key), quiet(f" {_tuning_line(declared.tuning(s.tuning))}")),
                    *(said(of_hundred_range(shares[n].estimate) if n in shares else "not tested") for n in needs),
                    said(f"{certainty(answer.chance_good)}" if answer and answer.tests else "not tested"),
                )
            )
        heads = ("Setup, and what is set", *(f"{names.need(n)}, met of 100" for n in needs), "Nothing tried is better")
        blocks.append(Table(caption=said(f"{names.rig(rig.key)}: {'one setup' if len(mine) == 1 else str(len(mine)) + ' setups'}"), heads=heads, rows=tuple(rows), numeric=tuple(range(1, len(needs) + 2))))
        parts.append(Part(title=names.rig(rig.key), blocks=tuple(blocks), note=_rig_note(rig, declared)))
    count = len(declared.setups)
    rigs = len({s.rig for s in declared.setups})
    in_use = declared.campaign.in_use
    headline = said(f"{count} {'setup' if count == 1 else 'setups'} on {rigs} {'rig' if rigs == 1 else 'rigs'}; ", strong(f"{names.setup(in_use)} is in use" if in_use else "none is said to be in use"), ".") if count else said("No setup is declared yet: ", strong("add a rig to site.toml"), ".")
    lede = Part(blocks=(Para(said("Going over to another tuning takes seconds and nobody. Going over to another rig takes a person. Setups are declared in site.toml; ", Piece(text="bandwright propose", style="code"), " says which tunings of a gateway are worth trying."), "lede"),))
    return Document(title="Setups", where=said(declared.site.name), headline=headline, parts=(lede, *parts))


def rig_line(rig: Rig, declared: Declared) -> str:
    """Return what a rig is made of, in one sentence."""
    antenna = rig.antenna
    what = "its own antenna" if antenna.kind == "built-in" else f"a {antenna.kind} antenna"
    parts = [f"Gateway {rig.gateway} with {what}"]
    if rig.place:
        parts.append(f"at {rig.place}")
    if antenna.height_m is not None:
        parts.append(f"{antenna.height_m:g}{NBSP}m above ground")
    if antenna.azimuth_deg is not None:
        parts.append(f"heading {antenna.azimuth_deg:.0f}° true")
    if rig.feeder is not None:
        parts.append(f"{rig.feeder.length_m:g}{NBSP}m of feeder")
    line = next((x for x in declared.lines if x.key == rig.line), None)
    plan = f", line {rig.line}" + (f" at {line.price_per_month} a month" if line and line.price_per_month else "")
    return ", ".join(parts) + plan + "."


def _tuning_line(tuning: Tuning) -> str:
    modes = {"automatic": "mode automatic", "nr-sa": "5G alone", "endc": "5G together with 4G", "lte": "4G only"}
    parts = [modes.get(tuning.mode, tuning.mode)]
    if tuning.bands:
        parts.append("bands " + ", ".join(tuning.bands))
    if tuning.cell:
        parts.append("one cell pinned")
    if tuning.antenna:
        parts.append(f"{tuning.antenna} antenna")
    if tuning.is_risky:
        parts.append("may leave the place without service, and is then taken back by itself")
    return ", ".join(parts)


def _rig_note(rig: Rig, declared: Declared) -> Note:
    climb = " It may take a ladder: cautions come first." if "ladder" in work_of([rig]) else ""
    paras = [said(strong("Going over to it"), f": about {number(rig.change_minutes)}{NBSP}minutes of a person.{climb}")]
    gateway = next((g for g in declared.gateways if g.key == rig.gateway), None)
    prices = [p for p in (rig.price, rig.antenna.price, gateway.price if gateway else None) if p]
    if prices:
        paras.append(said(strong("Price"), f": {' and '.join(prices)}."))
    until = rig.returnable_until or (gateway.returnable_until if gateway else None)
    if until:
        paras.append(said(strong("Returnable"), f" until {day(until)}."))
    return Note(label=f"What {rig.key} costs", paras=tuple(paras))

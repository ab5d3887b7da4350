"""`bandwright propose`: which tunings are worth trying, and, where a person accepts, their lines in site.toml."""

from __future__ import annotations

import asyncio
import sys
from dataclasses import asdict
from pathlib import Path

from bandwright.cli.screens import print_document, print_json, say
from bandwright.errors import UsageError
from bandwright.jobs.propose import ProposeAnswer

__all__ = ["show_propose"]


def show_propose(site: Path, *, gateway: str | None, load: bool, accept: str | None, as_json: bool) -> None:
    """Print what is worth trying; write what is accepted, by option or by answer at a terminal."""
    from bandwright.jobs.assembly import open_house
    from bandwright.jobs.propose import accept as write
    from bandwright.telling.accounts.proposal import proposal_document

    house = open_house(site)

    async def ask() -> ProposeAnswer:
        from bandwright.jobs.propose import propose_tunings

        try:
            return await propose_tunings(house, gateway=gateway, load=load)
        finally:
            await house.close()

    answer = asyncio.run(ask())
    if as_json:
        print_json("propose", asdict(answer))
    else:
        print_document(proposal_document(answer))
    chosen = chosen_keys(accept if accept is not None else _asked(answer, as_json=as_json), [c.tuning.key for c in answer.proposed])
    if chosen:
        declared = write(house, answer, chosen)
        say(f"{', '.join(chosen)} {'is' if len(chosen) == 1 else 'are'} in site.toml now: {len(declared.setups)} setups. See what a trial of them takes: bandwright design")


def chosen_keys(text: str, keys: list[str]) -> list[str]:
    """Return the keys that an answer names: "all", keys or their numbers, with commas; "" is none. Raises UsageError for anything else."""
    words = [word.strip() for word in text.split(",") if word.strip()]
    if [word.lower() for word in words] == ["all"]:
        return keys
    numbers = {str(i): key for i, key in enumerate(keys, 1)}
    unknown = [word for word in words if word not in keys and word not in numbers]
    if unknown:
        raise UsageError("tuning", given=", ".join(unknown), allowed=f"all, numbers 1 to {len(keys)}, or {', '.join(keys)}" if keys else "none is proposed")
    return list(dict.fromkeys(word if word in keys else numbers[word] for word in words))


def _asked(answer: ProposeAnswer, *, as_json: bool) -> str:
    if as_json or not answer.proposed or not sys.stdin.isatty():
        return ""
    say("Write which of them into site.toml? all, or numbers with commas; Enter for none:")
    return sys.stdin.readline().strip()

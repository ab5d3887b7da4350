"""`bandwright predict`: would another antenna, place, height, heading or cable help, and by how much."""

from __future__ import annotations

import sys
from dataclasses import asdict
from pathlib import Path

from bandwright.cli.screens import print_document, print_json

__all__ = ["show_predict"]


def show_predict(site: Path, *, paste: bool, rig: str | None, as_json: bool) -> None:
    """Print what each declared rig, and a few usual changes, would bring."""
    from bandwright.jobs.assembly import open_house
    from bandwright.jobs.predict import predict

    house = open_house(site, may_be_undeclared=paste)
    text = sys.stdin.read() if paste else None
    answer = predict(house, text=text, rig=rig)
    if as_json:
        print_json("predict", {"now": answer.now, **asdict(answer.steps)})
        return
    from bandwright.telling.accounts.nextsteps import nextsteps_document
    from bandwright.telling.names import names_of

    print_document(nextsteps_document(answer.steps, names=names_of(answer.declared), now=answer.now))

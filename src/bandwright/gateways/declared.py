"""What every kind's settings share: they come as plain pairs of text from `site.toml`, and a wrong one is said with its place."""

from __future__ import annotations

from collections.abc import Iterable
from typing import TypeVar

from pydantic import BaseModel, ConfigDict, ValidationError

from bandwright.errors import DeclarationError

__all__ = ["Declared", "read_settings", "split_address"]

S = TypeVar("S", bound="Declared")


class Declared(BaseModel):
    """Base of the settings of a kind of gateway."""

    model_config = ConfigDict(extra="forbid", frozen=True)


def read_settings(model: type[S], pairs: Iterable[tuple[str, str]], *, place: str) -> S:
    """Return declared pairs as settings. A dotted key ("fetch.url") is the key of a table. Raises DeclarationError naming the place."""
    tree: dict[str, object] = {}
    for key, value in pairs:
        *tables, last = key.split(".") if key.split(".")[0] in model.model_fields and "." in key else [key]
        level = tree
        for table in tables:
            inner = level.setdefault(table, {})
            if not isinstance(inner, dict):
                raise DeclarationError(f"{place}: {table}", given=key, todo=f"{table} is both a value and a table.")
            level = inner
        level[last] = value
    try:
        return model.model_validate(tree)
    except ValidationError as error:
        first = error.errors(include_url=False, include_context=False)[0]
        where = ".".join(str(part) for part in first["loc"])
        allowed = ", ".join(sorted(model.model_fields)) if first["type"] == "extra_forbidden" else None
        given = None if first["type"] == "missing" else repr(first["input"])
        raise DeclarationError(
            f"{place}: {where}: {first['msg'].lower()}" + (f" ({given})" if given else ""), allowed=allowed, todo=_help(model, where)
        ) from None


def split_address(address: str) -> tuple[str, int]:
    """Return host and port of "host:port" or "[address]:port". Raises DeclarationError."""
    host, _, port = address.rpartition(":")
    if host and port.isascii() and port.isdecimal() and 0 < int(port) < 65536:
        return host.strip("[]"), int(port)
    raise DeclarationError("address", given=address, allowed="host:port, e.g. 192.0.2.1:5000")


def _help(model: type[Declared], where: str) -> str | None:
    field = model.model_fields.get(where.split(".", maxsplit=1)[0])
    return f"{where.split('.', maxsplit=1)[0]} is {field.description}." if field is not None and field.description else None

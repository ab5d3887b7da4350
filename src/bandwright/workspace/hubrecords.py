"""One site's records in a hub: the records of a workspace, read by the same statements, in transactions that see that site alone."""

from __future__ import annotations

from contextlib import AbstractContextManager
from typing import Any

from sqlalchemy import Connection, Engine, event, text

from bandwright.workspace.hubtables import SITE_VARIABLE
from bandwright.workspace.records import DiskRecords, translated

__all__ = ["SITE_OPTION", "HubRecords", "name_site"]

SITE_OPTION = "bandwright_site"


def name_site(engine: Engine) -> None:
    """Make every transaction of an engine name its site first, where its connection was asked for one."""

    @event.listens_for(engine, "begin")
    def begin(connection: Connection) -> None:
        number = connection.get_execution_options().get(SITE_OPTION)
        if number is not None:
            connection.execute(text(f"select set_config('{SITE_VARIABLE}', :site, true)"), {"site": str(int(number))})


class HubRecords(DiskRecords):
    """The records of one site; see `ports.Records`. Closing it leaves the hub's connections as they are."""

    def __init__(self, engine: Engine, site: int) -> None:
        self.url = engine.url.render_as_string(hide_password=True)
        self._folder = None
        self._engine = engine.execution_options(**{SITE_OPTION: site})

    def _translated(self, what: str) -> AbstractContextManager[Any]:
        return translated(what, None)

    def close(self) -> None:
        """Nothing to let go of: the connections are the hub's."""

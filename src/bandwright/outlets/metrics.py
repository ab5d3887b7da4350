"""The latest figures for a collector that comes and fetches them: OpenMetrics text over HTTP, on this computer only.

Names follow the OpenMetrics text format 1.0: base units, dB values with their unit in the name, no identities in labels, few labels.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any, Final

__all__ = ["FAMILIES", "Family", "MetricsServer", "exposition"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Family:
    """One family: the figure it shows, its name, unit (the name's last word, or "") and help. scale: from the figure's unit to the family's."""

    figure: str
    name: str
    unit: str
    help: str
    scale: float = 1.0
    counter: bool = False


FAMILIES: Final[tuple[Family, ...]] = (
    Family(figure="up", name="bandwright_service", unit="", help="Whether the last look found service (1) or not (0)."),
    Family(figure="rsrp", name="cellular_rsrp_dbm", unit="dbm", help="RSRP of the primary carrier."),
    Family(figure="rsrq", name="cellular_rsrq_db", unit="db", help="RSRQ of the primary carrier."),
    Family(figure="sinr", name="cellular_sinr_db", unit="db", help="SINR of the primary carrier."),
    Family(figure="rssi", name="cellular_rssi_dbm", unit="dbm", help="RSSI of the primary carrier."),
    Family(figure="goodput_down_mbps", name="probe_goodput_down_bytes_per_second", unit="", help="Download of the last light test.", scale=125_000.0),
    Family(figure="goodput_up_mbps", name="probe_goodput_up_bytes_per_second", unit="", help="Upload of the last light test.", scale=125_000.0),
    Family(figure="delay_idle_ms", name="probe_round_trip_idle_seconds", unit="seconds", help="Round trip at rest of the last light test.", scale=1e-3),
    Family(figure="delay_loaded_up_ms", name="probe_round_trip_loaded_seconds", unit="seconds", help="Round trip under upload of the last light test.", scale=1e-3),
    Family(figure="loss_ratio", name="probe_loss_ratio", unit="ratio", help="Packets lost in the last light test."),
    Family(figure="watch_megabytes", name="bandwright_watch_month_bytes", unit="bytes", help="What the watch's tests took this month.", scale=1e6),
)


def _registry(figures: Mapping[str, float]) -> Any:
    from prometheus_client.core import GaugeMetricFamily
    from prometheus_client.registry import CollectorRegistry

    class Latest:
        """The figures as they are now; absent ones leave their sample out."""

        def collect(self) -> list[Any]:
            out = []
            for family in FAMILIES:
                if family.figure in figures:
                    gauge = GaugeMetricFamily(family.name, family.help, unit=family.unit)
                    gauge.add_metric([], figures[family.figure] * family.scale)
                    out.append(gauge)
            return out

    registry = CollectorRegistry(auto_describe=False)
    registry.register(Latest())
    return registry


def exposition(figures: Mapping[str, float]) -> str:
    """Return figures (by the keys of FAMILIES) as OpenMetrics text. Unknown figures are left out."""
    from prometheus_client.openmetrics import exposition as openmetrics

    generate: Callable[[Any], bytes] = openmetrics.generate_latest
    return generate(_registry(figures)).decode()


class MetricsServer:
    """Serves the latest figures on a port of this computer, at /metrics."""

    def __init__(self, port: int, *, host: str = "127.0.0.1") -> None:
        from prometheus_client import start_http_server

        self._figures: dict[str, float] = {}
        server: Any
        thread: threading.Thread
        server, thread = start_http_server(port, addr=host, registry=_registry(self._figures))
        self._server, self._thread = server, thread
        self.port = int(server.server_port)

    def update(self, figures: Mapping[str, float]) -> None:
        """Show these figures from now on; those that are no longer there disappear."""
        for key in set(self._figures) - set(figures):
            del self._figures[key]
        self._figures.update(figures)

    def close(self) -> None:
        """Stop serving."""
        self._server.shutdown()
        self._server.server_close()
        self._thread.join()

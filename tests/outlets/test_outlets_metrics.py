"""Figures as OpenMetrics text, read back by the format's own parser."""

import re
import urllib.request

import pytest
from prometheus_client.openmetrics.parser import text_string_to_metric_families

from bandwright.outlets.metrics import FAMILIES, MetricsServer, exposition

FIGURES = {"up": 1.0, "rsrp": -97.5, "rsrq": -11.0, "sinr": 9.0, "goodput_down_mbps": 48.0, "goodput_up_mbps": 7.2, "delay_loaded_up_ms": 143.0, "loss_ratio": 0.001, "watch_megabytes": 12.5}


def test_the_parser_of_the_format_takes_all_of_it():
    families = {f.name: f for f in text_string_to_metric_families(exposition(FIGURES))}
    assert len(families) == len(FIGURES)
    assert families["cellular_rsrp_dbm"].samples[0].value == -97.5
    assert families["cellular_rsrp_dbm"].unit == "dbm"
    assert families["probe_goodput_down_bytes_per_second"].samples[0].value == pytest.approx(6_000_000)
    assert families["probe_round_trip_loaded_seconds"].samples[0].value == pytest.approx(0.143)
    assert families["bandwright_watch_month_bytes"].samples[0].value == pytest.approx(12_500_000)


def test_absent_figures_leave_their_samples_out_and_the_text_ends_as_it_must():
    text = exposition({})
    assert text == "# EOF\n"  # OpenMetrics 1.0: the last line


def test_names_follow_the_format():
    for f in FAMILIES:
        assert re.fullmatch(r"[a-z][a-z0-9_]*", f.name)
        if f.unit:
            assert f.name.endswith(f"_{f.unit}")  # OpenMetrics 1.0: a unit is the last word of the name
        assert not re.search(r"imsi|imei|iccid|serial|phone", f.name + f.help, re.IGNORECASE)
        assert "{" not in exposition({f.figure: 1.0})  # no labels at all, so no identities in them


def test_a_collector_fetches_them_over_http():
    server = MetricsServer(0)
    try:
        server.update(FIGURES)
        request = urllib.request.Request(f"http://127.0.0.1:{server.port}/metrics", headers={"Accept": "application/openmetrics-text; version=1.0.0"})
        with urllib.request.urlopen(request, timeout=10) as answer:
            assert answer.headers["Content-Type"].startswith("application/openmetrics-text")
            names = {f.name for f in text_string_to_metric_families(answer.read().decode())}
        assert "cellular_sinr_db" in names
        server.update({"up": 0.0})
        with urllib.request.urlopen(request, timeout=10) as answer:
            families = list(text_string_to_metric_families(answer.read().decode()))
        assert [f.name for f in families] == ["bandwright_service"]
        assert families[0].samples[0].value == 0.0
    finally:
        server.close()

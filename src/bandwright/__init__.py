"""Bandwright: set up LTE and 5G fixed wireless so that it does what its users need.

As a library: `import bandwright`, then `bandwright.explain(text, at=...)`, `bandwright.open_house(folder)`, `bandwright.judge(house)`,
`bandwright.chart("timeline")` and the frozen words they speak in. Each name is loaded when it is first asked for, so that importing the
package costs nothing. In a notebook, `%load_ext bandwright` shows readings and verdicts as they are told elsewhere.
"""

from __future__ import annotations

from typing import Any

__all__ = [
    "CHARTS",
    "Capture",
    "Design",
    "Drawing",
    "Measurement",
    "Need",
    "Reading",
    "Setup",
    "Tested",
    "Verdict",
    "__version__",
    "chart",
    "course",
    "decide",
    "expected_rates",
    "explain",
    "foresee_change",
    "html_of",
    "judge",
    "open_house",
    "open_twin",
    "parse",
    "show",
]

__version__ = "0.1.0"

_HOME = {
    "CHARTS": "telling.charts.table:CHARTS",
    "Capture": "words.radio:Capture",
    "Design": "words.campaign:Design",
    "Drawing": "telling.document:Drawing",
    "Measurement": "words.measurement:Measurement",
    "Need": "words.site:Need",
    "Reading": "words.radio:Reading",
    "Setup": "words.rig:Setup",
    "Tested": "words.campaign:Tested",
    "Verdict": "words.answers:Verdict",
    "chart": "telling.charts.table:chart",
    "course": "trials.course:course",
    "decide": "advice.verdict:verdict",
    "expected_rates": "predict.forecast:expected_rates",
    "explain": "jobs.look:explain",
    "foresee_change": "jobs.predict:predict",
    "html_of": "telling.notebook:html_of",
    "judge": "jobs.judge:judge",
    "open_house": "jobs.assembly:open_house",
    "open_twin": "jobs.assembly_twin:open_twin",
    "parse": "readings.parse:parse",
    "show": "telling.notebook:show",
}


def __getattr__(name: str) -> Any:
    """Load a public name from where it is defined."""
    if name not in _HOME:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    from importlib import import_module

    module, _, attribute = _HOME[name].partition(":")
    found = globals()[name] = getattr(import_module(f"{__name__}.{module}"), attribute)
    return found


def __dir__() -> list[str]:
    return sorted({*globals(), *__all__})


def load_ipython_extension(shell: Any) -> None:
    """Show readings and verdicts in a notebook as they are told elsewhere: `%load_ext bandwright`."""
    from importlib import import_module

    import_module(f"{__name__}.telling.notebook").register(shell)

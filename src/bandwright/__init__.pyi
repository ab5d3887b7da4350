# The same names as __init__.py, for type checkers; a test holds the two together.
from typing import Any

from bandwright.advice.verdict import verdict as decide
from bandwright.jobs.assembly import open_house as open_house
from bandwright.jobs.assembly_twin import open_twin as open_twin
from bandwright.jobs.judge import judge as judge
from bandwright.jobs.look import explain as explain
from bandwright.jobs.predict import predict as foresee_change
from bandwright.predict.forecast import expected_rates as expected_rates
from bandwright.readings.parse import parse as parse
from bandwright.telling.charts.table import CHARTS as CHARTS
from bandwright.telling.charts.table import chart as chart
from bandwright.telling.document import Drawing as Drawing
from bandwright.telling.notebook import html_of as html_of
from bandwright.telling.notebook import show as show
from bandwright.trials.course import course as course
from bandwright.words.answers import Verdict as Verdict
from bandwright.words.campaign import Design as Design
from bandwright.words.campaign import Tested as Tested
from bandwright.words.measurement import Measurement as Measurement
from bandwright.words.radio import Capture as Capture
from bandwright.words.radio import Reading as Reading
from bandwright.words.rig import Setup as Setup
from bandwright.words.site import Need as Need

__all__ = ["CHARTS", "Capture", "Design", "Drawing", "Measurement", "Need", "Reading", "Setup", "Tested", "Verdict", "__version__", "chart", "course", "decide", "expected_rates", "explain", "foresee_change", "html_of", "judge", "open_house", "open_twin", "parse", "show"]

__version__: str

def load_ipython_extension(shell: Any) -> None: ...

"""The ground's own tables and values: units, intervals, errors, quantities, settings, sorted public names."""

from __future__ import annotations

import ast
import math
from pathlib import Path

import pytest

from bandwright import errors
from bandwright.errors import BandwrightError, CodeError, DeclarationError, FarEndError, UserFault
from bandwright.quantities import QUANTITIES, quantity
from bandwright.units import Interval, db_to_ratio, mbps_for, megabytes_for, ratio_to_db
from bandwright.words.settings import SETTINGS, defaults

SOURCE = Path(__file__).resolve().parents[2] / "src" / "bandwright"


def test_intervals_are_half_open_and_open_ends_have_no_middle() -> None:
    assert Interval(-91, -90).contains(-91)
    assert not Interval(-91, -90).contains(-90)
    assert Interval(None, -140).contains(-500)
    assert Interval(-44, None).middle is None
    assert Interval(-91, -90).middle == -90.5
    with pytest.raises(ValueError, match="above"):
        Interval(1, 0)


def test_units_by_hand() -> None:
    assert db_to_ratio(3.0) == pytest.approx(1.99526, abs=1e-5)  # 10^0.3
    assert ratio_to_db(db_to_ratio(-7.25)) == pytest.approx(-7.25)
    assert megabytes_for(rate_mbps=80, seconds=3) == 30.0
    assert mbps_for(octets=1_000_000, seconds=2) == 4.0
    with pytest.raises(ValueError, match="math domain"):
        ratio_to_db(0.0)
    assert math.isclose(db_to_ratio(0), 1)


def test_an_error_says_what_was_given_what_is_allowed_and_what_to_do() -> None:
    error = CodeError("CESQ rsrp", given=98, allowed="0..97, 255", source="TS 27.007, 8.69")
    assert str(error) == "CESQ rsrp=98 is outside 0..97, 255 (TS 27.007, 8.69)"
    assert str(DeclarationError("place", given="x", allowed="y", todo="Do z")) == "place='x'; allowed: y. Do z"
    assert FarEndError("no answer", phase="connect").phase == "connect"


def test_every_error_stands_in_the_tree_that_is_drawn() -> None:
    drawn = errors.__doc__ or ""
    for name in errors.__all__:
        cls = getattr(errors, name)
        assert issubclass(cls, BandwrightError)
        assert name in drawn
    assert issubclass(CodeError, UserFault)


def test_quantities_have_one_row_each_with_a_sensible_range() -> None:
    keys = [q.key for q in QUANTITIES]
    assert len(set(keys)) == len(keys)
    for row in QUANTITIES:
        assert row.low is None or row.high is None or row.low < row.high
        assert row.better in {-1, 0, 1}
        assert row.of != "measurement" or row.unit or row.key.endswith("_ratio")
    assert quantity("goodput_up_mbps") is not None
    assert quantity("nothing") is None


def test_settings_defaults_lie_in_their_ranges() -> None:
    for row in SETTINGS:
        assert row.meaning
        assert row.cost
        if isinstance(row.default, int | float) and not isinstance(row.default, bool):
            assert row.low is None or row.low <= row.default
            assert row.high is None or row.default <= row.high
    assert set(defaults()) == {row.key for row in SETTINGS}


def test_public_names_are_sorted_and_are_there() -> None:
    for path in SOURCE.rglob("*.py"):
        tree = ast.parse(path.read_text(encoding="utf-8"))
        listed = next((ast.literal_eval(n.value) for n in tree.body if isinstance(n, ast.Assign) and any(getattr(t, "id", "") == "__all__" for t in n.targets) and isinstance(n.value, ast.List)), None)
        if listed is None:
            continue
        assert len(set(listed)) == len(listed), path
        defined = {n.name for n in tree.body if isinstance(n, ast.ClassDef | ast.FunctionDef | ast.AsyncFunctionDef)}
        defined |= {t.id for n in tree.body if isinstance(n, ast.Assign) for target in n.targets for t in ast.walk(target) if isinstance(t, ast.Name)}
        defined |= {n.target.id for n in tree.body if isinstance(n, ast.AnnAssign) and isinstance(n.target, ast.Name)}
        defined |= {a.asname or a.name for n in tree.body if isinstance(n, ast.ImportFrom) for a in n.names}
        if path.name != "__init__.py":
            assert set(listed) <= defined, f"{path}: {set(listed) - defined}"

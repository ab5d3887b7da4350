"""One executor: the same answers here, from two processes and from a dask cluster of two, and a worker that is killed changes nothing."""

from __future__ import annotations

import importlib
import os
import sys
from collections.abc import Iterator
from concurrent.futures import Executor
from pathlib import Path
from typing import Any

import pytest

from bandwright.errors import OurFault, UsageError
from bandwright.jobs.executor import Processes, answers, in_order, open_executor
from bandwright.jobs.rehearse import Study, rehearse

HERE = str(Path(__file__).parent)
sys.path.insert(0, HERE)  # workers import the work by its name
work: Any = importlib.import_module("executor_work")
draw, killed_once, always_killed, refuses = work.draw, work.killed_once, work.always_killed, work.refuses
PIECES = [(seed,) for seed in range(12)]


@pytest.fixture(scope="module")
def two_processes() -> Iterator[Executor]:
    with Processes(2) as pool:
        yield pool


@pytest.fixture(scope="module")
def dask() -> Iterator[Any]:
    distributed = pytest.importorskip("distributed", reason="the extra fleet is not installed")
    monkey = pytest.MonkeyPatch()
    monkey.setenv("PYTHONPATH", HERE, prepend=os.pathsep)
    with distributed.LocalCluster(n_workers=2, threads_per_worker=1, processes=True, dashboard_address=None, host="127.0.0.1") as cluster:
        monkey.undo()
        yield cluster


def test_two_processes_give_the_answers_of_one(two_processes: Executor) -> None:
    assert in_order(draw, PIECES, two_processes) == in_order(draw, PIECES) == [draw(*p) for p in PIECES]


def test_a_killed_process_changes_nothing(tmp_path: Path) -> None:
    with Processes(2) as pool:
        found = in_order(killed_once, [(str(tmp_path), seed) for (seed,) in PIECES], pool)
    assert (tmp_path / "killed").exists()
    assert found == [draw(*p) for p in PIECES]


def test_work_that_always_ends_its_process_is_given_up_in_one_sentence() -> None:
    with Processes(1) as pool, pytest.raises(OurFault, match="again and again"):
        in_order(always_killed, [()], pool)


def test_an_error_of_the_work_is_the_works_own(two_processes: Executor) -> None:
    with pytest.raises(ValueError, match="3"):
        list(answers(refuses, [(3,)], two_processes))


def test_dask_with_a_killed_worker_gives_the_answers_of_one_process(dask: Any, tmp_path: Path) -> None:
    with open_executor(f"dask:{dask.scheduler_address}") as many:
        assert many is not None
        assert in_order(killed_once, [(str(tmp_path), seed) for (seed,) in PIECES], many) == [draw(*p) for p in PIECES]
    assert (tmp_path / "killed").exists()


def test_a_seeded_study_is_the_same_from_one_process_two_processes_and_dask(two_processes: Executor, dask: Any) -> None:
    def study(executor: Executor | None) -> Study:
        *_, last = rehearse(families=["calm"], campaigns=2, first=41, comparators=False, executor=executor)
        assert isinstance(last, Study)
        return last

    alone = study(None)
    assert study(two_processes) == alone
    with open_executor(f"dask:{dask.scheduler_address}") as many:
        assert study(many) == alone


@pytest.mark.parametrize("what", ["", "threads", "processes:0", "processes:x", "dask", "dask:", "here:2"])
def test_a_place_that_is_none_is_refused_with_what_is_allowed(what: str) -> None:
    with pytest.raises(UsageError, match="here, processes"), open_executor(what):
        pass

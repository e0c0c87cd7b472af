"""The second process: the same results, whoever worked; what it cannot do is done here."""

import os
import time

import pandas as pd
import pytest

from kit import schema
from kit.judge.judging import judge_metric
from kit.judge.question import Question
from kit.runtime import processes
from kit.runtime.processes import Worker, outcome, side_by_side
from tests.judge.made import burns_table


@pytest.fixture
def beside(monkeypatch):
    monkeypatch.delenv(processes.ALONE, raising=False)
    process = Worker("kit.judge.judging")
    yield process
    process.close()


def jobs(count=4):
    spec = schema.metric("peak")
    return [(burns_table(fuels=3, seed=seed), spec, Question()) for seed in range(count)]


def assert_same(found, wanted):
    for mine, other in zip(found, wanted, strict=True):
        assert mine.tables.keys() == other.tables.keys()
        for name, table in mine.tables.items():
            pd.testing.assert_frame_equal(table, other.tables[name], check_exact=True)


def test_shared_work_gives_the_same_numbers(beside):
    shared = side_by_side(judge_metric, jobs(), beside)
    assert len(shared) == 4 and beside.usable
    assert_same(shared, side_by_side(judge_metric, jobs(), None))


def test_both_work(beside):
    assert len(set(side_by_side(where, [(0.3,)] * 6, beside))) == 2


def where(seconds):
    """Where a job was done; a module's own function, so that it can be called there."""
    time.sleep(seconds)
    return os.getpid()


def test_a_second_process_that_dies_leaves_its_work_to_this_one(beside):
    beside._process.kill()
    beside._process.wait()
    assert_same(side_by_side(judge_metric, jobs(), beside), side_by_side(judge_metric, jobs(), None))
    assert not beside.usable


def test_what_fails_there_fails_here_as_it_would():
    process = Worker()
    with pytest.raises(ZeroDivisionError):
        side_by_side(divmod, [(1, 0)] * 3, process)
    process.close()


def test_what_can_not_go_through_the_pipe_is_done_here(beside):
    assert side_by_side(lambda x: x + 1, [(1,), (2,)], beside) == [2, 3]


def test_what_was_begun_is_fetched_or_done_here_where_its_turn_had_not_come(beside):
    begun = [beside.begin(where, (0.3,)) for _ in range(3)]
    time.sleep(0.1)
    last, first = outcome(begun[2], where, (0.0,)), outcome(begun[0], where, (0.0,))
    assert last == os.getpid() != first and begun[2].cancelled()
    assert outcome(None, where, (0.0,)) == os.getpid()


def test_it_ends_with_its_pipe(beside):
    beside._pipe.close()
    assert beside._process.wait(20) == 0


def test_reports_side_by_side_work_alone(monkeypatch):
    monkeypatch.setattr(processes, "_known", [])
    monkeypatch.setenv(processes.ALONE, "1")
    assert processes.shared_worker() is None and processes.running_worker() is None


@pytest.mark.skipif(processes._processors() < 2, reason="one processor alone")
def test_it_is_started_once(monkeypatch):
    monkeypatch.setattr(processes, "_known", [])
    monkeypatch.delenv(processes.ALONE, raising=False)
    first = processes.shared_worker()
    assert first is not None and processes.shared_worker() is first and processes.running_worker() is first
    first.close()
    assert processes.running_worker() is None

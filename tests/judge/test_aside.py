"""The second process: the same numbers, whoever judged; what it cannot do is done here."""

import pandas as pd
import pytest

from kit import schema
from kit.judge import aside as module
from kit.judge.aside import aside, judge_all
from kit.judge.question import Question
from tests.judge.made import burns_table

TWO = pytest.mark.skipif(len(module._processors()) < 2, reason="one processor alone")


def jobs(count=4):
    spec = schema.metric("peak")
    return [(burns_table(fuels=3, seed=seed), spec, Question()) for seed in range(count)]


def assert_same(found, wanted):
    for mine, other in zip(found, wanted, strict=True):
        assert mine.tables.keys() == other.tables.keys()
        for name, table in mine.tables.items():
            pd.testing.assert_frame_equal(table, other.tables[name], check_exact=True)


@TWO
def test_shared_work_gives_the_same_numbers(monkeypatch):
    monkeypatch.delenv(module.ALONE, raising=False)
    told = []
    with aside(36) as beside:
        assert beside is not None
        shared = judge_all(jobs(), beside, told.append)
    assert len(told) == 4
    assert_same(shared, judge_all(jobs(), None))


@TWO
def test_a_second_process_that_dies_leaves_its_work_to_this_one(monkeypatch):
    monkeypatch.delenv(module.ALONE, raising=False)
    with aside(36) as beside:
        beside._pipe.close()
        assert_same(judge_all(jobs(), beside), judge_all(jobs(), None))


def test_small_trials_and_reports_side_by_side_are_judged_alone(monkeypatch):
    with aside(6) as beside:
        assert beside is None
    monkeypatch.setenv(module.ALONE, "1")
    with aside(36) as beside:
        assert beside is None


@TWO
def test_it_ends_with_its_pipe(monkeypatch):
    monkeypatch.delenv(module.ALONE, raising=False)
    process, pipe = module._started()
    pipe.close()
    assert process.wait(20) == 0


@TWO
def test_what_it_cannot_judge_is_judged_here_and_fails_as_it_would(monkeypatch):
    monkeypatch.delenv(module.ALONE, raising=False)
    broken = [(burns_table(), None, Question())]
    with aside(36) as beside, pytest.raises(AttributeError):
        judge_all(broken, beside)

"""events.csv and scores.csv."""

import pytest

from tests.trial.folders import TRIAL, only, opened

PROBES = TRIAL + '[[probe]]\nid = "grate"\n[[probe]]\nid = "lid"\n'


def test_without_sheets_the_tables_are_empty_and_have_their_columns(tmp_path):
    run = opened(tmp_path)
    assert list(run.events.columns) == ["burn", "at", "until", "event", "probes", "notes"]
    assert list(run.scores.columns) == ["burn", "taster", "code", "attribute", "score", "order", "note"]
    assert len(run.events) == len(run.scores) == 0
    assert run.scores["score"].dtype == "float64"


def test_events_are_read(tmp_path):
    events = "burn;at;until;event;probes\n01;11:00;11:02;Lid-Open;grate, lid\n01;11:30;;TOP UP;\n"
    run = opened(tmp_path, trial=PROBES, events=events)
    assert list(run.events["event"]) == ["lid open", "top-up"]
    assert list(run.events["at"]) == ["11:00:00", "11:30:00"]


@pytest.mark.parametrize(
    ("row", "where", "words"),
    [
        ("1,11:00,,rain,", "row 2, column burn", "Did you mean '01'?"),
        (",11:00,,rain,", "row 2, column burn", "Write the burn's id"),
        ("01,11:00,,lid opned,", "row 2, column event", "Did you mean 'lid open'?"),
        ("01,11:00,,,", "row 2, column event", "Write what happened"),
        ("01,,,rain,", "row 2, column at", "Write when it began"),
        ("01,25:00,,rain,", "row 2, column at", "a time of day"),
        ("01,11:00,,rain,grat", "row 2, column probes", "Did you mean 'grate'?"),
        ("01,11:00,2026-05-13 11:00,rain,", "row 2", "until after at"),
    ],
)
def test_a_faulty_event_is_named(tmp_path, row, where, words):
    problem = only(tmp_path, trial=PROBES, events=f"burn,at,until,event,probes\n{row}\n")
    assert problem.where == f"events.csv, {where}"
    assert words in str(problem)


def test_a_probe_unknown_in_several_events_is_named_once(tmp_path):
    rows = "01,11:00,,rain,grate; lib\n01,11:30,,rain,\n02,15:00,,rain,lib\n"
    problem = only(tmp_path, trial=PROBES, events=f"burn,at,until,event,probes\n{rows}")
    assert problem.where == "events.csv, row 2, column probes (and row 4)"
    assert problem.found == "'lib'" and problem.remedy == "Did you mean 'lid'?"


def test_headings_alone_are_no_fault(tmp_path):
    run = opened(tmp_path, events="burn,at,event\n", scores="burn,attribute,score\n")
    assert len(run.events) == len(run.scores) == 0


def test_scores_are_read(tmp_path):
    scores = (
        'burn,taster,code,attribute,score,order,glass\n01,P,S7,smoke,"4,5",2,blue\n02,P,S8,smell,,1,red\n'
    )
    run = opened(tmp_path, scores=scores)
    assert run.scores["score"][0] == 4.5 and run.scores["score"].isna()[1]
    assert list(run.scores["glass"]) == ["blue", "red"]


@pytest.mark.parametrize(
    ("row", "where", "words"),
    [
        ("1,smoke,3", "row 2, column burn", "Did you mean '01'?"),
        ("01,,3", "row 2, column attribute", "what was scored"),
        ("01,smoke,good", "row 2, column score", "a number"),
    ],
)
def test_a_faulty_score_is_named(tmp_path, row, where, words):
    problem = only(tmp_path, scores=f"burn,attribute,score\n{row}\n")
    assert problem.where == f"scores.csv, {where}"
    assert words in str(problem)


def test_a_missing_column_is_named(tmp_path):
    assert "a column 'event'" in only(tmp_path, events="burn,at,what\n").expected

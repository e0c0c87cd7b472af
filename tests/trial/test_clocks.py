"""Clock cells and dates: read in every common form, asked about where two readings are possible."""

from datetime import date, datetime, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from kit.trial.cells import date_of, stamp_fields
from kit.trial.clocks import (
    CLOCK_COLUMNS,
    date_order,
    event_times,
    plain_clock,
    read_time,
    relative_times,
    written_time,
)
from tests.trial.folders import BURNS, only, opened, problems


@pytest.mark.parametrize(
    ("cell", "plain"),
    [
        ("10:34", "10:34:00"),
        ("9:05:07", "09:05:07"),
        ("10:34:59.5", "10:34:59.5"),
        ("10:34:59,25", "10:34:59.25"),
        ("2:15 pm", "14:15:00"),
        ("12:05 a.m.", "00:05:00"),
        ("12:05PM", "12:05:00"),
        ("2:15\u202fPM", "14:15:00"),
        ("2026-05-14 10:34", "2026-05-14T10:34:00"),
        ("2026-05-14T10:34:00", "2026-05-14T10:34:00"),
        ("2026/5/14 9:05", "2026-05-14T09:05:00"),
        ("14.05.2026 10:34", "2026-05-14T10:34:00"),
        ("05.06.26 10:34", "2026-06-05T10:34:00"),
        ("14 May 2026 10:34", "2026-05-14T10:34:00"),
        ("14-May-2026, 10:34", "2026-05-14T10:34:00"),
        ("May 14, 2026 2:15 PM", "2026-05-14T14:15:00"),
        ("14. Mai 2026 10h34", "2026-05-14T10:34:00"),
        ("Thu 14 May 2026 10:34", "2026-05-14T10:34:00"),
        ("1900-01-00 10:34:00", "10:34:00"),
        ("30/12/1899 10:34", "10:34:00"),
        ("1899-12-30 10:34:00", "10:34:00"),
        ("", ""),
        ("  ", ""),
    ],
)
def test_a_clock_cell_is_kept_in_one_form(cell, plain):
    assert plain_clock(cell, None) == plain


@pytest.mark.parametrize(
    "cell",
    [
        "25:71",
        "24:00",
        "10:60",
        "13:05 pm",
        "0:30 am",
        "10",
        "10.34",
        "noon",
        "2026-02-30 10:00",
        "10:5",
        "10:34.20",
        "-1:10",
        "10:00+01:00",
    ],
)
def test_an_impossible_time_is_none(cell):
    assert plain_clock(cell, None) is None


@pytest.mark.parametrize(
    ("cells", "order"),
    [
        (["11/03/2026", "03/05/2026", "20/10/2026"], "day first"),
        (["11/03/2026", "03/25/2026"], "month first"),
        (["05/06/2026", "07/06/2026"], "unknown"),
        (["13/06/2026", "06/13/2026"], "both"),
        (["05/06/2026 10:00", "", "13/06/2026 11:00"], "day first"),
        (["2026-05-06", "05.06.2026", ""], None),
        (["05/05/2026", "06/06/2026"], None),
    ],
)
def test_day_or_month_first_is_settled_for_the_whole_sheet(cells, order):
    assert date_order(cells) == order


@pytest.mark.parametrize(
    ("text", "day_first", "on"),
    [
        ("05.06.2026", None, date(2026, 6, 5)),
        ("05.06.26 10:34", False, date(2026, 6, 5)),
        ("13/06/2026", None, date(2026, 6, 13)),
        ("06/13/2026", None, date(2026, 6, 13)),
        ("06/13/2026", True, None),
        ("05/06/2026", None, None),
        ("06/06/2026", None, date(2026, 6, 6)),
        ("05/06/2026", True, date(2026, 6, 5)),
        ("5 June 2026", None, date(2026, 6, 5)),
        ("2026-02-30", None, None),
        ("10:34", None, None),
    ],
)
def test_one_grammar_of_dates_serves_sheets_and_logs(text, day_first, on):
    assert date_of(stamp_fields(text), day_first) == on


@given(st.floats(0, 86_399.9).map(lambda seconds: round(seconds, 3)))
def test_a_time_survives_being_written(seconds):
    assert read_time(written_time(seconds)) == pytest.approx(seconds, abs=2e-6)


def row(**cells):
    return {"day": "2026-05-14", "lit": "10:00:00"} | cells


def test_times_count_from_midnight_of_the_row_s_day():
    times = relative_times(row(tipped="10:15:00", stopped="12:30:00"))
    assert times.seconds == {"lit": 36_000, "tipped": 36_900, "stopped": 45_000}
    assert times.at("stopped") == datetime(2026, 5, 14, 12, 30)
    assert times.at("lid_on") is None


def test_a_time_before_its_predecessor_is_of_the_next_day():
    times = relative_times(row(lit="23:50:00", stopped="02:10:00"))
    assert times.at("stopped") == datetime(2026, 5, 15, 2, 10)
    assert (times.rolled, times.fault) == (("stopped",), "")


def test_a_full_date_stands_where_it_says():
    times = relative_times(row(stopped="2026-05-16T02:10:00"))
    assert times.at("stopped") == datetime(2026, 5, 16, 2, 10)
    assert not times.rolled


def test_times_after_a_full_date_stand_on_its_day():
    times = relative_times(row(tipped="2026-05-15T00:10:00", lid_on="00:20:00", lit="23:50:00"))
    assert times.at("lid_on") == datetime(2026, 5, 15, 0, 20)


def test_without_a_day_a_full_date_tells_it_backwards():
    times = relative_times({"lit": "23:50:00", "stopped": "2026-05-15T02:10:00"})
    assert times.day == date(2026, 5, 14)
    assert times.at("lit") == datetime(2026, 5, 14, 23, 50)


def test_without_any_day_times_stand_on_an_unnamed_one():
    times = relative_times({"lit": "23:50:00", "stopped": "02:10:00"})
    assert times.day is None
    assert times.seconds["stopped"] - times.seconds["lit"] == 2 * 3600 + 20 * 60


def test_a_full_date_that_goes_back_is_a_fault():
    assert "is before lit" in relative_times(row(stopped="2026-05-13T12:00:00")).fault
    assert "the row's day" in relative_times(row(lit="2026-05-13T10:00:00")).fault


def test_two_steps_back_are_a_fault():
    fault = relative_times(row(tipped="09:00:00", lid_on="08:00:00")).fault
    assert "tipped and lid_on each stand before" in fault


@given(st.lists(st.integers(0, 86_399), min_size=1, max_size=4), st.integers(0, 86_399))
def test_a_burn_of_less_than_a_day_is_told_by_its_clock_alone(offsets, start):
    begin = datetime(2026, 5, 14) + timedelta(seconds=start)
    stamps = [begin + timedelta(seconds=each - min(offsets)) for each in sorted(offsets)]
    cells = dict(zip(CLOCK_COLUMNS, (f"{stamp:%H:%M:%S}" for stamp in stamps), strict=False))
    times = relative_times({"day": "2026-05-14"} | cells)
    assert [times.at(column) for column in cells] == stamps
    assert not times.fault


def test_events_stand_on_the_axis_of_their_burn():
    burn = relative_times(row(lit="23:00:00", stopped="02:00:00"))
    assert event_times({"at": "23:30:00"}, burn).at("at") == datetime(2026, 5, 14, 23, 30)
    late = event_times({"at": "00:30:00", "until": "00:40:00"}, burn)
    assert (late.at("at"), late.at("until")) == (datetime(2026, 5, 15, 0, 30), datetime(2026, 5, 15, 0, 40))
    over = event_times({"at": "23:55:00", "until": "00:05:00"}, burn)
    assert over.at("until") == datetime(2026, 5, 15, 0, 5)


def test_an_event_just_before_the_burn_stays_there():
    burn = relative_times(row(stopped="12:00:00"))
    assert event_times({"at": "09:55:00"}, burn).at("at") == datetime(2026, 5, 14, 9, 55)
    assert event_times({"at": "2026-05-15T09:55:00"}, burn).at("at") == datetime(2026, 5, 15, 9, 55)


@pytest.mark.parametrize(
    ("old", "new", "where", "words"),
    [
        ("10:00", "25:71", "row 2, column lit", "a time of day as 14:05"),
        ("10:00", "10.00", "row 2, column lit", "Write a colon: 10:00."),
        ("12:30", "24:00", "row 2, column stopped", "midnight as 00:00"),
        ("10:00", "0.4167", "row 2, column lit", "part of a day"),
        ("10:00", "10:00Z", "row 2, column lit", "without a zone"),
        ("2026-05-14,4", "2026-02-30,4", "row 2, column day", "a date as 2026-05-14"),
        ("2026-05-14,4", "46156,4", "row 2, column day", "would be 2026-05-14"),
        ("2026-05-14,4", "Thursday,4", "row 2, column day", "year-month-day"),
        ("12:30", "2026-05-13 12:30", "row 2", "is before lit"),
    ],
)
def test_a_wrong_time_or_date_is_named(tmp_path, old, new, where, words):
    problem = only(tmp_path, burns=BURNS.replace(old, new, 1))
    assert problem.where == f"burns.csv, {where}"
    assert words in str(problem)


def test_dates_that_could_be_two_days_are_asked_about_once(tmp_path):
    sheet = BURNS.replace("2026-05-14", "05/06/2026").replace("2026-05-15", "07/06/2026")
    problem = only(tmp_path, burns=sheet)
    assert (problem.kind, problem.where) == ("ask", "burns.csv, row 2, column day")
    assert "'05/06/2026'" in problem.found


def test_one_date_that_tells_settles_all(tmp_path):
    sheet = BURNS.replace("2026-05-14", "05/06/2026").replace("2026-05-15", "13/06/2026")
    assert list(opened(tmp_path, burns=sheet).burns["day"]) == ["2026-06-05", "2026-06-05", "2026-06-13"]


def test_dates_in_both_orders_are_refused(tmp_path):
    sheet = BURNS.replace("2026-05-14", "13/06/2026", 1).replace("2026-05-14", "06/13/2026", 1)
    assert "one order" in problems(tmp_path, burns=sheet)[0].expected


def test_a_night_is_noted(tmp_path):
    run = opened(tmp_path, burns=BURNS.replace("14:00,16:10", "23:00,01:10"))
    assert run.notes[0] == "Burn 02: stopped 01:10:00 is taken to be of the next day."

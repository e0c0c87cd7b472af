"""Every file of tests/dialects is read, asked about or refused as its expected.json says."""

import json
from pathlib import Path

import numpy as np
import pytest

from kit.errors import KitError
from kit.readings import read_log

FOLDER = Path(__file__).parents[1] / "dialects"
FILES = sorted(path for path in FOLDER.iterdir() if path.suffix in (".csv", ".txt"))
DECLARED = {
    "d09": {"unit": "degC"},
    "d12": {"clock_change": "dst"},
    "d16": {"unit": "degC", "step_s": 10, "split_by": "ID"},
}


def expected_of(path):
    return json.loads((path.with_name(path.stem + ".expected.json")).read_text(encoding="utf-8"))


def problems_of(path, declared=None):
    with pytest.raises(KitError) as caught:
        read_log(path, declared)
    return caught.value.problems


@pytest.mark.parametrize("path", FILES, ids=lambda path: path.stem)
def test_the_outcome_is_as_expected(path):
    expected = expected_of(path)
    if expected["outcome"].startswith("read"):
        assert len(read_log(path).table) == expected["rows"]
        return
    problems = problems_of(path)
    kinds = {problem.kind for problem in problems}
    assert kinds <= ({"ask"} if expected["outcome"] == "ask" else {"ask", "refuse"})
    text = " ".join(map(str, problems)).casefold()
    for word in expected.get("message_should_mention", []):
        assert all(
            part.casefold() in text for part in word.replace("option to say which", "day_first").split()
        ), word


@pytest.mark.parametrize(
    "path", [path for path in FILES if expected_of(path)["columns"]], ids=lambda path: path.stem
)
def test_the_values_are_as_expected(path):
    expected = expected_of(path)
    log = read_log(path, DECLARED.get(path.stem[:3]))
    table = log.table
    assert len(table) == expected["rows"]
    assert log.probes == list(expected["columns"])
    for name, column in expected["columns"].items():
        assert log.dialect.units[name] == column["unit"]
    for row, values in ((0, expected["first"]), (-1, expected["last"])):
        for name, value in (values or {}).items():
            found = table[name].iloc[row]
            close = 0.02 if name == "elapsed_s" else 0.01
            assert np.isnan(found) if value is None else abs(found - value) < close, (name, row, found, value)
    for name in log.probes:
        missing = expected["missing_readings"].get(name, {"count": 0})
        assert table[name].isna().sum() == missing["count"]
        if "at_elapsed_s" in missing:
            np.testing.assert_allclose(
                table["elapsed_s"][table[name].isna()], missing["at_elapsed_s"], atol=0.02
            )


def test_event_rows_are_kept_and_are_no_readings():
    log = read_log(FOLDER / "d01_bom_title_ampm_events.csv")
    assert log.events.loc[log.events["only_event"], "line"].nunique() == 2
    assert set(log.events["column"]) == {"Wire in", "Paused", "End"}


def test_a_remark_beside_a_reading_is_kept_with_its_time():
    log = read_log(FOLDER / "d11_export_implied_time_decimal_comma.txt")
    assert log.events[["text", "only_event"]].to_dict("records") == [
        {"text": "lid closed", "only_event": False}
    ]
    assert log.events["elapsed_s"].iloc[0] == pytest.approx(20 * 0.25)
    assert str(log.table["clock"].iloc[0]) == "2026-02-23 16:20:07.118045"


def test_a_difference_is_scaled_and_never_shifted():
    log = read_log(FOLDER / "d07_meter_unit_cells_difference_column.csv")
    assert log.dialect.differences == {"Upper-Lower": "degF"}
    assert log.differences["Upper-Lower"].iloc[0] == pytest.approx(1 / 1.8)


def test_warnings_name_the_line_and_what_was_done():
    notes = read_log(FOLDER / "d15_nul_padding_short_row_cut_row.csv").notes
    assert any("line 11" in note and "4 fields where 5 are expected" in note for note in notes)
    assert any("cut off: dropped" in note for note in notes)
    assert any("64 NUL bytes" in note for note in notes)


def test_two_trials_in_one_file_are_told_apart_once_their_column_is_named():
    path = FOLDER / "d16_two_trials_minute_stamps_null.csv"
    told = expected_of(path)["if_told"]
    log = read_log(path, DECLARED["d16"])
    for name, trial in told["trials"].items():
        part = log.group(name)
        assert len(part) == trial["rows"]
        for row, values in ((0, trial["first"]), (-1, trial["last"])):
            for column, value in values.items():
                assert part[column].iloc[row] == pytest.approx(value, abs=0.02)
    missing = log.group("B1")["elapsed_s"][log.group("B1")["T1"].isna()]
    assert list(missing) == told["missing_at_elapsed_s"]["B1"]
    asked = {problem.remedy.split("=")[0].split()[-1] for problem in problems_of(path)}
    assert asked == {"split_by", "step_s", "unit"}


@pytest.mark.parametrize(("day_first", "key"), [(True, "day_first"), (False, "month_first")])
def test_an_ambiguous_date_is_read_once_its_order_is_told(day_first, key):
    path = FOLDER / "d17_refuse_day_month_ambiguous_two_sessions.csv"
    told = expected_of(path)["if_told"][key]
    log = read_log(path, {"day_first": day_first})
    assert len(log.table) == told["rows"]
    assert log.table["elapsed_s"].diff().max() == pytest.approx(told["gap_between_sessions_s"])
    assert any("a gap of" in note for note in log.notes)


def test_units_that_change_are_converted_row_by_row_once_that_is_told():
    path = FOLDER / "d18_refuse_units_change_in_column.csv"
    told = expected_of(path)["if_told"]["convert_each_row"]
    table = read_log(path, {"unit_per_row": True}).table
    assert len(table) == told["rows"]
    assert table["temp"].iloc[-1] == pytest.approx(told["last"]["temp"], abs=0.01)


def test_a_clock_put_back_is_taken_literally_as_a_second_run():
    path = FOLDER / "d12_backward_clock_time_before_date.csv"
    log = read_log(path, {"clock_change": "restart"})
    assert log.table["elapsed_s"].iloc[-1] == expected_of(path)["flags"]["last_elapsed_s_if_taken_literally"]
    assert list(dict.fromkeys(log.groups)) == ["run 1", "run 2"]
    zoned = read_log(path, {"timezone": "Europe/Paris"})
    assert zoned.table["elapsed_s"].iloc[-1] == 8700

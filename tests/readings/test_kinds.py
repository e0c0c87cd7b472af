"""Kinds of oddity, one by one: stamps, numbers, units, headers, shapes of table."""

from datetime import datetime, timedelta

import numpy as np
import pandas as pd
import pytest

from kit.errors import KitError
from kit.readings import read_log
from tests.readings.helpers import log_text

MOMENTS = [datetime(2026, 4, 28, 11, 59, 0) + timedelta(seconds=20 * k) for k in range(12)]


def problems_of(path, declared=None):
    with pytest.raises(KitError) as caught:
        read_log(path, declared)
    return caught.value.problems


@pytest.mark.parametrize(
    "written",
    [
        "%Y-%m-%d %H:%M:%S", "%Y-%m-%dT%H:%M:%SZ", "%Y/%m/%d-%H:%M:%S", "%d.%m.%Y %H:%M:%S",
        "%m/%d/%y %I:%M:%S %p",
        "%d-%b-%Y %H:%M:%S", "%d %B %Y %H:%M:%S", "%b %d, %Y %I:%M:%S %p", "%a %b %d %H:%M:%S %Y",
        "%H:%M:%S %m/%d/%y",
        "%m/%d/%Y %I:%M:%S.%f %p", "%Y%m%d%H%M%S", "%Y-%m-%d %H:%M:%S,%f", "%d/%m/%Y %H:%M:%S",
        "%Y-%m-%d %H:%M:%S UTC",
    ],
)  # fmt: skip
def test_stamps_of_every_writing(tmp_path, written):
    rows = "".join(f'"{moment.strftime(written)}";{20 + k}\n' for k, moment in enumerate(MOMENTS))
    table = read_log(log_text("Stamp;T °C\n" + rows, tmp_path)).table
    assert list(table["clock"]) == list(pd.to_datetime(MOMENTS))
    np.testing.assert_allclose(table["elapsed_s"], np.arange(12) * 20.0)


@pytest.mark.parametrize(("stated", "order"), [("05.06.2026", "dmy"), ("06.05.2026", "mdy")])
def test_a_date_with_points_above_the_table_has_the_day_first_and_tells_the_order_below(
    tmp_path, stated, order
):
    rows = "".join(f"05/06/2026 10:{minute:02d}:00;{20 + minute}\n" for minute in range(12))
    log = read_log(log_text(f"Datum: {stated}\nStamp;T °C\n{rows}", tmp_path))
    assert log.dialect.reasons["date order"].startswith(order)


THREE_LINES = {
    "a preamble": ["Burn log of the club", "fuel: alder", "Time,Grate (°C),Lid (°C)"],
    "units below names": ["Logger 7,,", "Time,Grate,Lid", ",°C,°C"],
    "the kind of thermocouple below the units": ["Time,Grate,Lid", "hh:mm:ss,°C,°C", ",K,K"],
    "rulers": ["Time,Grate (°C),Lid (°C)", "----,----,----", "====,====,===="],
    "a statistic": ["Time,Grate (°C),Lid (°C)", "Avg,22.1,21.7", "Max,25.0,24.8"],
    "stamps and units by name": ["TIMESTAMP,Grate,Lid", "TS,Deg C,Deg C", ",Smp,Smp"],
}


@pytest.mark.parametrize("above", THREE_LINES.values(), ids=THREE_LINES)
@pytest.mark.parametrize("mark", [",", ";", "\t"])
@pytest.mark.parametrize("count", [2, 3, 40])
def test_a_few_rows_below_three_lines_are_read(tmp_path, above, mark, count):
    rows = [f"2026-05-14 10:{k:02d}:00,{20.1 + k:.1f},{20 + k:.1f}" for k in range(count)]
    log = read_log(log_text("\n".join([*above, *rows]).replace(",", mark) + "\n", tmp_path))
    assert [name.removesuffix(" (°C)") for name in log.probes] == ["Grate", "Lid"]
    assert log.table["Lid" if "Lid" in log.probes else "Lid (°C)"].tolist() == [
        20.0 + k for k in range(count)
    ]


@pytest.mark.parametrize("above", [[], ["Firmware 3.2.1", "Record title: bench 3"]], ids=["bare", "preamble"])
@pytest.mark.parametrize("mark", ["\t", ";", "|"])
def test_three_rows_above_three_lines_of_words_are_read(tmp_path, above, mark):
    rows = [f"26.08.2022 13:51:5{k}{mark}{cell}" for k, cell in enumerate(("55,2", "1510,4", "940,0"))]
    lines = [*above, f"Hora{mark}Sensor 1 degF", *rows, "End of report", "3 records", "# end"]
    log = read_log(log_text("\n".join(lines) + "\n", tmp_path))
    assert log.probes == ["Sensor 1 degF"]
    np.testing.assert_allclose(log.table["Sensor 1 degF"], (np.array([55.2, 1510.4, 940.0]) - 32) / 1.8)


@pytest.mark.parametrize("names", ["Pit 1", "Pit 1\n===="])
def test_one_column_with_decimal_commas_is_one_below_more_words_than_rows(tmp_path, names):
    above = "Record;17;;\nNotes;first trial, windy\nSerial;8812-77\nSerial;8812-77\nChannels;3\n"
    keys = {"unit": "degF", "decimal": ",", "step_s": 10.0}
    log = read_log(log_text(f"{above}{names}\n67,808\n658,307\n734,353\n717,150\n", tmp_path), keys)
    assert log.probes == ["Pit 1"]
    np.testing.assert_allclose(log.table["Pit 1"] * 1.8 + 32, [67.808, 658.307, 734.353, 717.15])


def test_a_stated_interval_above_rows_without_names_is_no_name_of_theirs(tmp_path):
    rows = "".join(f"{60 + k % 3},34\t{50 + k % 4},50\t{47 + k % 5},02\n" for k in range(9))
    log = read_log(log_text("Interval\t300 s\n" + rows, tmp_path), {"unit": "degC"})
    assert log.probes == ["probe 1", "probe 2", "probe 3"]
    assert log.table["elapsed_s"].tolist() == [300.0 * k for k in range(9)]


def test_a_compact_stamp_before_a_comma_is_no_number(tmp_path):
    text = "20250115095946,279\n20250115095947,715\n20250115095948,572\n"
    log = read_log(log_text(text, tmp_path), {"unit": "K"})
    assert log.table["elapsed_s"].tolist() == [0.0, 1.0, 2.0]
    np.testing.assert_allclose(log.table["probe 1"], np.array([279, 715, 572]) - 273.15)


@pytest.mark.parametrize("row", ["10:00:00,20.1", "10:00:00;20,1", "14.05.2026;10:00;20,5"])
def test_a_log_of_one_row_without_names_is_said_to_be_too_short(tmp_path, row):
    (problem,) = problems_of(log_text(f"Burn log\nalder\nhere\n{row}\n", tmp_path))
    assert problem.found == f"'{row}' on line 4, and no second line that repeats its times and numbers"
    assert problem.expected == "at least two rows of readings"


AMISS = [
    ("header_row", True, "a whole number"),
    ("clock_offset_s", "two", "a number"),
    ("timezone", "Mars", "a time zone as 'Europe/Berlin'"),
    ("step_s", "10 s", "a number"),
    ("step_s", -1, "a number above 0"),
    ("day_first", "yes", "true or false"),
    ("clock_change", "summer", "'dst' or 'restart'"),
    ("columns", "T", "a table"),
]


@pytest.mark.parametrize(
    ("key", "value", "expected"), AMISS, ids=[f"{key} {value}" for key, value, _ in AMISS]
)
def test_a_declared_key_of_the_wrong_kind_is_refused_and_never_taken_for_another(
    tmp_path, key, value, expected
):
    rows = "".join(f"2026-05-14 10:{minute:02d},{20 + minute}\n" for minute in range(20))
    path = log_text("time,T (°C)\n" + rows, tmp_path)
    (only,) = problems_of(path, {key: value})
    assert only.where == f"log.csv, [[logger]] key {key}" and expected in only.expected


def test_a_key_that_a_file_has_no_column_for_says_so(tmp_path):
    rows = "".join(f"2026-05-14 10:{minute:02d},{20 + minute}\n" for minute in range(20))
    (only,) = problems_of(log_text("time,T (°C)\n" + rows, tmp_path), {"split_by": "run"})
    assert only.expected == "a column of this file; it has none such" and only.remedy == "Take the key out."


LONG = "time,channel,value,unit\n" + "".join(
    f"2026-05-14 10:{minute:02d},{probe},{20 + minute},°C\n"
    for minute in range(20)
    for probe in ("grate", "lid")
)


def test_columns_of_a_long_table_are_declared_by_the_words_that_tell_its_probes_apart(tmp_path):
    path = log_text(LONG, tmp_path)
    assert read_log(path, {"columns": {"main": "grate", "over": "lid"}}).probes == ["grate", "lid"]
    (only,) = problems_of(path, {"columns": {"main": "grade"}})
    assert "no column 'grade' for probe main" in only.found and only.remedy == "Did you mean 'grate'?"


def test_a_declared_format_is_followed(tmp_path):
    rows = "".join(f"{moment:%d.%H.%M.%S %m %Y};{20 + k}\n" for k, moment in enumerate(MOMENTS))
    path = log_text("Stamp;T °C\n" + rows, tmp_path)
    table = read_log(path, {"time_column": "Stamp", "time_format": "%d.%H.%M.%S %m %Y"}).table
    assert list(table["clock"]) == list(pd.to_datetime(MOMENTS))


def test_offsets_that_change_keep_the_time_going_on(tmp_path):
    rows = "".join(
        f"2026-10-25T0{hour}:{minute:02d}:00+0{zone}:00,{20 + minute}.5\n"
        for hour, zone in ((1, 2), (2, 2), (2, 1), (3, 1))
        for minute in range(0, 60, 5)
    )
    assert read_log(log_text("time,T (°C)\n" + rows, tmp_path)).table["elapsed_s"].iloc[-1] == 47 * 300


def test_a_forward_jump_of_an_hour_on_a_spring_night_is_asked_about(tmp_path):
    rows = "".join(
        f"2026-03-29 {hour:02d}:{minute:02d}:00,{20 + minute}.5\n"
        for hour in (0, 1, 3, 4)
        for minute in range(0, 60, 5)
    )
    path = log_text("time,T (C)\n" + rows, tmp_path)
    (problem,) = problems_of(path)
    assert problem.kind == "ask" and "clock_change" in problem.remedy
    assert read_log(path, {"clock_change": "dst"}).table["elapsed_s"].iloc[-1] == 47 * 300
    assert read_log(path, {"clock_change": "restart"}).table["elapsed_s"].iloc[-1] == 47 * 300 + 3600
    assert read_log(path, {"timezone": "Europe/Berlin"}).table["elapsed_s"].iloc[-1] == 47 * 300


def test_dates_of_two_orders_in_one_column_are_refused(tmp_path):
    rows = "13/04/2026 10:00:00,20\n04/14/2026 10:00:00,21\n15/04/2026 10:00:00,22\n"
    (problem,) = problems_of(log_text("time,T (C)\n" + rows, tmp_path))
    assert problem.kind == "refuse" and "13/04/2026" in problem.found and "04/14/2026" in problem.found


def test_a_date_that_is_the_same_in_either_order_is_not_asked_about(tmp_path):
    rows = "".join(f"03/03/2026 11:{k:02d}:00,{20 + k}\n" for k in range(12))
    log = read_log(log_text("Time,T °C\n" + rows, tmp_path))
    assert log.table["clock"].iloc[0] == pd.Timestamp("2026-03-03 11:00")
    assert log.dialect.reasons["date order"].endswith("day and month are the same number")


def test_a_column_with_its_unit_in_the_cells_is_no_time_though_it_always_rises(tmp_path):
    path = log_text("".join(f"{20 + 3 * k}.5 °C,{150 - k}.5 °C\n" for k in range(20)), tmp_path)
    assert "step_s" in problems_of(path)[0].remedy
    assert list(read_log(path, {"step_s": 10}).table.iloc[1])[2:] == [23.5, 149.5]


def test_a_step_stated_above_a_single_column_is_no_name(tmp_path):
    rows = "".join(f"{20 + k % 7},5\n" for k in range(20))
    log = read_log(log_text("Interval;10 s\n" + rows, tmp_path), {"unit": "degC"})
    assert list(log.table["elapsed_s"][:3]) == [0, 10, 20] and len(log.table) == 20


def test_a_line_of_a_name_and_a_number_above_the_table_names_no_columns(tmp_path):
    rows = "".join(f"06.07.2023 07:02:{k:02d}\t{20 + k}.5\t{150 - k}.5\n" for k in range(10, 40))
    log = read_log(log_text("Device\tlogger\t4 channels\nRecord\t17\t\n" + rows, tmp_path), {"unit": "degC"})
    assert len(log.table) == 30 and len(log.probes) == 2


def test_a_log_through_midnight_settles_the_order_of_small_dates(tmp_path):
    moments = [datetime(2026, 6, 5, 23, 58) + timedelta(seconds=30 * k) for k in range(12)]
    rows = "".join(f"{moment:%d/%m/%Y %H:%M:%S},{20 + k}\n" for k, moment in enumerate(moments))
    log = read_log(log_text("time,T (C)\n" + rows, tmp_path))
    assert log.table["elapsed_s"].iloc[-1] == 330 and "midnight" in log.dialect.reasons["date order"]


def test_coarse_stamps_with_a_gap_keep_the_gap(tmp_path):
    rows = "".join(f"2026-04-28 10:{minute:02d},{20 + k}\n" for minute in (0, 1, 2, 30, 31) for k in range(6))
    path = log_text("time,T (C)\n" + rows, tmp_path)
    (problem,) = problems_of(path)
    assert problem.kind == "ask" and "step_s = 10" in problem.remedy
    table = read_log(path, {"step_s": 10}).table
    assert table["elapsed_s"].iloc[17] == 170 and table["elapsed_s"].iloc[18] == 1800
    (problem,) = problems_of(path, {"step_s": 40})
    assert "step_s" in problem.where


def test_elapsed_seconds_beside_coarse_stamps_are_used(tmp_path):
    rows = "".join(f"4/28/2026 10:{k // 6:02d},{10 * k},{20 + k}\n" for k in range(40))
    table = read_log(log_text("Stamp,Elapsed (s),T (C)\n" + rows, tmp_path)).table
    assert table["elapsed_s"].iloc[-1] == 390 and table.shape[1] == 3


def test_k_in_brackets_is_no_kelvin_where_the_values_deny_it(tmp_path):
    rows = "".join(f"{k},{20 + k}.5\n" for k in range(20))
    (problem,) = problems_of(log_text("Time (s),TC1 (K)\n" + rows, tmp_path))
    assert problem.kind == "ask" and 'unit = "degC"' in problem.remedy


def test_letters_that_count_columns_are_no_units(tmp_path):
    rows = "".join(f"{k},{20 + k},{30 + k},{40 + k}\n" for k in range(20))
    path = log_text("time_s,probe_a,probe_b,probe_c\n" + rows, tmp_path)
    (problem,) = problems_of(path)
    assert "'probe_a', 'probe_b', 'probe_c'" in problem.found
    assert read_log(path, {"unit": "degF"}).dialect.units == dict.fromkeys(
        ("probe_a", "probe_b", "probe_c"), "degF"
    )


def test_a_long_table_is_laid_out_by_probe_and_other_quantities_left_aside(tmp_path):
    rows = "".join(
        f"{moment:%Y-%m-%d %H:%M:%S};{name};{value};{unit}\n"
        for k, moment in enumerate(MOMENTS)
        for name, value, unit in (("grate", 68 + k, "°F"), ("lid", 20 + k, "°C"), ("humidity", 45, "%"))
    )
    log = read_log(log_text("time;channel;value;unit\n" + rows, tmp_path), {"unit_per_row": True})
    assert log.probes == ["grate", "lid"]
    assert list(log.table.iloc[0, 2:]) == pytest.approx([20, 20]) and len(log.table) == 12


def test_decimal_commas_between_commas_cannot_be_told_apart(tmp_path):
    path = log_text("t,T\n" + "".join(f"{10 * k},{20 + k},5\n" for k in range(9)), tmp_path)
    (problem,) = problems_of(path, {"time_unit": "s", "unit": "degC"})
    assert problem.kind == "refuse" and "decimals" in problem.found


@pytest.mark.parametrize(("mark", "value"), [(",", 1.2), (".", 1200.0)])
def test_a_comma_before_three_digits_is_asked_about(tmp_path, mark, value):
    path = log_text("t [s];T [°C]\n" + "".join(f"{10 * k};1,{200 + 3 * k}\n" for k in range(9)), tmp_path)
    (problem,) = problems_of(path)
    assert problem.kind == "ask" and "1.234" in problem.found and "1234" in problem.found
    assert read_log(path, {"decimal": mark}).table["T [°C]"].iloc[0] == pytest.approx(value)


@pytest.mark.parametrize(
    "encoding", ["utf-8", "utf-8-sig", "cp1252", "mac_roman", "cp437", "utf-16", "utf-16-be", "shift_jis"]
)
def test_the_degree_sign_survives_every_encoding(tmp_path, encoding):
    sign = "℃" if encoding == "shift_jis" else "°C"
    text = f"Time (s);Rost [{sign}]\n" + "".join(f"{k};{20 + k},5\n" for k in range(9))
    log = read_log(log_text(text, tmp_path, encoding=encoding))
    assert log.probes == [f"Rost [{sign}]"] and list(log.dialect.units.values()) == ["degC"]


@pytest.mark.parametrize(
    ("raw", "word"),
    [
        (b"", "empty"),
        (b"PK\x03\x04rest", "spreadsheet"),
        (bytes(range(256)) * 20, "no text"),
        (b"\0" * 500, "empty"),
    ],
)
def test_what_is_no_log_is_refused_in_words(tmp_path, raw, word):
    (problem,) = problems_of(log_text(raw, tmp_path))
    assert problem.kind == "refuse" and word in problem.found and problem.remedy


def test_a_file_that_is_not_there_and_a_folder_are_refused(tmp_path):
    for path in (tmp_path / "none.csv", tmp_path):
        (problem,) = problems_of(path)
        assert "no such file" in problem.found


def test_unknown_and_wrong_keys_are_faults(tmp_path):
    path = log_text("time_s,T (C)\n0,20\n10,21\n20,22\n", tmp_path)
    assert "Did you mean 'unit'" in problems_of(path, {"units": "degC"})[0].remedy
    for key, value in (("unit", "degX"), ("time_unit", "fortnights"), ("time_column", "when"), ("columns", {"a": "T9"}),
                       ("encoding", "latin-99"), ("delimiter", "ab"), ("decimal", "x")):  # fmt: skip
        assert key in problems_of(path, {key: value})[0].where


def test_long_files_are_read_in_pieces_to_the_same_table(tmp_path, monkeypatch):
    lines = ["Date;Time;Rost [°C];Note"]
    lines += [
        f"28.04.2026;{k // 3600:02d}:{k // 60 % 60:02d}:{k % 60:02d};"
        f"{20 + k % 700},{k % 10};{'x' if k % 977 == 5 else ''}"
        for k in range(6000)
    ]
    path = log_text("\r\n".join(lines) + "\r\n", tmp_path)
    whole = read_log(path)
    monkeypatch.setattr("kit.readings.source.WHOLE_BYTES", 20_000)
    monkeypatch.setattr("kit.readings.source.PIECE_BYTES", 7_001)
    parts = read_log(path)
    pd.testing.assert_frame_equal(whole.table, parts.table)
    pd.testing.assert_frame_equal(whole.events, parts.events)
    assert whole.sha256 == parts.sha256 and list(whole.lines) == list(parts.lines)


def test_a_blank_line_is_a_reading_missed_where_only_the_order_of_lines_tells_the_time(tmp_path):
    path = log_text("Interval: 10 s\n\nT (°C)\n20.1\n21.5\n\n\n24.5\n25.0\n\n\n", tmp_path)
    table = read_log(path).table
    assert list(table["elapsed_s"]) == [0, 10, 20, 30, 40, 50]
    assert list(table["T (°C)"].isna()) == [False, False, True, True, False, False]


def test_so_it_is_where_the_unit_stands_beside_every_reading(tmp_path):
    path = log_text("# Grate\n71 F\n682 F\n780 F\n\n706 F\n707 F\n", tmp_path)
    log = read_log(path, {"step_s": 5})
    reading = log.table.columns[-1]
    assert list(log.table["elapsed_s"]) == [0, 5, 10, 15, 20, 25]
    assert list(log.table[reading].isna()) == [False, False, False, True, False, False]


def test_a_mark_before_a_header_is_a_comments_unless_it_names_a_column(tmp_path):
    stamp = "2022-06-06 23:39:"
    rows = "".join(f"{289 + k},0 {292 + k},7 {stamp}{k:02d} {87 - k}\n" for k in range(20))
    log = read_log(log_text("# Lid_[K] Pit_[K] Stamp Humidity_(%RH)\n" + rows, tmp_path))
    np.testing.assert_allclose(log.table["Lid_[K]"], np.arange(20) + 289 - 273.15)
    np.testing.assert_allclose(log.table["Pit_[K]"], np.arange(20) + 292.7 - 273.15)
    numbered = "".join(f"{k + 1} {289 + k},0 {stamp}{k:02d}\n" for k in range(20))
    log = read_log(log_text("# Lid_[K] Date Time\n" + numbered, tmp_path, name="numbered.csv"))
    np.testing.assert_allclose(log.table["Lid_[K]"], np.arange(20) + 289 - 273.15)


def test_a_footer_without_a_line_end_cuts_no_reading_off(tmp_path):
    rows = "".join(f"{10 * k},{20 + k}.5\n" for k in range(8))
    log = read_log(log_text("time_s,T (°C)\n" + rows + "80,29\n# end", tmp_path))
    assert log.table["T (°C)"].iloc[-1] == 29


@pytest.mark.parametrize("rows", [2, 3, 5])
@pytest.mark.parametrize(
    "foot", ["end of record", "Count,{n}", "{n} records", "Max,33.5", "{n}", "End,2026-05-14 10:59:00", "---"]
)
@pytest.mark.parametrize("above", ["", "Channels,2\nVersion,3\nBattery,12\n"])
def test_what_is_stated_above_and_below_a_few_rows_is_no_row(tmp_path, rows, foot, above):
    times = {
        "clock": [f"2026-05-14 10:{k:02d}:00" for k in range(rows)],
        "elapsed_s": [f"{60 * k}" for k in range(rows)],
    }
    for name, cells in times.items():
        body = "".join(f"{cell},{20 + 13.5 * k}\n" for k, cell in enumerate(cells))
        text = f"{above}{name},T (°C)\n{body}{foot.format(n=rows)}\n"
        table = read_log(log_text(text, tmp_path, name=f"{name}.csv")).table
        assert list(table["elapsed_s"]) == [60 * k for k in range(rows)]
        assert list(table["T (°C)"]) == [20 + 13.5 * k for k in range(rows)]


@pytest.mark.parametrize(("glue", "mark"), [("°C", "OVER"), ("C", "NaN"), ("", ""), (" °C", "---")])
def test_a_single_column_with_decimal_commas_is_not_two_columns(tmp_path, glue, mark):
    values = [22.103, 700.741, 564.849, 422.292, None, 237.471, 101.5]
    cells = [mark if value is None else f"{value:.3f}".replace(".", ",") + glue for value in values]
    path = log_text("Bench export\nInterval\t10 s\nT °C\n" + "\n".join(cells) + "\n", tmp_path)
    table = read_log(path).table
    np.testing.assert_allclose(table.iloc[:, 2], [np.nan if value is None else value for value in values])
    assert list(table["elapsed_s"]) == [0, 10, 20, 30, 40, 50, 60]


def test_a_last_row_of_words_and_a_number_is_no_reading(tmp_path):
    rows = "".join(f"{20 + k}.5;{k}\n" for k in range(12))
    assert len(read_log(log_text("T °C;time_s\n" + rows + "Average;12\n", tmp_path)).table) == 12


def test_a_unit_in_a_cell_of_its_own_is_not_glued_to_its_reading(tmp_path):
    rows = "".join(f"06/14/2021 10:55:{k:02d} AM,+ {80 + 10 * k}.696,°F\r" for k in range(6))
    table = read_log(log_text("Time,Pit,\r" + rows, tmp_path), {"day_first": False}).table
    np.testing.assert_allclose(table["Pit"], (80.696 + 10 * np.arange(6) - 32) / 1.8)


def test_a_sign_apart_from_its_number_makes_no_second_column(tmp_path):
    path = log_text("Temp\n+   13.7\n+  152.4\nnan\n+  213.3\nnan\n-    8.7\n+   12.1\n", tmp_path)
    table = read_log(path, {"unit": "degC", "step_s": 20}).table
    np.testing.assert_allclose(table.iloc[:, 2], [13.7, 152.4, np.nan, 213.3, np.nan, -8.7, 12.1])
    assert list(table["elapsed_s"]) == [0, 20, 40, 60, 80, 100, 120]


def test_stamps_too_far_apart_to_count_are_asked_about_in_words(tmp_path):
    days = ["0001-01-01 10:00:00", "9999-12-31 10:00:10", "0001-01-02 10:00:20", "2026-09-14 10:00:30"]
    rows = "".join(f"{day},{20 + k}\n" for k, day in enumerate(days * 2))
    assert problems_of(log_text("time,T °C\n" + rows, tmp_path))


def test_decimal_mark_and_unit_are_asked_in_one_round(tmp_path):
    rows = "".join(f"2026-05-14 10:00:{k:02d};{1 + k % 8},125;{2 + k % 7},250\n" for k in range(20))
    path = log_text("time;grate;lid\n" + rows, tmp_path)
    with pytest.raises(KitError) as caught:
        read_log(path)
    asked = [(problem.kind, problem.expected, problem.where) for problem in caught.value.problems]
    assert asked == [
        ("ask", "the decimal mark", "log.csv, line 2"),
        ("ask", "°C, °F or K", "log.csv, column grate"),
    ]
    assert caught.value.problems[1].found == "no unit for 'grate', 'lid'"
    assert read_log(path, {"decimal": ",", "unit": "degC"}).table["lid"].iloc[0] == 2.25
    for key, value in (("decimal", ","), ("unit", "degC")):  # what is declared is not asked
        with pytest.raises(KitError) as caught:
            read_log(path, {key: value})
        assert len(caught.value.problems) == 1
        assert key not in caught.value.problems[0].remedy


def test_a_row_of_names_that_look_like_units_is_no_row_of_units(tmp_path):
    rows = "".join(f"{k + 1}\t{k * 30_000}\t{212 + 9 * k}.0\n" for k in range(20))
    log = read_log(log_text("Comment\t\n#\tms\tTC left_F\n" + rows, tmp_path))
    assert log.probes == ["TC left_F"]
    assert log.table["elapsed_s"].tolist()[:3] == [0.0, 30.0, 60.0]
    np.testing.assert_allclose(log.table["TC left_F"][:2], [100.0, 105.0])


def test_seconds_in_brackets_are_the_time_of_a_long_table(tmp_path):
    rows = "".join(f"{12 + 30 * k} P{probe} {20 * probe + k},1\n" for k in range(20) for probe in (1, 2, 3))
    log = read_log(log_text("t_[s] Kanal Temperature_C\n" + rows, tmp_path))
    assert log.probes == ["P1", "P2", "P3"]
    assert log.table["elapsed_s"].tolist()[:2] == [12.0, 42.0]
    assert log.table["P3"].tolist()[:2] == [60.1, 61.1]


@pytest.mark.parametrize(("nights", "told"), [(1, "1 midnight passed"), (2, "2 midnights passed")])
def test_midnights_that_times_of_day_pass_are_counted_in_words(tmp_path, nights, told):
    stamps = [datetime(2026, 5, 14, 22, 0) + timedelta(minutes=20 * k) for k in range(72 * nights)]
    rows = "".join(f"{at:%H:%M:%S},{20 + k % 9}.5\n" for k, at in enumerate(stamps))
    log = read_log(log_text("clock,T1 (°C)\n" + rows, tmp_path))
    assert any(note.startswith(told) for note in log.notes)
    assert log.table["elapsed_s"].iloc[-1] == 1200 * (72 * nights - 1)


def test_a_column_of_quoted_numbers_with_signs_apart_is_parted_by_nothing(tmp_path):
    rows = "".join(f'"+ {70 + k}.937"\n' for k in range(20))
    log = read_log(log_text('Version;2\nInterval;10 s\n"Sensor °F"\n' + rows, tmp_path))
    assert (log.dialect.delimiter, log.dialect.time_kind, len(log.table)) == ("", "implied", 20)
    assert log.table["elapsed_s"].iloc[1] == 10.0


def test_a_sign_apart_from_its_number_is_no_column(tmp_path):
    rows = "".join(f"+ {26 + k}.299 C\n" for k in range(30))
    path = log_text("Operator: R. Vale\nFirmware 3.2.1\nSensor 1\n" + rows, tmp_path)
    log = read_log(path, {"step_s": 30})
    assert (log.probes, len(log.table), log.table["Sensor 1"].iloc[0]) == (["Sensor 1"], 30, 26.299)

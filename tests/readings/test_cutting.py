"""Burns are cut out of logs by the burn sheet's clock times."""

from datetime import datetime, timedelta

import numpy as np
import pytest

from kit import schema
from kit.errors import KitError
from kit.readings import read_burns, read_run
from tests.readings.helpers import START, csv_of, curve, folder_of, read_folder

TICKS = np.arange(0, 7201, 10.0)
HEAD = "burn,fuel,day,lit,stopped,log\n"


def problems_of(*args, **kwargs):
    with pytest.raises(KitError) as caught:
        read_run(folder_of(*args, **kwargs))
    return caught.value.problems


def span(found, burn, probe=None):
    rows = found.spans[found.spans["burn"] == burn]
    return (rows[rows["probe"] == probe] if probe else rows).iloc[0]


def test_one_file_holds_several_burns_and_each_gets_its_own_readings(tmp_path):
    day = np.concatenate([curve(TICKS), curve(TICKS, peak=300)])
    seconds = np.concatenate([TICKS, TICKS + 9000])
    sheet = (
        HEAD + "1,alder,2026-05-14,10:05:00,11:50:00,day.csv\n2,beech,2026-05-14,12:31:00,14:20:00,day.csv\n"
    )
    found = read_folder(tmp_path, sheet, {"day.csv": csv_of(START, seconds, grate=day)})
    first, second = span(found, "1"), span(found, "2")
    assert list(found.spans.columns) == schema.names("spans")
    assert (first["start_s"], first["stop_s"], first["clock_zero"]) == (-300, 6300, "2026-05-14T10:05:00")
    assert (second["stop_s"], second["clock_zero"]) == (6540, "2026-05-14T12:31:00")
    readings = found.readings
    one = readings[readings["burn"] == "1"]
    assert one["elapsed_s"].max() == 8750 and second["start_s"] == -2460 and not first["cut_short"]
    at_zero = one.loc[one["elapsed_s"] == 0, "temp_c"].iloc[0]
    assert at_zero == pytest.approx(round(float(curve(TICKS)[30]), 1))


def test_read_burns_gives_the_columns_of_the_specification(tmp_path):
    sheet = HEAD + "1,alder,,,,a.csv\n"
    readings = read_burns(folder_of(tmp_path, sheet, {"a.csv": csv_of(START, TICKS, grate=curve(TICKS))}))
    assert list(readings.columns) == schema.names("readings")
    assert len(readings) == len(TICKS) and set(readings["flag"]) == {""}


def test_a_burn_runs_on_through_midnight(tmp_path):
    start = datetime(2026, 5, 14, 23, 0)
    sheet = HEAD + "1,alder,2026-05-14,23:30:00,00:40:00,a.csv\n"
    found = read_folder(tmp_path, sheet, {"a.csv": csv_of(start, TICKS, grate=curve(TICKS))})
    assert span(found, "1")["stop_s"] == 70 * 60 and span(found, "1")["start_s"] == -1800


def test_a_day_left_blank_is_the_logs_own(tmp_path):
    sheet = HEAD + "1,alder,,10:10:00,11:30:00,a.csv\n"
    found = read_folder(tmp_path, sheet, {"a.csv": csv_of(START, TICKS, grate=curve(TICKS))})
    assert span(found, "1")["clock_zero"] == "2026-05-14T10:10:00"


def test_a_day_left_blank_is_asked_where_the_log_covers_several(tmp_path):
    ticks = np.arange(0, 3 * 86400, 60.0)
    (problem,) = problems_of(
        tmp_path,
        HEAD + "1,alder,,10:10:00,11:30:00,a.csv\n",
        {"a.csv": csv_of(START, ticks, grate=curve(ticks))},
    )
    assert problem.kind == "ask" and "day" in problem.where and "2026-05-15" in problem.found


def test_times_outside_the_log_are_a_fault_that_names_both(tmp_path):
    (problem,) = problems_of(
        tmp_path,
        HEAD + "1,alder,2026-05-14,15:00:00,16:00:00,a.csv\n",
        {"a.csv": csv_of(START, TICKS, grate=curve(TICKS))},
    )
    assert problem.kind == "refuse" and "15:00:00" in problem.found and "12:00:00" in problem.found


def test_a_log_that_ended_early_or_began_late_is_said_so(tmp_path):
    sheet = HEAD + "1,alder,2026-05-14,10:10:00,13:30:00,a.csv\n2,alder,2026-05-14,09:00:00,11:00:00,b.csv\n"
    logs = {
        "a.csv": csv_of(START, TICKS, grate=curve(TICKS)),
        "b.csv": csv_of(START, TICKS, grate=curve(TICKS, peak=200)),
    }
    found = read_folder(tmp_path, sheet, logs)
    assert span(found, "1")["cut_short"] and not span(found, "1")["started_late"]
    assert span(found, "2")["started_late"] and span(found, "2")["start_s"] == 3600


def test_a_blank_stop_makes_the_logs_end_the_stop(tmp_path):
    found = read_folder(
        tmp_path,
        HEAD + "1,alder,2026-05-14,10:10:00,,a.csv\n",
        {"a.csv": csv_of(START, TICKS, grate=curve(TICKS))},
    )
    assert np.isnan(span(found, "1")["stop_s"]) and not span(found, "1")["cut_short"]


def test_a_log_that_begins_after_a_burn_without_a_stop_is_late_and_hours_after_is_another_log(tmp_path):
    csv = csv_of(START, TICKS, grate=curve(TICKS))
    for day in ("2026-05-14", ""):
        found = read_folder(
            tmp_path / f"late{day}", HEAD + f"1,alder,{day},09:45:00,,a.csv\n", {"a.csv": csv}
        )
        assert span(found, "1")["started_late"] and span(found, "1")["start_s"] == 900
    (problem,) = problems_of(
        tmp_path / "other", HEAD + "1,alder,2026-05-14,07:00:00,,a.csv\n", {"a.csv": csv}
    )
    assert problem.found.startswith("2026-05-14 07:00:00, while logs/a.csv runs from 2026-05-14 10:00:00 to")


def test_a_log_without_a_clock_starts_at_its_own_zero(tmp_path):
    text = "time_s,grate (C)\n" + "".join(f"{second},{20 + second}\n" for second in range(-20, 100, 10))
    found = read_folder(tmp_path, HEAD + "1,alder,2026-05-14,10:00:00,10:01:10,a.csv\n", {"a.csv": text})
    assert (
        span(found, "1")["start_s"] == -20
        and span(found, "1")["stop_s"] == 70
        and span(found, "1")["clock_zero"] == ""
    )


def test_logs_without_a_clock_cannot_hold_two_burns(tmp_path):
    text = "time_s,grate (C)\n" + "".join(f"{second},{20 + second}\n" for second in range(0, 100, 10))
    sheet = HEAD + "1,alder,2026-05-14,10:00:00,10:01:00,a.csv\n2,alder,2026-05-14,11:00:00,11:01:00,a.csv\n"
    problems = problems_of(tmp_path, sheet, {"a.csv": text})
    assert len(problems) == 2 and all("without a clock" in problem.found for problem in problems)


def test_the_clock_put_back_within_a_burn_does_not_lengthen_it(tmp_path):
    """25 October 2026, 02:00 to 03:00 shown twice: 01:30 to 03:30 lasts three hours."""
    ticks = np.arange(0, 4 * 3600, 60.0)
    lines = ["time,grate (°C)"]
    for second, value in zip(ticks, curve(ticks), strict=True):
        stamp = datetime(2026, 10, 25, 1, 0) + timedelta(seconds=second - (3600 if second >= 7200 else 0))
        lines.append(f"{stamp:%Y-%m-%d %H:%M:%S},{value:.1f}")
    sheet = HEAD + "1,alder,2026-10-25,01:30:00,03:30:00,a.csv\n"
    told = '[[logger]]\nid = "A"\nclock_change = "dst"\n'
    found = read_folder(tmp_path / "a", sheet, {"a.csv": "\n".join(lines)}, told)
    assert span(found, "1")["stop_s"] == 3 * 3600
    zoned = '[[logger]]\nid = "A"\ntimezone = "Europe/Berlin"\n'
    assert (
        span(read_folder(tmp_path / "b", sheet, {"a.csv": "\n".join(lines)}, zoned), "1")["stop_s"]
        == 3 * 3600
    )
    (problem,) = problems_of(
        tmp_path / "c", sheet.replace("03:30:00", "02:30:00"), {"a.csv": "\n".join(lines)}, told
    )
    assert "twice" in problem.found


def test_stamps_in_utc_are_brought_to_the_trials_zone_and_asked_for_without_one(tmp_path):
    lines = ["time,grate (°C)"]
    for second, value in zip(TICKS, curve(TICKS), strict=True):
        lines.append(
            f"{datetime(2026, 5, 14, 8, 0) + timedelta(seconds=second):%Y-%m-%dT%H:%M:%SZ},{value:.1f}"
        )
    sheet = HEAD + "1,alder,2026-05-14,10:05:00,11:30:00,a.csv\n"
    found = read_folder(
        tmp_path / "a", sheet, {"a.csv": "\n".join(lines)}, '[trial]\ntimezone = "Europe/Berlin"\n'
    )
    assert span(found, "1")["start_s"] == -300
    (problem,) = problems_of(tmp_path / "b", sheet, {"a.csv": "\n".join(lines)})
    assert problem.kind == "ask" and "timezone" in problem.remedy


def test_loggers_that_differ_are_aligned_by_their_offset(tmp_path):
    """Logger B's clock is 90 s slow: 90 s are added to it."""
    rise = curve(TICKS)
    late = csv_of(START - timedelta(seconds=90), TICKS, lid=rise - 20)
    trial = '[[logger]]\nid = "A"\nfiles = ["a*.csv"]\n[[logger]]\nid = "B"\nfiles = ["b*.csv"]\nclock_offset_s = 90\n'
    sheet = HEAD + "1,alder,2026-05-14,10:05:00,11:30:00,a.csv; b.csv\n"
    found = read_folder(tmp_path, sheet, {"a.csv": csv_of(START, TICKS, grate=rise), "b.csv": late}, trial)
    parts = {
        probe: rows.set_index("elapsed_s")["temp_c"]
        for probe, rows in found.readings.groupby("probe", observed=True)
    }
    assert len(parts) == 2 and span(found, "1")["start_s"] == -300
    np.testing.assert_allclose(parts["grate (°C)"] - parts["lid (°C)"], 20, atol=0.11)


def test_identical_rows_of_overlapping_files_count_once(tmp_path):
    values = curve(TICKS)
    logs = {
        "a.csv": csv_of(START, TICKS[:400], grate=values[:400]),
        "b.csv": csv_of(START + timedelta(seconds=3000), TICKS[:421], grate=values[300:]),
    }
    found = read_folder(tmp_path, HEAD + "1,alder,2026-05-14,10:05:00,11:50:00,a.csv; b.csv\n", logs)
    assert len(found.readings) == len(TICKS) and found.readings["elapsed_s"].is_monotonic_increasing
    assert span(found, "1")["files"] == "a.csv;b.csv"


def test_two_files_of_a_burn_without_times_on_the_sheet_go_on_from_one_zero(tmp_path):
    values = curve(TICKS)
    logs = {
        "a.csv": csv_of(START, TICKS[:400], grate=values[:400]),
        "b.csv": csv_of(START + timedelta(seconds=4000), TICKS[:321], grate=values[400:]),
    }
    readings = read_folder(tmp_path, HEAD + "1,alder,2026-05-14,,,b.csv; a.csv\n", logs).readings
    assert list(readings["elapsed_s"]) == list(TICKS)
    np.testing.assert_allclose(readings["temp_c"], values, atol=0.06)


@pytest.mark.parametrize(("tolerance", "rows"), [("1.0", 721), ("0.3", 821)])
def test_rows_of_two_files_are_the_same_within_the_tolerance_of_their_clocks(tmp_path, tolerance, rows):
    values = curve(TICKS)
    late = START + timedelta(seconds=3001)  # the second export rounds its stamps another way
    logs = {
        "a.csv": csv_of(START, TICKS[:400], grate=values[:400]),
        "b.csv": csv_of(late, TICKS[:421], grate=values[300:]),
    }
    sheet, trial = (
        HEAD + "1,alder,2026-05-14,10:05:00,11:50:00,a.csv; b.csv\n",
        f"[cleaning]\nclock_tolerance_s = {tolerance}\n",
    )
    assert len(read_folder(tmp_path, sheet, logs, trial).readings) == rows


def test_conflicting_rows_of_overlapping_files_are_refused_with_both_lines(tmp_path):
    values = curve(TICKS)
    logs = {
        "a.csv": csv_of(START, TICKS[:400], grate=values[:400]),
        "b.csv": csv_of(START + timedelta(seconds=3000), TICKS[:421], grate=values[300:] + 5),
    }
    (problem,) = problems_of(tmp_path, HEAD + "1,alder,2026-05-14,10:05:00,11:50:00,a.csv; b.csv\n", logs)
    assert (
        problem.kind == "refuse" and "b.csv, line 2" in problem.where and "a.csv, line 302" in problem.found
    )


def test_the_same_bytes_under_two_names_are_refused_unless_times_part_them(tmp_path):
    text = csv_of(START, TICKS, grate=curve(TICKS))
    (problem,) = problems_of(
        tmp_path / "a", HEAD + "1,alder,,,,a.csv\n2,alder,,,,b.csv\n", {"a.csv": text, "b.csv": text}
    )
    assert "same bytes" in problem.found and problem.kind == "refuse"
    sheet = HEAD + "1,alder,2026-05-14,10:05:00,10:50:00,a.csv\n2,alder,2026-05-14,11:05:00,11:50:00,b.csv\n"
    assert len(read_folder(tmp_path / "b", sheet, {"a.csv": text, "b.csv": text}).spans) == 2


def test_burns_that_overlap_in_one_log_are_refused(tmp_path):
    sheet = HEAD + "1,alder,2026-05-14,10:05:00,11:00:00,a.csv\n2,alder,2026-05-14,10:30:00,11:50:00,a.csv\n"
    (problem,) = problems_of(tmp_path, sheet, {"a.csv": csv_of(START, TICKS, grate=curve(TICKS))})
    assert "overlap by 1800 s" in problem.found


def test_a_file_with_a_column_of_burns_is_split_by_their_ids(tmp_path):
    lines = ["burn id;t [s];grate [°C]"]
    for name, top in (("A1", 200), ("B1", 300)):
        lines += [
            f"{name};{second};{value:.1f}"
            for second, value in zip(range(0, 600, 10), curve(np.arange(0, 600, 10.0), peak=top), strict=True)
        ]
    sheet = HEAD + "A1,alder,,,,a.csv\nB1,alder,,,,a.csv\n"
    found = read_folder(
        tmp_path, sheet, {"a.csv": "\n".join(lines)}, '[[logger]]\nid = "A"\nsplit_by = "burn id"\n'
    )
    assert list(found.spans["n"]) == [60, 60]
    assert found.readings.groupby("burn", observed=True)["temp_c"].max().round().tolist() == [200, 300]


def test_all_faults_of_all_logs_come_at_once(tmp_path):
    sheet = HEAD + "1,alder,,,,a.csv\n2,alder,,,,b.csv\n3,alder,,,,c.csv\n"
    logs = {"a.csv": "time_s,T1\n0,21\n10,22\n20,23\n", "b.csv": "", "c.csv": "timestamp,temperature_c\n"}
    problems = problems_of(tmp_path, sheet, logs)
    assert [problem.where.split(",")[0] for problem in problems] == ["logs/a.csv", "logs/b.csv", "logs/c.csv"]


def test_probes_are_named_by_the_logger_table_and_asked_for_where_they_cannot_be_told(tmp_path):
    text = csv_of(START, TICKS, CH1=curve(TICKS), CH2=curve(TICKS, peak=180))
    sheet = HEAD + "1,alder,,,,a.csv\n"
    trial = '[[probe]]\nid = "grate"\n[[probe]]\nid = "lid"\n'
    named = trial + '[[logger]]\nid = "A"\ncolumns = { lid = "CH2 (°C)", grate = "CH1 (°C)" }\n'
    found = read_folder(tmp_path / "a", sheet, {"a.csv": text}, named)
    assert found.readings.groupby("probe", observed=True)["temp_c"].max().to_dict() == {
        "lid": 180.0,
        "grate": 260.0,
    }
    (problem,) = problems_of(tmp_path / "b", sheet, {"a.csv": text}, trial)
    assert problem.kind == "ask" and "columns" in problem.remedy


def test_the_notes_and_files_tell_how_each_log_was_read(tmp_path):
    found = read_folder(
        tmp_path,
        HEAD + "1,alder,,,,a.csv\n",
        {"a.csv": "note\n" + csv_of(START, TICKS, grate=curve(TICKS)) + "end of file,\n"},
    )
    assert found.files["rows"].tolist() == [len(TICKS)] and len(found.files["sha256"].iloc[0]) == 64
    assert any("footer" in note for note in found.notes["note"])


def test_a_unit_that_the_air_denies_is_asked_about_and_a_warm_cooker_is_not(tmp_path):
    head = "burn,fuel,ambient_c,log\n"
    kelvin = csv_of(START, TICKS, grate=curve(TICKS) + 273.15)
    (problem,) = problems_of(tmp_path / "a", head + "1,alder,20,a.csv\n", {"a.csv": kelvin})
    assert problem.kind == "ask" and "K" in problem.remedy and "20 °C" in problem.found
    told = '[[logger]]\nid = "A"\nunit = "degC"\n'
    assert len(read_folder(tmp_path / "b", head + "1,alder,20,a.csv\n", {"a.csv": kelvin}, told).readings)
    warm = csv_of(START, TICKS, grate=curve(TICKS, ambient=68.0))
    assert len(read_folder(tmp_path / "c", head + "1,alder,20,a.csv\n", {"a.csv": warm}).readings)

"""What a log holds amiss is read right, said with its true count, or refused: never left out in silence."""

from datetime import datetime, timedelta

import numpy as np
import pandas as pd
import pytest

from kit.errors import KitError
from kit.readings import read_burns, read_log, with_log_days
from tests.readings.helpers import START, csv_of, curve, folder_of, log_text, read_folder

MOMENTS = [datetime(2026, 4, 28, 11, 59, 0) + timedelta(seconds=20 * k) for k in range(24)]
TICKS = np.arange(0, 7201, 10.0)


def problems_of(action, *args, **kwargs):
    with pytest.raises(KitError) as caught:
        action(*args, **kwargs)
    return caught.value.problems


def lines(row):
    return "".join(row(k, moment) + "\n" for k, moment in enumerate(MOMENTS))


def sheet(*rows):
    return "burn,fuel,day,lit,stopped,log,excluded\n" + "\n".join(rows) + "\n"


# two names for one probe


def test_a_burn_whose_log_lacks_the_main_probe_is_a_fault_with_the_line_that_mends_it(tmp_path):
    burns = sheet(*(f"{k},alder,2026-05-14,10:00:00,12:00:00,{k}.csv," for k in (1, 2, 3)))
    names = {1: "Rost", 2: "Grill", 3: "Grill"}
    logs = {f"{k}.csv": csv_of(START, TICKS, **{names[k]: curve(TICKS)}) for k in (1, 2, 3)}
    (problem,) = problems_of(read_folder, tmp_path / "a", burns, logs)
    assert "burns 2, 3" in problem.where and "main probe 'Rost (°C)'" in problem.found
    assert 'files = ["2.csv", "3.csv"]' in problem.remedy
    assert 'columns = { "Rost (°C)" = "Grill (°C)" }' in problem.remedy
    mended = '[[logger]]\nid = "A"\nfiles = ["1.csv"]\n[[logger]]\nid = "B"\nfiles = ["2.csv", "3.csv"]\n'
    mended += 'columns = { "Rost (°C)" = "Grill (°C)" }\n'
    assert set(read_folder(tmp_path / "b", burns, logs, mended).spans["probe"]) == {"Rost (°C)"}


def test_an_excluded_burn_may_lack_the_main_probe_or_have_recorded_nothing(tmp_path):
    burns = sheet(
        "1,alder,2026-05-14,10:00:00,12:00:00,1.csv,",
        "2,alder,2026-05-14,10:00:00,12:00:00,2.csv,logger off",
        "3,alder,2026-05-14,10:00:00,12:00:00,3.csv,wrong probe",
        "4,alder,2026-05-14,20:00:00,21:00:00,4.csv,logger stopped before",
    )
    logs = {"1.csv": csv_of(START, TICKS, Rost=curve(TICKS)), "2.csv": "time,Rost (°C)\n"}
    logs |= {
        "3.csv": csv_of(START, TICKS, Grill=curve(TICKS)),
        "4.csv": csv_of(START, TICKS, Rost=curve(TICKS)),
    }
    found = read_folder(tmp_path, burns, logs)
    assert "nothing to be read" in " ".join(found.notes["note"])
    assert "1" in set(found.spans["burn"])


# the day of the log


def test_a_blank_day_is_the_logs_own(tmp_path):
    burns = sheet("1,alder,,10:00:00,12:00:00,1.csv,", "2,alder,,23:00:00,01:00:00,2.csv,")
    late = datetime(2026, 5, 20, 22, 50)
    logs = {
        "1.csv": csv_of(START, TICKS, grate=curve(TICKS)),
        "2.csv": csv_of(late, TICKS, grate=curve(TICKS)),
    }
    run = folder_of(tmp_path, burns, logs)
    days = with_log_days(run, read_burns(run)).burns["day"]
    assert list(days.astype(str)) == ["2026-05-14", "2026-05-20"]


# runs of one file


def test_every_run_of_a_split_file_has_its_own_clock(tmp_path):
    def part(label, start):
        stamps = [start + timedelta(seconds=float(second)) for second in TICKS]
        return "".join(
            f"{label},{stamp:%Y-%m-%d %H:%M:%S},{value:.1f}\n"
            for stamp, value in zip(stamps, curve(TICKS), strict=True)
        )

    text = "ID,time,grate (°C)\n" + part("A", START) + part("B", START + timedelta(days=3, hours=2))
    burns = "burn,fuel,log\nA,alder,all.csv\nB,alder,all.csv\n"
    found = read_folder(tmp_path / "a", burns, {"all.csv": text}, '[[logger]]\nid = "L"\nsplit_by = "ID"\n')
    assert list(found.spans["clock_zero"]) == ["2026-05-14T10:00:00", "2026-05-17T12:00:00"]
    timed = "burn,fuel,day,lit,stopped,log\n1,alder,2026-05-14,10:10:00,11:00:00,all.csv\n"
    timed += "2,alder,2026-05-17,12:20:00,13:00:00,all.csv\n"
    found = read_folder(tmp_path / "b", timed, {"all.csv": text}, '[[logger]]\nid = "L"\nsplit_by = "ID"\n')
    assert list(found.spans["clock_zero"]) == ["2026-05-14T10:10:00", "2026-05-17T12:20:00"]
    assert list(found.spans["n"]) == [len(TICKS)] * 2 and list(found.spans["start_s"]) == [-600.0, -1200.0]


# cells


@pytest.mark.parametrize(
    "stamp",
    [
        lambda m: f"{m.hour}:{m.minute}:{m.second}.0",
        lambda m: f"{m:%Y-%m-%d} {m.hour}:{m.minute}:{m.second}.0",
        lambda m: f"{m:%d.%m.%y %H.%M.%S}",
        lambda m: f"{m:%d/%m/%Y %I:%M:%S}\u00a0{'a' if m.hour < 12 else 'p'}.\u00a0m.",
        lambda m: f"{m:%d/%m/%Y %I:%M:%S}\u202f{'AM' if m.hour < 12 else 'PM'}",
    ],
    ids=["no leading zero", "date, no leading zero", "points", "a. m.", "narrow blank"],
)
@pytest.mark.parametrize("encoding", ["utf-8", "utf-16"])
def test_stamps_that_a_person_reads_are_read(tmp_path, stamp, encoding):
    path = log_text(
        "Hora;T (°C)\n" + lines(lambda k, m: f"{stamp(m)};{20 + k},5"), tmp_path, encoding=encoding
    )
    log = read_log(path)
    np.testing.assert_allclose(log.table["elapsed_s"], np.arange(24) * 20.0)
    assert list(log.table["clock"].dt.time) == [moment.time() for moment in MOMENTS]


def test_a_clock_field_cut_to_one_digit_among_padded_ones_is_no_time(tmp_path):
    text = "time,T (°C)\n" + lines(lambda k, m: f"{m:%H:%M:%S}"[: -1 if k == 9 else None] + f",{20 + k}.5")
    log = read_log(log_text(text, tmp_path))
    assert len(log.table) == 23 and list(log.lost) == [11]


def test_a_single_clock_field_below_ten_is_read(tmp_path):
    text = "time,T (°C)\n" + "".join(f"10:{35 + k // 60}:{k % 60}.0,{20 + k}.5\n" for k in range(21, 61))
    assert len(read_log(log_text(text, tmp_path)).table) == 40


def test_a_firm_blank_in_an_eight_bit_file_is_no_letter(tmp_path):
    text = "Hora;T (°C)\n" + lines(
        lambda k, m: f"{m:%d/%m/%Y %I:%M:%S}\u00a0{'a' if m.hour < 12 else 'p'}.\u00a0m.;{20 + k},5"
    )
    log = read_log(log_text(text, tmp_path, encoding="cp1252"))
    assert log.probes == ["T (°C)"] and log.table["elapsed_s"].iloc[-1] == 460


def test_date_and_clock_with_points_in_two_columns(tmp_path):
    text = "Datum;Zeit;T (°C)\n" + lines(lambda k, m: f"{m:%d.%m.%y;%H.%M.%S};{20 + k},5")
    assert list(read_log(log_text(text, tmp_path)).table["clock"]) == list(pd.to_datetime(MOMENTS))


@pytest.mark.parametrize(
    "heading", ["ms", "millis", "millis()", "ms since start", "t_ms", "Time (ms)", "milliseconds"]
)
def test_milliseconds_since_start(tmp_path, heading):
    log = read_log(log_text(f"{heading},T (°C)\n" + lines(lambda k, m: f"{250 * k},{20 + k}.5"), tmp_path))
    assert log.table["elapsed_s"].iloc[-1] == 23 * 0.25


@pytest.mark.parametrize("comment", ["# unit=degC", "# temperature_unit = C", "# Unit: °C"])
def test_a_unit_in_a_comment_is_read(tmp_path, comment):
    log = read_log(
        log_text(
            f"# bench 3\n{comment}\ntime_s,a,b\n" + lines(lambda k, m: f"{k},{20 + k}.5,{k}.1"), tmp_path
        )
    )
    assert log.dialect.units == {"a": "degC", "b": "degC"}


@pytest.mark.parametrize(
    ("heading", "cell"),
    [
        ("Day", "Fri"),
        ("UTC", "2026-06-05T08:00:00Z"),
        ("Month", "6"),
        ("Epoch", "1780646400"),
        ("Made", "05-Jun-2026"),
    ],
)
def test_other_columns_settle_the_order_of_short_dates(tmp_path, heading, cell):
    text = f"Time,{heading},T (°C)\n" + lines(lambda k, m: f"05/06/26 10:00:{k:02d},{cell},{20 + k}.5")
    log = read_log(log_text(text, tmp_path))
    assert str(log.table["clock"].iloc[0]) == "2026-06-05 10:00:00"
    assert heading in log.dialect.reasons["date order"]


def test_short_dates_with_nothing_beside_them_are_asked_about(tmp_path):
    text = "Time,T (°C)\n" + lines(lambda k, m: f"05/06/26 10:00:{k:02d},{20 + k}.5")
    (problem,) = problems_of(read_log, log_text(text, tmp_path))
    assert problem.kind == "ask" and "day_first" in problem.remedy


# columns that are no probes


@pytest.mark.parametrize(
    ("heading", "value", "why"),
    [
        ("Zeile", lambda k: k + 1, "counts the rows"),
        ("Verstrichen", lambda k: 20 * k, "repeats the time"),
        ("Box", lambda k: 7, "stands still at 7"),
        ("Set", lambda k: 120 + k // 12, "the temperature that was set"),
        ("Target (°C)", lambda k: 120, "the temperature that was set"),
        ("Sollwert", lambda k: 120 + k // 9, "the temperature that was set"),
        ("HF1", lambda k: k / 10, "its name is no temperature's"),
        ("Q", lambda k: (k % 7) / 10, "stays near 0"),
        ("B (mV)", lambda k: 3 + k / 10, "its name is no temperature's"),
    ],
)
def test_columns_that_are_no_probes_are_left_aside_with_the_reason(tmp_path, heading, value, why):
    text = f"time,{heading},Alpha,Beta\n" + lines(
        lambda k, m: f"{m},{value(k)},{20 + 2.3 * k:.1f},{30 + 1.7 * k:.1f}"
    )
    log = read_log(log_text(text, tmp_path), {"unit": "degC"})
    assert log.probes == ["Alpha", "Beta"] and log.dialect.others[heading] == why


def test_a_declared_column_is_a_probe_whatever_it_holds(tmp_path):
    text = "time,Box,Alpha\n" + lines(lambda k, m: f"{m},21.5,{20 + 2.3 * k:.1f}")
    log = read_log(log_text(text, tmp_path), {"unit": "degC", "columns": {"room": "Box", "grate": "Alpha"}})
    assert log.probes == ["Box", "Alpha"]


# rows that are none, and how many


def test_rows_of_zeros_with_the_loggers_words_are_no_readings(tmp_path):
    text = "time,a (°C),b (°C),remark\n2026-04-28 11:58:40,0.0,0.0,logging on\n"
    text += lines(lambda k, m: f"{m},{20 + k}.5,{30 + k}.1,") + "2026-04-28 12:10:00,0.0,0.0,logging off\n"
    log = read_log(log_text(text, tmp_path))
    assert len(log.table) == 24 and log.table["a (°C)"].min() == 20.5
    assert list(log.events.loc[log.events["only_event"], "text"]) == ["logging on", "logging off"]


def test_an_honest_zero_with_a_remark_is_a_reading(tmp_path):
    text = "time,a (°C),remark\n" + lines(lambda k, m: f"{m},{(k - 5) / 10:.1f},{'snow' if k == 5 else ''}")
    assert len(read_log(log_text(text, tmp_path)).table) == 24


def test_lost_rows_are_counted_and_not_capped(tmp_path):
    stamps = [START + timedelta(seconds=k) for k in range(4000)]
    rows = [f"{'?' if k % 4 == 1 else stamp},{20 + k % 9}.5" for k, stamp in enumerate(stamps)]
    log = read_log(log_text("time,a (°C)\n" + "\n".join(rows) + "\n", tmp_path))
    assert len(log.table) == 3000 and len(log.lost) == 1000
    assert any("995 more" in note for note in log.notes)
    burns = sheet("1,alder,2026-05-14,10:00:00,11:06:00,a.csv,")
    quality = read_folder(tmp_path / "run", burns, {"a.csv": (tmp_path / "log.csv").read_text()}).quality
    assert list(quality["n_lost"]) == [1000]


# what cannot be a fire's temperature


def one_burn(folder, values, trial=""):
    text = csv_of(START, TICKS[: len(values)], grate=values)
    return read_folder(folder, sheet("1,alder,2026-05-14,10:00:00,12:00:00,a.csv,"), {"a.csv": text}, trial)


def usable(found):
    return found.readings.loc[found.readings["flag"] == "", "temp_c"]


@pytest.mark.parametrize("nothing", [-1.0, 0.0, -45.0])
def test_a_number_in_every_other_row_that_means_nothing_is_missing(tmp_path, nothing):
    honest = np.round(curve(TICKS, peak=700), 1)
    values = np.where(np.arange(len(TICKS)) % 2 == 1, nothing, honest)
    found = one_burn(tmp_path, values)
    assert usable(found).min() >= 19.9 and usable(found).max() == pytest.approx(700, abs=1)
    assert found.flags.set_index("flag")["n"].to_dict() == {"sentinel": len(TICKS) // 2}


def test_readings_far_below_the_air_beside_a_fire_are_all_marked(tmp_path):
    values = np.round(curve(TICKS, peak=991), 1)
    bad = np.arange(60, len(TICKS), 9)
    values[bad] = -45 - np.arange(len(bad)) / 10
    found = one_burn(tmp_path, values)
    assert usable(found).min() > 0 and (found.readings["flag"].iloc[bad] != "").all()


def test_a_probe_a_quarter_of_which_cannot_be_is_not_believed_at_all(tmp_path):
    rng = np.random.default_rng(1)
    values = np.round(curve(TICKS, peak=400), 1)
    bad = rng.random(len(TICKS)) < 0.4
    values[bad] = rng.uniform(-1.7e8, 1e6, int(bad.sum()))
    assert not len(usable(one_burn(tmp_path, values)))


def test_a_flames_own_peak_is_no_spike(tmp_path):
    flame = np.array([620, 655, 700, 760, 845, 930, 871, 806, 760, 720, 700, 688], float)
    values = np.concatenate([np.linspace(20, 610, 240), flame, np.linspace(680, 100, 200)])
    stamps = np.arange(len(values)) * 1.0
    text = csv_of(START, stamps, grate=values)
    found = read_folder(tmp_path, sheet("1,alder,2026-05-14,10:00:00,,a.csv,"), {"a.csv": text})
    assert usable(found).max() == 930


# steps


def test_the_step_suggested_does_not_lean_on_cut_minutes(tmp_path):
    rows = "".join(f"2026-04-28 10:{k // 60:02d},{20 + k}.5\n" for k in range(1, 119))
    (problem,) = problems_of(read_log, log_text("time,a (°C)\n" + rows, tmp_path))
    assert "step_s = 1 " in problem.remedy
    rows = "".join(f"2026-04-28 10:{(37 + 7 * k) // 60:02d},{20 + k}.5\n" for k in range(80))
    (problem,) = problems_of(read_log, log_text("time,a (°C)\n" + rows, tmp_path))
    assert "step_s = 7" in problem.remedy

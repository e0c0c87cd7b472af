"""`check`: every fault of a folder in the first run, and what is read of each burn."""

from datetime import timedelta

import numpy as np
import pytest

from kit.burns import burn_metrics
from kit.check import check
from kit.errors import KitError
from kit.readings import read_burns, read_run, with_log_days
from tests.readings.helpers import START, csv_of, curve, folder_of

SECONDS = np.arange(0, 9000, 20.0)
LOG = csv_of(START, SECONDS, grate=curve(SECONDS), lid=curve(SECONDS, peak=200))
NEXT_DAY = csv_of(START + timedelta(days=1), SECONDS, grate=curve(SECONDS, peak=240))
HEAD = "burn,fuel,bag,day,lit,stopped,log,excluded\n"


def problems(folder):
    with pytest.raises(KitError) as caught:
        check(folder)
    return caught.value.problems


def test_a_blank_day_is_the_logs_day_at_time_zero(tmp_path):
    late = csv_of(START + timedelta(hours=13, minutes=30), SECONDS, grate=curve(SECONDS))
    rows = "01,a,1,,10:00,12:00,a.csv,\n02,a,1,,10:00,12:00,b.csv,\n03,a,2,,00:30,01:30,c.csv,\n"
    run = folder_of(tmp_path, HEAD + rows, {"a.csv": LOG, "b.csv": NEXT_DAY, "c.csv": late})
    assert list(run.burns["day"]) == ["", "", ""]
    readings = read_burns(run)
    days = burn_metrics(readings, run).drop_duplicates("burn").set_index("burn")["day"]
    assert dict(days) == {"01": "2026-05-14", "02": "2026-05-15", "03": "2026-05-15"}
    filled = with_log_days(run, readings)
    assert list(filled.burns["day"]) == ["2026-05-14", "2026-05-15", "2026-05-15"]
    assert "days of 3 burns are the log's" in filled.notes[-1]
    assert any("days of 3 burns" in line for line in check(tmp_path).lines)


def test_a_day_on_the_sheet_stays_and_a_log_without_a_date_gives_none(tmp_path):
    plain = "seconds,grate (°C)\n" + "".join(
        f"{s:.0f},{t:.1f}\n" for s, t in zip(SECONDS, curve(SECONDS), strict=True)
    )
    rows = "01,a,1,2026-05-14,10:00,12:00,a.csv,\n02,a,1,,,,b.csv,\n"
    run = folder_of(tmp_path, HEAD + rows, {"a.csv": LOG, "b.csv": plain})
    assert with_log_days(run, read_run(run).readings) is run


def test_faults_of_trial_file_sheet_and_logs_come_in_one_run(tmp_path):
    rows = (
        "01,a,1,2026-05-14,10:00,12:00,a.csv,\n"
        "02,a,1,2026-05-14,10:00,25:00,b.csv,\n"
        "03,a,1,2026-05-14,10:00,12:00,c.csv,\n"
    )
    logs = {
        "a.csv": "time,grate\n05/06/2026 10:00,20\n05/06/2026 10:01,21\n05/06/2026 10:02,22\n",
        "b.csv": LOG,
    }
    logs["c.csv"] = "nothing here\n"
    with pytest.raises(KitError):
        folder_of(tmp_path, HEAD + rows, logs, trial='[trial]\ntitel = "x"')
    words = "\n".join(map(str, problems(tmp_path)))
    assert "Did you mean 'title'?" in words
    assert "column stopped" in words and "25:00" in words
    assert "logs/c.csv" in words
    assert "day_first" not in words  # it may have been written in the trial file, which has faults


def test_a_row_without_a_readable_place_asks_nothing_more_of_its_log(tmp_path):
    rows = "01,a,1,2026-05-14,10:00,12:00,a.csv,\n02,a,1,2026-05-14,1o:00,12:00,b.csv,\n"
    with pytest.raises(KitError):
        folder_of(tmp_path, HEAD + rows, {"a.csv": LOG, "b.csv": NEXT_DAY})
    (only,) = problems(tmp_path)
    assert only.where == "burns.csv, row 3, column lit"

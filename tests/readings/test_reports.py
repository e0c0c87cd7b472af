"""What people who do this work ran into (reports.md): R22, R23, R24 and R28 come out right."""

import numpy as np
import pytest

from kit.errors import KitError
from kit.readings import read_log, read_run
from tests.readings.helpers import folder_of, log_text


def test_r22_seconds_since_1904(tmp_path):
    path = log_text("Time,Temp (C)\n3860000000.0,21.0\n3860000005.0,64.2\n3860000010.0,118.9\n", tmp_path)
    log = read_log(path)
    assert list(log.table["elapsed_s"]) == [0, 5, 10]
    assert "1904" in log.dialect.reasons["time"]
    assert str(log.table["clock"].iloc[0])[:4] == "2026"


def test_r22_spreadsheet_day_numbers(tmp_path):
    path = log_text("Time,Temp (C)\n46143.25,21.0\n46143.2503472,64.2\n46143.2506944,118.9\n", tmp_path)
    log = read_log(path)
    np.testing.assert_allclose(log.table["elapsed_s"], [0, 30, 60], atol=0.02)
    assert str(log.table["clock"].iloc[0]) == "2026-05-01 06:00:00"


def test_r23_one_order_for_the_whole_column(tmp_path):
    rows = "".join(f"{day} 10:00:00,21.0\n" for day in ("11/03/2026", "03/05/2026", "20/10/2026"))
    table = read_log(log_text("when,Temp (C)\n" + rows, tmp_path)).table
    assert [str(stamp)[:10] for stamp in table["clock"]] == ["2026-03-11", "2026-05-03", "2026-10-20"]


def test_r23_undecidable_is_asked(tmp_path):
    rows = "".join(f"{day} 10:00:00,21.0\n" for day in ("05/06/2026", "07/06/2026"))
    with pytest.raises(KitError) as caught:
        read_log(log_text("when,Temp (C)\n" + rows, tmp_path))
    (problem,) = caught.value.problems
    assert problem.kind == "ask" and "day_first" in problem.remedy
    assert "2026-06-05" in problem.found and "2026-05-06" in problem.found


def test_r24_a_thousands_point_in_one_late_row(tmp_path):
    path = log_text("t;T\n0;21,5\n10;322,0\n20;1.012,4\n", tmp_path)
    table = read_log(path, {"time_unit": "s", "unit": "degC"}).table
    assert list(table["T"]) == [21.5, 322.0, 1012.4]


def test_r24_a_number_that_fits_no_mark_is_named_with_its_line(tmp_path):
    path = log_text("t;T\n0;21,5\n10;322,0\n20;1.01,4\n30;400,0\n", tmp_path)
    with pytest.raises(KitError) as caught:
        read_log(path, {"time_unit": "s", "unit": "degC"})
    (problem,) = caught.value.problems
    assert "line 4" in problem.where and "1.01,4" in problem.found and "thousands" in problem.remedy


def test_r28_spikes_are_listed_and_never_deleted(tmp_path):
    values = (20, 110, 260, -1744, 430, 515, 1370, 548)
    text = "time_s,grate (C)\n" + "".join(f"{10 * k},{value}\n" for k, value in enumerate(values))
    run = folder_of(tmp_path / "run", "burn,fuel,log\n1,alder,a.csv\n", {"a.csv": text})
    found = read_run(run)
    assert list(found.readings["temp_c"]) == list(values)
    assert dict(zip(found.readings["elapsed_s"], found.readings["flag"], strict=True)) == {
        0: "", 10: "", 20: "", 30: "impossible", 40: "", 50: "", 60: "spike", 70: "",
    }  # fmt: skip
    usable = found.readings[found.readings["flag"] == ""]
    assert usable["temp_c"].max() == 548 and found.readings["temp_c"].max() == 1370
    rows = found.flags.set_index("flag")
    assert rows.loc["impossible", "low_c"] == -1744 and rows.loc["spike", "first_s"] == 60

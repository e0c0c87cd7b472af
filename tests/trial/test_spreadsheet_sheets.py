"""Burn sheets, events and scores in spreadsheets' own files."""

from datetime import datetime

import pytest

from tests.readings.test_spreadsheets import ods, xlsx
from tests.trial.folders import BURNS, folder, only, opened

ROWS = [
    ["burn", "fuel", "bag", "day", "charge_g", "lit", "stopped", "log"],
    ["01", "alder", 1.0, datetime(2026, 5, 14), 400.5, datetime(1899, 12, 31, 10, 0), "12:30", "a.csv"],
    ["02", "olive", 1.0, "2026-05-14", 401.0, "14:00", "16:10", "b.csv"],
]


def with_book(tmp_path, write):
    folder(tmp_path, burns=None)
    (tmp_path / "burns.csv").unlink(missing_ok=True)
    write(tmp_path)
    return tmp_path


@pytest.mark.parametrize("kind", ["xlsx", "ods"])
def test_a_burn_sheet_may_be_a_spreadsheets_own_file(tmp_path, kind):
    write = (
        (lambda place: xlsx(place / "burns.xlsx", Sheet1=ROWS))
        if kind == "xlsx"
        else (lambda place: ods(place / "burns.ods", ROWS))
    )
    run = opened(with_book(tmp_path, write), burns=None)
    assert list(run.burns["burn"]) == ["01", "02"]
    assert list(run.burns["day"]) == ["2026-05-14", "2026-05-14"]
    assert list(run.burns["lit"]) == ["10:00:00", "14:00:00"]
    assert list(run.burns["charge_g"]) == [400.5, 401.0]
    assert list(run.burns["bag"]) == ["1", "1"]


def test_of_several_sheets_the_one_named_so_counts_else_it_is_asked(tmp_path):
    named = with_book(tmp_path / "named", lambda place: xlsx(place / "burns.xlsx", burns=ROWS, other=[["x"]]))
    assert len(opened(named, burns=None).burns) == 2
    unnamed = with_book(tmp_path / "unnamed", lambda place: xlsx(place / "burns.xlsx", a=ROWS, b=[["x"]]))
    fault = only(unnamed, burns=None)
    assert fault.kind == "ask" and "'a' (3 rows), 'b' (1 rows)" in fault.found and "'burns'" in fault.remedy


def test_a_sheet_twice_is_asked_about(tmp_path):
    xlsx(folder(tmp_path) / "burns.xlsx", burns=ROWS)
    assert only(tmp_path, burns=BURNS).where == "burns.csv and burns.xlsx"


def test_a_broken_book_is_refused_in_words(tmp_path):
    place = with_book(tmp_path, lambda place: (place / "burns.xlsx").write_bytes(b"PK\x03\x04nothing"))
    assert "cannot be opened" in only(place, burns=None).found

"""Files made to hang, flood or break a reader: every one is read or refused in seconds, in few words."""

import time

import pytest

from kit.errors import KitError
from kit.readings import read_log
from tests.readings.helpers import log_text

LONG = 65_536
ROWS = "".join(f"2026-04-28 10:{k // 60:02d}:{k % 60:02d},{20 + k}.5\n" for k in range(120))
LINES = {
    "blanks": "serial" + " " * 800 + "!",
    "blanks in a long line": "x" + " " * LONG + "!",
    "tabs": "x" + "\t" * LONG + "!",
    "firm blanks": "1" + "\u00a0" * LONG + "!",
    "digits": "1" * LONG,
    "ones and points": "1." * (LONG // 2),
    "signs": "+ " * (LONG // 2) + "x",
    "brackets": "(" * LONG,
    "quotes": '"' * LONG,
    "quotes and commas": ',"' * (LONG // 2),
    "hashes": "#" * LONG + ",",
    "dashes": "- " * (LONG // 2) + "!",
    "equals": "a=" * (LONG // 2),
    "letters": "T" * LONG,
    "colons": "1:" * (LONG // 2),
    "commas": "," * 900,
}


def quickly(path, declared=None, seconds=6.0):
    began = time.process_time()
    try:
        return read_log(path, declared)
    except KitError as error:
        assert all(len(str(problem)) < 5000 for problem in error.problems)
        return None
    finally:
        assert time.process_time() - began < seconds


@pytest.mark.parametrize("line", LINES.values(), ids=list(LINES))
@pytest.mark.parametrize("place", ["above", "header", "within", "cell", "below"])
def test_no_line_takes_longer_than_it_is_long(tmp_path, line, place):
    header = f"time,{line}\n" if place == "header" else "time,T (°C)\n"
    rows = ROWS.splitlines(keepends=True)
    if place == "within":
        rows.insert(60, line + "\n")
    if place == "cell":
        rows[60] = f"2026-04-28 10:01:00,{line}\n"
    text = (
        (line + "\n" if place == "above" else "")
        + header
        + "".join(rows)
        + (line if place == "below" else "")
    )
    log = quickly(log_text(text, tmp_path), {"unit": "degC"})
    assert log is None or all(len(note) < 2000 for note in log.notes)


@pytest.mark.parametrize(
    "text", ["1." * 500_000, '"' * 1_000_000, "a," * 500_000, '1,"2' * 250_000, "\u00a0 " * 300_000]
)
def test_a_megabyte_on_one_line_is_refused_in_few_words(tmp_path, text):
    assert quickly(log_text(text, tmp_path)) is None
    quickly(log_text(f"time,T (°C)\n{ROWS}{text}\n{ROWS}", tmp_path))


def test_a_hundred_thousand_columns_are_refused(tmp_path):
    row = ",".join(["20.5"] * 100_000)
    path = log_text("\n".join([row] * 12) + "\n", tmp_path)
    with pytest.raises(KitError, match="more than 1000 columns"):
        read_log(path)


def test_nine_hundred_columns_are_read(tmp_path):
    names = ",".join(f"T{k} (°C)" for k in range(900))
    rows = "".join(f"{k}," + ",".join(f"{20 + k + j % 7}.5" for j in range(900)) + "\n" for k in range(20))
    log = quickly(log_text(f"time_s,{names}\n{rows}", tmp_path), seconds=8.0)
    assert log is not None and len(log.probes) == 900

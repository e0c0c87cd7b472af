"""A burn sheet in any mix of dialects reads to the same values, or is asked about: never to a wrong one."""

import csv
import io
import math
import tempfile
from pathlib import Path

import pytest
from hypothesis import assume, example, given, settings
from hypothesis import strategies as st

from kit.errors import KitError
from tests.trial.folders import BURNS, TRIAL, only, opened, problems

HEADINGS = ("burn", "fuel", "bag", "charge_g", "ash_g", "log", "notes", "my own column")
SPELLINGS = {
    "burn": ["burn", "Burn", "BURN", " burn "],
    "charge_g": ["charge_g", "Charge g", "charge (g)", "CHARGE_G"],
    "ash_g": ["ash_g", "Ash (g)", "ash g"],
    "log": ["log", "Log"],
}
_text = st.text(
    st.characters(codec="cp1252", exclude_categories=("Cc", "Cf", "Zs", "Zl", "Zp")), max_size=9
).filter(lambda text: not text.startswith("sep="))
_weight = st.one_of(
    st.none(), st.decimals(0, 9999, places=2), st.decimals(1, 999, places=3), st.integers(1, 99_999)
)


@st.composite
def dialects(draw):
    """Draw how a spreadsheet could have saved a sheet."""
    delimiter = draw(st.sampled_from([",", ";", "\t"]))
    return {
        "delimiter": delimiter,
        "decimal": draw(st.sampled_from([".", ","])),
        "encoding": draw(st.sampled_from(["utf-8", "utf-8-sig", "utf-16", "cp1252"])),
        "end": draw(st.sampled_from(["\n", "\r\n", "\r"])),
        "quoting": draw(st.sampled_from([csv.QUOTE_MINIMAL, csv.QUOTE_ALL])),
        "declared": draw(st.booleans()),
        "blank_rows": draw(st.integers(0, 2)),
        "blank_columns": draw(st.integers(0, 2)),
        "headings": {name: draw(st.sampled_from(words)) for name, words in SPELLINGS.items()},
    }


@st.composite
def burns(draw):
    """Draw rows of a sheet; burn ids and logs are made unique."""
    cells = st.tuples(st.sampled_from(["alder", "olive"]), _text, _weight, _weight, _text, _text)
    return [
        {
            "burn": f"b{n}",
            "fuel": fuel,
            "bag": bag,
            "charge_g": charge or None,
            "ash_g": ash,
            "log": "",
            "notes": notes,
            "my own column": own,
        }
        for n, (fuel, bag, charge, ash, notes, own) in enumerate(
            draw(st.lists(cells, min_size=1, max_size=6))
        )
    ]


def written(rows, dialect) -> bytes:
    text = io.StringIO()
    writer = csv.writer(
        text, delimiter=dialect["delimiter"], quoting=dialect["quoting"], lineterminator=dialect["end"]
    )
    pad = [""] * dialect["blank_columns"]
    writer.writerow([dialect["headings"].get(name, name) for name in HEADINGS] + pad)
    for row in rows:
        for _ in range(dialect["blank_rows"]):
            writer.writerow([""] * (len(HEADINGS) + len(pad)))
        writer.writerow([cell_of(row[name], dialect) for name in HEADINGS] + pad)
    head = f"sep={dialect['delimiter']}{dialect['end']}" if dialect["declared"] else ""
    return (head + text.getvalue()).encode(dialect["encoding"], "replace")


def cell_of(value, dialect) -> str:
    if value is None or isinstance(value, str):
        return value or ""
    return str(value).replace(".", dialect["decimal"])


def is_utf8_too(raw: bytes) -> bool:
    """Old bytes that make UTF-8 as well, as 'Ã©', are UTF-8: nothing in the file could tell otherwise."""
    try:
        return not raw.decode("utf-8").isascii()
    except UnicodeDecodeError:
        return False


def is_any_marked(rows) -> bool:
    """Whether a bag is marked as a guess, which is asked about and never read."""
    return any(row["bag"][:1] == "?" or row["bag"][-1:] == "?" for row in rows)


def expected_number(value) -> float:
    return math.nan if value is None else float(value)


def plain(bag: str) -> dict[str, object]:
    row = dict.fromkeys(HEADINGS, "") | {"burn": "b0", "fuel": "alder", "bag": bag}
    return row | {"charge_g": None, "ash_g": None}


PLAIN = {"delimiter": ",", "decimal": ".", "encoding": "utf-8", "end": "\n", "quoting": csv.QUOTE_MINIMAL}
PLAIN |= {"declared": False, "blank_rows": 0, "blank_columns": 0, "headings": {}}


@settings(max_examples=120)
@given(burns(), dialects())
@example([plain("0?")], PLAIN)
@example([plain("?")], PLAIN)
@example([plain("??")], PLAIN)
def test_a_sheet_in_any_dialect_reads_to_the_same_values(rows, dialect):
    assume(dialect["encoding"] != "cp1252" or not is_utf8_too(written(rows, dialect)))
    with tempfile.TemporaryDirectory() as place:
        try:
            table = opened(Path(place), burns=written(rows, dialect)).burns
        except KitError as error:
            assert {problem.kind for problem in error.problems} == {"ask"}, str(error)
            doubts = ("decimal mark", "marked '?'") if is_any_marked(rows) else ("decimal mark",)
            assert all(any(doubt in problem.found for doubt in doubts) for problem in error.problems), str(
                error
            )
            return
    assert not is_any_marked(rows)
    assert list(table["burn"]) == [row["burn"] for row in rows]
    for name in ("fuel", "bag", "notes", "my own column"):
        assert list(table[name]) == [row[name] for row in rows]
    for name in ("charge_g", "ash_g"):
        for read, row in zip(table[name], rows, strict=True):
            assert read == pytest.approx(expected_number(row[name]), nan_ok=True)


@settings(max_examples=80)
@given(st.binary(max_size=300))
def test_any_bytes_are_read_or_refused(raw):
    with tempfile.TemporaryDirectory() as place:
        try:
            opened(Path(place), burns=raw)
        except KitError as error:
            assert error.problems


@settings(max_examples=80)
@given(st.data())
def test_a_broken_sheet_is_read_or_refused(data):
    raw = bytearray(BURNS.encode())
    for _ in range(data.draw(st.integers(1, 6))):
        place = data.draw(st.integers(0, len(raw) - 1))
        raw[place : place + data.draw(st.integers(0, 3))] = data.draw(st.binary(max_size=3))
    with tempfile.TemporaryDirectory() as folder:
        try:
            opened(Path(folder), burns=bytes(raw))
        except KitError as error:
            assert all(problem.where and problem.remedy for problem in error.problems)


HEAD = "burn;fuel;log;charge_g;ash_g"


@pytest.mark.parametrize(
    ("cells", "values"),
    [
        (["412,5", "1234,5"], [412.5, 1234.5]),
        (["412,5", "1.234,5"], [412.5, 1234.5]),
        (["412.5", "1,234.5"], [412.5, 1234.5]),
        (["0,234", "1,234"], [0.234, 1.234]),
        (["1.234.567", "1.234"], [1234567, 1234]),
        (["1 234,5".replace(" ", "\u00a0"), "2"], [1234.5, 2]),
        (["1'234.5", "1’000"], [1234.5, 1000]),
        (["4e2", "+5"], [400, 5]),
        (["400 g", "12,5g"], [400, 12.5]),
        (["-", "n/a"], [math.nan, math.nan]),
    ],
)
def test_numbers_that_can_be_read_in_one_way_are(tmp_path, cells, values):
    sheet = f"{HEAD}\nx;alder;;{cells[0]};\ny;olive;;{cells[1]};\n"
    assert list(opened(tmp_path, burns=sheet).burns["charge_g"]) == pytest.approx(values, nan_ok=True)


@pytest.mark.parametrize(
    ("cells", "found"),
    [
        (["1,234", ""], "'1,234', which is 1234 or 1.234"),
        (["1.234", ""], "'1.234', which is 1234 or 1.234"),
        (["412,5", "1.234"], "'1.234', which is 1234 or 1.234"),
        (["412.5", "1,234"], "'1,234', which is 1234 or 1.234"),
        (["412.5", "412,5;\nz;alder;;1,234"], "'1,234', which is 1234 or 1.234"),
    ],
)
def test_a_number_that_can_be_read_in_two_ways_is_asked_about(tmp_path, cells, found):
    problem = only(tmp_path, burns=f"{HEAD}\nx;alder;;{cells[0]};\ny;olive;;{cells[1]};\n")
    assert (problem.kind, problem.found.startswith(found)) == ("ask", True)
    assert "column charge_g" in problem.where and "one more digit" in problem.remedy


def test_the_answer_that_is_asked_for_is_accepted(tmp_path):
    sheet = f"{HEAD}\nx;alder;;1,2340;\ny;olive;;1234;\n"
    assert list(opened(tmp_path, burns=sheet).burns["charge_g"]) == [1.234, 1234]


def test_an_ambiguous_column_is_asked_about_once_with_its_rows(tmp_path):
    rows = "".join(f"x{n};alder;;1,23{n};\n" for n in range(3))
    problem = only(tmp_path, burns=f"{HEAD}\n{rows}")
    assert problem.where == "burns.csv, row 2, column charge_g (and rows 3, 4)"


@pytest.mark.parametrize(
    ("cell", "words"),
    [
        ("400 kg", "Write the number without a unit, in g"),
        ("#VALUE!", "could not compute this cell"),
        ("many", "Write digits only"),
        ("1,23,4", "Write digits only"),
        ("1.2.3", "Write digits only"),
        ("400.1.2", "with one point for decimals at most as in 400.5"),
        ("inf", "Write digits only"),
        ("1e999", "Write digits only"),
        ("0x10", "Write digits only"),
        ("٤٠٠", "Write digits only"),
        ("12\x0034", "Write digits only"),
    ],
)
def test_what_is_no_number_is_refused(tmp_path, cell, words):
    problem = only(tmp_path, burns=f"{HEAD}\nx;alder;;{cell};\n")
    assert problem.where == "burns.csv, row 2, column charge_g"
    assert words in problem.remedy
    assert "\x00" not in problem.found


def test_an_unquoted_decimal_comma_in_a_comma_sheet_is_seen_by_the_length_of_its_row(tmp_path):
    problem = only(tmp_path, burns="burn,fuel,log,charge_g,ash_g\n1,alder,,400,12\n2,alder,,412,5,12\n")
    assert (problem.where, problem.found) == ("burns.csv, row 3", "6 cells")
    assert "decimal comma" in problem.remedy


def test_a_row_that_is_one_blank_cell_longer_than_its_peers_is_no_accident(tmp_path):
    problem = only(tmp_path, burns="burn,fuel,log,charge_g,ash_g\n1,alder,,400,\n2,alder,,412,5,\n")
    assert problem.found == "6 cells"


def test_rows_that_all_end_in_a_mark_are_read(tmp_path):
    table = opened(tmp_path, burns="burn,fuel,log,charge_g\n1,alder,,400,\n2,olive,,401,\n").burns
    assert list(table["charge_g"]) == [400, 401]


@pytest.mark.parametrize(("heading", "meant"), [("fule", "fuel"), ("Brun", "burn"), ("lo", "log")])
def test_a_required_column_that_is_missing_is_named_with_what_it_could_be(tmp_path, heading, meant):
    sheet = BURNS.replace(meant, heading, 1)
    problem = only(tmp_path, burns=sheet)
    assert "row 1" in problem.where
    assert f"'{meant}'" in problem.expected + problem.remedy


@pytest.mark.parametrize(
    ("heading", "meant"),
    [("charg_g", "charge_g"), ("leftover", "leftover_g"), ("humidity %", "humidity_pct")],
)
def test_a_heading_that_is_nearly_one_of_the_kits_is_a_fault(tmp_path, heading, meant):
    sheet = "\n".join(
        line + ("," + (heading if n == 0 else "1")) for n, line in enumerate(BURNS.splitlines())
    )
    problem = only(tmp_path, burns=sheet.replace("charge_g", "x", 1) if meant == "charge_g" else sheet)
    assert f"Did you mean '{meant}'?" in problem.remedy


def test_other_columns_are_kept_as_they_are_and_listed(tmp_path):
    sheet = BURNS.replace("notes", "price tag").replace("calm", "=1+1")
    run = opened(tmp_path, burns=sheet)
    assert list(run.burns["price tag"]) == ["=1+1", "", ""]
    assert any("price tag" in note for note in run.notes)


def test_two_columns_with_one_heading_are_refused(tmp_path):
    assert "2 columns" in only(tmp_path, burns=BURNS.replace("notes", "Bag")).found


def test_a_quote_that_does_not_close_is_found(tmp_path):
    problem = only(tmp_path, burns=BURNS.replace("calm", '"calm'))
    assert "quotes do not close" in problem.found and "line 2" in problem.where


def test_cells_hold_quotes_line_ends_and_markup(tmp_path):
    cell = '<script>alert("x")</script>,\nsecond line'
    sheet = BURNS.replace("calm", '"' + cell.replace('"', '""') + '"')
    assert opened(tmp_path, burns=sheet).burns["notes"][0] == cell


def test_control_characters_are_taken_out_with_a_note(tmp_path):
    run = opened(tmp_path, burns=BURNS.replace("calm", "ca\x00l\x1b[2Jm").replace("01,al", "01,\u202eal"))
    assert (run.burns["notes"][0], run.burns["fuel"][0]) == ("cal[2Jm", "alder")
    assert sum("taken out" in note for note in run.notes) == 2


def test_a_letter_with_an_accent_is_one_letter_however_it_is_composed(tmp_path):
    sheet = BURNS.replace("alder", "che\u0302ne")
    run = opened(tmp_path, burns=sheet, trial=TRIAL.replace("alder", "ch\u00eane"))
    assert run.burns["fuel"][0] == "ch\u00eane"


@pytest.mark.parametrize(
    ("head", "words"), [(b"PK\x03\x04xx", "choose 'Save as'"), (b"\xd0\xcf\x11\xe0", "Save as")]
)
def test_an_office_file_is_no_sheet(tmp_path, head, words):
    assert words in only(tmp_path, burns=head).remedy


@pytest.mark.parametrize("text", ["", "\n\n", ";;;\n", "\ufeff"])
def test_an_empty_sheet_is_refused(tmp_path, text):
    assert "empty sheet" in only(tmp_path, burns=text).found


def test_headings_alone_are_asked_about(tmp_path):
    assert only(tmp_path, burns="burn,fuel,log\n").kind == "ask"


def test_no_sheet_at_all(tmp_path):
    assert "no burn sheet" in problems(tmp_path, burns=None)[0].found
    (tmp_path / "Burns.xlsx").write_bytes(b"x")
    assert "'Burns.xlsx' as CSV" in problems(tmp_path, burns=None)[0].remedy

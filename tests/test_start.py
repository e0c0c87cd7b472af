"""From a pile of exports to a burn sheet: made exports of several writers, with the truth beside them."""

import subprocess
import sys
import tomllib
from datetime import datetime, timedelta

import numpy as np
import pytest

from kit.check import check
from kit.start import Guess, guessed, listed_fuels, start_run
from kit.trial import open_run
from kit.trial.scaffold import no_formula
from tests import exports
from tests.exports import one_fire
from tests.readings.test_spreadsheets import xlsx


def started(tmp_path, *writers):
    pile = tmp_path / "exports"
    pile.mkdir()
    truth = [each for writer in writers for each in writer(pile)]
    return start_run(tmp_path / "trial", sorted(pile.iterdir())), sorted(truth, key=lambda each: each.lit)


def confirmed(folder):
    for name in ("burns.csv", "trial.toml"):
        path = folder / name
        path.write_bytes(path.read_bytes().replace(b"?", b""))
    return folder


def moment(row, column):
    cell = row[column].rstrip("?")
    return datetime.fromisoformat(cell if len(cell) > 8 else f"{row['day'].rstrip('?')} {cell}")


@pytest.fixture(scope="module")
def twenty(tmp_path_factory):
    return started(tmp_path_factory.mktemp("twenty"), exports.day_files, exports.single_files)


def test_twelve_files_of_two_loggers_become_twenty_right_rows(twenty):
    made, truth = twenty
    assert len(made.rows) == len(truth) == 20
    for row, true in zip(made.rows, truth, strict=True):
        assert (row["log"], row["fuel"]) == (true.file, f"{true.fuel}?")
        assert row["bag"].rstrip("?") == true.bag
        assert abs(moment(row, "lit") - true.lit) < timedelta(minutes=3)
        assert abs(moment(row, "stopped") - true.cold) < timedelta(minutes=6)


def test_nothing_is_left_to_ask_but_the_guesses(twenty):
    made, _ = twenty
    (question,) = made.questions
    assert "cells marked '?'" in question.where
    assert "fuel (20), bag (8), day (8), lit (20), stopped (20)" in question.found
    assert "first rise seen in the log: minutes after the match" in question.remedy


def test_two_loggers_have_one_main_probe_and_the_trial_file_stays_short(twenty):
    made, _ = twenty
    text = (made.folder / "trial.toml").read_text(encoding="utf-8")
    tables = tomllib.loads(text)
    assert text.count("\n") <= 60
    main = tables["trial"]["probe"]
    assert [logger["columns"][main] for logger in tables["logger"]] == ["Rost (°C)", "Grill Temp (F)"]
    assert [logger["files"] for logger in tables["logger"]] == [["Messtag *.csv"], ["*.txt"]]


def test_one_edit_leads_to_a_folder_that_can_be_analysed(twenty, tmp_path):
    made, truth = twenty
    found = check(confirmed(made.folder))
    assert len(found.records) == 20
    for record, true in zip(found.records, truth, strict=True):
        peak = {"erle": (262, 231, 243), "alder": (255,), "olive": (235, 262, 231, 243)}
        assert min(abs(record["peak_c"] - each) for each in peak.get(true.fuel, (262, 231, 243))) < 3
    assert set(open_run(made.folder).burns["fuel"]) == {"erle", "olive", "buche", "alder"}


def test_a_column_that_names_what_burns_tells_fuel_and_bag(tmp_path):
    made, truth = started(tmp_path, exports.named_runs)
    assert [(row["fuel"], row["bag"]) for row in made.rows] == [(f"{t.fuel}?", f"{t.bag}?") for t in truth]
    assert all(
        abs(moment(row, "lit") - true.lit) < timedelta(minutes=3)
        for row, true in zip(made.rows, truth, strict=True)
    )
    tables = tomllib.loads((made.folder / "trial.toml").read_text(encoding="utf-8"))
    assert tables["logger"][0]["columns"]["grate"] == "grate [degC]"
    assert len(check(confirmed(made.folder)).records) == 4


@pytest.mark.parametrize(
    ("heading", "words", "fuels"),
    [
        ("material", ["vine", "cork", "vine", "cork"], ["vine?", "cork?", "vine?", "cork?"]),
        ("wood type", ["alder", "oak", "plum", "beech"], ["alder?", "oak?", "plum?", "beech?"]),
        ("Brennstoff", ["Erle"] * 4, ["erle?"] * 4),
        (
            "label",
            ["vine bag 1", "cork bag 2", "vine bag 2", "cork bag 1"],
            ["vine?", "cork?", "vine?", "cork?"],
        ),
        ("label", ["vine"] * 4, ["?"] * 4),
        ("operator", ["Ann", "Bob", "Ann", "Bob"], ["?"] * 4),
    ],
)
def test_a_column_of_words_under_any_heading_tells_fuels_where_its_words_look_like_them(
    tmp_path, heading, words, fuels
):
    def renamed(pile):
        truth, path = exports.named_runs(pile), pile / "season.tsv"
        text = path.read_text("utf-8").replace("sample", heading, 1)
        for place, name in enumerate(("vine bag 1", "cork bag 1", "vine bag 2", "cork bag 2")):
            text = text.replace(name, f"word {place}")
        for place, word in enumerate(words):
            text = text.replace(f"word {place}", word)
        path.write_text(text, "utf-8")
        return truth

    made, _ = started(tmp_path, renamed)
    assert [row["fuel"] for row in made.rows] == fuels


def test_words_that_change_within_a_fire_are_no_fuels(tmp_path):
    def phases(at, a, b):
        return f"{at:%Y-%m-%dT%H:%M:%S},{('kindling', 'glowing')[at.hour > 10]},{a:.1f},{b:.1f}\n"

    log = tmp_path / "20260514.csv"
    log.write_text(_one_fire(20, "time,what,grate (°C),lid (°C)\n", phases), "utf-8")
    assert [row["fuel"] for row in start_run(tmp_path / "trial", [log]).rows] == ["?"]


def test_logs_without_a_clock_have_rows_without_times(tmp_path):
    made, _ = started(tmp_path, exports.without_clock)
    assert [(row["burn"], row["fuel"], row.get("lit", "")) for row in made.rows] == [
        ("oak 1", "oak?", ""),
        ("oak 2", "oak?", ""),
    ]
    assert [round(record["peak_c"]) for record in check(confirmed(made.folder)).records] == [250, 250]


def test_a_file_that_cannot_be_read_is_a_row_and_a_fault_of_check(tmp_path):
    bad = tmp_path / "alder.csv"
    bad.write_text("no table here\n", encoding="utf-8")
    made = start_run(tmp_path / "trial", [bad])
    assert made.rows[0]["fuel"] == "alder?"
    assert any("logs/alder.csv" in problem.where for problem in made.questions)


def _one_fire(step, heading, row):
    stamps, grate, lid, _ = exports.day_of_fires(
        datetime(2026, 5, 14, 10), [datetime(2026, 5, 14, 10, 15)], [250], step, 3.5, 7
    )
    return heading + "".join(row(*each) for each in zip(stamps, grate, lid, strict=True))


def test_a_header_with_too_few_names_is_a_question_and_no_failure(tmp_path):
    log = tmp_path / "alder.csv"
    log.write_text(
        _one_fire(20, "Date,Time,Temp\n", lambda at, a, b: f"{at:%Y-%m-%d,%H:%M:%S},{a:.1f},{b:.1f},x,3.5\n"),
        encoding="utf-8",
    )
    made = start_run(tmp_path / "trial", [log])
    assert made.rows[0]["day"] == "2026-05-14"
    assert any("header_row = 0" in problem.remedy for problem in made.questions)


def test_the_columns_drafted_for_a_long_table_are_read_by_check(tmp_path):
    log = tmp_path / "alder.csv"
    log.write_text(
        _one_fire(
            20,
            "time,channel,value,unit\n",
            lambda at, a, b: "".join(
                f"{at:%Y-%m-%dT%H:%M:%S},{w},{v:.1f},°C\n" for w, v in (("grate", a), ("lid", b))
            ),
        ),
        encoding="utf-8",
    )
    made = start_run(tmp_path / "trial", [log])
    assert all("'?'" in problem.where for problem in made.questions), made.questions
    (record,) = check(confirmed(made.folder)).records
    assert record["peak_c"] == pytest.approx(250, abs=5)


@pytest.mark.parametrize(("name", "told"), [("oak-bag1-burn1.csv", ("oak?", "1?")), ("bench.csv", ("?", ""))])
def test_several_fires_of_a_file_named_after_a_bag_are_all_of_its_fuel(tmp_path, name, told):
    lit = [datetime(2026, 5, 14, 10, 15), datetime(2026, 5, 14, 14, 0)]
    stamps, grate, _, _ = exports.day_of_fires(datetime(2026, 5, 14, 10), lit, [250, 230], 20, 8, 7)
    rows = zip(stamps, grate, strict=True)
    (tmp_path / name).write_text("time,grate (°C)\n" + "".join(f"{at},{c:.1f}\n" for at, c in rows), "utf-8")
    made = start_run(tmp_path / "trial", [tmp_path / name])
    assert [(row["burn"], row["fuel"], row["bag"]) for row in made.rows] == [("01", *told), ("02", *told)]


def test_which_of_two_hot_columns_is_the_main_probe_is_a_guess(tmp_path):
    stamps, a, b, _ = exports.day_of_fires(
        datetime(2026, 5, 14, 9), [datetime(2026, 5, 14, 9, 10)], [240], 20, 3, 1
    )
    lines = ["time;Kanal 1 [°C];Kanal 2 [°C]"]
    lines += [f"{at};{x:.1f};{y:.1f}" for at, x, y in zip(stamps, a, b, strict=True)]
    path = tmp_path / "oak.csv"
    path.write_text("\n".join(lines), encoding="utf-8")
    made = start_run(tmp_path / "trial", [path])
    heading = [problem for problem in made.questions if "trial.toml" in problem.where]
    assert len(heading) == 1 and "'Kanal 1 [°C]?'" in heading[0].found
    assert heading[0].remedy == "Take the ? away if it is right, else write the right heading."
    assert made.words.splitlines()[0].endswith(": 1 burn.")
    assert check(confirmed(made.folder)).records[0]["peak_c"] == pytest.approx(240, abs=3)


def test_headings_that_differ_by_case_unit_spacing_or_temp_alone_are_one_probe(tmp_path):
    headings = [
        ("Grate", "Lid", "LID"),
        ("grate temp (°C)", "lid (°C)", "Flue (°C)"),
        ("GRATE [°C]", "LID temp [°C]", "flue [°C]"),
    ]
    for number, each in enumerate(headings):
        rows = zip(range(0, 7200, 60), exports.one_fire(np.arange(0, 7200, 60.0), 200), strict=True)
        lines = [
            ",".join(("seconds", *each)),
            *(f"{at},{20 + t:.1f},{20 + t / 2:.1f},{20 + t / 3:.1f}" for at, t in rows),
        ]
        (tmp_path / f"oak {number}.csv").write_text("\n".join(lines) + "\n", encoding="utf-8")
    made = start_run(tmp_path / "trial", sorted(tmp_path.glob("*.csv")))
    text = (made.folder / "trial.toml").read_text(encoding="utf-8")
    assert [logger["columns"] for logger in tomllib.loads(text)["logger"]] == [
        {"grate": "Grate", "Lid": "Lid", "LID": "LID"},
        {"grate": "grate temp (°C)", "Lid": "lid (°C)", "Flue": "Flue (°C)"},
        {"grate": "GRATE [°C]", "Lid": "LID temp [°C]", "Flue": "flue [°C]"},
    ]
    assert "is the same one only where both have it under the same name" in text


def test_names_that_spreadsheets_would_run_become_plain_text(tmp_path):
    for name in ("=HYPERLINK(1).csv", "＝cmd.csv", "@sum oak.csv", "+1.csv"):
        (tmp_path / name).write_text(f"elapsed (s),T (°C)\n0,20\n10,{len(name)}\n20,30\n", encoding="utf-8")
    made = start_run(tmp_path / "trial", sorted(tmp_path.glob("*.csv")))
    sheet = (made.folder / "burns.csv").read_text(encoding="utf-8-sig")
    assert not any(
        cell[:1] in "=+-@＝＋－＠" for line in sheet.splitlines() for cell in line.split(",") if cell
    )
    assert no_formula("== ＝-x") == "x"


@pytest.mark.parametrize(
    ("names", "guesses"),
    [
        (["OliveBag2-run3.csv"], [Guess("olive", "2", "3")]),
        (["alder b1 r2.csv", "oak b1 r2.csv"], [Guess("alder", "1", "2"), Guess("oak", "1", "2")]),
        (["2026-05-14.csv"], [Guess()]),
        (["oak_bag2_run1.txt", "coco_bag1_run2.txt"], [Guess("oak", "2", "1"), Guess("coco", "1", "2")]),
        (["Oak Bag-3.csv", "Coco Bag-1.csv"], [Guess("oak", "3", ""), Guess("coco", "1", "")]),
        (["oak-bagA-1.csv", "coco_bag_B.csv"], [Guess("oak", "A", ""), Guess("coco", "B", "")]),
        (
            ["oak 400g bag 1.csv", "coco_bag2_1200 gram.csv"],
            [Guess("oak", "1", "", "400"), Guess("coco", "2", "", "1200")],
        ),
        (["oak 5kg 24 g.csv", "coco 10 kg 1,5 g.csv"], [Guess("oak"), Guess("coco")]),
        (["oak 0400g.csv", "coco 000 g.csv"], [Guess("oak"), Guess("coco")]),
    ],
)
def test_bags_and_burns_are_told_by_the_number_behind_their_word(names, guesses):
    assert guessed(names) == guesses


def test_a_name_lists_fuels_only_where_there_are_as_many_as_fires():
    assert listed_fuels("day 1 alder_olive oak.csv", 3) == ["alder", "olive", "oak"]
    assert listed_fuels("day 1 alder olive.csv", 3) == []


@pytest.mark.parametrize(("second", "told"), [("400", True), ("410", False)])
def test_charges_that_names_tell_are_guesses_and_grams_where_all_are_alike(tmp_path, second, told):
    made = start_run(tmp_path / "trial", named_charges(tmp_path, "alder 400g", f"olive {second} g"))
    assert [row["charge_g"] for row in made.rows] == ["400?", f"{second}?"]
    assert "charge_g (2)" in made.questions[0].found and "charge_g 400?" in made.words
    charge = tomllib.loads((made.folder / "trial.toml").read_text(encoding="utf-8"))["charge"]
    assert charge == ({"grams": 400} if told else {})
    run = open_run(confirmed(made.folder))
    assert list(run.burns["charge_g"]) == [400, float(second)]
    assert run.trial.charge.of_equal_mass is told


def named_charges(folder, *names):
    """Write an export a name, of an hour's fire each."""
    files = [folder / f"{name}.csv" for name in names]
    for day, path in enumerate(files, 14):
        readings = one_fire(np.arange(-600, 9000, 60.0), 200 + day) + exports.AIR_C
        clock = (f"2026-05-{day} {9 + n // 60:02}:{n % 60:02}" for n in range(len(readings)))
        rows = (f"{at},{celsius:.1f}\n" for at, celsius in zip(clock, readings, strict=True))
        path.write_text("time,grate (°C)\n" + "".join(rows), encoding="utf-8")
    return files


def test_the_command_prints_rows_questions_and_cautions(tmp_path):
    pile = tmp_path / "exports"
    pile.mkdir()
    exports.without_clock(pile)
    words = [
        sys.executable,
        "-m",
        "kit",
        "start",
        str(tmp_path / "trial"),
        "--from",
        *map(str, sorted(pile.iterdir())),
    ]
    out = subprocess.run(words, capture_output=True, text=True, check=True).stdout
    assert "burn oak 1: oak?" in out and "carbon monoxide" in out and "Next: repeatburn check" in out


def test_alike_faults_of_many_files_are_one_in_print(tmp_path):
    rng = np.random.default_rng(1)
    for name in "abcdefgh":
        rows = [f"05/06/2026 10:{k:02d},{20 + k + rng.normal():.1f}" for k in range(40)]
        (tmp_path / f"oak {name}.csv").write_text(
            "time,grate (°C)\n" + "\n".join(rows) + "\n", encoding="utf-8"
        )
    made = start_run(tmp_path / "trial", sorted(tmp_path.glob("*.csv")))
    assert sum("day_first" in problem.remedy for problem in made.questions) == 8
    assert made.words.count("day_first = true") == 1 and "and 2 more" in made.words
    assert all(not row.get("day") for row in made.rows)


def small_export(folder, name, date, unit=""):
    rows = "".join(f"{date} 10:{k:02d}:00 AM,{20 + 200 * np.sin(k / 20):.1f}\n" for k in range(60))
    (folder / name).write_text(f"Time,Grate{unit}\n{rows}", "utf-8")
    return folder / name


@pytest.mark.parametrize("unit", ["", " (°C)"])
@pytest.mark.parametrize(
    ("dates", "days"),
    [
        (("6/3/2026", "7/3/2026"), ("2026-03-06?", "2026-03-07?")),
        (("6/3/2026", "3/3/2026", "13/3/2026"), ("2026-03-06", "2026-03-03", "2026-03-13")),
        (("3/3/2026", "3/3/2026"), ("2026-03-03", "2026-03-03")),
        (("3/3/2026", "6/7/2026"), ("2026-03-03", "")),
        (("25/3/2026", "3/25/2026"), ("2026-03-25", "2026-03-25")),
    ],
)
def test_fires_are_found_whatever_else_is_asked(tmp_path, unit, dates, days):
    files = [small_export(tmp_path, f"alder {n}.csv", date, unit) for n, date in enumerate(dates)]
    files[-1].write_text(files[-1].read_text("utf-8") + "\n", "utf-8")  # no two of the same bytes
    found = start_run(tmp_path / "trial", files)
    by_file = {row["log"]: row for row in found.rows}
    assert tuple(by_file[file.name].get("day", "") for file in files) == days
    assert all(row["lit"] == "10:00:00?" for row in found.rows)
    assert ("no unit" in str(found.questions)) == (not unit)


def fires_in_cells():
    start = datetime(2026, 9, 14, 8, 0)
    lit = [start + timedelta(hours=hours) for hours in (0.5, 5.0, 9.5)]
    stamps, grate, lid, _ = exports.day_of_fires(start, lit, (262, 231, 243), 60, 13.5, seed=1)
    rows = [
        [str(stamp), float(f"{one:.1f}"), float(f"{two:.1f}")]
        for stamp, one, two in zip(stamps, grate, lid, strict=True)
    ]
    return [["time", "grate °C", "lid °C"], *rows]


def test_of_a_workbook_the_one_sheet_that_reads_as_a_log_is_taken_and_asked_about(tmp_path):
    made = start_run(
        tmp_path / "trial",
        [xlsx(tmp_path / "Tag.xlsx", Info=[["device", "X"], ["rate", 60]], Messung=fires_in_cells())],
    )
    assert [row["lit"][:2] for row in made.rows] == ["08", "13", "17"]
    assert [row["fuel"] for row in made.rows] == ["?"] * 3  # a word for day names no fuel
    (asked,) = [problem for problem in made.questions if "key sheet" in problem.where]
    assert asked.kind == "ask" and "'Messung?', a guess" in asked.found
    trial, burns = made.folder / "trial.toml", made.folder / "burns.csv"
    text = trial.read_text(encoding="utf-8").replace("?", "")
    trial.write_text(f'{text}\n[[fuel]]\nid = "alder"\n', encoding="utf-8")
    fuels = burns.read_text(encoding="utf-8-sig").replace(",?,", ",alder,").replace("?", "")
    burns.write_text(fuels, encoding="utf-8")
    assert [round(each["peak_c"], -1) for each in check(made.folder).records] == [260, 230, 240]


def test_of_two_sheets_that_read_as_logs_the_longer_is_suggested(tmp_path):
    rows = fires_in_cells()
    made = start_run(tmp_path / "trial", [xlsx(tmp_path / "a.xlsx", First=rows[:40], Second=rows)])
    assert len(made.rows) == 3 and "sheet =" not in (made.folder / "trial.toml").read_text(encoding="utf-8")
    assert any('Add sheet = "Second"' in problem.remedy for problem in made.questions)

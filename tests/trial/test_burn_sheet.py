"""The burn sheet against trial file and logs: what is a fault, what a question, what only a note."""

import time

import pytest

from tests.trial.folders import BURNS, TRIAL, folder, only, opened, problems


def test_the_table_has_the_schema_s_columns_then_further_ones_then_the_state(tmp_path):
    from kit.schema import BURNS as SPECIFIED

    run = opened(tmp_path)
    names = [column.name for column in SPECIFIED]
    assert list(run.burns.columns) == [*names, "state"]
    first = run.burns.iloc[0]
    assert (first["burn"], first["lit"], first["day"], first["charge_g"]) == (
        "01",
        "10:00:00",
        "2026-05-14",
        400,
    )
    assert (first["cooker"], first["ash_g"] != first["ash_g"]) == ("", True)
    assert run.folder == tmp_path


def test_only_burn_fuel_and_log_are_needed(tmp_path):
    run = opened(tmp_path, burns="burn,fuel,log\nx,alder,a.csv\n")
    assert list(run.burns["state"]) == ["done"]


def test_states(tmp_path):
    sheet = "burn,fuel,log,lit,excluded\n1,alder,a.csv,,\n2,alder,,,\n3,alder,b.csv,,did not light\n4,alder,,10:00,\n"
    run = opened(tmp_path, burns=sheet)
    assert list(run.burns["state"]) == ["done", "planned", "excluded", "planned"]
    assert run.is_interim
    assert list(run.in_state("planned")["burn"]) == ["2", "4"]
    assert run.notes[0] == "Burn 4 has times and no log: it counts as planned until its log is named."
    assert run.in_state("excluded")["log"].tolist() == ["b.csv"]


def test_a_column_of_the_sheet_called_state_is_kept_beside_the_kit_s(tmp_path):
    run = opened(tmp_path, burns="burn,fuel,log,state\n1,alder,a.csv,wet\n")
    assert (run.burns["state"][0], run.burns["state in the sheet"][0]) == ("done", "wet")


@pytest.mark.parametrize(
    ("old", "new", "where", "words"),
    [
        ("01,alder", "01,aldr", "row 2, column fuel", "Did you mean 'alder'?"),
        ("01,alder", "01,", "row 2, column fuel", "Write which fuel was burned"),
        ("02,olive", "01,olive", "row 3, column burn", "row 2 has it already"),
        ("02,olive", ",olive", "row 3, column burn", "Give the burn an id"),
        ("400,", "-400,", "row 2, column charge_g", "not negative"),
        ("400,", "0,", "row 2, column charge_g", "above zero"),
        ("a.csv", "A.csv", "row 2, column log", "Write it as the file is: 'a.csv'"),
        ("a.csv", "a", "row 2, column log", "Write it with its ending: 'a.csv'"),
        ("a.csv", "a.cvs", "row 2, column log", "Did you mean 'a.csv'?"),
        ("a.csv", "zzzzzz", "row 2, column log", "logs/ holds a.csv, b.csv, c.csv, d.csv"),
        ("a.csv", "../burns.csv", "row 2, column log", "by its name alone"),
        ("a.csv", "x/../../burns.csv", "row 2, column log", "by its name alone"),
        ("a.csv", "/etc/passwd", "row 2, column log", "by its name alone"),
        ("a.csv", "C:\\a.csv", "row 2, column log", "by its name alone"),
        ("a.csv", "a.csv; a.csv", "row 2, column log", "each file once"),
        ("a.csv", "a.csv; zz.csv", "row 2, column log", "which is not there"),
    ],
)
def test_a_wrong_cell_is_named_with_row_and_column(tmp_path, old, new, where, words):
    assert old in BURNS
    problem = only(tmp_path, burns=BURNS.replace(old, new, 1))
    assert problem.where == f"burns.csv, {where}"
    assert words in str(problem)


@pytest.mark.parametrize(
    ("column", "cell", "words"),
    [
        ("ambient_c", "77", "(°F - 32) / 1.8"),
        ("humidity_pct", "140", "0 to 100 %"),
        ("wind_m_s", "-1", "not negative"),
        ("ash_g", "-3", "not negative"),
        ("cooker", "", ""),
    ],
)
def test_what_cannot_be_is_refused(tmp_path, column, cell, words):
    sheet = f"burn,fuel,log,{column}\n1,alder,a.csv,{cell}\n"
    if not words:
        opened(tmp_path, burns=sheet)
        return
    problem = only(tmp_path, burns=sheet)
    assert problem.where == f"burns.csv, row 2, column {column}"
    assert words in str(problem)


def test_an_unknown_fuel_is_named_once_with_all_its_rows(tmp_path):
    sheet = "burn,fuel,log\n1,oliv,a.csv\n2,alder,b.csv\n3,oliv,\n4,oliv,\n"
    assert only(tmp_path, burns=sheet).where == "burns.csv, row 2, column fuel (and rows 4, 5)"


@pytest.mark.parametrize("cell", ["alder?", "? alder", "alder ?"])
def test_a_guess_is_to_be_confirmed(tmp_path, cell):
    problem = only(tmp_path, burns=BURNS.replace("alder", cell, 1))
    assert problem.kind == "ask" and problem.where == "burns.csv, cells marked '?'"
    assert "1 guesses" not in problem.found and "fuel (1)" in problem.found
    assert "match" not in problem.remedy  # nothing is guessed of when it was lit


def test_all_guesses_of_a_sheet_are_one_question_and_are_taken_at_their_word(tmp_path):
    sheet = BURNS.replace("alder,1,2026-05-14,400,10:00", "alder?,1?,2026-05-14?,400,10:00?", 1)
    problem = only(tmp_path, burns=sheet, events="burn,at,event\n01,10:05,rain\n")
    assert "4 guesses marked '?' in row 2: fuel (1), bag (1), day (1), lit (1)" in problem.found


def test_a_fuel_not_filled_in_is_asked_for(tmp_path):
    problem = only(tmp_path, burns=BURNS.replace("alder", "?", 1))
    assert problem.kind == "ask" and problem.found == "a fuel not filled in"


def test_without_declared_fuels_the_lines_to_add_are_told(tmp_path):
    found = problems(tmp_path, trial='[trial]\ntitle = "x"\n')
    assert [problem.kind for problem in found] == ["ask", "ask"]
    assert 'id = "alder"' in found[0].remedy


def test_one_log_for_two_burns_needs_times_that_part_it(tmp_path):
    sheet = "burn,fuel,log\n1,alder,a.csv\n2,alder,a.csv\n"
    problem = only(tmp_path, burns=sheet)
    assert "given to burns.csv, row 2 as well" in problem.found
    parted = "burn,fuel,log,lit,stopped\n1,alder,a.csv,10:00,11:00\n2,alder,a.csv,12:00,13:00\n"
    assert len(opened(tmp_path, burns=parted).burns) == 2


def test_a_link_out_of_the_folder_that_no_burn_names_is_refused(tmp_path):
    run = folder(tmp_path / "run")
    (run / "logs" / "other.csv").symlink_to("/proc/self/environ")
    problem = only_at(run)
    assert (problem.where, problem.found) == ("logs/other.csv", "a link out of the run folder")


def test_a_sheet_of_a_hundred_thousand_columns_is_refused(tmp_path):
    wide = ",".join(f"c{place}" for place in range(100_000))
    began = time.process_time()
    problem = only(tmp_path, burns=f"burn,fuel,log,{wide}\n1,alder,a.csv,{',' * 100_000}\n")
    assert problem.found == "100004 columns" and problem.expected == "at most 1000 columns"
    assert time.process_time() - began < 2


def test_a_log_that_is_a_link_out_of_the_folder_is_refused(tmp_path):
    (tmp_path / "secret.csv").write_text("x", encoding="utf-8")
    run = folder(tmp_path / "run")
    (run / "logs" / "a.csv").unlink()
    (run / "logs" / "a.csv").symlink_to(tmp_path / "secret.csv")
    assert "a link out of the run folder" in only_at(run).found


def only_at(path):
    from kit.errors import KitError
    from kit.trial import open_run

    with pytest.raises(KitError) as caught:
        open_run(path)
    (problem,) = caught.value.problems
    return problem


@pytest.mark.parametrize("name", ["trial.toml", "burns.csv", "logs", "events.csv"])
def test_a_part_of_the_folder_that_is_a_link_out_of_it_is_not_read(tmp_path, name):
    run, away = folder(tmp_path / "run"), tmp_path / "away"
    if (run / name).exists():
        (run / name).rename(away)
    else:
        away.write_text("burn,at,event\n", encoding="utf-8")
    (run / name).symlink_to(away, target_is_directory=away.is_dir())
    problem = only_at(run)
    assert (problem.where, problem.found) == (name, "a link out of the run folder")


def test_a_link_inside_the_folder_is_read(tmp_path):
    run = folder(tmp_path / "run")
    (run / "logs" / "a.csv").unlink()
    (run / "logs" / "a.csv").symlink_to(run / "logs" / "c.csv")
    from kit.trial import open_run

    assert len(open_run(run).burns) == 3


def test_logs_may_stand_in_folders_and_be_named_with_either_slash(tmp_path):
    (tmp_path / "logs" / "day 1").mkdir(parents=True)
    (tmp_path / "logs" / "day 1" / "x.csv").write_text("1", encoding="utf-8")
    run = opened(tmp_path, burns="burn,fuel,log\n1,alder,day 1\\x.csv; logs/a.csv\n")
    assert run.burns["log"][0] == "day 1/x.csv; a.csv"


def test_a_folder_is_no_log(tmp_path):
    (tmp_path / "logs" / "day1").mkdir(parents=True)
    assert "a folder" in only(tmp_path, burns=BURNS.replace("a.csv", "day1")).found


def test_a_name_with_a_composed_accent_finds_the_file(tmp_path):
    (tmp_path / "logs").mkdir()
    (tmp_path / "logs" / "che\u0302ne.csv").write_text("1", encoding="utf-8")
    run = opened(tmp_path, burns=BURNS.replace("a.csv", "ch\u00eane.csv"))
    assert (tmp_path / "logs" / run.burns["log"][0]).is_file()


def test_logs_that_no_burn_names_are_noted(tmp_path):
    assert opened(tmp_path).notes == ("In logs/ and named by no burn: c.csv, d.csv.",)


def test_a_scale_not_tared_is_a_note(tmp_path):
    trial = TRIAL + "[charge]\ngrams = 400\ntolerance_g = 1\n"
    sheet = "burn,fuel,log,charge_g,ash_g,leftover_g\n1,alder,a.csv,401.5,402,\n2,alder,b.csv,401,,500\n"
    notes = opened(tmp_path, burns=sheet, trial=trial).notes
    assert notes[1:] == (
        "Burn 1: ash heavier than the charge; was the scale tared?",
        "Burn 2: fuel left over heavier than the charge; was the scale tared?",
    )


def test_settings_are_those_declared(tmp_path):
    sheet = "burn,fuel,log,setting\n1,alder,a.csv,ful\n2,alder,b.csv,full\n3,alder,c.csv,\n"
    two = TRIAL + '[[setting]]\nid = "full"\n[[setting]]\nid = "low"\n'
    found = problems(tmp_path, burns=sheet, trial=two)
    assert [problem.kind for problem in found] == ["refuse", "ask"]
    assert "Did you mean 'full'?" in found[0].remedy
    undeclared = problems(tmp_path, burns=sheet)
    assert 'id = "ful"' in undeclared[0].remedy


def test_cookers_are_those_declared(tmp_path):
    sheet = "burn,fuel,log,cooker\n1,alder,a.csv,drm\n2,alder,b.csv,kettle\n"
    two = TRIAL.replace("[trial]", '[trial]\ncooker = ["drum", "kettle"]')
    assert "Did you mean 'drum'?" in only(tmp_path, burns=sheet, trial=two).remedy
    assert opened(tmp_path, burns=sheet).trial.cookers == ()


def test_bags_are_labelled_anew_in_each_fuel_and_kept(tmp_path):
    assert list(opened(tmp_path).burns["bag"]) == ["1", "1", "2"]
    declared = TRIAL + '[[bag]]\nid = "1"\nfuel = "alder"\n[[bag]]\nid = "1"\nfuel = "olive"\n'
    assert only(tmp_path, trial=declared).where == "burns.csv, row 4, column bag"


def test_declared_metrics_and_covariates_are_numbers(tmp_path):
    trial = TRIAL.replace(
        '"time_above:110"]', '"time_above:110", "sparks"]\ndeclared = [{column = "sparks"}]'
    )
    trial += '[model]\ncovariates = ["wind_m_s", "grate height"]\n'
    sheet = "burn,fuel,log,Sparks,grate height\n1,alder,a.csv,3,12.5\n2,alder,b.csv,,\n"
    run = opened(tmp_path, burns=sheet, trial=trial)
    assert run.burns["sparks"][0] == 3 and run.burns["grate height"][0] == 12.5
    assert run.trial.metric("sparks").source == "declared"
    found = problems(tmp_path, burns=sheet.replace("Sparks", "sprks").replace("3,12", "3,x12"), trial=trial)
    assert any("Did you mean 'sparks'?" in problem.remedy for problem in found)


def test_counts_are_whole_numbers(tmp_path):
    trial = TRIAL.replace(
        '"time_above:110"]', '"time_above:110"]\ndeclared = [{column = "sparks", scale = "count"}]'
    )
    sheet = "burn,fuel,log,Sparks\n1,alder,a.csv,0\n2,alder,b.csv,12\n"
    spec = opened(tmp_path, burns=sheet, trial=trial).trial.metric("sparks")
    assert (spec.scale, spec.counted, spec.phrases.smaller) == ("log", True, "fewer")
    found = problems(tmp_path, burns=sheet.replace(",0", ",1.5").replace(",12", ",-2"), trial=trial)
    assert [problem.found for problem in found] == ["1.5", "-2"]
    assert all(problem.where.endswith("column sparks") for problem in found)


def test_faults_of_all_files_come_together(tmp_path):
    found = problems(
        tmp_path,
        burns=BURNS.replace("400", "-4").replace("a.csv", "zz.csv"),
        trial=TRIAL.replace("title", "titel"),
        events="burn,at,event\n77,10:00,rain\n",
        scores="burn,attribute,score\n01,smoke,x\n",
    )
    files = [problem.where.split(",")[0] for problem in found]
    assert files == ["trial.toml", "burns.csv", "burns.csv", "events.csv", "scores.csv"]


def test_a_path_that_is_no_run_folder(tmp_path):
    from kit.errors import KitError
    from kit.trial import open_run

    (tmp_path / "file").write_text("x", encoding="utf-8")
    for path, words in ((tmp_path / "none", "no such folder"), (tmp_path / "file", "a file")):
        with pytest.raises(KitError, match=words):
            open_run(path)


def test_five_thousand_burns_open_in_two_seconds(tmp_path):
    import time

    rows = "".join(f"b{n},alder,x{n % 9},2026-05-14,400,10:00,12:00,,\n" for n in range(5000))
    folder(tmp_path, burns=BURNS.splitlines()[0] + "\n" + rows)
    from kit.trial import open_run

    began = time.process_time()
    assert len(open_run(tmp_path).burns) == 5000
    assert time.process_time() - began < 2


def test_thousands_of_unknown_names_do_not_take_minutes(tmp_path):
    import time

    rows = "".join(f"b{n},alder,log{n}.csv\n" for n in range(2000))
    events = "".join(f"c{n},10:00,rain\n" for n in range(2000))
    began = time.process_time()
    found = problems(tmp_path, burns="burn,fuel,log\n" + rows, events="burn,at,event\n" + events)
    assert len(found) == 4000
    assert time.process_time() - began < 5

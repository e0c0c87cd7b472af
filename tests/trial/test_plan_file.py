"""The plan as written: its hash, its changes, and what was done otherwise."""

from dataclasses import replace

import pytest

from kit.errors import KitError
from kit.trial import deviations, open_run, plan_of, read_plan, write_plan
from kit.trial.plan_file import plan_hash
from tests.trial.folders import TRIAL, folder

SHEET = "burn,fuel,bag,day,order,charge_g,lit,stopped,log,excluded\n"
ROWS = [
    ["1", "alder", "1", "2026-05-14", "1", "400", "10:00", "11:00", "a.csv", ""],
    ["2", "olive", "1", "2026-05-14", "2", "400", "12:00", "13:00", "b.csv", ""],
    ["3", "olive", "2", "2026-05-15", "3", "400", "10:00", "11:00", "c.csv", ""],
    ["4", "alder", "2", "2026-05-15", "4", "400", "12:00", "13:00", "d.csv", ""],
]


def sheet(rows) -> str:
    return SHEET + "".join(",".join(row) + "\n" for row in rows)


@pytest.fixture
def planned(tmp_path):
    run = open_run(folder(tmp_path, burns=sheet(ROWS)))
    write_plan(tmp_path, plan_of(run.trial, run.burns, "2026-05-01", seed=7, exclusions=["rain"]))
    return tmp_path


def differences(run):
    return deviations(run.plan, run.trial, run.burns)


def rows_after(path, rows=ROWS, trial=TRIAL):
    run = open_run(folder(path, burns=sheet(rows), trial=trial))
    return [tuple(row) for row in differences(run).itertuples(index=False)]


def changed(place, column, value):
    rows = [list(row) for row in ROWS]
    rows[place][SHEET.strip().split(",").index(column)] = value
    return rows


def test_without_a_plan_there_is_nothing_to_deviate_from(tmp_path):
    run = open_run(folder(tmp_path))
    assert run.plan is None and read_plan(tmp_path) is None
    assert list(differences(run).columns) == ["what", "where", "planned", "done"]
    assert len(differences(run)) == 0


def test_a_plan_is_read_as_it_was_written(planned):
    plan = read_plan(planned)
    assert plan and not plan.is_changed
    assert (plan.seed, plan.written, plan.exclusions, plan.fuels) == (
        7,
        "2026-05-01",
        ("rain",),
        ("alder", "olive"),
    )
    assert list(plan.table["burn"]) == ["1", "2", "3", "4"]
    assert plan.margins == {"peak": "15 °C", "time_above:110": "10 %"}
    assert plan.line == f"2026-05-01 repeatburn plan: 2 fuels, 4 burns, sha256 {plan.sha256}"


def test_done_as_planned_there_are_no_deviations(planned):
    assert rows_after(planned) == []


def test_a_plan_written_after_the_first_burn_is_no_plan_of_it(tmp_path):
    run = open_run(folder(tmp_path, burns=sheet(ROWS)))
    write_plan(tmp_path, plan_of(run.trial, run.burns, "2026-05-14"))
    assert rows_after(tmp_path) == []
    (tmp_path / "plan" / "plan.toml").unlink()
    write_plan(tmp_path, plan_of(run.trial, run.burns, "2026-05-15"))
    late = ("plan written after the first burn", "plan/plan.toml", "before 2026-05-14", "2026-05-15")
    assert rows_after(tmp_path) == [late]


def test_the_hash_is_of_the_content_alone():
    content = {"b": [1.0, 2.5], "a": "e\u0301", "sha256": "x"}
    assert plan_hash(content) == plan_hash({"a": "\u00e9", "b": [1, 2.5]})
    assert plan_hash(content) != plan_hash(content | {"a": "e"})


def test_remarks_and_line_ends_do_not_change_the_hash(planned):
    place = planned / "plan" / "plan.toml"
    place.write_bytes(b"# seen\r\n" + place.read_bytes().replace(b"\n", b"\r\n"))
    assert rows_after(planned) == []


@pytest.mark.parametrize(
    ("old", "new"), [("seed = 7", "seed = 8"), ("rain", "snow"), ("charge_g = 400.0", "charge_g = 401.0")]
)
def test_a_changed_plan_is_seen_and_stops_nothing(planned, old, new):
    place = planned / "plan" / "plan.toml"
    text = place.read_text(encoding="utf-8")
    assert old in text
    place.write_text(text.replace(old, new), encoding="utf-8")
    rows = rows_after(planned)
    assert rows[0][:2] == ("plan changed after it was written", "plan/plan.toml")
    assert rows[0][2] != rows[0][3]


def test_a_hash_taken_away_is_seen(planned):
    place = planned / "plan" / "plan.toml"
    lines = place.read_text(encoding="utf-8").split("\n")
    place.write_text("\n".join(line for line in lines if not line.startswith("sha256")), encoding="utf-8")
    assert rows_after(planned)[0][2] == "a recorded hash"


def test_a_plan_written_anew_keeps_the_earlier_one(planned):
    before = read_plan(planned)
    run = open_run(planned)
    after = write_plan(planned, plan_of(run.trial, run.burns, "2026-05-16"))
    assert before and after.replaces == before.sha256
    assert (planned / "plan" / f"plan-{before.sha256[:12]}.toml").is_file()
    assert rows_after(planned)[0][:3] == (
        "plan written anew",
        "plan/plan.toml",
        f"sha256 {before.sha256[:12]}",
    )


def test_the_same_plan_twice_is_one_plan(planned):
    plan = read_plan(planned)
    assert plan and write_plan(planned, plan) == plan
    assert [path.name for path in (planned / "plan").iterdir()] == ["plan.toml"]


@pytest.mark.parametrize(
    ("old", "new", "row"),
    [
        ("15 °C", "25 °C", ("margin", "peak", "15 °C", "25 °C")),
        ('peak = "15 °C"\n', "", ("margin", "peak", "15 °C", "none")),
        ('["peak", ', '["plateau", ', ("primary metric", "peak", "planned", "dropped")),
        ("[110, 180]", "[110, 200]", ("threshold", "200", "not planned", "added")),
        ("[margins]", "mean_s = 240\n[margins]", ("measuring", "mean_s", "120", "240")),
        ("[margins]", "[cleaning]\nspike_k = 50\n[margins]", ("cleaning limit", "spike_k", "30", "50")),
        ("[margins]", '[model]\nspread = "by fuel"\n[margins]', ("spread", "spread", "none", "by fuel")),
        ("[margins]", "[model]\nconfidence = 0.9\n[margins]", ("confidence", "confidence", "0.95", "0.9")),
        (
            'control_fuel = "alder"',
            'control_fuel = "olive"',
            ("control fuel", "control_fuel", "alder", "olive"),
        ),
        ("[metrics]", 'time_zero = "tipped"\n[metrics]', ("time zero", "time_zero", "lit", "tipped")),
    ],
)
def test_a_changed_setting_is_a_deviation(planned, old, new, row):
    assert old in TRIAL
    assert row in rows_after(planned, trial=TRIAL.replace(old, new, 1))


def test_a_margin_in_another_unit_is_the_same_margin(planned):
    assert rows_after(planned, trial=TRIAL.replace("15 °C", "27 °F")) == []


def test_a_limit_that_came_into_the_kit_later_is_no_deviation(planned):
    run = open_run(planned)
    plan = read_plan(planned)
    assert plan
    older = plan.model_copy(update={"cleaning": {k: v for k, v in plan.cleaning.items() if k != "spike_k"}})
    write_plan(planned, older)
    assert [row.what for row in differences(open_run(planned)).itertuples()] == ["plan written anew"]
    assert run.plan == plan


@pytest.mark.parametrize(
    ("place", "column", "value", "row"),
    [
        (0, "charge_g", "404.5", ("charge", "1", "400 ± 4 g", "404.5 g")),
        (0, "fuel", "olive", ("fuel", "1", "alder", "olive")),
        (0, "bag", "3", ("bag", "1", "1", "3")),
        (0, "excluded", "lid blew off", ("burn left out", "1", "counted", "lid blew off")),
        (3, "day", "2026-05-16", ("day", "4", "2026-05-15", "2026-05-16")),
        (0, "lit", "12:30", ("order", "1", "place 1", "place 2")),
    ],
)
def test_a_burn_done_otherwise_is_a_deviation(planned, place, column, value, row):
    rows = changed(place, column, value)
    if column == "lit":
        rows[0][7] = "13:30"
    found = rows_after(planned, rows)
    assert row in found or ("order", "2", "place 2", "place 1") in found


def test_a_charge_within_the_tolerance_is_none(planned):
    assert rows_after(planned, changed(0, "charge_g", "404")) == []


def test_a_burn_left_out_in_the_middle_is_missing(planned):
    assert rows_after(planned, [ROWS[0], *ROWS[2:]]) == [("burn missing", "2", "a burn", "none")]


def test_the_end_not_reached_is_stopping_early(planned):
    assert rows_after(planned, ROWS[:3]) == [("stopped early", "all burns", "4 burns", "3 burns")]


def test_before_the_first_burn_none_is_missing(planned):
    ahead = [[*row[:6], "", "", "", ""] for row in ROWS]
    assert rows_after(planned, ahead) == [("stopped early", "all burns", "4 burns", "0 burns")]


def test_a_look_that_was_planned_is_not(planned):
    run = open_run(planned)
    looks = replace(run.trial, plan=run.trial.plan.model_copy(update={"stages": (2, 4)}))
    write_plan(planned, plan_of(looks, run.burns, "2026-05-01"))
    assert [row[0] for row in rows_after(planned, ROWS[:2])] == ["plan written anew"]


def test_burning_on_is_seen(planned):
    (planned / "logs" / "e.csv").write_text("time,temp\n0,9\n", encoding="utf-8")
    more = ["5", "alder", "2", "2026-05-16", "5", "400", "10:00", "11:00", "e.csv", ""]
    assert rows_after(planned, [*ROWS, more]) == [("burn beyond the plan", "5", "none", "a burn")]


def test_only_the_burns_that_moved_are_out_of_order(planned):
    rows = [list(row) for row in ROWS]
    rows[3][3], rows[3][6], rows[3][7] = "2026-05-14", "08:00", "09:00"
    found = [row for row in rows_after(planned, rows) if row[0] == "order"]
    assert found == [("order", "4", "place 4", "place 1")]


@pytest.mark.parametrize("text", ["x = = 1", 'burns = "many"', "thresholds = [1, 'a']", "a = " + "[" * 5000])
def test_a_plan_that_cannot_be_read_is_a_fault_of_the_folder(planned, text):
    (planned / "plan" / "plan.toml").write_text(text, encoding="utf-8")
    with pytest.raises(KitError) as caught:
        open_run(planned)
    assert all(problem.where.startswith("plan/plan.toml") for problem in caught.value.problems)


def test_what_the_kit_does_not_know_of_a_plan_is_kept_in_its_hash(planned):
    place = planned / "plan" / "plan.toml"
    place.write_text('weather = "no rain"\n' + place.read_text(encoding="utf-8"), encoding="utf-8")
    assert rows_after(planned)[0][0] == "plan changed after it was written"

"""A plan from answers, as the tester reads it, written whole and hashed."""

from __future__ import annotations

import csv
import json
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from pydantic_core import to_jsonable_python

from kit.errors import KitError
from kit.lenders import SAME
from kit.metrics import metric
from kit.plan import Design, make_plan, plan_run
from kit.plan.answers import from_earlier, read_answers, trial_alone
from kit.plan.planned import chance_best_named
from kit.plan.schedule import timetable
from kit.plan.sentences import plan_lines, plan_words
from kit.schema import BURNS, COMPONENTS
from kit.trial import open_run, read_plan
from tests.plan.helpers import TRIAL, goal, yard

TODAY = "2026-04-10"


def as_measured(folder: Path) -> Any:
    """Return how the trial of a run folder measures, as a report's results hold it."""
    trial, _ = trial_alone(folder / "trial.toml")
    return to_jsonable_python({key: getattr(trial, key) for key in SAME}, by_alias=False)


def results(folder: Path, name: str, sd: float, **more: object) -> Path:
    """Write a report's results with components for both metrics into a run folder."""
    place = folder / "reports" / name
    place.mkdir(parents=True)
    columns = [column.name for column in COMPONENTS]
    rows = [
        dict(zip(columns, (metric, part, scale * sd, 0.0, 2 * scale * sd, 0.95, "profile", False, ""), strict=True))
        for metric, scale in (("peak", 1.0), ("time_above:150", 0.01))
        for part in ("bag", "burn")
    ]  # fmt: skip
    text = json.dumps({"schema": "repeatburn-results/1", "components": rows, **more})
    (place / "results.json").write_text(text, encoding="utf-8")
    return folder


def test_a_plan_from_nothing_but_assumptions(tmp_path: Path) -> None:
    planned = make_plan(yard(tmp_path / "y"), today=TODAY)
    assert len(planned.order) == 18 and planned.design.bags == 3
    words = plan_words(planned)
    assert "assumed" in words and "[model] borrow_from" in words
    assert "18 burns: 3 fuels, 3 bags of each, two burns from a bag." in words
    assert "A single burn of each fuel" in words and "12 burns, all fuels" in words
    assert words.splitlines()[-1].startswith(f"{TODAY} repeatburn plan: 3 fuels, 18 burns, sha256 ")
    assert "REML" not in words and "Satterthwaite" not in words


@pytest.mark.few_trials
@pytest.mark.parametrize(("days", "is_daily"), [("", False), ("days = 24", True), ("days = 20", False)])
def test_designs_to_choose_between_are_burned_as_the_plan_burns_them(
    tmp_path: Path, days: str, is_daily: bool
) -> None:
    """Two burns a day of five fuels: the control fuel on every day takes 24 days where 15 would do."""
    more = "".join(f'[[fuel]]\nid = "{name}"\nprice = 9\n' for name in ("husk", "cork"))
    asked = f"bags = 3\nburns = 2\nburn_h = 3\ncookers = 2\n{days}\n"
    first_probe = '[[probe]]\nid = "lid"'
    replaced = {"bags = 3\nburns = 2\nhours = 9\n": asked, first_probe: more + first_probe}
    planned = make_plan(yard(tmp_path / "y", **replaced), today=TODAY)
    assert planned.workday.per_day == 2
    assert (planned.order.groupby("day")["fuel"].agg(lambda own: "old" in set(own)).all()) == is_daily
    assert len(planned.order) == (48 if is_daily else 30)
    own = planned.option(3, 2)
    assert own.total == len(planned.order) and own.days == planned.order["day"].nunique()
    for row in planned.alternatives.itertuples():
        each = row.bags * row.burns
        assert row.total == (8 * each if days and 4 * each <= int(days[-2:]) else 5 * each)
    words = plan_words(planned)
    assert ("; the control fuel oftener, on every day." in words) == is_daily
    assert ("that would take 24 days (days = 24 in [plan])" in words) != is_daily


def test_a_plan_from_an_earlier_run_folder(tmp_path: Path) -> None:
    results(tmp_path / "last", "2025-09-01-standard", sd=99.0)
    results(tmp_path / "last", "2025-09-01-standard-2", sd=4.0)
    folder = yard(tmp_path / "y")
    planned = make_plan(folder, earlier=[tmp_path / "last"], today=TODAY)
    spread = planned.metrics[0].spread
    assert 4.0 < spread.sds["burn"] < 8.0  # the upper 80 % limit lies between the SD and its 95 % limit
    assert "what last found" in plan_words(planned) and "The spread is assumed" not in plan_words(planned)
    assumed = make_plan(folder, today=TODAY)
    at = planned.chances["difference"] == 20.0
    seen = planned.chances[at & planned.chances["verdict"].str.startswith("different")]["chance"].sum()
    before = assumed.chances[at & assumed.chances["verdict"].str.startswith("different")]["chance"].sum()
    assert seen > before
    place = tmp_path / "last" / "reports" / "2025-09-02-methods"
    place.mkdir()
    (place / "results.json").write_text('{"schema": "repeatburn-results/1", "components": []}')
    again = make_plan(folder, earlier=[tmp_path / "last"], today=TODAY)
    assert again.metrics[0].spread == spread  # a report without components does not hide the one before
    (place / "results.json").write_text('{"schema": "other"}')
    with pytest.raises(KitError, match="results that cannot be read"):
        make_plan(folder, earlier=[tmp_path / "last"], today=TODAY)
    with pytest.raises(KitError, match="no report with results"):
        make_plan(folder, earlier=[tmp_path / "nowhere"], today=TODAY)


def test_chances_that_count_on_a_folder_that_the_trial_does_not_borrow_from_are_said_to_be_too_high(
    tmp_path: Path,
) -> None:
    results(tmp_path / "last", "2025-09-01-standard", sd=4.0)
    place = tmp_path / "last" / "reports" / "2025-09-01-standard" / "results.json"
    means = [{"metric": "peak", "fuel": fuel, "df": 10.0, "n": 6, "bags": 3} for fuel in ("old", "new")]
    place.write_text(json.dumps(json.loads(place.read_text("utf-8")) | {"means": means}), "utf-8")
    folder = yard(tmp_path / "y")

    def told(*earlier: Path) -> list[str]:
        return [note for note in read_answers(folder, earlier).notes if "chances count on" in note]

    (note,) = told(tmp_path / "last")
    assert note.startswith("The chances count on what last knows of the spread") and "too high" in note
    assert not told()
    with (folder / "trial.toml").open("a", encoding="utf-8") as file:
        file.write('\n[model]\nborrow_from = ["../last"]\n')
    assert not told(tmp_path / "last")


@pytest.mark.parametrize("bags", [6, 1])
def test_an_earlier_folder_that_could_not_tell_bags_from_burns_does_not_make_bags_alike(
    tmp_path: Path, bags: int
) -> None:
    place = (
        results(tmp_path / "last", "2025-09-01-standard", sd=4.0)
        / "reports"
        / "2025-09-01-standard"
        / "results.json"
    )
    found = json.loads(place.read_text(encoding="utf-8"))
    found["components"] = [row for row in found["components"] if row["component"] == "burn"]
    found["means"] = [
        {"metric": "peak", "fuel": fuel, "df": 10.0, "n": 6, "bags": bags} for fuel in ("old", "new")
    ]
    place.write_text(json.dumps(found), encoding="utf-8")
    planned = make_plan(yard(tmp_path / "y"), earlier=[tmp_path / "last"], today=TODAY)
    spread = planned.metrics[0].spread
    whole = (spread.sds["bag"] ** 2 + spread.sds["burn"] ** 2) ** 0.5
    assert (
        spread.sds["bag"] == pytest.approx(8 / 11 * spread.sds["burn"])
        and "bags taken to differ" in spread.source
    )
    # of six burns of six bags the spread found holds the bags, of six burns of one bag it does not
    assert 4.0 < (whole if bags == 6 else spread.sds["burn"]) < 8.0
    assert planned.alternatives.iloc[0]["burns"] == 1


def test_several_earlier_run_folders_are_pooled_by_what_they_know_and_all_named(tmp_path: Path) -> None:
    spreads = []
    for name, sd, df in (("spring", 4.0, 6.0), ("autumn", 8.0, 18.0)):
        place = (
            results(tmp_path / name, "2025-09-01-standard", sd=sd)
            / "reports/2025-09-01-standard/results.json"
        )
        found = json.loads(place.read_text(encoding="utf-8"))
        found["means"] = [{"metric": "peak", "fuel": "old", "df": df, "n": 6, "bags": 3}]
        place.write_text(json.dumps(found), encoding="utf-8")
        spreads.append(from_earlier([tmp_path / name], metric("peak")))
    one, other = spreads
    both = from_earlier([tmp_path / "spring", tmp_path / "autumn"], metric("peak"))
    assert one is not None and other is not None and both is not None
    assert (one.df, other.df, both.df) == (3.0, 9.0, 12.0)
    for part in ("bag", "burn"):
        pooled = (3 * one.sds[part] ** 2 + 9 * other.sds[part] ** 2) / 12
        assert both.sds[part] ** 2 == pytest.approx(pooled)
    assert "what spring, autumn found, pooled by their degrees of freedom" in both.source


def test_single_burns_with_earlier_folders_are_not_said_to_have_no_error_bars(tmp_path: Path) -> None:
    folder = yard(tmp_path / "y", **{"[plan]": '[model]\nborrow_from = ["../last"]\n\n[plan]'})
    results(tmp_path / "last", "2025-09-01-standard", sd=4.0, metrics=[], trial=as_measured(folder))
    words = plan_words(make_plan(folder, today=TODAY))
    assert "has no error bars" not in words and "rest on what last found alone" in words
    # bags and burns spread alike: one burn a bag until a bag costs four
    assert (
        "per bag: 1 if a bag costs half a burn or one burn or two burns, 2 if a bag costs four burns."
        in words
    )


def test_a_plan_borrows_from_folders_measured_alike_as_the_report_will(tmp_path: Path) -> None:
    folder = yard(tmp_path / "y", **{"[plan]": '[model]\nborrow_from = ["all alike"]\n\n[plan]'})
    alike, known = as_measured(folder), {"name": "2025-09-01-standard", "metrics": []}
    results(tmp_path / "last", sd=4.0, trial=alike, **known)
    results(tmp_path / "lid", sd=9.0, trial=alike | {"cookers": ["kettle"]}, **known)
    planned = make_plan(folder, today=TODAY)
    assert planned.metrics[0].spread.earlier == "last"
    (said,) = [note for note in planned.notes if "lid" in note]
    assert said == "The folder lid beside this one was not measured alike (cooker): it lends nothing."
    named = yard(tmp_path / "n", **{"[plan]": '[model]\nborrow_from = ["../lid"]\n\n[plan]'})
    with pytest.raises(KitError, match="lid: cooker"):
        make_plan(named, today=TODAY)
    first = replace(planned.metrics[0], spread=replace(planned.metrics[0].spread, df=6.0))
    least = planned.alternatives["total"].min()
    dearer = planned.alternatives[planned.alternatives["total"] > least]
    (borrowing,) = (
        line
        for line in plan_lines(replace(planned, metrics=(first,), alone=dearer), "alternatives")
        if "borrows" in line
    )
    assert borrowing == (
        f"Where the report borrows what last knows of the spread, {least} burns find twice the margin in 80 % "
        f"of trials; if burns spread just as much and it borrows nothing, that takes {dearer['total'].min()}."
    )


@pytest.mark.few_designs
def test_cookers_without_names_are_refused_before_any_design_is_weighed(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("kit.plan.planned.designs", lambda *_: pytest.fail("designs were weighed"))
    with pytest.raises(KitError, match=r"cookers = 2, and 1 named in \[trial\] cooker"):
        plan_run(yard(tmp_path / "y", **{"hours = 9": "hours = 9\ncookers = 2"}), today=TODAY)


@pytest.mark.few_designs
def test_a_cooker_with_more_burns_on_a_day_than_it_holds_is_refused_though_another_is_free(
    tmp_path: Path,
) -> None:
    folder = yard(tmp_path / "y", **{'cooker = "steel drum"': 'cooker = ["A", "B"]'})
    burns = """\
burn,fuel,bag,day,cooker,log
1,old,1,2026-05-02,A,
2,new,1,2026-05-02,{},
3,old,2,2026-05-03,A,
4,new,2,2026-05-03,B,
"""
    (folder / "burns.csv").write_text(burns.format("B"), encoding="utf-8")
    planned = make_plan(folder, today=TODAY)
    assert not planned.obstacles and "the sheet has up to" not in plan_words(planned)
    (folder / "burns.csv").write_text(burns.format("A"), encoding="utf-8")
    planned = make_plan(folder, today=TODAY)
    assert "; the sheet has up to 2 in one of them on one day. " in plan_words(planned)
    (problem,) = planned.obstacles
    assert problem.found == "2 burns on 2026-05-02 in A" and problem.expected.startswith("at most 1: ")


@pytest.mark.few_designs
def test_the_plan_is_written_whole_and_its_rows_are_planned(tmp_path: Path) -> None:
    folder = yard(tmp_path / "y")
    written = plan_run(folder, today=TODAY)
    assert sorted(p.name for p in (folder / "plan").iterdir()) == ["key.html", "plan.toml", "sheets.html"]
    plan = read_plan(folder)
    assert plan is not None and not plan.is_changed and plan.sha256 in plan_words(written)
    run = open_run(folder)
    assert run.is_interim and (run.burns["state"] == "planned").all() and len(run.burns) == 18
    assert json.dumps(written.as_record(), allow_nan=False) and written.as_record()["burns"] == 18
    unpriced = make_plan(yard(tmp_path / "z", **{"price = 14\n": ""}), today=TODAY)
    assert json.dumps(unpriced.as_record(), allow_nan=False) and unpriced.cost is None
    assert "No price is given for shell" in plan_words(unpriced)


@pytest.mark.few_designs
def test_a_sheet_with_more_burns_on_a_day_than_it_holds_is_refused_until_they_are_done(
    tmp_path: Path,
) -> None:
    folder = yard(tmp_path / "y")
    drawn = plan_run(folder, today=TODAY)
    assert "the sheet has up to" not in plan_words(drawn)
    sheet, days = folder / "burns.csv", drawn.order["day"]
    crowded = sheet.read_text(encoding="utf-8")
    for day in days.unique():
        crowded = crowded.replace(day, days.iloc[0])
    sheet.write_text(crowded, encoding="utf-8")
    before = {path: path.read_bytes() for path in folder.rglob("*") if path.is_file()}
    with pytest.raises(KitError) as refused:
        plan_run(folder, today=TODAY)
    (problem,) = refused.value.problems
    assert (problem.where, problem.found) == ("burns.csv", f"{len(days)} burns on {days.iloc[0]}")
    assert problem.expected.startswith(f"at most {drawn.workday.per_day}: ")
    assert before == {path: path.read_bytes() for path in folder.rglob("*") if path.is_file()}
    (folder / "logs").mkdir()
    rows = crowded.splitlines()
    place = rows[0].split(",").index("log")
    for number, row in enumerate(rows[1:], 1):
        cells = row.split(",")
        cells[place] = f"{number}.csv"
        (folder / "logs" / cells[place]).write_text(f"s,C\n0,{number}\n", encoding="utf-8")
        rows[number] = ",".join(cells)
    sheet.write_text("\n".join(rows), encoding="utf-8")
    words = plan_words(make_plan(folder, today=TODAY))
    assert "By [plan] a day holds 1 burn in the cooker" in words and "on another day" not in words
    assert f"; the sheet has up to {len(days)} on one day. " in words


@pytest.mark.few_designs
def test_planning_twice_is_the_same_plan_and_keeps_the_tester_s_own_rows(
    tmp_path: Path, weighed_once: dict[bytes, object]
) -> None:
    folder = yard(tmp_path / "y")
    first = plan_run(folder, today=TODAY)
    sheet = (folder / "burns.csv").read_bytes()
    weighed_once.clear()
    second = plan_run(folder, today=TODAY)
    assert (folder / "burns.csv").read_bytes() == sheet
    assert "The order is that of burns.csv" in plan_words(second)
    assert second.plan.sha256 == first.plan.sha256
    assert sorted(p.name for p in (folder / "plan").iterdir()) == ["key.html", "plan.toml", "sheets.html"]
    assert second.order["burn"].tolist() == first.order["burn"].tolist()


@pytest.mark.few_designs
def test_an_empty_sheet_keeps_its_own_headings(tmp_path: Path) -> None:
    folder = yard(tmp_path / "y")
    (folder / "burns.csv").write_text("burn;fuel;log\n".replace(";", ",").replace("log", "log,sparks"))
    plan_run(folder, today=TODAY)
    with (folder / "burns.csv").open(encoding="utf-8") as stream:
        headings = next(csv.reader(stream))
    assert headings == [*(column.name for column in BURNS), "sparks"]


@pytest.mark.few_trials
def test_nothing_is_written_where_the_answers_have_faults(tmp_path: Path) -> None:
    folder = yard(tmp_path / "y", **{'peak = "20 °C"\n"time_above:150" = "15 %"\n': ""})
    with pytest.raises(KitError, match=r"\[margins\].*smallest difference that matters"):
        plan_run(folder, today=TODAY)
    assert [path.name for path in folder.iterdir()] == ["trial.toml"]
    alone = yard(tmp_path / "one")
    text = TRIAL[: TRIAL.index('[[fuel]]\nid = "new"')] + TRIAL[TRIAL.index("[[probe]]") :]
    (alone / "trial.toml").write_text(text)
    with pytest.raises(KitError, match="two or more to compare"):
        plan_run(alone, today=TODAY)
    with pytest.raises(KitError, match="no trial file"):
        plan_run(tmp_path / "nowhere", today=TODAY)


@pytest.mark.few_designs
def test_a_failure_while_writing_is_said_and_leaves_no_scraps(tmp_path: Path, monkeypatch) -> None:
    folder = yard(tmp_path / "y")

    def full(self: Path, target: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(Path, "replace", full)
    with pytest.raises(KitError, match="the disk is full"):
        plan_run(folder, today=TODAY)
    assert not list(folder.glob("burns.csv")) and not list(folder.glob("plan/.sheets*"))


@pytest.mark.few_trials
def test_what_does_not_fit_is_said(tmp_path: Path) -> None:
    folder = yard(tmp_path / "y", **{"hours = 9": "hours = 3\ndays = 4\nbudget = 20"})
    planned = make_plan(folder, today=TODAY)
    found = [(each.found, each.expected) for each in planned.obstacles]
    assert found == [
        ("18 days for 18 burns, 1 a day", "at most days = 4"),
        ("a burn of 5 h in a day of 3 h", "a burn that ends within its day"),
        ("bags for 102 EUR", "at most budget = 20"),
    ]
    assert any("One burn a day" in note for note in planned.notes)
    words = plan_words(planned)
    assert 0 < words.index("This plan cannot be carried out as it was asked for:") < words.index("18 burns:")
    with pytest.raises(KitError, match="at most budget = 20") as error:
        plan_run(folder, today=TODAY)
    assert len(error.value.problems) == 3
    assert [path.name for path in folder.iterdir()] == [
        "trial.toml"
    ]  # nothing of an impossible plan is written


@pytest.mark.few_designs
def test_one_setting_is_planned_and_several_are_a_choice(tmp_path: Path) -> None:
    one = '[[probe]]\nid = "lid"\n'
    planned = make_plan(yard(tmp_path / "a", **{one: '[[setting]]\nid = "full"\nvents = "full"\n' + one}))
    assert set(planned.plan.table["setting"]) == {"full"}
    two = '[[setting]]\nid = "full"\n[[setting]]\nid = "low"\nvents = "quarter"\n' + one
    several = make_plan(yard(tmp_path / "b", **{one: two}))
    assert set(several.plan.table["setting"]) == {""}
    assert "for one of the settings" in " ".join(several.notes)


@pytest.mark.few_trials
def test_stages_share_out_the_error(tmp_path: Path) -> None:
    plain = make_plan(yard(tmp_path / "a"), today=TODAY)
    staged = make_plan(yard(tmp_path / "b", **{"seed = 5": "seed = 5\nstages = [9, 18]"}), today=TODAY)
    assert 0.95 < staged.chances["level"].iloc[0] < 0.99
    assert staged.chances["half_width"].iloc[0] > plain.chances["half_width"].iloc[0]
    assert staged.plan.stages == (9, 18)


@pytest.mark.few_designs
def test_cooling_lies_between_burns_and_ash_waits_for_the_next_morning(tmp_path: Path) -> None:
    calendar = make_plan(yard(tmp_path / "y"), today=TODAY, first_day="2026-04-20").calendar
    burns = calendar[calendar["what"] == "burn"]
    assert (
        not burns["day"].duplicated().any() and (burns["next"] == "another day").all()
    )  # weighed: once a day
    day_of = dict(zip(burns["burn"], burns["day"], strict=True))
    weighed = calendar[calendar["weigh"] != ""]
    for row in weighed.itertuples():
        assert all(day_of[burn] < row.day for burn in row.weigh.split(", "))
    everything = ", ".join(weighed["weigh"]).split(", ")
    assert sorted(everything) == sorted(burns["burn"])
    assert burns["day"].min() == "2026-04-20"


@pytest.mark.few_designs
def test_burns_done_already_are_named(tmp_path: Path) -> None:
    demo = Path(__file__).parents[2] / "runs" / "hill-school"
    planned = make_plan(demo, today=TODAY)
    assert any("not written before the first burn" in note for note in planned.notes)
    assert planned.order["burn"].tolist()[0] == "01" and len(planned.chances) == 30


@pytest.mark.few_designs
def test_the_calendar_keeps_to_the_burns_own_length_weekdays_and_daylight(tmp_path: Path) -> None:
    asked = """burn_h = 5
cool_h = 4
first_day = 2026-05-06
weekdays = ["Sat", "Sun"]
earliest = "09:00"
latest = "20:00"
cookers = 2
seed = 5"""
    planned = make_plan(yard(tmp_path / "y", **{"seed = 5": asked}), today=TODAY)
    burns = planned.calendar[planned.calendar["what"] == "burn"]
    assert set(burns["weekday"]) == {"Saturday", "Sunday"} and burns["day"].min() == "2026-05-09"
    assert not burns[["day", "cooker"]].duplicated().any() and burns["cooker"].nunique() == 2
    assert sorted(set(burns["light"])) == ["09:00", "14:15"]  # one after the other: nobody tends two fires
    assert "5 h from lit to stopped (burn_h of [plan])" in plan_words(planned)


@pytest.mark.few_designs
def test_blank_ash_lets_a_cooker_burn_twice_a_day_but_not_before_it_was_checked_cold(tmp_path: Path) -> None:
    asked = 'seed = 5\nweigh_ash = false\nburn_h = 3\ncool_h = 3\nearliest = "08:00"\nlatest = "18:00"'
    planned = make_plan(yard(tmp_path / "y", **{"seed = 5": asked}), today=TODAY)
    first = planned.calendar[planned.calendar["what"] == "burn"].head(2)
    assert first["light"].tolist() == ["08:00", "14:00"] and first["next"].tolist() == [
        "14:00",
        "another day",
    ]
    assert (planned.calendar["weigh"] == "").all() and "leave their boxes blank" in plan_words(planned)
    lit = ["09:12:40", *[""] * (len(planned.order) - 1)]  # of a burn that was made the sheet knows
    begun = timetable(planned.order.assign(lit=lit), (), planned.workday)
    begun = begun[begun["what"] == "burn"].head(2)
    assert begun["light"].tolist() == ["09:12", "14:00"] and begun["next"].iloc[0] == "15:15"


@pytest.mark.few_trials
def test_what_is_taken_for_granted_and_what_a_bag_or_a_burn_more_costs_is_said(tmp_path: Path) -> None:
    words = plan_words(make_plan(yard(tmp_path / "y"), today=TODAY))
    assert "first_day = tomorrow, weekdays = every day, earliest = 08:00, cool_h = 3" in words
    assert "As planned: 18 burns on 18 days, 90 h at the cooker, bags for 102 EUR." in words
    assert "a bag more of each fuel: 24 burns on 24 days, 120 h at the cooker, bags for 136 EUR" in words
    assert "a burn more from each bag: 27 burns on 27 days, 135 h at the cooker, bags for 102 EUR" in words
    dated = make_plan(yard(tmp_path / "z"), today=TODAY, first_day="2026-04-20")
    assert not any("first_day" in note for note in dated.notes)


@pytest.mark.few_designs
def test_several_cookers_want_a_name_each_and_a_first_day_that_is_over_is_said(tmp_path: Path) -> None:
    folder = yard(tmp_path / "y", **{"seed = 5": "seed = 5\ncookers = 2\nfirst_day = 2026-04-01"})
    with pytest.raises(KitError, match=r"cookers = 2, and 1 named in .*\['steel drum', 'cooker 2'\]"):
        plan_run(folder, today=TODAY)
    assert any("first_day = 2026-04-01 is over" in note for note in make_plan(folder, today=TODAY).notes)
    named = {'cooker = "steel drum"': 'cooker = ["A", "B"]', "seed = 5": "seed = 5\ncookers = 2"}
    plan_run(yard(tmp_path / "z", **named), today=TODAY)
    assert set(open_run(tmp_path / "z").burns["cooker"]) == {"A", "B"}


def test_where_the_money_does_not_reach_the_least_design_and_the_fuels_to_leave_out_are_named(
    tmp_path: Path,
) -> None:
    folder = yard(tmp_path / "y", **{"bags = 3\nburns = 2\n": "budget = 50\n"})
    with pytest.raises(
        KitError, match=r"found bags for 68 EUR.*Or leave out shell briquettes: 2 bags of each"
    ):
        plan_run(folder, today=TODAY)


@pytest.mark.few_designs
def test_a_sheet_saved_by_a_spreadsheet_keeps_its_own_headings_and_is_not_planned_twice(
    tmp_path: Path,
) -> None:
    folder = yard(tmp_path / "y")
    (folder / "burns.csv").write_text("burn;fuel;Charge (g);sparks\n", encoding="utf-8")
    plan_run(folder, today=TODAY)
    with (folder / "burns.csv").open(encoding="utf-8") as stream:
        assert next(csv.reader(stream)) == [*(column.name for column in BURNS), "sparks"]


@pytest.mark.few_designs
def test_a_burn_too_long_for_the_day_and_an_assumed_length_are_said(tmp_path: Path) -> None:
    long = make_plan(
        yard(tmp_path / "a", **{"seed = 5": 'seed = 5\nburn_h = 12\nlatest = "18:00"'}), today=TODAY
    )
    assert [each.found for each in long.obstacles] == ["a burn of 12 h in a day of 10 h"]
    assert "assumed: time one burn" in plan_words(make_plan(yard(tmp_path / "b"), today=TODAY))


def test_the_best_design_comes_first_and_is_taken_where_none_is_asked_for(tmp_path: Path) -> None:
    folder = yard(tmp_path / "y", **{"bags = 3\nburns = 2\n": "days = 18\n"})
    planned = make_plan(folder, today=TODAY)
    table = planned.alternatives
    assert (planned.design.bags, planned.design.burns) == (6, 1) == (table["bags"][0], table["burns"][0])
    within = table[table["allowed"].astype(bool)]
    assert (within["total"] <= 18).all() and within.index[0] == 0
    assert within["found_at_twice"][0] >= within["found_at_twice"][1:].max() - 0.01
    asked = make_plan(yard(tmp_path / "asked"), today=TODAY)
    assert (asked.design.bags, asked.design.burns) == (3, 2) and "Recommended: 6 bags" in plan_words(asked)
    poor = make_plan(
        yard(tmp_path / "poor", **{"bags = 3\nburns = 2\n": "days = 18\nbudget = 110\n"}), today=TODAY
    )
    assert poor.design.bags == 3 and poor.alternatives["cost"][0] <= 110  # 34 for a bag of each


def test_the_chance_of_naming_the_best_grows_with_the_lead_and_has_its_size_without_one() -> None:
    design, asked = Design(4, 4, 2), goal(10.0, {"bag": 5.0, "burn": 8.0})
    chances = [chance_best_named(design, lead, asked) for lead in (0.0, 10.0, 20.0, 40.0)]
    assert chances == sorted(chances) and chances[0] < 0.05 and chances[-1] > 0.99

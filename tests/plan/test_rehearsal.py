"""Rehearsals: the tester's own plan, simulated, and labelled so in every file."""

from __future__ import annotations

import shutil
import tomllib
from pathlib import Path

import pandas as pd
import pytest

from kit.errors import KitError
from kit.plan import plan_run, rehearse, simulate_trial
from kit.plan.simulated import Fault, rehearsal_text
from kit.readings import read_burns
from kit.trial import deviations, open_run
from kit.trial.run import lender_folders
from tests.plan.helpers import TRIAL, yard


@pytest.fixture(scope="module")
def planned(tmp_path_factory: pytest.TempPathFactory) -> Path:
    declared = (
        'primary = ["peak", "time_above:150"]\ndeclared = [{ column = "sparks", unit = "", better = "less" }]'
    )
    folder = yard(
        tmp_path_factory.mktemp("rehearsal") / "y",
        **{'primary = ["peak", "time_above:150"]': declared},
    )
    plan_run(folder, today="2026-04-10")
    return folder


def test_a_rehearsal_is_the_plan_of_the_folder_done(planned: Path) -> None:
    made = rehearse(planned, seed=3)
    assert made == planned / "rehearsal-3"
    run, own = open_run(made), open_run(planned)
    assert run.burns["burn"].tolist() == own.burns["burn"].tolist()
    assert run.burns["bag"].tolist() == own.burns["bag"].tolist()
    assert (run.burns["state"] == "done").all() and run.trial.margins == own.trial.margins
    assert run.trial.main_probe == "grate" and run.trial.title.startswith("Simulated rehearsal")
    assert deviations(run.plan, run.trial, run.burns).empty
    assert pd.to_numeric(run.burns["sparks"]).between(0.5, 50).all()
    header = next((made / "logs").iterdir()).read_text(encoding="utf-8").splitlines()[1]
    assert header == "time,grate (°C),lid (°C)"


def test_every_file_says_that_it_is_simulated(planned: Path) -> None:
    made = rehearse(planned, seed=4)
    files = [path for path in made.rglob("*") if path.is_file()]
    assert len(files) > 20
    for path in files:
        assert "simulated" in path.read_text(encoding="utf-8").lower(), path.name


def test_the_same_seed_rehearses_the_same_and_never_over_another(planned: Path, tmp_path: Path) -> None:
    made = rehearse(planned, seed=5)
    first = {p.name: p.read_bytes() for p in (made / "logs").iterdir()}
    with pytest.raises(KitError, match="a rehearsal already there"):
        rehearse(planned, seed=5)
    made.rename(tmp_path / "kept")
    again = {p.name: p.read_bytes() for p in (rehearse(planned, seed=5) / "logs").iterdir()}
    assert again == first
    assert not [p for p in planned.iterdir() if p.name.startswith(".")]


def test_without_a_written_plan_the_one_that_would_be_written_is_rehearsed(tmp_path: Path) -> None:
    folder = yard(tmp_path / "y")
    assert len(open_run(rehearse(folder, seed=1)).burns) == 18
    assert sorted(p.name for p in folder.iterdir()) == ["rehearsal-1", "trial.toml"]
    with pytest.raises(KitError, match="no trial file"):
        rehearse(tmp_path / "nowhere")


def test_an_earlier_folder_named_from_the_trial_is_found_from_its_rehearsal(
    planned: Path, tmp_path: Path
) -> None:
    folder = Path(shutil.copytree(planned, tmp_path / "y"))
    (tmp_path / "spring").mkdir()
    file = folder / "trial.toml"
    text = file.read_text(encoding="utf-8")
    file.write_text(text + '\n[model]\nborrow_from = ["../spring"]\n', encoding="utf-8")
    made = rehearse(folder, seed=9)
    (lender,) = lender_folders(made, open_run(made).trial.model.borrow_from)
    assert lender.resolve() == tmp_path / "spring"
    assert not [p for p in folder.iterdir() if p.name.startswith(".")]


def test_the_main_probe_of_a_rehearsal_is_the_trials_own(tmp_path: Path) -> None:
    for named, found in (('probe = "dome"', ["dome", "grate"]), ("", ["grate", "lid"])):
        text = rehearsal_text(f"[trial]\ntime_zero = 'lit'\n{named}\n", 1)
        table = tomllib.loads(text)
        assert [probe["id"] for probe in table["probe"]] == found and table["trial"]["probe"] == found[0]


def order(burns: int, per_day: int = 3) -> pd.DataFrame:
    fuels = ("old", "new", "shell")
    return pd.DataFrame(
        {
            "burn": [f"b{n}" for n in range(burns)],
            "fuel": [fuels[n % 3] for n in range(burns)],
            "bag": [str(1 + n // 6) for n in range(burns)],
            "day": [f"2026-05-{1 + n // per_day:02d}" for n in range(burns)],
            "order": range(1, burns + 1),
        }
    )


def test_simulate_trial_writes_a_whole_folder_or_none(tmp_path: Path) -> None:
    made = simulate_trial(tmp_path / "s", TRIAL, order(6), seed=2)
    assert len(open_run(made).burns) == 6
    with pytest.raises(KitError, match="a folder already there"):
        simulate_trial(made, TRIAL, order(6), seed=2)
    unknown = order(6).replace({"fuel": {"new": "other"}})
    with pytest.raises(KitError, match="fuel 'other'"):
        simulate_trial(tmp_path / "t", TRIAL, unknown)
    assert sorted(p.name for p in tmp_path.iterdir()) == ["s"]


def test_a_count_of_ones_own_is_simulated_in_whole_numbers(tmp_path: Path) -> None:
    declared = 'declared = [{ column = "sparks", scale = "count" }]\n\n[margins]'
    text = TRIAL.replace("[margins]", declared, 1)
    run = open_run(simulate_trial(tmp_path / "s", text, order(6), seed=2))
    assert pd.to_numeric(run.burns["sparks"]).mod(1).eq(0).all()


AMISS = [
    ({"seed": -1}, "simulation, seed: found -1; expected at least 0"),
    ({"seed": "one"}, "simulation, seed: found one; expected a whole number"),
    ({"interval_s": 0}, "simulation, interval_s: found '0'; expected seconds above zero"),
    ({"planned": order(3).drop(columns="bag")}, "order of burns: found no column bag"),
    ({"planned": order(3).iloc[:0]}, "order of burns: found no burns"),
    ({"planned": order(3).assign(day="2 May")}, "order of burns, day: found '2 May'; expected a day, as"),
    (
        {"planned": order(3).assign(burn="b1")},
        "order of burns: found burn 'b1' 3 times; expected each burn once",
    ),
    (
        {"faults": [Fault("battery", "b9")]},
        "simulation, faults: found burn 'b9'; expected a burn of the order",
    ),
    ({"faults": [Fault("rust", "b1")]}, "simulation, faults: found 'rust'; expected battery, spike"),
    ({"trial": "[trial"}, "trial.toml"),
    ({"trial": TRIAL.replace("grams = 500", 'grams = "much"')}, "trial.toml, line .*grams"),
]


@pytest.mark.parametrize(("amiss", "message"), AMISS, ids=[each[1][:45] for each in AMISS])
def test_what_cannot_be_simulated_is_refused_and_leaves_nothing(tmp_path: Path, amiss, message: str) -> None:
    asked = {"trial": TRIAL, "planned": order(3)} | amiss
    with pytest.raises(KitError, match=message):
        simulate_trial(tmp_path / "s", **asked)
    assert not list(tmp_path.iterdir())


def test_burns_after_midnight_carry_their_date(tmp_path: Path) -> None:
    made = simulate_trial(tmp_path / "s", TRIAL, order(7, per_day=7), seed=2)
    sheet = pd.read_csv(made / "burns.csv", dtype=str)
    assert sheet["stopped"].str.contains("2026-05-02T").any()
    readings = read_burns(open_run(made))
    assert readings["burn"].nunique() == 7


@pytest.mark.parametrize("cool_h", [None, 0.5, 5])
def test_a_cooker_is_lit_again_once_it_cooled_as_long_as_the_plan_says(
    cool_h: float | None, tmp_path: Path
) -> None:
    text = TRIAL if cool_h is None else TRIAL.replace("[plan]", f"[plan]\ncool_h = {cool_h}")
    made = simulate_trial(tmp_path / "s", text, order(2, per_day=2), seed=2)
    first, second = pd.read_csv(made / "burns.csv", dtype=str).to_dict("records")
    waited = pd.Timedelta(second["lit"][-8:]) - pd.Timedelta(first["stopped"][-8:])
    cooled = pd.Timedelta(hours=3 if cool_h is None else cool_h)
    assert cooled <= waited <= cooled + pd.Timedelta(minutes=15)


def test_settings_throttle_and_cookers_differ(tmp_path: Path) -> None:
    text = TRIAL + '[[setting]]\nid = "open"\nvents = "full"\n[[setting]]\nid = "low"\nvents = "25 %"\n'
    planned = order(12).assign(setting=["open", "low"] * 6)
    made = simulate_trial(tmp_path / "s", text, planned, seed=1)
    sheet = pd.read_csv(made / "burns.csv", dtype=str)
    peaks = {
        row.burn: pd.read_csv(made / "logs" / row.log, skiprows=1).iloc[:, 1].max()
        for row in sheet.itertuples()
    }
    by_setting = pd.Series(peaks).groupby(sheet.set_index("burn")["setting"]).mean()
    assert by_setting["open"] > by_setting["low"] + 20
    heavy = simulate_trial(tmp_path / "c", TRIAL.replace("steel drum", "ceramic egg"), order(3), seed=1)
    assert tomllib.loads((heavy / "trial.toml").read_text())["trial"]["cooker"] == "ceramic egg"


def test_a_battery_fault_ends_the_log_before_the_sheet_s_stop(tmp_path: Path) -> None:
    made = simulate_trial(tmp_path / "s", TRIAL, order(3), faults=[Fault("battery", "b1", after_min=10)])
    last = (made / "logs" / "burn-b1.csv").read_text().splitlines()[-1][11:19]
    sheet = pd.read_csv(made / "burns.csv", dtype=str).set_index("burn")
    assert last < sheet.loc["b1", "stopped"] and "battery" in sheet.loc["b1", "notes"]


@pytest.mark.parametrize(("seed", "message"), [(-1, "found -1; expected at least 0"), ("one", "found one")])
def test_a_seed_that_is_none_is_refused_before_anything_is_drawn(tmp_path: Path, seed, message: str) -> None:
    folder = yard(tmp_path / "y")
    with pytest.raises(KitError, match=f"rehearsal, seed: {message}"):
        rehearse(folder, seed=seed)
    assert [path.name for path in folder.iterdir()] == ["trial.toml"]

"""The committed demo: made anew byte for byte, small, connected, said to be simulated, with its oddities."""

from __future__ import annotations

import tomllib
from pathlib import Path

import pandas as pd
import pytest

from kit.errors import KitError
from kit.plan.schedule import connected
from kit.plan.simulated import FAULTS, RECIPES, demo_order, make_demo
from kit.readings import read_burns
from kit.schema import BURNS
from kit.trial import deviations, open_run

DEMO = Path(__file__).parents[2] / "runs" / "hill-school"
MADE = ("trial.toml", "burns.csv", "events.csv", "scores.csv", "SIMULATED.txt")
MEND = "make it anew: rm -r runs/hill-school; python -m kit.plan.simulated runs/hill-school"


def contents(folder: Path) -> dict[str, bytes]:
    files = [folder / name for name in MADE] + sorted(
        [*(folder / "logs").iterdir(), *(folder / "plan").iterdir()]
    )
    return {str(path.relative_to(folder)): path.read_bytes() for path in files}


@pytest.fixture(scope="module")
def sheet() -> pd.DataFrame:
    return pd.read_csv(DEMO / "burns.csv", dtype=str, keep_default_na=False)


def test_the_committed_demo_is_made_anew_byte_for_byte(tmp_path: Path) -> None:
    made = make_demo(tmp_path / "again")
    assert contents(made) == contents(DEMO), MEND
    with pytest.raises(KitError, match="already there"):
        make_demo(made)


def test_it_is_small_and_says_that_it_is_simulated() -> None:
    files = contents(DEMO)
    assert sum(map(len, files.values())) < 3_000_000
    for name, data in files.items():
        text = data.decode("utf-8" if b"\xb0" not in data.replace(b"\xc2\xb0", b"") else "cp1252")
        assert "simulated" in text.lower(), name


def test_it_is_thirty_six_burns_of_six_fuels_three_bags_and_eighteen_days(sheet: pd.DataFrame) -> None:
    assert len(sheet) == 36 and list(sheet.columns) == [column.name for column in BURNS]
    assert (sheet.groupby(["fuel", "bag"]).size() == 2).all() and sheet["bag"].nunique() == 18
    assert (sheet.groupby("day")["fuel"].nunique() == 2).all() and sheet["day"].nunique() == 18
    assert (
        not sheet[["day", "cooker"]].duplicated().any()
    )  # no oven burns twice a day, so none is emptied hot
    assert (sheet.groupby(["fuel", "cooker"]).size() == 3).all() and sheet["cooker"].nunique() == 2
    assert connected(
        [list(pd.factorize(sheet["fuel"])[0][part]) for part in sheet.groupby("day").indices.values()]
    )
    assert sheet["burn"].tolist() == demo_order()["burn"].tolist()
    kinds = {fuel["id"]: fuel["kind"] for fuel in tomllib.loads((DEMO / "trial.toml").read_text())["fuel"]}
    assert sorted(kinds.values()) == ["briquette"] * 3 + ["lump"] * 3 and set(kinds) == set(RECIPES)
    charges = sheet["charge_g"].astype(float)
    assert charges.between(394, 406).all()


def test_clock_times_follow_each_other_and_burns_of_a_day_do_not_overlap(sheet: pd.DataFrame) -> None:
    clocks = sheet[["lit", "tipped", "lid_on", "stopped"]].apply(pd.to_timedelta)
    assert (clocks.diff(axis=1).iloc[:, 1:] > pd.Timedelta(0)).all().all()
    hours = (clocks["stopped"] - clocks["lit"]).dt.total_seconds() / 3600
    assert hours.between(1.5, 3.5).all() and 2 <= hours.mean() <= 3
    for _, day in clocks.groupby(sheet["day"]):
        assert (day["lit"].to_numpy()[1:] - day["stopped"].to_numpy()[:-1] > pd.Timedelta(0)).all()


def test_mass_and_ash_balance_on_the_sheet(sheet: pd.DataFrame) -> None:
    ash, left, charge = (sheet[name].astype(float) for name in ("ash_g", "leftover_g", "charge_g"))
    share = 100 * ash / (charge - left)
    lump = sheet["fuel"].isin(["alder", "beech", "vine"])
    assert share[lump].between(1.5, 6).all() and share[~lump].between(3, 20).all()
    assert (left / charge < 0.15).all()


def test_every_oddity_of_the_design_is_there(sheet: pd.DataFrame) -> None:
    assert {fault.kind for fault in FAULTS} == {"battery", "wind", "lid open", "spike", "stuck"}
    of = {fault.kind: fault.burn for fault in FAULTS}
    by_burn = sheet.set_index("burn")
    events = pd.read_csv(DEMO / "events.csv", dtype=str)
    assert events["burn"].tolist() == [of["lid open"]]
    wind = by_burn["wind_m_s"].astype(float)
    assert wind.pop(of["wind"]) > wind.max() + 2 and wind.max() < 5
    log = (DEMO / "logs" / by_burn.loc[of["battery"], "log"]).read_text().splitlines()
    assert log[-1][11:19] < by_burn.loc[of["battery"], "stopped"]
    spiky = (DEMO / "logs" / by_burn.loc[of["spike"], "log"]).read_text().splitlines()[2:]
    grate = pd.Series([float(line.split(",")[1]) for line in spiky])
    assert (grate.diff().abs() > 300).sum() == 2


def test_it_was_burnt_as_planned_and_is_read_without_a_fault() -> None:
    run = open_run(DEMO)
    assert (
        run.plan is not None and not run.plan.is_changed and deviations(run.plan, run.trial, run.burns).empty
    )
    flags = read_burns(run)["flag"].value_counts()
    assert flags["spike"] == 1 and flags["stuck"] > 60 and flags["lid open"] > 5


def test_two_loggers_and_their_dialects(sheet: pd.DataFrame) -> None:
    spare = [name for name in sheet["log"].unique() if name.startswith("spare")]
    assert len(spare) == 2 and (sheet["log"].isin(spare)).sum() == 4
    text = (DEMO / "logs" / spare[0]).read_bytes().decode("cp1252")
    assert "grate °C;lid °C" in text and text.splitlines()[5].count(",") == 2

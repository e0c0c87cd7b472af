"""The notebooks run in this process, and what they show: their objects, and what a changed cell changes."""

from __future__ import annotations

import shutil
import subprocess
import sys
from pathlib import Path
from typing import Any

import matplotlib
import pandas as pd
import pytest

from kit import analysis_of, burn_metrics, common_grid, declared_model, fit_repeats, open_run, read_run
from kit.analysis import Analysis
from kit.errors import KitError, Problem
from kit.publish import sections
from kit.publish.notebook import find_template, read_template

DEMO = Path(__file__).parents[1] / "runs" / "hill-school"
FUELS = ("alder", "olive", "pressed")

pytestmark = pytest.mark.slow


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return the demo with half of its fuels, one primary metric and one threshold."""
    target = tmp_path_factory.mktemp("notebooks") / "half"
    left_out = shutil.ignore_patterns("plan", "reports", "scores.csv", "events.csv")
    shutil.copytree(DEMO, target, ignore=left_out)
    sheet = pd.read_csv(DEMO / "burns.csv", dtype=str, keep_default_na=False)
    sheet[sheet["fuel"].isin(FUELS)].to_csv(target / "burns.csv", index=False)
    text = (DEMO / "trial.toml").read_text("utf-8")
    text = text.replace("[110, 150, 200]", "[150]").replace('["peak", "time_above:150"]', '["peak"]')
    (target / "trial.toml").write_text(text.replace('"time_above:110" = "10 %"\n', ""), "utf-8")
    return target


def run_cells(name: str, folder: Path, until: str = "", **changed: str) -> dict[str, Any]:
    """Run the code of a template, all or until a cell, some changed, and return its variables and what cells showed."""
    matplotlib.use("agg")
    known: dict[str, Any] = {}
    for cell in read_template(find_template(name))["cells"]:
        if cell["cell_type"] == "code":
            source = changed.get(cell["id"], "".join(cell["source"]))
            exec(compile(source, f"{name}, cell {cell['id']}", "exec"), known)
            if "parameters" in cell["metadata"].get("tags", []):
                known["run_folder"] = str(folder)
            if until == cell["id"]:
                break
    return known


@pytest.mark.parametrize(("a", "b", "family"), [("pressed", "alder", "dunnett"), ("alder", "olive", "tukey")])
def test_two_fuels_are_compared_in_the_family_that_the_trial_asks_for(
    folder: Path, standard: dict[str, Any], a: str, b: str, family: str
) -> None:
    given = f"run_folder, output, a, b, seed = '', '', {a!r}, {b!r}, 1"
    pair = run_cells("two_fuels", folder, "pair", parameters=given)["pair"]
    of_all = standard["analysis"].table("pairs", metric="peak")
    (told,) = [row for row in of_all.to_dict("records") if {row["a"], row["b"]} == {a, b}]
    (found,) = pair.to_dict("records")
    assert found["multiplicity"] == told["multiplicity"] == family and found["verdict"] == told["verdict"]
    assert all(found[name] == pytest.approx(told[name], rel=0.01) for name in ("difference", "low", "high"))


def test_while_burns_are_to_come_no_verdict_stands_in_the_open(folder: Path, tmp_path: Path) -> None:
    cell = "from dataclasses import replace\nrun = open_run(run_folder)\nburns = run.burns.copy()\n"
    cell += "burns.loc[burns['burn'] == run.in_state('done')['burn'].iloc[-1], ['log', 'state']] = ['', 'planned']\n"
    shown = run_cells("standard", folder, "comparisons-of-one", run=cell + "run = replace(run, burns=burns)")
    assert shown["run"].is_interim and "verdict" not in shown["shown"]


@pytest.fixture(scope="module")
def standard(folder: Path) -> dict[str, Any]:
    return run_cells("standard", folder)


def test_what_a_notebook_shows_fits_on_a_screen(standard: dict[str, Any]) -> None:
    objects = [standard[name] for name in ("run", "logs", "fit", "curves_of_burns", "analysis", "answer")]
    for each in [*objects, standard["fit"].summary()]:
        assert len(repr(each)) < 1500, type(each)
    for each in [*objects[:5], standard["fit"].summary()]:
        assert len(each._repr_html_()) < 20_000, type(each)
    assert "95 % intervals" in repr(standard["fit"].summary())


def test_tables_are_found_by_name_and_by_what_is_in_them(standard: dict[str, Any]) -> None:
    analysis: Analysis = standard["analysis"]
    rows = analysis.table("comparisons", metric="peak")
    assert set(rows["metric"]) == {"peak"} and analysis.comparisons is analysis.tables["comparisons"]
    with pytest.raises(KeyError, match="Did you mean 'comparisons'"):
        analysis.table("comparison")
    with pytest.raises(KeyError, match="Did you mean 'metric'"):
        analysis.table("comparisons", metrics="peak")
    with pytest.raises(AttributeError, match="no 'comparison'"):
        _ = analysis.comparison


def test_the_models_limits_widen_with_the_confidence(standard: dict[str, Any]) -> None:
    fit = standard["fit"]
    wide, narrow = fit.conf_int(0.99), fit.conf_int(0.5)
    assert ((wide["high"] - wide["low"]) > (narrow["high"] - narrow["low"])).all()
    assert (wide["mean"] == narrow["mean"]).all()


def test_the_model_in_the_open_is_the_one_of_the_analysis(standard: dict[str, Any]) -> None:
    assert standard["fit"].criterion == standard["analysis"].fits[standard["metric"]].criterion


def test_a_dropped_burn_and_a_changed_margin_change_all_that_follows(
    folder: Path, standard: dict[str, Any]
) -> None:
    cell = 'run = open_run(run_folder).without("07", "the lid was off").with_margin("peak", "90 °C")'
    changed = run_cells("standard", folder, run=cell)
    rows = changed["analysis"].table("comparisons", metric="peak")
    before = standard["analysis"].table("comparisons", metric="peak")
    assert set(rows["margin"]) == {90.0} and list(rows["verdict"]) != list(before["verdict"])
    fuel = open_run(folder).burns.set_index("burn").loc["07", "fuel"]
    assert set(rows.loc[rows["a"] == fuel, "n_a"]) < set(before.loc[before["a"] == fuel, "n_a"]) | {5}
    page = "".join(str(changed[name].html) for name in ("answer", "comparisons", "quality"))
    assert "the lid was off" in page and "90" in page


def test_a_burn_taken_out_of_the_metrics_is_left_out_of_everything(folder: Path) -> None:
    run = open_run(folder)
    logs = read_run(run)
    metrics = burn_metrics(logs.readings, run)
    analysis = analysis_of(run, logs, metrics[metrics["burn"] != "07"])
    assert list(analysis.run.in_state("excluded")["burn"]) == ["07"]
    curves = common_grid(logs.readings, analysis.run)
    assert not curves.counted[curves.burn.index("07")]
    assert "taken out of the metrics" in " ".join(analysis.notes)


def test_a_metric_of_ones_own_is_compared_and_shown(folder: Path) -> None:
    sparks = "{b: float(b) % 7 for b in run.burns['burn']}"
    cell = f"run = open_run(run_folder)\nrun = run.with_metric('sparks', {sparks}, 'n')"
    changed = run_cells("standard", folder, run=cell)
    assert len(changed["analysis"].table("means", metric="sparks")) == len(FUELS)
    assert all("sparks" in changed[name].html.casefold() for name in ("fuel_tables", "comparison_tables"))


def test_what_cannot_be_changed_is_told(folder: Path) -> None:
    run = open_run(folder)
    with pytest.raises(KitError, match="a burn of the sheet"):
        run.without("99", "no reason")
    with pytest.raises(KitError, match="margin of peak"):
        run.with_margin("peak", "some")


def test_a_fault_is_shown_without_frames() -> None:
    lines = KitError(
        Problem("refuse", "burns.csv, row 7", "'x'", "a number", "Mend it.")
    )._render_traceback_()
    assert (
        lines[0] == "KitError:"
        and "burns.csv, row 7" in lines[1]
        and not any("File" in line for line in lines)
    )


def test_a_single_burn_leaves_the_notebook_whole(folder: Path, tmp_path: Path) -> None:
    single = tmp_path / "single"
    shutil.copytree(folder, single)
    sheet = pd.read_csv(folder / "burns.csv", dtype=str, keep_default_na=False)
    sheet[sheet["fuel"] == "alder"].head(1).to_csv(single / "burns.csv", index=False)
    shown = run_cells("standard", single)
    assert not shown["fit"].has_spread and shown["pairs"] is None


def test_the_guide_and_the_explorer_run(folder: Path) -> None:
    guide = run_cells("guide", folder)
    assert len(guide["pairs"]) == 3 and guide["fit"].summary().means["fuel"].tolist() == [
        "round",
        "flat",
        "tall",
    ]
    from kit.lab import burn_view, explorer, metric_view

    analysis = guide["analysis"]
    box = explorer(analysis)
    assert len(box.children) == 3
    assert "data:image/svg+xml" in metric_view(analysis, "peak", ["alder", "olive"])
    low, high = (burn_view(analysis, analysis.metrics["burn"].iloc[0], at) for at in (80, 390))
    assert "time_above:80" in low and "never" in high


def test_the_model_takes_any_table() -> None:
    table = pd.DataFrame({"pot": list("aabb"), "minutes": [1.0, 1.1, 2.0, 2.1]})
    fit = fit_repeats(table, value="minutes", fuel="pot", bag=None)
    assert repr(fit) == "<RepeatFit: 4 burns of 2 fuels, plain scale>"


def test_the_kit_is_quick_to_import_and_gives_each_name() -> None:
    code = (
        "import sys, kit; assert not {'pandas', 'numpy', 'pydantic'} & set(sys.modules); "
        "[getattr(kit, name) for name in dir(kit)]"
    )
    subprocess.run([sys.executable, "-c", code], check=True)


def test_sections_of_the_template_are_those_of_the_kit(standard: dict[str, Any]) -> None:
    assert standard["page"][0].id == "answer"
    assert {type(each) for each in standard["page"]} == {sections.Section}


def test_a_declared_model_is_empty_where_there_is_none(folder: Path) -> None:
    run = open_run(folder)
    metrics = burn_metrics(read_run(run).readings, run)
    assert declared_model(metrics[metrics["metric"] != "peak"], run, "peak")[1] == {}
    assert declared_model(metrics[metrics["fuel"] == "alder"], run, "peak")[1] != {}

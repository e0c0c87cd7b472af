"""From folders to the page: what is refused and named, what may be compared with what, and what stands beside."""

import json
import re
from dataclasses import replace
from html import unescape

import numpy as np
import pytest

from kit.cli import main
from kit.errors import KitError
from kit.history import history_of, newest_reports, open_seasons
from kit.history.seasons import BY_CONTROL, DIRECTLY, NOT, read_part
from kit.publish.history_report import answer, common_place, differently, drift
from tests.history.folders import trial, write_folder
from tests.publish.browser import VIEWS, chromium, faults_of
from tests.simulate.history import made_season

RNG = np.random.default_rng


def opened(place, changes, **how):
    """Return seasons s00, s01 … whose trials have these changes; s00 alone has the fuel called 'only then'."""
    folders = []
    for k, each in enumerate(changes):
        season = made_season(k, RNG(k))
        rows = season.rows["peak"]
        if k == 0:
            rows[:] = [row._replace(fuel="only then") if row.fuel == "fuel 5" else row for row in rows]
        folders.append(write_folder(season, place, each, **how))
    return open_seasons(newest_reports(folders))


def standing(seasons, fuel="only then"):
    table = history_of(seasons).metrics["peak"].standing.set_index("fuel")
    return table.loc[fuel, "standing"], table.loc[fuel, "why"]


def test_seasons_measured_alike_are_compared_directly(tmp_path):
    found, why = standing(opened(tmp_path, [{}, {}]))
    assert found == DIRECTLY and "the control fuel stayed the same" in why


@pytest.mark.parametrize(
    ("change", "said"),
    [
        ({"charge": {"by": "mass", "grams": 500.0}}, "charge (500 g, not 400 g)"),
        ({"charge": {"by": "volume", "litres": 2.0}}, "charge (2 L, not 400 g)"),
        ({"measuring": {"median_s": 90.0}}, "smoothing median_s (90.0, not 60.0)"),
        ({"probes": [{"id": "grate", "place": "lid"}]}, "probe place (lid, not grate)"),
        ({"time_zero": "tipped"}, "time zero (tipped, not lit)"),
        ({"cookers": ["kettle"]}, "cooker (kettle, not drum)"),
    ],
)
def test_what_was_measured_differently_is_not_pooled_and_the_difference_is_named(tmp_path, change, said):
    seasons = opened(tmp_path, [change, {}])
    found, why = standing(seasons)
    assert found == NOT and said in why
    assert history_of(seasons).metrics["peak"].seasons == (seasons[1].name,)


def test_other_vents_are_named(tmp_path):
    vents = [{"id": "v", "vents": "half open", "target": ""}]
    folders = [
        write_folder(made_season(0, RNG(0)), tmp_path, {"settings": vents}, setting="v"),
        write_folder(made_season(1, RNG(1)), tmp_path),
    ]
    seasons = open_seasons(newest_reports(folders))
    (why,) = history_of(seasons).metrics["peak"].why_not[seasons[0].name]
    assert why == "vents (half open, not stated)"


def test_another_probe_in_the_same_place_leaves_differences_from_the_control(tmp_path):
    other = [{"id": "grate", "place": "grate", "tolerance_class": "1", "time_constant_s": 35.0}]
    assert standing(opened(tmp_path, [{"probes": other}, {}]))[0] == BY_CONTROL


def test_without_a_control_fuel_seasons_are_not_joined(tmp_path):
    found, why = standing(opened(tmp_path, [{"control_fuel": ""}, {"control_fuel": ""}]))
    assert found == NOT and "no control fuel joins" in why


def test_a_folder_without_a_report_is_named_with_what_to_do(tmp_path, capsys):
    (tmp_path / "bare").mkdir()
    good = write_folder(made_season(0, RNG(0)), tmp_path)
    assert main(["history", str(good), str(tmp_path / "bare"), str(tmp_path / "absent")]) == 2
    said = capsys.readouterr().err
    assert (
        "2 problems; nothing was written" in said and "repeatburn report" in said and "no such folder" in said
    )
    assert not (tmp_path / "reports").exists()


def test_the_folder_above_is_no_run_folder(tmp_path):
    (tmp_path / "a" / "b").mkdir(parents=True)
    (tmp_path / "a" / "trial.toml").touch()
    assert common_place([tmp_path / "a" / "b"]) == tmp_path
    with pytest.raises(KitError, match="no folder that holds them all"):
        common_place([tmp_path.__class__("/x"), tmp_path.__class__("/y")])


def test_one_season_is_not_said_to_show_no_change(tmp_path):
    history = history_of(opened(tmp_path, [{}]))
    told, drifted = (str(section(history).html) for section in (answer, drift))
    assert "of the control fuel: one season can show no change" in told
    assert "One season can show no change of probe or cooker" in drifted
    assert "no change shown over" not in told and "shows a signal" not in drifted


def test_a_level_is_said_to_have_stood_over_the_seasons_that_burned_the_control_fuel(tmp_path):
    *burned, last = opened(tmp_path, [{}, {}, {}])
    rows = {metric: [row for row in rows if row.fuel != last.control] for metric, rows in last.rows.items()}
    told = str(answer(history_of((*burned, replace(last, rows=rows)))).html)
    assert "Three seasons, " in told and "no change shown over two seasons" in told


def test_burns_left_out_for_their_cooker_are_counted_before_anything_is_said(tmp_path):
    first, second = opened(tmp_path, [{}, {}])
    some, every = history_of((replace(first, left_out=3), second)), history_of((first, second))
    assert "Three burns at another cooker or setting left out" in str(answer(some).html)
    assert "left out" not in str(answer(every).html)
    assert "All seasons were measured in the same way." in str(differently(every).html)
    assert "All burns that are pooled were measured in the same way." in str(differently(some).html)


def test_a_drift_is_said_to_need_seasons_at_different_times(tmp_path):
    told = str(drift(history_of(opened(tmp_path, [{}, {}]))).html)
    assert "a drift needs a control fuel in at least three seasons at different times." in told
    assert "One season can show no change" not in told


def test_only_the_wanted_keys_are_read_whatever_stands_inside_others(tmp_path):
    folder = write_folder(made_season(0, RNG(0)), tmp_path)
    (path,) = newest_reports([folder])
    whole = json.loads(path.read_text("utf-8"))
    keys = {"trial", "burns", "metrics"}
    assert read_part(path, keys) == {key: whole[key] for key in keys | {"schema"}}
    path.write_text(json.dumps(whole), "utf-8")  # all on one line, as another program writes it
    assert read_part(path, keys) == {key: whole[key] for key in keys | {"schema"}}


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    place = tmp_path_factory.mktemp("runs")
    shifts = [0.0, 0.0, 0.0, 80.0]
    folders = [
        str(write_folder(made_season(k, RNG(k), shift), place, inputs=["SIMULATED.txt"]))
        for k, shift in enumerate(shifts)
    ]
    assert main(["history", *folders]) == 0
    (report,) = (place / "reports").iterdir()
    return report


def test_a_history_is_a_dated_folder_with_all_its_parts(made):
    assert made.name.endswith("-history")
    names = {path.relative_to(made).as_posix() for path in made.rglob("*")}
    assert {"report.html", "notebook.ipynb", "results.json", "tables/standing.csv"} <= names
    assert "figures/control-chart-peak-light.svg" in names
    assert (made.parents[1] / "index.html").is_file()
    results = json.loads((made / "results.json").read_text("utf-8"))
    assert results["inputs"][0]["name"] == "s00/reports/2026-05-14-standard/results.json"
    assert {row["rule"] for row in results["signals"]} >= {"step"}
    assert all(row["low"] < row["mean"] < row["high"] for row in results["means"])


def test_the_page_says_that_the_level_moved_and_that_it_is_simulated(made):
    page = unescape((made / "report.html").read_text("utf-8"))
    assert "of the control fuel moved" in page
    assert "Simulated burns: 'made' of March 2000, 'made' of September 2000, 'made' of March 2001" in page
    assert str(made.parents[1]) not in page and "/tmp/" not in page
    for figure in (made / "figures").glob("*.svg"):
        assert "Simulated burns." in figure.read_text("utf-8"), figure.name


def test_a_season_is_told_by_title_and_months_and_its_folder_stands_in_one_table(made):
    told = unescape((made / "report.html").read_text("utf-8")).partition('id="seasons"')
    (beside,) = re.findall(r"<table>.*?</table>", told[2], re.DOTALL)[:1]
    for folder in ("s00", "s01", "s02", "s03"):
        assert not re.search(rf"\b{folder}\b(?!/reports)", told[0]) and folder in beside


def test_the_page_opens_in_a_browser_with_nothing_wrong(made):
    with chromium() as browser:
        for width, scheme in VIEWS:
            assert faults_of(browser, made / "report.html", width, scheme) == []


def test_where_the_level_moved_values_come_from_the_newest_season_alone(made):
    results = json.loads((made / "results.json").read_text("utf-8"))
    assert {row["seasons"] for row in results["means"]} == {1}
    assert min(row["mean"] for row in results["means"]) > 250
    assert {row["seasons"] for row in results["against_control"]} == {4}


def test_a_single_burn_trial_may_borrow_from_the_history(made):
    from kit.judge.earlier_trials import borrowed_spread
    from kit.lenders import Lender
    from kit.results_file import newest_results

    _, results = newest_results(made.parents[1], "components")
    sd, df = borrowed_spread([Lender("runs", results)], "peak")
    assert 8 < sd < 18 and df > 20
    assert results["trial"]["charge"] == trial()["charge"]

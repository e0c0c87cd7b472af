"""What would settle a question, how often it was looked at, what was reached, and a standard's limits."""

import json
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pandas as pd

from kit import schema
from kit.publish import sections
from kit.publish.drawings.of_curves import curves_drawing
from kit.publish.facts import facts_of
from kit.publish.limits import limits, limits_table
from kit.publish.looks import earlier_looks
from kit.trial.models import Fuel, Lab
from tests.publish_content.pages import read
from tests.publish_content.stand_in import stand_in


def further(analysis, **values):
    """One row a comparison of the first primary metric, as the analysis has them."""
    rows = analysis.comparisons
    rows = rows[rows["metric"] == rows["metric"].iloc[0]][["metric", "a", "b"]]
    known = {
        "bags": 2,
        "burns": 2,
        "more_burns": 8,
        "grams": 3200.0,
        "cost": 28.0,
        "hours": 22.4,
        "words": "",
    }
    return rows.assign(**known | values)[[column.name for column in schema.FURTHER]]


def test_an_open_question_is_given_the_bags_that_would_settle_it():
    base = stand_in()
    text = read(sections.comparisons(replace(base, further=further(base))).html).text.replace("\u00a0", " ")
    assert "What would settle the open questions" in text
    assert (
        "two more bags of each, two burns a bag: 8 burns, 3 kg of fuel, 28 EUR for the bags, 22 h of burning."
        in text
    )


def test_where_no_number_is_affordable_it_says_so():
    base = stand_in()
    rows = further(base, bags=np.nan, more_burns=np.nan)
    text = read(sections.comparisons(replace(base, further=rows)).html).text
    assert "no affordable number of burns would settle it" in text


def test_pairs_that_were_not_asked_about_are_left_to_the_table():
    base = stand_in(control="beech")
    other = further(base).head(1).assign(a="alder", b="oak")
    assert "What would settle" not in read(sections.comparisons(replace(base, further=other)).html).text


def written(folder: Path, name: str, files: dict[str, str]) -> None:
    target = folder / "reports" / name
    target.mkdir(parents=True)
    inputs = [{"name": key, "bytes": 1, "sha256": value} for key, value in files.items()]
    (target / "results.json").write_text(json.dumps({"inputs": inputs}), "utf-8")


def test_earlier_looks_count_states_of_the_data_once(tmp_path):
    (tmp_path / "burns.csv").write_text("burn\n", "utf-8")
    assert earlier_looks(tmp_path) == 0
    from kit.publish.provenance import read_inputs

    now = {each.name: each.sha256 for each in read_inputs(tmp_path)}
    written(tmp_path, "2026-05-01-standard", {"burns.csv": "old"})
    written(tmp_path, "2026-05-02-standard", {"burns.csv": "old", "trial.toml": "other"})
    written(tmp_path, "2026-05-03-standard", {"burns.csv": "older", "logs/a.csv": "x"})
    written(tmp_path, "2026-05-04-standard", now)
    written(tmp_path, ".making", {"burns.csv": "never published"})
    (tmp_path / "reports" / "2026-05-05-standard").mkdir()
    (tmp_path / "reports" / "2026-05-05-standard" / "results.json").write_text("{", "utf-8")
    assert earlier_looks(tmp_path) == 2
    text = read(sections.answer(stand_in(folder=tmp_path)).html).text
    assert "Two earlier reports of this folder looked at other states of these data." in text
    assert "more often than the intervals say" in text


def test_burns_beyond_the_plan_are_said_at_the_top():
    base = stand_in()
    rows = base.deviations.assign(what="burn beyond the plan", where="b24", planned="none", done="a burn")
    text = read(sections.answer(replace(base, deviations=rows)).html).text
    assert text.index("Burns were added beyond the plan.") < text.index("Asked:")


def test_never_is_told_as_a_share_with_its_exact_interval():
    base = stand_in()
    rows = base.metrics[base.metrics["metric"] == "peak"].assign(metric="time_to:260", unit="min")
    never = (rows["fuel"] == "olive") & rows["burn"].isin(rows.loc[rows["fuel"] == "olive", "burn"].head(4))
    rows = rows.assign(status=np.where(never, "never", "exact"), value=np.where(never, np.nan, 12.0))
    shares = [
        ("time_to:260", "alder", 6, 6, 1.0, 0.54, 1.0),
        ("time_to:260", "olive", 2, 6, 1 / 3, 0.04, 0.78),
    ]
    reached = pd.DataFrame(shares, columns=["metric", "fuel", "reached", "n", "share", "low", "high"])
    metrics = pd.concat([base.metrics, rows], ignore_index=True)
    analysis = replace(base, metrics=metrics, reached=reached.assign(level=0.95))
    cells = read(sections.fuels(analysis).html).text.replace("\u00a0", " ")
    assert "Burns that reached a temperature" in cells
    all_reached = replace(analysis, reached=reached.assign(level=0.95).head(1))
    assert "Burns that reached" not in read(sections.fuels(all_reached).html).text
    text = read(sections.fuels(analysis).html).text.replace("\u00a0", " ")
    assert "burned to the end and never reached time to 260 °C" in text
    assert "never is not the same as later" in text


def test_limits_stand_beside_figures_with_their_edition_and_no_verdict():
    base = stand_in()
    fuels = (
        Fuel(
            id="alder",
            name="Alder lump",
            kind="lump",
            lab=Lab(moisture=9.0, ash=3.0, fixed_carbon=80.0, method="D1762"),
        ),
        Fuel(id="oak", kind="pellet", lab=Lab(moisture=9.0)),
        Fuel(id="olive", kind="pressed briquette", lab=Lab(ash=12.0)),
    )
    base.run.trial = replace(base.run.trial, fuels=fuels)
    text = read(limits_table(facts_of(base))).text.replace("\u00a0", " ")
    assert limits()["edition"] in text and "no compliance test" in text
    assert "below 8 %" in text and "above 75 %" in text and "below 18 %" in text
    assert "pellet" not in text and "moisture and ash basis unknown" in text
    assert not any(word in text.lower() for word in ("pass", "fail", "exceed"))


def test_scores_are_told_by_place_and_tasters_apart():
    base = stand_in()
    fuels = [("smoke", fuel, 4.0, chance, chance - 0.15, chance + 0.15, 0.95, 6, 3, 18, 3)
             for fuel, chance in (("alder", 0.7), ("oak", 0.3))]  # fmt: skip
    pairs = [("smoke", "alder", "oak", 0.4, 0.1, 0.7, 0.004, "different", "a", "tukey", 0.95)]
    tasters = [("smoke", "between tasters", 1.2, 0.6, 5.0, 0.95)]
    made = {
        "scores": (fuels, schema.SCORED), "score_pairs": (pairs, schema.SCORE_PAIRS),
        "tasters": (tasters, schema.TASTERS),
    }  # fmt: skip
    tables = {
        name: pd.DataFrame(rows, columns=[column.name for column in columns])
        for name, (rows, columns) in made.items()
    }
    text = read(sections.fuels(SimpleNamespace(**vars(base), **tables)).html).text
    assert "What people scored" in text
    assert "Alder lump was scored higher than Oak lump: by 40 points of that chance, 10 to 70." in text
    assert "Spread between tasters: SD 1.2, 0.6 to 5.0" in text
    assert "What people scored" not in read(sections.fuels(base).html).text


def test_what_an_open_lid_changes_is_told_beside_the_value_that_counts():
    base = stand_in()
    rows = [("b01", "time_above:180", "min", 57.1, "exact", 59.1, "exact")]
    lid = pd.DataFrame(rows, columns=[column.name for column in schema.LID_OPEN])
    text = read(sections.data_quality(SimpleNamespace(**vars(base), lid_open=lid)).html).text
    assert "Where the lid was opened" in text and "57.1" in text and "59.1" in text
    assert "Where the lid was opened" not in read(sections.data_quality(base).html).text


def test_why_values_are_bounds_or_blank_is_told_once_for_each_reason():
    base = stand_in()
    rows = [
        *((burn, "cost:110", "missing", "the charge is blank") for burn in base.run.burns["burn"]),
        ("b01", "time_above:180", "at least", "the range was saturated"),
        ("b02", "time_above:180", "at least", "the range was saturated"),
        ("b03", "peak", "exact", "over two plateaus"),
    ]
    reasons = pd.DataFrame(rows, columns=[column.name for column in schema.REASONS])
    text = read(sections.data_quality(SimpleNamespace(**vars(base), reasons=reasons)).html).text
    assert "Why values are bounds or blank" in text and "two plateaus" not in text
    assert text.count("the charge is blank") == text.count("the range was saturated") == 1
    assert "b01, b02" in text and "b01, b02, b03" not in text
    assert "Why values are bounds" not in read(sections.data_quality(base).html).text


def test_what_is_drawn_and_counted_is_of_the_setting_that_is_compared():
    base = stand_in(burns=2)
    second = base.run.burns["burn"].isin(base.metrics.groupby(["fuel", "bag"])["burn"].last())
    sheet = base.run.burns.assign(setting=second.map({True: "low", False: "full"}))
    run = SimpleNamespace(**{**vars(base.run), "burns": sheet})
    facts = facts_of(SimpleNamespace(**{**vars(base), "run": run, "setting": "full"}))
    every = facts_of(base)
    assert (facts.done, facts.bags) == (every.done, every.bags) and len(facts.compared) == every.done // 2
    assert [facts.burns_of(each.id) for each in facts.cast] == [
        every.burns_of(each.id) // 2 for each in every.cast
    ]
    assert set(facts.values_of("peak")["burn"]) == facts.compared
    drawn = curves_drawing(facts).data
    assert set(drawn.loc[drawn["what"] == "burn", "burn"]) == facts.compared
    assert "at setting 'full'" in read(sections.answer(facts.analysis).html).text

"""What is decided before a sentence is told: looks counted once, limits of standards, settings, kinds that came up."""

import json
from dataclasses import replace
from pathlib import Path

from kit.publish import sections
from kit.publish.claims import value_claim
from kit.publish.compare import earlier_looks
from kit.publish.report_data import break_even_table, report_data
from kit.publish.sections.fuels import limits_table, reached_sentences
from kit.publish.sections.pairs import price_sentence
from kit.publish.wording import words
from kit.trial.models import Fuel, Lab
from tests.publish_content.made import analysis
from tests.publish_content.pages import read


def written(folder: Path, name: str, files: dict[str, str]) -> None:
    target = folder / "reports" / name
    target.mkdir(parents=True)
    inputs = [{"name": key, "bytes": 1, "sha256": value} for key, value in files.items()]
    (target / "results.json").write_text(json.dumps({"inputs": inputs}), "utf-8")


def test_earlier_looks_count_states_of_the_data_once(tmp_path):
    (tmp_path / "burns.csv").write_text("burn\n", "utf-8")
    assert earlier_looks(tmp_path) == 0
    from kit.publish.provenance import read_inputs

    now = {each["name"]: each["sha256"] for each in read_inputs(tmp_path)}
    written(tmp_path, "2026-05-01-standard", {"burns.csv": "old"})
    written(tmp_path, "2026-05-02-standard", {"burns.csv": "old", "trial.toml": "other"})
    written(tmp_path, "2026-05-03-standard", {"burns.csv": "older", "logs/a.csv": "x"})
    written(tmp_path, "2026-05-04-standard", now)
    written(tmp_path, ".making", {"burns.csv": "never published"})
    (tmp_path / "reports" / "2026-05-05-standard").mkdir()
    (tmp_path / "reports" / "2026-05-05-standard" / "results.json").write_text("{", "utf-8")
    assert earlier_looks(tmp_path) == 2


def test_limits_stand_beside_figures_with_their_edition_and_no_verdict():
    data = report_data(analysis("three"))
    lab = Lab(moisture=9.0, ash=3.0, fixed_carbon=80.0, method="D1762")
    fuels = (
        Fuel(id="alder", name="Alder lump", kind="lump", lab=lab),
        Fuel(id="oak", kind="pellet", lab=Lab(moisture=9.0)),
        Fuel(id="olive", kind="pressed briquette", lab=Lab(ash=12.0)),
    )
    text = read(limits_table(replace(data, trial=replace(data.trial, fuels=fuels)))).text.replace(
        "\u00a0", " "
    )
    assert words()["limits"]["edition"] in text and "no compliance test" in text
    assert "below 8 %" in text and "above 75 %" in text and "below 18 %" in text
    assert "pellet" not in text and "moisture and ash basis unknown" in text
    assert not any(word in text.lower() for word in ("pass", "fail", "exceed"))


def test_break_even_follows_from_prices_and_cost():
    data = report_data(analysis("three"))
    row = break_even_table(data).iloc[0]
    cost = data.rows("comparisons", row["metric"]).iloc[0]
    price = {fuel.id: fuel.price / fuel.bag_kg for fuel in data.trial.fuels}
    paid = price[row["a"]] / price[row["b"]]
    assert abs(row["paid"] - paid) < 1e-12 and abs(row["break_even"] - paid / cost["ratio"]) < 1e-12
    assert abs(row["break_even_low"] - paid / cost["high"]) < 1e-12
    assert abs(row["break_even_high"] - paid / cost["low"]) < 1e-12


def test_a_price_verdict_names_the_better_value_or_says_that_it_is_not_settled():
    words = read(sections.comparisons(analysis("three")).html).text
    assert "Better value at the prices paid: " in words or "at the prices paid is not settled" in words


def test_a_price_that_is_open_both_ways_does_not_contradict_the_best_value():
    data = report_data(analysis("one bag"))
    rows = list(break_even_table(data).itertuples(index=False))
    assert "the two others are dearer" in value_claim(data).sentence
    for row in rows:
        told = price_sentence(row, data)
        assert "asked both ways" in told
        assert f"asked one way, {data.name(row.a)} cannot be the best value of all." in told
    assert "asked" not in price_sentence(rows[0]._replace(low=1.2, verdict="different"), data)


def test_what_some_burns_never_reached_is_told_fuel_by_fuel():
    told = reached_sentences(report_data(analysis("three")))
    assert any(
        "200" in line and "pressed briquettes 0 of 6" in line and "alder lump 6 of 6" in line for line in told
    )


def test_a_fuel_whose_bags_disagree_about_a_temperature_is_told_so():
    data = report_data(analysis("three"))
    reached = data.table("reached")
    fuel = reached.loc[reached["reached"] == 0, "fuel"].iloc[0]
    uneven = reached.assign(
        reached=reached["reached"].mask(reached["fuel"] == fuel, 3), bags_disagree=reached["fuel"] == fuel
    )
    told = reached_sentences(replace(data, instead={"reached": uneven}))
    assert any(f"{data.name(fuel)} 3 of 6, not alike in all its bags" in line for line in told)
    assert "whole bags are held against each other" in told[-1]
    assert not any("alike" in line for line in reached_sentences(data))


def test_what_is_drawn_and_counted_is_of_the_setting_that_is_compared():
    data = report_data(analysis("two settings"))
    assert data.setting and 0 < len(data.compared) < 18
    words = read(sections.answer(analysis("two settings")).html).text
    assert f"at setting '{data.setting}'" in words
    drawn = sections.curves(analysis("two settings")).figures[0].data
    assert set(drawn.loc[drawn["what"] == "burn", "burn"]) == set(data.compared)

"""What is decided before a sentence is told: looks counted once, limits of standards, settings, kinds that came up."""

import json
import re
from dataclasses import replace
from pathlib import Path

import pytest

from kit.page.shown_numbers import limit
from kit.publish import sections
from kit.publish.claims import claims_of, overall_sentence, value_claim
from kit.publish.provenance import earlier_looks
from kit.publish.report_data import report_data
from kit.publish.sections.first_screen import answer_sentences, overview_table
from kit.publish.sections.fuels import limits_table, reached_sentences, values_drawing
from kit.publish.sections.pairs import family_words, price_sentence
from kit.publish.sections.quality import influence_words
from kit.publish.wording import amount_of, ends_known, words
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
    row = data.break_even.iloc[0]
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
    rows = list(data.break_even.itertuples(index=False))
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


def test_a_temperature_reached_by_one_bag_more_often_is_said_of_bags_and_not_of_fuels():
    data = report_data(analysis("three"))
    pairs = data.table("reached_pairs")
    alder = pairs["a"].eq("alder") | pairs["b"].eq("alder")
    one_bag = pairs.assign(scope=pairs["scope"].mask(alder, "these bags"))
    told = reached_sentences(replace(data, instead={"reached_pairs": one_bag}))
    assert any(
        re.match(r"For these bags, more often than pressed briquettes: alder lump \(p", each) for each in told
    )
    assert any(re.match("More often than pressed briquettes: olive", each) for each in told)
    assert "say nothing of a fuel's other bags" in told[-1]
    assert not any("bags" in each for each in reached_sentences(data))


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


def plain_text(section) -> str:
    return read(section.html).text.replace("\u00a0", " ")


def test_a_test_of_the_fuels_that_reached_a_temperature_names_them_and_first_who_did_not():
    data = report_data(analysis("never"))
    told = [each for each in answer_sentences(data) if isinstance(each, str)]
    assert [line.replace("\u00a0", " ").partition(" (p = ")[0] for line in told[:2]] == [
        f"Time above {at}: reached by pressed briquettes in {n} of 6 burns; of alder lump and olive-stone "
        "briquettes, whose burns all reached it, these burns do not show that they differ at all"
        for at, n in (("180 °C (356 °F)", 4), ("200 °C (392 °F)", "none"))
    ]
    assert not any("reached" in overall_sentence(data, metric) for metric in ("peak", "time_above:150"))


def test_where_too_few_fuels_reached_a_temperature_nothing_is_compared_and_that_is_said():
    data = report_data(analysis("two"))
    assert overall_sentence(data, "time_above:200").replace("\u00a0", " ") == (
        "Time above 200 °C (392 °F): reached by pressed briquettes in none of 6 burns; too few fuels "
        "reached it in all their burns to be compared."
    )
    assert overall_sentence(data, "time_above:150") == ""


@pytest.mark.parametrize("metric", ["time_above:200", "cost:200", "time_above:180", "cost:180"])
def test_a_fuel_that_never_got_there_has_no_time_and_no_cost(metric):
    data = report_data(analysis("never"))
    bounds = data.rows("metrics", metric).set_index("fuel")["status"]["pressed"]
    assert {"at most", "at least"} & set(bounds)
    drawing = values_drawing(data, metric)
    assert set(drawing.data["status"].dropna()) == {"exact"} and "never reached" in drawing.caption
    table = read(overview_table(replace(data, trial=replace(data.trial, primary=(metric,))))).text
    assert ("reached in 4 of 6" if "180" in metric else "not reached") in table
    assert "at most" not in table and "at least" not in table


def test_values_some_of_which_are_bounds_have_the_bound_that_holds_for_all():
    data = report_data(analysis("cut short"))
    rows = data.values_of("peak")
    lowest, highest = rows["value"].min(), rows["value"].max()
    assert {"exact", "at least"} == set(rows["status"])
    assert ends_known(rows) == ("at least", [lowest])
    assert ends_known(rows[rows["status"] == "exact"])[0] == ""
    assert ends_known(rows.assign(status=rows["status"].replace("at least", "at most"))) == (
        "at most",
        [highest],
    )
    assert ends_known(rows.assign(status=["at least", "at most"] * 9)) == ("bounds of", [lowest, highest])


def test_a_break_even_price_known_to_no_better_than_a_factor_of_ten_is_no_finding():
    data = report_data(analysis("two"))
    (row,) = data.break_even.itertuples(index=False)
    assert "better value while its price per kg is below" in price_sentence(row, data)
    wide = row._replace(break_even_low=row.break_even / 4, break_even_high=row.break_even * 4)
    told = price_sentence(wide, data)
    assert "more than a factor of ten" in told and "is below" not in told


def test_of_two_fuels_each_primary_measures_verdict_stands_before_the_picture():
    words = plain_text(sections.answer(analysis("two")))
    before = words.partition("Mean curve")[0]
    for claim in claims_of(report_data(analysis("two"))):
        assert (claim.sentence.replace("\u00a0", " ") in before) == claim.primary
    assert "Two by two" not in words


def test_one_comparison_is_not_called_a_family_and_two_verdicts_are_both():
    text = plain_text(sections.method(analysis("two")))
    assert "nothing to adjust" in text and "adjusted together" not in text
    assert "adjusted together" in plain_text(sections.method(analysis("never")))
    data = report_data(analysis("two"))
    assert influence_words(data)[0].startswith("No: both verdicts of primary measures stay")
    moved = data.table("influence").assign(matters=True)
    told = influence_words(replace(data, instead={"influence": moved}))[0]
    assert told.startswith("Yes: both verdicts of primary measures would change")


def test_a_limit_that_is_not_zero_never_reads_as_zero():
    data = report_data(analysis("two"))
    rate = data.rows("comparisons", "time_above:150").iloc[0]
    close = rate.replace({rate["low"]: 0.6, rate["high"]: 0.99998, rate["ratio"]: 0.77})
    amount = amount_of(close, data.spec("time_above:150"), data.units)
    assert amount.interval.replace("\u00a0", " ") == "under 0.01 to 40 %"
    assert (limit(0.0, 2), limit(0.004, 2), limit(-0.004, 2), limit(0.4, 0)) == (
        "0.00", "under 0.01", "above −0.01", "under 1",
    )  # fmt: skip
    assert (limit(0.006, 2), limit(12.0, 0), limit(-3.0, 1)) == ("0.01", "12", "−3.0")


def test_what_is_drawn_and_counted_is_of_the_setting_that_is_compared():
    data = report_data(analysis("two settings"))
    assert data.setting and 0 < len(data.compared) < 18
    words = read(sections.answer(analysis("two settings")).html).text
    assert f"at setting '{data.setting}'" in words
    drawn = sections.curves(analysis("two settings")).figures[0].data
    assert set(drawn.loc[drawn["what"] == "burn", "burn"]) == set(data.compared)


def test_pairs_asked_about_beforehand_are_not_said_to_be_with_the_control_fuel():
    plain = report_data(analysis("three"))
    trial = replace(plain.trial, pairs=(("alder", "pressed"), ("olive", "pressed")), control_fuel=None)
    asked = report_data(replace(analysis("three"), run=replace(analysis("three").run, trial=trial)))
    assert "with the control fuel" in family_words(plain, "peak")
    assert family_words(asked, "peak") == "for both pairs asked about beforehand at once (multivariate t)"
    assert "asked" in asked.families and "dunnett" in plain.families

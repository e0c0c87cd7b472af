"""What pages must own up to: intervals that fell short, shares never certain, costs without interval, dead links."""

import re
from dataclasses import replace

import pandas as pd
import pytest

from kit.page.shown_numbers import of_hundred
from kit.publish import sections
from kit.publish.claims import cards, how_we_know
from kit.publish.sections.method import methods
from kit.publish.write_outputs import write_outputs
from tests.publish_content.made import analysis
from tests.publish_content.pages import read


def text(made, section):
    return read(section(made).html).text.replace("\u00a0", " ")


def held_by_days(share):
    """Return the analysis of three fuels whose interval of the day SD held the truth in this share of 250 trials."""
    made = analysis("three")
    row = {
        "metric": "peak",
        "quantity": "interval of the day SD holds the truth (profile with bounds)",
        "nominal": 0.95,
        "share": share,
        "mc_error": 0.025,
        "trials": 250,
        "seed": 1,
    }
    whole = made.self_check[~made.self_check["quantity"].str.contains(" SD holds")]
    at_zero = made.components.assign(
        at_boundary=made.components["component"] == "day", high=made.components["high"].fillna(2.0)
    )
    return made.with_tables(self_check=pd.concat([whole, pd.DataFrame([row])]), components=at_zero)


def test_the_report_names_the_interval_that_fell_short_and_what_rests_on_it():
    short, near = held_by_days(0.8), held_by_days(0.91)
    named = "that of the spread between days in peak temperature held the truth in 80 of 100 where 95 were promised"
    assert named in text(short, sections.method)
    assert "held the truth in only 80 of 100 simulated trials" in text(short, sections.variation)
    assert "between days 80" in text(short, sections.variation)
    assert "Not every interval" not in text(near, sections.method)
    assert "held the truth in only" not in text(near, sections.variation)
    assert "is not ruled out)" in text(near, sections.variation)


def limitations(made):
    return text(made, sections.method).partition("Limitations")[2]


def test_what_fell_short_in_the_self_check_stands_among_the_limitations():
    assert "promise more than they keep" not in limitations(held_by_days(0.91))
    of_days = "the interval of the spread between days in peak temperature held the truth in 80 of 100"
    assert f"{of_days} (95 were promised)." in limitations(held_by_days(0.8))
    made = analysis("three")
    table = made.self_check[made.self_check["metric"] == "peak"]
    quantity = table["quantity"]
    for words, share in (("of the means", 0.9), ("all Tukey", 0.86), ("is claimed somewhere", 0.14)):
        assert quantity.str.contains(words).any()
        table = table.assign(share=table["share"].mask(quantity.str.contains(words), share))
    told = limitations(made.with_tables(self_check=table))
    assert (
        "intervals of means held the truth in 90 of 100 (95 were promised) and a difference was claimed"
        in told
    )
    assert "in 14 of 100 in which all fuels were alike (5 were promised)." in told


@pytest.mark.parametrize("kind", ["three", "beside"])
def test_what_the_answer_rests_on_and_fell_short_stands_on_the_first_screen_borrowed_or_not(kind):
    made = analysis(kind)
    of_means = made.self_check["quantity"].str.contains("of the means")
    short = made.self_check.assign(share=made.self_check["share"].mask(of_means, 0.86))
    said = "of simulated trials of this very design, intervals of means held the truth in 86 of 100"
    for section in (sections.answer, sections.method):
        assert said in text(made.with_tables(self_check=short), section)
        assert "promise more than they keep" not in text(made, section)
    if kind == "three":  # of a spread nothing stands there
        assert "promise more than they keep" not in text(held_by_days(0.8), sections.answer)


@pytest.mark.parametrize("note", ["statsmodels MixedLM, whose estimates are less likely than this kit's", ""])
def test_where_a_second_program_found_less_likely_estimates_that_is_said(note):
    made = analysis("three")
    rows = made.second_opinion
    apart = rows.assign(note=note, agrees=False, other=rows["kit"] + 1.0)
    told = text(made.with_tables(second_opinion=apart), sections.method)
    assert "differs in the others by at most" in told
    assert ("vary; there this kit's estimates are the likelier ones" in told) == bool(note)


def test_a_price_without_a_cost_says_where_the_reason_stands():
    made = analysis("three")
    sheet = made.run.burns.assign(leftover_g=float("nan"))
    kept = {name: getattr(made, name) for name in ("metrics", "comparisons", "means")}
    tables = {name: each[~each["metric"].str.startswith("cost:")] for name, each in kept.items()}
    bare = replace(made.with_tables(**tables), run=replace(made.run, burns=sheet))
    there = "the notes under 'Data quality'"
    assert f"is not judged; why not stands in {there}" in text(bare, sections.answer)
    assert f"Why no verdict is given at the prices paid stands in {there}." in text(
        bare, sections.comparisons
    )
    assert there not in text(made, sections.answer) + text(made, sections.comparisons)


def test_burns_that_were_all_left_out_are_counted_and_not_said_to_be_none():
    made = analysis("all left out")
    first, how = text(made, sections.answer), text(made, sections.method)
    assert "Three fuels. No burn counts: 18 burns were made and left out" in first
    assert "No burn counts: 18 burns were made and left out." in how
    assert not re.search("no burns|No of|No burns of|Bags are not noted", first + how)
    assert "All burns that were made, 18 of them, were left out, so we claim nothing." in how_we_know(made)


def test_a_share_of_a_hundred_is_never_all_or_none_on_page_or_in_table():
    assert [of_hundred(share) for share in (1.0, 0.996, 0.99, 0.004, 0.0)] == [
        "over 99", "over 99", "99", "under 1", "under 1",
    ]  # fmt: skip
    made = analysis("three")
    sure = made.chances.assign(chance=0.9999, low=0.86, high=1.0)
    told = text(made.with_tables(chances=sure), sections.variation)
    assert "in over 99 of 100 such pairs (86 to over 99)" in told and "100 of 100" not in told
    [table] = [
        each for each in read(sections.variation_tables(made.with_tables(chances=sure)).html).tables
        if "A new bag of one" in str(each["caption"])
    ]  # fmt: skip
    page = text(made.with_tables(chances=sure), sections.variation_tables)
    assert table and "over 9986over 99" in page.replace(" ", "").replace("over99", "over 99")


def test_costs_without_an_interval_say_that_no_better_value_is_judged():
    made = analysis("three")
    costs = made.comparisons["metric"].str.startswith("cost:")
    blank = made.comparisons.assign(low=made.comparisons["low"].mask(costs))
    said = "values without an interval"
    assert said in text(made.with_tables(comparisons=blank), sections.answer)
    assert said not in text(made, sections.answer)


def test_an_interim_report_promises_no_verdict_and_no_comparison():
    made = analysis("interim")
    assert "every verdict" not in text(made, sections.odd_burns)
    markdown = methods(made).markdown
    assert "Families of comparisons" not in markdown and "Tukey JW" not in markdown
    assert "Families of comparisons" in methods(analysis("three")).markdown


def test_a_report_without_error_bars_explains_none_and_says_what_would_supply_them():
    made = analysis("two and one")
    first, how = text(made, sections.answer), text(made, sections.method).partition("Glossary")[0]
    assert not made.comparisons["low"].notna().any() and "Means, without error bars." in first
    assert "What would supply error bars: a second burn of each fuel" in first and "±" not in first
    assert "No bars: too few burns were repeated." in text(made, sections.fuels)
    for false in ("Families", "Intervals are", "One cooker", "intervals hold"):
        assert false not in how, false
    assert "No interval was made" in how and "The cooker is not named; one place" in how
    assert "What would supply error bars" not in text(analysis("three"), sections.answer)


def test_methods_name_every_family_that_letters_and_the_best_rest_on():
    made = analysis("three")
    judged = {metric for metric, own in made.comparisons.groupby("metric") if len(own) == 2}
    assert set(made.pairs["multiplicity"]) == {"dunnett", "tukey"} and len(judged) > 3
    one = made.comparisons["metric"].isin(sorted(judged)[:1]) & made.comparisons["metric"].duplicated()
    markdown = methods(made.with_tables(comparisons=made.comparisons[~one])).markdown
    assert "all pairs adjusted together (Tukey)" in markdown and "best of the others (Hsu)" in markdown
    assert "Tukey JW" in markdown and "Hsu JC" in markdown and "Dunnett CW" in markdown
    assert "where a measure can be told of two fuels alone, one comparison" in markdown
    assert "one comparison of two fuels" not in markdown


def test_a_fuel_burned_on_one_day_alone_is_a_limitation_that_names_it():
    made = analysis("three")
    day = made.metrics["day"].mask(made.metrics["fuel"] == "olive", "2026-03-02")
    told = text(made.with_tables(metrics=made.metrics.assign(day=day)), sections.method)
    alone = "All burns of olive-stone briquettes were made on one day: what another day would change was not seen."
    assert alone in told and "were made on one day" not in text(made, sections.method)


def test_on_how_many_days_the_control_fuel_burned_is_counted_not_promised():
    made = analysis("three")
    days = made.metrics.groupby("fuel")["day"].nunique()["pressed"]
    said = f"A control fuel, pressed briquettes, was burned along with the others, on {days} of "
    assert said in text(made, sections.method) and "every block" not in text(made, sections.method)


def test_fuels_still_to_be_burned_are_not_counted_as_burned():
    made = analysis("interim")
    kept = made.metrics[made.metrics["fuel"] != "olive"]
    assert "Two of three fuels" in text(made.with_tables(metrics=kept), sections.answer)
    assert "Two of three fuels" not in text(made, sections.answer)


@pytest.mark.parametrize("whole", [True, False])
def test_cards_link_to_what_stands_in_their_own_report(tmp_path, whole):
    made, few = analysis("three"), (sections.provenance, sections.provenance_tables)
    every = (
        sections.answer, sections.curves, sections.fuels, sections.comparisons, sections.method, sections.fuel_tables,
        sections.comparison_tables,
    )  # fmt: skip
    shown = [section(made) for section in (*few, *(every if whole else ()))]
    write_outputs(made, [replace(each, figures=()) for each in shown], tmp_path)
    there = {f"{each.part}.html#{place}" for each in shown for place in read(each.html).ids}
    there |= {"results.json", "report.html", "appendix.html"}
    for name, card in cards(made).items():
        written = (tmp_path / name).read_text("utf-8")
        assert set(re.findall(r"\]\(([^)]+)\)", written)) <= there, name
        assert (written == card) == whole, name

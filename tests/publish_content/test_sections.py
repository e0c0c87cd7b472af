"""Sections of real analyses: plain words first, honest at the top, everything captioned, nothing hostile alive."""

import re
from dataclasses import replace
from functools import cache
from itertools import pairwise
from pathlib import Path

import pandas as pd
import pytest

from kit.analysis import analysis_of
from kit.errors import KitError
from kit.page.document import inlined
from kit.page.shown_numbers import plain
from kit.page.text import join, markdown_html, number_word
from kit.publish import sections
from kit.publish.claims import MOST, all_claims, cards
from kit.publish.report_data import prices_per_kg, report_data
from kit.publish.sections.first_screen import _key, answer_sentences
from kit.publish.sections.method import methods
from kit.publish.sections.pairs import further_html
from kit.publish.wording import words
from kit.trial.models import Bag, Charge
from tests.publish_content.made import analysis, folder
from tests.publish_content.pages import read

REPORT = (
    sections.answer, sections.curves, sections.fuels, sections.comparisons, sections.variation, sections.cooks,
    sections.odd_burns, sections.data_quality, sections.tester_notes, sections.method, sections.cautions,
    sections.provenance,
)  # fmt: skip
APPENDIX = (
    sections.fuel_tables, sections.comparison_tables, sections.variation_tables, sections.odd_tables,
    sections.quality_tables, sections.method_tables, sections.provenance_tables,
)  # fmt: skip
READ = ("three", "singles", "borrowed", "one bag", "interim", "two settings", "hostile")
TECHNICAL = re.compile(
    r"\b(REML|restricted|likelihood|censored|studentised|singular|covariance|residual|heteroscedastic|Kenward|"
    r"Satterthwaite|Tukey|Dunnett|Holm|bootstrap|quantile|significan\w*|degrees of freedom|null|parametric|"
    r"logarithm\w*|variance|standard error|confidence|stochastic)\b",
    re.IGNORECASE,
)
ODD = re.compile(
    r"\bOne burns\b|\bone burns\b|\bno bags\b|\bno bag,|\b1 lines\b|0\.0\u00a0°C|\bNaN\b|\bnan\b|\binf\b|"
    r"\ba [a-z]+ a [a-z]+\b|for sure|burnt|\.\.(?!/)|,,|  |\bthe burns fit\b",
)


def parts_of(kind):
    made = [section(analysis(kind)) for section in (*REPORT, *APPENDIX)]
    return {part: [each for each in made if each.part == part] for part in ("report", "appendix")}


@pytest.fixture(scope="module", params=READ)
def kind(request):
    return request.param


@pytest.fixture(scope="module")
def made(kind):
    return parts_of(kind)


@pytest.fixture(scope="module")
def pages(made):
    return {part: read(inlined(join(each.html for each in own))) for part, own in made.items()}


@cache
def text(kind, section):
    return read(section(analysis(kind)).html).text.replace("\u00a0", " ")


def test_the_answer_is_in_plain_words_and_at_most_six_sentences(kind):
    assert not TECHNICAL.search(text(kind, sections.answer)), TECHNICAL.search(text(kind, sections.answer))
    told = answer_sentences(report_data(analysis(kind)))
    assert 1 <= len(told) <= MOST
    assert all((each if isinstance(each, str) else each.sentence).endswith(".") for each in told)


def test_pages_are_well_formed(pages):
    for part, page in pages.items():
        assert len(page.ids) == len(set(page.ids)), part
        assert {link[1:] for link in page.links if link.startswith("#")} <= set(page.ids)
        levels = [level for level, _ in page.headings]
        assert levels[0] == 2 and all(after - before <= 1 for before, after in pairwise(levels))
        assert all(words.strip() for _, words in page.headings)
        for table in page.tables:
            assert str(table["caption"]).strip() and table["heads"] == table["scoped"] > 0
        for figure in page.figures:
            assert len(figure["desc"]) > 60 and re.search(r"\d", figure["desc"]), figure
            assert figure["title"] and figure["figcaption"]


def test_links_to_the_appendix_arrive_there(made, pages):
    links = {link for link in pages["report"].links if link.startswith("appendix.html#")}
    assert {link.partition("#")[2] for link in links} <= set(pages["appendix"].ids)


def test_no_sentence_is_odd(pages):
    for part, page in pages.items():
        found = ODD.search(re.sub(r"\s+", " ", page.text).replace("  ", " "))
        assert not found, (part, page.text[max(0, found.start() - 80) : found.end() + 80] if found else "")


def test_hostile_text_is_shown_as_text(pages):
    for part, page in pages.items():
        assert "script" not in page.tags, part
        assert not [name for name in page.attributes if name.startswith("on")]
        assert "\u202e" not in page.text


def test_every_caption_counts_what_it_shows(made, kind):
    data = report_data(analysis(kind))
    for section in made["report"]:
        for drawing in section.figures:
            stem, _, metric = drawing.id.partition(" ")
            if stem in ("values", "spread") and metric in data.metrics:
                counts = {n.burns for n in data.used(metric).values()}
                if len(counts) == 1 and len(data.cast) > 1:
                    word = number_word(counts.pop())
                    assert re.search(rf"(?i)\b{word} burns? of ", drawing.caption), drawing.caption
            assert re.search(r"interval|band|burn", drawing.caption), drawing.id
            assert drawing.simulated and drawing.rows["simulated"].eq("yes").all()


def test_single_burns_show_values_without_intervals_letters_or_order():
    section = sections.answer(analysis("singles"))
    page = read(section.html)
    words = page.text.replace("\u00a0", " ")
    assert words.index("Single burns") < words.index("Asked:")
    assert "cannot say which fuel is hotter" in words and "a second bag and a second burn" in words
    assert "±" not in words and "letters" not in words
    assert [drawing.id for drawing in section.figures] == ["overlay"] and len(page.tables) == 1
    values = analysis("singles").metrics.query("metric == 'peak'")["value"].round(0).astype(int).astype(str)
    assert all(value in words for value in values)
    assert "it is not zero, it was not looked for" in text("singles", sections.variation)


def test_borrowed_repeatability_is_named_with_its_folder():
    words = text("borrowed", sections.answer)
    assert "borrowed from three, not on these burns" in words and "these bags alone" not in words
    assert (
        "every error bar is borrowed from three"
        in text("borrowed", sections.method).partition("Limitations")[2]
    )
    for section in (*REPORT, *APPENDIX):
        assert "../three" not in text("borrowed", section), section
    assert set(analysis("borrowed").table("comparisons", metric="peak")["scope"]) == {"the product"}
    assert "that was found" not in text("borrowed", sections.variation)


@pytest.mark.parametrize(
    ("kind", "few", "about"),
    [("one bag", "One bag of each fuel", "these bags"), ("no bags", "Bags are not noted", "these charges")],
)
def test_one_bag_gives_verdicts_for_these_bags_alone_and_nothing_on_the_next(kind, few, about):
    words = text(kind, sections.answer)
    assert f"{few}: a difference between two fuels cannot be told from a difference between two bags" in words
    assert f"every verdict is for {about} alone" in words and "fuel and day" not in words
    made = analysis(kind)
    assert set(made.comparisons["scope"]) == {"these bags"}
    assert "different, by more than the margin" in set(made.comparisons["verdict"])
    for name in ("next_bag", "chances", "further"):
        assert made.table(name).empty, name
    assert made.mean_curves[["low", "high", "band_low", "band_high"]].isna().all().all()
    claims = [*all_claims(report_data(made))]
    assert claims and all(about in claim.sentence and about in claim.say for claim in claims)
    assert "next bag" not in text(kind, sections.variation).replace("The next bag", "")


def of_charges(charge, **grams):
    """Return the analysis of three fuels with this [charge], no prices, and charges of these masses."""
    made = analysis("three")
    fuels = tuple(fuel.model_copy(update={"price": None}) for fuel in made.run.trial.fuels)
    trial = replace(made.run.trial, charge=charge, fuels=fuels)
    sheet = made.run.burns.assign(charge_g=made.run.burns["fuel"].map(grams).astype(float))
    unpriced = made.comparisons[~made.comparisons["metric"].str.startswith("cost")]
    return replace(made, run=replace(made.run, trial=trial, burns=sheet)).with_tables(comparisons=unpriced)


def test_a_break_even_price_without_prices_wants_the_word_that_charges_were_of_equal_mass():
    unsaid, said = (of_charges(charge) for charge in (Charge(), Charge(by="mass")))
    page = "the trial file gives no prices, and does not say that charges were of equal mass"
    assert page in read(sections.answer(unsaid).html).text
    assert (3, "Price") not in read(sections.comparisons(unsaid).html).headings
    assert "charges being of equal mass" in read(sections.comparisons(said).html).text
    assert "a fuel is the better value stands under 'Price'" in read(sections.answer(said).html).text
    assert "gives no prices" not in text("three", sections.answer)
    assert "no basis of comparison is claimed" in read(sections.method(unsaid).html).text


def test_the_price_of_a_fuel_may_be_that_of_its_bags():
    made = of_charges(Charge())
    bags = tuple(
        Bag(id=f"b{n}", fuel="olive", price=price, weighed_kg=4.0) for n, price in enumerate((10, 12))
    )
    priced = replace(made, run=replace(made.run, trial=replace(made.run.trial, bags=bags)))
    assert prices_per_kg(report_data(priced)) == {"olive": 2.75}


def test_charges_that_differ_unsaid_are_a_limitation():
    unlike = read(sections.method(of_charges(Charge(), alder=400, olive=410, pressed=600)).html).text
    unlike = unlike.replace("\u00a0", " ")
    assert (
        "Charges were not equal: on average from 400 g (14.1 oz) of alder lump to 600 g (21.2 oz) of pressed"
        in unlike
    )
    for alike in (of_charges(Charge(), alder=400, olive=410, pressed=415), of_charges(Charge())):
        assert "Charges were not equal" not in read(sections.method(alike).html).text


@pytest.mark.parametrize("kind", ["three", "no bags"])
def test_the_page_says_how_often_the_intervals_of_the_means_held(kind):
    words = text(kind, sections.method)
    assert re.search(r"made to hold the truth in 95 of 100 trials, held it in 9\d( to 9\d)? of 100", words)


def test_days_are_counted_of_the_burns_whose_day_is_known():
    data = report_data(analysis("three"))
    metrics = data.table("metrics")
    burns = list(metrics["burn"].unique())
    known = metrics.assign(
        day=["" if burn in burns[6:] else "2026-05-0" + burn[-1] for burn in metrics["burn"]]
    )
    some = replace(data, instead={"metrics": known})
    assert some.dated == 6 and some.on_days.startswith(", six of them on ")
    assert data.dated == data.done and data.on_days.startswith(" on ")
    assert replace(data, instead={"metrics": metrics.assign(day="")}).on_days == ""


def test_an_interim_report_says_so_and_gives_no_verdict():
    words = read(join(section(analysis("interim")).html for section in (*REPORT, *APPENDIX))).text
    assert "Interim: 12 of 18 burns. No verdicts are given yet." in words
    # rows of the self-check name verdicts in quotation marks: how often simulated trials reach each
    words = re.sub(r"'(different|the same|not settled)[^']*'", "", words)
    for verdict in ("beyond the margin", "size not settled", "the same within", "hotter than", "such pairs"):
        assert verdict not in words, verdict


def test_before_the_first_burn_a_page_speaks_of_no_burn():
    begun = analysis("not begun")
    page = read(join(section(begun).html for section in (*REPORT, *APPENDIX)))
    assert [words for level, words in page.headings if level == 2] == [
        "What was asked, and the answer", "Data quality", "Cautions", "Provenance",
        "Provenance: files, parameters, versions",
    ]  # fmt: skip
    assert "Interim: 0 of 18 burns. No verdicts are given yet." in page.text
    assert "Three fuels, none of them burned yet." in page.text and not page.figures
    assert "Three fuels are to be burned. Cooker" in read(methods(begun).html).text
    pair = read(sections.two_fuels(begun, "alder", "olive").html)
    assert [words for _, words in pair.headings] == [
        "Alder lump and olive-stone briquettes: do they really differ?"
    ]
    known = cards(begun)["how-we-know.md"]
    assert "No burn is done yet. Burns are still to come, so we claim nothing yet." in known
    assert re.findall(r"html#(\w+)", known) == ["recheck"]


def test_after_the_first_burn_a_page_speaks_of_that_fuel_alone():
    first, *others = analysis("interim").run.burns.query("state == 'done'")["burn"]
    run = analysis("interim").run
    for burn in others:
        run = run.without(burn, "the probe had slipped")
    metrics = analysis("interim").metrics
    one = analysis_of(run, analysis("interim").logs, metrics[metrics["burn"] == first])
    page = read(join(section(one).html for section in REPORT)).text
    assert "One burn of one fuel" in page and "with one fuel" not in page
    for false in ("was burned along with", "Each fuel was burned once", "Nobody noted which"):
        assert false not in page, false


def test_burns_of_which_some_have_a_noted_bag_are_told_so():
    page = text("bags partly noted", sections.answer)
    assert "Three fuels, three noted bags, 18 burns" in page
    assert "six burns of alder lump, bags not all noted" in page
    assert "Bags are not all noted: a difference" in page and "for these charges alone" in page
    assert "One bag of each" not in page
    assert "Bags: those that were noted" in page and "each, one bag each" not in page
    of_all = (
        "Of alder lump, pressed briquettes and olive-stone briquettes the bags of some burns are not noted"
    )
    assert of_all in text("bags partly noted", sections.method)
    assert "bags not all noted" in cards(analysis("bags partly noted"))["say.md"]


def test_what_is_simulated_says_so_at_the_top():
    words = text("three", sections.answer)
    assert words.index("Simulated: no fuel was burned") < words.index("Asked:")
    assert "say nothing about any real fuel" in text("three", sections.method)


def test_differences_are_never_shifted_by_32():
    words = text("three", sections.comparisons)
    assert "15 °C (27 °F)" in words and "15 °C (59 °F)" not in words


def test_strengths_and_limitations_do_not_contradict_each_other():
    for kind in ("three", "singles", "one bag"):
        words = text(kind, sections.method)
        strong, weak = (
            words.partition("Limitations")[0].rpartition("Strengths")[2],
            words.rpartition("Limitations")[2],
        )
        assert not ("bag" in strong and "Few bags" in weak)


def test_where_every_burn_was_left_out_no_picture_counts_burns():
    run = analysis("two").run
    for burn in run.burns["burn"]:
        run = run.without(burn, "the probe had slipped")
    none = analysis_of(run, analysis("two").logs, analysis("two").metrics)
    words = read(join([sections.answer(none).html, sections.curves(none).html])).text
    assert "()" not in words and "burns that were left out" in words


def test_a_fuel_burned_alone_has_its_mean_spread_and_next_bag_and_is_compared_with_none():
    page = read(join(section(analysis("one fuel")).html for section in REPORT)).text
    assert page.count("nothing to compare") == 1 and "±" in text("one fuel", sections.answer)
    assert "{percent}" not in page and "95 % of the time" in text("one fuel", sections.variation)
    for false in ("no model", "whether two fuels differ", "colon of a comparison", "see 'Comparisons'"):
        assert false not in page, false


def test_no_page_speaks_of_error_bars_that_are_not_there():
    page = read(join(section(analysis("all left out")).html for section in REPORT)).text
    assert "no error bar" in page and "Error bars" not in page and "every error bar" not in page
    assert "every error bar below is built on it" in text("three", sections.curves)
    assert "Error bars here are each fuel's own" in text("three", sections.fuels)


def test_a_fuel_whose_bags_nobody_noted_is_named_beside_those_with_few():
    whole = analysis("three")
    bags = whole.metrics["bag"].mask(whole.metrics["fuel"] == "olive", "")
    blank = whole.with_tables(metrics=whole.metrics.assign(bag=bags))
    words = read(sections.method(blank).html).text.replace("\u00a0", " ")
    assert "Few bags: three bags each of alder lump and pressed briquettes." in words
    assert "Nobody noted which bags olive-stone briquettes came from" in words


def test_the_testers_notes_are_theirs_and_hold_no_html():
    page = read(sections.tester_notes(analysis("three")).html)
    assert "Written by simulator in notes.md" in page.text and "<b>new</b>" in page.text
    assert "img" not in page.tags and "b" not in page.tags and "em" in page.tags
    assert sections.tester_notes(analysis("singles")).html == ""
    html = markdown_html(
        "[x](javascript:alert(1)) [y](https://a.b) <script>z</script>\n\n# Top\n\n| a | b |\n|---|---|\n| 1 | 2 |"
    )
    assert "javascript" not in html and 'href="https://a.b"' in html and "<script>" not in html
    assert "<h3>Top</h3>" in html and "<table>" in html


def test_two_fuels_answers_every_primary_measure_first_then_alone_and_in_company():
    page = read(sections.two_fuels(analysis("three"), "alder", "olive").html)
    words = page.text.replace("\u00a0", " ")
    assert [level for level, _ in page.headings].count(2) == 1
    assert words.index("peaked") < words.index("Over time") and words.index("stayed above 150") < words.index(
        "Over time"
    )
    assert "since this pair is one of several" in words and "For this pair alone" in words
    assert {link[1:] for link in page.links if link.startswith("#")} <= set(page.ids)
    assert len(page.ids) == len(set(page.ids))


@pytest.mark.parametrize("pair", [("alder", "olive"), ("olive", "alder")])
def test_two_fuels_tells_the_pair_alone_from_the_side_of_the_fuel_that_leads_its_sentence(pair):
    words = read(sections.two_fuels(analysis("three"), *pair).html).text.replace("\u00a0", " ")
    company, _, rest = words.partition("For this pair alone")
    leads = re.findall(r"(Alder lump|Olive-stone briquettes) (?:peaked|stayed above 150)", company)
    assert leads == ["Alder lump", "Olive-stone briquettes"]
    alone = re.findall(r"(?:hotter|longer|shorter|cooler) for ([a-z -]+)", rest.partition("Over time")[0])
    assert alone == [each.lower() for each in leads]


def test_the_appendix_has_the_comparisons_without_the_earlier_folders_where_there_are_any():
    caption = "the same comparisons without the earlier folders"
    made = analysis("beside")
    words = text("beside", sections.comparison_tables)
    alone = made.comparisons_alone.set_index("metric")
    assert words.count(caption) == len(alone) == 4
    (peak,) = re.findall(rf"Peak temperature: {caption} .*?{caption}", words)
    row = alone.loc["peak"]
    shown = "".join(f"{row[name]:.0f}" for name in ("difference", "low", "high"))
    assert f"alder lump − pressed briquettes{shown}" in peak and str(row["verdict"]) in peak
    assert "of these burns alone" in peak
    assert caption not in text("three", sections.comparison_tables)


def test_two_fuels_weighs_the_price_at_the_temperature_of_the_primary_measure_though_the_report_did_not():
    found = analysis("three")
    control = found.run.trial.control_fuel
    a, b = [fuel for fuel in dict.fromkeys(found.metrics["fuel"]) if fuel != control][:2]
    assert not len(found.table("comparisons", metric="cost:150", a=a, b=b))
    words = read(sections.two_fuels(found, a, b).html).text.replace("\u00a0", " ")
    assert "hour above 150 °C" in words and "at the prices paid" in words


def test_two_fuels_weighs_the_price_where_no_measure_was_compared_pair_by_pair():
    found = analysis("three")
    bare = found.with_tables(pairs=found.pairs.iloc[:0], comparisons=found.comparisons.iloc[:0])
    for pair in (("alder", "olive"), ("olive", "alder")):
        words = read(sections.two_fuels(bare, *pair).html).text.replace("\u00a0", " ")
        assert "at the prices paid" in words


@pytest.mark.filterwarnings("error::RuntimeWarning")
def test_a_spread_without_any_end_is_told_as_none():
    found = analysis("three")
    endless = found.components.assign(high=800.0)
    shown = sections.variation_tables(found.with_tables(components=endless))
    words = read(shown.html).text
    assert "–" in words and not re.search(r"\binf\b|\bnan\b", words)


def test_a_count_has_no_gap_where_others_have_a_unit():
    made = analysis("counts")
    shown = [*sections.fuels(made).figures, *sections.two_fuels(made, "alder", "olive").figures]
    assert not any(" ," in each.alt.replace("\u00a0", " ") for each in shown)
    words = read(sections.variation_tables(made).html).text.replace("\u00a0", " ")
    assert " ," not in words and " ." not in words


def test_two_fuels_works_either_way_round():
    one, other = (
        sections.two_fuels(analysis("three"), *pair) for pair in (("alder", "olive"), ("olive", "alder"))
    )
    tables = [next(d for d in each.figures if d.id.startswith("over time")).data for each in (one, other)]
    first, second = (table[table["what"] == "difference"] for table in tables)
    assert first["difference"].tolist() == pytest.approx((-second["difference"]).tolist(), nan_ok=True)
    assert first["band_low"].tolist() == pytest.approx((-second["band_high"]).tolist(), nan_ok=True)


@pytest.mark.parametrize(
    ("pair", "message"), [(("alder", "oliv"), "Did you mean 'olive'?"), (("olive", "olive"), "two different")]
)
def test_two_fuels_refuses_what_is_not_there(pair, message):
    with pytest.raises(KitError, match=re.escape(message)):
        sections.two_fuels(analysis("three"), *pair)


def test_sections_show_themselves_in_a_notebook():
    section = sections.answer(analysis("three"))
    assert section._repr_html_() == str(section.html) and "<svg" not in repr(section)


def test_the_run_folder_was_not_written_to():
    assert sorted(path.name for path in folder("singles").iterdir()) == [
        "SIMULATED.txt",
        "burns.csv",
        "logs",
        "trial.toml",
    ]


def test_letters_say_that_the_first_fuel_is_a_question_of_its_own():
    words = text("three", sections.answer)
    assert ("share a letter are" in words) == ("asked in one direction" in words)


def test_provenance_names_every_parameter_it_lists():
    assert "spread )" not in text("three", sections.provenance)


def test_every_word_that_reports_share_is_said_somewhere():
    code = "".join(
        path.read_text("utf-8") for path in (Path(__file__).parents[2] / "kit" / "publish").rglob("*.py")
    )
    unused = [
        f"{kind}.{key}"
        for kind in ("names", "paragraphs", "table", "figure")
        for key in words()[kind]
        if f'"{key}"' not in code and f"'{key}'" not in code
    ]
    assert not unused


def test_how_far_a_fuel_falls_short_of_the_best_is_told_in_the_unit_of_its_heading():
    made = analysis("three")
    american = replace(made, run=replace(made.run, trial=replace(made.run.trial, show="us")))
    page = read(sections.comparison_tables(american).html).text
    apart = made.best.loc[made.best["metric"] == "peak", "difference"].astype(float)
    assert "Peak temperature, °F" in page
    assert all(plain(1.8 * each, 1) in page for each in apart)


def test_a_fuel_whose_every_burn_is_a_bound_shows_that_bound():
    shown = text("cut short", sections.answer)
    values = analysis("cut short").metrics.query("fuel == 'olive'").groupby("metric")["value"]
    assert f"at least {values.min()['time_above:150']:.1f} min" in shown
    assert f"at most {values.max()['cost:150']:.1f} EUR per h" in shown
    assert "a bound that holds for all of them" in shown


def test_what_cannot_be_best_is_said_beside_what_would_settle_its_pair():
    told = text("demo", sections.comparisons)
    assert (
        "olive-stone briquettes and pressed briquettes (that pressed briquettes cannot be longest above 150 °C "
        "(302 °F) is settled; asked both ways the pair is open): five more bags" in told
    )
    takes = r"in all \d+ burns, \d+\.\d.kg.* of fuel, \d+ EUR for the bags, \d+.h of burning"
    assert re.search(f"five more bags of each, two burns per bag; {takes}", told)
    assert "held against the best, the four others are not" in text("demo", sections.answer)


def test_the_page_says_how_several_cookers_are_taken():
    told = text("three", sections.method)
    assert "The two cookers are blocks of one model" in told and "other cookers are never pooled" not in told
    assert "blocks of one model" not in text("singles", sections.method)


@pytest.mark.parametrize(("kind", "level", "inner", "error"), [("three", 95, 90, 5), ("counts", 90, 80, 10)])
def test_the_confidence_is_the_declared_one_wherever_it_is_named(kind, level, inner, error):
    glossary = text(kind, sections.method)
    assert f"holds the true value in {level} of 100 such trials" in glossary
    appendix = methods(analysis(kind)).markdown.replace("\u00a0", " ")
    assert f"whole {level} % interval" in appendix and f"the {inner} % interval" in appendix
    assert f"one-sided tests at {error} %" in appendix
    if kind == "counts":
        for section in REPORT:
            assert "95 %" not in text(kind, section), section


def test_limits_of_a_count_end_at_zero_and_the_page_says_why():
    made = analysis("counts")
    shown = text("counts", sections.answer)
    assert "0 to 3" in shown and "the lowest and highest value of the burns" in shown
    rows = made.means[made.means["metric"] == "peak"]
    counted = rows.assign(metric="departures", mean=1.0, low=0.0, high=3.0, unit="", scale="plain")
    page = sections.answer(made.with_tables(means=pd.concat([made.means, counted]))).html
    told = read(page).text.replace("\u00a0", " ")
    assert "A count is never below 0: there its limits end." in told and "1.0 (0.0 to 3.0)" in told


def test_another_programs_estimates_are_told_in_one_sentence_and_never_before_the_burns_are_done():
    told = text("three", sections.method)
    assert re.search(r"A second program \(statsmodels\), given the same burns, finds", told)
    assert "statsmodels" not in text("interim", sections.method)


def test_a_chance_of_an_open_pair_says_that_it_is_open():
    chances = text("three", sections.variation).split("If you bought")[1:]
    data = report_data(analysis("three"))
    settled = {
        frozenset((c.a, c.b))
        for c in all_claims(data)
        if c.kind == "pair" and c.metric == "peak" and c.settled
    }
    assert any("Which of the two does so on average is not settled" in each for each in chances)
    for each in chances:
        pair = frozenset(player.id for player in data.cast if player.name in each)
        if "peak hotter" in each and pair in settled:
            assert "not settled" not in each.partition("In brackets")[0]


def test_limits_of_the_cleaning_rules_are_shown_as_people_write_them():
    told = read(sections.methods(analysis("three")).html).text
    assert "1372, 2000, −200" in told and "(1372" not in told and "False" not in told


def test_logs_that_were_all_cut_short_are_not_named_one_by_one():
    made = analysis("three")
    every, n = made.spans.assign(cut_short=True), made.spans["burn"].nunique()
    told = read(sections.data_quality(made.with_tables(spans=every)).html).text
    assert f"All {n} burns: the log ended before the stop" in told
    some = every.assign(cut_short=every["burn"] != every["burn"].iloc[0])
    told = read(sections.data_quality(made.with_tables(spans=some)).html).text
    assert "the log ended before the stop" in told and f"All {n} burns" not in told
    whole = every.assign(cut_short=False, started_late=False)
    for stopless in (True, False):  # of a stop that nobody noted no log falls short
        noted = whole.assign(stop_s=float("nan")) if stopless else whole.fillna({"stop_s": 60.0})
        told = read(sections.data_quality(made.with_tables(spans=noted)).html).text
        assert "No log ended before a stop that was noted." in told and "cut short" not in told
        assert ("Where none was noted, the log’s end counts" in told.replace("'", "’")) == stopless


def test_little_fuel_that_is_still_needed_is_told_to_a_tenth_of_a_kilogram():
    data = report_data(analysis("three"))
    pair = data.of_declared_pairs(data.of_primary(data.table("comparisons")))[["metric", "a", "b"]].iloc[0]
    row = pair.to_dict() | {"bags": 1, "burns": 2, "more_burns": 4, "cost": 9.0}
    needed = pd.DataFrame([row | {"grams": grams, "hours": 8.0} for grams in (1_600.0, 16_400.0)])
    shown = further_html(replace(data, instead={"further": needed}), most=2)
    told = "".join(map(str, shown)).replace("\u00a0", " ")
    assert "1.6 kg" in told and re.search(r"\b16 kg", told)


def test_the_folders_borrowed_from_stand_in_one_order():
    data = report_data(analysis("three"))
    prior = pd.DataFrame({"metric": ["peak"] * 2, "folder": ["second", "first"], "used": [True, True]})
    borrowed = replace(data, instead={"prior": prior})
    vars(borrowed)["lenders"] = ["first", "third", "second"]
    assert "the spread found in first and second;" in _key(borrowed)


def test_reached_more_often_stands_with_its_p():
    told = text("three", sections.fuels)
    assert re.search(r"More often than pressed briquettes: alder lump \(p [<=] 0\.\d+\)", told)
    assert "p: probability of counts so unequal" in told


def test_expanded_uncertainty_says_what_it_covers():
    told = text("three", sections.quality_tables)
    found = re.search(r"With the ([\d.]+)(?: to [\d.]+)? degrees of freedom .* at least about (\d\d)", told)
    assert found and float(found[1]) < 60 and 60 < int(found[2]) < 95


def test_single_burns_on_several_days_are_no_strength():
    assert "spread over" not in text("singles", sections.method).partition("Limitations")[0]
    assert "Burns are spread over" in text("three", sections.method)


def test_a_spell_says_that_it_may_be_longer_than_the_time_above():
    assert "may be longer than the time above" in text("three", sections.method_tables)

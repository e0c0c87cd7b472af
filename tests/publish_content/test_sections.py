"""The sections: plain words first, honest at the top, everything captioned, nothing hostile alive."""

import re
from dataclasses import replace
from itertools import pairwise

import pytest

from kit.errors import KitError
from kit.page.text import join
from kit.publish import sections
from kit.publish.facts import facts_of
from kit.publish.sections.first_screen import answer_sentences
from kit.publish.sections.glossary import TERMS
from kit.trial.models import Cook
from tests.publish_content.pages import read
from tests.publish_content.stand_in import FUELS, stand_in

ALL = (
    sections.answer,
    sections.curves,
    sections.fuels,
    sections.comparisons,
    sections.variation,
    sections.cooks,
    sections.odd_burns,
    sections.data_quality,
    sections.method,
    sections.cautions,
)
FORBIDDEN = re.compile(
    r"\b(REML|restricted|likelihood|censored|studentised|singular|covariance|residual|heteroscedastic|Kenward|"
    r"Satterthwaite|Tukey|Dunnett|Holm|bootstrap|quantile|p[ -]value|significan\w*|degrees of freedom|null|parametric|"
    r"geometric|logarithm\w*|variance|standard error|estimat\w+|confidence|stochastic)\b",
    re.IGNORECASE,
)
HOSTILE = (
    "</title><script>alert(1)</script><img src=x onerror=alert(2)> \"'&{a} $x^2$ \u202eabc\x00 =1+1 😀 "
    + "w" * 60
)


@pytest.fixture(scope="module")
def whole():
    analysis = stand_in()
    made = [section(analysis) for section in ALL]
    return made, read(join(each.html for each in made))


def test_the_first_screen_is_in_plain_words():
    for options in (
        {},
        {"control": "beech"},
        {"bags": 1, "burns": 1},
        {"planned": 3},
        {"margins": {}},
        {"fuels": FUELS[:2]},
    ):
        text = read(sections.answer(stand_in(**options)).html).text
        assert not FORBIDDEN.search(text), FORBIDDEN.search(text)


def test_the_answer_has_at_most_six_sentences():
    for options in ({}, {"control": "beech"}, {"bags": 1, "burns": 1}, {"planned": 3}, {"fuels": FUELS[:2]}):
        told = answer_sentences(facts_of(stand_in(**options)))
        assert 1 <= len(told) <= 6
        for each in told:
            sentence = each if isinstance(each, str) else each.sentence
            assert sentence.endswith(".") and ". " not in sentence


def test_each_finding_names_direction_number_interval_and_n(whole):
    made, _ = whole
    findings = re.findall(r'<p class="finding" id="claim[^"]*">(.*?)</p>', made[0].html)
    assert findings
    for finding in findings:
        text = read(finding).text
        assert re.search(r"hotter|cooler|longer|less time|as long", text)
        assert re.search(r": \d+ to \d+", text.replace("\u00a0", " "))
        assert "burns each" in text and "bags each" in text and '<span class="number">' in finding


def test_what_intervals_are_is_said_on_the_first_screen(whole):
    assert "95\u00a0% intervals" in read(whole[0][0].html).text


def test_ids_are_unique_and_links_lead_somewhere(whole):
    _, page = whole
    assert len(page.ids) == len(set(page.ids))
    assert {link[1:] for link in page.links if link.startswith("#")} <= set(page.ids)


def test_headings_begin_at_two_and_skip_none(whole):
    _, page = whole
    levels = [level for level, _ in page.headings]
    assert levels[0] == 2 and all(after - before <= 1 for before, after in pairwise(levels))
    assert all(words.strip() for _, words in page.headings)


def test_every_figure_says_in_words_what_it_shows(whole):
    made, page = whole
    assert len(page.figures) == sum(len(section.figures) for section in made) >= 12
    for figure in page.figures:
        assert len(figure["desc"]) > 60 and re.search(r"\d", figure["desc"]), figure
        assert figure["title"] and figure["desc"] != figure["title"]
        assert re.search(r"95\u00a0%|burn", figure["figcaption"]), figure["figcaption"]


def test_bars_and_bands_say_what_they_are_and_their_n(whole):
    for section in whole[0]:
        for drawing in section.figures:
            assert re.search(r"interval|band|fewer than|will fall", drawing.caption), drawing.id
            assert re.search(r"\d+ burns|[Ss]ix burns|prices", drawing.caption), drawing.id


def test_tables_have_captions_and_scope(whole):
    _, page = whole
    assert page.tables
    for table in page.tables:
        assert str(table["caption"]).strip()
        assert table["heads"] == table["scoped"] > 0


def test_the_glossary_has_fifteen_lines():
    assert len(TERMS) == 15
    assert all(len(words) < 140 for _, words in TERMS)


def test_single_burns_say_at_the_top_what_they_cannot_say():
    analysis = stand_in(bags=1, burns=1)
    section = sections.answer(analysis)
    text = read(section.html).text
    assert text.index("Single burns") < text.index("Asked:")
    assert "cannot say which fuel is hotter" in text
    assert section.figures == ()
    assert "ladder" not in section.html
    assert "it is not zero, it was not looked for" in read(sections.variation(analysis).html).text
    assert not any(
        re.search(r"(hotter|longer|steadier) than", each) for each in answer_sentences(facts_of(analysis))
    )


def test_an_interim_report_says_so_and_gives_no_verdict():
    analysis = stand_in(planned=12)
    text = read(join(section(analysis).html for section in ALL)).text
    assert "Interim: 24 of 36 burns. No verdicts are given yet." in text
    for verdict in (
        "by more than the margin",
        "size not settled",
        "the same within",
        "hotter than",
        "such pairs",
    ):
        assert verdict not in text, verdict


def test_a_simulated_folder_says_so_at_the_top(tmp_path):
    assert "Simulated" not in sections.answer(stand_in()).html
    (tmp_path / "SIMULATED.txt").write_text("simulated", "utf-8")
    text = read(sections.answer(stand_in(folder=tmp_path)).html).text
    assert text.index("Simulated: no fuel was burned") < text.index("Asked:")
    assert "say nothing about any real fuel" in read(sections.method(stand_in(folder=tmp_path)).html).text


def test_no_order_is_shown_for_two_fuels_and_a_ladder_from_three_on():
    assert not sections.answer(stand_in(fuels=FUELS[:2])).figures
    ladder = sections.answer(stand_in(fuels=FUELS[:3])).figures
    assert [drawing.id for drawing in ladder] == ["ladder peak", "ladder time_above:180"]
    assert not re.search(r"\b(1st|2nd|first place|rank|#1)\b", read(sections.answer(stand_in()).html).text)


def test_hostile_text_is_shown_as_text():
    fuels = (("alder", HOSTILE, "<b>lump</b>"), *FUELS[1:])
    analysis = stand_in(
        fuels=fuels, question=HOSTILE, operator=HOSTILE, interests=HOSTILE, place=HOSTILE, stop_rule=HOSTILE
    )
    deviations = analysis.deviations.assign(what=HOSTILE, where=HOSTILE)
    analysis = replace(analysis, deviations=deviations, notes=(HOSTILE,))
    made = [section(analysis) for section in ALL] + [sections.two_fuels(analysis, "alder", "olive")]
    for section in made:
        page = read(section.html)
        assert not {"script", "img"} & set(page.tags)
        assert not [name for name in page.attributes if name.startswith("on")]
        assert "\x00" not in section.html and "\u202e" not in section.html


def test_both_units_stand_where_both_are_shown():
    html = sections.fuels(stand_in(show="both")).html
    text = read(html).text
    assert "°C" in text and "°F" in text
    assert "mph" in text and "oz" in text


def test_differences_are_never_shifted_by_32():
    text = read(sections.comparisons(stand_in(show="us")).html).text.replace("\u00a0", " ")
    assert "27 °F (15 °C)" in text and "59 °F (15 °C)" not in text


def test_kinds_stand_beside_the_spread_within_a_kind(whole):
    text = read(whole[0][3].html).text.replace("\u00a0", " ")
    assert "lump peaked 24 °C (43 °F) hotter than briquette: 17 to 31 °C; 2 and 2 fuels" in text
    assert "fuels of one kind differ from one another by 11 °C (20 °F)" in text


def test_break_even_is_worded_for_a_shopper(whole):
    text = read(whole[0][3].html).text
    assert re.search(
        r"Alder lump: better value than Oak lump while its price per kg is below 1\.\d+ times that of Oak lump \(",
        text,
    )


def test_break_even_follows_from_prices_and_cost():
    from kit.publish.price import break_even_table

    facts = facts_of(stand_in())
    row = break_even_table(facts).iloc[0]
    cost = facts.rows("comparisons", "cost:180").iloc[0]
    assert row["actual"] == pytest.approx(2.4 / 2.0)
    assert row["value"] == pytest.approx(1.2 / cost["ratio"])
    assert (row["low"], row["high"]) == pytest.approx((1.2 / cost["high"], 1.2 / cost["low"]))


def test_cooks_are_judged_from_their_own_setting_alone():
    with_cook = stand_in(cooks=(Cook(name="low and slow", low=107.0, high=135.0, hours=6.0),))
    text = read(sections.cooks(with_cook).html).text
    assert "No burn was run at a setting for this cook" in text and "rushes through a low band" in text
    assert "107 to 135" in text


def test_odd_burns_stand_beside_their_conditions_and_are_not_deleted(whole):
    text = read(whole[0][6].html).text
    assert "wind 5.1 m/s, its peers 1.2 to 2.4 m/s" in text
    assert "never a reason to leave it out" in text
    assert "without burn b05: not settled" in text


def test_data_quality_lists_flags_cut_short_burns_and_deviations(whole):
    text = read(whole[0][7].html).text
    for words in (
        "a lone jump away and back",
        "Burn b03: the log ended before the stop",
        "No burn was left out",
        "bags",
    ):
        assert words in text
    assert "No log was changed" in text


def test_two_fuels_is_one_page_about_one_question():
    page = read(sections.two_fuels(stand_in(), "alder", "olive").html)
    assert [level for level, _ in page.headings].count(2) == 1
    assert page.text.index("hotter than olive-stone briquettes") < page.text.index("Side by side")
    assert "They differ for sure from minute" in page.text
    assert "Oak lump" not in page.text and "beech" not in page.text
    for words in ("Conditions of the two", "Does the verdict hang on one burn?", "better value"):
        assert words in page.text


def test_two_fuels_works_either_way_round():
    one, other = (sections.two_fuels(stand_in(), *pair) for pair in (("alder", "olive"), ("olive", "alder")))
    tables = [next(d for d in each.figures if d.id.startswith("difference")).data for each in (one, other)]
    assert tables[0]["difference"].tolist() == pytest.approx((-tables[1]["difference"]).tolist())
    assert tables[0]["band_low"].tolist() == pytest.approx((-tables[1]["band_high"]).tolist())


def test_two_fuels_of_a_trial_with_a_control_are_still_compared():
    text = read(sections.two_fuels(stand_in(control="beech"), "alder", "olive").html).text
    assert "hotter than olive-stone briquettes" in text


@pytest.mark.parametrize(
    ("pair", "message"), [(("alder", "oliv"), "Did you mean 'olive'?"), (("oak", "oak"), "two different")]
)
def test_two_fuels_refuses_what_is_not_there(pair, message):
    with pytest.raises(KitError, match=re.escape(message)):
        sections.two_fuels(stand_in(), *pair)


def test_a_page_stays_small(whole):
    assert sum(len(section.html.encode()) for section in whole[0]) < 1_200_000


def test_sections_show_themselves_in_a_notebook(whole):
    section = whole[0][0]
    assert section._repr_html_() == str(section.html)
    assert "<svg" not in repr(section)


def test_two_fuels_tells_from_the_first_ones_side_and_keeps_the_verdict_of_the_report():
    analysis = stand_in(control="beech")
    html = sections.two_fuels(analysis, "beech", "alder").html
    text = read(html).text.replace("\u00a0", " ")
    assert re.search(r"[Bb]eech briquettes peaked 36 °C \(65 °F\) cooler than Alder lump: 29 to 43 °C", text)
    assert "for all 3 comparisons with the control fuel at once" in text
    report = read(sections.answer(analysis).html).text.replace("\u00a0", " ")
    assert "Alder lump peaked 36 °C (65 °F) hotter than beech briquettes: 29 to 43 °C" in report
    page = read(html)
    assert {link[1:] for link in page.links if link.startswith("#")} <= set(page.ids)
    assert len(page.ids) == len(set(page.ids))


def test_a_comparison_turned_twice_is_itself():
    from kit.publish.narrowed import turned_round

    rows = stand_in().comparisons
    again = turned_round(turned_round(rows))
    for name in rows.columns:
        if rows[name].dtype.kind == "f":
            assert again[name].tolist() == pytest.approx(rows[name].tolist(), nan_ok=True), name
        else:
            assert again[name].tolist() == rows[name].tolist(), name


def test_limits_that_are_not_finite_draw_nothing_and_break_nothing():
    base = stand_in()
    rows = base.comparisons
    bounded = rows["metric"].isin(["time_above:180", "cost:180"])
    rows = rows.assign(
        low=rows["low"].where(~bounded, 0.0),
        high=rows["high"].where(~bounded, float("inf")),
        ratio=rows["ratio"].where(~bounded, 4.5e18),
        verdict=rows["verdict"].where(~bounded, "not settled"),
    )
    analysis = replace(base, comparisons=rows, pairs=rows)
    text = read(join(section(analysis).html for section in ALL)).text
    assert "is not settled: these burns give only a bound" in text
    assert "inf" not in re.findall(r"[a-z]+", text.lower()) and "nan" not in re.findall(
        r"[a-z]+", text.lower()
    )
    assert sections.two_fuels(analysis, "alder", "olive").figures


def test_headings_carry_no_numbers_so_nothing_refers_to_one(whole):
    assert not re.search(r"[Ss]ections? \d", whole[1].text)


def test_two_fuels_of_a_trial_without_a_model_have_no_chances_to_tell():
    base = stand_in()
    bare = replace(base, chances=base.chances.head(0), influence=base.influence.head(0))
    assert "new bag of" not in read(sections.two_fuels(bare, "alder", "olive").html).text

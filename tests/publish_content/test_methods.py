"""The methods appendix: from what was really done, the same in HTML and Markdown."""

import re

import pandas as pd
import pytest

import kit
from kit.page.text import element
from kit.publish import sections
from kit.publish.report_data import report_data
from kit.publish.sections.method import (
    Formula,
    Rows,
    block_html,
    block_markdown,
    methods,
    write_methods,
)
from tests.publish_content.made import HOSTILE, analysis
from tests.publish_content.pages import read


def test_both_forms_say_the_same():
    found = methods(analysis("three"))
    page = read(found.html)
    titles = [words for level, words in page.headings if level == 2]
    assert titles == re.findall(r"^## (.*)$", found.markdown, re.MULTILINE)
    assert titles[0] == "What was measured" and titles[-1] == "How to cite"
    for blocks in found.chapters.values():
        for block in blocks:
            if isinstance(block, str):
                assert block in page.text


def test_formulas_are_mathml_and_latex():
    found = methods(analysis("three"))
    assert found.html.count("<math") == found.markdown.count("$$\n") / 2 >= 6
    assert "<mi>" in found.html and r"\sigma^2_{\mathrm{bag}}" in found.markdown


def test_single_burns_have_no_model_to_tell_of():
    found = methods(analysis("singles"))
    assert found.html.count("<math") == 1
    assert "no interval, difference or order was computed" in read(found.html).text


def test_sources_are_those_of_what_was_done():
    words = read(methods(analysis("three")).html).text
    assert "Dunnett CW" in words and "Tukey JW" in words and "IEC 60584-1" in words and "Schuirmann" in words
    assert "Schuirmann" not in read(methods(analysis("no margin")).html).text


def test_the_methods_really_used_are_named():
    method = analysis("three").comparisons.query("metric == 'peak'")["method"].iloc[0]
    assert method in read(methods(analysis("three")).html).text


def test_steps_of_the_logs_are_those_that_were_read():
    spans = analysis("three").spans
    steps = sorted({f"{step:.0f}" for step in spans.loc[spans["probe"] == "grate", "interval_s"]}, key=int)
    words = read(methods(analysis("three")).html).text
    assert f"read every {' to '.join([steps[0], *steps[-1:]] if len(steps) > 1 else steps)} s" in words


def test_cleaning_stands_with_its_counts_and_limits():
    words = read(methods(analysis("three")).html).text
    spans = analysis("three").spans
    n = f"{spans['n'].sum():,}".replace(",", "\u202f")
    assert f"Of {n} readings {spans['n_flagged'].sum()} were flagged" in words
    assert "spike_k" in words


def test_the_citation_says_who_when_what_with_what_and_that_it_is_simulated():
    found = methods(analysis("three"))
    assert found.citation == (
        "simulator (2026). Which fuel for the drum oven (simulated): 18 burns (simulated). Analysed with repeatburn "
        f"{kit.__version__}."
    )
    assert "were simulated" in found.markdown


def test_margins_are_quoted_or_their_absence_is():
    assert "15 °C (27 °F)" in read(methods(analysis("three")).html).text.replace("\u00a0", " ")
    assert "No margin was declared" in read(methods(analysis("no margin")).html).text


def test_markdown_is_written_beside_the_page(tmp_path):
    found = methods(analysis("three"))
    assert "methods.md" in write_methods(found, tmp_path)
    assert (tmp_path / "methods.md").read_text("utf-8") == found.markdown
    assert "was not written" in write_methods(found, "")


@pytest.mark.parametrize(
    "text", ["<script>alert(1)</script>", "| a | b |", "# not a heading", "![x](http://x)"]
)
def test_hostile_text_stays_text(text):
    assert "<script>" not in methods(analysis("hostile")).markdown and HOSTILE[:8] == "</title>"
    assert "script" not in read(methods(analysis("hostile")).html).tags
    for block in (text, [text], Rows("t", pd.DataFrame({"a": [text]}))):
        assert text not in block_markdown(block).replace("\\#", "")


def test_markdown_has_no_needless_escapes():
    markdown = methods(analysis("three")).markdown
    assert not re.search(r"\\[().:{}!-]", markdown.partition("$$")[0])


def test_how_curves_were_made_is_told_where_there_are_bands():
    assert "random rotations" in read(methods(analysis("three")).html).text
    assert "Langsrud" in methods(analysis("three")).markdown
    assert "rotations" not in methods(analysis("singles")).markdown


def test_a_formula_is_set_in_both_forms():
    formula = Formula(r"r = 2.8\,s_r", "The limit")
    assert "<math" in block_html(formula) and block_markdown(formula).endswith("$$\nr = 2.8\\,s_r\n$$")


def test_the_appendix_defines_each_measure_of_the_report():
    data = report_data(analysis("three"))
    html = sections.method_tables(analysis("three")).html
    for metric in data.metrics:
        definition = data.spec(metric).definition
        assert definition and element("dd", definition) in html, metric

"""The methods appendix: from what was really done, the same in HTML and Markdown."""

import csv
import re
import subprocess
import sys
import zipfile
from dataclasses import replace
from pathlib import Path

import pytest

import kit
from kit.publish.facts import facts_of
from kit.publish.methods_text import methods, write_methods
from kit.publish.methods_text.blocks import Formula, Items, Para, Rows
from kit.publish.methods_text.decided import decided
from kit.publish.methods_text.tried import Design, design_of, read_design, tried
from kit.trial.models import Probe
from tests.publish_content.pages import read
from tests.publish_content.stand_in import stand_in

TABLE = Path(__file__).parents[1] / "reference" / "simulation_table.csv"
DECISIONS = TABLE.with_name("decisions_table.csv")


def test_both_forms_say_the_same():
    found = methods(stand_in())
    page = read(found.html)
    titles = [words for level, words in page.headings if level == 2]
    assert titles == re.findall(r"^## (.*)$", found.markdown, re.MULTILINE)
    assert titles[0] == "What was measured" and titles[-1] == "How to cite"
    for chapter in found.chapters:
        for block in chapter.blocks:
            if isinstance(block, Para):
                assert block.text in page.text.replace("\u00a0", "\u00a0")


def test_formulas_are_mathml_and_latex():
    found = methods(stand_in())
    assert found.html.count("<math") == found.markdown.count("$$\n") / 2 >= 6
    assert "<mi>" in found.html and r"\sigma^2_{\mathrm{bag}}" in found.markdown


def test_single_burns_have_no_model_to_tell_of():
    found = methods(stand_in(bags=1, burns=1))
    assert found.html.count("<math") == 1
    assert "no interval, difference or order was computed" in read(found.html).text


def test_sources_are_those_of_what_was_done():
    base = stand_in()
    plain = read(methods(base).html).text
    assert "Tukey" in plain and "Dunnett" not in plain and "IEC 60584" not in plain
    control = stand_in(control="beech")
    assert "Dunnett" in read(methods(control).html).text
    base.run.trial = replace(
        base.run.trial, probes=(Probe.model_construct(id="grate", place="", tolerance_class="1"),)
    )
    assert "IEC 60584-1" in read(methods(base).html).text


def test_the_methods_really_used_are_named():
    base = stand_in()
    named = replace(base, comparisons=base.comparisons.assign(method="averaged t"))
    assert "averaged t" in read(methods(named).html).text


def test_cleaning_stands_with_its_counts_and_limits():
    text = read(methods(stand_in()).html).text
    assert "Of 8400 readings 2 were flagged" in text
    assert "spike_k" in text and "30.0" in text


def test_the_citation_says_who_when_what_and_with_what():
    found = methods(stand_in())
    assert found.citation == (
        f"A. Cook (2026). Fuel for the drum oven: 24 burns. Analysed with repeatburn {kit.__version__}."
    )


def test_a_simulated_trial_is_cited_as_simulated(tmp_path):
    (tmp_path / "SIMULATED.txt").write_text("x", "utf-8")
    found = methods(stand_in(folder=tmp_path))
    assert "24 burns (simulated)" in found.citation and "were simulated" in found.markdown


def test_margins_are_quoted_or_their_absence_is():
    assert "15 °C (27 °F)" in read(methods(stand_in()).html).text.replace("\u00a0", " ")
    assert "No margin was declared" in read(methods(stand_in(margins={})).html).text


def test_markdown_is_written_beside_the_page(tmp_path):
    found = methods(stand_in())
    assert "methods.md" in write_methods(found, tmp_path)
    assert (tmp_path / "methods.md").read_text("utf-8") == found.markdown
    assert "was not written" in write_methods(found, "")


@pytest.mark.parametrize(
    "text", ["<script>alert(1)</script>", "| a | b |", "# not a heading", "![x](http://x)"]
)
def test_hostile_text_stays_text(text):
    found = methods(stand_in(title=text, operator=text, stop_rule=text))
    page = read(found.html)
    assert "script" not in page.tags and "img" not in page.tags
    assert "<script>" not in found.markdown
    for block in (Para(text), Items((text,)), Rows("t", ("a",), ((text,),))):
        assert text not in block.markdown().replace("\\#", "")


def test_the_nearest_simulated_design_is_quoted_and_named():
    found = facts_of(stand_in(burns=3))
    own = design_of(found)
    assert (own.fuels, own.bags, own.burns, own.days) == (4, 3, 3, "")
    (told, rows) = tried(found)
    ratio = min((0, 0.5, 1, 2), key=lambda each: abs(each - own.bag_ratio))
    assert (
        f"4 fuels, 3 bags of each, 3 burns of each bag, and bags that vary {ratio} times as much" in told.text
    )
    with TABLE.open(encoding="utf-8") as handle:
        lines = [line for line in csv.DictReader(handle) if line["row"] == f"4 × 3 × 3; bag SD {ratio}"]
    value = next(
        float(line["value"])
        for line in lines
        if line["quantity"] == "coverage of the pairs" and line["method"] == "best"
    )
    row = next(row for row in rows.rows if row[0] == "the interval of a difference held the truth")
    assert row[1:3] == ("95", f"{100 * value:.1f}")
    assert "not of this one" in rows.note
    assert "Simulated trials of the method" in read(methods(stand_in()).html).text


def test_a_design_with_days_is_laid_beside_one_with_days():
    days = Design(6, 3, 2, 0.4, 0.6, "days")
    with TABLE.open(encoding="utf-8") as handle:
        names = {line["row"] for line in csv.DictReader(handle)}
    known = {name: design for name in names if (design := read_design(name))}
    assert not any("unbalanced" in name or "left out" in name or "spread" in name for name in known)
    nearest = min(known, key=lambda name: days.distance(known[name]))
    assert nearest == "6 × 3 × 2, 12 days of 3 fuels; bag SD 0.5, day SD 0.5"


def test_what_was_said_of_simulated_curves_and_predictions_is_the_tables_lowest_and_highest():
    rows = {row[0]: row[1:] for row in decided(facts_of(stand_in())).rows}
    with DECISIONS.open(encoding="utf-8") as handle:
        lines = [line for line in csv.DictReader(handle) if line["quantity"] == "prediction"]
    shares = [100 * float(line["value"]) for line in lines]
    found = rows["the prediction interval held a burn of a new bag"]
    assert found == ("95", f"{min(shares):.1f}", f"{max(shares):.1f}", str(len(lines)))
    assert len(rows) == 6 and decided(facts_of(stand_in(bags=1, burns=1))) is None


def test_how_curves_were_made_is_told_where_there_are_bands():
    base = stand_in()
    assert "random rotations" in read(methods(base).html).text and "Langsrud" in methods(base).markdown
    bare = replace(base, difference_curves=base.difference_curves.assign(band_low=float("nan")))
    assert "rotations" not in methods(bare).markdown


def test_the_wheel_holds_the_tables(tmp_path):
    root = Path(__file__).parents[2]
    subprocess.run(
        [sys.executable, "-m", "hatchling", "build", "-t", "wheel", "-d", tmp_path], cwd=root, check=True
    )
    with zipfile.ZipFile(next(tmp_path.glob("*.whl"))) as wheel:
        assert wheel.read("kit/packaged/simulations.csv") == TABLE.read_bytes()
        assert wheel.read("kit/packaged/decisions.csv") == DECISIONS.read_bytes()


def test_a_formula_is_set_in_both_forms():
    formula = Formula(r"r = 2.8\,s_r", "The limit")
    assert "<math" in formula.html() and formula.markdown().endswith("$$\nr = 2.8\\,s_r\n$$")

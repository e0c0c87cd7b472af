"""Cards: what may be said, and how we know."""

import re
from dataclasses import replace

import pytest

from kit.page.text import anchor, counted, escape_markdown
from kit.publish import sections
from kit.publish.claims import (
    MOST_CAPTION,
    MOST_SAID,
    all_claims,
    cards,
    claims_of,
    how_we_know,
    say_card,
    three_sentences,
    words_in,
)
from kit.publish.report_data import report_data
from tests.publish_content.made import analysis


def field(card: str, name: str) -> str:
    return re.search(rf"^- {name}: (.*)$", card, re.MULTILINE)[1]


def test_a_card_a_settled_finding_and_the_rest_counted_in_one_line():
    data = report_data(analysis("three"))
    text = say_card(analysis("three"))
    parts = text.split("\n## ")[1:]
    settled = {claim.id for claim in all_claims(data) if claim.settled}
    assert {part.split("\n")[0] for part in parts} == settled
    for part in parts:
        assert words_in(field(part, "Say")) <= MOST_SAID
        assert words_in(field(part, "Caption")) <= MOST_CAPTION
        assert "(95 %)" in field(part, "Interval")
        assert "six burns" in field(part, "n") and "three bags" in field(part, "n")
        assert "'always'" in field(part, "Do not say") and "'in your cooker'" in field(part, "Do not say")
    left = sum(not claim.settled for claim in claims_of(data))
    assert text.count("Not settled") == (1 if left else 0) and (not left or f": {left} of" in text)


def test_every_interval_of_a_pair_names_its_direction():
    words = r"hotter|cooler|longer|shorter|less|more|fewer|as (much|long|fast|often|many)|faster|slower|dense|scatter"
    for part in say_card(analysis("three")).split("\n## ")[1:]:
        if not part.startswith(("claim-best", "claim-value")):
            assert re.search(words, field(part, "Interval")), part


def test_figures_of_cards_exist():
    html = "".join(section(analysis("three")).html for section in (sections.comparisons, sections.fuels))
    text = say_card(analysis("three"))
    for place in re.findall(r"report\.html#([\w-]+)", text):
        assert f'id="{place}"' in html
    drawn = {
        anchor(d.id)
        for s in (sections.comparisons, sections.fuels, sections.fuel_tables)
        for d in s(analysis("three")).figures
    }
    assert set(re.findall(r"figures/([\w-]+)-film-light\.png", text)) <= drawn


def test_single_and_interim_trials_say_so_first():
    assert "no fuel may be put before another" in say_card(analysis("singles"))
    assert "Say nothing yet" in say_card(analysis("interim"))
    assert "**Simulated: no fuel was burned. Say so first.**" in say_card(analysis("three"))


@pytest.mark.parametrize("kind", ["three", "singles", "interim"])
def test_how_we_know_is_three_sentences_with_links(kind):
    told = three_sentences(report_data(analysis(kind)))
    assert len(told) == 3 and all(text.endswith(".") and ". " not in text for text in told)
    linked = set(re.findall(r"\]\(([\w.-]+)[#)]", how_we_know(analysis(kind))))
    assert linked == {"report.html", "appendix.html", "results.json"}


def test_hostile_names_stay_text_and_the_rest_reads_as_it_is():
    assert set(cards(analysis("hostile"))) == {"say.md", "how-we-know.md"}
    text = say_card(analysis("hostile"))
    assert "<script>" not in text and "](http" not in text
    assert (
        escape_markdown("40 °C (72 °F): olive-stone, 2.8 to 4.0") == "40 °C (72 °F): olive-stone, 2.8 to 4.0"
    )


def test_how_we_know_counts_the_burns_that_are_compared():
    data = report_data(analysis("two settings"))
    burns, bags, _ = (sum(n) for n in zip(*data.burned.values(), strict=True))
    assert burns < data.done
    assert f"{counted(bags, 'bag')}, {counted(burns, 'burn')} in all" in how_we_know(analysis("two settings"))


def test_a_trial_that_settles_nothing_says_none(monkeypatch):
    data = report_data(analysis("three"))
    open_ones = [replace(claim, verdict="not settled") for claim in claims_of(data)]
    monkeypatch.setattr("kit.publish.claims.claims_of", lambda _: open_ones)
    assert "none is settled that way" in " ".join(three_sentences(data))

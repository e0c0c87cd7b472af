"""Cards: what may be said, and how we know."""

import re

import pytest

from kit.page.text import anchor
from kit.publish import sections
from kit.publish.cards import cards, how_we_know, in_markdown, say_card, three_sentences
from kit.publish.claims import claims_of, findings
from kit.publish.facts import facts_of
from kit.publish.sayings import MOST_CAPTION, MOST_SAID, words_in
from tests.publish_content.stand_in import FUELS, stand_in


def field(card: str, name: str) -> str:
    return re.search(rf"^- {name}: (.*)$", card, re.MULTILINE)[1]


def test_a_card_a_finding_with_all_it_needs():
    analysis = stand_in(control="beech")
    facts = facts_of(analysis)
    parts = say_card(analysis).split("\n## ")[1:]
    assert [part.split("\n")[0] for part in parts] == [claim.id for claim in findings(facts, 99)]
    for part in parts:
        assert words_in(field(part, "Say")) <= MOST_SAID
        assert words_in(field(part, "Caption")) <= MOST_CAPTION
        assert "(95 %)" in field(part, "Interval")
        assert field(part, "n") == "six burns each, three bags each"
        assert "'always'" in field(part, "Do not say") and "'in your cooker'" in field(part, "Do not say")


def test_figures_of_cards_exist_on_the_page():
    analysis = stand_in()
    html = sections.comparisons(analysis).html
    for place in re.findall(r"report\.html#([\w-]+)", say_card(analysis)):
        assert f'id="{place}"' in html
    files = {anchor(drawing.id) for drawing in sections.comparisons(analysis).figures}
    assert set(re.findall(r"figures/([\w-]+)-film-light\.png", say_card(analysis))) <= files


def test_what_is_open_is_not_to_be_called_the_same():
    text = say_card(stand_in())
    opened = [claim for claim in claims_of(facts_of(stand_in())) if not claim.settled and claim.primary]
    assert opened and "are the same'" in text


def test_single_interim_and_simulated_trials_say_so_first(tmp_path):
    assert "no fuel may be put before another" in say_card(stand_in(bags=1, burns=1))
    assert "Say nothing yet" in say_card(stand_in(planned=3))
    (tmp_path / "SIMULATED.txt").write_text("x", "utf-8")
    assert "**Simulated: no fuel was burned. Say so first.**" in say_card(stand_in(folder=tmp_path))


@pytest.mark.parametrize("options", [{}, {"bags": 1, "burns": 1}, {"planned": 3}])
def test_how_we_know_is_three_sentences_with_links(options):
    analysis = stand_in(**options)
    told = three_sentences(facts_of(analysis))
    assert len(told) == 3 and all(text.endswith(".") and ". " not in text for text in told)
    assert set(re.findall(r"\]\(([\w.-]+)[#)]", how_we_know(analysis))) == {"report.html", "results.json"}


def test_both_cards_are_made():
    assert set(cards(stand_in())) == {"say.md", "how-we-know.md"}


def test_hostile_names_stay_text_and_the_rest_reads_as_it_is():
    fuels = (("alder", "<script>x</script> [a](http://b) `c` *d*\n# e", "lump"), *FUELS[1:])
    text = say_card(stand_in(fuels=fuels))
    assert "<script>" not in text and "[a](http" not in text and "\n# e" not in text
    assert in_markdown("40 °C (72 °F): olive-stone") == "40 °C (72 °F): olive-stone"

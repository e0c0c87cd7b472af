"""Sentences by value, one a verdict; which comparisons are told; ids that stay."""

import re
from dataclasses import replace

import numpy as np
import pytest

from kit.publish.claims import MOST, claim_id, claims_of, findings
from kit.publish.facts import facts_of
from kit.publish.sayings import MOST_CAPTION, MOST_SAID, words_in
from kit.publish.sections.first_screen import answer_sentences
from kit.schema import METRIC_BASES
from tests.publish_content.rows import claim_with, facts_with
from tests.publish_content.stand_in import stand_in

TEN_PERCENT = float(np.log(1.1))


def plain(text: str) -> str:
    return text.replace("\u00a0", " ")


GOLDEN = [
    (
        ("peak", 34.2, 20.4, 48.0, 15.0),
        "Alder lump peaked 34 °C (62 °F) hotter than olive-stone briquettes: 20 to 48 °C, all of it more than the "
        "15 °C (27 °F) that matters; nine burns each, three bags each.",
    ),
    (
        ("peak", -34.2, -48.0, -20.4, 15.0),
        "Alder lump peaked 34 °C (62 °F) cooler than olive-stone briquettes: 20 to 48 °C, all of it more than the "
        "15 °C (27 °F) that matters; nine burns each, three bags each.",
    ),
    (
        ("peak", 18.0, 4.0, 32.0, 15.0),
        "Alder lump peaked 18 °C (32 °F) hotter than olive-stone briquettes: 4 to 32 °C, so whether by "
        "the 15 °C (27 °F) "
        "that matters is not settled; nine burns each, three bags each.",
    ),
    (
        ("peak", 6.0, 2.0, 10.0, 15.0),
        "Alder lump peaked 6 °C (11 °F) hotter than olive-stone briquettes: 2 to 10 °C, a real difference "
        "but below the "
        "15 °C (27 °F) that matters; nine burns each, three bags each.",
    ),
    (
        ("peak", 1.0, -5.0, 7.0, 15.0),
        "Alder lump and olive-stone briquettes peaked the same within 15 °C (27 °F): the difference lies "
        "between 5 °C "
        "(9 °F) cooler and 7 °C (13 °F) hotter for Alder lump; nine burns each, three bags each.",
    ),
    (
        ("peak", 7.0, -8.0, 22.0, 15.0),
        "Whether Alder lump or olive-stone briquettes peaked hotter is not settled: the burns fit anything from 8 °C "
        "(14 °F) cooler to 22 °C (40 °F) hotter for Alder lump; nine burns each, three bags each.",
    ),
    (
        ("peak", 34.2, 20.4, 48.0, np.nan),
        "Alder lump peaked 34 °C (62 °F) hotter than olive-stone briquettes: 20 to 48 °C; nine burns "
        "each, three bags each.",
    ),
    (
        ("steadiness", 0.8, 0.7, 0.91, np.nan),
        "Alder lump burned more steadily than olive-stone briquettes: its temperature scattered 20 % less: 9 to 30 "
        "%; nine burns each, "
        "three bags each.",
    ),
    (
        ("ash", 0.3, 0.25, 0.36, np.nan),
        "Olive-stone briquettes left 3.3 times as much ash as Alder lump: 2.8 to 4.0 times; nine burns "
        "each, three bags each.",
    ),
    (
        ("cost:180", 1.05, 0.95, 1.16, np.nan),
        "Whether an hour above 180 °C cost less with Alder lump or with olive-stone briquettes is not "
        "settled: the burns fit "
        "anything from 5 % less to 16 % more for Alder lump; nine burns each, three bags each.",
    ),
]


@pytest.mark.parametrize(("numbers", "sentence"), GOLDEN)
def test_each_verdict_has_its_sentence(numbers, sentence):
    assert plain(claim_with(*numbers).sentence) == sentence


def test_durations_are_told_as_ratio_and_in_minutes():
    facts = facts_with("time_above:180", 1.22, 1.13, 1.35, TEN_PERCENT)
    means = facts.table("means")
    means.loc[means["metric"] == "time_above:180", "mean"] = 110.0
    means.loc[(means["metric"] == "time_above:180") & (means["fuel"] == "alder"), "mean"] = 134.0
    sentence = plain(claims_of(facts)[0].sentence)
    assert sentence == (
        "Alder lump stayed above 180 °C 22 % longer than olive-stone briquettes: 13 to 35 %, about 24 "
        "minutes on top of 110, "
        "all of it more than the 10 % that matters; nine burns each, three bags each."
    )


@pytest.mark.parametrize(
    ("verdict", "expected"),
    [
        ("no repeats", "cannot be told: only one burn of Alder lump was made, so there is no error bar."),
        ("cannot be separated", "cannot be told: fuel and day (or cooker) cannot be separated here."),
    ],
)
def test_what_cannot_be_told_says_so(verdict, expected):
    claim = claim_with("peak", 10.0, np.nan, np.nan, verdict=verdict, n_a=1)
    assert claim.sentence.endswith(expected)
    assert not claim.settled
    assert claim.interval == ""


def test_nothing_is_called_the_same_without_a_margin():
    for value, low, high in ((0.5, -1, 2), (30, 20, 40), (0.0, -0.01, 0.01)):
        text = claim_with("peak", value, low, high).sentence
        assert "same" not in text and "matter" not in text


def test_a_limit_is_never_rounded_onto_zero_or_the_margin():
    assert "0.3 to" in claim_with("peak", 8.0, 0.3, 15.7).sentence
    assert "15.2 to" in claim_with("peak", 30.0, 15.2, 44.8, 15.0).sentence


def test_unequal_counts_are_told_fuel_by_fuel():
    text = claim_with("peak", 30.0, 20.0, 40.0, n_a=6, n_b=4, bags_a=3, bags_b=2).sentence
    assert text.endswith(
        "; six burns of Alder lump from three bags, four burns of olive-stone briquettes from two bags."
    )


def test_us_units_come_first_where_the_trial_says_so():
    text = plain(claim_with("peak", 34.2, 20.4, 48.0, 15.0, trial={"show": "us"}).sentence)
    assert "62 °F (34 °C) hotter" in text and "37 to 86 °F" in text and "27 °F (15 °C)" in text
    assert "above 356 °F" in plain(claim_with("time_above:180", 1.2, 1.1, 1.3, trial={"show": "us"}).sentence)


def test_every_metric_has_phrases_that_fill_in():
    for base, record in METRIC_BASES.items():
        phrase = record.own_phrases
        for name in ("more", "less", "times", "question", "same"):
            text = getattr(phrase, name)
            assert "{a}" in text and "{b}" in text
            assert ("{at}" in text) == (bool(record.takes)), (base, name)


def test_ids_come_from_metric_and_fuels_alone():
    assert claim_id("peak", "a", "b") == claim_id("peak", "b", "a") == "claim-peak-a-b"
    assert claim_id("peak", "a b", "c") != claim_id("peak", "a", "b c")
    assert claim_id("peak", "A", "b") != claim_id("peak", "a", "b")
    first, other = stand_in(seed=3), stand_in(seed=8, fuels=FUELS_TURNED)
    ids = [{claim.id for claim in claims_of(facts_of(each))} for each in (first, other)]
    assert ids[0] == ids[1]


FUELS_TURNED = (
    ("beech", "beech briquettes", "briquette"),
    ("olive", "olive-stone briquettes", "briquette"),
    ("oak", "Oak lump", "lump"),
    ("alder", "Alder lump", "lump"),
)


def test_findings_follow_the_rule():
    facts = facts_of(stand_in(control="beech"))
    told = findings(facts)
    assert len(told) == MOST and all(claim.primary for claim in told)
    assert all("beech" in (claim.a, claim.b) for claim in told)
    assert [claim.metric for claim in told] == ["peak", "time_above:180"] * 3
    for metric in facts.primary:
        settled = [claim.settled for claim in told if claim.metric == metric]
        assert settled == sorted(settled, reverse=True)
    assert findings(facts) == findings(facts)


def test_without_a_control_the_ends_of_the_ladder_come_first():
    facts = facts_of(stand_in())
    for metric in facts.primary:
        first = next(claim for claim in findings(facts) if claim.metric == metric)
        means = facts.rows("means", metric).sort_values("mean")["fuel"].tolist()
        assert {first.a, first.b} == {means[0], means[-1]}


def test_what_is_left_out_of_the_first_screen_is_counted():
    told = answer_sentences(facts_of(stand_in()))
    assert len(told) == MOST and isinstance(told[-1], str)
    assert re.fullmatch(
        r"Of the seven other comparisons of the main measures .*; they stand under 'Comparisons'\.", told[-1]
    )


def test_an_interim_report_claims_nothing():
    facts = facts_of(stand_in(planned=12))
    assert claims_of(facts) == () and findings(facts) == []
    assert answer_sentences(facts)[0].startswith("Interim: 24 of 36 burns")


@pytest.mark.parametrize(
    "name", ["Alder lump", "A very long name of a fuel with many words in it indeed", "Ωμέγα"]
)
def test_sayings_and_captions_keep_their_length(name):
    fuels = (("alder", name, "lump"), *FUELS_TURNED[:3])
    base = stand_in(fuels=fuels, control="beech")
    for claim in claims_of(facts_of(base)):
        assert words_in(claim.say) <= MOST_SAID, claim.say
        assert words_in(claim.caption) <= MOST_CAPTION, claim.caption
        assert "always" not in claim.say and "your" not in claim.say


def test_a_saying_reads_like_a_person():
    said = plain(claim_with("peak", 34.2, 20.4, 48.0, 15.0).say)
    assert said == (
        "In this cooker, Alder lump peaked 34 °C (62 °F) hotter than olive-stone briquettes: 20 to 48 °C, "
        "nine burns each, "
        "three bags."
    )


def test_braces_in_a_name_are_only_text():
    fuels = (("alder", "{amount} {0}", "lump"), *FUELS_TURNED[:3])
    facts = facts_of(stand_in(fuels=fuels))
    assert any("{amount} {0} peaked" in claim.sentence for claim in claims_of(facts))


def test_declared_metrics_are_told_by_their_label():
    base = stand_in()
    from kit.trial.models import Declared

    trial = replace(base.run.trial, declared=(Declared(column="spark_count", scale="plain"),))
    base.run.trial = trial
    rows = base.comparisons[base.comparisons["metric"] == "peak"].assign(
        metric="spark_count", unit="", margin=np.nan
    )
    facts = facts_of(replace(base, comparisons=rows.assign(verdict="different")))
    assert "'s spark count was" in claims_of(facts)[0].sentence

"""Sentences by value, one a verdict; which comparisons are told; ids that stay; lengths for film."""

import re
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from kit.page.shown_numbers import Units
from kit.page.text import listed
from kit.publish import sections
from kit.publish.canvas import Cast
from kit.publish.claims import (
    MOST,
    MOST_CAPTION,
    MOST_SAID,
    Claim,
    all_claims,
    best_claim,
    claim_id,
    claims_of,
    findings,
    standing_of,
    value_claim,
    words_in,
)
from kit.publish.report_data import report_data
from kit.publish.sections.first_screen import answer_sentences
from kit.publish.wording import Count, estimate_words
from tests.publish_content.made import analysis
from tests.publish_content.pages import read

TEN_PERCENT = float(np.log(1.1))
VERDICTS = (
    ("different, by more than the margin", lambda low, high, m: low > m or high < -m),
    (
        "different, but too little to matter",
        lambda low, high, m: low * high > 0 and max(abs(low), abs(high)) < m,
    ),
    ("different, size not settled", lambda low, high, m: low * high > 0),
    ("the same within the margin", lambda low, high, m: max(abs(low), abs(high)) < m),
    ("not settled", lambda low, high, m: True),
)


def plain(text: str) -> str:
    return text.replace("\u00a0", " ")


def claim_with(metric, value, low, high, margin=np.nan, verdict="", show="both", **counts) -> Claim:
    """Return the claim of a comparison of alder with olive that has these numbers."""
    data = report_data(analysis("three"))
    spec = data.spec(metric)
    log = spec.scale == "log"
    ends = (np.log(low), np.log(high)) if log else (low, high)
    if not verdict:
        known = [name for name, holds in VERDICTS if holds(*ends, margin if margin == margin else np.nan)]
        verdict = known[0] if margin == margin else "different" if ends[0] * ends[1] > 0 else "not settled"
    row = {
        "metric": metric, "a": "alder", "b": "olive", "difference": np.nan if log else value,
        "ratio": value if log else np.nan, "se": 1.0, "df": 9.0, "low": low, "high": high, "low_alone": low,
        "high_alone": high, "p": 0.01, "p_adjusted": 0.01, "p_equivalent": 0.5, "margin": margin, "verdict": verdict,
        "direction": "", "scope": "the product", "n_a": 9, "n_b": 9, "bags_a": 3, "bags_b": 3, "multiplicity": "tukey",
        "method": "", "level": 0.95, "unit": spec.unit, "scale": spec.scale,
    } | counts  # fmt: skip
    none = {"means": data.table("means").iloc[:0]}
    made = replace(data, instead={"comparisons": pd.DataFrame([row]), **none}, units=Units(show))
    return claims_of(made)[0]


GOLDEN = [
    (
        ("peak", 34.2, 20.4, 48.0, 15.0),
        "Alder lump peaked 34 °C (62 °F) hotter than olive-stone briquettes: 20 to 48 °C, the whole interval "
        "beyond the "
        "15 °C (27 °F) that matters; nine burns each, three bags each.",
    ),
    (
        ("peak", -34.2, -48.0, -20.4, 15.0),
        "Olive-stone briquettes peaked 34 °C (62 °F) hotter than alder lump: 20 to 48 °C, the whole interval "
        "beyond the "
        "15 °C (27 °F) that matters; nine burns each, three bags each.",
    ),
    (
        ("peak", 18.0, 4.0, 32.0, 15.0),
        "Alder lump peaked 18 °C (32 °F) hotter than olive-stone briquettes: 4 to 32 °C; whether by more than the "
        "15 °C (27 °F) that matters is not settled; nine burns each, three bags each.",
    ),
    (
        ("peak", 6.0, 2.0, 10.0, 15.0),
        "Alder lump peaked 6 °C (11 °F) hotter than olive-stone briquettes: 2 to 10 °C, a real difference but "
        "less than "
        "the 15 °C (27 °F) that matters; nine burns each, three bags each.",
    ),
    (
        ("peak", 1.0, -5.0, 7.0, 15.0),
        "Alder lump and olive-stone briquettes peaked the same within 15 °C (27 °F): the difference lies between 5 °C "
        "(9 °F) cooler and 7 °C (13 °F) hotter for alder lump; nine burns each, three bags each.",
    ),
    (
        ("peak", 7.0, -8.0, 22.0, 15.0),
        "We cannot yet say whether alder lump or olive-stone briquettes peaked hotter: the burns are compatible with "
        "anything from 8 °C (14 °F) cooler to 22 °C (40 °F) hotter for alder lump; nine burns each, three bags each.",
    ),
    (
        ("steadiness", 0.8, 0.7, 0.91),
        "Alder lump burned more steadily than olive-stone briquettes, with 20 % less scatter in temperature: 9 to 30 "
        "%; nine burns each, three bags each.",
    ),
    (
        ("ash", 0.3, 0.25, 0.36),
        "Olive-stone briquettes left 3.3 times as much ash as alder lump: 2.8 to 4.0 times; nine burns each, "
        "three bags "
        "each.",
    ),
    (
        ("time_above:150", 4.0, 0.3, 50.0),
        "We cannot yet say whether alder lump or olive-stone briquettes stayed above 150 °C (302 °F) longer: "
        "these burns "
        "say too little of it to give limits; nine burns each, three bags each.",
    ),
]


@pytest.mark.parametrize(("numbers", "sentence"), GOLDEN)
def test_each_verdict_has_its_sentence(numbers, sentence):
    assert plain(claim_with(*numbers).sentence) == sentence


@pytest.mark.parametrize(
    ("verdict", "expected"),
    [
        ("no repeats", ": only one burn of alder lump was made, so there is no error bar."),
        ("cannot be separated", ": fuel and day (or cooker) cannot be separated here."),
    ],
)
def test_what_cannot_be_told_says_so(verdict, expected):
    claim = claim_with("peak", 10.0, np.nan, np.nan, verdict=verdict, n_a=1)
    assert claim.sentence.endswith(expected) and claim.sentence.startswith("We cannot yet say whether")
    assert not claim.settled and claim.interval == ""


def test_a_settled_pair_is_told_from_the_better_fuel_whatever_its_row():
    for metric, value, low, high, first in (
        ("peak", -30.0, -40.0, -20.0, "Olive-stone briquettes peaked 30 °C"),
        ("peak", 30.0, 20.0, 40.0, "Alder lump peaked 30 °C"),
        ("time_above:150", 0.8, 0.7, 0.9, "Olive-stone briquettes stayed above 150 °C (302 °F) 25 % longer"),
        ("cost:150", 1.25, 1.1, 1.4, "An hour above 150 °C (302 °F) cost 20 % less with olive-stone"),
        ("cost:150", 0.8, 0.7, 0.9, "An hour above 150 °C (302 °F) cost 20 % less with alder lump"),
    ):
        claim = claim_with(metric, value, low, high)
        assert plain(claim.sentence).startswith(first), claim.sentence
        none = 1.0 if claim.scale == "log" else 0.0
        assert claim.direction == ("a" if claim.low > none else "b")
        assert {claim.a, claim.b} == {"alder", "olive"} and claim.low <= claim.estimate <= claim.high


def test_a_verdict_on_one_bag_of_each_fuel_is_for_these_bags():
    claim = claim_with("peak", 34.2, 20.4, 48.0, 15.0, scope="these bags")
    assert plain(claim.sentence).startswith("For these bags, alder lump peaked 34")
    assert plain(claim.say).startswith("In these cookers, for these bags, alder lump peaked 34")


def test_nothing_is_called_the_same_without_a_margin():
    for value, low, high in ((0.5, -1, 2), (30, 20, 40), (0.0, -0.01, 0.01)):
        text = claim_with("peak", value, low, high).sentence
        assert "same" not in text and "matter" not in text


def test_a_limit_is_never_rounded_onto_zero_or_the_margin():
    assert "0.3 to" in claim_with("peak", 8.0, 0.3, 15.7).sentence
    assert "15.2 to" in claim_with("peak", 30.0, 15.2, 44.8, 15.0).sentence


def test_only_the_limit_that_needs_more_decimals_has_them():
    longer = claim_with("time_above:150", 1.3395, 1.1001, 1.6357, TEN_PERCENT)
    assert "34 % longer" in plain(longer.sentence) and plain(longer.interval) == "10.01 to 64 % longer"
    same = plain(claim_with("peak", 4.6, -0.3, 9.6, 15.0).sentence)
    assert "between 0.3 °C (0.5 °F) cooler and 10 °C (17 °F) hotter" in same
    us = plain(claim_with("peak", 4.6, -0.3, 9.6, 15.0, show="us").sentence)
    assert "between 0.5 °F (0.3 °C) cooler and 17 °F (10 °C) hotter" in us


def test_every_limit_names_its_direction():
    assert plain(claim_with("peak", 34.2, 20.4, 48.0).interval) == "20 to 48 °C hotter"
    assert plain(claim_with("time_above:150", 0.8, 0.64, 0.98).interval) == "2 to 56 % longer"
    assert plain(claim_with("time_above:150", 0.8, 0.64, 1.02).interval) == "36 % shorter to 2 % longer"
    assert plain(claim_with("ash", 0.3, 0.25, 0.36).interval) == "2.8 to 4.0 times as much"


def test_unequal_counts_are_told_fuel_by_fuel():
    text = claim_with("peak", 30.0, 20.0, 40.0, n_a=6, n_b=4, bags_a=3, bags_b=2).sentence
    assert text.endswith(
        "; six burns of alder lump from three bags, four burns of olive-stone briquettes from two bags."
    )


def test_us_units_come_first_where_the_trial_says_so():
    text = plain(claim_with("peak", 34.2, 20.4, 48.0, 15.0, show="us").sentence)
    assert "62 °F (34 °C) hotter" in text and "37 to 86 °F" in text and "27 °F (15 °C)" in text


def test_ids_come_from_metric_and_fuels_alone():
    assert claim_id("peak", "a", "b") == claim_id("peak", "b", "a") == "claim-peak-a-b"
    assert claim_id("peak", "a b", "c") != claim_id("peak", "a", "b c")
    assert claim_id("peak", "A", "b") != claim_id("peak", "a", "b")


def test_findings_follow_the_rule():
    data = report_data(analysis("three"))
    told = findings(data)
    assert 1 <= len(told) <= MOST and all(claim.primary for claim in told)
    assert all(data.trial.control_fuel in (claim.a, claim.b) for claim in told)
    for metric in data.primary:
        settled = [claim.settled for claim in told if claim.metric == metric]
        assert settled == sorted(settled, reverse=True)


def test_who_can_be_best_is_told_with_numbers_and_the_others_are_ruled_out():
    data = report_data(analysis("three"))
    for metric in data.primary:
        claim, found = best_claim(data, metric), standing_of(data, metric)
        assert claim is not None and found is not None
        rows = data.rows("best", metric)
        assert {found.leader, *found.rivals} == set(rows.loc[rows["can_be_best"].astype(bool), "fuel"])
        assert data.name(found.leader) in claim.sentence and claim.number in claim.sentence
        for fuel in found.rivals:
            assert data.name(fuel) in claim.sentence
    assert plain(best_claim(data, "peak").sentence).startswith("Hottest: alder lump, 2")


def test_an_interim_report_claims_nothing_and_single_burns_no_order():
    interim, singles = (report_data(analysis(kind)) for kind in ("interim", "singles"))
    assert claims_of(interim) == () and all_claims(interim) == []
    assert answer_sentences(interim)[0].startswith("Verdicts are given when all planned burns are done")
    told = answer_sentences(singles)
    assert all(isinstance(each, str) for each in told) and "a second bag and a second burn" in told[-1]
    assert not any(claim.settled for claim in all_claims(singles))


def test_sayings_and_captions_keep_their_length():
    for kind in ("three", "hostile"):
        for claim in all_claims(report_data(analysis(kind))):
            assert words_in(claim.say) <= MOST_SAID, claim.say
            assert words_in(claim.caption) <= MOST_CAPTION, claim.caption
            assert "always" not in claim.say and "your" not in claim.say


def test_a_saying_reads_like_a_person():
    said = plain(claim_with("peak", 34.2, 20.4, 48.0, 15.0).say)
    assert said == (
        "In these cookers, alder lump peaked 34 °C (62 °F) hotter than olive-stone briquettes: 20 to 48 °C, nine burns "
        "each, three bags."
    )
    best = best_claim(report_data(analysis("three")), "peak")
    assert plain(best.say).startswith("In these cookers, alder lump peaked hottest, 2"), best.say
    assert plain(claim_with("peak", 7.0, -8.0, 22.0).say).startswith(
        "We cannot yet say whether alder lump or olive"
    )


def test_no_sentence_contradicts_its_interval():
    for kind in ("three", "borrowed", "one bag", "two settings"):
        for claim in claims_of(report_data(analysis(kind))):
            none = 1.0 if claim.scale == "log" else 0.0
            if claim.low == claim.low and claim.verdict != "cannot be separated":
                excluded = claim.low > none or claim.high < none
                same = claim.verdict == "the same within the margin"
                assert excluded == (claim.settled and not same), (kind, claim)
                assert bool(claim.direction) == excluded


def test_estimates_and_lists_in_words():
    assert plain(estimate_words(260.6, 246.8, 274.4, "°C", Units("both"))) == "261 ± 14 °C (501 ± 25 °F)"
    assert plain(estimate_words(64.7, 57.96, 72.3, "min", Units())) == "65 min (58 to 72)"
    both = plain(estimate_words(260.0, 242.0, 279.0, "°C", Units("both")))
    assert both == "260 °C (242 to 279), 500 °F (468 to 534)"
    assert (listed(["a"]), listed(["a", "b"]), listed(["a", "b", "c"], "or")) == ("a", "a and b", "a, b or c")
    assert not re.search(r"\d", listed([]))


@pytest.mark.parametrize("kind", ["three", "one bag", "two settings", "demo"])
def test_no_form_of_a_best_fuel_leaves_out_that_others_may_be_as_good(kind):
    data = report_data(analysis(kind))
    found = [*(best_claim(data, metric) for metric in data.primary), value_claim(data)]
    told = [(claim, standing_of(data, claim.metric)) for claim in found if claim]
    assert told
    for claim, standing in told:
        if standing.rivals and claim.settled:
            assert "may be as" in claim.say and " or " in claim.caption, (claim.say, claim.caption)
        if claim.settled:
            assert claim.number in claim.say, claim.say


def renamed(data, *names):
    players = tuple(replace(player, name=name) for player, name in zip(data.cast, names, strict=True))
    return replace(data, cast=Cast(players))


def test_no_two_fuels_of_a_sentence_are_cut_to_the_same_words():
    alike = [f"60 kW heater {way} the grain of a plank" for way in ("along", "across", "against")]
    data = renamed(report_data(analysis("three")), *alike)
    for claim in all_claims(data):
        for said in (claim.say, claim.caption):
            cut = re.findall(r"60 kW[^…;:]*?…", said)
            assert len(cut) == len(set(cut)), said
            assert all(len(each.split()) >= 4 for each in cut), said
    best = {claim.metric: claim.caption for claim in all_claims(data) if claim.kind == "best"}
    assert plain(best["time_above:150"]) == "Longest above 150 °C: one of two fuels"
    assert len(set(best.values())) == len(best)


def test_names_are_said_in_full_by_a_shorter_sentence_where_that_fits():
    alike = [
        f"{kw} kW/m2, {way} the grain"
        for kw, way in ((60, "parallel to"), (30, "parallel to"), (30, "across"))
    ]
    for kind in ("three", "one bag"):
        data = renamed(report_data(analysis(kind)), *alike)
        pairs = [claim for claim in claims_of(data) if claim.settled and claim.primary]
        for claim in pairs:
            assert "…" not in claim.say and re.search(r"\d", claim.say), claim.say
            assert kind != "one bag" or "these bags" in claim.say, claim.say
        assert pairs


def test_a_pairs_saying_keeps_its_number_its_count_and_its_cooker():
    for kind in ("three", "one bag", "two settings"):
        claims = [claim for claim in claims_of(report_data(analysis(kind))) if claim.settled]
        assert claims
        for claim in claims:
            assert claim.say.startswith("In these cookers, "), claim.say
            assert re.search(r"burns each|burns against", claim.say) and re.search(r"\d", claim.say), (
                claim.say
            )
            assert "more than ten" not in claim.say, claim.say


@pytest.mark.parametrize(
    ("counts", "words"),
    [
        ([(6, 3)] * 4, "six burns of each fuel, from three bags each"),
        ([(6, 3), (4, 3), (5, 3), (6, 3)], "four to six burns of each fuel, from three bags each"),
        ([(2, 1), (1, 1), (2, 2), (2, 1)], "one or two burns of each fuel, from one or two bags each"),
        ([(2, 0), (3, 2), (2, 1), (2, 1)], "two or three burns of each fuel"),
        (
            [(2, 0), (5, 0), (2, 0)] * 2,
            "; ".join(f"{n} burns of fuel {k}" for k, n in enumerate(["two", "five", "two"] * 2)),
        ),
    ],
)
def test_burns_of_many_fuels_that_differ_are_told_by_least_and_most(counts, words):
    named = {f"fuel {place}": Count(*each) for place, each in enumerate(counts)}
    assert report_data(analysis("three")).n_words(named) == words


def test_counts_of_a_pair_are_both_words():
    claim = claim_with("peak", 34.2, 20.4, 48.0, 15.0, n_a=4, n_b=3)
    assert "four burns against three" in claim.say


def test_an_estimate_beyond_ten_times_is_told_as_a_number():
    claim = claim_with("time_to:150", 14.0, 9.0, 22.0)
    assert "14\u00a0times as long" in claim.sentence and "9.0 to 22\u00a0times" in claim.sentence
    unknown = claim_with("time_to:150", 14.0, 0.5, 220.0)
    assert "220" not in unknown.sentence


def test_a_fuel_of_which_only_bounds_are_known_is_not_said_to_be_beaten():
    data = report_data(analysis("cut short"))
    longest = best_claim(data, "time_above:150")
    assert longest.sentence.startswith(
        "Longest above 150\u00a0°C (302\u00a0°F) of the two judged: pressed briquettes"
    )
    assert "olive-stone briquettes: not judged, known only by bounds" in longest.sentence
    assert "of the two judged" in longest.say
    assert longest.caption == "Longest above 150\u00a0°C of two"


def test_a_fuel_that_cost_nothing_leaves_the_others_their_costs():
    data = report_data(analysis("counts"))
    value = value_claim(data)
    assert value.a == "olive" and "pressed briquettes: not judged, it cost nothing" in value.sentence
    shown = read(sections.answer(analysis("counts")).html).text.replace("\u00a0", " ")
    assert re.search(r"0\.00.{0,12}free", shown) and re.search(r"0\.72 \(0\.6\d to 0\.8\d\)", shown)

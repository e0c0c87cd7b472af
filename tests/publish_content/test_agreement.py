"""No sentence about a pair of fuels contradicts its verdict: headline, findings, cards, comparisons, influence."""

import re
from dataclasses import replace
from functools import cache

import numpy as np
import pandas as pd
import pytest

from kit import (
    burn_metrics,
    compare_fuels,
    declared_family,
    declared_model,
    fit_repeats,
    judging_level,
    margin_of,
)
from kit.judge.judging import judge_metric
from kit.judge.question import Question
from kit.publish.claims import WITHIN, all_claims, best_claim, claims_of, say_card, standing_of
from kit.publish.report_data import report_data
from kit.publish.sections.first_screen import answer_sentences
from kit.publish.sections.pairs import comparisons
from kit.publish.sections.quality import influence_words
from kit.schema import UNDECIDED, metric
from tests.judge.made import burns_table
from tests.publish_content.made import THREE, analysis
from tests.publish_content.pages import read

MARGIN = 15.0
TABLES = (
    "means",
    "comparisons",
    "pairs",
    "best",
    "overall",
    "ladder",
    "influence",
    "chances",
    "next_bag",
    "further",
)


@cache
def generated(seed):
    """The analysis of three fuels of the demo with peaks drawn by a seed in place of its own."""
    rng = np.random.default_rng(seed)
    table = burns_table(
        fuels=3, bags=int(rng.integers(1, 5)), burns=int(rng.integers(2, 4)), bag_sd=rng.uniform(0, 1),
        step=rng.choice([0.0, 0.7, 1.5, 4.0]), seed=seed,
    )  # fmt: skip
    names = dict(zip(sorted(set(table["fuel"])), rng.permutation(THREE), strict=True))
    table = table.assign(fuel=table["fuel"].map(names), value=10 * table["value"], kind="")
    if rng.integers(2):
        table.loc[int(rng.integers(len(table))), "status"] = "at least"
    asked = [{}, {"control": "pressed"}, {"pairs": [("olive", "alder"), ("alder", "pressed")]}][seed % 3]
    question = Question(margin=MARGIN, primary=True, better="more", seed=seed, **asked)
    tables = judge_metric(table, metric("peak"), question).tables
    whole = analysis("three")
    trial = replace(whole.run.trial, primary=("peak",), control_fuel=asked.get("control"))
    made = {
        name: tables.get(name, whole.table(name).iloc[:0]).reindex(columns=whole.table(name).columns)
        for name in TABLES
    }
    return replace(whole, run=replace(whole.run, trial=trial)).with_tables(**made)


def told_pairs(words, names):
    """Yield (first, second, 'hotter' | 'same' | 'open') of every pair that words speak of."""
    one = "|".join(map(re.escape, sorted(names, key=len, reverse=True)))
    words = words.replace("\u00a0", " ").replace("\u202f", " ")
    for said, pattern in (
        ("hotter", rf"({one}) peaked [\d.]+ °C \([\d.]+ °F\) hotter than ({one})"),
        ("same", rf"({one}) and ({one}) peaked the same within"),
        ("open", rf"cannot yet say whether ({one}) or ({one}) peaked hotter"),
    ):
        yield from (
            (names[a.lower()], names[b.lower()], said) for a, b in re.findall(pattern, words, re.IGNORECASE)
        )


def verdict_rows(made):
    """Return of each pair, either way round, its verdict and which fuel is larger."""
    found = {}
    for row in made.table("pairs", metric="peak").itertuples():
        larger = {"a": row.a, "b": row.b}.get(row.direction, "")
        found[row.a, row.b] = found[row.b, row.a] = row.verdict, larger
    return found


def check_words(made):
    data, verdicts = report_data(made), verdict_rows(made)
    names = {data.name(fuel).lower(): fuel for fuel in THREE}
    sentences = [each if isinstance(each, str) else each.sentence for each in answer_sentences(data)]
    claims = all_claims(data)
    words = " | ".join(
        [*sentences, *(each.sentence for each in claims), *(each.say for each in claims), say_card(made),
         read(comparisons(made).html).text]
    )  # fmt: skip
    told = list(told_pairs(words, names))
    assert {frozenset(pair[:2]) for pair in told} >= {
        frozenset((each.a, each.b)) for each in claims_of(data) if each.metric == "peak"
    }
    for first, second, said in told:
        verdict, larger = verdicts[first, second]
        expected = "open" if verdict in UNDECIDED else "hotter" if verdict.startswith("different") else "same"
        assert (said, first if said == "hotter" else larger) == (expected, larger), (first, second, verdict)
    one = "|".join(map(re.escape, names))
    for each in influence_words(data)[1:]:
        for first, second in re.findall(rf"Peak temperature, ({one}) and ({one}): ", each, re.IGNORECASE):
            verdict = verdicts[names[first.lower()], names[second.lower()]][0]
            assert verdict not in UNDECIDED and not re.search(rf"[:;] {re.escape(verdict)} without", each), (
                each
            )


def check_headline(made):
    """The headline's best set is that of the table, and it says of whom the leader is ahead by less than the margin."""
    data, verdicts = report_data(made), verdict_rows(made)
    claim, found = best_claim(data, "peak"), standing_of(data, "peak")
    if claim is None:
        assert found is None
        return
    table = made.table("best", metric="peak")
    assert {found.leader, *found.rivals} == set(table.loc[table["can_be_best"], "fuel"])
    within = {fuel for fuel in found.others if verdicts[found.leader, fuel][0] in WITHIN}
    assert set(found.near) == within
    assert ("but by less than the 15" in claim.sentence) == bool(within)
    for fuel in found.others:
        assert verdicts[found.leader, fuel][1] != fuel, "the best is no cooler than one that is not"
    ruled_out = claim.sentence.partition("may be")[2] or claim.sentence
    for fuel in within if len(within) <= 3 else ():
        assert re.search(rf"{re.escape(data.name(fuel))}\b[^;]* not, but by less", ruled_out), claim.sentence


@pytest.mark.parametrize("seed", range(12))
def test_no_sentence_of_a_generated_trial_contradicts_a_verdict(seed):
    made = generated(seed)
    check_words(made)
    check_headline(made)


def test_generated_trials_show_every_kind_of_sentence():
    verdicts = {verdict for seed in range(12) for verdict, _ in verdict_rows(generated(seed)).values()}
    assert len(verdicts) >= 4 and verdicts & set(WITHIN) and "not settled" in verdicts


@pytest.mark.parametrize("kind", ["three", "one bag", "no bags"])
def test_no_sentence_of_a_report_contradicts_a_verdict(kind):
    check_words(analysis(kind))
    check_headline(analysis(kind))


def test_a_best_fuel_whose_lead_is_too_little_to_matter_is_said_so_in_the_headline():
    made = analysis("three")
    pairs = made.pairs.assign(
        verdict=np.where(made.pairs["metric"] == "peak", WITHIN[1], made.pairs["verdict"])
    )
    claim = best_claim(report_data(made.with_tables(pairs=pairs)), "peak")
    assert "are not, but by less than the 15\u00a0°C" in claim.sentence and claim.settled
    assert "but by less than the 15\u00a0°C" in claim.say
    assert "by less than" not in best_claim(report_data(made), "peak").sentence


@pytest.mark.parametrize("kind", ["three", "beside", "one bag"])
def test_the_stages_in_the_open_answer_as_the_analysis_does(kind):
    made = analysis(kind)
    run, metrics = made.run, burn_metrics(made.logs.readings, made.run)
    assert bool(made.fits["peak"].earlier) == (kind == "beside")
    for primary in run.trial.primary:
        rows, model = declared_model(metrics, run, primary)
        fit = fit_repeats(rows, **model)
        asked = declared_family(run, primary, fit)
        assert asked == {"pairs": ("control", "pressed"), "multiplicity": "dunnett"}
        found = compare_fuels(fit, **asked, margin=margin_of(run.trial, primary), level=judging_level(run))
        told = made.table("comparisons", metric=primary)
        names = ["a", "b", "difference", "ratio", "se", "df", "n_a", "n_b", "verdict", "direction"]
        pd.testing.assert_frame_equal(
            found.filter(names), told[found.filter(names).columns], check_dtype=False
        )
        width = told["high"] - told["low"]  # the analysis has one table of Dunnett's quantiles for all refits
        assert ((found[["low", "high"]].sub(told[["low", "high"]]).abs()).lt(0.01 * width, axis=0)).all(
            axis=None
        )

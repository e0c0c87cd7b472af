"""Verdicts with each burn, bag and day left out."""

import numpy as np

from kit.errors import KitError, Problem
from kit.judge.comparisons import compare_fuels
from kit.judge.judging import judge_metric
from kit.judge.odd_burns import NO_ANSWER, influence
from kit.judge.question import Question
from kit.schema import metric, names
from kit.variance import fit_repeats
from tests.judge.made import burns_table


def asked(table, margin=0.5):
    question, spec = Question(margin=margin, primary=True), metric("peak")
    fit = question.fit(table, spec)
    return influence(fit, compare_fuels(fit, margin=margin), spec, question)


def test_every_burn_bag_and_day_is_left_out_once_for_every_pair():
    table = burns_table(fuels=2, bags=3, burns=2, days=True)
    found = asked(table)
    assert list(found.columns) == names("influence")[1:]
    assert dict(found["level_left_out"].value_counts()) == {"burn": 12, "bag": 6, "day": 12}


def test_numbers_are_those_of_the_table_without_it():
    table = burns_table(fuels=3, bags=3, burns=2)
    row = asked(table).query("level_left_out == 'burn' and left_out == '004' and b == 'fuel 2'").iloc[0]
    alone = compare_fuels(fit_repeats(table.drop(index=4)), margin=0.5).set_index(["a", "b"])
    expected = alone.loc[(row["a"], row["b"])]
    np.testing.assert_allclose(
        row[["estimate", "low", "high"]].astype(float), expected[["difference", "low", "high"]].astype(float)
    )
    assert row["verdict_without"] == expected["verdict"]


def test_without_a_burn_the_spread_is_still_that_of_its_kind():
    table = burns_table(fuels=2, bags=3, burns=2).iloc[
        1:
    ]  # the first kind keeps just enough burns for its own
    table = table.assign(kind=np.where(table["fuel"] == "fuel 0", "lump", "briquette"))
    question, spec = Question(primary=True, spread=""), metric("peak")
    fit = question.fit(table, spec)
    assert fit.spread_choice == "by kind"
    row = influence(fit, compare_fuels(fit), spec, question).iloc[0]
    rest = table[table["burn"] != row["left_out"]]
    same, other = (
        compare_fuels(fit_repeats(rest, kind="kind", spread=spread)) for spread in ("by kind", "common")
    )
    assert row["low"] == same["low"].item() != other["low"].item()


def test_a_verdict_that_hangs_on_one_burn_changes_without_it_alone():
    table = burns_table(fuels=2, bags=4, burns=2, bag_sd=0.05, burn_sd=0.05, step=0.3)
    table.loc[3, "value"] += 8
    burns = asked(table, margin=None).query("level_left_out == 'burn'")
    assert list(burns.loc[burns["changes"], "left_out"]) == ["003"]


def test_where_the_rest_gives_no_answer_it_says_so():
    table = burns_table(fuels=2, bags=2, burns=2)

    class Refusing(Question):
        def fit(self, rows, spec):
            raise KitError(Problem("refuse", "table", "too few", "more", "Burn more."))

    fit = Question().fit(table, metric("peak"))
    found = influence(fit, compare_fuels(fit), metric("peak"), Refusing())
    assert set(found["verdict_without"]) == {NO_ANSWER} and found["changes"].all()
    assert found["estimate"].isna().all()


def test_where_day_goes_along_with_fuel_nothing_hangs_on_anything():
    table = burns_table(fuels=3)
    days = table["fuel"].map({"fuel 0": "monday", "fuel 1": "tuesday", "fuel 2": "tuesday"})
    judged = judge_metric(table.assign(day=days), metric("peak"), Question(margin=0.5, primary=True))
    apart = judged.tables["comparisons"].set_index(["a", "b"])["verdict"]
    assert apart["fuel 0", "fuel 1"] == "cannot be separated"
    tried = judged.tables["influence"]
    assert set(zip(tried["a"], tried["b"], strict=True)) == {("fuel 1", "fuel 2")}


def test_pairs_are_found_whichever_fuel_comes_first_without_a_burn():
    table = burns_table(fuels=3, bags=2, burns=2, step=8.0)
    shuffled = table.iloc[[0, 4, 8, 1, 5, 9, 2, 6, 10, 3, 7, 11]].reset_index(drop=True)
    spec = metric("peak")
    found = judge_metric(shuffled, spec, Question(margin=0.5, primary=True, better="more")).tables[
        "influence"
    ]
    assert NO_ANSWER not in set(found["verdict_without"])
    without_first = found.query("level_left_out == 'burn' and left_out == '000'")
    assert (without_first["estimate"] < 0).all()
    assert not without_first["changes"].any()


def test_influence_starts_from_the_verdicts_of_the_comparisons_bounds_and_all():
    table = burns_table(fuels=3, bags=2, burns=3, step=2.5, seed=3)
    table.loc[4, "status"] = "at least"
    tables = judge_metric(table, metric("peak"), Question(margin=0.5, primary=True)).tables
    verdicts = tables["comparisons"].set_index(["a", "b"])["verdict"]
    for (a, b), own in tables["influence"].groupby(["a", "b"]):
        assert set(own["verdict"]) == {verdicts[a, b]}

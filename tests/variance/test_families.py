"""Studentised range, max-|t| and Holm against SciPy, the reference files and known structure."""

import json
import tracemalloc
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from kit.variance.families import all_pairs, correlated, correlation_of, holm

REFERENCE = Path(__file__).parents[1] / "reference"
RECORDS = {path.stem: json.loads(path.read_text("utf-8")) for path in REFERENCE.glob("burns_*.json")}
WITH_FAMILIES = sorted(name for name, record in RECORDS.items() if "vcov_adjusted" in record.get("kr", {}))
WITH_HIGHACC = [
    (name, kind)
    for name in WITH_FAMILIES
    for kind in ("pairs", "dunnett_vs_first")
    if any("mvt_highacc" in row for row in RECORDS[name]["emmeans"]["kenward_roger"].get(kind, []))
]


@pytest.mark.parametrize("means", [2, 3, 4, 6, 12])
@pytest.mark.parametrize("df", [1, 1.5, 2, 3.3, 8, 20, 200])
def test_studentised_range_agrees_with_scipy(means, df):
    q = np.array([0.5, 2.0, 4.0, 6.0, 15.0])
    other = stats.studentized_range.sf(q, means, df)
    assert all_pairs(means).p(q / np.sqrt(2), df) == pytest.approx(other, abs=1e-11)


def test_critical_values_invert_p_for_all_df_together():
    df = np.array([[1.0, 2.5, 7.0], [7.0, 30.0, 1e6]])
    family = all_pairs(5)
    assert family.p(family.critical(0.95, df), df) == pytest.approx(0.05, abs=1e-11)
    assert family.critical(0.95, 7.0) * np.sqrt(2) == pytest.approx(
        stats.studentized_range.ppf(0.95, 5, 7), rel=1e-6
    )


@pytest.mark.parametrize(("means", "df", "known"), [(4, 8, 2.42), (6, 12, 2.50), (3, 20, 2.03)])
def test_one_sided_values_are_those_of_the_tables_of_comparisons_with_one(means, df, known):
    """Dunnett's one-sided table at 5 %, equal groups."""
    family = correlated(0.5 + 0.5 * np.eye(means - 1), sides=1)
    assert float(family.critical(0.95, df)) == pytest.approx(known, abs=0.006)
    assert float(family.p(family.critical(0.9, df), df)) == pytest.approx(0.1, abs=1e-9)


def test_one_sided_values_of_any_correlation_agree_with_draws():
    root = np.random.default_rng(1).normal(size=(4, 5))
    correlation = correlation_of(root @ root.T)
    rng = np.random.default_rng(2)
    drawn = rng.multivariate_normal(np.zeros(4), correlation, 200_000).max(axis=1)
    drawn /= np.sqrt(rng.chisquare(7, 200_000) / 7)
    assert np.mean(drawn > correlated(correlation, sides=1).critical(0.95, 7.0)) == pytest.approx(
        0.05, abs=0.002
    )


def test_two_means_are_a_t_test():
    t = np.array([0.3, 2.2, 40.0])
    assert all_pairs(2).p(t, 4.5) == pytest.approx(2 * stats.t.sf(t, 4.5), rel=1e-12)
    assert correlated([[1.0]]).critical(0.9, 3.0) == pytest.approx(stats.t.ppf(0.95, 3), rel=1e-10)


def test_far_out_p_keeps_its_digits():
    alone = 2 * stats.t.sf(30.0, 20)
    assert alone < float(all_pairs(4).p(30.0, 20)) <= 6 * alone


def _covariance(name):
    record = RECORDS[name]
    rows = record["emmeans"]["kenward_roger"]
    adjusted = np.array(record["kr"]["vcov_adjusted"])
    labels = [row["level"] for row in rows["means"]]
    treatment = np.eye(len(labels), len(adjusted))
    treatment[0] = 0
    return rows, dict(zip(labels, treatment, strict=True)), adjusted


@pytest.mark.parametrize(("name", "kind"), WITH_HIGHACC)
def test_single_step_agrees_with_mvt_highacc(name, kind):
    rows, coded, adjusted = _covariance(name)
    ends = ("a", "b") if kind == "pairs" else ("level", "control")
    contrast = np.array([coded[row[ends[0]]] - coded[row[ends[1]]] for row in rows[kind]])
    family = correlated(correlation_of(contrast @ adjusted @ contrast.T))
    for row in rows[kind]:
        high = row["mvt_highacc"]
        assert float(family.p(row["t"], high["df"])) == pytest.approx(high["p"], abs=2e-5)
        assert float(family.critical(0.95, high["df"])) == pytest.approx(high["crit"], abs=1e-4)


@pytest.mark.parametrize("name", WITH_FAMILIES)
def test_tukey_agrees_with_emmeans(name):
    rows, coded, _ = _covariance(name)
    family = all_pairs(len(coded))
    for row in rows["pairs"]:
        assert float(family.p(row["t"], row["df"])) == pytest.approx(row["tukey"]["p"], abs=2e-5)
        half = (row["tukey"]["upper"] - row["tukey"]["lower"]) / 2
        assert float(family.critical(0.95, row["df"])) * row["se"] == pytest.approx(half, rel=1e-4)


@pytest.mark.parametrize("means", [3, 4, 5, 6])
def test_pairs_of_equal_means_by_directions_are_tukeys(means):
    rows = np.array([np.eye(means)[i] - np.eye(means)[j] for i in range(means) for j in range(i)])
    family = correlated(correlation_of(rows @ rows.T))
    critical = all_pairs(means).critical(0.95, 9.0)
    assert float(family.p(critical, 9.0)) == pytest.approx(0.05, abs=1e-5)


@pytest.mark.parametrize("count", [4, 8, 11])
def test_directions_agree_with_the_one_factor_integral(count):
    b = np.linspace(0.45, 0.8, count)
    matrix = np.outer(b, b) + np.diag(1 - b * b)
    exact = correlated(matrix)
    # 1e-7 of noise: no longer one factor to the code, the same to the eye
    noise = np.random.default_rng(3).normal(size=(count, count)) * 1e-7
    near = correlated(matrix + noise + noise.T - 2 * np.diag(np.diag(noise)))
    for level in (0.5, 0.95):
        c = exact.critical(level, 12.0)
        assert float(near.p(c, 12.0)) == pytest.approx(1 - level, abs=1e-5)


def test_dunnett_table_value():
    # Dunnett (1964), table II: two-sided, 5 %, three treatments and a control, 12 df: 2.68
    equal = np.full((3, 3), 0.5) + np.eye(3) / 2
    assert float(correlated(equal).critical(0.95, 12)) == pytest.approx(2.68, abs=0.005)


def test_independent_comparisons_are_sidaks_without_a_shared_spread():
    family = correlated(np.eye(4))
    assert float(family.p(2.0, 1e8)) == pytest.approx(1 - (1 - 2 * stats.norm.sf(2.0)) ** 4, abs=1e-7)


@settings(max_examples=50)
@given(st.lists(st.floats(0, 1), min_size=1, max_size=8))
def test_holm_steps_down(values):
    p = np.array(values)
    adjusted = holm(p)
    order = np.argsort(p, kind="stable")
    steps = [min(1.0, (len(p) - i) * p[j]) for i, j in enumerate(order)]
    assert adjusted[order] == pytest.approx(np.maximum.accumulate(steps))
    assert np.all(adjusted >= p)


def test_holm_leaves_blanks_out_of_the_family():
    adjusted = holm([[0.01, np.nan, 0.04], [0.5, 0.2, np.nan]])
    assert adjusted[0] == pytest.approx([0.02, np.nan, 0.04], nan_ok=True)
    assert adjusted[1] == pytest.approx([0.5, 0.4, np.nan], nan_ok=True)


def test_a_blank_statistic_stays_blank():
    family = all_pairs(3)
    assert np.isnan(family.p([np.nan, 2.0], [5.0, np.nan])).all()
    critical = family.critical(0.95, [np.nan, 5.0])
    assert np.isnan(critical[0]) and critical[1] == pytest.approx(float(family.critical(0.95, 5.0)))


@pytest.mark.parametrize("spoiled", [[[-0.01]], [[1.0, 1.2], [1.2, 1.0]], [[-0.1, 0.0], [0.0, 1.0]]])
def test_what_is_no_covariance_counts_as_independence(spoiled):
    assert np.array_equal(correlation_of(spoiled), np.eye(len(spoiled)))


@pytest.mark.parametrize("family", [all_pairs(2), all_pairs(6), correlated(0.5 + 0.5 * np.eye(4), sides=1)])
def test_critical_values_of_many_df_are_those_of_each(family):
    df = np.concatenate([np.random.default_rng(1).uniform(0.5, 40, 300), [1e6, np.inf]])
    each = np.concatenate([family.critical(0.95, df[i : i + 50]) for i in range(0, len(df), 50)])
    assert family.critical(0.95, df) == pytest.approx(each, rel=1e-8)


def test_p_of_very_many_comparisons_is_that_of_each_and_takes_no_gigabytes():
    family, rng = all_pairs(31), np.random.default_rng(5)
    t, df = rng.normal(0, 2, (150, 465)), rng.uniform(5, 40, (150, 1))
    tracemalloc.start()
    p = family.p(t, df)
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert peak < 150e6
    few = np.s_[::37, ::101]
    np.testing.assert_allclose(p[few], family.p(t[few], df[::37]), rtol=1e-9)


@pytest.mark.parametrize("comparisons", [3, 5])
def test_comparisons_that_are_all_but_one_take_no_more_than_one(comparisons):
    ones = np.ones((comparisons, comparisons))
    family = correlated(ones + 2e-7 * (np.eye(comparisons) - ones))
    assert family.critical(0.95, np.array([10.0])) == pytest.approx(stats.t.ppf(0.975, 10), rel=1e-3)

"""Limits of standard deviations: exact χ², generalised pivots drawn at random, published constants."""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from kit.variance.fit import fit_repeats
from kit.variance.sd_limits import (
    averaged_limits,
    best_limits,
    modified_large_sample,
)

REFERENCE = Path(__file__).parents[1] / "reference"


def _fit(name, **roles):
    return fit_repeats(pd.read_csv(REFERENCE / f"{name}.csv"), **roles)


def _squares(fit):
    values = fit.table.groupby(["fuel", "bag"])["value"]
    within = float(((fit.table["value"] - values.transform("mean")) ** 2).sum())
    means, count = values.mean(), values.size().iloc[0]
    between = float(count * ((means - means.groupby("fuel").transform("mean")) ** 2).sum())
    return between, len(means) - len(fit.labels), within, len(fit.table) - len(means), count


def test_burn_sd_is_exact():
    fit = _fit("burns_unbalanced")
    low, high, named = best_limits(fit)
    _, _, within, df, _ = _squares(fit)
    ends = np.sqrt(within / stats.chi2.ppf([0.975, 0.025], df))
    assert [low[0, -1], high[0, -1]] == pytest.approx(ends.tolist())
    assert named == ["averaged over the restricted likelihood", "exact χ²"]


@pytest.mark.parametrize("name", ["burns_balanced", "burns_boundary"])
def test_average_in_a_balanced_design_is_the_generalised_interval(name):
    fit = _fit(name)
    between, a, within, b, n = _squares(fit)
    rng = np.random.default_rng(8)
    draws = (between / rng.chisquare(a, 2_000_000) - within / rng.chisquare(b, 2_000_000)) / n
    ends = np.sqrt(np.maximum(np.quantile(draws, [0.025, 0.975]), 0))
    low, high = averaged_limits(fit, np.array([1.0, 0.0]))
    assert float(low[0]) == pytest.approx(ends[0], rel=4e-3)
    assert float(high[0]) == pytest.approx(ends[1], rel=4e-3)


def test_total_in_a_balanced_design():
    fit = _fit("burns_balanced")
    between, a, within, b, n = _squares(fit)
    rng = np.random.default_rng(9)
    draws = between / rng.chisquare(a, 2_000_000) / n + (1 - 1 / n) * within / rng.chisquare(b, 2_000_000)
    low, high = averaged_limits(fit, np.ones(2))
    assert [low[0], high[0]] == pytest.approx(np.sqrt(np.quantile(draws, [0.025, 0.975])).tolist(), rel=3e-3)


def test_modified_large_sample_has_its_exact_limits():
    """Where MS within is nought beside MS between the limits are those of χ² on the bags alone."""
    fit = _fit("burns_balanced")
    sure = fit_repeats(fit.table.assign(value=fit.table.groupby(["fuel", "bag"])["value"].transform("mean")
                                        + 1e-6 * fit.table["value"]))  # fmt: skip
    between, a, _, _, n = _squares(sure)
    low, high = modified_large_sample(sure, 0.95)
    ends = np.sqrt(between / n / stats.chi2.ppf([0.975, 0.025], a))
    assert [low[0], high[0]] == pytest.approx(ends.tolist(), rel=1e-4)
    assert modified_large_sample(_fit("burns_unbalanced"), 0.95) is None


def test_lower_end_is_zero_exactly_where_bags_are_not_significant():
    """MLS: the lower limit is zero if and only if F = MSB/MSW lies below its one-sided 2.5 % point."""
    fit = _fit("burns_balanced")
    rng = np.random.default_rng(3)
    names = [f"y{i}" for i in range(400)]
    values = pd.DataFrame(rng.normal(size=(len(fit.table), 400)), columns=names)
    many = fit_repeats(pd.concat([fit.table[["fuel", "bag"]], values], axis=1), value=names)
    low, _ = modified_large_sample(many, 0.95)
    ratio = (np.vecdot(many.data.z, many.data.z) / 8) / (many.data.rss[:, 0] / 24)
    assert ((low > 0) == (ratio > stats.f.ppf(0.975, 8, 24))).all()
    assert 0 < (low > 0).sum() < 40


def test_crossed_days():
    fit = _fit("burns_days", day="day")
    low, high, named = best_limits(fit)
    assert (low >= 0).all() and (low < np.sqrt(fit.variances)).all() and (np.sqrt(fit.variances) < high).all()
    assert set(named) == {"averaged over the restricted likelihood"}


def test_spread_by_fuel_and_ml_keep_the_profile():
    assert set(best_limits(_fit("burns_heteroscedastic", spread="by fuel"))[2]) == {
        "profile of the restricted likelihood"
    }
    assert set(best_limits(_fit("burns_balanced", method="ML"))[2]) == {"profile of the likelihood"}


def test_without_bags_only_the_burn_sd_stands():
    fit = _fit("burns_balanced", bag=None)
    _, _, named = best_limits(fit)
    assert named == ["exact χ²"]


def test_limits_hold_the_estimate_where_next_to_nothing_is_known():
    burns = pd.DataFrame(
        {
            "fuel": ["pressed", "alder", "olive", "alder", "olive", "pressed"],
            "day": ["02", "04", "11", "16", "19", "19"],
            "value": np.log([64.290117, 42.194216, 63.364902, 49.552553, 63.401209, 53.004541]),
        }
    )
    table = fit_repeats(burns, bag=None, day="day").components
    assert (table["low"] <= table["sd"]).all() and (table["sd"] <= table["high"]).all()

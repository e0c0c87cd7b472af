"""df='best' against classical t, a plain double loop of the same integral, and its own symmetries."""

from itertools import combinations, product
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from numpy.testing import assert_allclose
from scipy import optimize, stats

from kit.variance.fit import contrasts, fit_repeats, joined
from kit.variance.inference import upper_tail

REFERENCE = Path(__file__).parents[1] / "reference"


def _table(name):
    return pd.read_csv(REFERENCE / f"{name}.csv")


def _pairs(fit):
    first, second = np.triu_indices(len(fit.labels), 1)
    rows = np.eye(len(fit.labels), fit.design.p)
    return rows[first] - rows[second]


@pytest.mark.parametrize("name", ["burns_balanced", "burns_large"])
def test_balanced_design_gives_the_classical_t_of_the_bag_mean_square(name):
    table = _table(name)
    fit = fit_repeats(table)
    found = contrasts(fit, _pairs(fit), "best")
    means = table.groupby(["fuel", "bag"])["value"].mean()
    df = len(means) - len(fit.labels)
    within = means - means.groupby("fuel").transform("mean")
    bags = len(means) / len(fit.labels)
    assert found.df == pytest.approx(df, rel=1e-5)
    assert found.se == pytest.approx(np.sqrt(2 * (within**2).sum() / df / bags), rel=1e-6)


@pytest.mark.parametrize("name", ["burns_boundary", "burns_balanced"])
def test_no_interval_is_narrower_than_the_burns_allow(name):
    """Bags whose means agree exactly: t on all degrees of freedom, as if there were no bags."""
    table = _table(name)
    bag = table.groupby(["fuel", "bag"])["value"].transform("mean")
    fuel = table.groupby("fuel")["value"].transform("mean")
    table["value"] += fuel - bag
    found = contrasts(fit_repeats(table), _pairs(fit_repeats(table)), "best")
    nu, bags, n = len(table) - table["fuel"].nunique(), bag.nunique(), len(table) / table["fuel"].nunique()
    rest = (table["value"] - table.groupby(["fuel", "bag"])["value"].transform("mean")).pow(2).sum()
    pooled, within = rest / nu, rest / (len(table) - bags)
    burns = pooled + min(1.0, len(table) / bags / 2 - 1) * (within - pooled)
    assert found.df == pytest.approx(nu)
    assert found.se == pytest.approx(np.sqrt(2 * burns / n))


def _by_hand(table, contrast, x):
    """Weights, estimates and standard errors at λ = e^x/d̄ − 1/n_max with every matrix written out."""
    X = pd.get_dummies(table["fuel"]).to_numpy(float)
    Z = pd.get_dummies(table["fuel"] + table["bag"].astype(str)).to_numpy(float)
    y, (n, p) = table["value"].to_numpy(), X.shape
    K = np.linalg.svd(X)[0][:, p:]
    d = np.linalg.eigvalsh(K.T @ Z @ Z.T @ K)
    d = d[d > 1e-9]
    most = Z.sum(axis=0).max()
    rows = []
    for point in x:
        above = np.exp(point) / d.mean()
        V = np.eye(n) + (above - 1 / most) * Z @ Z.T
        inside = K.T @ V @ K
        Q = y @ K @ np.linalg.solve(inside, K.T @ y)
        pole = np.sqrt(d / (1 + (above - 1 / most) * d)).sum() ** 2
        gap = 0.5 * (1 - d.max() / most)
        weight = np.log(pole * above) + gap * np.log1p(np.exp(-point))
        weight -= 0.5 * (np.linalg.slogdet(inside)[1] + (n - p) * np.log(Q))
        phi = np.linalg.inv(X.T @ np.linalg.solve(V, X))
        beta = phi @ X.T @ np.linalg.solve(V, y)
        rows.append((weight, contrast @ beta, np.sqrt(contrast @ phi @ contrast * Q / (n - p))))
    weight, estimate, se = np.array(rows).T
    weight = np.exp(weight - weight.max())
    return weight / weight.sum(), estimate, se, n - p


def test_unbalanced_design_agrees_with_the_integral_written_out():
    table = _table("burns_unbalanced")
    fit = fit_repeats(table)
    found = contrasts(fit, _pairs(fit)[:1], "best")
    weight, estimate, se, nu = _by_hand(table, np.array([1.0, -1, 0, 0, 0]), np.arange(-9, 9, 0.02))
    offset = estimate - weight @ estimate

    def outside(h, alpha):
        tails = stats.t.sf((h - offset) / se, nu) + stats.t.sf((h + offset) / se, nu)
        return weight @ tails - alpha

    near, far = (optimize.brentq(outside, 1, 100, args=(alpha,), xtol=1e-12) for alpha in (0.05, 0.005))
    low, high = found.limits(0.95)
    assert float(high[0, 0] - low[0, 0]) / 2 == pytest.approx(near, rel=1e-6)
    low, high = found.limits(0.995)
    assert float(high[0, 0] - low[0, 0]) / 2 == pytest.approx(far, rel=1e-6)


@pytest.mark.parametrize(("name", "day"), [("burns_unbalanced", None), ("burns_days", "day")])
def test_many_responses_are_the_same_as_one_by_one(name, day):
    table = _table(name)
    rng = np.random.default_rng(4)
    names = [f"y{i}" for i in range(6)]
    drawn = pd.DataFrame(
        table["value"].to_numpy()[:, None] + 5 * rng.normal(size=(len(table), 6)), columns=names
    )
    wide = pd.concat([table, drawn], axis=1)
    fit = fit_repeats(wide, value=names, day=day)
    together = contrasts(fit, _pairs(fit), "best")
    for i, each in enumerate(names):
        alone = contrasts(fit_repeats(wide, value=each, day=day), _pairs(fit), "best")
        assert together.se[i] == pytest.approx(alone.se[0], rel=2e-4)
        assert together.df[i] == pytest.approx(alone.df[0], rel=2e-3)


@pytest.mark.parametrize(("name", "day"), [("burns_unbalanced", None), ("burns_days_small", "day")])
def test_scale_shift_and_sign_go_through(name, day):
    table = _table(name)
    fit = fit_repeats(table, day=day)
    moved = fit_repeats(table.assign(value=table["value"] * 1.8 + 32), day=day)
    L = _pairs(fit)
    a, b, c = contrasts(fit, L, "best"), contrasts(moved, L, "best"), contrasts(fit, -L, "best")
    assert b.se == pytest.approx(1.8 * a.se, rel=1e-8)
    assert b.df == pytest.approx(a.df, rel=1e-7)
    assert c.estimate == pytest.approx(-a.estimate)
    assert c.se == pytest.approx(a.se, rel=1e-10)


def test_order_of_burns_and_names_of_bags_do_not_matter():
    table = _table("burns_unbalanced")
    other = table.sample(frac=1, random_state=1).sort_values("fuel", kind="stable")
    other = other.assign(bag=other["fuel"] + other["bag"])
    fit, again = fit_repeats(table), fit_repeats(other)
    assert contrasts(again, _pairs(fit), "best").se == pytest.approx(
        contrasts(fit, _pairs(fit), "best").se, rel=1e-9
    )


def test_without_a_bag_term_t_is_exact():
    table = _table("burns_balanced")
    found = contrasts(fit_repeats(table, bag=None), [[1.0, -1, 0, 0]], "best")
    groups = [g["value"].to_numpy() for _, g in table.groupby("fuel")]
    pooled = sum(((g - g.mean()) ** 2).sum() for g in groups) / (len(table) - 4)
    assert float(found.df[0, 0]) == pytest.approx(len(table) - 4)
    assert float(found.se[0, 0]) == pytest.approx(np.sqrt(pooled * 2 / len(groups[0])))


def test_borrowed_repeatability_adds_its_degrees_of_freedom():
    table = _table("burns_balanced").groupby("fuel").head(1)
    found = contrasts(fit_repeats(table, bag=None, borrowed=(5.0, 7.0)), [[1.0, -1, 0, 0]], "best")
    assert float(found.df[0, 0]) == pytest.approx(7)
    assert float(found.se[0, 0]) == pytest.approx(5 * np.sqrt(2))


def test_two_groups_without_bags_are_the_integral_of_two_t_written_out():
    """One mean a group and a flat prior on log variances: Behrens' distribution of the difference."""
    table = _table("burns_balanced")
    table = table[table["fuel"].isin(table["fuel"].unique()[:2])]
    found = contrasts(fit_repeats(table, bag=None, spread="by fuel"), [[1.0, -1]], "best")
    a, b = (part["value"].to_numpy() for _, part in table.groupby("fuel"))
    u = (np.arange(4000) + 0.5) / 4000
    se_a, se_b = (each.std(ddof=1) / np.sqrt(len(each)) for each in (a, b))

    def outside(h):
        inner = (h - se_a * stats.t.ppf(u, len(a) - 1)) / se_b
        return 2 * stats.t.sf(inner, len(b) - 1).mean() - 0.05

    low, high = found.limits(0.95)
    assert float(high[0, 0] - low[0, 0]) / 2 == pytest.approx(optimize.brentq(outside, 0.1, 200), rel=2e-3)


@pytest.mark.parametrize("groups", ["by fuel", "by kind"])
def test_groups_of_one_spread_are_nearly_the_common_answer(groups):
    table = _table("burns_balanced").assign(
        kind=lambda t: np.where(t["fuel"].isin(t["fuel"].unique()[:2]), "x", "y")
    )
    fit = fit_repeats(table, kind="kind", spread=groups)
    found, common = (contrasts(each, _pairs(fit), "best") for each in (fit, fit_repeats(table)))
    assert "averaged" in found.method
    assert np.median(found.se / common.se) == pytest.approx(1.0, abs=0.15)
    assert (found.df > 3).all()


def test_four_groups_of_burns_beside_bags_and_days_have_an_answer():
    """By themselves Kenward–Roger's; with an earlier trial the average over ratios that are drawn."""
    rng = np.random.default_rng(4)
    rows = [
        (f, f"{f}{b}", str((3 * b + r + i) % 6))
        for i, f in enumerate("abcd")
        for b in range(3)
        for r in range(3)
    ]
    tables = [
        pd.DataFrame(rows, columns=["fuel", "bag", "day"]).assign(value=rng.normal(0, 1, len(rows)))
        for _ in range(2)
    ]
    fits = [fit_repeats(table, day="day", spread="by fuel") for table in tables]
    alone, known = (
        contrasts(each, _pairs(fits[0]), "best") for each in (fits[0], joined(fits[0], [fits[1]]))
    )
    assert alone.method == "Kenward–Roger" and "averaged" in known.method
    assert np.median(known.se / alone.se) == pytest.approx(1.0, abs=0.3)
    assert (known.df > 5).all()


@pytest.mark.parametrize("seed", range(3))
def test_whichever_group_is_named_first_the_intervals_are_those(seed):
    """Bags, days and two kinds whose burns differ threefold: the burns told in the other order."""
    rng = np.random.default_rng(seed)
    burns = pd.DataFrame(list(product(range(4), range(3), range(2))), columns=["fuel", "bag", "burn"])
    bag, day = 3 * burns["fuel"] + burns["bag"], rng.permutation(24) % 4
    burns["kind"] = np.where(burns["fuel"] < 2, "lump", "briquette")
    spread = rng.standard_normal(12)[bag] + rng.standard_normal(4)[day]
    burns["value"] = spread + np.where(burns["fuel"] < 2, 3, 1) * rng.standard_normal(24)
    burns = burns.assign(bag=bag, day=day)
    widths = []
    for table in (burns, burns.iloc[::-1].reset_index(drop=True)):
        fit = fit_repeats(table, day="day", kind="kind", spread="by kind")
        place = [fit.labels.index(fuel) for fuel in range(4)]
        rows = np.eye(4)[place]
        found = contrasts(fit, np.array([rows[a] - rows[b] for a, b in combinations(range(4), 2)]), "best")
        widths.append(np.ptp(found.limits(0.95), axis=0))
    assert_allclose(widths[0], widths[1], rtol=0.05)


def test_several_responses_of_many_groups_beside_earlier_trials_share_no_average():
    """Their ratios are drawn about one response's own: beside a wild one the other would be as wild."""
    rng = np.random.default_rng(1)
    rows = pd.DataFrame(list(product("abcd", range(2), range(3))), columns=["fuel", "bag", "burn"])
    rows["bag"] = rows["fuel"] + rows["bag"].astype(str)
    here, before = (
        rows.assign(
            v=rng.normal(size=24),
            w=rng.normal(size=24) * rows["fuel"].map({"a": 0.02, "b": 1, "c": 10, "d": 50}),
        )
        for _ in range(2)
    )
    many, earlier = (fit_repeats(each, ["w", "v"], spread="by fuel") for each in (here, before))
    beside = contrasts(joined(many, [earlier]), _pairs(many), "best")
    alone = contrasts(fit_repeats(here, "v", spread="by fuel"), _pairs(many), "kenward-roger")
    assert_allclose(beside.se[1], alone.se[0], rtol=1e-6)


@pytest.mark.parametrize("seed", [82, 241])
def test_tails_shorter_than_the_normals_are_those_of_many_degrees_of_freedom(seed):
    """An averaged distribution whose far tail is nearer than a normal's: no t of half a degree of freedom."""
    rng = np.random.default_rng(seed)
    burns = pd.DataFrame(list(product(range(4), range(3), range(2))), columns=["fuel", "bag", "burn"])
    is_lump, bag = burns["fuel"] < 2, 3 * burns["fuel"] + burns["bag"]
    burns["kind"] = np.where(is_lump, "lump", "briquette")
    burns["day"] = rng.permutation(24) % 12
    spread = 5 * rng.standard_normal(12)[bag] + 3 * rng.standard_normal(12)[burns["day"]]
    burns["value"] = 200 + spread + np.where(is_lump, 4, 9) * rng.standard_normal(24)
    fit = fit_repeats(burns.assign(bag=bag), day="day", kind="kind", spread="by kind")
    pairs = contrasts(fit, _pairs(fit), "best")
    plain = contrasts(fit, _pairs(fit), "kenward-roger")
    assert (pairs.df > 5).all() and (pairs.se > 0.8 * plain.se).all()


@pytest.mark.parametrize("nu", [1.0, 2.5, 23.0, 400.0, 1e9])
def test_upper_tail_and_density_of_t(nu):
    t = np.linspace(-9, 9, 1001)
    tail, density = upper_tail(t, nu)
    assert tail == pytest.approx(stats.t.sf(t, nu), rel=1e-6)
    assert density == pytest.approx(stats.t.pdf(t, nu), rel=1e-6)


@pytest.mark.parametrize("name", ["burns_balanced", "burns_unbalanced", "burns_days"])
@pytest.mark.parametrize("unit", [1e-14, 1e-30])
def test_values_in_any_unit_have_the_same_inference(name, unit):
    """Where a ratio leaves nothing of an error its square is no number: the tail is nothing there, not a fault."""
    table = _table(name)
    day = "day" if "days" in name else None
    whole = fit_repeats(table, day=day)
    small = fit_repeats(table.assign(value=table["value"] * unit), day=day)
    known, again = (contrasts(fit, _pairs(whole), "best") for fit in (whole, small))
    assert again.se / unit == pytest.approx(known.se, rel=1e-6)
    assert again.df == pytest.approx(known.df, rel=1e-6)


@pytest.mark.parametrize("spread", ["common", "by fuel"])
def test_a_contrast_of_nothing_is_known_exactly(spread):
    fit = fit_repeats(_table("burns_balanced"), spread=spread)
    found = contrasts(fit, np.vstack([_pairs(fit), np.zeros(fit.design.p)]), "best")
    alone = contrasts(fit, _pairs(fit), "best")
    assert found.estimate[0, -1] == 0 and found.se[0, -1] < 1e-100
    assert found.se[:, :-1] == pytest.approx(alone.se) and found.df[:, :-1] == pytest.approx(alone.df)

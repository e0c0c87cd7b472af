"""Pooling, the chart and the fuels over seasons against known truth and against the kit's own model of one season."""

import numpy as np
import pandas as pd
import pytest

from kit.errors import KitError
from kit.history import history_of
from kit.history.control_chart import FALSE_ALARMS, from_centre, limits_of, line, steps
from kit.history.history import Cell, came_again, fuel_table, history_tables, season_spread
from kit.history.pooled import block_of, pool
from kit.variance import fit_repeats
from kit.variance.sd_limits import component_limits
from tests.sampled import sampled
from tests.simulate import history as simulated

RNG = np.random.default_rng


def test_one_season_pooled_is_the_model_of_that_season():
    season = simulated.made_season(0, RNG(3), sds={"bag": 12.0, "day": 9.0, "burn": 6.0})
    table = pd.DataFrame(season.rows["peak"])
    fit = fit_repeats(table, bag="bag", day="day")
    found = history_of([season]).metrics["peak"]
    sds = fit.components.set_index("component")["sd"]
    for term in ("bag", "day", "burn"):
        assert found.pooled.variance(term) ** 0.5 == pytest.approx(sds[term], rel=1e-4)
    means = found.fuels.set_index("fuel")["mean"]
    for row in fit.means.itertuples(index=False):
        assert means[row.fuel] == pytest.approx(row.mean, rel=1e-6)


@pytest.mark.parametrize(
    "sds", [{"bag": 12.0, "day": 9.0, "burn": 6.0}, {"bag": 1e-6, "day": 4.0, "burn": 10.0}]
)
def test_limits_of_pooled_bag_and_day_spread_of_one_season_are_those_of_its_own_profile(sds):
    season = simulated.made_season(0, RNG(3), sds=sds)
    fit = fit_repeats(pd.DataFrame(season.rows["peak"]), bag="bag", day="day")
    own = component_limits(fit, "profile").set_index("component")
    pooled = history_tables(history_of([season]))["components"].set_index("component")
    for term in ("bag", "day"):
        assert pooled.loc[term, ["low", "high"]].tolist() == pytest.approx(
            own.loc[term, ["low", "high"]].tolist(), rel=1e-4
        )
        assert pooled.loc[term, "method"] == "profile of the restricted likelihood over all seasons"


def test_bags_that_differ_no_more_than_burns_have_a_pooled_spread_of_nothing_up_to_a_limit():
    """And further seasons lower that limit."""
    sds, highest = {"bag": 1e-6, "day": 4.0, "burn": 10.0}, []
    seasons = [simulated.made_season(k, RNG(k), sds=sds) for k in range(6)]
    for count in (1, 6):
        bag, day, burn = history_tables(history_of(seasons[:count]))["components"].itertuples()
        assert bag.low == 0 < bag.high and burn.low < burn.sd < burn.high
        highest.append(bag.high)
    assert highest[1] < highest[0] and day.low < 4 < day.high
    assert "chi-squared" in burn.method


@pytest.mark.slow
@pytest.mark.parametrize("trials", sampled([12], [100]))
def test_profile_limits_of_a_pooled_bag_spread_hold_it(trials):
    """In nineteen of twenty trials, three of their errors allowed; χ² limits held it in 77 to 96 of 100."""
    rng = RNG(4)
    fuel, bag = np.repeat(np.arange(4), 4), np.tile(np.repeat(np.arange(2), 2), 4)
    for sd in (0.0, 6.0, 12.0):
        held = 0
        for _ in range(trials):
            blocks = []
            for season in "abc":
                values = rng.normal(0, sd, (4, 2))[fuel, bag] + rng.normal(0, 10, len(fuel))
                blocks.append(block_of(season, [*map(str, fuel)], [*map(str, bag)], [""] * 16, values))
            low, high = pool(blocks).limits("bag", 0.95)
            held += low <= sd <= high
        assert held / trials >= 0.95 - 3 * (0.95 * 0.05 / trials) ** 0.5


@pytest.mark.long
def test_forty_seasons_flag_a_drift_keep_the_rate_and_give_the_spreads_back():
    trials = 40  # `make simulate` draws more
    steady, variances = simulated.simulate(trials, ("nothing",))
    moved, _ = simulated.simulate(15, ("drift", "step at the last season"))
    flagged = pd.concat([steady, moved]).set_index("planted")["flagged"]
    assert flagged["drift"] >= 0.80 and flagged["step at the last season"] >= 0.75
    error = (FALSE_ALARMS * (1 - FALSE_ALARMS) / trials) ** 0.5
    assert abs(flagged["nothing"] - FALSE_ALARMS) <= 3 * error
    pooled = simulated.pooled_table(variances)
    assert (abs(pooled["mean"] - pooled["true"]) <= 3.5 * pooled["mc_error"]).all()


def test_limits_keep_the_rate_for_seasons_alone():
    """Drawn from other seeds than the limits were: the share of signals is the stated one."""
    phi, times = np.array([9.0, 4.0, 6.0, 9.0, 25.0, 4.0]), np.arange(6.0)
    limits = limits_of(phi, times, 10**9, np.inf)
    rng, trials = RNG(99), 4000
    m = rng.normal(size=(trials, 6)) * np.sqrt(phi)
    size, variance = steps(m, phi)
    away, own = from_centre(m, phi)
    slope, of_slope = line(m, phi, times)
    signal = (abs(size) > limits.limits["step"] * np.sqrt(variance)).any(axis=1)
    signal |= (abs(away) > limits.limits["season"] * np.sqrt(own)).any(axis=1)
    signal |= abs(slope) > limits.limits["drift"] * np.sqrt(of_slope)
    stated = 1 - (1 - FALSE_ALARMS) / (1 - limits.rates["day"])
    assert abs(signal.mean() - stated) < 4 * (stated * (1 - stated) / trials) ** 0.5


def test_a_planted_step_is_named_with_its_season_and_size():
    found = simulated.one_history(RNG(5), [0.0, 0.0, 0.0, 60.0, 60.0, 60.0])
    steps = found.chart.signals.set_index("rule").loc["step"]
    assert steps["where"] == "from s03 on"
    assert steps["low"] < 60 < steps["high"]
    assert set(found.standing["standing"]) == {"comparable directly"}  # all burned in the newest season too


def test_a_planted_drift_is_named_and_seasons_alike_are_not():
    drifting, steady = (simulated.one_history(RNG(6), np.linspace(0, end, 12)) for end in (60, 0))
    found = drifting.chart.signals.set_index("rule").loc["drift"]
    assert found["where"] == "first to last season" and 0 < found["low"] < 60 < found["high"]
    assert steady.chart.signals.empty


def test_intervals_of_fuels_hold_the_season_spread():
    """A fuel of one season: 95 % of intervals hold its true level though seasons differ."""
    rng, held, trials = RNG(7), 0, 300
    for _ in range(trials):
        shift = rng.normal(0, 8.0, size=(6, 10))
        cells = [
            Cell(f"s{s}", f"f{f}", float(shift[f, s] + rng.normal(0, 3.0)), 9.0, 6)
            for f in range(6)
            for s in range(10)
            if f < 5 or s == 9
        ]
        table = fuel_table(cells, season_spread(cells, 200.0), 200.0).set_index("fuel")
        held += table.loc["f5", "low"] <= 0 <= table.loc["f5", "high"]
    assert 0.92 <= held / trials <= 0.995


def test_no_spread_is_claimed_where_no_fuel_came_again():
    cells = [Cell("s0", "a", 1.0, 1.0, 3), Cell("s1", "b", 2.0, 1.0, 3)]
    assert not season_spread(cells, 20.0).known


def test_a_changed_product_is_told_and_an_unchanged_one_is_not():
    cells = [Cell(f"s{k}", fuel, 0.0, 4.0, 6) for k in range(3) for fuel in ("same", "new")]
    cells.append(Cell("s3", "same", 1.0, 4.0, 6))
    cells.append(Cell("s3", "new", 30.0, 4.0, 6))
    found = came_again(cells, 100.0, 15.0, 0.0).set_index("fuel")
    assert found.loc["new", "verdict"] == "different, by more than the margin"
    assert found.loc["same", "verdict"] == "the same within the margin"


def test_nothing_repeated_is_refused():
    block = block_of("s", ["a", "b"], ["1", "2"], ["", ""], np.array([1.0, 2.0]))
    with pytest.raises(KitError, match="no fuel burned twice"):
        pool([block])


def test_a_term_the_designs_do_not_tell_apart_is_left_out():
    fuels, bags = ["a"] * 4 + ["b"] * 4, [str(k) for k in range(8)]
    block = block_of("s", fuels, bags, ["d"] * 8, RNG(1).normal(size=8))
    assert pool([block]).terms == ("burn",)


def test_one_season_has_a_chart_of_days_alone():
    found = simulated.one_history(RNG(11), [0.0])
    assert list(found.chart.limits.limits) == ["day"] and not len(found.chart.drift)

"""What a kitchen asks: was a temperature reached, which fuel for which cook, at what price, and what people scored."""

import math
from collections.abc import Iterator, Mapping
from dataclasses import replace
from itertools import combinations
from math import comb

import numpy as np
import pandas as pd
from scipy import special

from kit import schema
from kit.burns.logged_burns import cooks_at, price_per_kg
from kit.errors import KitError
from kit.judge.comparisons import fuel_means, places_of
from kit.judge.judging import judge_metric, laid_out, question_of
from kit.judge.question import WORDS, Counted, Question
from kit.judge.verdicts import DIFFERENT, OPEN
from kit.schema import PRODUCT, THESE_BAGS, Metric
from kit.trial import Run, Trial
from kit.trial.models import Cook
from kit.variance import fit_repeats
from kit.variance.burn_arrays import Array, noted_bags
from kit.variance.families import holm
from kit.variance.sd_limits import component_limits

SAID = WORDS["cook"]
HELD, CHARGES, TOP_UPS, COST = "minutes held", "charges needed", "top-ups needed", "cost of the cook"
ENDS = ("ratio", "low", "high")
MOST_WAYS = 20_000
"""Ways to share bags out between two fuels that are looked at one by one."""
SOURCES = {"day": "between tasters", "burn": "one taster, one burn"}

Row = dict[str, object]


def share_reached(counted: Counted, level: float = 0.95) -> pd.DataFrame:
    """Return for each threshold and fuel how many burns reached it (schema.REACHED).

    A burn whose log ends before the threshold is reached tells nothing of it and is left out.

    Parameters
    ----------
    counted
        The burns that count; those compared with one another are counted here.
    level
        Confidence.

    Notes
    -----
    Clopper & Pearson (1934): of n burns k reached it; low = B(α/2; k, n − k + 1), high = B(1 − α/2; k + 1, n − k).
    """
    records, tail = [], (1 - level) / 2
    for metric, told in _told(counted).items():
        for fuel, rows in told.groupby("fuel", sort=False):
            n, k = len(rows), int(rows["reached"].sum())
            low = float(special.betaincinv(k, n - k + 1, tail)) if k else 0.0
            high = float(special.betaincinv(k + 1, n - k, 1 - tail)) if k < n else 1.0
            records.append((metric, fuel, k, n, k / n, low, high, bags_disagree(rows), level))
    return pd.DataFrame(records, columns=schema.names("reached"))


def reached_compared(counted: Counted, question: Question) -> pd.DataFrame:
    """Compare fuels by how many of their burns reached each threshold (schema.REACHED_PAIRS).

    Thresholds that all burns of all fuels reached are left out. Every pair, or all against the control fuel, with
    Holm's p over the pairs of a threshold.

    Notes
    -----
    Fisher's exact test, two-sided, with half the chance of what was seen (mid-p; Lancaster 1961). Where bags of one of
    the two fuels disagree, burns of a bag are not as good as burns of many: whole bags are then shared out between
    the fuels in every way, and the difference of the shares is held against those. Burns of one bag say nothing of its
    fuel's others: a pair with such a fuel is compared 'for these bags', whatever the other's.
    """
    tables = []
    for metric, told in _told(counted).items():
        parts = dict(iter(told.groupby("fuel", sort=False)))
        fuels, family = list(parts), replace(question, pairs=()).family_of(parts)
        if told["reached"].all() or len(fuels) < 2 or family is None:
            continue
        pairs = places_of(fuels, family[0]).tolist()
        table = pd.DataFrame([_compared(fuels[a], fuels[b], parts) for a, b in pairs])
        table["p_adjusted"] = holm(table["p"].to_numpy())
        differ = table["p_adjusted"] < 1 - question.level
        larger = table["reached_a"] / table["n_a"] > table["reached_b"] / table["n_b"]
        table["verdict"] = np.where(differ, DIFFERENT, OPEN)
        table["direction"] = np.where(differ, np.where(larger, "a", "b"), "")
        tables.append(table.assign(metric=metric, level=question.level))
    return laid_out(tables, "reached_pairs")


def bags_disagree(rows: pd.DataFrame) -> bool:
    """Return whether burns of one bag reached the threshold and burns of another of the same fuel did not."""
    return bool(rows.groupby("bag")["reached"].mean().nunique() > 1)


def _told(counted: Counted) -> dict[str, pd.DataFrame]:
    """Return of each threshold the burns that tell of it, and whether each reached it."""
    found = {}
    for name in dict.fromkeys(counted.metrics["metric"]):
        if name.startswith("time_to:"):
            rows = counted.compared(name)
            reached = rows["status"].isin(["exact", "at most"])
            found[name] = rows.assign(reached=reached)[reached | rows["status"].eq("never")]
    return found


def _compared(a: str, b: str, parts: Mapping[str, pd.DataFrame]) -> Row:
    """Return the two-sided mid-p of two fuels, of k of n burns against j of m or of whole bags shared out anew."""
    (k, n), (j, m) = ((int(parts[fuel]["reached"].sum()), len(parts[fuel])) for fuel in (a, b))
    disagree = [fuel for fuel in (a, b) if bags_disagree(parts[fuel])]
    # bags that are not all noted are one, as in the models
    bags = [noted_bags([fuel] * len(parts[fuel]), parts[fuel]["bag"].tolist()) for fuel in (a, b)]
    if disagree:
        by_bag = pd.concat([parts[a], parts[b]]).groupby(["fuel", "bag"], sort=False)["reached"]
        reached, burns = by_bag.sum().to_numpy(float), by_bag.size().to_numpy(float)
        bags_of_a = parts[a]["bag"].nunique()
        if comb(len(burns), bags_of_a) <= MOST_WAYS:
            chosen = np.array(list(combinations(range(len(burns)), bags_of_a)))
        else:
            rng = np.random.default_rng(1)
            drawn = [rng.permutation(len(burns))[:bags_of_a] for _ in range(MOST_WAYS - 1)]
            chosen = np.array([np.arange(bags_of_a), *drawn])
        hits, tried = reached[chosen].sum(axis=1), burns[chosen].sum(axis=1)
        apart = np.abs(hits / tried - (reached.sum() - hits) / (burns.sum() - tried))
        chance, same = np.full(len(apart), 1 / len(apart)), np.isclose(apart, apart[0])
        beyond = (apart > apart[0]) & ~same
    else:  # with both margins held
        ways = np.array([comb(n, i) * comb(m, k + j - i) if i <= k + j else 0 for i in range(n + 1)], float)
        chance = ways / ways.sum()
        same = np.isclose(chance, chance[k], rtol=1e-9)
        beyond = (chance < chance[k]) & ~same
    return {
        "a": a, "b": b, "reached_a": k, "n_a": n, "reached_b": j, "n_b": m,
        "p": float(chance[beyond].sum() + chance[same].sum() / 2),
        "method": "whole bags shared out anew" if disagree else "Fisher, mid-p",
        "disagree": " ".join(disagree), "scope": THESE_BAGS if any(len(set(own)) == 1 for own in bags) else PRODUCT,
    }  # fmt: skip


def judge_cooks(counted: Counted, run: Run) -> pd.DataFrame:
    """Return what the burns say of each declared cook (schema.COOKS).

    The minutes held in the cook's band are a geometric mean of each fuel at each setting declared for the cook, with
    limits from the variance model of those burns. Charges are the cook's hours over the minutes held; top-ups are
    the further whole charges; cost is charges times their mass and price. Their limits are those of the minutes held,
    carried through.

    Parameters
    ----------
    counted
        The burns that count.
    run
        The run folder: cooks, settings, prices.

    Returns
    -------
    DataFrame
        A row a cook, setting, fuel and quantity. A cook without such burns has a row without value, whose note says
        what the burns can and cannot tell.
    """
    question, records = question_of(run, seed=1), []
    for cook in run.trial.cooks:
        rows = counted.compared(f"band:{cook.name}")
        settings = [name for name in rows["setting"].unique() if cook.name in cooks_at(run.trial, str(name))]
        held: Row = {"cook": cook.name, "fuel": "", "setting": "", "quantity": HELD, "unit": "min"}
        if not settings:
            records.append(held | {"n": 0, "note": SAID["not_run"].format(low=cook.low, high=cook.high)})
        for setting in settings:
            own = _at_setting(cook, rows[rows["setting"] == setting], run, question)
            records += [held | {"setting": str(setting)} | each for each in own]
    return pd.DataFrame(records, columns=schema.names("cooks")).assign(level=question.level)


def _at_setting(cook: Cook, rows: pd.DataFrame, run: Run, question: Question) -> Iterator[Row]:
    """Yield what differs from row to row of the burns at one setting."""
    short = rows[rows["status"] == "never"].groupby("fuel", sort=False)["burn"].size()
    for fuel, count in short.items():
        n = int((rows["fuel"] == fuel).sum())
        yield {"fuel": str(fuel), "n": n, "note": SAID["never_held"].format(count=count, n=n)}
    if len(short) and question.countable(rows, fewest=1)[1]:
        return
    fit, why_not = question.fit_of(rows, run.trial.metric(f"band:{cook.name}"), fewest=1)
    if fit is None:
        yield {"n": len(rows), "note": why_not}
        return
    note = "" if fit.has_spread else SAID["no_repeats"].format(setting=rows["setting"].iloc[0])
    charges = rows.groupby("fuel")["charge_g"].mean()
    for held in fuel_means(fit, level=question.level).to_dict("records"):
        fuel, minutes = str(held["fuel"]), np.array([held["mean"], held["low"], held["high"]])
        own = {"fuel": fuel, "n": held["n"]}
        yield own | _limited(minutes) | {"note": note}
        yield from (own | each for each in _of_hours(cook, fuel, minutes, float(charges[fuel]), run))


def _of_hours(cook: Cook, fuel: str, minutes: Array, charge_g: float, run: Run) -> Iterator[Row]:
    """Yield what the cook's hours take of a fuel: more minutes held are fewer charges, so limits change places."""
    if cook.hours is None:
        yield {"quantity": CHARGES, "unit": "", "note": SAID["no_hours"]}
        return
    charges = 60 * cook.hours / minutes[[0, 2, 1]]
    further = np.maximum(np.ceil(charges - 1e-9) - 1, 0.0)
    price = price_per_kg(run.trial, fuel) * charge_g / 1000
    unpriced = SAID["no_price"].format(fuels=run.trial.fuel(fuel).label)
    first = {"unit": "", "note": SAID["as_the_first"]}
    yield first | {"quantity": CHARGES} | _limited(charges)
    yield first | {"quantity": TOP_UPS} | _limited(further)
    cost = first if price == price else {"note": unpriced}
    yield cost | {"quantity": COST, "unit": run.trial.currency} | _limited(charges * price)


def _limited(values: Array) -> Row:
    return dict(zip(("value", "low", "high"), values.tolist(), strict=True))


def value_compared(comparisons: pd.DataFrame, trial: Trial) -> pd.DataFrame:
    """Return for each compared pair the cost of an hour above a threshold, and the break-even price (schema.VALUE).

    With prices: the ratio of the costs at the prices paid, its interval and its verdict are those of the comparison of
    the metric cost; both are equal value where the price of a kilogram of a is `break_even` times that of b, the
    ratio paid over the ratio of the costs. Without prices, and with charges said to be of equal mass, that
    is the ratio of the times above the threshold, and no verdict is given.

    Parameters
    ----------
    comparisons
        schema.COMPARISONS of all metrics.
    """
    price = {fuel.id: price_per_kg(trial, fuel.id) for fuel in trial.fuels}
    bases = comparisons["metric"].astype(str).str.split(":").str[0]
    costs = comparisons[bases == "cost"]
    times = comparisons[bases == "time_above"] if trial.charge.of_equal_mass else comparisons.iloc[:0]
    known = set(costs["metric"].str.removeprefix("cost:"))
    times = times[~times["metric"].astype(str).str.removeprefix("time_above:").isin(known)]
    of_a, of_b = (costs[name].astype(object).map(price).astype(float) for name in ("a", "b"))
    paid = of_a / of_b
    ratio, low, high = (costs[name].astype(float) for name in ENDS)
    even = {"break_even": paid / ratio, "break_even_low": paid / high, "break_even_high": paid / low}
    unpriced = {"verdict": "", "direction": "", "paid": math.nan} | dict.fromkeys(ENDS, math.nan)
    equal = dict(zip(even, (times[name] for name in ENDS), strict=True))
    found = pd.concat([costs.assign(paid=paid, **even), times.assign(**equal).assign(**unpriced)])
    return found.loc[found["break_even"].notna(), schema.names("value")].reset_index(drop=True)


def judge_scores(run: Run, counted: Counted, question: Question) -> dict[str, pd.DataFrame]:
    """Judge every attribute of scores.csv, of the burns that are compared: scores, score_pairs and tasters, by name.

    A taster's scores become ridits, mid-ranks over their number (Bross 1958), for each may use the scale as they like:
    0.5 is that taster's middle, and the mean over a fuel's burns is the chance that a score of this fuel lies above one
    that the same taster gave to any burn. A burn has one value, the mean over its tasters, so that n counts burns; bags
    and days enter as for any measure. How far tasters differ, and how far one agrees with the others on a burn, is
    told apart from it on the scale as scored.

    Parameters
    ----------
    question
        What the trial file asks: level, control fuel, covariates.
    """
    conditions = [name for name in counted.metrics if name not in ("metric", "value", "unit", "u", "status")]
    burns = counted.metrics[conditions].drop_duplicates("burn")
    burns = burns[burns["burn"].isin(counted.burns)]
    known = run.scores.dropna(subset=["score"])[["burn", "taster", "attribute", "score"]]
    found: dict[str, list[pd.DataFrame]] = {"scores": [], "score_pairs": [], "tasters": []}
    for name, rows in known.merge(burns, on="burn").groupby("attribute", sort=False):
        attribute = str(name)
        own = rows.groupby("taster")["score"]
        # a score's place within the taster's own: (mid-rank − ½)/n
        rows = rows.assign(ridit=(own.rank() - 0.5) / own.transform("size"))
        value = rows.groupby("burn")["ridit"].mean()
        burned = rows.drop_duplicates("burn").assign(status="exact")
        spec = Metric(f"score:{attribute}", "score", attribute, "", "plain", "declared")
        tables = judge_metric(burned.assign(value=burned["burn"].map(value)), spec, question).tables
        if "means" in tables:
            means, by_fuel = tables["means"], rows.groupby("fuel")
            plain = by_fuel["score"].agg(score="median", scores="size").join(by_fuel["taster"].nunique())
            limits = {end: means[end].clip(0, 1) for end in ("low", "high")}
            means = means.assign(attribute=attribute, chance=means["mean"].clip(0, 1), **limits)
            found["scores"].append(means.join(plain.rename(columns={"taster": "tasters"}), on="fuel"))
        if "comparisons" in tables:
            found["score_pairs"].append(tables["comparisons"].assign(attribute=attribute))
        found["tasters"].append(_spread_of_tasters(rows, question.level).assign(attribute=attribute))
    return {name: laid_out(parts, name) for name, parts in found.items()}


def _spread_of_tasters(rows: pd.DataFrame, level: float) -> pd.DataFrame:
    """Return the SD between tasters and that of one taster on one burn, burns taken out, on the scale as scored."""
    burns, tasters = rows.groupby("burn")["taster"].nunique(), rows["taster"].nunique()
    shared = rows[rows["burn"].isin(burns.index[burns > 1])]
    if tasters < 3 or shared["burn"].nunique() < 2:
        return pd.DataFrame()
    try:
        fit = fit_repeats(shared, "score", "burn", bag=None, day="taster")
        limits = component_limits(fit, level=level)
    except KitError:  # tasters who all agree leave no spread to tell of
        return pd.DataFrame()
    return limits.assign(source=limits["component"].map(SOURCES)).dropna(subset=["source"])

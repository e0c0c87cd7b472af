"""The drawings of one metric fuel by fuel: values with means, the ladder, the next bag."""

from __future__ import annotations

from functools import partial
from typing import TYPE_CHECKING

from kit.page.numbers import plain
from kit.publish.drawings.common import axis_name, axis_unit, n_note, n_words, turned
from kit.publish.facts import Facts
from kit.publish.figures.drawing import Drawing
from kit.publish.figures.look import Cast
from kit.publish.figures.means import ValueWords, fuel_values, ladder, next_bags
from kit.publish.wording import capital, label_of, places

if TYPE_CHECKING:
    import pandas as pd

KEPT = ("exact", "at least", "at most")


def values_drawing(facts: Facts, metric: str, fuels: tuple[str, ...] = ()) -> Drawing:
    """Return the drawing of one metric: every burn by its bag, means with intervals."""
    spec = facts.spec(metric)
    cast = facts.cast.only(fuels) if fuels else facts.cast
    burns, means = _values(facts, metric, cast)
    label = label_of(spec, facts.units)
    return Drawing(
        id=" ".join(["values", metric, *fuels]),
        title=f"{label}, fuel by fuel",
        alt=f"{label}, a row a fuel. {_told(facts, means, burns, spec.unit, cast)}",
        caption=_values_caption(facts, cast, len(means.dropna(subset=["low"])) > 0, burns),
        headline=label[:1].upper() + label[1:],
        note=f"bar: {facts.percent} interval; {n_note(facts, cast)}",
        data=_values_data(burns, means),
        draw=partial(fuel_values, burns, means, cast, ValueWords(axis_name(spec, facts.units))),
    )


def _values(facts: Facts, metric: str, cast: Cast) -> tuple[pd.DataFrame, pd.DataFrame]:
    unit, names = facts.spec(metric).unit, [player.id for player in cast]
    burns = facts.values_of(metric)
    burns = burns[burns["status"].isin(KEPT) & burns["value"].notna() & burns["fuel"].isin(names)]
    means = facts.rows("means", metric)
    means = means[means["fuel"].isin(names)]
    shown = {name: turned(means[name], unit, facts.units) for name in ("mean", "low", "high")}
    return burns.assign(value=turned(burns["value"], unit, facts.units)), means.assign(**shown)


def _values_data(burns: pd.DataFrame, means: pd.DataFrame) -> pd.DataFrame:
    import pandas as pd

    mean_part = means[["fuel", "mean", "low", "high", "n", "bags"]].rename(columns={"mean": "value"})
    parts = [
        burns[["fuel", "bag", "burn", "value", "status"]].assign(what="burn"),
        mean_part.assign(what="mean"),
    ]
    kept = [part for part in parts if len(part)]
    return pd.concat(kept, ignore_index=True) if kept else parts[0]


def _values_caption(facts: Facts, cast: Cast, intervals: bool, burns: pd.DataFrame) -> str:
    parts = [f"Small grey dots: burns; those on one line are of one bag ({n_words(facts, cast)})."]
    if intervals:
        parts.append(
            f"Large mark and bar: mean over bags and burns with its {facts.percent} interval, each fuel for itself."
        )
    else:
        parts.append("No bars: without repeated burns there is no error bar.")
    if (burns["status"] != "exact").any():
        parts.append("Triangles: burns of which only a lower (▸) or an upper (◂) bound is known.")
    return " ".join(parts)


def _told(facts: Facts, means: pd.DataFrame, burns: pd.DataFrame, unit: str, cast: Cast) -> str:
    shown = axis_unit(unit, facts.units)
    told = []
    for player in cast:
        row = means[means["fuel"] == player.id]
        values = burns.loc[burns["fuel"] == player.id, "value"]
        if len(row) and row["low"].notna().all():
            mean, low, high = (float(row[name].iloc[0]) for name in ("mean", "low", "high"))
            digits = places(low, high)
            told.append(
                f"{player.name}: mean {plain(mean, digits)} {shown}, interval {plain(low, digits)} to "
                f"{plain(high, digits)}, {len(values)} burns"
            )
        elif len(values):
            told.append(
                f"{player.name}: {plain(values.min())} to {plain(values.max())} {shown}, {len(values)} burns"
            )
        else:
            told.append(f"{player.name}: no value")
    return "; ".join(told) + "."


def ladder_drawing(facts: Facts, metric: str) -> Drawing | None:
    """Return the drawing of the ladder of a metric, or None where no order may be shown."""
    table = ladder_table(facts, metric)
    if facts.interim or facts.singles or len(table) < 3:
        return None
    spec = facts.spec(metric)
    shown = {name: turned(table[name], spec.unit, facts.units) for name in ("mean", "low", "high")}
    drawn = table.assign(**shown, brackets=table["brackets"].fillna("").astype(str))
    label = label_of(spec, facts.units)
    return Drawing(
        id=f"ladder {metric}",
        title=f"Ladder of {label}",
        alt=f"Fuels in the order of their {label}, the highest first. {_rungs(facts, drawn, spec.unit)} "
        f"{ladder_words(facts, table)}",
        caption=(
            f"Fuels in the order of their means; bar: {facts.percent} interval of each mean for itself "
            f"({n_words(facts)}). Brackets join fuels that the comparisons, all taken together at {facts.percent}, "
            "do not tell apart: within a bracket the order may be chance."
        ),
        headline=f"Ladder: {label}",
        note=f"bar: {facts.percent} interval; {n_note(facts)}",
        data=drawn.drop(columns=["metric"]),
        draw=partial(ladder, drawn, facts.cast, ValueWords(axis_name(spec, facts.units))),
    )


def _rungs(facts: Facts, drawn: pd.DataFrame, unit: str) -> str:
    shown = axis_unit(unit, facts.units)
    told = [
        f"{facts.name(row.fuel)} {plain(row.mean, places(row.low, row.high))} {shown}"
        for row in drawn.itertuples(index=False)
    ]
    return f"Means: {', '.join(told)}."


def ladder_table(facts: Facts, metric: str) -> pd.DataFrame:
    """Return the ladder of a metric, in its order."""
    return facts.rows("ladder", metric).sort_values("place").reset_index(drop=True)


def ladder_words(facts: Facts, table: pd.DataFrame) -> str:
    """Return a ladder in words: its order, and which fuels are not told apart."""
    order = ", ".join(facts.name(fuel) for fuel in table["fuel"])
    groups: dict[str, list[str]] = {}
    for row in table.itertuples(index=False):
        for number in str(row.brackets or "").split():
            groups.setdefault(number, []).append(facts.name(row.fuel))
    if not groups:
        return f"{order}: each told apart from every other."
    joined = "; ".join(f"{', '.join(names[:-1])} and {names[-1]}" for names in groups.values())
    return f"In order: {order}. Not told apart: {joined}."


def next_bag_drawing(facts: Facts, metric: str) -> Drawing | None:
    """Return the drawing of what one burn of a new bag will do, or None where nothing can be said."""
    table = facts.rows("next_bag", metric).dropna(subset=["low", "high"])
    if not len(table):
        return None
    spec = facts.spec(metric)
    means = facts.rows("means", metric).set_index("fuel")
    limits = {f"mean_{end}": table["fuel"].map(means[end]) for end in ("low", "high")}
    drawn = table.assign(**limits)
    names = ("mean", "low", "high", "mean_low", "mean_high")
    drawn = drawn.assign(**{name: turned(drawn[name], spec.unit, facts.units) for name in names})
    cast = facts.cast.only(tuple(drawn["fuel"]))
    label, covers = label_of(spec, facts.units), str(table["covers"].iloc[0])
    return Drawing(
        id=f"next bag {metric}",
        title=f"One burn of a new bag: {label}",
        alt=f"{label}: where one burn of a new bag will fall. {_told_next(facts, drawn, spec.unit)}",
        caption=(
            f"Pale bar: where one burn of a new bag will fall, {facts.percent} of the time; it holds the "
            "spread between "
            f"{_covers(covers)} and the doubt about the mean. Dark bar: {facts.percent} interval of the mean alone. "
            f"{capital(n_words(facts))}."
        ),
        headline="What another bag will do",
        note=f"pale: one new burn, {facts.percent}; {n_note(facts)}",
        data=drawn[["fuel", *names, "covers"]],
        draw=partial(next_bags, drawn, cast, ValueWords(axis_name(spec, facts.units))),
    )


def _covers(covers: str) -> str:
    return covers.replace("bag", "bags").replace("burn", "burns").replace("day", "days") or "bags and burns"


def _told_next(facts: Facts, table: pd.DataFrame, unit: str) -> str:
    shown = axis_unit(unit, facts.units)
    told = [
        f"{facts.name(row.fuel)}: {plain(row.low, places(row.low, row.high))} to "
        f"{plain(row.high, places(row.low, row.high))} {shown}"
        for row in table.itertuples(index=False)
    ]
    return "; ".join(told) + "."

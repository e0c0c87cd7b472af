"""Fuel by fuel: values with error bars, order where one may be shown, conditions, price, scores; fuels for cooks."""

import math
from functools import partial
from typing import Any, Final

import pandas as pd

from kit.judge.question import KNOWN
from kit.page.shown_numbers import convert, duration, p_is, plain, with_unit, with_unit_after
from kit.page.text import Html, capital, listed, told
from kit.publish.canvas import Axes, Axis, Cast, Figure, Frame, RowLayout, bar, rows_canvas, size_of
from kit.publish.drawing import Drawing, figure_of
from kit.publish.report_data import ReportData, price_metric, prices_per_kg, stacked
from kit.publish.sections.section import bullets, heading, label, rows_table, to_appendix, topic
from kit.publish.wording import (
    burns_named,
    called,
    ends_known,
    places,
    range_words,
    row_places,
    table_of,
    words,
)
from kit.schema import THESE_BAGS
from kit.trial.models import Cook

CONDITIONS: Final = ("charge_g", "ambient_c", "wind_m_s", "humidity_pct")
"""What stands beside a fuel's burns where it was recorded."""
UNSTATED: Final = "not stated: moisture and ash basis unknown"


@topic("fuels", "Fuel by fuel")
def fuels(data: ReportData) -> list[object]:
    """Return each fuel's values with error bars, bags and burns inside, and what was burned under which conditions."""
    scored = ", what people scored" * (len(data.table("scores")) > 0)
    return [
        data.said("fuels"),
        [values_drawing(data, metric) for metric in data.primary if data.has_values(metric)],
        bounds_sentences(data),
        scores_sentences(data),
        conditions_table(data),
        to_appendix(f"Every measure of every fuel{scored} and what is declared", "fuels-tables"),
    ]


@topic("fuels-tables", "Fuel by fuel: every measure", "appendix")
def fuel_tables(data: ReportData) -> list[object]:
    """Return for the appendix every measure fuel by fuel, what was never reached, scores, declared facts and limits."""
    price = price_metric(data)
    drawn = [metric for metric in (price, "ash") if metric in data.metrics and metric not in data.primary]
    if price.startswith("cost:"):  # what the better value rests on, wherever else it is drawn
        drawn.insert(0, price)
    return [
        [means_table(data, metric) for metric in data.metrics],
        [values_drawing(data, metric) for metric in dict.fromkeys(drawn) if data.has_values(metric)],
        rows_table(data, "reached", _not_always_reached(data)),
        scores_html(data),
        heading("Price and what is declared" if prices_per_kg(data) else "What is declared", "declared"),
        declared_table(data),
        limits_table(data),
    ]


def means_table(data: ReportData, metric: str, only: tuple[str, ...] = ()) -> Html | None:
    """Return the table of a metric's means with intervals and n; of single burns their values; None without any."""
    rows = data.in_order(data.rows("means", metric))
    rows = rows[rows["fuel"].isin(only)] if only else rows
    spec, used = data.spec(metric), data.used(metric)
    noted = [used[fuel].bags or math.nan if fuel in used else math.nan for fuel in rows["fuel"]]
    value = "value" if data.bare else "geometric mean" if spec.scale == "log" else "mean"
    return rows_table(
        data,
        "means",
        rows.assign(bags=noted),
        value=value,
        unit=spec.unit,
        judged=not data.bare,
        counted=spec.least == 0,
    )


def bounds_sentences(data: ReportData) -> list[Html | None]:
    """Return which values are bounds, and which temperatures were never reached, fuel by fuel."""
    grouped: dict[tuple[str, str, str], list[str]] = {}
    rows = data.table("metrics")
    rows = rows[rows["metric"].isin(data.primary) & rows["status"].isin(words()["bound"])]
    for (metric, fuel, status), own in rows.groupby(["metric", "fuel", "status"], sort=False):
        key = data.name(str(fuel)), str(status), burns_named(own["burn"])
        grouped.setdefault(key, []).append(data.label(str(metric)))
    told_bounds = [
        told(words()["bound"][status], {"fuel": fuel, "burns": burns, "measures": labels})
        for (fuel, status, burns), labels in grouped.items()
    ]
    items = bullets([*told_bounds, *reached_sentences(data)])
    title = "Known only as 'at least' or 'at most', and temperatures never reached"
    return [heading(title, "bounds"), items] if items else []


def reached_sentences(data: ReportData) -> list[str]:
    """Return for each temperature that some burns did not reach how many of each fuel's did, and what that settles."""
    said, rows, limited = [], _not_always_reached(data), False
    for metric, own in rows.groupby("metric", sort=False):
        each = [data.said("reached_of", name=data.name(row.fuel), row=row) for row in own.itertuples()]
        some = own["reached"].sum()
        said.append(data.said("reached", at=own["at"].iloc[0], some=some, each="; ".join(each)))
        pairs = data.rows("reached_pairs", str(metric))
        over: dict[tuple[str, str], list[str]] = {}
        for row in () if data.interim or data.bare else pairs[pairs["verdict"] == "different"].itertuples():
            more, less = (row.a, row.b) if row.direction == "a" else (row.b, row.a)
            more_often = f"{data.name(str(more))} (p {p_is(row.p_adjusted)})"
            these = data.bags_or_charges if row.scope == THESE_BAGS else ""
            over.setdefault((data.name(str(less)), these), []).append(more_often)
        for (less, these), names in over.items():
            said.append(data.said("reached_more", less=less, more=names, these=these))
            limited |= bool(these)
    if any("(p " in each for each in said):
        said.append(data.said("reached_p", unevenly=rows["bags_disagree"].any(), limited=limited))
    return said


def _not_always_reached(data: ReportData) -> pd.DataFrame:
    rows = data.in_order(data.table("reached"))
    rows = rows[rows["metric"].isin(set(rows.loc[rows["reached"] < rows["n"], "metric"]))]
    return rows.assign(at=[data.label(metric).removeprefix("time to ") for metric in rows["metric"]])


def conditions_table(data: ReportData, only: tuple[str, ...] = ()) -> Html | None:
    """Return the table of burns, bags, days and mean recorded conditions, and ash, fuels side by side."""
    sheet = data.sheet[data.sheet["burn"].isin(data.compared)]
    means = {name: data.recorded(name) for name in CONDITIONS}
    means["ash"] = data.rows("means", "ash").set_index("fuel")["mean"]
    rows = []
    for player in data.cast.only(only) if only else data.cast:
        own = sheet[sheet["fuel"] == player.id]
        row: dict[str, object] = {"name": player.name, "burns": len(own)}
        row["bags"] = data.burned[player.id].bags or math.nan
        row["days"] = own["day"].replace("", None).nunique() or math.nan
        rows.append(row | {name: float(each.get(player.id, math.nan)) for name, each in means.items()})
    made = pd.DataFrame(rows).assign(places=None)
    return table_of("conditions", made, data.units, data=data)


def declared_table(data: ReportData) -> Html | None:
    """Return what the trial file declares of each fuel: kind, wood, additives, price, laboratory figures."""
    burned = {player.id for player in data.cast}
    rows = [
        {**fuel.model_dump(), **fuel.lab.model_dump(), "name": fuel.label}
        | {"price_date": str(fuel.price_date or ""), "hazards": ", ".join(fuel.hazards)}
        for fuel in data.trial.fuels
        if fuel.id in burned
    ]
    return table_of("declared", pd.DataFrame(rows), data.units, currency=data.trial.currency)


def limits_table(data: ReportData) -> Html | None:
    """Return laboratory figures beside the limits for the fuel's kind, or None where no figure is declared."""
    kinds = words()["limits"]["kind"].items()
    rows = [
        (fuel.label, name.replace("_", " "), figure, f"{limit}\u00a0%", fuel.lab.method or UNSTATED)
        for fuel in data.trial.fuels
        for name, limit in next((own for kind, own in kinds if kind in fuel.kind.lower()), {}).items()
        if (figure := getattr(fuel.lab, name)) is not None
    ]
    made = pd.DataFrame(rows, columns=["name", "figure", "value", "limit", "method"])
    return table_of("limits", made, data.units, edition=words()["limits"]["edition"])


def ordered_cast(data: ReportData, metric: str) -> Cast | None:
    """Return the fuels in the order of a metric's means; None where no order may be shown."""
    rows = data.rows("ladder", metric).sort_values("place", ascending=data.spec(metric).better != "less")
    apart = data.rows("comparisons", metric)["verdict"].isin(["cannot be separated", "no repeats"]).any()
    if data.interim or data.singles or apart or len(rows) < 3:
        return None
    return Cast(tuple(data.cast[fuel] for fuel in rows["fuel"]))


def order_words(data: ReportData, metric: str) -> str:
    """Return the fuels in order in words, and which are not distinguishable; '' where no order may be shown."""
    cast = ordered_cast(data, metric)
    if cast is None:
        return ""
    groups: dict[str, list[str]] = {}
    for player, brackets in zip(cast, data.brackets(metric, cast), strict=True):
        for number in brackets:
            groups.setdefault(number, []).append(player.name)
    joined = "; ".join(map(listed, groups.values()))
    apart = f"Not distinguishable: {joined}." if joined else "Each differs from every other."
    return f"In order: {', '.join(player.name for player in cast)}. {apart}"


def values_drawing(data: ReportData, metric: str, only: tuple[str, ...] = ()) -> Drawing:
    """Return the drawing of one metric: every burn by its bag, means with intervals, brackets where an order stands."""
    unit, cast = data.spec(metric).unit, data.cast.only(only) if only else data.cast
    order = None if only else ordered_cast(data, metric)
    cast = order or cast
    ids = [player.id for player in cast]
    burns, means = data.values_of(metric), data.rows("means", metric)
    short = (burns["status"] == "never").any() and data.has_values(metric)
    burns = burns[burns["status"].isin(KNOWN) & burns["value"].notna() & burns["fuel"].isin(ids)]
    burns = data.as_shown(burns, unit, "value")
    means = data.as_shown(means[means["fuel"].isin(ids)], unit, "mean", "low", "high")
    joined = data.brackets(metric, cast) if order else []
    used = {fuel: n for fuel, n in data.used(metric).items() if fuel in ids}
    brackets = means["fuel"].map(dict(zip(ids, map(" ".join, joined), strict=False)))
    rows = stacked(
        burns[["fuel", "bag", "burn", "value", "status"]].assign(what="burn"),
        means[["fuel", "mean", "low", "high", "n", "bags"]]
        .rename(columns={"mean": "value"})
        .assign(what="mean", brackets=brackets),
    )
    return figure_of(
        data, "values", " ".join([metric, *only]), rows,
        partial(fuel_values, burns, means, cast, data.axis(metric), joined),
        measure=data.label(metric),
        values=_alt(data, means, burns, unit, cast),
        order=order_words(data, metric) if order else "",
        bars=bool(means["low"].notna().any()),
        no_bars=data.said("no_bars"),
        bounds=(burns["status"] != "exact").any(),
        short=short,
        brackets=any(joined),
        **data.n_parts(used),
    )  # fmt: skip


def _alt(data: ReportData, means: pd.DataFrame, burns: pd.DataFrame, unit: str, cast: Cast) -> str:
    told, named = [], partial(with_unit, unit=data.unit(unit))
    for player in cast:
        row = means[means["fuel"] == player.id]
        values = burns[burns["fuel"] == player.id]
        n = f"{len(values)} burn{'s' * (len(values) != 1)}"
        if len(row) and row["low"].notna().all():
            mean, low, high = (float(row[name].iloc[0]) for name in ("mean", "low", "high"))
            middle = named(plain(mean, places(low, high)))
            told.append(f"{player.name}: mean {middle}, interval {range_words(low, high)}, {n}")
        elif len(values):
            bound, ends = ends_known(values)
            known = " ".join(filter(None, [bound, named(" to ".join(map(plain, ends)))]))
            told.append(f"{player.name}: {known}, {n}")
        else:
            told.append(f"{player.name}: no value")
    return "; ".join(told) + "."


def fuel_values(
    burns: pd.DataFrame, means: pd.DataFrame, cast: Cast, axis: Axis, joined: list[list[str]], frame: Frame
) -> Figure:
    """Return a row per fuel: burns as marks, those of one bag joined, the mean and its interval above them.

    Parameters
    ----------
    burns
        fuel, bag, value (as shown), status ('at least' and 'at most' drawn as arrows).
    means
        fuel, mean, low, high (as shown; blank limits where there are none).
    cast
        Fuels in the order drawn.
    joined
        For each of them the numbers of its brackets; none where no order is shown.
    """
    numbers = sorted({number for group in joined for number in group}, key=int)
    layout = RowLayout(row=0.48, right=0.3 + 0.17 * len(numbers))
    figure, axes = rows_canvas([player.name for player in cast], axis, frame, layout)
    dot: dict[str, Any] = {"linestyle": "none", "markeredgewidth": 0, "color": frame.soft, "zorder": 3}
    thin: dict[str, Any] = {"colors": frame.soft, "linewidths": frame.pen * 0.7, "zorder": 2}
    for row, player in enumerate(cast):
        own = burns[burns["fuel"] == player.id]
        bags = own["bag"].drop_duplicates().tolist()
        place = own["bag"].map({bag: row + 0.02 + 0.4 * i / (len(bags) + 1) for i, bag in enumerate(bags, 1)})
        ends = own["value"].groupby(place, sort=False).agg(["min", "max"])
        axes.hlines(ends.index, ends["min"], ends["max"], **thin)
        for status, mark in (("exact", "o"), ("at least", ">"), ("at most", "<")):
            here = own["status"] == status
            if here.any():
                axes.plot(own["value"][here], place[here], marker=mark, markersize=frame.small * 0.42, **dot)
        for each in means[means["fuel"] == player.id].itertuples(index=False):
            hue, height = frame.fuel(player.place), row - 0.16
            bar(axes, each.low, each.high, height, hue, frame.pen * 2.6, zorder=4)
            axes.plot([each.mean], [height], player.marker, color=hue, markersize=frame.small * 0.8, zorder=5)
    _brackets(axes, joined, numbers, frame)
    return figure


def _brackets(axes: Axes, joined: list[list[str]], numbers: list[str], frame: Frame) -> None:
    step = (0.17 * frame.small / 8) / (axes.get_position().width * size_of(axes)[0])
    style: dict[str, Any] = {"color": frame.ink, "linewidth": frame.pen * 1.3, "clip_on": False}
    style["transform"] = axes.get_yaxis_transform()
    for column, number in enumerate(numbers):
        rows = [row for row, group in enumerate(joined) if number in group]
        x = 1 + step * (column + 1)
        axes.plot([x, x], [rows[0] - 0.16, rows[-1] - 0.16], **style)
        for row in rows:
            axes.plot([x - 0.3 * step, x], [row - 0.16] * 2, **style)


@topic("cooks", "Which fuel for which cook")
def cooks(data: ReportData) -> list[object]:
    """Return for each cook what was found at that cook's setting, or what the burns can and cannot tell."""
    wanted = [m for m in data.metrics if m.partition(":")[0] == "time_above" and data.has_values(m)]
    above = f"{listed(list(map(data.label, wanted)))} (in the first table or the appendix)"
    found = data.table("cooks").dropna(subset=["value"])
    parts: list[object] = []
    silent = []
    for place, cook in enumerate(data.trial.cooks, 1):
        own = found[found["cook"] == cook.name]
        if not len(own):
            silent.append(f"{cook.name} ({_held(data, cook)})")
            continue
        needs = f"Needs {_held(data, cook)}: a temperature of the cooker, not of the food."
        rows = data.in_order(own)
        order = list(dict.fromkeys(rows["quantity"]))
        rows = rows.sort_values("quantity", key=lambda names, of=order: names.map(of.index), kind="stable")
        whole = (rows[["value", "low", "high"]].astype(float) % 1 == 0).all(axis=1)
        digits = row_places(rows)
        digits = digits and [0 if is_whole else each for is_whole, each in zip(whole, digits, strict=True)]
        what = [with_unit_after(capital(row.quantity), row.unit) for row in rows.itertuples(index=False)]
        parts += [heading(cook.name, f"cook-{place}"), needs]
        parts += [rows_table(data, "cook", rows.assign(what=what, places=digits))]
        parts += dict.fromkeys(filter(None, own["note"].fillna("")))
    told_alone = data.said("cooks", found=above if wanted else "peak and curve alone")
    return [*parts, data.said("no_setting", silent=silent), told_alone]


def _held(data: ReportData, cook: Cook) -> str:
    ends = []
    for us in data.units.systems():
        low, high = (plain(convert(value, "°C", us), 0) for value in (cook.low, cook.high))
        ends.append(f"{low} to {high}\u00a0{'°F' if us else '°C'}")
    return ", ".join(ends) + (f" for {duration(60 * cook.hours)}" if cook.hours else "")


def scores_sentences(data: ReportData) -> list[Html | None]:
    """Return what is settled of the scores, and how many comparisons are not; nothing where nobody scored."""
    rows = data.table("scores")
    if not len(rows):
        return []
    told, every = [], data.table("score_pairs")
    for attribute in dict.fromkeys(rows["attribute"]):
        pairs = every[every["attribute"] == attribute]
        apart = pairs[pairs["verdict"] == "different"]
        for row in apart.itertuples(index=False):
            low, high = sorted((abs(100 * row.low), abs(100 * row.high)))
            ends = {"by": abs(100 * row.difference), "low": low, "high": high, "higher": row.difference > 0}
            told.append(
                data.said("scored_apart", of=attribute, a=data.name(row.a), b=data.name(row.b), **ends)
            )
        rest = len(pairs) - len(apart)
        told.append(data.said("scored_alike", of=attribute, rest=rest, other=len(apart)))
    by = data.said("scored_by", scores=rows["scores"].sum(), tasters=rows["tasters"].max())
    return [heading("What people scored", "scored"), bullets(filter(None, told)), label(by)]


def scores_html(data: ReportData) -> list[Html | str | None]:
    """Return the scores of each attribute with their intervals and n; nothing where nobody scored."""
    rows, pairs = data.in_order(data.table("scores")), data.table("score_pairs")
    if not len(rows):
        return []
    pairs = pairs.assign(**{name: 100 * pairs[name].astype(float) for name in ("difference", "low", "high")})
    parts: list[Html | str | None] = [heading("What people scored", "scores"), data.said("scored")]
    for attribute, own in rows.groupby("attribute", sort=False):
        parts.append(rows_table(data, "scores", own, attribute=attribute, tasters=own["tasters"].max()))
        against = pairs[pairs["attribute"] == attribute]
        parts.append(rows_table(data, "score_pairs", against, attribute=attribute))
    spreads = (
        data.said("scores_spread", row=row, of=called("scores", row.source))
        for row in data.table("tasters").itertuples(index=False)
    )
    return [*parts, bullets(spreads)]

"""Where the variation comes from, and what another bag will do."""

import re
from functools import partial
from typing import Final

import numpy as np
import pandas as pd

from kit.judge.self_check import fell_short
from kit.page.shown_numbers import of_hundred, plain, with_unit, with_unit_after
from kit.page.text import Html
from kit.publish.canvas import Axis, Cast, Figure, Frame, RowLayout, bar, rows_canvas
from kit.publish.drawing import Drawing, figure_of
from kit.publish.report_data import ReportData
from kit.publish.sections.section import bullets, heading, label, rows_table, to_appendix, topic
from kit.publish.wording import called, places, range_words, threshold
from kit.schema import UNDECIDED

MOST_CHANCES: Final = 4
WITHIN: Final = ("between bags", "between days")


@topic("variation", "Where the variation comes from")
def variation(data: ReportData) -> list[object]:
    """Return the spread by source with intervals, and what one burn of a new bag will do."""
    if data.bare:
        return [data.said("unknown_spread")]
    metrics, chances = _metrics(data), chances_words(data)
    next_bag = next_bag_drawing(data, metrics[0]) if metrics else None
    return [
        data.said("spread"),
        [spread_drawing(data, metric) for metric in metrics],
        at_zero(data, metrics),
        heading("The next bag", "next-bag"),
        next_bag,
        bullets(chances),
        label(f"In brackets: {data.percent} intervals of that number.") if chances else None,
        None if next_bag else data.said("no_prediction"),
        to_appendix("Every source of every measure, shares and repeatability", "variation-tables"),
    ]


@topic("variation-tables", "Variation and predictions: every measure", "appendix")
def variation_tables(data: ReportData) -> list[object]:
    """Return for the appendix the spread of each measure by source, shares, ISO 5725 terms, and all predictions.

    Of a new bag: where one burn of it will fall, and how often one of the first fuel gives more than of the second.
    """
    if data.bare:
        return [data.said("unknown_spread")]
    shares, chances = data.table("shares"), data.table("chances")
    sources = [source_name(part, data) for part in shares["component"]]
    predicted = data.in_units(data.table("next_bag").dropna(subset=["low", "high"]), "mean", "low", "high")
    named = zip(predicted["metric"], predicted["unit"], strict=True)
    what = [with_unit_after(data.title(metric), data.unit(unit)) for metric, unit in named]
    of_hundreds = {name: chances[name].map(of_hundred) for name in ("chance", "low", "high")}
    return [
        [components_html(data, metric) for metric in data.metrics],
        rows_table(data, "shares", shares.assign(source=sources)),
        [next_bag_drawing(data, metric) for metric in _metrics(data)[1:]],
        rows_table(data, "next_bag", predicted.assign(what=what)),
        None if data.interim else rows_table(data, "chances", chances.assign(places=0, **of_hundreds)),
    ]


def _metrics(data: ReportData) -> list[str]:
    return list(data.primary) or list(data.metrics[:1])


def source_name(component: str, data: ReportData) -> str:
    """Return a source of variation in words; 'burn:GROUP' where spread differs by group."""
    stem, _, group = str(component).partition(":")
    words = called("source", stem, str(component))
    if stem == "burn" and not data.bags:
        words = "between burns"
    return f"{words} ({data.name(group)})" if group else words


def spread_table(data: ReportData, metric: str) -> pd.DataFrame:
    """Return the components of a metric as shown: per cent on the log scale, else units as shown."""
    spec = data.spec(metric)
    rows = data.rows("components", metric).reset_index(drop=True)
    rows = rows.assign(label=[source_name(part, data) for part in rows["component"]])
    names = ["sd", "low", "high"]
    if spec.scale == "log":
        with np.errstate(over="ignore"):  # one fuel of two burns may leave an SD without any end
            return rows.assign(**100 * np.expm1(rows[names].astype(float)))
    return data.as_shown(rows, spec.unit, *names, difference=True)


def components_html(data: ReportData, metric: str) -> Html | None:
    """Return the table of a metric's spread by source, with the terms of ISO 5725."""
    rows = spread_table(data, metric)
    if not len(rows):
        return None
    unit, iso = data.difference_unit(metric), ""
    digits = max(places(row.low, row.high) for row in rows.itertuples(index=False))
    # repeatability and intermediate precision, where they were found and are not zero
    s_r = float(rows.loc[rows["component"] == "burn", "sd"].max())
    if round(s_r, digits + 1) > 0:
        whole = float((rows.loc[rows["component"].isin(["burn", "bag", "day"]), "sd"] ** 2).sum() ** 0.5)
        # r = 2.8 s_r, ISO 5725-6
        found = {"s_r": s_r, "limit": 2.8 * s_r, "whole": whole}
        shown = {name: with_unit(plain(each, digits + 1), unit) for name, each in found.items()}
        iso = data.said("iso", **shown)
    parts = {"spread": with_unit_after("spread", unit), "iso": iso}
    return rows_table(data, "spread", rows.assign(places=digits), **parts)


def at_zero(data: ReportData, metrics: list[str]) -> list[str]:
    """Return where a source was found at zero, with what is not ruled out: a sentence per source and its measures."""
    told: dict[str, list[str]] = {}
    for metric in metrics:
        rows, short = spread_table(data, metric), _held_too_seldom(data, metric)
        for row in rows[rows["at_boundary"].fillna(False).astype(bool)].itertuples(index=False):
            parts = {"high": row.high, "unit": data.difference_unit(metric), "held": short.get(row.component)}
            limit = f"{data.label(metric)} {data.said('not_ruled_out', **parts)}".strip()
            told.setdefault(source_name(row.component, data), []).append(limit)
    return [data.said("at_zero", source=of, within=of in WITHIN, measures=told[of]) for of in told]


def _held_too_seldom(data: ReportData, metric: str) -> dict[str, str]:
    """Return for each source whose interval fell short in the self-check how many of 100 held the truth."""
    rows = fell_short(data.rows("self_check", metric)).dropna(subset=["component"])
    return dict(zip(rows["component"], rows["share"].map(of_hundred), strict=True))


def chances_words(data: ReportData) -> list[str]:
    """Return for a shopper the chance that a new bag of one fuel beats a new bag of another, with its interval."""
    if data.interim:
        return []
    rows, control = data.of_primary(data.table("chances")), data.trial.control_fuel
    if control in {*rows["a"], *rows["b"]}:
        rows = rows[(rows["a"] == control) | (rows["b"] == control)]
    ranked = rows.assign(far=(rows["chance"].astype(float) - 0.5).abs())
    ranked = ranked.sort_values("far", ascending=False, kind="stable").head(MOST_CHANCES)
    told = []
    for row in ranked.itertuples(index=False):
        # 'would peak hotter in about 97 of 100 such pairs (86 to over 99)'
        spec = data.spec(row.metric)
        a, b, chance, low, high = row.a, row.b, float(row.chance), float(row.low), float(row.high)
        if chance < 0.5:
            a, b, chance, low, high = b, a, 1 - chance, 1 - high, 1 - low
        words = spec.phrases.chance.format(at=threshold(spec, data.units))
        often, limits = of_hundred(chance), " to ".join(dict.fromkeys(map(of_hundred, (low, high))))
        often = f"about {often}" if often.isdigit() else often
        parts = {"a": data.name(a), "b": data.name(b), "does": words, "often": often, "limits": limits}
        told.append(data.said("chance", **parts, open=row.verdict in UNDECIDED))
    return told


def spread_drawing(data: ReportData, metric: str) -> Drawing | None:
    """Return the drawing of where the variation of a metric comes from, or None where nothing is known."""
    rows = spread_table(data, metric)
    if not len(rows):
        return None
    words, unit, used = data.label(metric), data.difference_unit(metric), data.used(metric)
    sds = [
        f"{row.label} {plain(row.sd, digits)} {unit}, interval {range_words(row.low, row.high)}"
        for row in rows.itertuples(index=False)
        for digits in [places(row.low, row.high) if np.isfinite(row.high - row.low) else 1]
    ]
    second = "" if unit == "%" else data.second_scale(data.spec(metric).unit, difference=True)
    drawn = rows[["component", "label", "sd", "low", "high", "level", "method", "at_boundary"]]
    draw = partial(spreads, rows, Axis(with_unit_after(f"spread of {words}", unit), second))
    short = [f"{source_name(source, data)} {n}" for source, n in _held_too_seldom(data, metric).items()]
    parts = {"measure": words, "sds": "; ".join(sds), "short": short, **data.n_parts(used)}
    return figure_of(data, "spread", metric, drawn, draw, **parts)


def spreads(rows: pd.DataFrame, axis: Axis, frame: Frame) -> Figure:
    """Return a bar per source of variation with its interval.

    Parameters
    ----------
    rows
        label, sd, low, high (as shown; a blank high where it has no limit).
    """
    layout = RowLayout(row=0.3, right=0.4, longest=34 if frame.film else 46)
    figure, axes = rows_canvas(rows["label"].tolist(), axis, frame, layout)
    axes.barh(range(len(rows)), rows["sd"], height=0.5, color=frame.mark, alpha=0.35, linewidth=0)
    for row, each in enumerate(rows.itertuples(index=False)):
        bar(axes, each.low, each.high, row, frame.ink, frame.pen * 1.6)
        axes.plot([each.sd, each.sd], [row - 0.25, row + 0.25], color=frame.mark, linewidth=frame.pen * 2.4)
    axes.set_xlim(left=0)
    return figure


def next_bag_drawing(data: ReportData, metric: str) -> Drawing | None:
    """Return the drawing of what one burn of a new bag will do, or None where nothing can be said."""
    rows = data.in_order(data.rows("next_bag", metric).dropna(subset=["low", "high"]))
    if not len(rows):
        return None
    unit, words = data.spec(metric).unit, data.label(metric)
    means = data.rows("means", metric).set_index("fuel")
    rows = rows.assign(**{f"mean_{end}": rows["fuel"].map(means[end]) for end in ("low", "high")})
    names = ("mean", "low", "high", "mean_low", "mean_high")
    rows = data.as_shown(rows, unit, *names)
    covers = re.sub("(bag|burn|day)", r"\1s", str(rows["covers"].iloc[0])) or "bags and burns"
    ranges = [
        f"{data.name(row.fuel)}: {range_words(row.low, row.high)} {data.unit(unit)}".strip()
        for row in rows.itertuples(index=False)
    ]
    used = {fuel: n for fuel, n in data.used(metric).items() if fuel in set(rows["fuel"])}
    draw = partial(next_bags, rows, data.cast.only(tuple(rows["fuel"])), data.axis(metric))
    parts = {"measure": words, "ranges": "; ".join(ranges), "covers": covers}
    parts |= data.n_parts(used)
    return figure_of(data, "next bag", metric, rows[["fuel", *names, "covers"]], draw, **parts)


def next_bags(rows: pd.DataFrame, cast: Cast, axis: Axis, frame: Frame) -> Figure:
    """Return a row per fuel: where one burn of a new bag will fall (wide), and the mean's interval (narrow).

    Parameters
    ----------
    rows
        fuel, mean, low, high (of a new burn), mean_low, mean_high; as shown.
    """
    layout = RowLayout(above=0.7, row=0.32, right=0.3)
    figure, axes = rows_canvas([player.name for player in cast], axis, frame, layout)
    for row, player in enumerate(cast):
        hue = frame.fuel(player.place)
        for each in rows[rows["fuel"] == player.id].itertuples(index=False):
            bar(axes, each.low, each.high, row, hue, frame.pen * 6, alpha=0.35)
            bar(axes, each.mean_low, each.mean_high, row, hue, frame.pen * 2.6)
            axes.plot([each.mean], [row], marker=player.marker, color=hue, markersize=frame.small * 0.8)
    return figure

"""Fuel by fuel: values with error bars, bags and burns visible, in order where one may be shown; conditions, price."""

from __future__ import annotations

import math
import tomllib
from functools import cache, partial
from importlib import resources
from typing import TYPE_CHECKING, Any, Final

from kit.page.numbers import plain
from kit.page.tables import Col, table
from kit.page.text import Html
from kit.publish.figures.canvas import canvas, fewer_ticks, name_axis, room_for, room_for_axis, short, size_of
from kit.publish.figures.drawing import Drawing
from kit.publish.figures.look import Axis, Cast, Frame, Look, Player
from kit.publish.prices import price_metric
from kit.publish.report_data import ReportData, n_note, n_words, report_data
from kit.publish.sections.scored import scores_html, scores_sentences
from kit.publish.sections.section import (
    Section,
    bullets,
    heading,
    numbers,
    paragraph,
    section,
    shown,
    to_appendix,
)
from kit.publish.wording import capital, listed, places, row_places

if TYPE_CHECKING:
    import pandas as pd
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

KEPT: Final = ("exact", "at least", "at most")
CONDITIONS: Final = (
    ("charge_g", "charge", "g"),
    ("ambient_c", "air", "°C"),
    ("wind_m_s", "wind", "m/s"),
    ("humidity_pct", "humidity", "%"),
)


def fuels(analysis: Any) -> Section:
    """Return each fuel's values with error bars, bags and burns inside, and what was burned under which conditions."""
    data = report_data(analysis)
    drawings = [values_drawing(data, metric) for metric in data.primary if data.has_values(metric)]
    told = (
        "Every fuel was burned once: its value stands alone, without an error bar."
        if data.bare
        else "Error bars here are each fuel's own; whether two fuels differ is judged once all planned burns are done."
        if data.interim
        else "Error bars here are each fuel's own; whether two fuels differ is judged under 'Comparisons'."
    )
    parts = [
        paragraph(told),
        *(shown(drawing) for drawing in drawings),
        *bounds_sentences(data),
        *scores_sentences(data),
        conditions_table(data),
        to_appendix("Every measure of every fuel, what people scored and what is declared", "fuels-tables"),
    ]
    return section("fuels", "Fuel by fuel", parts, drawings)


def fuel_tables(analysis: Any) -> Section:
    """Return for the appendix every measure fuel by fuel, what was never reached, scores, declared facts and limits."""
    data = report_data(analysis)
    drawn = [
        metric
        for metric in (price_metric(data), "ash")
        if metric in data.metrics and metric not in data.primary
    ]
    if price_metric(data).startswith("cost:"):  # what the better value rests on, wherever else it is drawn
        drawn.insert(0, price_metric(data))
    drawn = [metric for metric in dict.fromkeys(drawn) if data.has_values(metric)]
    drawings = [values_drawing(data, metric) for metric in drawn]
    parts: list[object] = [
        *(means_table(data, metric) for metric in data.metrics),
        *(shown(drawing) for drawing in drawings),
        reached_table(data),
        *scores_html(data),
        heading("Price and what is declared", "declared"),
        declared_table(data),
        limits_table(data),
    ]
    return section("fuels-tables", "Fuel by fuel: every measure", parts, drawings, "appendix")


def means_table(data: ReportData, metric: str, only: tuple[str, ...] = ()) -> Html | None:
    """Return the table of a metric's means with intervals and n; of single burns their values; None without any."""
    rows = data.in_order(data.rows("means", metric))
    rows = rows[rows["fuel"].isin(only)] if only else rows
    if not len(rows):
        return None
    spec = data.spec(metric)
    used = data.used(metric)
    noted = [used[fuel][1] or math.nan if fuel in used else math.nan for fuel in rows["fuel"]]
    made = rows.assign(name=rows["fuel"].map(data.name), bags=noted)
    value = "value" if data.bare else "geometric mean" if spec.scale == "log" else "mean"
    columns = [
        Col("name", "Fuel", kind="head"),
        *numbers(("mean", value), ("low", "from"), ("high", "to"), unit=spec.unit, decimals=row_places(rows)),
        *numbers(("n", "burns"), ("bags", "bags")),
    ]
    if data.bare:
        columns = [col for col in columns if col.name not in ("low", "high")]
    note = "" if data.bare else f"From and to: {data.percent} interval of each mean, each fuel for itself."
    return table(made, capital(data.label(metric)), columns, units=data.units, note=note)


KNOWN_AS: Final = {
    "at least": "known only as 'at least': {measures}",
    "at most": "known only as 'at most': {measures}",
    "never": "burned out without reaching the temperature: no {measures}",
}


def bounds_sentences(data: ReportData) -> list[Html | None]:
    """Return which values are bounds, and which temperatures were never reached, fuel by fuel."""
    grouped: dict[tuple[str, str, tuple[str, ...]], list[str]] = {}
    shown_metrics = set(data.primary)
    rows = data.table("metrics")
    for (metric, fuel, status), own in rows[rows["metric"].isin(shown_metrics)].groupby(
        ["metric", "fuel", "status"], sort=False
    ):
        if status in KNOWN_AS:
            key = (str(fuel), str(status), tuple(map(str, own["burn"])))
            grouped.setdefault(key, []).append(data.label(str(metric)))
    told = [
        f"{capital(data.name(fuel))}, burn{'s' * (len(burns) > 1)} {listed(burns)}: "
        f"{KNOWN_AS[status].format(measures=listed(labels))}."
        for (fuel, status, burns), labels in grouped.items()
    ]
    told += reached_sentences(data)
    if not told:
        return []
    title = "Known only as 'at least' or 'at most', and temperatures never reached"
    return [heading(title, "bounds"), bullets(told)]


def reached_sentences(data: ReportData) -> list[str]:
    """Return for each temperature that some burns did not reach how many of each fuel's did, and what that settles."""
    rows, pairs = data.in_order(data.table("reached")), data.table("reached_pairs")
    told = []
    for metric, own in rows.groupby("metric", sort=False):
        if not (own["reached"] < own["n"]).any():
            continue
        each = [
            f"{data.name(row.fuel)} {int(row.reached)} of {int(row.n)}" for row in own.itertuples(index=False)
        ]
        at = data.label(str(metric)).removeprefix("time to ")
        told.append(f"Burns that reached {at}: {', '.join(each)}.")
        settled = pairs[(pairs["metric"] == metric) & (pairs["verdict"] == "different")]
        over: dict[str, list[str]] = {}
        for row in settled.itertuples() if not (data.interim or data.bare) else ():
            more, less = (row.a, row.b) if row.direction == "a" else (row.b, row.a)
            over.setdefault(str(less), []).append(data.name(str(more)))
        told += [f"More often than {data.name(less)}: {listed(names)}." for less, names in over.items()]
    return told


def reached_table(data: ReportData) -> Html | None:
    """Return how many burns reached each temperature that some did not; None where all reached all."""
    rows = data.in_order(data.table("reached"))
    rows = rows[rows["metric"].isin(set(rows.loc[rows["reached"] < rows["n"], "metric"]))]
    if not len(rows):
        return None
    made = rows.assign(
        name=rows["fuel"].map(data.name),
        label=[data.label(metric).removeprefix("time to ") for metric in rows["metric"]],
        **{name: 100 * rows[name].astype(float) for name in ("share", "low", "high")},
    )
    columns = [
        Col("name", "Fuel", kind="head"),
        *numbers(("reached", "reached"), ("n", "of burns")),
        *numbers(("share", "share"), ("low", "from"), ("high", "to"), unit="%"),
    ]
    note = (
        f"From and to: exact {data.percent} interval. Times to a temperature are compared only between fuels whose "
        "burns all reached it: never is not the same as later."
    )
    return table(made, "Burns that reached a temperature", columns, note=note, group="label")


def conditions_table(data: ReportData, only: tuple[str, ...] = ()) -> Html:
    """Return the table of burns, bags, days and mean recorded conditions, and ash, fuels side by side."""
    import pandas as pd

    sheet = data.sheet[data.sheet["burn"].isin(data.compared)]
    ash = data.rows("means", "ash").set_index("fuel")["mean"]
    rows = []
    for player in data.cast.only(only) if only else data.cast:
        own = sheet[sheet["fuel"] == player.id]
        row: dict[str, object] = {"fuel": player.name, "burns": len(own)}
        row["bags"] = data.bags_of(player.id) or float("nan")
        row["days"] = own["day"].replace("", None).nunique() or float("nan")
        row |= {name: pd.to_numeric(own[name], errors="coerce").mean() for name, _, _ in CONDITIONS}
        rows.append(row | {"ash": float(ash.get(player.id, float("nan")))})
    made = pd.DataFrame(rows)
    recorded: list[tuple[str, str, str, int | None]] = [
        (*each, None) for each in CONDITIONS if made[each[0]].notna().any()
    ]
    recorded += [("ash", "ash left", "%", 1)] if made["ash"].notna().any() else []
    columns = [Col("fuel", "Fuel", kind="head"), *numbers(("burns", ""), ("bags", ""), ("days", ""))]
    columns += [Col(name, words, unit=unit, kind="number", decimals=n) for name, words, unit, n in recorded]
    what = (
        "As noted for the one burn of each fuel."
        if data.singles
        else "Means over the burns that are compared."
    )
    note = f"{what} Fuels burned under unlike conditions are hard to compare."
    return table(made, "Burns and their conditions", columns, units=data.units, note=note)


def declared_table(data: ReportData) -> Html | None:
    """Return what the trial file declares of each fuel: kind, wood, additives, price, laboratory figures."""
    import pandas as pd

    fuels = [fuel for fuel in data.trial.fuels if fuel.id in {player.id for player in data.cast}]
    if not fuels:
        return None
    own = [
        "kind",
        "brand",
        "wood",
        "additives",
        "hazards",
        "price",
        "price_date",
        "shop",
        "bag_kg",
        "obtained",
    ]
    frame = pd.DataFrame(
        [
            {name: getattr(fuel, name, None) for name in own}
            | {name: getattr(fuel.lab, name) for name in ("moisture", "fixed_carbon", "method")}
            | {"name": fuel.label, "lab_ash": fuel.lab.ash}
            for fuel in fuels
        ]
    ).astype({"price_date": object})
    frame["price_date"] = [str(day) if day else "" for day in frame["price_date"]]
    wanted = [
        *(Col(name) for name in ("kind", "brand", "wood", "additives", "hazards")),
        Col("price", "price per bag", unit=data.trial.currency, kind="number", decimals=2),
        Col("price_date", "of"),
        Col("shop"),
        *numbers(("bag_kg", "bag"), unit="kg", decimals=1),
        Col("obtained"),
        *numbers(
            ("moisture", "moisture"), ("lab_ash", "ash, laboratory"), ("fixed_carbon", "fixed carbon"), unit="%",
            decimals=1,
        ),
        Col("method", "laboratory method"),
    ]  # fmt: skip
    kept = [col for col in wanted if frame[col.name].replace("", None).notna().any()]
    note = (
        "As declared in the trial file. Ash from a laboratory's furnace and ash from the cooker's pan differ."
    )
    columns = [Col("name", "Fuel", kind="head"), *kept]
    return table(frame, "What is declared of the fuels", columns, units=data.units, note=note)


LIMITED: Final = (
    ("moisture", "moisture", "moisture_below", "below"),
    ("ash", "ash", "ash_below", "below"),
    ("fixed_carbon", "fixed carbon", "fixed_carbon_above", "above"),
)


@cache
def standard_limits() -> dict[str, Any]:
    """Return the packaged limits of a standard, with their edition."""
    return tomllib.loads(resources.files("kit.publish").joinpath("limits.toml").read_text("utf-8"))


def limits_table(data: ReportData) -> Html | None:
    """Return laboratory figures beside the limits for the fuel's kind, or None where no figure is declared."""
    import pandas as pd

    rows = []
    for fuel in data.trial.fuels:
        kind = next((each for each in standard_limits()["kind"] if each["name"] in fuel.kind.lower()), None)
        for name, words, key, side in LIMITED if kind else ():
            if getattr(fuel.lab, name) is not None and kind is not None:
                method = fuel.lab.method or "not stated: moisture and ash basis unknown"
                limit = f"{side} {kind[key]}\u00a0%"
                rows.append((fuel.label, words, getattr(fuel.lab, name), limit, method))
    if not rows:
        return None
    made = pd.DataFrame(rows, columns=["name", "figure", "value", "limit", "method"])
    value = Col("value", "declared", unit="%", kind="number", decimals=1)
    columns = [Col("name", "Fuel", kind="head"), Col("figure"), value, Col("limit"), Col("method")]
    note = f"{standard_limits()['edition']}. For information; this is no compliance test."
    return table(made, "Laboratory figures beside a standard's limits", columns, note=note)


def ordered_cast(data: ReportData, metric: str) -> Cast | None:
    """Return the fuels in the order of a metric's means; None where no order may be shown."""
    rows = data.rows("ladder", metric).sort_values("place")
    apart = data.rows("comparisons", metric)["verdict"].isin(["cannot be separated", "no repeats"]).any()
    if data.interim or data.singles or apart or len(rows) < 3:
        return None
    less = data.spec(metric).better == "less"
    order = list(rows["fuel"])[::-1] if less else list(rows["fuel"])
    return Cast(tuple(data.cast[fuel] for fuel in order))


def order_words(data: ReportData, metric: str) -> str:
    """Return the fuels in order in words, and which are not distinguishable; '' where no order may be shown."""
    cast = ordered_cast(data, metric)
    if cast is None:
        return ""
    groups: dict[str, list[str]] = {}
    brackets = data.rows("ladder", metric).set_index("fuel")["brackets"].fillna("").astype(str)
    for player in cast:
        for number in brackets[player.id].split():
            groups.setdefault(number, []).append(player.name)
    order = ", ".join(player.name for player in cast)
    joined = "; ".join(listed(names) for names in groups.values())
    return f"In order: {order}. " + (
        f"Not distinguishable: {joined}." if joined else "Each differs from every other."
    )


def values_drawing(data: ReportData, metric: str, only: tuple[str, ...] = ()) -> Drawing:
    """Return the drawing of one metric: every burn by its bag, means with intervals, brackets where an order stands."""
    spec = data.spec(metric)
    order = None if only else ordered_cast(data, metric)
    cast = order or (data.cast.only(only) if only else data.cast)
    names = [player.id for player in cast]
    burns = data.values_of(metric)
    burns = burns[burns["status"].isin(KEPT) & burns["value"].notna() & burns["fuel"].isin(names)]
    means = data.rows("means", metric)
    means = means[means["fuel"].isin(names)]
    values = {name: data.shown(means[name], spec.unit) for name in ("mean", "low", "high")}
    burns, means = burns.assign(value=data.shown(burns["value"], spec.unit)), means.assign(**values)
    brackets = (
        data.rows("ladder", metric).set_index("fuel")["brackets"].fillna("").astype(str) if order else {}
    )
    joined = [brackets[player.id] for player in cast] if order else []
    used = {fuel: n for fuel, n in data.used(metric).items() if fuel in names}
    several = "burns; those on one line are of one bag" if data.bags and not data.singles else "burns"
    told = [f"Small grey dots: {several} ({n_words(used, _names(cast))})."]
    if means["low"].notna().any():
        told.append(f"Large mark and bar: mean with its {data.percent} interval, each fuel for itself.")
    else:
        told.append("No bars: without repeated burns there is no error bar.")
    if (burns["status"] != "exact").any():
        told.append("Triangles: burns of which only a lower (▸) or an upper (◂) bound is known.")
    if any(joined):
        told.append(
            f"Brackets at the right join fuels that the comparisons, all taken together at {data.percent}, cannot "
            "distinguish: within a bracket the order may be chance."
        )
    bar = f"bar: {data.percent} interval; " if means["low"].notna().any() else ""
    return Drawing(
        id=" ".join(["values", metric, *only]),
        title=f"{capital(data.label(metric))}, fuel by fuel",
        alt=f"{capital(data.label(metric))}, one row per fuel. {_alt(data, means, burns, spec.unit, cast)} "
        f"{order_words(data, metric) if order else ''}".strip(),
        caption=" ".join(told),
        headline=capital(data.label(metric)),
        note=f"{bar}{n_note(list(used.values()))}",
        data=_values_data(burns, means, dict(zip(names, joined, strict=False))),
        draw=partial(fuel_values, burns, means, cast, data.axis(metric), joined),
        simulated=data.simulated,
    )


def _names(cast: Cast) -> dict[str, str]:
    return {player.id: player.name for player in cast}


def _values_data(burns: pd.DataFrame, means: pd.DataFrame, brackets: dict[str, str]) -> pd.DataFrame:
    import pandas as pd

    mean_part = means[["fuel", "mean", "low", "high", "n", "bags"]].rename(columns={"mean": "value"})
    mean_part = mean_part.assign(what="mean", brackets=mean_part["fuel"].map(brackets))
    burn_part = burns[["fuel", "bag", "burn", "value", "status"]].assign(what="burn")
    kept = [part for part in (burn_part, mean_part) if len(part)]
    return pd.concat(kept, ignore_index=True) if kept else burn_part


def _alt(data: ReportData, means: pd.DataFrame, burns: pd.DataFrame, unit: str, cast: Cast) -> str:
    told, named = [], data.unit(unit)
    for player in cast:
        row = means[means["fuel"] == player.id]
        values = burns.loc[burns["fuel"] == player.id, "value"]
        n = f"{len(values)} burn{'s' * (len(values) != 1)}"
        if len(row) and row["low"].notna().all():
            mean, low, high = (float(row[name].iloc[0]) for name in ("mean", "low", "high"))
            digits = places(low, high)
            limits = f"{plain(low, digits)} to {plain(high, digits)}"
            told.append(f"{player.name}: mean {plain(mean, digits)} {named}, interval {limits}, {n}".strip())
        elif len(values):
            told.append(f"{player.name}: {plain(values.min())} to {plain(values.max())} {named}, {n}")
        else:
            told.append(f"{player.name}: no value")
    return "; ".join(told) + "."


def fuel_values(
    burns: pd.DataFrame,
    means: pd.DataFrame,
    cast: Cast,
    axis: Axis,
    joined: list[str],
    look: Look,
    frame: Frame,
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
        For each of them the numbers of its brackets, parted by spaces; none where no order is shown.
    """
    numbers = sorted({number for text in joined for number in text.split()}, key=int)
    left, top = room_for(player.name for player in cast), 0.15 + room_for_axis(axis)
    margins = (left, 0.3 + 0.17 * len(numbers), 0.5, top)
    figure, (axes,) = canvas(look, frame, 0.75 + 0.48 * max(len(cast), 2), margins=margins)
    for row, player in enumerate(cast):
        _bags(axes, burns[burns["fuel"] == player.id], row, look, frame)
        for each in means[means["fuel"] == player.id].itertuples(index=False):
            _mean(axes, each, row - 0.16, player, look, frame)
    fuel_rows(axes, cast, look)
    _brackets(axes, joined, numbers, look, frame)
    name_axis(axes, "x", axis, look, frame)
    fewer_ticks(axes, frame, x=8)
    return figure


def _bags(axes: Axes, burns: pd.DataFrame, row: int, look: Look, frame: Frame) -> None:
    bags = burns["bag"].drop_duplicates().tolist()
    place = burns["bag"].map(
        {bag: row + 0.02 + 0.4 * (i + 1) / (len(bags) + 1) for i, bag in enumerate(bags)}
    )
    ends = burns["value"].groupby(place, sort=False).agg(["min", "max"])
    axes.hlines(ends.index, ends["min"], ends["max"], colors=look.soft, linewidths=frame.line * 0.7, zorder=2)
    style: dict[str, Any] = {"linestyle": "none", "markeredgewidth": 0, "color": look.soft, "zorder": 3}
    for status, mark in (("exact", "o"), ("at least", ">"), ("at most", "<")):
        here = burns["status"] == status
        if here.any():
            axes.plot(burns["value"][here], place[here], marker=mark, markersize=frame.small * 0.42, **style)


def _mean(axes: Axes, mean: Any, height: float, player: Player, look: Look, frame: Frame) -> None:
    hue = look.fuel(player.place)
    axes.plot([mean.low, mean.high], [height] * 2, color=hue, linewidth=frame.line * 2.6, zorder=4)
    axes.plot([mean.mean], [height], marker=player.marker, color=hue, markersize=frame.small * 0.8, zorder=5)


def fuel_rows(axes: Axes, cast: Cast, look: Look) -> None:
    """Give axes a row per fuel, the first at the top, named at the left."""
    axes.set_ylim(len(cast) - 0.45, -0.55)
    axes.set_yticks(range(len(cast)))
    axes.set_yticklabels([short(player.name) for player in cast], color=look.ink, parse_math=False)
    axes.tick_params(axis="y", length=0)
    axes.spines["left"].set_visible(False)


def _brackets(axes: Axes, joined: list[str], numbers: list[str], look: Look, frame: Frame) -> None:
    step = (0.17 * frame.small / 8) / (axes.get_position().width * size_of(axes)[0])
    style: dict[str, Any] = {"color": look.ink, "linewidth": frame.line * 1.3, "clip_on": False}
    style["transform"] = axes.get_yaxis_transform()
    for column, number in enumerate(numbers):
        rows = [row for row, text in enumerate(joined) if number in text.split()]
        x = 1 + step * (column + 1)
        axes.plot([x, x], [rows[0] - 0.16, rows[-1] - 0.16], **style)
        for row in rows:
            axes.plot([x - 0.3 * step, x], [row - 0.16] * 2, **style)

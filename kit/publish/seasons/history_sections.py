"""The sections of a history with their figures, in the order of its page."""

from __future__ import annotations

from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from kit.history import History, MetricHistory
from kit.history.comparability import BY_CONTROL, DIRECTLY, NOT, main_probe
from kit.history.control_chart import DRAWS, FALSE_ALARMS, LEVEL_RULES, RULES, SEED
from kit.history.history import OF_COOKER, OF_PROBE
from kit.page.html_tables import cols, numbers, table
from kit.page.shown_numbers import Units, plain
from kit.page.text import Html
from kit.publish.figures.canvas import (
    LONGEST,
    Axis,
    Frame,
    Look,
    RowLayout,
    canvas,
    fewer_ticks,
    rows_canvas,
    short,
)
from kit.publish.figures.drawing import Drawing
from kit.publish.provenance import trace
from kit.publish.seasons.history_tables import chart_table, seasons_table, tables_of
from kit.publish.seasons.history_words import MetricWords, metrics_of
from kit.publish.sections.endmatter import inputs_html, versions_html
from kit.publish.sections.how import paragraph_of
from kit.publish.sections.section import Section, bullets, folded, heading, label, paragraph, section
from kit.publish.wording import capital, counted, label_of, listed, number_word, places, with_unit_after

if TYPE_CHECKING:
    import pandas as pd
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

MOST_NAMES = 8


def seasons_sections(history: History, place: str, reports: list[str], output: str = "") -> list[Section]:
    """Return every section of the page: answer, chart, drift, repeatability, fuels, seasons, method, provenance."""
    made = (answer, control, drift, repeatability, again, fuels, differently)
    return [*(make(history) for make in made), method(), provenance(place, reports, output)]


def answer(history: History) -> Section:
    """Return the findings in plain words."""
    seasons, metrics = seasons_table(history), metrics_of(history)
    first = min(filter(None, seasons["first_day"]), default="")
    days = f", from {first} to {seasons['last_day'].max()}" if first else ""
    burns = counted(int(seasons["burns"].sum()), "burn")
    simulated = ", ".join(season.name for season in history.seasons if season.simulated)
    warning = f"Simulated burns: {simulated}. They show how a history reads and say nothing of real fuels."
    told = [*map(_level, metrics), *map(_changed, metrics), _how_many(metrics[0])]
    parts = [
        paragraph(warning, kind="warning") if simulated else None,
        f"{capital(counted(len(seasons), 'season'))}, {burns}{days}.",
        bullets(filter(None, told)),
        [label(f"{name} has no history: {why}.") for name, why in history.without.items()],
    ]
    return section("answer", "What holds across the seasons", parts)


def _level(each: MetricWords) -> str:
    chart, name = each.found.chart, each.title
    if chart is None:
        return f"{name}: no control fuel was burned, so nobody can tell whether the level moved."
    signals = chart.signals
    strong = signals[signals["rule"].isin(LEVEL_RULES)]
    if len(strong):
        first = strong.iloc[0]
        size = each.change(*first[["size", "low", "high"]])
        return f"{name} of the control fuel moved ({RULES[first['rule']]}; {first['where']}): {size}."
    also = f", though {counted(len(signals), 'day')} lay beyond the limits" if len(signals) else ""
    reach = ""
    if len(chart.drift):
        told = each.reach(*chart.drift.iloc[0][["change", "low", "high"]])
        reach = f"; from the first to the last, {told} remains possible"
    over = counted(len(each.found.seasons), "season")
    return f"{name} of the control fuel: no change shown over {over}{also}{reach}."


def _changed(each: MetricWords) -> str:
    rows = each.found.again[each.found.again["verdict"].str.startswith("different")]
    named = "; ".join(
        each.clause(f"{row.fuel} in {row.season}", "in its earlier seasons", row.change, row.low, row.high)
        for row in rows.itertuples(index=False)
    )
    return f"{capital(named)}." if named else ""


def _how_many(each: MetricWords) -> str:
    count = each.found.standing["standing"].value_counts()
    parts = [f"{number_word(int(count[of]))} {of}" for of in (DIRECTLY, BY_CONTROL, NOT) if of in count]
    return f"Of {counted(int(count.sum()), 'fuel')} ever tested, for {each.name}: {', '.join(parts)}."


def control(history: History) -> Section:
    """Return the control charts with their signals and rules."""
    metrics = metrics_of(history)
    drawings = [drawing for each in metrics if (drawing := chart_drawing(each))]
    parts = [
        None if drawings else "No control fuel was burned: there is no chart. Name one in [trial].",
        "The control fuel is the same in every season. Where it moves, it is not the fuels that changed but probe, "
        "cooker, weather, or the lot of the control fuel itself.",
        drawings,
        _signals_table(metrics) or ("No chart shows a signal." if drawings else None),
        heading("The rules", "rules"),
        bullets(_rule_lines(metrics)),
        f"Together: where nothing changed, {plain(100 * FALSE_ALARMS, 0)} of 100 such charts show any signal; what "
        "two rules see together counts once. Several charts on one page raise that.",
    ]
    return section("control", "The control fuel over the seasons", parts)


def _rule_lines(metrics: list[MetricWords]) -> list[str]:
    each = next((each for each in metrics if each.found.chart), None)
    if each is None or each.found.chart is None:
        return []
    limits = each.found.chart.limits
    return [
        f"The limits of the chart of {each.name}; those of the others are made alike.",
        *(
            f"{capital(words)}: beyond {plain(limits.limits[rule], 2)} standard errors; false alarms of this rule "
            f"alone: {plain(100 * limits.rates[rule], 1)} % of steady charts."
            for rule, words in RULES.items()
            if rule in limits.limits
        ),
    ]


def _signals_table(metrics: list[MetricWords]) -> Html | None:
    import pandas as pd

    rows = [
        (each.title, RULES[row.rule], row.where, each.change(row.size, row.low, row.high))
        for each in metrics
        if each.found.chart is not None
        for row in each.found.chart.signals.itertuples(index=False)
    ]
    made = pd.DataFrame(rows, columns=["Measure", "Rule", "Where", "How far"])
    note = "How far: against the rest of the chart."
    return table(made, "Signals", cols(*made), note=note) if rows else None


def chart_drawing(each: MetricWords) -> Drawing | None:
    """Return the control chart of a metric, or None without a control fuel."""
    import pandas as pd

    found, units, points = each.found, each.units, chart_table(each)
    if points is None or found.chart is None:
        return None
    spec, unit = found.spec, units.of_axis(found.spec.unit)
    ends = {name: units.on_axis(points[name], spec.unit) for name in ("value", "low", "high")}
    points = points.assign(**ends)
    centre = units.on_axis(pd.Series([each.measured(found.chart.centre)], dtype=float), spec.unit)
    means = points[points["what"] == "season"]
    seasons, outside = counted(len(means), "season"), counted(int(points["outside"].sum()), "point")
    told = "; ".join(
        f"{row.season} {plain(row.value, places(row.low, row.high))} {unit}"
        for row in (means if len(means) <= 12 else means.iloc[[0, -1]]).itertuples(index=False)
    )
    return Drawing(
        id=f"control chart {spec.id}",
        title=f"Control chart: {each.name}",
        alt=f"{each.title} of the control fuel, {found.control}, in {seasons}: {told}. {capital(outside)} beyond the "
        "limits.",
        caption=(
            f"Control fuel, {found.control}. Diamonds: season means; dashed: the limits of each season. Grey dots: "
            "days. A ring marks what lies beyond its limits. The line is the mean of all seasons. Limits are made of "
            "the spread of bags, days and burns pooled over the seasons; the text says how often they err."
        ),
        headline=f"Control fuel: {label_of(spec, Units())}",
        note=f"limits for the chart; {seasons}",
        data=points,
        draw=partial(chart_figure, points, float(centre.iloc[0]), with_unit_after(each.name, unit)),
    )


def chart_figure(points: pd.DataFrame, centre: float, y: str, look: Look, frame: Frame) -> Figure:
    """Return seasons and days of the control fuel against their limits.

    Parameters
    ----------
    points
        what ('season' or 'day'), season, value, low, high, outside; as shown, in the order drawn.
    centre
        Mean over all seasons, as shown.
    y, look, frame
        The axis with its unit, colours, page or film.
    """
    figure, (axes,) = canvas(look, frame, 3.2, margins=(0.75, 0.2, 0.62, 0.15))
    days, means = (points[points["what"] == what] for what in ("day", "season"))
    names, spots = means["season"].tolist(), np.arange(len(means))
    axes.axhline(centre, color=look.line, linewidth=frame.line, zorder=1)
    _points(axes, _spots(days, names), days, "o", frame.small * 0.36, look.soft, look, frame)
    for end in ("low", "high"):
        axes.hlines(means[end], spots - 0.4, spots + 0.4, colors=look.ink, linewidths=frame.line, linestyles="dashed",
                    zorder=2)  # fmt: skip
    _points(axes, spots, means, "D", frame.small * 0.7, look.ink, look, frame)
    step = max(1, -(-len(names) // (MOST_NAMES // 2 if frame.film else MOST_NAMES)))
    kept = names[::step]
    axes.set_xticks(range(0, len(names), step))
    axes.set_xticklabels([short(name, max(64 // max(len(kept), 1), 6)) for name in kept], parse_math=False)
    axes.set_xlim(-0.6, len(names) - 0.4)
    axes.set_ylabel(y)
    fewer_ticks(axes, frame, y=6)
    return figure


def _spots(days: pd.DataFrame, seasons: list[str]) -> Any:
    """Return where each day stands: evenly within its season's room."""
    groups = days.groupby("season", sort=False)["season"]
    count, rank = groups.transform("size"), groups.cumcount()
    within = (0.64 * (rank / (count - 1).clip(lower=1)) - 0.32).where(count > 1, 0.0)
    return (days["season"].map({name: k for k, name in enumerate(seasons)}) + within).to_numpy(float)


def _points(
    axes: Axes, x: Any, rows: pd.DataFrame, mark: str, size: float, colour: str, look: Look, frame: Frame
) -> None:
    outside, values = rows["outside"].to_numpy(bool), rows["value"].to_numpy(float)
    axes.plot(x, values, linestyle="none", marker=mark, markersize=size, color=colour, markeredgewidth=0)
    # a ring besides the colour, so that a signal is seen without it
    axes.plot(
        x[outside], values[outside], linestyle="none", marker="o", markersize=size + frame.small * 0.7,
        markerfacecolor="none", markeredgecolor=look.warn, markeredgewidth=frame.line * 1.6,
    )  # fmt: skip


def drift(history: History) -> Section:
    """Return drift of probe and cooker."""
    parts = [
        "A straight line through the control fuel's seasons. A probe that drifts moves temperatures and leaves the "
        "burn rate, which no thermometer touches; a cooker that draws differently moves both.",
        bullets(map(_drift_line, metrics_of(history))),
        _blame(*(_moved(history.metrics.get(name)) for name in (OF_PROBE, OF_COOKER))),
        _probe_checks(history),
    ]
    return section("drift", "Drift of probe and cooker", parts)


def _probe_checks(history: History) -> Html | None:
    """Return what the main probe read in ice and in boiling water, season by season; None where never checked."""
    import pandas as pd

    probes = {season.name: main_probe(season) for season in history.seasons}
    rows = [(name, *map(probe.get, ("id", "ice_reads", "boil_reads"))) for name, probe in probes.items()]
    made = pd.DataFrame(rows, columns=["Season", "probe", "in ice", "in boiling water"])
    read = numbers("in ice", "in boiling water", unit="°C", decimals=1)
    if not made[[col.name for col in read]].notna().any(axis=None):
        return None
    made = made.astype({col.name: float for col in read})
    note = "As written in each trial file. Readings were corrected by it; a probe that wanders here needs replacing."
    units = metrics_of(history)[0].units
    return table(made, "The probe's own checks", cols("Season", "probe", read), units=units, note=note)


def _drift_line(each: MetricWords) -> str:
    chart = each.found.chart
    if chart is None or not len(chart.drift):
        return f"{each.title}: a drift needs a control fuel in at least three seasons."
    row = chart.drift.iloc[0]
    ends = row[["change", "low", "high"]]
    if row["signal"]:
        return f"{each.title}: from the first to the last season {each.change(*ends)}. This is a signal."
    return f"{each.title}: no signal; from the first to the last season {each.reach(*ends)} remains possible."


def _blame(probe: bool | None, cooker: bool | None) -> str:
    if probe is None or cooker is None:
        return "Probe and cooker cannot be told apart: that takes peak temperature and burn rate of a control fuel."
    if cooker:
        return "The burn rate moved: look at the cooker (vents, seals, rust) and at the control fuel's lot first."
    if probe:
        return (
            "Peak temperature moved and burn rate shows no change: look at the probe and its place first, and check it "
            "in ice and boiling water."
        )
    return "Neither peak temperature nor burn rate of the control fuel shows a signal."


def _moved(found: MetricHistory | None) -> bool | None:
    return None if found is None or found.chart is None else found.chart.moved


def repeatability(history: History) -> Section:
    """Return pooled repeatability with degrees of freedom, and how to borrow it."""
    title, rows = "Pooled repeatability", tables_of(history)["components"]
    if not len(rows):
        return section("repeatability", title, ["Nothing can be pooled."])
    metrics = {each.found.spec.id: each for each in metrics_of(history)}
    log = rows["unit"] == "ln"
    made = rows.assign(
        label=[metrics[name].title for name in rows["metric"]],
        unit=rows["unit"].where(~log, "%"),
        **{name: rows[name].where(~log, 100 * rows[name]) for name in ("sd", "low", "high")},
    )
    columns = cols(
        ("component", "Between"),
        numbers(("sd", "spread"), "low", "high", decimals=2),
        "unit",
        numbers(("df", "degrees of freedom"), decimals=1),
    )
    note = "Spread: standard deviation, with its 95 % interval. Bag, day and burn within fuels and seasons."
    caption = "Spread of bags, days and burns, all seasons together"
    bounds = [f"{each.found.bounds} of {each.name}" for each in metrics.values() if each.found.bounds]
    parts = [
        table(made, caption, columns, note=note, group="label"),
        'A trial of single burns measured in the same way may borrow these: borrow_from = [".."] under [model] of a '
        "run folder that stands beside these.",
        f"Values left out because only a bound of them is known: {listed(bounds)}." if bounds else None,
    ]
    return section("repeatability", title, parts)


def fuels(history: History) -> Section:
    """Return all fuels ever tested with intervals, their standing, and a sentence to say."""
    standing = tables_of(history)["standing"]
    columns = cols(("fuel", "Fuel"), ("standing", "Comparable?"), ("why", "because"), numbers("seasons"))
    columns += cols(("say", "To say in public"))
    parts = []
    for each in metrics_of(history):
        found = each.found
        held = "is" if found.spread.known else "could not be estimated and is not"
        note = f"Intervals: 95 %, each fuel for itself; the spread from season to season {held} in them."
        if found.chart is not None and found.chart.moved:
            note += f" The level moved over the seasons, so values of their own come from {found.reference} alone."
        rows = standing[standing["metric"] == found.spec.id]
        parts += [
            heading(each.title, f"fuels-{found.spec.id}"),
            control_drawing(each),
            table(rows, f"All fuels ever tested: {each.name}", columns, note=note),
        ]
    return section("fuels", "All fuels ever tested", parts)


def control_drawing(each: MetricWords) -> Drawing | None:
    """Return all fuels against the control fuel, or None without one."""
    found, units = each.found, each.units
    if not len(found.by_control):
        return None
    rows = found.by_control.sort_values("mean", ascending=False, kind="stable")
    ends = {name: each.measured(rows[name]) for name in ("mean", "low", "high")}
    unit = "times the control fuel"
    if not each.log:
        unit = units.of_axis(found.spec.unit, difference=True)
        ends = {name: units.on_axis(end, found.spec.unit, difference=True) for name, end in ends.items()}
    rows = rows.assign(**ends)
    told = "; ".join(
        f"{row.fuel} {plain(row.mean, digits)} ({plain(row.low, digits)} to {plain(row.high, digits)})"
        for row in rows.itertuples(index=False)
        for digits in [max(places(row.low, row.high), 2 if each.log else 0)]
    )
    holds = "No fuel beside the control came again: the spread from season to season is not in it."
    if found.control_spread.known:
        holds = "The spread from season to season is in it."
    return Drawing(
        id=f"against control {found.spec.id}",
        title=f"All fuels against the control fuel: {each.name}",
        alt=f"{each.title} against {found.control}, {unit}: {told}.",
        caption=(
            f"Bars: 95 % interval of each fuel's difference from {found.control} over its seasons, each fuel for "
            f"itself. {holds} {capital(counted(int(rows['n'].sum()), 'burn'))} in all."
        ),
        headline="All fuels against the control fuel",
        note=f"bar: 95 % interval; {counted(len(found.seasons), 'season')}",
        data=rows,
        draw=partial(against_control, rows, 1.0 if each.log else 0.0, Axis(f"{each.name}: {unit}")),
    )


def against_control(rows: pd.DataFrame, none: float, axis: Axis, look: Look, frame: Frame) -> Figure:
    """Return a row a fuel: its difference from the control fuel over the seasons with its interval.

    Parameters
    ----------
    rows
        fuel, mean, low, high; as shown, in the order drawn.
    none
        Where there is no difference: 0, or 1 for ratios.
    axis, look, frame
        The axis with its unit, colours, page or film.
    """
    layout = RowLayout(row=0.34, right=0.3, longest=LONGEST)
    figure, axes = rows_canvas(rows["fuel"].tolist(), axis, look, frame, layout)
    spots, hue = np.arange(len(rows)), look.fuel(0)
    axes.axvline(none, color=look.line, linewidth=frame.line)
    axes.hlines(spots, rows["low"], rows["high"], colors=hue, linewidths=frame.line * 2.6)
    axes.plot(rows["mean"], spots, linestyle="none", marker="o", color=hue, markersize=frame.small * 0.8)
    fewer_ticks(axes, frame, x=7)
    return figure


def differently(history: History) -> Section:
    """Return the seasons, and which differences keep some of them out."""
    columns = cols(("season", "Season"), ("first_day", "first day"), ("last_day", "last day"))
    columns += cols(numbers("burns", ("fuels", "fuels")), ("control", "control fuel"))
    reasons: dict[str, list[str]] = {}
    for each in metrics_of(history):
        for season, why in each.found.why_not.items():
            told = f"{season} is not pooled with {each.found.reference}: {'; '.join(why)}."
            reasons.setdefault(told, []).append(each.title)
    parts = [
        table(seasons_table(history), "Seasons", columns),
        bullets(f"{', '.join(names)}: {told}" for told, names in reasons.items())
        or "All seasons were measured in the same way.",
        [
            f"{season.name}: {counted(season.left_out, 'burn')} at another cooker or setting left out: never pooled."
            for season in history.seasons
            if season.left_out
        ],
    ]
    return section("seasons", "What was measured differently", parts)


def method() -> Section:
    """Return how a history is computed, with sources."""
    chart = paragraph_of("control_chart", draws=f"{DRAWS:,}", seed=SEED)
    return section(
        "method", "How it was computed", [paragraph_of("seasons"), chart, paragraph_of("over_seasons")]
    )


def provenance(place: str, reports: list[str], output: str) -> Section:
    """Return which results were read, with hashes, and versions."""
    origin = trace(Path(place), {"reports": reports}, output)
    parts = [
        f"Report id {origin.report_id}: made of the results and the versions below.",
        folded("Results read, sizes and SHA-256", inputs_html(origin)),
        folded("Versions", versions_html(origin)),
    ]
    return section("provenance", "Provenance", parts)


def again(history: History) -> Section:
    """Return for each metric the fuels that came again, their change and its verdict."""
    parts = [part for each in metrics_of(history) if len(each.found.again) for part in _came_again(each)]
    told = (
        "The newest season of each fuel against the mean of its earlier ones; where a control fuel was burned along, "
        "both as differences from it, so that a drift of probe or cooker is not taken for a change of the fuel."
    )
    none = "No fuel beside the control came again in seasons measured alike."
    return section(
        "again", "Fuels tested again: did the product change?", [told, *parts] if parts else [none]
    )


def _came_again(each: MetricWords) -> list[Html]:
    rows = each.found.again
    told = [
        (each.change if row.low > 0 or row.high < 0 else each.reach)(row.change, row.low, row.high)
        for row in rows.itertuples(index=False)
    ]
    columns = cols(
        ("fuel", "Fuel"), ("season", "newest season"), numbers("seasons"), ("told", "change"), "verdict"
    )
    note = "95 % intervals, simultaneous over the fuels. 'Not settled' is not 'the same'."
    made = table(rows.assign(told=told), f"{each.title}: fuels tested again", columns, note=note)
    return [heading(each.title, f"again-{each.found.spec.id}"), made]

"""The report over many run folders: made beside them, the files beside its page, its sections with their figures."""

from __future__ import annotations

import math
import os
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import pandas as pd

from kit.errors import KitError, disk_faults
from kit.history import newest_reports
from kit.history.comparability import BY_CONTROL, DIRECTLY, NOT, main_probe
from kit.history.control_chart import DRAWS, FALSE_ALARMS, LEVEL_RULES, RULES, SEED
from kit.history.history import OF_COOKER, OF_PROBE, History, MetricHistory
from kit.page.shown_numbers import Units, plain, to_range
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
from kit.publish.figures.drawing import Drawing, worded
from kit.publish.plain import records
from kit.publish.provenance import trace
from kit.publish.report import make, take_order
from kit.publish.sections.method import inputs_html, versions_html
from kit.publish.sections.section import Section, bullets, folded, heading, label, paragraph, section, topic
from kit.publish.wording import (
    Amount,
    capital,
    counted,
    label_of,
    listed,
    number_word,
    paragraph_of,
    places,
    table_of,
    with_unit_after,
)
from kit.publish.write_outputs import by_hand, head_of, write_figures, write_numbers
from kit.runtime.kernel import fresh_kernel

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

MOST_NAMES = 8
TITLE = "What holds across the seasons"


def make_history(folders: Iterable[str | Path], progress: Callable[[str], None] | None = None) -> Path:
    """Make the history of several run folders from their newest reports, and return its page.

    It becomes reports/DATE-history/ of the folder that holds all of them, which is no run folder itself.

    Raises
    ------
    KitError
        Naming every folder without a report, or where no folder holds them all.
    NotRunError
        At a failure of the kit's own.
    """
    paths = newest_reports(folders)
    place = common_place([path.parents[2] for path in paths])
    reports = [path.parent.relative_to(place).as_posix() for path in paths]
    order = take_order(place, "history", {"reports": reports})
    sources = tuple(path.relative_to(place).as_posix() for path in paths)
    return make(replace(order, sources=sources), fresh_kernel, progress)


def common_place(folders: Sequence[Path]) -> Path:
    """Return the nearest folder above run folders that is none itself.

    Raises
    ------
    KitError
        Where they have nothing in common but the disk.
    """
    try:
        place = Path(os.path.commonpath([folder.parent for folder in folders]))
    except ValueError:  # on two disks
        place = Path(folders[0].anchor)
    while (place / "trial.toml").is_file():
        place = place.parent
    if place == Path(place.anchor):
        found = ", ".join(str(folder) for folder in folders)
        expected, remedy = "run folders below one folder", "Move or copy them into one folder."
        raise KitError.refuse(found, "no folder that holds them all", expected, remedy)
    return place


@disk_faults()
def write_history(
    history: History, sections: Iterable[Section], place: str, reports: list[str], output: str
) -> Html:
    """Write figures, tables and results.json into the report's folder, results.json last, and say so.

    Parameters
    ----------
    place, reports
        As the notebook had them: the folder above the seasons, and the reports that were read.
    output
        The report's folder while it is made; '' writes nothing.
    """
    if not output:
        return by_hand("nothing was", "history")
    target, tables = Path(output), tables_of(history)
    write_figures(sections, target)
    data = {
        **head_of({**history.newest.trial, "title": TITLE}, trace(Path(place), {"reports": reports}, output)),
        "level": LEVEL,
        "without": dict(history.without),
        "burns": [],
        "metrics": [],
        **{key: records(table) for key, table in tables.items()},
    }
    return write_numbers(target, tables, data)


seasons_topic = partial(topic, read=lambda history: history)
"""A section of what was found over the seasons."""


@seasons_topic("answer", TITLE)
def answer(history: History) -> list[object]:
    """Return the findings in plain words."""
    seasons, metrics = seasons_table(history), metrics_of(history)
    first = min(filter(None, seasons["first_day"]), default="")
    days = f", from {first} to {seasons['last_day'].max()}" if first else ""
    burns = counted(int(seasons["burns"].sum()), "burn")
    simulated = ", ".join(season.name for season in history.seasons if season.simulated)
    told = [*map(_level, metrics), *map(_changed, metrics), _how_many(metrics[0])]
    return [
        paragraph(paragraph_of("simulated_seasons", names=simulated), kind="warning") if simulated else None,
        f"{capital(counted(len(seasons), 'season'))}, {burns}{days}.",
        bullets(filter(None, told)),
        [label(f"{name} has no history: {why}.") for name, why in history.without.items()],
    ]


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


@seasons_topic("control", "The control fuel over the seasons")
def control(history: History) -> list[object]:
    """Return the control charts with their signals and rules."""
    metrics = metrics_of(history)
    drawings = [drawing for each in metrics if (drawing := chart_drawing(each))]
    return [
        None if drawings else "No control fuel was burned: there is no chart. Name one in [trial].",
        paragraph_of("control"),
        drawings,
        _signals_table(metrics) or ("No chart shows a signal." if drawings else None),
        heading("The rules", "rules"),
        bullets(_rule_lines(metrics)),
        paragraph_of("false_alarms", rate=plain(100 * FALSE_ALARMS, 0)),
    ]


def _rule_lines(metrics: list[MetricWords]) -> list[str]:
    each = next((each for each in metrics if each.found.chart), None)
    if each is None or each.found.chart is None:
        return []
    limits = each.found.chart.limits
    lines = [
        paragraph_of(
            "rule",
            words=words,
            limit=plain(limits.limits[rule], 2),
            rate=plain(100 * limits.rates[rule], 1),
        )
        for rule, words in RULES.items()
        if rule in limits.limits
    ]
    return [f"The limits of the chart of {each.name}; those of the others are made alike.", *lines]


def _signals_table(metrics: list[MetricWords]) -> Html | None:
    rows = [
        (each.title, RULES[row.rule], row.where, each.change(row.size, row.low, row.high))
        for each in metrics
        if each.found.chart is not None
        for row in each.found.chart.signals.itertuples(index=False)
    ]
    made = pd.DataFrame(rows, columns=["Measure", "Rule", "Where", "How far"])
    return table_of("signals", made)


def chart_drawing(each: MetricWords) -> Drawing | None:
    """Return the control chart of a metric, or None without a control fuel."""
    found, units, points = each.found, each.units, chart_table(each)
    if points is None or found.chart is None:
        return None
    spec, unit = found.spec, units.of_axis(found.spec.unit)
    ends = {name: units.on_axis(points[name], spec.unit) for name in ("value", "low", "high")}
    points = points.assign(**ends)
    centre = units.on_axis(pd.Series([each.measured(found.chart.centre)], dtype=float), spec.unit)
    means = points[points["what"] == "season"]
    values = "; ".join(
        f"{row.season} {plain(row.value, places(row.low, row.high))} {unit}"
        for row in (means if len(means) <= 12 else means.iloc[[0, -1]]).itertuples(index=False)
    )
    parts = {
        "measure": each.name,
        "control": found.control,
        "seasons": counted(len(means), "season"),
        "values": values,
        "outside": counted(int(points["outside"].sum()), "point"),
        "short": label_of(spec, Units()),
    }
    draw = partial(chart_figure, points, float(centre.iloc[0]), with_unit_after(each.name, unit))
    return worded("control chart", spec.id, points, draw, parts, simulated=each.simulated)


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


@seasons_topic("drift", "Drift of probe and cooker")
def drift(history: History) -> list[object]:
    """Return drift of probe and cooker."""
    moved = (_moved(history.metrics.get(name)) for name in (OF_PROBE, OF_COOKER))
    lines = bullets(map(_drift_line, metrics_of(history)))
    return [paragraph_of("drift"), lines, paragraph_of(_blame(*moved)), _probe_checks(history)]


def _probe_checks(history: History) -> Html | None:
    """Return what the main probe read in ice and in boiling water, season by season; None where never checked."""
    probes = {season.name: main_probe(season) for season in history.seasons}
    rows = [(name, *map(probe.get, ("id", "ice_reads", "boil_reads"))) for name, probe in probes.items()]
    made = pd.DataFrame(rows, columns=["Season", "probe", "in ice", "in boiling water"])
    read = ["in ice", "in boiling water"]
    if not made[read].notna().any(axis=None):
        return None
    units = metrics_of(history)[0].units
    return table_of("probe_checks", made.astype(dict.fromkeys(read, float)), units)


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
        return "cannot_tell_apart"
    return "cooker_moved" if cooker else "probe_moved" if probe else "neither_moved"


def _moved(found: MetricHistory | None) -> bool | None:
    return None if found is None or found.chart is None else found.chart.moved


@seasons_topic("repeatability", "Pooled repeatability")
def repeatability(history: History) -> list[object]:
    """Return pooled repeatability with degrees of freedom, and how to borrow it."""
    rows = tables_of(history)["components"]
    if not len(rows):
        return ["Nothing can be pooled."]
    metrics = {each.found.spec.id: each for each in metrics_of(history)}
    log = rows["unit"] == "ln"
    made = rows.assign(
        label=[metrics[name].title for name in rows["metric"]],
        unit=rows["unit"].where(~log, "%"),
        **{name: rows[name].where(~log, 100 * rows[name]) for name in ("sd", "low", "high")},
    )
    bounds = [f"{each.found.bounds} of {each.name}" for each in metrics.values() if each.found.bounds]
    return [
        table_of("pooled", made),
        paragraph_of("borrow"),
        f"Values left out because only a bound of them is known: {listed(bounds)}." if bounds else None,
    ]


@seasons_topic("fuels", "All fuels ever tested")
def fuels(history: History) -> list[object]:
    """Return all fuels ever tested with intervals, their standing, and a sentence to say."""
    standing = tables_of(history)["standing"]
    parts: list[object] = []
    for each in metrics_of(history):
        found = each.found
        moved = found.reference if found.chart is not None and found.chart.moved else ""
        about = {"measure": each.name, "known": found.spread.known, "moved": moved}
        rows = standing[standing["metric"] == found.spec.id]
        parts += [heading(each.title, f"fuels-{found.spec.id}"), control_drawing(each)]
        parts += [table_of("standing", rows, **about)]
    return parts


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
    values = "; ".join(
        f"{row.fuel} {plain(row.mean, digits)} ({plain(row.low, digits)} to {plain(row.high, digits)})"
        for row in rows.itertuples(index=False)
        for digits in [max(places(row.low, row.high), 2 if each.log else 0)]
    )
    parts = {
        "measure": each.name,
        "control": found.control,
        "unit": unit,
        "values": values,
        "known": found.control_spread.known,
        "burns": counted(int(rows["n"].sum()), "burn"),
        "seasons": counted(len(found.seasons), "season"),
    }
    draw = partial(against_control, rows, 1.0 if each.log else 0.0, Axis(f"{each.name}: {unit}"))
    return worded("against control", found.spec.id, rows, draw, parts, simulated=each.simulated)


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


@seasons_topic("seasons", "What was measured differently")
def differently(history: History) -> list[object]:
    """Return the seasons, and which differences keep some of them out."""
    reasons: dict[str, list[str]] = {}
    for each in metrics_of(history):
        for season, why in each.found.why_not.items():
            told = f"{season} is not pooled with {each.found.reference}: {'; '.join(why)}."
            reasons.setdefault(told, []).append(each.title)
    left_out = [
        f"{season.name}: {counted(season.left_out, 'burn')} at another cooker or setting left out: never pooled."
        for season in history.seasons
        if season.left_out
    ]
    return [
        table_of("history_seasons", seasons_table(history)),
        bullets(f"{', '.join(names)}: {told}" for told, names in reasons.items())
        or "All seasons were measured in the same way.",
        left_out,
    ]


def method() -> Section:
    """Return how a history is computed, with sources."""
    chart = paragraph_of("control_chart", draws=f"{DRAWS:,}", seed=SEED)
    told = [paragraph_of("seasons"), chart, paragraph_of("over_seasons")]
    return section("method", "How it was computed", told)


def provenance(place: str, reports: list[str], output: str) -> Section:
    """Return which results were read, with hashes, and versions."""
    origin = trace(Path(place), {"reports": reports}, output)
    parts = [
        f"Report id {origin['report']}: made of the results and the versions below.",
        folded("Results read, sizes and SHA-256", inputs_html(origin)),
        folded("Versions", versions_html(origin)),
    ]
    return section("provenance", "Provenance", parts)


@seasons_topic("again", "Fuels tested again: did the product change?")
def again(history: History) -> list[object]:
    """Return for each metric the fuels that came again, their change and its verdict."""
    parts = [part for each in metrics_of(history) if len(each.found.again) for part in _came_again(each)]
    none = "No fuel beside the control came again in seasons measured alike."
    return [paragraph_of("again"), *parts] if parts else [none]


def _came_again(each: MetricWords) -> list[Html | None]:
    rows = each.found.again
    told = [
        (each.change if row.low > 0 or row.high < 0 else each.reach)(row.change, row.low, row.high)
        for row in rows.itertuples(index=False)
    ]
    made = table_of("again", rows.assign(told=told), measure=each.name)
    return [heading(each.title, f"again-{each.found.spec.id}"), made]


LEVEL: Final = 0.95
METHOD: Final = "restricted likelihood over all seasons; chi-squared with its own degrees of freedom"
NORMAL: Final = "restricted likelihood over all seasons; normal limits of the variance"
LEAST_DF: Final = 2.0


@dataclass(frozen=True)
class MetricWords:
    """One metric of a history, and how it is told: numbers come on the analysis scale, units as the newest season's.

    Attributes
    ----------
    found
        The metric's history.
    units
        Units as shown.
    simulated
        Whether burns of some season came from a computer.
    """

    found: MetricHistory
    units: Units
    simulated: bool

    @property
    def name(self) -> str:
        """The metric's name with its threshold."""
        return label_of(self.found.spec, self.units)

    @property
    def title(self) -> str:
        """The same with a capital."""
        return capital(self.name)

    @property
    def log(self) -> bool:
        """Whether ratios are told."""
        return self.found.spec.scale == "log"

    def measured(self, values: object) -> object:
        """Return values as they are shown: exponentials on the log scale."""
        return np.exp(values) if self.log else values  # type: ignore[call-overload]

    def _amount(self, *ends: float) -> Amount:
        value, low, high = (math.exp(end) if self.log else end for end in ends)
        return Amount(value, low, high, math.nan, self.found.spec, self.units)

    def change(self, value: float, low: float, high: float) -> str:
        """Return '12 °C (22 °F) hotter (95 % interval 5 to 19 °C)'."""
        amount = self._amount(value, low, high)
        return f"{amount.end(amount.value)} (95\u00a0% interval {amount.interval})"

    def reach(self, value: float, low: float, high: float) -> str:
        """Return 'anything from 8 °C (14 °F) cooler to 22 °C (40 °F) hotter'."""
        return self._amount(value, low, high).reach

    def clause(self, a: str, b: str, value: float, low: float, high: float) -> str:
        """Return 'alder stayed above 150 °C 32 % longer than pressed (95 % interval 20 to 45 %)': the measure named."""
        amount = self._amount(value, low, high)
        return f"{amount.said_of(a, b)} (95\u00a0% interval {amount.interval})"

    def sentence(self, fuel: str, standing: str, why: str) -> str:
        """Return what may be said in public of a fuel's standing: with its burns, its cooker, 'simulated' first."""
        found = self.found
        rows = {BY_CONTROL: found.by_control, DIRECTLY: found.fuels}.get(standing, found.fuels.iloc[:0])
        own = rows[rows["fuel"] == fuel]
        parts = {"fuel": fuel, "measure": self.name, "why": why}
        parts |= {"reference": found.reference, "control": found.control}
        if not len(own):
            return paragraph_of("say_reference" if standing == BY_CONTROL else "say_not_compared", **parts)
        each = own.iloc[0]
        ends = each["mean"], each["low"], each["high"]
        n = f"{counted(int(each['n']), 'burn')} in {counted(int(each['seasons']), 'season')}"
        if standing == DIRECTLY:
            mean, low, high = (math.exp(end) if self.log else end for end in ends)
            value = to_range(mean, low, high, found.spec.unit, self.units)
            told = paragraph_of("say_directly", value=value, n=n, **parts)
        elif each["low"] <= 0 <= each["high"]:
            told = paragraph_of("say_open", reach=self.reach(*ends), n=n, **parts)
        else:
            told = f"{self.clause(fuel, found.control, *ends)}; {n}, the same seasons."
        return f"Simulated: in this cooker, {told}" if self.simulated else f"In this cooker, {told}"


def metrics_of(history: History) -> list[MetricWords]:
    """Return the metrics of a history, in the units in which the newest season wants them shown."""
    trial = history.newest.trial
    units = Units(trial.get("show") or "metric", str(trial.get("currency") or ""))
    simulated = any(season.simulated for season in history.seasons)
    return [MetricWords(found, units, simulated) for found in history.metrics.values()]


Maker = Callable[[MetricWords], pd.DataFrame | None]


def tables_of(history: History) -> dict[str, pd.DataFrame]:
    """Return every table by its key; columns metric and unit first where they apply.

    Keys: seasons, chart, signals, drift, components, next_bag, season_spread, means, against_control, came_again,
    standing.  'components' and 'next_bag' are as in a report of one folder, so that [model] borrow_from can name the
    folder above the seasons: they are of the metrics that the newest season measured.
    """
    newest = history.newest.name

    def of_newest(make: Callable[[MetricWords], pd.DataFrame]) -> Maker:
        return lambda each: make(each) if each.found.reference == newest else None

    def standing(each: MetricWords) -> pd.DataFrame:
        rows: Any = each.found.standing.itertuples(index=False)
        say = [each.sentence(row.fuel, row.standing, row.why) for row in rows]
        return each.found.standing.assign(say=say)

    makers: dict[str, Maker] = {
        "chart": chart_table,
        "signals": lambda each: each.found.chart and each.found.chart.signals.assign(unit=_unit(each)),
        "drift": lambda each: each.found.chart and each.found.chart.drift,
        "components": of_newest(_components),
        "next_bag": of_newest(_next_bag),
        "season_spread": _spread,
        "means": lambda each: _values(each, each.found.fuels),
        "against_control": lambda each: _values(each, each.found.by_control),
        "came_again": lambda each: each.found.again,
        "standing": standing,
    }
    return {"seasons": seasons_table(history)} | {key: _joined(history, make) for key, make in makers.items()}


def _joined(history: History, make: Maker) -> pd.DataFrame:
    made = {each.found.spec.id: make(each) for each in metrics_of(history)}
    parts = [table.assign(metric=name) for name, table in made.items() if table is not None and len(table)]
    if not parts:
        return pd.DataFrame({"metric": pd.Series(dtype=object)})
    joined = pd.concat(parts, ignore_index=True)
    return joined[["metric", *joined.columns.drop("metric")]]


def seasons_table(history: History) -> pd.DataFrame:
    """Return season, report, first and last day, burns, fuels, control, left_out, in order."""
    names = ["season", "report", "first_day", "last_day", "burns", "fuels", "control", "left_out"]
    rows = [
        (of.name, of.report, of.first_day, of.last_day, len(of.burns), len(of.fuels), of.control, of.left_out)
        for of in history.seasons
    ]
    return pd.DataFrame(rows, columns=names)


def chart_table(each: MetricWords) -> pd.DataFrame | None:
    """Return the points of a chart: what, season, day, value, low, high (limits), n, outside; as measured."""
    chart = each.found.chart
    if chart is None:
        return None
    seasons = chart.seasons.rename(columns={"first_day": "day"}).assign(what="season")
    joined = pd.concat([seasons, chart.days.assign(what="day")], ignore_index=True)
    values = {name: each.measured(joined[name].to_numpy(float)) for name in ("value", "low", "high")}
    kept = ["what", "season", "day", "value", "low", "high", "n", "outside"]
    return joined.assign(**values)[kept].assign(unit=each.found.spec.unit)


def _unit(each: MetricWords) -> str:
    return "ln" if each.log else each.found.spec.unit


def _components(each: MetricWords) -> pd.DataFrame:
    """Return the pooled SDs; limits from chi-squared with the degrees of freedom of each (Satterthwaite 1946).

    Below two degrees of freedom those limits say nothing; the normal ones of the variance stand in.
    """
    from scipy.special import chdtri

    rows, pooled = [], each.found.pooled
    for k, term in enumerate(pooled.terms):
        variance, se = float(pooled.variances[k]), float(np.sqrt(pooled.covariance[k, k]))
        df = pooled.df(np.eye(len(pooled.terms))[k])
        if df < LEAST_DF:
            method, low, high = NORMAL, max(0.0, variance - 1.96 * se), variance + 1.96 * se
        else:
            method, low, high = METHOD, *(variance * df / chdtri(df, p) for p in (0.025, 0.975))
        zero = variance <= 0
        rows.append((term, *np.sqrt((variance, low, high)), LEVEL, method, zero, np.nan if zero else df))
    names = ["component", "sd", "low", "high", "level", "method", "at_boundary", "df"]
    return pd.DataFrame(rows, columns=names).assign(unit=_unit(each))


def _next_bag(each: MetricWords) -> pd.DataFrame:
    """Return the SD of one burn of a new bag and its degrees of freedom: what a trial may borrow."""
    pooled, spec = each.found.pooled, each.found.spec
    row = {"fuel": "", "sd": float(np.sqrt(pooled.variances.sum())), "df": pooled.df_total, "level": LEVEL}
    row |= {"unit": spec.unit, "scale": spec.scale, "covers": ", ".join(pooled.terms)}
    return pd.DataFrame([row])


def _spread(each: MetricWords) -> pd.DataFrame:
    spreads = {"fuels": each.found.spread, "differences from the control": each.found.control_spread}
    rows = [
        (of, float(np.sqrt(spread.variance)) if spread.known else np.nan, spread.df, _unit(each))
        for of, spread in spreads.items()
    ]
    return pd.DataFrame(rows, columns=["of", "sd", "df", "unit"])


def _values(each: MetricWords, table: pd.DataFrame) -> pd.DataFrame:
    """Return means or differences as shown (ratios on the log scale); se stays on the analysis scale."""
    values = {name: each.measured(table[name].to_numpy(float)) for name in ("mean", "low", "high")}
    return table.assign(**values, unit=each.found.spec.unit, scale=each.found.spec.scale, level=LEVEL)

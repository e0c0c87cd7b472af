"""The report over many run folders: made beside them, the files beside its page, its sections with their figures."""

import math
import os
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Any, Final

import numpy as np
import pandas as pd

from kit.errors import disk_faults
from kit.history import History, MetricHistory, Season, newest_reports
from kit.history.control_chart import DRAWS, FALSE_ALARMS, LEVEL_RULES, RULES, SEED, Chart
from kit.history.history import LEVEL, OF_COOKER, OF_PROBE, chart_points, history_tables, seasons_table
from kit.history.seasons import BY_CONTROL, DIRECTLY, NOT
from kit.page.shown_numbers import Units, plain, to_range, with_unit_after
from kit.page.text import Html, capital, counted, listed, number_word
from kit.publish import canvas as figures
from kit.publish.canvas import Axis, Figure, Frame, RowLayout, short
from kit.publish.drawing import Drawing, figure_of
from kit.publish.notebook import take_order
from kit.publish.plain import records
from kit.publish.provenance import trace
from kit.publish.report import make
from kit.publish.sections.method import inputs_html, versions_html
from kit.publish.sections.section import Section, bullets, folded, heading, label, paragraph, section, topic
from kit.publish.wording import Amount, by_hand, label_of, paragraph_of, places, refused, table_of
from kit.publish.write_outputs import head_of, write_figures, write_numbers
from kit.results_file import main_probe
from kit.runtime.kernel import fresh_kernel

MOST_NAMES: Final = 8
MOST_TOLD: Final = 12  # seasons whose values stand in a figure's alt text
TITLE: Final = "What holds across the seasons"


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
    return make(take_order(place, "history", {"reports": reports}), fresh_kernel, progress)


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
        raise refused("nothing_above", ", ".join(map(str, folders)))
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


@dataclass(frozen=True)
class MetricWords:
    """One metric of a history, and how it is told: numbers come on the analysis scale, units as the newest season's.

    Attributes
    ----------
    found
        The metric's history.
    units
        Units as shown.
    seasons
        All seasons.
    """

    found: MetricHistory
    units: Units
    seasons: Sequence[Season]

    @property
    def simulated(self) -> bool:
        """Whether burns of some season came from a computer."""
        return any(season.simulated for season in self.seasons)

    @property
    def measure(self) -> str:
        """The metric's name with its threshold."""
        return label_of(self.found.spec, self.units)

    @property
    def title(self) -> str:
        """The same with a capital."""
        return capital(self.measure)

    def said(self, key: str, /, **parts: object) -> str:
        """Return a paragraph of words.toml with this and further parts."""
        return paragraph_of(key, data=self, **parts)

    def amount(self, value: float, low: float, high: float) -> Amount:
        """Return a change of the analysis scale with its interval, ready to be told."""
        value, low, high = self.found.measured(np.array([value, low, high], dtype=float)).tolist()
        return Amount(value, low, high, math.nan, self.found.spec, self.units)

    def on_axis(self, rows: pd.DataFrame, *names: str, difference: bool = False) -> pd.DataFrame:
        """Return rows whose columns of these names, as measured, stand in the unit of an axis."""
        turned = partial(self.units.on_axis, unit=self.found.spec.unit, difference=difference)
        return rows.assign(**{name: turned(rows[name]) for name in names})

    def change(self, value: float, low: float, high: float) -> str:
        """Return '12 °C (22 °F) hotter (95 % interval 5 to 19 °C)', or what remains possible where zero does."""
        amount = self.amount(value, low, high)
        told = f"{amount.end(amount.value)} (95\u00a0% interval {amount.interval})"
        return amount.reach if amount.holds_zero else told

    def clause(self, a: str, b: str, value: float, low: float, high: float) -> str:
        """Return 'alder stayed above 150 °C 32 % longer than pressed (95 % interval 20 to 45 %)': the measure named."""
        amount = self.amount(value, low, high)
        return f"{amount.said_of(a, b)} (95\u00a0% interval {amount.interval})"


def metrics_of(history: History) -> list[MetricWords]:
    """Return the metrics of a history, in the units in which the newest season wants them shown."""
    trial = history.newest.trial
    units = Units(trial.get("show") or "metric", str(trial.get("currency") or ""))
    return [MetricWords(found, units, history.seasons) for found in history.metrics.values()]


def tables_of(history: History) -> dict[str, pd.DataFrame]:
    """Return every table of a history by its key, and for each fuel's standing a sentence to say in public."""
    tables, metrics = history_tables(history), {each.found.spec.id: each for each in metrics_of(history)}
    rows: Any = tables["standing"].itertuples(index=False)
    say = [_sentence(metrics[row.metric], row.fuel, row.standing, row.why) for row in rows]
    return tables | {"standing": tables["standing"].assign(say=say)}


def _sentence(each: MetricWords, fuel: str, standing: str, why: str) -> str:
    """Return what may be said of a fuel's standing: with its burns, its cooker, 'simulated' first."""
    found = each.found
    table = found.by_control if standing == BY_CONTROL else found.fuels
    own = table[table["fuel"] == fuel] if standing != NOT else table.iloc[:0]
    if not len(own):
        key = "say_reference" if standing == BY_CONTROL else "say_not_compared"
        return each.said(key, fuel=fuel, why=why)
    mean, low, high, n, seasons = own.iloc[0][["mean", "low", "high", "n", "seasons"]]
    parts = {"fuel": fuel, "n": f"{counted(int(n), 'burn')} in {counted(int(seasons), 'season')}"}
    if standing == DIRECTLY:
        mean, low, high = found.measured(np.array([mean, low, high], dtype=float)).tolist()
        value = to_range(mean, low, high, found.spec.unit, each.units)
        told = each.said("say_directly", value=value, **parts)
    elif low <= 0 <= high:
        told = each.said("say_open", reach=each.amount(mean, low, high).reach, **parts)
    else:
        told = each.said("say_apart", clause=each.clause(fuel, found.control, mean, low, high), **parts)
    return each.said("say_here", told=told)


seasons_topic = partial(topic, read=lambda history: history)
"""A section of what was found over the seasons."""


@seasons_topic("answer", TITLE)
def answer(history: History) -> list[object]:
    """Return the findings in plain words."""
    seasons, metrics = seasons_table(history), metrics_of(history)
    over = paragraph_of(
        "history",
        seasons=len(seasons),
        burns=seasons["burns"].sum(),
        first=min(filter(None, seasons["first_day"]), default=""),
        last=seasons["last_day"].max(),
        left_out=sum(season.left_out for season in history.seasons),
    )
    simulated = ", ".join(season.name for season in history.seasons if season.simulated)
    count = metrics[0].found.standing["standing"].value_counts()
    parts = [f"{number_word(int(count[of]))} {of}" for of in (DIRECTLY, BY_CONTROL, NOT) if of in count]
    how_many = metrics[0].said("how_many", fuels=count.sum(), standing=", ".join(parts))
    told = [*map(_level, metrics), *map(_changed, metrics), how_many]
    return [
        paragraph(paragraph_of("simulated_seasons", names=simulated), kind="warning") if simulated else None,
        over,
        bullets(filter(None, told)),
        [label(f"{name} has no history: {why}.") for name, why in history.without.items()],
    ]


def _level(each: MetricWords) -> str:
    chart = each.found.chart
    if chart is None:
        return each.said("level_unknown")
    signals = chart.signals
    strong = signals[signals["rule"].isin(LEVEL_RULES)]
    if len(strong):
        first = strong.iloc[0]
        size = each.change(*first[["size", "low", "high"]])
        return each.said("level_moved", rule=RULES[first["rule"]], where=first["where"], size=size)
    reach = [each.amount(*ends).reach for ends in chart.drift[["change", "low", "high"]].to_numpy()]
    return each.said(
        "level_kept",
        single=len(chart.seasons) == 1,
        charted=len(chart.seasons),
        also=f", though {counted(len(signals), 'day')} lay beyond the limits" if len(signals) else "",
        reach=f"; from the first to the last, {reach[0]} remains possible" if reach else "",
    )


def _changed(each: MetricWords) -> str:
    rows = each.found.again[each.found.again["verdict"].str.startswith("different")]
    named = "; ".join(
        each.clause(f"{row.fuel} in {row.season}", "in its earlier seasons", row.change, row.low, row.high)
        for row in rows.itertuples(index=False)
    )
    return f"{capital(named)}." if named else ""


@seasons_topic("control", "The control fuel over the seasons")
def control(history: History) -> list[object]:
    """Return the control charts with their signals and rules."""
    charts = [(each, each.found.chart) for each in metrics_of(history) if each.found.chart]
    if not charts:
        return [paragraph_of("no_chart"), paragraph_of("control")]
    signals = [
        (each.title, RULES[row.rule], row.where, each.change(row.size, row.low, row.high))
        for each, chart in charts
        for row in chart.signals.itertuples(index=False)
    ]
    first, limits = charts[0][0], charts[0][1].limits
    rules = (
        paragraph_of("rule", words=words, limit=plain(limits.limits[rule], 2), rate=plain(100 * rate, 1))
        for rule, words in RULES.items()
        if (rate := limits.rates.get(rule))
    )
    return [
        paragraph_of("control"),
        [chart_drawing(*each) for each in charts],
        table_of("signals", pd.DataFrame(signals, columns=["Measure", "Rule", "Where", "How far"]))
        or "No chart shows a signal.",
        heading("The rules", "rules"),
        bullets([first.said("rules"), *rules]),
        paragraph_of("false_alarms", rate=plain(100 * FALSE_ALARMS, 0)),
    ]


def chart_drawing(each: MetricWords, chart: Chart) -> Drawing:
    """Return the control chart of a metric."""
    spec, unit = each.found.spec, each.units.of_axis(each.found.spec.unit)
    points = each.on_axis(chart_points(each.found, chart), "value", "low", "high")
    centre = float(each.units.on_axis(each.found.measured(chart.centre), spec.unit))
    means = points[points["what"] == "season"]
    values = "; ".join(
        f"{row.season}: {plain(row.value, places(row.low, row.high))} {unit}"
        for row in (means if len(means) <= MOST_TOLD else means.iloc[[0, -1]]).itertuples(index=False)
    )
    parts = {
        "seasons": len(means),
        "values": values,
        "outside": points["outside"].sum(),
        "short": label_of(spec, Units()),
    }
    ticks = {season.name: season.first_day[:7] or season.folder for season in each.seasons}
    drawn = points.assign(tick=points["season"].map(ticks))
    draw = partial(chart_figure, drawn, centre, with_unit_after(each.measure, unit))
    return figure_of(each, "control chart", spec.id, points, draw, **parts)


def chart_figure(points: pd.DataFrame, centre: float, y: str, frame: Frame) -> Figure:
    """Return seasons and days of the control fuel against their limits.

    Parameters
    ----------
    points
        what ('season' or 'day'), season, its tick, value, low, high, outside; as shown, in the order drawn.
    centre
        Mean over all seasons, as shown.
    y
        The axis with its unit.
    """
    figure, (axes,) = figures.canvas(frame, 3.2, margins=(0.75, 0.2, 0.62, 0.15))
    days, means = (points[points["what"] == what] for what in ("day", "season"))
    names, spots = means["season"].tolist(), np.arange(len(means))

    def dots(x: Any, rows: pd.DataFrame, mark: str, size: float, colour: str) -> None:
        outside, values = rows["outside"].to_numpy(bool), rows["value"].to_numpy(float)
        how: dict[str, Any] = {"linestyle": "none", "markersize": size}
        axes.plot(x, values, marker=mark, color=colour, markeredgewidth=0, **how)
        # a ring besides the colour, so that a signal is seen without it
        how = {"linestyle": "none", "markersize": size + frame.small * 0.7, "markerfacecolor": "none"}
        how |= {"markeredgecolor": frame.warn, "markeredgewidth": frame.pen * 1.6}
        axes.plot(x[outside], values[outside], marker="o", **how)

    axes.axhline(centre, color=frame.line, linewidth=frame.pen, zorder=1)
    # each day stands evenly within its season's room
    groups = days.groupby("season", sort=False)["season"]
    count, rank = groups.transform("size"), groups.cumcount()
    within = (0.64 * (rank / (count - 1).clip(lower=1)) - 0.32).where(count > 1, 0.0)
    of_season = days["season"].map({name: k for k, name in enumerate(names)})
    dots((of_season + within).to_numpy(float), days, "o", frame.small * 0.36, frame.soft)
    dashes: dict[str, Any] = {"colors": frame.ink, "linewidths": frame.pen, "linestyles": "dashed"}
    for end in ("low", "high"):
        axes.hlines(means[end], spots - 0.4, spots + 0.4, zorder=2, **dashes)
    dots(spots, means, "D", frame.small * 0.7, frame.ink)
    step = max(1, -(-len(names) // (MOST_NAMES // 2 if frame.film else MOST_NAMES)))
    ticks = means["tick"].tolist()[::step]
    axes.set_xticks(range(0, len(names), step))
    axes.set_xticklabels([short(tick, max(64 // max(len(ticks), 1), 6)) for tick in ticks], parse_math=False)
    axes.set_xlim(-0.6, len(names) - 0.4)
    axes.set_ylabel(y)
    figures.fewer_ticks(axes, frame, y=6)
    return figure


@seasons_topic("drift", "Drift of probe and cooker")
def drift(history: History) -> list[object]:
    """Return drift of probe and cooker."""
    charts = [each.chart if each else None for each in map(history.metrics.get, (OF_PROBE, OF_COOKER))]
    moved = tuple(chart.moved if chart else None for chart in charts)
    single = max((len(chart.seasons) for chart in charts if chart), default=0) == 1
    lines = bullets(map(_drift_line, metrics_of(history)))
    blame = paragraph_of("moved", single=single, unknown=None in moved, probe=moved[0], cooker=moved[1])
    # what the main probe read in ice and in boiling water, season by season
    probes = {season.name: main_probe(season.trial) for season in history.seasons}
    rows = [(name, *map(probe.get, ("id", "ice_reads", "boil_reads"))) for name, probe in probes.items()]
    read = ["in ice", "in boiling water"]
    checks = pd.DataFrame(rows, columns=["Season", "probe", *read]).astype(dict.fromkeys(read, float))
    checks = checks if checks[read].notna().any(axis=None) else checks.iloc[:0]
    return [
        paragraph_of("drift"),
        lines,
        blame,
        table_of("probe_checks", checks, metrics_of(history)[0].units),
    ]


def _drift_line(each: MetricWords) -> str:
    chart = each.found.chart
    if chart is None or not len(chart.drift):
        return each.said("drift_unknown")
    row = chart.drift.iloc[0]
    ends = row[["change", "low", "high"]]
    told = each.change(*ends) if row["signal"] else each.amount(*ends).reach
    return each.said("drift_of", signal=row["signal"], told=told)


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
    bounds = [f"{each.found.bounds} of {each.measure}" for each in metrics.values() if each.found.bounds]
    return [
        table_of("pooled", made),
        paragraph_of("borrow"),
        f"Values left out because only a bound of them is known: {listed(bounds)}." if bounds else None,
    ]


@seasons_topic("again", "Fuels tested again: did the product change?")
def again(history: History) -> list[object]:
    """Return for each metric the fuels that came again, their change and its verdict."""
    parts: list[object] = []
    for each in metrics_of(history):
        rows = each.found.again
        told = [each.change(row.change, row.low, row.high) for row in rows.itertuples(index=False)]
        if made := table_of("again", rows.assign(told=told), measure=each.measure):
            parts += [heading(each.title, f"again-{each.found.spec.id}"), made]
    none = "No fuel beside the control came again in seasons measured alike."
    return [paragraph_of("again"), *parts] if parts else [none]


@seasons_topic("fuels", "All fuels ever tested")
def fuels(history: History) -> list[object]:
    """Return all fuels ever tested with intervals, their standing, and a sentence to say."""
    standing = tables_of(history)["standing"]
    parts: list[object] = []
    for each in metrics_of(history):
        found = each.found
        moved = found.reference if found.chart is not None and found.chart.moved else ""
        rows = standing[standing["metric"] == found.spec.id]
        parts += [heading(each.title, f"fuels-{found.spec.id}"), control_drawing(each)]
        parts += [table_of("standing", rows, data=each, moved=moved)]
    return parts


def control_drawing(each: MetricWords) -> Drawing | None:
    """Return all fuels against the control fuel, or None without one."""
    found = each.found
    if not len(found.by_control):
        return None
    names, unit = ["mean", "low", "high"], "times the control fuel"
    rows = found.by_control.sort_values("mean", ascending=False, kind="stable")
    rows = rows.assign(**found.measured(rows[names]))
    if not found.log:
        unit = each.units.of_axis(found.spec.unit, difference=True)
        rows = each.on_axis(rows, *names, difference=True)
    values = "; ".join(
        f"{row.fuel} {plain(row.mean, digits)} ({plain(row.low, digits)} to {plain(row.high, digits)})"
        for row in rows.itertuples(index=False)
        for digits in [max(places(row.low, row.high), 2 if found.log else 0)]
    )
    parts = {"unit": unit, "values": values, "burns": rows["n"].sum()}
    draw = partial(against_control, rows, 1.0 if found.log else 0.0, Axis(f"{each.measure}: {unit}"))
    return figure_of(each, "against control", found.spec.id, rows, draw, **parts)


def against_control(rows: pd.DataFrame, none: float, axis: Axis, frame: Frame) -> Figure:
    """Return a row a fuel: its difference from the control fuel over the seasons with its interval.

    Parameters
    ----------
    rows
        fuel, mean, low, high; as shown, in the order drawn.
    none
        Where there is no difference: 0, or 1 for ratios.
    axis
        The axis with its unit.
    """
    layout = RowLayout(row=0.34, right=0.3)
    figure, axes = figures.rows_canvas(rows["fuel"].tolist(), axis, frame, layout)
    axes.axvline(none, color=frame.line, linewidth=frame.pen)
    for row, each in enumerate(rows.rename(columns={"mean": "value"}).itertuples(index=False)):
        figures.estimate(axes, each, row, frame.fuel(0), frame)
    figures.fewer_ticks(axes, frame, x=7)
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
        or f"All {'burns that are pooled' if left_out else 'seasons'} were measured in the same way.",
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

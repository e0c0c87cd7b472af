"""Widgets to look around in an analysis (extra `lab`): fuels by a metric, one burn by a threshold."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from importlib import import_module
from typing import TYPE_CHECKING, Any

import pandas as pd

from kit import schema
from kit.burns import burn_metrics
from kit.page.html_tables import as_table
from kit.page.style import FUELS_LIGHT
from kit.page.text import Html, join
from kit.publish.figures.drawing import picture
from kit.publish.report_data import report_data
from kit.publish.sections.fuels import values_drawing

if TYPE_CHECKING:
    from kit.analysis import Analysis

OF_THRESHOLD = ("time_to", "time_above", "longest_spell")


def explorer(analysis: Analysis) -> Any:
    """Return two rows of widgets: the fuels by a metric, and one burn by a threshold.

    Examples
    --------
    >>> explorer(analysis)  # doctest: +SKIP
    """
    import ipywidgets

    display: Any = import_module("IPython.display").display

    def showing(view: Callable[..., Html], **widgets: Any) -> Any:
        return ipywidgets.interactive_output(lambda **chosen: display(view(analysis, **chosen)), widgets)

    fuels = [(fuel.label, fuel.id) for fuel in analysis.run.trial.fuels]
    metrics = [(analysis.run.trial.metric(each).label, each) for each in analysis.fits]
    burns, above = list(analysis.metrics["burn"].unique()), round(analysis.run.trial.thresholds[0])
    chosen = ipywidgets.SelectMultiple(options=fuels, value=[fuel for _, fuel in fuels], description="Fuels")
    metric = ipywidgets.Dropdown(options=metrics, description="Metric")
    burn = ipywidgets.Dropdown(options=burns, description="Burn")
    threshold = ipywidgets.IntSlider(value=above, min=50, max=400, step=5, description="Above, °C")
    by_metric = showing(metric_view, metric=metric, fuels=chosen)
    left = ipywidgets.VBox([ipywidgets.HBox([metric, chosen]), by_metric])
    by_burn = showing(burn_view, burn=burn, threshold=threshold)
    return ipywidgets.VBox([left, ipywidgets.HBox([burn, threshold]), by_burn])


def metric_view(analysis: Analysis, metric: str, fuels: Sequence[str]) -> Html:
    """Return the burns of some fuels by a metric and their means, drawn as in the report, and how they compare."""
    table = "pairs" if metric in set(analysis.pairs["metric"]) else "comparisons"
    pairs = analysis.table(table, metric=metric)
    pairs = pairs[pairs["a"].isin(fuels) & pairs["b"].isin(fuels)]
    columns = ["a", "b", "difference", "low", "high", "verdict", "n_a", "n_b"]
    drawing = values_drawing(report_data(analysis), metric, tuple(fuels))
    return join([drawing.html(), as_table(pairs[columns], "Compared, as in the report")])


def burn_view(analysis: Analysis, burn: str, threshold: float) -> Html:
    """Return the readings of one burn, and its times above a threshold."""
    from matplotlib.figure import Figure

    run, readings = analysis.run, analysis.readings
    own = readings[readings["burn"] == burn]
    main = own[own["probe"] == analysis.curves.probe]
    good = main["flag"].astype(str).map(schema.usable).to_numpy(dtype=bool)
    drawn = Figure(figsize=(7, 3), layout="constrained")
    axes = drawn.subplots()
    minutes = main["elapsed_s"] / 60
    axes.plot(minutes[good], main["temp_c"][good], color=FUELS_LIGHT[0], label="readings that count")
    axes.plot(minutes[~good], main["temp_c"][~good], "x", color="#23262a", label="flagged")
    axes.axhline(threshold, linestyle=":", color="#565b60")
    axes.set(xlabel="minutes since time zero", ylabel="°C")
    axes.legend(frameon=False)
    sheet = run.burns[run.burns["burn"] == burn]
    trial = replace(run.trial, thresholds=(float(threshold),), primary=(), margins={})
    found = burn_metrics(own, replace(run, burns=sheet, trial=trial))
    names = [schema.metric(each).base for each in found["metric"]]
    times = found[pd.Series(names, index=found.index).isin(OF_THRESHOLD)]
    alt = f"Burn {burn}: highest {main['temp_c'][good].max():.0f} °C; {int((~good).sum())} readings flagged."
    shown = picture(drawn, alt=alt, title=f"Burn {burn}", caption=f"Dotted: {threshold:g} °C.")
    columns = ["metric", "value", "unit", "status"]
    return join([shown, as_table(times[columns], f"Burn {burn} at {threshold:g} °C")])

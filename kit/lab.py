"""JupyterLab on a run folder, with the templates copied there; widgets to look around in an analysis (extra `lab`)."""

from __future__ import annotations

import json
import os
import re
import subprocess
import sys
from collections.abc import Callable, Sequence
from contextlib import suppress
from dataclasses import replace
from importlib import import_module
from importlib.util import find_spec
from pathlib import Path
from typing import TYPE_CHECKING, Any

from kit import schema
from kit.errors import KitError, disk_faults, refuse_way_out
from kit.page.document import FUELS_LIGHT
from kit.page.html_tables import as_table
from kit.page.text import Html, join
from kit.publish.notebook import own_templates, parameter_cell, read_template
from kit.publish.wording import refused
from kit.results_file import reports_of
from kit.trial import open_run

if TYPE_CHECKING:
    from kit.analysis import Analysis

NOTEBOOKS = "notebooks"
FIRST = "standard.ipynb"
OF_THRESHOLD = ("time_to", "time_above", "longest_spell")


def copy_templates(folder: Path) -> list[Path]:
    """Copy every template that is not there yet into FOLDER/notebooks/, with its parameters set for this folder.

    Returns
    -------
    The copies that were made; those of before are the user's own, and stay as they are.

    Raises
    ------
    KitError
        Where the folder is none, or leads elsewhere.
    """
    if not folder.is_dir():
        raise refused("no_run_folder", folder)
    target = folder / NOTEBOOKS
    refuse_way_out(target)
    made = []
    with disk_faults(target):
        target.mkdir(exist_ok=True)
        for name, path in sorted(own_templates().items()):
            copy = target / f"{name}.ipynb"
            if not copy.exists():
                notebook = _preset(read_template(path), name, folder)
                copy.write_text(json.dumps(notebook, indent=1, ensure_ascii=False) + "\n", "utf-8")
                made.append(copy)
    return made


def _preset(notebook: dict[str, Any], name: str, folder: Path) -> dict[str, Any]:
    """Set the parameters of a template as its copy in FOLDER/notebooks/ needs them."""
    given: dict[str, object] = {"run_folder": ".."}
    if name == "history":
        newest = [f"{folder.name}/reports/{each.folder.name}" for each in reports_of(folder)[:1]]
        given = {"run_folder": "../..", "reports": newest}
    elif name == "two_fuels":
        with suppress(KitError):  # faults of the folder are the notebook's to tell
            fuels = (fuel.id for fuel in open_run(folder).trial.fuels)
            given |= dict(zip("ab", fuels, strict=False))
    cell = parameter_cell(notebook, f"{name}.ipynb")

    def line(found: re.Match[str]) -> str:
        return f"{found[1]}= {json.dumps(given[found[2]], ensure_ascii=False)}"

    source = re.sub(rf"(?m)^(({'|'.join(given)}):.*?)=.*$", line, "".join(cell["source"]))
    cell["source"] = source.splitlines(keepends=True)
    return notebook


def open_lab(folder: str | Path, *, browser: bool = True, options: Sequence[str] = ()) -> int:
    """Copy the templates and run JupyterLab on a run folder until it is closed; return its exit code.

    Parameters
    ----------
    browser
        Whether it opens a browser's window.
    options
        Further options for JupyterLab, as `--port=9000`.

    Raises
    ------
    KitError
        Where JupyterLab is not installed or would not start for the system's own user, or the folder is no folder.
    """
    place = Path(folder).absolute()
    copy_templates(place)
    if find_spec("jupyterlab") is None:
        raise refused("no_lab", "lab")
    if hasattr(os, "geteuid") and os.geteuid() == 0 and "--allow-root" not in options:
        raise refused("lab_as_root", "lab", folder=folder)
    window = [] if browser else ["--no-browser"]
    command = [sys.executable, "-m", "jupyterlab", f"--ServerApp.root_dir={place}", *window]
    return subprocess.call([*command, f"--LabApp.default_url=/lab/tree/{NOTEBOOKS}/{FIRST}", *options])


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
    from kit.publish.report_data import report_data
    from kit.publish.sections.fuels import values_drawing

    table = "pairs" if metric in set(analysis.pairs["metric"]) else "comparisons"
    pairs = analysis.table(table, metric=metric)
    pairs = pairs[pairs["a"].isin(fuels) & pairs["b"].isin(fuels)]
    columns = ["a", "b", "difference", "low", "high", "verdict", "n_a", "n_b"]
    drawing = values_drawing(report_data(analysis), metric, tuple(fuels))
    return join([drawing.html(), as_table(pairs[columns], "Compared, as in the report")])


def burn_view(analysis: Analysis, burn: str, threshold: float) -> Html:
    """Return the readings of one burn, and its times above a threshold."""
    from matplotlib.figure import Figure

    from kit.burns import burn_metrics
    from kit.publish.drawing import picture

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
    times = found[[schema.metric(each).base in OF_THRESHOLD for each in found["metric"]]]
    alt = f"Burn {burn}: highest {main['temp_c'][good].max():.0f} °C; {int((~good).sum())} readings flagged."
    shown = picture(drawn, alt=alt, title=f"Burn {burn}", caption=f"Dotted: {threshold:g} °C.")
    columns = ["metric", "value", "unit", "status"]
    return join([shown, as_table(times[columns], f"Burn {burn} at {threshold:g} °C")])

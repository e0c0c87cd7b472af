"""A small analysis in the shape of `kit.analysis.Analysis`, for tests of the machinery alone."""

from __future__ import annotations

import json
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pandas as pd

from kit.errors import KitError, Problem


@dataclass
class Trial:
    title: str
    operator: str = ""
    place: str = ""
    question: str = ""
    show: str = "metric"


@dataclass
class Run:
    folder: Path
    trial: Trial
    burns: pd.DataFrame


@dataclass
class Analysis:
    run: Run
    metrics: pd.DataFrame
    means: pd.DataFrame
    comparisons: pd.DataFrame
    mean_curves: pd.DataFrame
    notes: tuple[str, ...] = field(default=())


def analyse(folder: str, seed: int = 1) -> Analysis:
    """Read the stand-in folder's sheet and make tables of the right shape from it."""
    import tomllib

    place = Path(folder)
    trial = tomllib.loads((place / "trial.toml").read_text("utf-8"))["trial"]
    burns = pd.read_csv(place / "burns.csv", dtype=str, keep_default_na=False)
    if "fuel" not in burns:
        problems = [
            Problem("refuse", "burns.csv, row 1", "no column 'fuel'", "a column 'fuel'", "Add it."),
            Problem("ask", "trial.toml, trial", "no time zone", "a time zone", "Add timezone."),
        ]
        raise KitError(problems)
    peak = pd.to_numeric(burns["peak"])
    metrics = burns[["burn", "fuel"]].assign(
        metric="peak", value=peak, unit="°C", u=float("nan"), n_used=12, status="exact"
    )
    means = metrics.groupby("fuel", sort=True)["value"].mean().rename("mean").reset_index()
    means = means.assign(low=means["mean"] - 5 - seed / 10, high=means["mean"] + 5 + seed / 10, unit="°C")
    pairs = [(a, b) for a in means["fuel"] for b in means["fuel"] if a < b]
    told = {"metric": "peak", "verdict": "different", "direction": "a"}
    comparisons = pd.DataFrame(pairs, columns=["a", "b"]).assign(**told)
    curves = pd.DataFrame({"fuel": "x", "elapsed_s": [0.0, 60.0], "mean": [20.0, 1 / 3]})
    return Analysis(
        Run(place, Trial(**trial), burns),
        metrics,
        means,
        comparisons,
        curves,
        ("a note",),
    )


PARAMETERS = """\
run_folder: str = "../runs/hill-school"
output: str = ""
seed: int = 1
scale: float = 1.0
note: str | None = None"""
IMPORT = "from tests.publish import stand_in as kit_in"
CELLS = (
    ("markdown", "## What was asked, and the answer", []),
    ("code", PARAMETERS, ["parameters", "page-hides-code"]),
    (
        "code",
        "from tests.publish import stand_in as kit_in\nanalysis = kit_in.analyse(run_folder, seed=seed)",
        [],
    ),
    ("code", "kit_in.findings(analysis)", ["page-hides-code"]),
    ("markdown", "## Curves\n\nEvery burn, *mean* and band.", []),
    ("code", "kit_in.curves(analysis)", []),
    ("markdown", "## Cautions below", []),
    (
        "code",
        "from kit.publish.write_outputs import write_results\n"
        "write_results(analysis, output, dict(seed=seed, scale=scale))",
        [],
    ),
)


def notebook(cells: Any = CELLS) -> dict[str, Any]:
    """Return a notebook as plain data."""
    made = []
    for place, (kind, source, tags) in enumerate(cells):
        cell: dict[str, Any] = {
            "cell_type": kind,
            "id": f"c{place}",
            "metadata": {"tags": tags},
            "source": source,
        }
        if kind == "code":
            cell |= {"outputs": [], "execution_count": None}
        made.append(cell)
    return {
        "cells": made,
        "metadata": {"kernelspec": {"name": "absent", "display_name": "Absent"}},
        "nbformat": 4,
        "nbformat_minor": 5,
    }


def write_notebook(path: Path, cells: Any = CELLS) -> Path:
    """Write a notebook file and return its path."""
    path.write_text(json.dumps(notebook(cells)), "utf-8")
    return path


def write_run(folder: Path, *, title: str = "Drum oven", fuels: tuple[str, ...] = ("alder", "olive")) -> Path:
    """Write a run folder of four burns and return it."""
    (folder / "logs").mkdir(parents=True)
    (folder / "trial.toml").write_text(f"[trial]\ntitle = {json.dumps(title)}\n", "utf-8")
    count = max(4, len(fuels)) + 1
    rows = [(f"{i:02d}", fuels[i % len(fuels)], f"{i:02d}.csv", 240 + 7 * i + i / 3) for i in range(1, count)]
    frame = pd.DataFrame(rows, columns=["burn", "fuel", "log", "peak"])
    frame.to_csv(folder / "burns.csv", index=False)
    for _, _, log, peak in rows:
        (folder / "logs" / log).write_text(f"s,C\n0,20\n60,{peak}\n", "utf-8")
    return folder


def wait_until(met: Callable[[], object], within_s: float = 300.0) -> None:
    """Wait until something is so; fail where it is not within the time."""
    until = time.monotonic() + within_s
    while not met():
        assert time.monotonic() < until, "what the test waits for did not happen"
        time.sleep(0.05)


def findings(analysis: Analysis) -> Any:
    """Return a findings section made with the page's own pieces."""
    from kit.page.html_tables import Col, table
    from kit.page.text import element, join

    said = element("p", "Fuels: ", ", ".join(analysis.means["fuel"]), class_="finding")
    columns = [Col("fuel", "Fuel"), Col("mean", "mean", "°C", "number"), Col("low", "low", "°C", "number")]
    return join(
        [said, table(analysis.means, "Peak temperature by fuel", columns, note="95 % interval, n burns")]
    )


def curves(analysis: Analysis) -> Any:
    """Return a drawn figure."""
    import io

    import matplotlib as mpl
    from matplotlib.figure import Figure

    from kit.page.document import FUELS_LIGHT, LIGHT, figure
    from kit.page.text import visible

    with mpl.rc_context({"svg.fonttype": "none", "svg.hashsalt": "repeatburn", "text.color": LIGHT["ink"]}):
        drawn = Figure(figsize=(6, 3), facecolor="none")
        axes = drawn.subplots()
        for place, (fuel, mean) in enumerate(
            zip(analysis.means["fuel"], analysis.means["mean"], strict=True)
        ):
            axes.plot([0, 60, 120], [20, mean, 90], color=FUELS_LIGHT[place % 8])
            axes.text(60, mean, visible(fuel)[:40].replace("$", r"\$"), color=LIGHT["ink"])
        out = io.StringIO()
        drawn.savefig(out, format="svg", metadata={"Date": None})
    return figure(
        out.getvalue(),
        alt="Curves rise and fall.",
        title="Curves",
        caption="One line a fuel; n = 2 burns each.",
        key="curves",
    )

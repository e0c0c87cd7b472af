"""Where every number came from, how to check it, and the cautions."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

from kit.page.cautions import CAUTIONS, EDITION
from kit.page.tables import Col, table
from kit.page.text import Html, element
from kit.publish.provenance import Origin, trace
from kit.publish.report_data import ReportData, report_data
from kit.publish.sections.section import Section, numbers, paragraph, section, to_appendix


def cautions(analysis: Any) -> Section:
    """Return the cautions: the same in every report, whatever was burned."""
    items = (
        element("li", element("strong", f"{each.about}. "), each.text, id=f"caution-{each.key}")
        for each in CAUTIONS
    )
    parts = [element("ol", *items, class_="cautions"), paragraph(f"{EDITION}.", kind="label")]
    return section("cautions", "Cautions", parts)


def provenance(
    analysis: Any, parameters: Mapping[str, object] | None = None, output: str | Path = ""
) -> Section:
    """Return who made it and for whom, what the report rests on, and how to check it.

    Parameters
    ----------
    parameters
        As the notebook really had them.
    output
        The report's folder while it is made, '' by hand.
    """
    data = report_data(analysis)
    origin = trace(analysis.run.folder, parameters or {}, output)
    given = ", ".join(f"{name} {value}" for name, value in _parameters(origin, data)[:4])
    parts = [
        *_people(data),
        paragraph(
            f"Report id {origin.report_id}: made of {len(origin.inputs)} input files, each with its SHA-256, of the "
            f"parameters ({given}) and of the versions listed in the appendix."
        ),
        paragraph(
            "To check it: put the bundle of this report, or the run folder, on any computer with Python and run ",
            element("code", "repeatburn recheck FOLDER"),
            ". It compares the hashes, runs the analysis again from these parameters, and compares value by value.",
            id="recheck",
        ),
        to_appendix("Every file with its hash, every parameter and version", "provenance-tables"),
    ]
    return section("provenance", "Provenance", parts)


def provenance_tables(
    analysis: Any, parameters: Mapping[str, object] | None = None, output: str | Path = ""
) -> Section:
    """Return for the appendix input hashes, parameters, seeds and versions; arguments as `provenance`."""
    import pandas as pd

    data = report_data(analysis)
    origin = trace(analysis.run.folder, parameters or {}, output)
    rows = [{"name": name, "value": str(value)} for name, value in _parameters(origin, data)]
    columns = [Col("name", "Name", kind="head"), Col("value", "value")]
    parts = [
        inputs_html(origin),
        table(pd.DataFrame(rows), "Parameters and seeds", columns),
        versions_html(origin),
    ]
    return section("provenance-tables", "Provenance: files, parameters, versions", parts, part="appendix")


def _people(data: ReportData) -> list[Html]:
    trial = data.trial
    interests = trial.interests or "none stated: who paid for the fuel and the work is not recorded"
    told = [("Burned by", trial.operator), ("Place", trial.place), ("Funding and interests", interests)]
    return [paragraph(element("strong", f"{name}: "), text) for name, text in told if text]


def _parameters(origin: Origin, data: ReportData) -> list[tuple[str, object]]:
    seed = [] if "seed" in origin.parameters else [("seed", data.analysis.seed)]
    model = data.trial.model
    return [
        *origin.parameters.items(),
        *seed,
        ("confidence", data.level),
        ("primary metrics", ", ".join(data.trial.primary)),
        ("spread", model.spread or "not declared"),
        ("covariates", ", ".join(model.covariates) or "none"),
    ]


def inputs_html(origin: Origin) -> Html | None:
    """Return the table of input files with their hashes."""
    import pandas as pd

    if not origin.inputs:
        return None
    frame = pd.DataFrame(origin.input_records())
    columns = [
        Col("name", "File", kind="head"),
        *numbers(("bytes", "size"), unit="bytes"),
        Col("sha256", "SHA-256"),
    ]
    return table(frame, "Input files", columns)


def versions_html(origin: Origin) -> Html:
    """Return the table of program versions."""
    import pandas as pd

    frame = pd.DataFrame([{"name": name, "version": version} for name, version in origin.environment.items()])
    return table(frame, "Programs and their versions", [Col("name", "Program", kind="head"), Col("version")])

"""Section 11: where every number came from, and how to check it."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

from kit.page.tables import Col, table
from kit.page.text import Html, element
from kit.publish.facts import Facts, facts_of
from kit.publish.provenance import Origin, trace
from kit.publish.sections.section import Section, folded, heading, paragraph, section


def provenance(
    analysis: Any, parameters: Mapping[str, object] | None = None, output: str | Path = ""
) -> Section:
    """Return input hashes, parameters, seeds, versions, interests, and how to check the report.

    Parameters
    ----------
    analysis
        The analysis.
    parameters
        As the notebook really had them.
    output
        The report's folder while it is made, '' by hand.
    """
    facts = facts_of(analysis)
    origin = trace(analysis.run.folder, parameters or {}, output)
    parts = [
        paragraph(
            f"Report id {origin.report_id}: made of the inputs, the parameters and the versions below."
        ),
        *_people(facts),
        heading("Inputs", "inputs"),
        folded("Files, sizes and SHA-256", inputs_html(origin)),
        heading("Parameters and seeds", "parameters"),
        parameters_html(origin, facts),
        folded("Versions", versions_html(origin)),
        heading("How to check this report", "recheck"),
        paragraph(
            "Put the bundle of this report, or the run folder, on any computer with Python and run ",
            element("code", "repeatburn recheck FOLDER"),
            ": it compares the hashes, runs the analysis again from the parameters above, and compares "
            "value by value.",
        ),
    ]
    return section("provenance", "Provenance", parts)


def _people(facts: Facts) -> list[Html]:
    trial = facts.trial
    told = [
        ("Burned by", trial.operator),
        ("Place", trial.place),
        ("Interests", trial.interests or "none stated: who paid for the fuel and the work is not recorded"),
    ]
    return [paragraph(element("strong", f"{name}: "), text) for name, text in told if text]


def inputs_html(origin: Origin) -> Html | None:
    """Return the table of input files with their hashes."""
    import pandas as pd

    if not origin.inputs:
        return None
    frame = pd.DataFrame(origin.input_records())
    columns = [
        Col("name", "File", kind="head"),
        Col("bytes", "size", unit="bytes", kind="number", decimals=0),
        Col("sha256", "SHA-256"),
    ]
    return table(frame, "Input files", columns)


def parameters_html(origin: Origin, facts: Facts) -> Html:
    """Return the table of parameters the report was really made with."""
    import pandas as pd

    rows = [*origin.parameters.items(), *_seeds(facts, origin), ("confidence", facts.level)]
    rows += [("primary metrics", ", ".join(facts.trial.primary)), ("spread", facts.trial.model.spread)]
    rows += [("covariates", ", ".join(facts.trial.model.covariates) or "none")]
    frame = pd.DataFrame([{"name": name, "value": str(value)} for name, value in rows])
    return table(frame, "Parameters", [Col("name", "Name", kind="head"), Col("value", "value")])


def _seeds(facts: Facts, origin: Origin) -> list[tuple[str, object]]:
    seed = facts.extra("seed", None)
    return [("seed", seed)] if seed is not None and "seed" not in origin.parameters else []


def versions_html(origin: Origin) -> Html:
    """Return the table of program versions."""
    import pandas as pd

    frame = pd.DataFrame([{"name": name, "version": version} for name, version in origin.environment.items()])
    return table(
        frame, "Programs and their versions", [Col("name", "Program", kind="head"), Col("version", "version")]
    )

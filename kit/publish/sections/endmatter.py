"""The end of a report: the tester's own words, where every number came from and how to check it, the cautions."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any, Final

from kit.page.cautions import cautions_list
from kit.page.html_tables import cols, numbers, table
from kit.page.text import Html, element, visible
from kit.publish.provenance import Origin, trace
from kit.publish.report_data import ReportData, report_data
from kit.publish.sections.section import Section, label, paragraph, section, to_appendix

NOTES: Final = "notes.md"
LARGEST: Final = 200_000
"""Characters of the notes that are shown; what is longer is cut, and says so."""


def tester_notes(analysis: Any) -> Section:
    """Return notes.md under a heading of its own and marked as the tester's; nothing where there is none."""
    data = report_data(analysis)
    path = Path(data.analysis.run.folder) / NOTES
    text = path.read_text("utf-8-sig", errors="replace") if path.is_file() else ""
    who = data.trial.operator or "the tester"
    parts = [
        label(f"Written by {who} in {NOTES}, shown as it stands; the kit neither wrote nor checked it."),
        element("div", markdown_html(text[:LARGEST]), class_="note theirs"),
        f"Cut after {LARGEST} characters." if len(text) > LARGEST else None,
    ]
    return section("tester-notes", "The tester's own notes", parts if text.strip() else [])


def markdown_html(text: str) -> Html:
    """Return Markdown as HTML below a section's headings: HTML in it shows as text, pictures as their words.

    Links lead to http, https and mailto addresses alone; every heading is one of the third, so that the page's own
    stay apart.
    """
    import mistune

    class Renderer(mistune.HTMLRenderer):
        def heading(self, text: str, level: int, **attrs: Any) -> str:
            return f"<h3>{text}</h3>\n"

        def table(self, text: str) -> str:
            caption = "<caption>A table of the tester's own</caption>"
            box = 'class="scroll" role="region" tabindex="0" aria-label="Table"'
            return f"<div {box}><table>{caption}{text}</table></div>"

        def table_cell(self, text: str, align: str | None = None, head: bool = False) -> str:
            return f'<th scope="col">{text}</th>' if head else f"<td>{text}</td>"

        def image(self, text: str, url: str, title: str | None = None) -> str:
            return f"[{text}]" if text else ""

        def link(self, text: str, url: str, title: str | None = None) -> str:
            kept = url.lower().startswith(("http://", "https://", "mailto:"))
            return super().link(text, url) if kept else text

    shown: Any = mistune.create_markdown(renderer=Renderer(escape=True), plugins=["table", "strikethrough"])
    return Html(shown(visible(text)))


def cautions(analysis: Any) -> Section:
    """Return the cautions: the same in every report, whatever was burned."""
    return section("cautions", "Cautions", [cautions_list()])


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
    trial = data.trial
    interests = trial.interests or "not stated: who paid for the fuel and the work is not recorded."
    people = {"Burned by": trial.operator, "Place": trial.place, "Funding and interests": interests}
    parts = [
        [paragraph(element("strong", f"{name}: "), text) for name, text in people.items() if text],
        f"Report id {origin.report_id}: made of {len(origin.inputs)} input files, each with its SHA-256, of the "
        f"parameters ({given}) and of the versions listed in the appendix.",
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
    data = report_data(analysis)
    origin = trace(analysis.run.folder, parameters or {}, output)
    parts = [
        inputs_html(origin),
        _names_and_values("Parameters and seeds", ("Name", "value"), _parameters(origin, data)),
        versions_html(origin),
    ]
    return section("provenance-tables", "Provenance: files, parameters, versions", parts, "appendix")


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

    columns = cols(("name", "File"), numbers(("bytes", "size"), unit="bytes"), ("sha256", "SHA-256"))
    return table(pd.DataFrame(origin.input_records()), "Input files", columns) if origin.inputs else None


def versions_html(origin: Origin) -> Html:
    """Return the table of program versions."""
    versions = list(origin.environment.items())
    return _names_and_values("Programs and their versions", ("Program", "version"), versions)


def _names_and_values(caption: str, headings: tuple[str, str], rows: Sequence[tuple[str, object]]) -> Html:
    import pandas as pd

    frame = pd.DataFrame([(name, str(value)) for name, value in rows], columns=["name", "value"])
    return table(frame, caption, cols(("name", headings[0]), ("value", headings[1])))

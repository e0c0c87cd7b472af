"""What stands beside the page: results.json, tables, figures and cards."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import TYPE_CHECKING

from kit.errors import disk_faults
from kit.page.text import Html, element
from kit.publish.cards import cards
from kit.publish.claims import all_claims
from kit.publish.figures.export import export
from kit.publish.report_data import report_data
from kit.publish.results import write_results
from kit.publish.sections import Section
from kit.publish.staging import report_date

if TYPE_CHECKING:
    from kit.analysis import Analysis


@disk_faults()
def write_outputs(
    analysis: Analysis,
    sections: Iterable[Section],
    output: str | Path,
    parameters: Mapping[str, object] | None = None,
) -> Html:
    """Write cards, figures, tables and results.json into a report's folder, results.json last, and say so.

    Parameters
    ----------
    sections
        Those of the page: their figures are the ones written.
    output
        The report's folder while it is made; '' writes nothing, as when a template is run by hand in JupyterLab.
    parameters
        As the notebook really had them, paths left out.
    """
    if not str(output):
        return element(
            "p", "Run by hand: nothing was written. ", element("code", "repeatburn report"), " does."
        )
    target = Path(output)
    figures = target / "figures"
    figures.mkdir(exist_ok=True)
    drawings = [drawing for section in sections for drawing in section.figures]
    export(drawings, figures, report_date())
    for name, text in cards(analysis).items():
        (target / name).write_text(text, "utf-8", newline="\n")
    return write_results(analysis, target, parameters, claims=all_claims(report_data(analysis)))

"""What a corrected report changes: its numbers against those of the report it corrects."""

from __future__ import annotations

import json
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from kit.publish.compare import Comparison, said
from kit.publish.plain import records
from kit.publish.results import RESULTS

if TYPE_CHECKING:
    import pandas as pd

TABLES: Final = ("metrics", "means", "comparisons", "components", "kinds", "ladder", "next_bag")


def correction_of(analysis: Any) -> pd.DataFrame | None:
    """Return what differs from the report that the trial file's `corrects` names, None where it is not there.

    Parameters
    ----------
    analysis
        The analysis; `corrects` holds the name of a folder in reports/.

    Returns
    -------
    DataFrame
        Columns what, was, now: a row a value.
    """
    import pandas as pd

    was = _results_of(Path(analysis.run.folder) / "reports", analysis.run.trial.corrects)
    if was is None:
        return None
    comparison = Comparison()
    for name in TABLES:
        table = getattr(analysis, name, None)
        if hasattr(table, "iterrows"):
            comparison.look(was.get(name, []), records(table), name)
    rows = [{"what": each.where, "was": said(each.was), "now": said(each.now)} for each in comparison.moved]
    return pd.DataFrame(rows, columns=["what", "was", "now"], dtype=object)


def _results_of(reports: Path, name: str) -> dict[str, Any] | None:
    """Return the results of a report by its name alone: a path is not followed."""
    if not name or Path(name).name != name:
        return None
    try:
        found: dict[str, Any] = json.loads((reports / name / RESULTS).read_text("utf-8"))
    except (OSError, ValueError):
        return None
    return found

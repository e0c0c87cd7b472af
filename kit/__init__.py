"""A kit for people who test cooking fuels by burning them: from logs to a report with error bars.

What a notebook needs is here by name, and loaded when it is first asked for:

>>> from kit import analyse, open_run, fit_repeats
"""

from __future__ import annotations

import os
from importlib import import_module
from typing import Any, Final

__version__ = "0.2.0"
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # the matrices are small: threads only wait for each other

_HOMES: Final = {
    "KitError": "errors",
    "analyse": "analysis",
    "analysis_of": "analysis",
    "as_table": "page.html_tables",
    "best_fuels": "judge",
    "burn_metrics": "burns",
    "chance_better": "judge",
    "common_grid": "burns",
    "compare_fuels": "judge",
    "declared_family": "judge.judging",
    "declared_model": "analysis",
    "explorer": "publish.lab",
    "fit_repeats": "variance",
    "fuel_means": "judge",
    "is_open": "judge.judging",
    "judging_level": "judge.judging",
    "margin_of": "judge.judging",
    "next_bag": "judge",
    "open_run": "trial",
    "picture": "publish.figures.drawing",
    "read_burns": "readings",
    "read_log": "readings",
    "read_run": "readings",
    "with_log_days": "readings",
    "sections": "publish.sections",
    "write_outputs": "publish.write_outputs",
}
"""Where each name that notebooks use is at home."""


def __getattr__(name: str) -> Any:
    if name not in _HOMES:
        raise AttributeError(f"module 'kit' has no attribute {name!r}")
    home = import_module(f"kit.{_HOMES[name]}")
    return home if name == "sections" else getattr(home, name)


def __dir__() -> list[str]:
    return sorted([*globals(), *_HOMES])

"""A kit for people who test cooking fuels by burning them: from logs to a report with error bars.

What a notebook needs is here by name, and loaded when it is first asked for:

>>> from kit import analyse, open_run, fit_repeats
"""

import os
from importlib import import_module
from typing import Any, Final

__version__ = "0.2.0"
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # the matrices are small: threads only wait for each other

_HOMES: Final = {
    name: home
    for home, names in {
        "errors": "KitError",
        "trial": "open_run",
        "readings": "read_burns read_log read_run with_log_days",
        "burns": "burn_metrics common_grid",
        "variance": "fit_repeats",
        "judge": "best_fuels chance_better compare_fuels fuel_means next_bag",
        "judge.judging": "declared_family is_open judging_level margin_of",
        "analysis": "analyse analysis_of declared_model",
        "page.html_tables": "as_table",
        "publish.drawing": "picture",
        "lab": "explorer",
        "publish.sections": "sections",
        "publish.write_outputs": "write_outputs",
    }.items()
    for name in names.split()
}
"""Where each name that notebooks use is at home."""


def __getattr__(name: str) -> Any:
    if name not in _HOMES:
        raise AttributeError(f"module 'kit' has no attribute {name!r}")
    home = import_module(f"kit.{_HOMES[name]}")
    return home if name == "sections" else getattr(home, name)


def __dir__() -> list[str]:
    return sorted([*globals(), *_HOMES])

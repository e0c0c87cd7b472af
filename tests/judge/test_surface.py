"""The stable surface: every name that notebooks and outside checks call can be imported, with its arguments."""

import importlib
import inspect

import pytest

SURFACE = {
    "kit.trial": {"open_run": ("path",)},
    "kit.readings": {"read_log": ("path", "declared"), "read_burns": ("run",)},
    "kit.burns": {"burn_metrics": ("readings", "run")},
    "kit.variance": {
        "fit_repeats": (
            "table", "value", "fuel", "bag", "day", "kind", "covariates", "fuel_effect", "spread", "scale",
            "method", "status", "borrowed",
        ),
    },
    "kit.judge": {
        "fuel_means": ("fit", "df", "level"),
        "compare_fuels": ("fit", "pairs", "multiplicity", "margin", "df", "level"),
        "next_bag": ("fit",),
        "chance_better": ("fit", "a", "b"),
        "best_fuels": ("fit", "better", "level"),
    },
    "kit.plan": {"power_of": ("design", "components", "difference"), "run_order": (), "simulate_trial": ()},
    "kit.analysis": {"analyse": ("run_folder", "seed")},
}  # fmt: skip


@pytest.mark.parametrize(
    ("module", "name", "arguments"),
    [(module, name, wanted) for module, names in SURFACE.items() for name, wanted in names.items()],
)
def test_every_name_of_the_surface_is_there(module, name, arguments):
    parameters = list(inspect.signature(getattr(importlib.import_module(module), name)).parameters)
    assert set(arguments) <= set(parameters)
    assert parameters[: len(arguments)] == list(arguments) or module in ("kit.judge", "kit.variance")

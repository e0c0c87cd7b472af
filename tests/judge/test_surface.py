"""The stable surface: every name that notebooks and outside checks call can be imported, with its arguments."""

import importlib
import inspect

import pandas as pd
import pytest

from kit.errors import KitError
from kit.judge import best_fuels, chance_better, compare_fuels, fuel_means, next_bag
from kit.variance import fit_repeats
from tests.judge.made import burns_table

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


PAIRS = [
    "x",
    None,
    3,
    [],
    [("fuel 0",)],
    [("fuel 0", "fuel 0")],
    ["fuel 0", "fuel 1"],
    [("fuel 0", "fuel 1", "fuel 2")],
]


@pytest.mark.parametrize("pairs", PAIRS, ids=map(str, PAIRS))
def test_pairs_that_are_none_are_refused(pairs):
    fit = fit_repeats(burns_table(fuels=3))
    with pytest.raises(KitError, match="pairs of two different ids"):
        compare_fuels(fit, pairs)


def test_pairs_may_come_out_of_a_table():
    fit = fit_repeats(burns_table(fuels=3))
    found = compare_fuels(fit, pd.DataFrame({"a": ["fuel 0"], "b": ["fuel 2"]}).to_numpy())
    assert found[["a", "b"]].values.tolist() == [["fuel 0", "fuel 2"]]


@pytest.mark.parametrize("level", [0, 1, 95, -0.5, float("nan"), "95 %"])
def test_a_confidence_that_is_none_is_refused_everywhere(level):
    fit = fit_repeats(burns_table(fuels=3))
    for ask in (
        lambda: fuel_means(fit, level=level),
        lambda: compare_fuels(fit, level=level),
        lambda: best_fuels(fit, level=level),
        lambda: next_bag(fit, level=level),
        lambda: chance_better(fit, "fuel 0", "fuel 1", level=level),
    ):
        with pytest.raises(KitError, match="a confidence between 0 and 1"):
            ask()


def test_the_chance_of_a_fuel_that_is_not_there_is_refused():
    with pytest.raises(KitError, match="found 'oak'; expected a fuel of the table"):
        chance_better(fit_repeats(burns_table(fuels=3)), "oak", "fuel 1")

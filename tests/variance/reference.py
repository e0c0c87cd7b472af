"""Reference files: which there are, and how each is fitted with the kit."""

import json
from functools import cache
from pathlib import Path

import numpy as np
import pandas as pd
from numpy import testing

from kit.variance import RepeatFit, fit_repeats

FOLDER = Path(__file__).parents[1] / "reference"

ARGUMENTS = {
    "dyestuff": {"value": "Yield", "fuel": None, "bag": "Batch"},
    "dyestuff2": {"value": "Yield", "fuel": None, "bag": "Batch"},
    "pastes": {"value": "strength", "fuel": "batch", "bag": "cask", "fuel_effect": "random"},
    "penicillin": {"value": "diameter", "fuel": None, "bag": "plate", "day": "sample"},
    "burns_days": {"day": "day"},
    "burns_days_boundary": {"day": "day"},
    "burns_days_small": {"day": "day"},
    "burns_covariate": {"covariates": ("temp",)},
    "burns_log": {"scale": "log"},
}
COMPONENT_OF = {
    "fuel:bag": "bag", "day": "day", "residual": "burn", "Batch": "bag", "plate": "bag", "sample": "day",
    "batch": "fuel", "batch:cask": "bag",
}  # fmt: skip


@cache
def values(name: str) -> dict:
    return json.loads((FOLDER / f"{name}.json").read_text(encoding="utf-8"))


@cache
def table(name: str) -> pd.DataFrame:
    return pd.read_csv(FOLDER / f"{name}.csv")


@cache
def fitted(name: str, method: str = "REML") -> RepeatFit:
    return fit_repeats(table(name), method=method, **ARGUMENTS.get(name, {}))


def with_key(*keys: str) -> list[str]:
    """Names of the files that hold all these keys (dots step down)."""
    names = []
    for path in sorted(FOLDER.glob("*.json")):
        here = values(path.stem)
        if all(_get(here, key) is not None for key in keys):
            names.append(path.stem)
    return names


def _get(here, key):
    for part in key.split("."):
        here = here.get(part) if isinstance(here, dict) else None
    return here


def get(name: str, key: str):
    return _get(values(name), key)


def treatment_rows(fit: RepeatFit) -> np.ndarray:
    """Rows that turn cell means into an intercept and differences from the first, then covariates."""
    m, p = len(fit.labels), fit.design.p
    L = np.eye(p)
    L[1:m, 0] = -1.0
    return L


def pair_rows(fit: RepeatFit, rows: list[dict], a: str = "a", b: str = "b") -> np.ndarray:
    labels = [str(label) for label in fit.labels]
    L = np.zeros((len(rows), fit.design.p))
    for i, row in enumerate(rows):
        L[i, labels.index(row[a])], L[i, labels.index(row[b])] = 1.0, -1.0
    return L


def column(rows: list[dict], key: str, inner: str | None = None) -> np.ndarray:
    return np.array([row[key] if inner is None else row[key][inner] for row in rows], dtype=float)


def assert_allclose(got, want, rtol=1e-7, atol=0.0):
    """As numpy's, but where the reference is null (undefined) there is nothing to compare."""
    got, want = np.asarray(got, dtype=float), np.asarray(want, dtype=float)
    defined = ~np.isnan(want)
    assert got.size == want.size
    testing.assert_allclose(got.reshape(want.shape)[defined], want[defined], rtol=rtol, atol=atol)

"""Laboratory figures beside a standard's limits: for information, never a compliance test."""

from __future__ import annotations

import tomllib
from functools import cache
from importlib import resources
from typing import Any

from kit.page.tables import Col, table
from kit.page.text import Html
from kit.publish.facts import Facts

FIGURES = (
    ("moisture", "moisture", "moisture_below", "below"),
    ("ash", "ash", "ash_below", "below"),
    ("fixed_carbon", "fixed carbon", "fixed_carbon_above", "above"),
)


@cache
def limits() -> dict[str, Any]:
    """Return the packaged limits, with their edition."""
    return tomllib.loads(resources.files("kit.publish").joinpath("limits.toml").read_text("utf-8"))


def limits_table(facts: Facts) -> Html | None:
    """Return laboratory figures beside the limits for the fuel's kind, or None where no figure is declared."""
    import pandas as pd

    rows = [row for fuel in facts.trial.fuels for row in _rows(fuel)]
    if not rows:
        return None
    columns = [
        Col("name", "Fuel", kind="head"),
        Col("figure", "figure"),
        Col("value", "declared", unit="%", kind="number", decimals=1),
        Col("limit", "limit"),
        Col("method", "method"),
    ]
    note = f"{limits()['edition']}. For information; this is no compliance test."
    return table(pd.DataFrame(rows), "Laboratory figures beside a standard's limits", columns, note=note)


def _rows(fuel: Any) -> list[dict[str, object]]:
    kind = next((each for each in limits()["kind"] if each["name"] in fuel.kind.lower()), None)
    if kind is None:
        return []
    return [
        {
            "name": fuel.label,
            "figure": words,
            "value": getattr(fuel.lab, name),
            "limit": f"{side} {kind[key]}\u00a0%",
            "method": fuel.lab.method or "not stated: moisture and ash basis unknown",
        }
        for name, words, key, side in FIGURES
        if getattr(fuel.lab, name) is not None
    ]

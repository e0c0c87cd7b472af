"""`keys` explains every key of trial.toml from the models that read it and what keys.toml says of each."""

import pytest

from kit.errors import KitError
from kit.schema import METRIC_BASES
from kit.trial.keys import MEANINGS, explained_keys, keys_text
from kit.trial.models import TrialFile


def model_keys():
    for name, field in TrialFile.model_fields.items():
        models = [field.annotation, *getattr(field.annotation, "__args__", ())]
        for model in (model for model in models if hasattr(model, "model_fields")):
            yield from ((name, inner.alias or key) for key, inner in model.model_fields.items())


def test_every_key_of_the_models_is_there_and_has_a_meaning():
    explained = {(key.table.strip("[]"), key.key) for key in explained_keys()}
    assert set(model_keys()) <= explained
    assert {(table, key) for table, keys in MEANINGS.items() for key in keys} == {
        (table.split()[-1].strip("[]"), key) for table, key in explained
    }
    assert all(len(key.meaning) > 8 and key.kind for key in explained_keys())


@pytest.mark.parametrize(
    ("word", "table", "kind", "default", "unit"),
    [
        ("tolerance_g", "[charge]", "number", "", "g"),
        ("thresholds", "[metrics]", "list of numbers", "[110, 180, 260]", "°C"),
        ("burn_h", "[plan]", "number", "", "h"),
        ("latest", "[plan]", "time of day", "", ""),
        ("time_zero", "[trial]", '"lit" | "tipped" | "lid on"', '"lit"', ""),
        ("confidence", "[model]", "number", "0.95", ""),
        ("lag_correction", "[cleaning]", "true or false", "false", ""),
        ("moisture", "[[fuel]] lab", "number", "", "% of mass"),
        ("resolution", "[[probe]]", "number", "", "K"),
        ("pairs", "[trial]", "list of [text, text]", "", ""),
        ("plateau_min", "[metrics]", "[number, number]", "", "min"),
    ],
)
def test_kind_default_and_unit_are_read_off_the_model(word, table, kind, default, unit):
    (key,) = explained_keys(word)
    assert (key.table, key.kind, key.default, key.unit) == (table, kind, default, unit)


def test_a_word_finds_a_table_a_part_of_a_key_or_a_meaning():
    assert {key.table for key in explained_keys("plan")} >= {"[plan]"}
    assert {key.key for key in explained_keys("balance")} >= {"balance_division_g", "balance_linearity_g"}
    assert {key.key for key in explained_keys("binders")} == {"additives"}
    assert explained_keys("burn_h")[0].unit == "h"


def test_every_metric_is_named_where_primary_is_explained():
    (primary,) = explained_keys("primary")
    assert all(base in primary.meaning for base in METRIC_BASES)
    assert "time_to:110, time_above:110" in primary.meaning and "band:COOK" in primary.meaning
    assert "{" not in primary.meaning


def test_the_text_names_each_table_once():
    lines = keys_text(explained_keys()).split("\n")
    heads = [line.split("  ")[0] for line in lines if line.startswith("[")]
    assert len(heads) == len(set(heads))
    assert "[[logger]]" in heads and max(map(len, lines)) <= 125


def test_a_word_that_is_nowhere_is_refused_with_the_nearest():
    with pytest.raises(KitError, match="Did you mean 'tolerance_g'"):
        explained_keys("tolerence_g")
    with pytest.raises(KitError, match="shows all"):
        explained_keys("zzzz")

"""Every public name has an example in its docstring, and every example is true of the demo."""

import doctest
from pathlib import Path

import pandas as pd
import pytest

import kit
from kit.plan import power_of, run_order
from tests.publish_content.made import analysis

DEMO = Path(__file__).parents[1] / "runs" / "hill-school"
WITHOUT = {"explorer", "sections", "as_table", "picture", "write_outputs"}
"""What shows itself in a notebook: `tests/test_notebooks.py` runs those."""
PUBLIC = {name: getattr(kit, name) for name in kit._HOMES if name not in WITHOUT} | {
    "power_of": power_of,
    "run_order": run_order,
}


@pytest.fixture(scope="module")
def names():
    """What an example may use without saying where it came from."""
    run = kit.open_run(DEMO)
    logs = kit.read_run(run)
    metrics = kit.burn_metrics(logs.readings, run)
    rows, model = kit.declared_model(metrics, run, "peak")
    fit = kit.fit_repeats(rows, **model)
    known = {"pd": pd, "demo": DEMO, "run": run, "logs": logs, "metrics": metrics, "fit": fit}
    return {**known, **PUBLIC, "analyse": {DEMO: analysis("demo")}.__getitem__}


@pytest.mark.parametrize("name", PUBLIC)
def test_the_example_of_a_public_name_is_true(name, names):
    (test,) = doctest.DocTestFinder(recurse=False).find(PUBLIC[name], name, globs=dict(names))
    assert test.examples, f"{name} has no example"
    assert not doctest.DocTestRunner(optionflags=doctest.NORMALIZE_WHITESPACE).run(test).failed

"""The plan notebook runs cell by cell, on the demo and on a new folder, and writes only when told to."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from tests.plan.helpers import yard

ROOT = Path(__file__).parents[2]
NOTEBOOK = json.loads((ROOT / "templates" / "plan.ipynb").read_text(encoding="utf-8"))


def run_cells(**parameters: object) -> dict[str, object]:
    names: dict[str, object] = {}
    for cell in NOTEBOOK["cells"]:
        if cell["cell_type"] != "code":
            continue
        exec("".join(cell["source"]), names)
        if "parameters" in cell["metadata"].get("tags", []):
            assert set(parameters) <= set(names)
            names.update(parameters)
    return names


@pytest.mark.few_designs
def test_its_defaults_run_on_the_demo(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(ROOT / "templates")
    before = sorted(path.name for path in (ROOT / "runs" / "hill-school" / "plan").iterdir())
    names = run_cells()
    assert names["written"] is None and len(names["planned"].chances) == 30
    assert sorted(path.name for path in (ROOT / "runs" / "hill-school" / "plan").iterdir()) == before


@pytest.mark.few_designs
def test_it_writes_when_told_to(tmp_path: Path) -> None:
    folder = yard(tmp_path / "y")
    run_cells(run_folder=str(folder), today="2026-04-10")
    assert [path.name for path in folder.iterdir()] == ["trial.toml"]
    run_cells(run_folder=str(folder), today="2026-04-10", write=True)
    assert (folder / "plan" / "sheets.html").is_file()


def test_it_is_kept_without_outputs_and_defines_nothing() -> None:
    for cell in NOTEBOOK["cells"]:
        if cell["cell_type"] == "code":
            assert not cell["outputs"] and cell["execution_count"] is None
            assert "def " not in "".join(cell["source"]) and len(cell["source"]) <= 5

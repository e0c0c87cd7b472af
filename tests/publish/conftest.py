import csv
import io
import shutil
from pathlib import Path

import pytest

from kit.publish import notebook as templates
from tests.publish.stand_in import write_notebook, write_run

DEMO = Path(__file__).parents[2] / "runs" / "hill-school"


def write_singles(folder):
    """Write one burn of each of three fuels of the demo: real logs, and an analysis without a model."""
    shutil.copytree(
        DEMO, folder, ignore=shutil.ignore_patterns("reports", "plan", "events.csv", "scores.csv")
    )
    rows = list(csv.DictReader((DEMO / "burns.csv").read_text("utf-8").splitlines()))
    first = {row["fuel"]: row for row in reversed(rows[:20])}
    kept = sorted(first.values(), key=lambda row: row["burn"])[:3]
    text = io.StringIO()
    writer = csv.DictWriter(text, list(kept[0]), lineterminator="\n")
    writer.writeheader()
    writer.writerows(kept)
    (folder / "burns.csv").write_text(text.getvalue(), "utf-8")
    return folder


@pytest.fixture
def singles(tmp_path):
    return write_singles(tmp_path / "singles")


@pytest.fixture
def run(tmp_path):
    return write_run(tmp_path / "run")


@pytest.fixture
def standard(tmp_path, monkeypatch):
    """Put the stand-in where the template named 'standard' is looked for."""
    folder = tmp_path / "templates"
    folder.mkdir()
    monkeypatch.setattr(templates, "template_folders", lambda: (folder,))
    return write_notebook(folder / "standard.ipynb")

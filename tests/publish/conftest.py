import pytest

from kit.publish import template as templates
from tests.publish.stand_in import write_notebook, write_run


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

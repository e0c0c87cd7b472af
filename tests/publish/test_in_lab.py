"""Figures where people meet them: in JupyterLab, light and dark, trusted or not, and in a plain export."""

import shutil

import pytest

from kit.publish import make_report
from tests.publish.browser import chromium
from tests.publish.conftest import write_singles
from tests.publish.in_lab import faults_of_figures, jupyterlab, run_all, turn_dark

pytestmark = [pytest.mark.browser, pytest.mark.slow]


@pytest.fixture(scope="module")
def browser():
    with chromium() as started:
        yield started


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    return write_singles(tmp_path_factory.mktemp("lab") / "singles")


@pytest.fixture(scope="module")
def report(folder):
    """The report's notebook as somebody else receives it: without a signature."""
    target = folder / "received.ipynb"
    shutil.copy(make_report(folder).parent / "notebook.ipynb", target)
    return target


@pytest.fixture(scope="module")
def count(report):
    """How many figures the report has."""
    return len(list(report.parent.glob("reports/*/figures/*-film-light.png")))


@pytest.fixture(scope="module")
def lab(folder, tmp_path_factory, browser):
    with jupyterlab(folder, tmp_path_factory.mktemp("home"), browser) as started:
        yield started


def test_a_template_run_in_jupyterlab_shows_every_figure_light_and_dark(lab, count):
    with lab.notebook("notebooks/standard.ipynb") as page:
        run_all(page)
        assert not faults_of_figures(page, count)
        turn_dark(page)
        assert not faults_of_figures(page, count)


def test_a_notebook_that_is_not_trusted_shows_every_figure(lab, report, count):
    with lab.notebook(report.name) as page:
        assert not faults_of_figures(page, count)
        assert page.evaluate("document.querySelectorAll('.jp-OutputArea-output svg').length") == 0


def test_the_export_of_any_jupyter_shows_every_figure(report, count, tmp_path, browser):
    import nbformat
    from nbconvert import HTMLExporter

    text, _ = HTMLExporter().from_notebook_node(nbformat.read(report, as_version=4))
    (tmp_path / "export.html").write_text(text, "utf-8")
    for scheme in ("light", "dark"):
        page = browser.new_page(color_scheme=scheme, viewport={"width": 1200, "height": 900})
        page.goto((tmp_path / "export.html").as_uri())
        assert not faults_of_figures(page, count)
        page.close()


def test_the_look_finds_what_is_wrong(browser, tmp_path):
    black = "data:image/svg+xml;utf8,<svg xmlns='http://www.w3.org/2000/svg' width='300' height='200'><rect width='300' height='200'/></svg>"  # noqa: E501
    (tmp_path / "page.html").write_text(
        f'<img alt="" src="{black}"><p data-mime-type="x.error">no</p>', "utf-8"
    )
    page = browser.new_page()
    page.goto((tmp_path / "page.html").as_uri())
    wrong = "\n".join(faults_of_figures(page, 2, patience_ms=100))
    assert (
        "1 figures of 2" in wrong and "without words" in wrong and "black or empty" in wrong and "no" in wrong
    )
    page.close()

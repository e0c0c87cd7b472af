"""The demo's own report: whole, small, the same each time, right in a browser, and confirmed by its own bundle."""

import json
import re
import shutil
from datetime import datetime
from pathlib import Path

import pytest

from kit.publish import make_bundle, make_report, recheck
from kit.publish.notebook import take_order
from kit.publish.report import make
from kit.runtime.kernel import fresh_kernel
from tests.publish.browser import VIEWS, chromium, faults_of
from tests.publish.test_report import digests
from tests.publish_content.made import folder

ROOT = Path(__file__).parents[2]

pytestmark = pytest.mark.slow


@pytest.fixture(scope="module")
def demo(tmp_path_factory):
    folder = tmp_path_factory.mktemp("demo") / "hill-school"
    shutil.copytree(ROOT / "runs" / "hill-school", folder, ignore=shutil.ignore_patterns("reports"))
    return folder


@pytest.fixture(scope="module")
def report(demo):
    return make(take_order(demo, "standard", {}), fresh_kernel).parent


@pytest.fixture(scope="module")
def bundle(demo, report):
    return make_bundle(demo, agreed=True).path


def test_the_report_has_its_parts_and_its_page_is_small(report):
    names = {path.name for path in report.iterdir()}
    assert {
        "report.html",
        "notebook.ipynb",
        "results.json",
        "tables",
        "figures",
        "say.md",
        "how-we-know.md",
    } <= names
    page = (report / "report.html").read_text("utf-8")
    assert len(page.encode()) <= 2_500_000
    assert "imulated" in page and "<script" not in page
    assert len(re.findall("<h1", page)) == 1


def test_results_hold_every_part_and_no_path(report, demo):
    text = (report / "results.json").read_text("utf-8")
    assert str(demo) not in text and str(ROOT) not in text
    results = json.loads(text)
    for key in (
        "trial", "inputs", "parameters", "environment", "burns", "metrics", "components", "means", "comparisons",
        "verdicts", "ladder", "kinds", "next_bag", "cooks", "curves", "odd_burns", "influence", "censored", "flags",
        "uncertainty", "deviations", "second_opinion", "self_check",
    ):  # fmt: skip
        assert key in results, key
    assert len(results["burns"]) == 36 and len(results["inputs"]) > 30


def test_a_second_run_elsewhere_makes_the_same_bytes(demo, report, tmp_path, monkeypatch):
    copy = tmp_path / "another place" / "hill-school"
    shutil.copytree(demo, copy, ignore=shutil.ignore_patterns("reports"))
    monkeypatch.chdir(tmp_path)
    for name, value in {
        "PYTHONHASHSEED": "4242",
        "TZ": "Pacific/Chatham",
        "SOURCE_DATE_EPOCH": epoch(report),
    }.items():
        monkeypatch.setenv(name, value)
    again = digests(make_report(copy).parent)
    assert again == digests(report)
    endings = {Path(name).suffix for name in again}
    assert {".html", ".ipynb", ".json", ".csv", ".md", ".svg", ".png"} <= endings


def epoch(report):
    """Return a moment of the day the report bears."""
    return str(int(datetime.fromisoformat(f"{report.name[:10]}T12:00:00+00:00").timestamp()))


def test_its_bundle_agrees_on_another_day(bundle, tmp_path, monkeypatch):
    shutil.copy(bundle, tmp_path / "theirs.zip")
    monkeypatch.setenv("SOURCE_DATE_EPOCH", "2000000000")
    outcome = recheck(tmp_path / "theirs.zip")
    assert outcome.agrees and outcome.values > 5000, outcome.words


def test_its_data_package_is_valid(bundle, tmp_path):
    import frictionless

    shutil.unpack_archive(bundle, tmp_path)
    (top,) = tmp_path.iterdir()
    found = frictionless.validate(str(top / "datapackage.json"))
    assert found.valid, found.flatten(["title", "fieldName", "rowNumber", "type", "note"])[:20]


@pytest.mark.browser
@pytest.mark.parametrize("template", ["standard", "two_fuels", "methods"])
def test_nothing_is_wrong_with_its_pages(report, template, tmp_path):
    page = report / "report.html"
    if template != "standard":  # of three of its fuels
        page = make_report(shutil.copytree(folder("three"), tmp_path / "three"), template)
    with chromium() as browser:
        found = {view: faults_of(browser, page, *view) for view in VIEWS}
    assert not any(found.values()), found

import json
import re

import pytest

from kit.cli import main
from kit.errors import KitError
from kit.publish import make_report, reports_of, write_index
from tests.publish.stand_in import write_notebook, write_run


def test_reports_stand_newest_first(tmp_path, monkeypatch):
    template = write_notebook(tmp_path / "standard.ipynb")
    runs = tmp_path / "runs"
    one, two = write_run(runs / "one: a"), write_run(runs / "two", title="<i>Second</i>")
    for run, day in ((one, 0), (two, 1), (one, 2), (one, 2)):
        monkeypatch.setenv("SOURCE_DATE_EPOCH", str(1747180800 + 86400 * day))
        make_report(run, template)
    (one / "reports" / "2025-05-20-standard").mkdir()
    assert [each.folder.name for each in reports_of(one)] == [
        "2025-05-16-standard-2", "2025-05-16-standard", "2025-05-14-standard",
    ]  # fmt: skip
    text = write_index(runs).read_text("utf-8")
    links = re.findall(r'href="(\./[^"]+)"', text)
    assert links == [
        "./one%3A%20a/reports/2025-05-16-standard-2/report.html",
        "./one%3A%20a/reports/2025-05-16-standard/report.html",
        "./two/reports/2025-05-15-standard/report.html",
        "./one%3A%20a/reports/2025-05-14-standard/report.html",
    ]
    assert "&lt;i&gt;Second&lt;/i&gt;" in text
    assert [path.name for path in runs.iterdir() if path.is_file()] == ["index.html"]


def test_an_index_of_nothing_says_what_to_do(tmp_path):
    assert "There is no report yet" in write_index(tmp_path).read_text("utf-8")


def test_the_verb_prints_the_page_it_made(tmp_path, capsys):
    template = write_notebook(tmp_path / "standard.ipynb")
    make_report(write_run(tmp_path / "runs" / "one"), template)
    assert main(["index", str(tmp_path / "runs")]) == 0
    assert capsys.readouterr().out.strip() == str(tmp_path / "runs" / "index.html")
    assert "1 report, newest first" in (tmp_path / "runs" / "index.html").read_text("utf-8")
    assert main(["index", "--json", str(tmp_path / "runs")]) == 0
    assert json.loads(capsys.readouterr().out) == {"index": str(tmp_path / "runs" / "index.html")}
    assert main(["index", str(tmp_path / "absent")]) == 2


def test_a_page_of_somebody_elses_is_not_replaced(tmp_path):
    (tmp_path / "index.html").write_text("<h1>My own site</h1>", "utf-8")
    with pytest.raises(KitError, match="not made by the kit"):
        write_index(tmp_path)
    assert (tmp_path / "index.html").read_text("utf-8") == "<h1>My own site</h1>"

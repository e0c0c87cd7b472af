"""Every page kind in Chromium, light and dark, wide and narrow, with the network off."""

import pytest

from kit.page import Html, cautions_html, document, element, join
from kit.publish import make_report, write_index
from tests.publish.browser import VIEWS, chromium, faults_of
from tests.publish.stand_in import write_notebook, write_run
from tests.publish.test_report import HOSTILE

pytestmark = pytest.mark.browser


@pytest.fixture(scope="module")
def browser():
    with chromium() as opened:
        yield opened


@pytest.fixture(scope="module")
def pages(tmp_path_factory):
    base = tmp_path_factory.mktemp("pages")
    template = write_notebook(base / "standard.ipynb")
    plain = write_run(base / "runs" / "plain")
    hostile = write_run(
        base / "runs" / "hostile <b>",
        title=HOSTILE[0] * 20,
        fuels=(*HOSTILE, "x" * 400, "<svg/onload=alert(1)>"),
    )
    made = {"report": make_report(plain, template), "hostile report": make_report(hostile, template)}
    made["index"] = write_index(base / "runs")
    made["bare page"] = base / "bare.html"
    notes = element("p", "A note.", class_="note"), element("p", "Mind this.", class_="warning")
    body = join([element("h2", "Notes", id="notes"), *notes, cautions_html()])
    made["bare page"].write_text(document("Bare", Html(body), strip="strip", footer="footer"), "utf-8")
    return made


@pytest.mark.parametrize(("width", "scheme"), VIEWS)
@pytest.mark.parametrize("kind", ["report", "hostile report", "index", "bare page"])
def test_nothing_is_wrong_with_a_page(browser, pages, kind, width, scheme):
    assert faults_of(browser, pages[kind], width, scheme) == []


def test_the_looker_finds_what_is_wrong(browser, tmp_path):
    page = tmp_path / "bad.html"
    page.write_text(
        "<html><h1>a</h1><h3>b</h3><table><tr><th>x</table><figure><svg/></figure><img src='http://127.0.0.1:9/x.png'>"
        "<p style='width:3000px;color:#ccc;background:#fff'>pale</p><p id=x></p><p id=x></p><a href='#no'>no</a>"
        "<details><summary>s</summary><p>closed</p></details><script>1</script></html>",
        "utf-8",
    )
    found = "\n".join(faults_of(browser, page, 320, "light"))
    for words in (
        "h1 is followed by h3", "a table without a caption", "a heading without scope", "a drawing without a name",
        "a figure without a caption", "a picture without words", "the id x twice", "a link to nowhere", "a script",
        "wider than the window", "axe color-contrast", "axe html-has-lang", "1 folds closed in print", "asked for http",
    ):  # fmt: skip
        assert words in found, words

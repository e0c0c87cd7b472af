"""Every page kind in Chromium, light and dark, wide and narrow, with the network off.

A further page kind is one more entry of `pages`.
"""

import io
import shutil
from pathlib import Path

import pandas as pd
import pytest
from PIL import Image

from kit.page.document import cautions_html, document, inlined
from kit.page.html_tables import cols, table
from kit.page.text import Html, element, join
from kit.publish import make_report, sections, write_index
from tests.plan.helpers import weigh_few
from tests.publish.browser import PHONE, VIEWS, chromium, faults_of
from tests.publish.stand_in import write_notebook, write_run
from tests.publish.test_report import HOSTILE
from tests.publish_content.made import analysis
from tests.publish_content.test_sections import APPENDIX, REPORT

pytestmark = pytest.mark.browser
DEMO = Path(__file__).parents[2] / "runs" / "hill-school"
KINDS = (
    "report",
    "hostile report",
    "index",
    "bare page",
    "single burns",
    "two fuels",
    "tables",
    "burn sheets",
    "key to the codes",
    "hostile sheets",
)


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
    made |= pages_of_sections(base)
    made["burn sheets"] = planned(base / "planned")
    made["key to the codes"] = made["burn sheets"].with_name("key.html")
    made["hostile sheets"] = planned(base / "hostile plan", hostile=True)
    return made


def pages_of_sections(folder):
    """Set pages of real analyses: the report of single burns with notes of a tester, two fuels, an appendix."""
    singles, few = analysis("singles"), analysis("one bag")
    notes = "# Mine <b>\n\n| a | b |\n|---|---|\n| 1 | 2 |\n\n" + "w" * 200
    (singles.run.folder / "notes.md").write_text(notes, "utf-8")
    kinds = {
        "single burns": [section(singles) for section in REPORT],
        "two fuels": [sections.two_fuels(few, "alder", "olive")],
        "tables": [section(few) for section in APPENDIX],
    }
    for kind, made in kinds.items():
        page = document(kind, inlined(join(each.html for each in made)), strip="strip", footer="footer")
        (folder / f"{kind}.html").write_text(page, "utf-8")
    (singles.run.folder / "notes.md").unlink()
    return {kind: folder / f"{kind}.html" for kind in kinds}


def planned(folder, hostile=False):
    """Plan two burns of each fuel of the demo, title, question and fuels made to harm if asked; return its sheets."""
    from kit.plan import plan_run

    shutil.copytree(DEMO, folder, ignore=shutil.ignore_patterns("plan", "logs", "events.csv", "scores.csv"))
    (folder / "logs").mkdir()
    sheet = folder / "burns.csv"
    sheet.write_text(sheet.read_text("utf-8").splitlines()[0] + "\n", "utf-8")
    text = (folder / "trial.toml").read_text("utf-8").replace("bags = 3", "bags = 1").splitlines()
    bad = "<script>alert(1)</script><img src=x onerror=alert(1)> " + "x" * 200 + " فحم 🔥"
    if hostile:
        text = [
            f"{line.partition('=')[0]}= '{bad}{number}'" if line.startswith(("title", "question", "stop_rule", "name"))
            else line
            for number, line in enumerate(text)
        ]  # fmt: skip
    (folder / "trial.toml").write_text("\n".join(text) + "\n", "utf-8")
    with pytest.MonkeyPatch.context() as patch:
        weigh_few(patch)
        plan_run(folder)
    return folder / "plan" / "sheets.html"


@pytest.mark.parametrize(("width", "scheme"), VIEWS)
@pytest.mark.parametrize("kind", KINDS)
def test_nothing_is_wrong_with_a_page(browser, pages, kind, width, scheme):
    assert faults_of(browser, pages[kind], width, scheme) == []


@pytest.mark.parametrize(("width", "narrow"), [(390, True), (320, True), (1280, False)])
def test_the_picture_of_all_fuels_and_captions_fit_beside_a_scrollbar(browser, pages, width, narrow):
    page = browser.new_page(viewport={"width": width, "height": 844})
    page.goto(pages["single burns"].as_uri())
    found = page.evaluate(PHONE)
    page.emulate_media(media="print")
    printed = page.evaluate(PHONE)
    page.close()
    assert found["room"] < width and found["narrow"] == [narrow] and found["scrolls"] == [False]
    assert found["beyond"] == [] and min(found["type"]) >= 8
    assert printed["narrow"] == [False]


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_a_table_wider_than_a_phone_is_shaded_at_the_edge_behind_which_there_is_more(
    browser, pages, tmp_path, scheme
):
    path, row = tmp_path / "tables.html", pd.DataFrame({f"measure {n}": [1.0] * 9 for n in range(12)})
    tables = [table(row, "Wide", cols(*row)), table(row, "Narrow", cols(*row.columns[:2]))]
    path.write_text(document("Tables", join(tables), strip="strip", footer="footer"), "utf-8")
    page = browser.new_page(viewport={"width": 390, "height": 844}, color_scheme=scheme)
    page.goto(path.as_uri())

    def right_edge(number, scrolled, kind=".scroll", x=-2):
        """Return the colour that most of a column of pixels of a table or figure has: the last one, or another."""
        box = page.locator(kind).nth(number)
        box.evaluate("(box, by) => { box.scrollLeft = by; }", scrolled)
        with Image.open(io.BytesIO(box.screenshot())) as picture:
            x = x % picture.width
            seen = picture.convert("RGB").crop((x, 0, x + 1, picture.height))
        return max(seen.getcolors())[1]

    shaded, at_its_end, fits = right_edge(0, 0), right_edge(0, 10_000), right_edge(1, 0)
    behind = int(page.locator("tbody th").first.bounding_box()["width"]) + 1
    covered, uncovered = right_edge(0, 10_000, x=behind), right_edge(0, 0, x=behind)
    page.goto(pages["two fuels"].as_uri())
    page.locator(".drawing").first.scroll_into_view_if_needed()
    drawing, drawing_end = right_edge(0, 0, ".drawing"), right_edge(0, 10_000, ".drawing")
    page.close()
    assert at_its_end == fits != shaded
    assert covered != uncovered == drawing_end != drawing


def test_a_fuel_has_one_line_in_print_however_many_columns_stand_beside_it(browser, tmp_path):
    path, row = tmp_path / "printed.html", pd.DataFrame({"fuel": ["olive-stone briquettes", "oak"]})
    row = row.assign(**{f"measure {n}": [1.0, 2.0] for n in range(14)})
    path.write_text(
        document("Print", table(row, "Wide", cols(*row)), strip="strip", footer="footer"), "utf-8"
    )
    page = browser.new_page(viewport={"width": 680, "height": 900})
    page.emulate_media(media="print")
    page.goto(path.as_uri())
    long, short = page.locator("tbody th > bdi").evaluate_all("all => all.map(each => each.offsetHeight)")
    page.close()
    assert long == short


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

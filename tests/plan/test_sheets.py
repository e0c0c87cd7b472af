"""Burn sheets: what stands on them, what does not, and that each fits one side of A4 and of Letter."""

from __future__ import annotations

import re
import shutil
import subprocess
from pathlib import Path

import pytest

from kit.page.document import CAUTIONS, cautions_short
from kit.plan import plan_run
from kit.plan.schedule import codes
from kit.plan.simulated import write_simulated_plan
from tests.plan.helpers import weigh_few, yard

HOSTILE = "<img src=x onerror=alert(1)>"


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    made = yard(tmp_path_factory.mktemp("sheets") / "y", **{'"new lump"': f"'{HOSTILE}'"})
    with pytest.MonkeyPatch.context() as patch:
        weigh_few(patch)
        plan_run(made, today="2026-04-10")
    return made


@pytest.fixture(scope="module")
def sheets(folder: Path) -> str:
    return (folder / "plan" / "sheets.html").read_text(encoding="utf-8")


def test_codes_are_distinct_and_drawn_from_the_seed() -> None:
    burns = [f"{n:03d}" for n in range(500)]
    one = codes(burns, 1)
    assert len(set(one.values())) == 500 and one == codes(burns, 1) != codes(burns, 2)


def test_every_burn_has_a_sheet_with_the_columns_of_the_burn_sheet(sheets: str) -> None:
    parts = sheets.split('class="sheet"')[1:]
    assert len(parts) == 18
    for part in parts:
        for column in (
            "charge_g", "charge_l", "ambient_c", "wind_m_s", "humidity_pct", "operator", "lit", "tipped", "lid_on",
            "stopped", "leftover_g", "ash_g", "log", "notes",
        ):  # fmt: skip
            assert f"<small>{column}</small>" in part, column
        for label in ("charge, g", "air, °C", "wind, m/s", "left over, g", "ash, g"):
            assert f"<span>{label}<small>" in part, label
        assert all(words in part for words in cautions_short())
        assert "Photograph the logger&#x27;s display and a clock" in part
        assert "Attended" in part and "0:30" in part and "5:00" in part
        assert "cold right through" in part and "carbon monoxide" in part.lower()
        assert "500 ± 5 g" in part


def test_the_front_tells_how_to_take_a_fair_charge_and_all_cautions(sheets: str) -> None:
    front = sheets.split('class="sheet"')[0]
    for words in ("cone", "quarter", "dust mask", "Outdoors", "Stop rule: grate below 60 °C", "lid on"):
        assert words in front
    assert all(f'id="caution-{each.key}"' in front for each in CAUTIONS)
    assert re.search(r"sha256 [0-9a-f]{64}", front)


def test_charges_are_coded_and_only_the_key_names_them(folder: Path, sheets: str) -> None:
    key = (folder / "plan" / "key.html").read_text(encoding="utf-8")
    for name in ("shell briquettes", "new-1", "old-2"):
        assert name not in sheets.split("<main")[-1] or name in key
        assert name not in sheets
    code = re.search(r'class="code"[^>]*>([^<]+)<', sheets)
    assert code and code[1] in key and "shell briquettes" in key and "new-1" in key


def test_hostile_names_do_not_come_alive(folder: Path, sheets: str) -> None:
    key = (folder / "plan" / "key.html").read_text(encoding="utf-8")
    assert HOSTILE not in key and "&lt;img" in key
    for page in (key, sheets):
        assert "<script" not in page and "http" not in re.sub(r'http-equiv="[^"]*"', "", page)


@pytest.mark.few_designs
@pytest.mark.browser
@pytest.mark.parametrize("simulated", [False, True])
def test_each_burn_prints_on_one_side_of_either_paper(tmp_path: Path, simulated: bool) -> None:
    playwright = pytest.importorskip("playwright.sync_api")
    chromium, pdftotext = shutil.which("chromium"), shutil.which("pdftotext")
    if not chromium or not pdftotext:
        pytest.skip("needs chromium and pdftotext")
    folder = yard(
        tmp_path / "y",
        **{'cooker = "steel drum"': 'cooker = ["the steel drum oven behind the house", "other"]'},
    )
    planned = plan_run(folder, today="2026-04-10")
    if simulated:
        write_simulated_plan(folder, planned.order, planned.plan.written)
    with playwright.sync_playwright() as session:
        browser = session.chromium.launch(executable_path=chromium, args=["--no-sandbox"])
        page = browser.new_page()
        asked: list[str] = []
        page.on("request", lambda request: asked.append(request.url))
        page.goto((folder / "plan" / "sheets.html").as_uri())
        sizes = page.evaluate(
            "[...document.querySelectorAll('.sheet *')].map(e => parseFloat(getComputedStyle(e).fontSize))"
        )
        for paper in ("A4", "Letter"):
            page.pdf(path=str(tmp_path / f"{paper}.pdf"), format=paper)
        browser.close()
    assert min(sizes) >= 9 * 96 / 72 - 0.01 and max(sizes) >= 40 * 96 / 72 - 0.01  # the code is large
    assert len(asked) == 1
    for paper in ("A4", "Letter"):
        text = subprocess.run(
            [pdftotext, "-layout", str(tmp_path / f"{paper}.pdf"), "-"],
            capture_output=True,
            text=True,
            check=True,
        ).stdout
        pages = text.rstrip("\f\n").split("\f")
        burns = [page for page in pages if re.search(r"^\s*Burn \d\d", page)]
        assert len(burns) == 24 and all("Ash stays hot" in page for page in burns)
        assert pages[-1] is burns[-1] or pages[-1] == burns[-1]
        assert len(pages) <= 28 and all(len(page.split()) > 60 for page in pages)  # no nearly empty page


@pytest.mark.few_designs
def test_a_hazard_of_one_fuel_stands_on_every_sheet_so_that_the_code_hides_nothing_and_gives_nothing_away(
    tmp_path: Path,
) -> None:
    plain, sparks = 'kind = "lump"', 'kind = "lump"\nhazards = ["throws sparks"]\nadditives = "starch"'
    folder = yard(tmp_path / "y", **{plain: sparks, "seed = 5": "seed = 5\nburn_h = 7"})
    plan_run(folder, today="2026-04-10")
    parts = (folder / "plan" / "sheets.html").read_text(encoding="utf-8").split('class="sheet"')[1:]
    assert all("throws sparks" in part and "ash over fully" in part and "8:00" in part for part in parts)

import json
import shutil
from pathlib import Path

import pytest

from kit import lab
from kit.errors import KitError
from kit.lab import copy_templates, open_lab
from kit.publish import make_report
from kit.publish.notebook import find_template, parameters_of, read_template, template_folders
from tests.publish.stand_in import CELLS, write_notebook

DEMO = Path(__file__).parents[2] / "runs" / "hill-school"


@pytest.fixture
def folder(tmp_path):
    target = tmp_path / "Hügel school"
    target.mkdir()
    for name in ("trial.toml", "burns.csv"):
        shutil.copy(DEMO / name, target)
    (target / "logs").symlink_to(DEMO / "logs")
    return target


def own_texts():
    return {path: path.read_bytes() for each in template_folders() for path in each.glob("*.ipynb")}


def test_every_template_is_copied_with_the_run_folder_set_and_only_that_changed(folder):
    made = copy_templates(folder)
    assert {path.name for path in made} == {path.name for path in own_texts()}
    for path in made:
        copy, own = read_template(path), read_template(find_template(path.stem))
        given = parameters_of(copy, path.name)
        assert (path.parent / given["run_folder"].default).resolve() in (folder, folder.parent)
        changed = [(a, b) for a, b in zip(copy["cells"], own["cells"], strict=True) if a != b]
        assert all("parameters" in a["metadata"]["tags"] for a, _ in changed) and len(changed) <= 1


def test_two_fuels_starts_with_fuels_of_the_folder(folder):
    copy_templates(folder)
    given = parameters_of(read_template(folder / "notebooks" / "two_fuels.ipynb"), "two_fuels")
    trial = (folder / "trial.toml").read_text("utf-8")
    assert all(f'id = "{given[name].default}"' in trial for name in "ab")


def test_a_copy_that_was_changed_is_left_as_it_is(folder):
    copy_templates(folder)
    mine = folder / "notebooks" / "standard.ipynb"
    mine.write_text("mine", "utf-8")
    assert copy_templates(folder) == [] and mine.read_text("utf-8") == "mine"


def test_lab_is_rooted_in_the_run_folder_and_the_kits_own_templates_stay(folder, monkeypatch):
    called = []
    monkeypatch.setattr(lab.subprocess, "call", lambda command: called.append(command) or 0)
    monkeypatch.setattr(lab.os, "geteuid", lambda: 1000, raising=False)
    before = own_texts()
    assert open_lab(folder, browser=False, options=["--port=9000"]) == 0
    (command,) = called
    assert f"--ServerApp.root_dir={folder}" in command and command[-1] == "--port=9000"
    assert "--no-browser" in command and not any("templates" in word for word in command)
    assert own_texts() == before


def test_the_systems_own_user_is_told_how_to_start_lab(folder, monkeypatch):
    called = []
    monkeypatch.setattr(lab.subprocess, "call", lambda command: called.append(command) or 0)
    monkeypatch.setattr(lab.os, "geteuid", lambda: 0, raising=False)
    with pytest.raises(KitError, match=r"repeatburn lab .* -- --allow-root"):
        open_lab(folder)
    assert not called
    assert open_lab(folder, options=["--allow-root"]) == 0 and called[0][-1] == "--allow-root"


def test_lab_says_what_is_missing(folder, tmp_path, monkeypatch):
    with pytest.raises(KitError, match="no such folder"):
        open_lab(tmp_path / "absent")
    monkeypatch.setattr(lab, "find_spec", lambda name: None)
    with pytest.raises(KitError, match="pip install jupyterlab ipywidgets"):
        open_lab(folder)
    shutil.rmtree(folder / "notebooks")
    (folder / "notebooks").symlink_to(tmp_path)
    with pytest.raises(KitError, match="a link that leaves its folder"):
        copy_templates(folder)


def template_digest(page):
    return json.loads((page.parent / "results.json").read_text("utf-8"))["template"]["sha256"]


def test_a_page_and_notebook_of_a_changed_template_say_so_with_its_hash(run, standard, tmp_path):
    plain = template_digest(make_report(run))
    same = tmp_path / "copies" / "standard.ipynb"
    same.parent.mkdir()
    parameters = CELLS[1][1].replace("../runs/hill-school", "..")
    write_notebook(same, (CELLS[0], ("code", parameters, CELLS[1][2]), *CELLS[2:]))
    write_notebook(tmp_path / "standard.ipynb", (*CELLS[:-1], ("code", "seed * 6 * 7", []), CELLS[-1]))
    for template, changed in ((same, False), (tmp_path / "standard.ipynb", True)):
        page = make_report(run, template)
        digest = template_digest(page)
        told = f"made from a changed template, standard.ipynb, SHA-256 {digest[:16]}"
        for path in (page, page.parent / "notebook.ipynb"):
            assert (told in path.read_text("utf-8")) == changed
        assert (digest == plain) != changed

"""A new run folder: from exports to a folder that opens, step by step; whole or not at all."""

import shutil
import subprocess
import sys
import tomllib
import zipfile
from pathlib import Path

import pytest

from kit import start
from kit.errors import KitError
from kit.start import burn_ids, guessed, safe_names
from kit.trial import open_run
from kit.trial.models import Logger, TrialFile
from kit.trial.run_sheets import log_names
from kit.trial.scaffold import demo_folder, trial_text

NAMES = (
    "2026-05-14 Alder lump.csv",
    "2026-05-14 olive_briquettes.csv",
    "EXPORT_0003.CSV",
    "2026-05-15 beech.txt",
    "coco shell 1.csv",
    "Vine-bag2.csv",
)


@pytest.fixture
def exports(tmp_path):
    (tmp_path / "exports").mkdir()
    paths = [tmp_path / "exports" / name for name in NAMES]
    for number, path in enumerate(paths):
        path.write_bytes(f"time,temp\r\n0,{number}\r\n".encode("utf-16"))
    return paths


def start_run(*arguments, **options):
    return start.start_run(*arguments, **options).folder


def asked(folder):
    with pytest.raises(KitError) as caught:
        open_run(folder)
    assert {problem.kind for problem in caught.value.problems} == {"ask"}
    return caught.value.problems


def test_six_exports_lead_to_an_open_run_by_answering_what_is_asked(tmp_path, exports):
    folder = start_run(tmp_path / "trial", exports)
    guesses, blank = asked(folder)
    assert guesses.where == "burns.csv, cells marked '?'" and "fuel (5)" in guesses.found
    assert blank.where == "burns.csv, row 4, column fuel" and blank.found == "a fuel not filled in"

    sheet = folder / "burns.csv"
    sheet.write_text(
        sheet.read_text(encoding="utf-8").replace("EXPORT_0003,?", "EXPORT_0003,beech").replace("?", "")
    )
    run = open_run(folder)
    assert set(run.burns["state"]) == {"done"}
    assert [fuel.id for fuel in run.trial.fuels] == [
        "alder-lump",
        "olive-briquettes",
        "beech",
        "coco-shell",
        "vine",
    ]
    assert not run.notes


def test_exports_are_copied_byte_for_byte(tmp_path, exports):
    folder = start_run(tmp_path / "trial", exports)
    for path in exports:
        assert (folder / "logs" / path.name).read_bytes() == path.read_bytes()


def test_the_trial_file_is_short_readable_and_carries_the_cautions(tmp_path, exports):
    text = (start_run(tmp_path / "trial", exports) / "trial.toml").read_text(encoding="utf-8")
    assert text.count("\n") <= 60
    assert "carbon monoxide" in text and "Local fire rules come" in " ".join(text.split("\n# "))
    columns = {"grate": "T 1", "lid ä": "x"}
    logger = Logger(id="A", files=("a*.csv",), columns=columns, step_s=10.0, day_first=True)
    drafted = tomllib.loads(trial_text(["my fuel"], "grate", [logger]))
    file = TrialFile.model_validate(drafted)
    assert file.fuel[0].id == "my fuel" and file.trial.probe == "grate"
    assert file.logger[0].columns == {"grate": "T 1", "lid ä": "x"}
    assert file.logger[0].step_s == 10 and file.logger[0].day_first is True


def test_without_exports_the_folder_asks_for_burns(tmp_path):
    folder = start_run(tmp_path / "trial")
    assert "no burns" in asked(folder)[0].found


def test_the_demo_is_copied_without_reports_and_opens(tmp_path):
    folder = start_run(tmp_path / "demo", demo=True)
    assert not (folder / "reports").exists()
    run = open_run(folder)
    assert len(run.burns) == 36
    assert all((folder / "logs" / name).is_file() for name in log_names(run.burns["log"][0]))
    assert (folder / "burns.csv").read_bytes() == (demo_folder() / "burns.csv").read_bytes()


def test_reports_and_rehearsals_of_the_demo_stay_behind(tmp_path, monkeypatch):
    origin = tmp_path / "origin"
    shutil.copytree(demo_folder(), origin, ignore=shutil.ignore_patterns("reports", "rehearsal-*"))
    (origin / "reports" / "x").mkdir(parents=True)
    (origin / "rehearsal-1").mkdir()
    (origin / "burns.csv").chmod(0o444)
    monkeypatch.setattr("kit.trial.scaffold.demo_folder", lambda: origin)
    folder = start_run(tmp_path / "demo", demo=True)
    assert not (folder / "reports").exists() and not (folder / "rehearsal-1").exists()
    assert (folder / "burns.csv").stat().st_mode & 0o200


def test_a_built_wheel_holds_the_demo_and_none_of_the_reports_made_in_the_tree(tmp_path):
    tree, root = tmp_path / "tree", Path(__file__).parents[2]
    for name in ("kit", "templates", "runs"):
        shutil.copytree(
            root / name,
            tree / name,
            ignore=shutil.ignore_patterns("__pycache__", "reports", "rehearsal-*", "notebooks"),
        )
    for name in ("pyproject.toml", "README.md", "LICENSE"):
        shutil.copyfile(root / name, tree / name)
    demo = tree / "runs" / "hill-school"
    shipped = {path.relative_to(demo).as_posix() for path in demo.rglob("*") if path.is_file()}
    for made in (
        "reports/2026-12-01-standard/report.html",
        "rehearsal-1/burns.csv",
        "notebooks/standard.ipynb",
    ):
        (demo / made).parent.mkdir(parents=True)
        (demo / made).write_text("made in the tree", encoding="utf-8")
    subprocess.run(
        [sys.executable, "-m", "hatchling", "build", "-t", "wheel", "-d", tmp_path], cwd=tree, check=True
    )
    (wheel,) = tmp_path.glob("*.whl")
    with zipfile.ZipFile(wheel) as archive:
        inside = {name for name in archive.namelist() if "hill-school/" in name}
        assert {"kit/packaged/templates/standard.ipynb", "kit/check.toml"} <= set(archive.namelist())
    assert inside == {f"kit/packaged/hill-school/{name}" for name in shipped}


def refused(*arguments, **options):
    with pytest.raises(KitError) as caught:
        start_run(*arguments, **options)
    return caught.value.problems


def test_a_folder_that_holds_something_is_not_touched(tmp_path, exports):
    (tmp_path / "trial").mkdir()
    (tmp_path / "trial" / "mine.txt").write_text("x", encoding="utf-8")
    (problem,) = refused(tmp_path / "trial", exports)
    assert "mine.txt" in problem.found and "nothing was touched" in problem.remedy
    assert [path.name for path in (tmp_path / "trial").iterdir()] == ["mine.txt"]


def test_an_empty_folder_is_filled_even_if_a_shell_stands_in_it(tmp_path, exports, monkeypatch):
    for name in ("there", "here"):
        (tmp_path / name).mkdir()
    start_run(tmp_path / "there", exports)
    monkeypatch.chdir(tmp_path / "here")
    start_run(".", exports)
    for name in ("there", "here"):
        assert {path.name for path in (tmp_path / name).iterdir()} == {"trial.toml", "burns.csv", "logs"}


def test_faults_of_the_exports_come_at_once_and_nothing_is_made(tmp_path, exports):
    twin = tmp_path / "twin.csv"
    twin.write_bytes(exports[0].read_bytes())
    found = refused(tmp_path / "trial", [exports[0], twin, tmp_path / "none.csv", tmp_path])
    assert [problem.found.split(" as ")[0] for problem in found] == [
        "the same bytes",
        "no such file",
        "a folder",
    ]
    assert sorted(path.name for path in tmp_path.iterdir()) == ["exports", "twin.csv"]


def test_demo_and_files_together_are_refused(tmp_path, exports):
    assert "one of the two" in refused(tmp_path / "trial", exports, demo=True)[0].expected


def test_a_failure_half_way_leaves_nothing(tmp_path, exports, monkeypatch):
    whole = Path.write_text

    def full(place, *text, **how):
        if place.name == "burns.csv":
            raise OSError(28, "No space left")
        return whole(place, *text, **how)

    monkeypatch.setattr(Path, "write_text", full)
    (problem,) = refused(tmp_path / "trial", exports)
    assert problem.found == "the disk is full"
    assert [path.name for path in tmp_path.iterdir()] == ["exports"]


def test_names_that_collide_or_part_cells_are_changed():
    assert safe_names(["a.csv", "A.csv", "b;c.csv", "", "x\ny.csv"]) == [
        "a.csv",
        "A-2.csv",
        "b-c.csv",
        "log",
        "x-y.csv",
    ]
    assert burn_ids(["a.csv", "a.txt"]) == ["a", "a-2"]


@pytest.mark.parametrize(
    ("names", "fuels"),
    [
        (["alder1.csv", "alder2.csv", "oak1.csv"], ["alder", "alder", "oak"]),
        (["grill_alder.csv", "grill_oak.csv"], ["alder", "oak"]),
        (["log1.csv", "log2.csv"], ["", ""]),
        (["alder_1.csv", "alder_2.csv"], ["alder", "alder"]),
        (["OliveBriquette-run3.csv"], ["olive-briquette"]),
        (["Bûche n°2.csv", "chêne.csv"], ["bûche", "chêne"]),
        ([], []),
    ],
)
def test_fuels_are_guessed_from_what_tells_files_apart(names, fuels):
    assert [guess.fuel for guess in guessed(names)] == fuels

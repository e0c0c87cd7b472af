"""A part of `make soak`, on the cheapest command: one kill, and in `make sample` every kind of fault."""

import subprocess
import sys

import pytest

from tests.soak import faults, places
from tests.soak.__main__ import HEADINGS, TABLE, line
from tests.soak.bench import KIT, Row, aftermath, kit, prepared, state_faults, tree, write_run


@pytest.fixture(scope="module")
def bench(tmp_path_factory):
    return prepared(tmp_path_factory.mktemp("soak"), 0.02, ["plan"])


def lost(tries):
    return [found for found in tries if found]


def test_a_plan_survives_a_kill_between_two_of_its_files(bench):
    scene = bench.scenes["plan"]
    place = bench.laid_out(scene)
    done = kit(["4", str(place), *scene.words(place / "in")], place, command=faults.COUNTED)
    assert done.code == -9 and tree(place / "in") != scene.before
    assert not aftermath(scene, place)


@pytest.mark.long
def test_a_plan_survives_kills_and_full_and_protected_disks(bench):
    scene = bench.scenes["plan"]
    assert not lost(faults.at_moments(bench, scene, 1))
    assert not lost(faults.at_changes(bench, scene))
    assert not lost(faults.full(bench, scene, "in"))
    assert not lost(faults.read_only(bench, scene))


@pytest.mark.long
def test_a_plan_is_made_in_odd_places(bench):
    scene = bench.scenes["plan"]
    for way in (places.homes, places.private, places.no_network):
        assert not lost(way(bench, scene)), way
    assert not lost(places.names(bench, scene, places.NAMES))
    assert not lost(places.languages(bench, scene, ["C"]))
    assert not lost(places.links(bench))


@pytest.mark.long
def test_no_command_runs_anything_in_a_run_folder(bench):
    assert not lost(places.witnesses(bench))


def test_nothing_in_a_run_folder_is_run(tmp_path):
    (tmp_path / "tmp").mkdir()
    run, witness = write_run(tmp_path / "run"), tmp_path / "witness"
    places.lay_traps(run, witness)
    safe = (KIT[0], "-P", *KIT[1:])  # as the command `repeatburn` starts
    assert kit(["check", "."], tmp_path, command=safe, cwd=run).code in (0, 2) and not witness.exists()
    kit(["check", "."], tmp_path, cwd=run)  # python -m looks where it stands: the traps are live
    assert witness.exists()


def test_what_did_not_survive_is_seen(bench, tmp_path):
    scene = bench.scenes["plan"]
    place = bench.laid_out(scene)
    (place / "in" / "run" / "trial.toml").write_text("changed", "utf-8")
    (place / "in" / "run" / "burns.csv").write_text("half", "utf-8")
    (place / "in" / "run" / "plan" / "sheets.html").unlink()
    found = "; ".join(state_faults(scene, tree(place / "in")))
    for word in ("changed run/trial.toml", "half or strange: run/burns.csv", "lost run/plan/sheets.html"):
        assert word in found
    assert "FAILED: half" in line(Row("kill -9", "plan", 2, 1, 0.5, "half"))


def test_a_run_folder_for_the_soak_is_a_sound_one(tmp_path):
    (tmp_path / "tmp").mkdir()
    done = kit(["check", str(write_run(tmp_path / "run"))], tmp_path)
    assert done.code == 0, done.said


def test_the_kept_table_is_of_faults_that_were_all_survived():
    head, *rows = TABLE.read_text("utf-8").splitlines()
    assert tuple(head.split(",")) == HEADINGS
    counts = [row.rsplit(",", 3)[1:3] for row in rows]
    assert all(injected == survived for injected, survived in counts)
    for command in faults.COMMANDS:
        assert any(row.startswith(f'kill -9,"{command}, any moment",50,') for row in rows)


def test_the_command_tells_what_it_takes():
    done = subprocess.run(
        [sys.executable, "-m", "tests.soak", "--help"], capture_output=True, text=True, check=True
    )
    assert "--write" in done.stdout

import os
import subprocess
import sys
import time
from pathlib import Path

from kit.publish.rooms import held, sweep

ROOT = Path(__file__).parents[2]


def test_a_held_room_stays_and_a_left_one_goes(tmp_path):
    mine, theirs = tmp_path / "rb-mine", tmp_path / "rb-theirs"
    mine.mkdir()
    theirs.mkdir()
    code = (
        "import os, pathlib, sys; from kit.publish.rooms import held\n"
        f"with held(pathlib.Path({str(theirs)!r})): os._exit(9)"
    )
    done = subprocess.run([sys.executable, "-c", code], cwd=ROOT, check=False)
    assert done.returncode == 9 and (theirs / "owner.lock").exists()
    with held(mine):
        sweep(tmp_path, "rb-*")
        assert mine.exists() and not theirs.exists()
    sweep(tmp_path, "rb-*")
    assert not mine.exists()


def test_a_room_without_a_lock_has_a_minute_to_get_one(tmp_path):
    room = tmp_path / "rb-new"
    room.mkdir()
    sweep(tmp_path, "rb-*")
    assert room.exists()
    old = time.time() - 120
    os.utime(room, (old, old))
    sweep(tmp_path, "rb-*")
    assert not room.exists()


def test_other_folders_are_left_alone(tmp_path):
    (tmp_path / "reports").mkdir()
    (tmp_path / "rb-file").write_text("x")
    sweep(tmp_path, "rb-*")
    assert sorted(path.name for path in tmp_path.iterdir()) == ["rb-file", "reports"]

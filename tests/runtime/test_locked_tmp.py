import os
import shutil
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from types import SimpleNamespace

import pytest

from kit.errors import KitError
from kit.runtime.kernel_process import room_of
from kit.runtime.locked_tmp import held, sweep

ROOT = Path(__file__).parents[2]


def test_a_held_room_stays_and_a_left_one_goes(tmp_path):
    mine, theirs = tmp_path / "rb-mine", tmp_path / "rb-theirs"
    mine.mkdir()
    theirs.mkdir()
    code = (
        "import os, pathlib, sys; from kit.runtime.locked_tmp import held\n"
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


def test_a_full_disk_for_temporary_files_is_not_taken_and_told_where_there_is_no_other(tmp_path, monkeypatch):
    monkeypatch.setattr(tempfile, "tempdir", str(tmp_path))
    usage = shutil.disk_usage
    full = SimpleNamespace(free=0)
    monkeypatch.setattr(shutil, "disk_usage", lambda place: full if place == str(tmp_path) else usage(place))
    with room_of() as room:
        assert room.parent != tmp_path
    monkeypatch.setattr(shutil, "disk_usage", lambda place: full)
    with pytest.raises(KitError, match="temporary files: found no room"), room_of():
        pass


def test_a_kernel_whose_room_was_swept_leaves_nothing_behind(tmp_path):
    gone = tmp_path / "gone"
    own = {"PYTHONPATH": str(ROOT), "TMPDIR": str(tmp_path), "IPYTHONDIR": str(gone / "ipython")}
    own["PYDEVD_DISABLE_FILE_VALIDATION"] = "1"  # as every kernel has it
    environment = {**os.environ, **own}
    words = [sys.executable, "-P", "-m", "kit.runtime.kernel", "-f", str(gone / "kernel.json")]
    done = subprocess.run(words, env=environment, capture_output=True, text=True, timeout=60, check=True)
    assert done.stderr == "" and not list(tmp_path.iterdir())

import os
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path
from types import SimpleNamespace

import pytest

from kit.errors import KitError
from kit.runtime.atomic_write import MAKING, PRIVATE, locked_folder, private_folder, sweep, write_atomically

ROOT = Path(__file__).parents[2]


def left_by_a_killed_process(parent: Path, prefix: str = ".made-") -> Path:
    code = (
        "import os, pathlib; from kit.runtime.atomic_write import locked_folder\n"
        f"with locked_folder(pathlib.Path({str(parent)!r}), {prefix!r}) as folder:\n"
        "    (folder / 'half').touch(); print(folder, flush=True); os._exit(9)"
    )
    done = subprocess.run([sys.executable, "-c", code], cwd=ROOT, capture_output=True, text=True, check=False)
    assert done.returncode == 9
    return Path(done.stdout.strip())


def test_a_held_folder_stays_and_a_left_one_goes(tmp_path):
    with locked_folder(tmp_path, ".made-") as mine:
        theirs = left_by_a_killed_process(tmp_path)
        assert theirs.is_dir()
        sweep(tmp_path, ".made-")
        assert mine.exists() and sorted(tmp_path.iterdir()) == [mine, mine.with_name(f"{mine.name}.lock")]
    assert not list(tmp_path.iterdir())


def test_a_folder_renamed_meanwhile_stays(tmp_path):
    with locked_folder(tmp_path, ".made-") as folder:
        folder.rename(tmp_path / "report")
    assert [path.name for path in tmp_path.iterdir()] == ["report"]


def strangers(tmp_path):
    """What others may leave under our prefix: nothing of it was made by the kit."""
    outside = tmp_path / "outside"
    outside.mkdir()
    (outside / "theirs").touch()
    left = left_by_a_killed_process(outside)
    mark = left.with_name(f"{left.name}.lock").read_bytes()
    place = tmp_path / "place"
    place.mkdir()
    (place / ".made-plain").mkdir()
    (place / ".made-old-way").mkdir()
    (place / ".made-old-way" / "owner.lock").touch()
    (place / ".made-other").mkdir()
    (place / ".made-other.lock").write_bytes(b"another program's lock")
    (place / ".made-link.lock").write_bytes(mark)
    (place / ".made-link").symlink_to(outside)
    (place / ".made-linked").mkdir()
    (place / ".made-linked.lock").symlink_to(left.with_name(f"{left.name}.lock"))
    (place / ".made-folder.lock").mkdir()
    return place, outside


def test_what_the_kit_did_not_make_is_left_alone(tmp_path):
    place, outside = strangers(tmp_path)
    os.mkfifo(place / ".made-pipe.lock")
    before = sorted(path.name for path in place.iterdir())
    sweep(place, ".made-")
    assert sorted(path.name for path in place.iterdir()) == before
    assert (outside / "theirs").exists()


@pytest.mark.skipif(not hasattr(os, "geteuid") or os.geteuid() != 0, reason="only root may give files away")
def test_what_another_user_made_is_left_alone(tmp_path):
    theirs = left_by_a_killed_process(tmp_path)
    os.chown(theirs.with_name(f"{theirs.name}.lock"), 12345, 12345)
    sweep(tmp_path, ".made-")
    assert theirs.exists()
    os.chown(theirs.with_name(f"{theirs.name}.lock"), 0, 0)
    os.chown(theirs, 12345, 12345)
    sweep(tmp_path, ".made-")
    assert theirs.exists()


def test_a_private_folder_is_private_and_its_name_unmistakable(tmp_path, monkeypatch):
    monkeypatch.setattr(tempfile, "tempdir", "/tmp")
    with private_folder() as folder:
        assert folder.stat().st_mode & 0o777 == 0o700 and folder.name.startswith(PRIVATE)


def test_a_full_disk_for_temporary_files_is_not_taken_and_told_where_there_is_no_other(tmp_path, monkeypatch):
    monkeypatch.setattr(tempfile, "tempdir", str(tmp_path))
    usage = shutil.disk_usage
    full = SimpleNamespace(free=0)
    monkeypatch.setattr(shutil, "disk_usage", lambda place: full if place == str(tmp_path) else usage(place))
    with private_folder() as folder:
        assert folder.parent != tmp_path
    monkeypatch.setattr(shutil, "disk_usage", lambda place: full)
    with pytest.raises(KitError, match="temporary files: found no room"), private_folder():
        pass


def test_a_kernel_whose_folder_was_swept_leaves_nothing_behind(tmp_path):
    gone = tmp_path / "gone"
    own = {"PYTHONPATH": str(ROOT), "TMPDIR": str(tmp_path), "IPYTHONDIR": str(gone / "ipython")}
    own["REPEATBURN_PARENT"] = f"{os.getpid()} main"
    own["PYDEVD_DISABLE_FILE_VALIDATION"] = "1"  # as every kernel has it
    environment = {**os.environ, **own}
    words = [sys.executable, "-P", "-m", "kit.runtime.kernel", "-f", str(gone / "kernel.json")]
    done = subprocess.run(words, env=environment, capture_output=True, text=True, timeout=60, check=True)
    assert done.stderr == "" and not list(tmp_path.iterdir())


def test_a_file_is_replaced_and_what_was_left_by_a_killed_process_goes(tmp_path):
    place = tmp_path / "plan.toml"
    place.write_text("x", "utf-8")
    left = left_by_a_killed_process(tmp_path, MAKING)
    with locked_folder(tmp_path, MAKING) as held:
        assert not left.exists()
        write_atomically(place, "ä\n")
        assert place.read_bytes() == "ä\n".encode() and held.is_dir()
    assert list(tmp_path.iterdir()) == [place]


@pytest.mark.skipif(sys.platform == "win32", reason="no limit on files there")
def test_a_file_that_cannot_be_written_leaves_the_old_one_alone(tmp_path):
    place = tmp_path / "plan.toml"
    place.write_text("old", "utf-8")
    code = (
        "import pathlib; from kit.runtime.atomic_write import write_atomically\n"
        f"write_atomically(pathlib.Path({str(place)!r}), 'x' * 5000)"
    )
    words = ["bash", "-c", 'ulimit -f 2; exec "$0" -c "$1"', sys.executable, code]
    done = subprocess.run(words, capture_output=True, text=True, check=False)
    assert "File too large" in done.stderr
    assert place.read_text("utf-8") == "old" and list(tmp_path.iterdir()) == [place]

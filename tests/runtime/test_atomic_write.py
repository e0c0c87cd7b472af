import os
import subprocess
import sys
import time

import pytest

from kit.runtime.atomic_write import write_atomically


def test_a_file_is_replaced_and_what_was_left_long_ago_goes(tmp_path):
    place, old, fresh = (
        tmp_path / name for name in ("plan.toml", ".key.html.draft-0000dead", ".plan.toml.draft-0000live")
    )
    for path in (place, old, fresh):
        path.write_text("x", "utf-8")
    os.utime(old, (time.time() - 120,) * 2)
    write_atomically(place, "ä\n")
    assert place.read_bytes() == "ä\n".encode()
    assert sorted(tmp_path.iterdir()) == [fresh, place]


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

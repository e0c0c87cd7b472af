"""The command itself: what a system refuses, and terminals that know few letters."""

import errno
import os
import subprocess
import sys
from pathlib import Path

import pytest

from kit import cli
from kit.errors import KitError, disk_faults

DEMO = Path(__file__).parents[1] / "runs" / "hill-school"


@pytest.mark.parametrize(
    ("number", "words"),
    [
        (errno.ENOSPC, "the disk is full"),
        (errno.EFBIG, "a file larger than is allowed here"),
        (errno.EROFS, "the disk is read-only"),
        (errno.EACCES, "no right to read or write it"),
    ],
)
def test_what_a_disk_refuses_is_told_with_its_place(number, words):
    with pytest.raises(KitError, match=f"here.csv: found {words}"), disk_faults():
        raise OSError(number, os.strerror(number), "here.csv")


def test_another_fault_of_the_system_stays_what_it_is():
    with pytest.raises(ConnectionResetError), disk_faults():
        raise OSError(errno.ECONNRESET, "reset")


def test_a_disk_that_refuses_where_nobody_looked_is_bad_input_and_no_failure_of_the_kit(monkeypatch, capsys):
    def refuse(folder):
        raise OSError(errno.ENOSPC, "No space left on device", str(folder))

    monkeypatch.setattr("kit.analysis.check", refuse)
    assert cli.main(["check", "somewhere"]) == cli.BAD_INPUT
    assert "the disk is full" in capsys.readouterr().err


def test_a_terminal_that_knows_no_degree_sign_gets_the_words_all_the_same():
    plain = {"LC_ALL": "C", "PYTHONUTF8": "0", "PYTHONCOERCECLOCALE": "0", "PYTHONIOENCODING": "ascii"}
    done = subprocess.run(
        [sys.executable, "-m", "kit", "check", str(DEMO)],
        env={**os.environ, **plain},
        capture_output=True,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    assert b"?C" in done.stdout and done.stdout.isascii()


def test_a_user_without_a_home_or_a_name_gets_one_where_nothing_is(monkeypatch, capsys):
    def refuse():
        raise RuntimeError("Could not determine home directory.")

    monkeypatch.setenv("HOME", "set back afterwards")
    monkeypatch.setattr(Path, "home", refuse)
    assert cli.main(["check", "/dev/null/absent"]) == cli.BAD_INPUT
    assert os.environ["HOME"] == os.devnull

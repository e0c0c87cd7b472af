"""The command itself: what a system refuses, and terminals that know few letters."""

import errno
import os
import subprocess
import sys
from pathlib import Path

import pytest

from kit import __version__, cli
from kit.errors import KitError, disk_faults
from kit.trial.run import fuel_ids

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

    monkeypatch.setattr("kit.check.check", refuse)
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


def test_the_version_and_help_are_no_errors(capsys):
    assert cli.main(["--version"]) == cli.DONE
    assert capsys.readouterr().out == f"repeatburn {__version__}\n"
    assert cli.main([]) == cli.DONE
    assert "two-fuels" in capsys.readouterr().out


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (["reprot", "x"], "Did you mean 'report'?"),
        (["report", "x", "--wokers", "2"], "Did you mean '--workers'?"),
        (["report"], "Missing argument"),
        (["report", "x", "--workers", "0"], "x>=1"),
        (["report", "x", "--seed", "one"], "not a valid integer"),
        (["start", "x", "a.csv"], "behind --from"),
        (["start", "x", "--from", "a.csv", "--demo"], "either --from or --demo"),
    ],
)
def test_a_wrong_command_line_is_said_as_such_before_any_work(words, told, capsys):
    assert cli.main(words) == cli.WRONG_COMMAND == 64
    assert told in capsys.readouterr().err


@pytest.mark.parametrize("verb", list(cli.repeatburn.commands))
def test_every_verb_has_help_with_an_example_that_names_it(verb, capsys):
    assert cli.main([verb, "--help"]) == cli.DONE
    text = capsys.readouterr().out
    assert f"Example: repeatburn {verb} " in text and "--json" in text
    options = [
        option for option in cli.repeatburn.commands[verb].params if option.param_type_name == "option"
    ]
    assert all(option.help for option in options)


def test_two_fuels_refuses_an_unknown_fuel_at_once_and_takes_names(capsys):
    assert cli.main(["two-fuels", str(DEMO), "aldr lump", "nonsense"]) == cli.BAD_INPUT
    said = capsys.readouterr().err
    assert "2 problems" in said and "the fuel 'aldr lump'" in said and "Did you mean 'alder lump'?" in said
    assert fuel_ids(DEMO, "Alder lump", "PRESSED") == ("alder", "pressed")


def test_where_there_is_no_terminal_progress_is_a_plain_line_now_and_then(capsys):
    out = cli.Out(as_json=False)
    for line in ("reading", "measuring", "judging"):
        out.progress(line)
    assert capsys.readouterr().err == "reading\n"
    out.SECONDS_BETWEEN_LINES = 0.0
    out.progress("drawing")
    assert capsys.readouterr().err == "drawing\n"

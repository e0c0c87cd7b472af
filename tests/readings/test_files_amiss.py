"""Files with odd names, links, and files that change or go away while they are read."""

import pytest

from kit.errors import KitError
from kit.readings import read, read_log
from kit.trial import open_run
from tests.readings.helpers import START, csv_of, log_text
from tests.soak.sizes import run, sizes

TEXT = csv_of(START, [0, 10, 20, 30], A=[20.0, 21.0, 22.0, 23.0])


@pytest.mark.parametrize("name", ["🔥 log.csv", 'it\'s "q".csv', "a'b`c;d&e.csv", "x" * 196 + ".csv"])
def test_odd_names_are_read(tmp_path, name):
    assert read_log(log_text(TEXT, tmp_path, name)).table["A (°C)"].tolist() == [20, 21, 22, 23]


@pytest.mark.parametrize("target", ["nowhere.csv", "link.csv"])
def test_a_link_to_nothing_is_no_file(tmp_path, target):
    (tmp_path / "link.csv").symlink_to(tmp_path / target)
    with pytest.raises(KitError, match=r"link\.csv: found no such file"):
        read_log(tmp_path / "link.csv")


def test_a_log_that_is_a_link_out_of_the_folder_is_refused(tmp_path):
    folder = run(tmp_path / "run", 1, 30, 60.0)
    log = folder / "logs" / "b00000.csv"
    log.rename(tmp_path / "elsewhere.csv")
    log.symlink_to(tmp_path / "elsewhere.csv")
    with pytest.raises(KitError, match="link"):
        open_run(folder)


def meddle(monkeypatch, how):
    """Do something to the file after it was opened and before its rows are read."""
    open_log = read.open_log

    def then(source, keys):
        found = open_log(source, keys)
        how(source.path)
        return found

    monkeypatch.setattr(read, "open_log", then)


def test_a_log_that_grows_while_it_is_read_is_refused(tmp_path, monkeypatch):
    path = log_text(TEXT, tmp_path)
    meddle(monkeypatch, lambda path: path.write_text(TEXT + "2026-05-14 10:00:40,24.0\n", encoding="utf-8"))
    with pytest.raises(KitError, match=r"log\.csv: found a file that changed or went away while it was read"):
        read_log(path)


def test_a_log_deleted_while_it_is_read_is_refused(tmp_path, monkeypatch):
    path = log_text(TEXT, tmp_path)
    meddle(monkeypatch, lambda path: path.unlink())
    with pytest.raises(KitError, match="went away while it was read"):
        read_log(path)


def test_every_size_survives_at_a_small_share():
    assert not [size for size in sizes(0.005) if not size.survived]


@pytest.mark.parametrize("path", [None, 3])
def test_what_is_no_path_is_refused_in_words(path):
    for opening, what in ((open_run, "a run folder"), (read_log, "a log")):
        with pytest.raises(KitError) as caught:
            opening(path)
        assert caught.value.problems[0].where == what and repr(path) in caught.value.problems[0].found


@pytest.mark.parametrize(("declared", "found"), [("x", "'x'"), ([1], r"\[1\]"), ({3: 4}, "an unknown key")])
def test_declared_keys_that_are_none_are_refused_in_words(tmp_path, declared, found):
    with pytest.raises(KitError, match=found):
        read_log(log_text(TEXT, tmp_path), declared)


@pytest.mark.parametrize("heading", ["Fu\u0308hler (°C)", "F\u00fchler (°C)", "f\u00fchler(°C)"])
def test_a_heading_is_found_however_its_accents_are_put(tmp_path, heading):
    for written in ("Fu\u0308hler", "F\u00fchler"):
        path = log_text(TEXT.replace("A (", f"{written} ("), tmp_path)
        log = read_log(path, {"columns": {"grate": heading}, "time_column": "Time"})
        assert log.probes == [f"{written} (°C)"]


def test_faults_of_declared_keys_come_all_at_once_unknown_ones_first(tmp_path):
    with pytest.raises(KitError) as caught:
        read_log(log_text(TEXT, tmp_path), {"decimal": "x", "step_s": -1, "colums": {}, "day_first": None})
    assert [problem.where.split()[-1] for problem in caught.value.problems] == ["colums", "decimal", "step_s"]
    assert caught.value.problems[0].remedy == "Did you mean 'columns'?"

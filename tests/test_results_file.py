"""The one door for every results.json: what the kit writes passes, what a stranger sends is refused by name."""

import json
import os
from pathlib import Path

import fastjsonschema
import pytest

from kit.cli import main
from kit.errors import KitError
from kit.history import open_seasons
from kit.publish.plain import canonical
from kit.publish.provenance import earlier_looks
from kit.publish.write_outputs import CURVES, TABLES
from kit.results_file import (
    ALWAYS,
    RESULTS,
    newest_results,
    read_part,
    read_results,
    reports_of,
    schema_text,
)
from tests import results_schema
from tests.publish.stand_in import write_run

WHOLE = {
    "schema": "repeatburn-results/1",
    "report": "0123456789ab",
    "trial": {"title": "Made", "fuels": [{"id": "a"}], "primary": ["peak"]},
    "inputs": [{"name": "burns.csv", "bytes": 3, "sha256": "0" * 64}],
    "parameters": {"seed": 1},
    "environment": {"repeatburn": "0"},
    "template": {"name": "standard", "sha256": "0" * 64},
    "burns": [{"burn": "01", "fuel": "a"}],
    "metrics": [{"burn": "01", "fuel": "a", "metric": "peak", "value": 1.5, "status": "exact"}],
    "components": [],
}
DEEP = "[" * 100_000


def written(tmp_path: Path, text: str | bytes, name: str = "run") -> Path:
    run = tmp_path / name
    folder = run / "reports" / "2026-05-14-standard"
    folder.mkdir(parents=True)
    (run / "trial.toml").touch()
    path = folder / RESULTS
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    return path


def but(**changed: object) -> str:
    return json.dumps({key: value for key, value in {**WHOLE, **changed}.items() if value is not None})


HOSTILE = {
    "nothing": "",
    "no JSON": "{",
    "not UTF-8": b"\xff\xfe{}",
    "a list": "[]",
    "deep": DEEP,
    "deep inside": but()[:-1] + ', "x": ' + DEEP,
    "no number": but().replace("1.5", "NaN"),
    "endless": but().replace("1.5", "1e999"),
    "long number": but().replace("1.5", "9" * 10_000),
    "other schema": but(schema="repeatburn-results/2"),
    "no schema": but(schema=None),
    "no trial": but(trial=None),
    "trial a text": but(trial="x"),
    "fuels a number": but(trial={"fuels": 3}),
    "fuel without id": but(trial={"fuels": [{"name": "x"}]}),
    "cookers of numbers": but(trial={"cookers": [1]}),
    "margin a text": but(trial={"margins": {"peak": "x"}}),
    "inputs a table of tables": but(inputs={"burns.csv": 1}),
    "input without hash": but(inputs=[{"name": "x"}]),
    "rows a text": but(metrics="x"),
    "row a text": but(metrics=["x"]),
    "value a text": but(metrics=[{**WHOLE["metrics"][0], "value": "<b>"}]),
    "row without burn": but(metrics=[{"fuel": "a", "metric": "peak", "value": 1, "status": "exact"}]),
    "burn a list": but(burns=[{"burn": [], "fuel": "a"}]),
    "unknown status": but(metrics=[{**WHOLE["metrics"][0], "status": "sure"}]),
    "component a list": but(components=[{"component": [], "sd": 1}]),
    "mean true": but(means=[{"fuel": "a", "mean": True}]),
    "curves a list": but(curves=[]),
    "curve of texts": but(curves={"mean": {"elapsed_s": ["x"]}}),
    "environment of lists": but(environment={"numpy": []}),
}


def test_what_the_kit_writes_passes(tmp_path):
    path = written(tmp_path, but())
    assert read_results(path, ALWAYS) == WHOLE
    assert read_part(path, {"burns"}) == {"schema": WHOLE["schema"], "burns": WHOLE["burns"]}


def test_the_schema_is_shipped_as_generated_and_knows_every_table():
    assert results_schema.text() == schema_text(), "python -m tests.results_schema writes it anew"
    fastjsonschema.compile(json.loads(schema_text()))
    known = json.loads(schema_text())["properties"]
    assert known["metrics"]["items"]["required"] == ["burn", "fuel", "metric", "status", "value"]
    assert known["inputs"]["items"]["required"] == ["name", "sha256"]
    missing = set(TABLES) - set(known)
    assert missing <= {"files", "log_notes", "excluded", "pairs"}, (
        "tables without a specification in kit.schema"
    )
    assert set(CURVES) - set(known["curves"]["properties"]) <= {"apart"}


@pytest.mark.parametrize("what", HOSTILE)
def test_a_malformed_one_is_refused_by_name(tmp_path, what):
    path = written(tmp_path, HOSTILE[what])
    with pytest.raises(KitError, match="results that cannot be read") as caught:
        read_results(path, ALWAYS)
    (problem,) = caught.value.problems
    assert problem.where == str(path) and len(str(problem)) < 1000
    with pytest.raises(KitError):
        open_seasons([path])
    with pytest.raises(KitError):
        newest_results(path.parents[2], "components")
        read_results(path, ALWAYS)


@pytest.mark.parametrize("behind", ['"components"', '"burns"'])
def test_one_that_was_broken_off_is_refused_though_the_wanted_keys_stand_before_the_break(tmp_path, behind):
    text = canonical(WHOLE)
    path = written(tmp_path, text)
    assert read_part(path, {"trial"})["trial"] == WHOLE["trial"]
    path.write_text(text[: text.index(behind)], "utf-8")
    with pytest.raises(KitError, match="results that cannot be read"):
        read_part(path, {"trial"})


def test_what_is_no_file_of_the_folder_is_not_opened(tmp_path):
    path = written(tmp_path, but())
    outside = tmp_path / "outside.json"
    path.rename(outside)
    path.symlink_to(outside)
    with pytest.raises(KitError, match="leaves its folder"):
        read_results(path)
    path.unlink()
    os.mkfifo(path)
    with pytest.raises(KitError, match="no file"):
        read_results(path)
    path.unlink()
    with path.open("wb") as handle:
        handle.truncate((1 << 29) + 1)
    with pytest.raises(KitError, match="more than 512 MiB"):
        read_results(path)


@pytest.mark.parametrize("what", HOSTILE)
def test_the_index_lists_the_rest_and_names_the_bad_one(tmp_path, capsys, what):
    good, bad = written(tmp_path, but(), "good"), written(tmp_path, HOSTILE[what], "bad")
    try:
        read_part(bad, {"report", "trial"}, ALWAYS[:3])
        wanted = 0  # the head alone is sound
    except KitError:
        wanted = 2
    assert main(["index", str(tmp_path)]) == wanted
    out, err = capsys.readouterr()
    page = (tmp_path / "index.html").read_text("utf-8")
    assert (
        "index.html" in out
        and "Made" in page
        and good.parent.name in page
        and "nothing was written" not in err
    )
    assert (str(bad) in err and "bad (its results cannot be read)" in page) == bool(wanted)


def test_a_look_that_cannot_be_read_is_none(tmp_path):
    run = write_run(tmp_path / "run")
    for what, text in (("1", but()), ("2", "{"), ("3", but(inputs=3))):
        folder = run / "reports" / f"2026-05-1{what}-standard"
        folder.mkdir(parents=True)
        (folder / RESULTS).write_text(text, "utf-8")
    assert earlier_looks(run) == 1


def test_of_two_reports_of_one_day_the_newest_is_that_which_was_written_last(tmp_path):
    for age, name in ((20, "two-fuels"), (10, "standard"), (0, "methods-2")):
        made = tmp_path / "reports" / f"2026-05-14-{name}" / "results.json"
        made.parent.mkdir(parents=True)
        made.write_text("{}", encoding="utf-8")
        os.utime(made, (1e9 - age, 1e9 - age))
    assert [each.template for each in reports_of(tmp_path)] == ["methods", "standard", "two-fuels"]

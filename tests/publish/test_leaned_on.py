"""What a trial of single burns borrows is an input: hashed, bundled, and found again elsewhere."""

import json
import shutil
import zipfile

import pytest

from kit.publish import make_bundle, make_report, recheck
from kit.publish.plain import plain_value
from kit.publish.provenance import leaned_on, read_inputs
from kit.trial import open_run

NAME = "borrowed/1/last-autumn/reports/2025-10-04-standard/results.json"


@pytest.fixture
def borrowing(singles):
    """A trial of single burns beside the one it borrows from, whose results tell of a person."""
    trial = open_run(singles).trial
    told = plain_value(trial) | {"operator": "Wilhelmina Quark"}
    components = [
        {"metric": "peak", "component": part, "sd": sd} for part, sd in (("bag", 8.0), ("burn", 11.0))
    ]
    lent = {
        "schema": "repeatburn-results/1", "trial": told, "burns": [{"burn": "01", "notes": "rain"}],
        "components": components, "next_bag": [{"metric": "peak", "df": 9.5}],
    }  # fmt: skip
    place = singles.parent / "last-autumn" / "reports" / "2025-10-04-standard"
    place.mkdir(parents=True)
    (place / "results.json").write_text(json.dumps(lent), "utf-8")
    text = (singles / "trial.toml").read_text("utf-8")
    told = text.replace("[model]\n", '[model]\nborrow_from = ["../last-autumn"]\n')
    (singles / "trial.toml").write_text(told, "utf-8")
    return singles


def test_what_is_borrowed_is_an_input_without_people(borrowing):
    (name,) = leaned_on(borrowing)
    assert name == NAME
    assert b"Wilhelmina" not in leaned_on(borrowing)[name] and b"rain" not in leaned_on(borrowing)[name]
    assert [each["name"] for each in read_inputs(borrowing)][-1] == NAME


def test_an_extract_of_an_extract_is_the_same(borrowing):
    before = leaned_on(borrowing)
    copy = borrowing / NAME
    copy.parent.mkdir(parents=True)
    copy.write_bytes(before[NAME])
    shutil.rmtree(borrowing.parent / "last-autumn")
    assert leaned_on(borrowing) == before


@pytest.mark.parametrize(
    "text", ["", "[model]\nborrow_from = 3\n", "[model\n", "model = 1\ncorrects = 2\n[trial]\n"]
)
def test_a_trial_file_that_cannot_be_read_leans_on_nothing(tmp_path, text):
    (tmp_path / "trial.toml").write_text(text, "utf-8")
    assert leaned_on(tmp_path) == {}
    assert leaned_on(tmp_path / "absent") == {}


@pytest.mark.slow
def test_a_bundle_that_borrows_is_checked_elsewhere(borrowing, tmp_path):
    results = json.loads((make_report(borrowing).parent / "results.json").read_text("utf-8"))
    assert NAME in [each["name"] for each in results["inputs"]]
    assert any("last-autumn" in note for note in results["notes"])
    theirs = tmp_path / "elsewhere" / "theirs.zip"
    theirs.parent.mkdir()
    shutil.copy(make_bundle(borrowing, agreed=True).path, theirs)
    with zipfile.ZipFile(theirs) as archive:
        assert not any(b"Wilhelmina" in archive.read(name) for name in archive.namelist())
    lender = next((borrowing.parent / "last-autumn").rglob("results.json"))
    lender.write_text(lender.read_text("utf-8").replace("11.0", "22.0"), "utf-8")
    outcome = recheck(theirs)
    assert outcome.agrees, outcome.words
    again = recheck(borrowing)
    assert not again.agrees and f"{NAME}: an input that changed since the report." in again.words
    assert any("means" in each.where for each in again.moved), again.words

import json
import shutil
import zipfile

import pytest

from kit.errors import KitError
from kit.publish import make_bundle, make_report, recheck
from kit.publish.compare import compare_results, same


@pytest.fixture
def bundle(run, standard):
    make_report(run, "standard", {"seed": 4})
    return make_bundle(run, agreed=True).path


def changed(bundle, target, change):
    """Write the bundle anew with its files, by path without the top folder, changed."""
    with zipfile.ZipFile(bundle) as archive:
        files = {name: archive.read(name) for name in archive.namelist()}
    top = next(iter(files)).split("/")[0]
    held = {name.partition("/")[2]: content for name, content in files.items()}
    change(held)
    with zipfile.ZipFile(target, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, content in held.items():
            archive.writestr(f"{top}/{name}", content)
    return target


def test_a_bundle_agrees_in_an_empty_folder_on_another_day(bundle, tmp_path, monkeypatch):
    place = tmp_path / "elsewhere" / "theirs.zip"
    place.parent.mkdir()
    shutil.copy(bundle, place)
    monkeypatch.setenv("SOURCE_DATE_EPOCH", "2000000000")
    outcome = recheck(place)
    assert outcome.agrees and outcome.values > 40, outcome.words
    assert "values equal" in outcome.words
    assert [path.name for path in place.parent.iterdir()] == ["theirs.zip"]
    assert outcome.as_record()["agrees"] is True


def test_a_run_folder_and_a_report_folder_agree(run, standard):
    page = make_report(run)
    assert recheck(run).agrees
    assert recheck(page.parent).agrees


def test_one_changed_reading_is_named_with_the_values_it_moves(bundle, tmp_path):
    def change(held):
        held["burns.csv"] = held["burns.csv"].replace(b"247.33333333333334", b"248.33333333333334")

    outcome = recheck(changed(bundle, tmp_path / "x.zip", change))
    assert not outcome.agrees
    assert "burns.csv: not what its hash says" in outcome.words
    assert "burns.csv: an input that changed since the report" in outcome.words
    assert "metrics, metric peak, fuel olive, burn 01, value: was 247.333333, is 248.333333" in outcome.words
    assert "means, fuel olive, mean: was 254.666667, is 255.166667" in outcome.words


def test_a_number_changed_in_the_results_is_named(bundle, tmp_path):
    def change(held):
        name = next(name for name in held if name.endswith("results.json"))
        held[name] = held[name].replace(b'"mean": 262.0', b'"mean": 263.0')

    outcome = recheck(changed(bundle, tmp_path / "x.zip", change))
    assert [str(each) for each in outcome.moved] == ["means, fuel alder, mean: was 263, is 262"]


def test_missing_and_further_files_are_named(bundle, tmp_path):
    def change(held):
        del held["README.md"]
        held["logs/extra.csv"] = b"s,C\n0,20\n"

    words = recheck(changed(bundle, tmp_path / "x.zip", change)).words
    assert "README.md: missing." in words and "logs/extra.csv: not in the list of files." in words


def test_other_versions_and_parameters_are_told(bundle, tmp_path):
    def change(held):
        name = next(name for name in held if name.endswith("results.json"))
        results = json.loads(held[name])
        results["environment"]["numpy"] = "1.0"
        results["parameters"]["seed"] = 9
        held[name] = json.dumps(results).encode()

    outcome = recheck(changed(bundle, tmp_path / "x.zip", change))
    assert any(entry.startswith("numpy 1.0, now ") for entry in outcome.changed)
    assert {each.where.rpartition(", ")[2] for each in outcome.moved} == {"low", "high"}


def test_a_folder_that_can_no_longer_be_read_is_told(bundle, tmp_path):
    def change(held):
        held["burns.csv"] = held["burns.csv"].replace(b"fuel", b"fule")

    outcome = recheck(changed(bundle, tmp_path / "x.zip", change))
    assert not outcome.agrees and "no column 'fuel'" in outcome.words


@pytest.mark.parametrize("name", ["/tmp/evil.ipynb", "evil.ipynb", "../evil", "", "a;b", "standard\n"])
def test_no_notebook_of_a_bundle_is_ever_run(bundle, tmp_path, name):
    def change(held):
        place = next(name for name in held if name.endswith("results.json"))
        results = json.loads(held[place])
        results["template"]["name"] = name
        held[place] = json.dumps(results).encode()

    with pytest.raises(KitError, match="results of schema"):
        recheck(changed(bundle, tmp_path / "x.zip", change))


@pytest.mark.parametrize(
    "content", [b"[]", b"{}", b"not json", b'{"schema": "repeatburn-results/1"}', b"[" * 100000]
)
def test_other_results_are_refused(bundle, tmp_path, content):
    def change(held):
        held[next(name for name in held if name.endswith("results.json"))] = content

    with pytest.raises(KitError, match="results of schema"):
        recheck(changed(bundle, tmp_path / "x.zip", change))


def test_what_is_no_bundle_is_refused(tmp_path, run):
    with pytest.raises(KitError, match="no such file"):
        recheck(tmp_path / "absent")
    (tmp_path / "x.zip").write_text("hello", "utf-8")
    with pytest.raises(KitError, match="a zip that cannot be read"):
        recheck(tmp_path / "x.zip")
    with zipfile.ZipFile(tmp_path / "y.zip", "w") as archive:
        archive.writestr("a/b.txt", "x")
        archive.writestr("c/d.txt", "x")
    with pytest.raises(KitError, match=r"no checksums\.sha256 in one top folder"):
        recheck(tmp_path / "y.zip")
    with pytest.raises(KitError, match="no report"):
        recheck(run)


@pytest.mark.parametrize(
    ("was", "now", "equal"),
    [
        (1.0, 1.0 + 1e-7, True), (1.0, 1.001, False), (0.0, 1e-10, True), (None, 0.0, False), (1, 1.0, True),
        (True, 1, False), ("a", "a", True), ("a", "b", False), (None, None, True),
    ],
)  # fmt: skip
def test_two_values_are_one_within_the_tolerance(was, now, equal):
    assert same(was, now) is equal


def test_a_row_that_comes_does_not_shift_the_others():
    was = {"means": [{"fuel": "a", "mean": 1.0}, {"fuel": "c", "mean": 3.0}]}
    now = {"means": [{"fuel": "a", "mean": 1.0}, {"fuel": "b", "mean": 2.0}, {"fuel": "c", "mean": 3.0}]}
    assert [each.where for each in compare_results(was, now).moved] == ["means, fuel b"]
    assert not compare_results(was, was).moved
    assert compare_results(was, was).values == 4


def test_curves_are_compared_point_by_point():
    was = {"curves": {"mean": {"elapsed_s": [0.0, 1.0], "mean": [1.0, 2.0]}}}
    now = {"curves": {"mean": {"elapsed_s": [0.0, 1.0], "mean": [1.0, 2.5]}}}
    assert [str(each) for each in compare_results(was, now).moved] == [
        "curves, mean, mean, entry 2: was 2, is 2.5"
    ]

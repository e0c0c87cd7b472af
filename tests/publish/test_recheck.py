import base64
import hashlib
import io
import json
import shutil
import struct
import sys
import time
import zipfile
import zlib

import pytest

from kit.errors import KitError
from kit.publish import make_bundle, make_report, recheck
from kit.publish.bundle import descriptions
from kit.publish.plain import canonical, same
from kit.publish.provenance import report_id
from kit.publish.recheck import compare_files, compare_results
from tests.publish.stand_in import write_notebook, write_run


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
    assert f": {len(outcome.moved)} of {outcome.values} values differ, " in outcome.words
    assert "; numbers count as equal within 1 part in 1,000,000" in outcome.words
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

    outcome = recheck(changed(bundle, tmp_path / "x.zip", change))
    assert not outcome.agrees and not outcome.values and "a template of the kit's own" in outcome.words


@pytest.mark.parametrize(
    "content", [b"[]", b"{}", b"not json", b'{"schema": "repeatburn-results/1"}', b"[" * 100000]
)
def test_other_results_are_refused(bundle, tmp_path, content):
    def change(held):
        held[next(name for name in held if name.endswith("results.json"))] = content

    with pytest.raises(KitError, match="results that cannot be read"):
        recheck(changed(bundle, tmp_path / "x.zip", change))


REPORT = "reports/2026-11-29-standard/"


@pytest.fixture(scope="module")
def whole(tmp_path_factory):
    """One bundle for all forgeries, and its files by path without the top folder."""
    place = tmp_path_factory.mktemp("whole")
    template = write_notebook(place / "standard.ipynb")
    with pytest.MonkeyPatch.context() as patched:
        patched.setattr("kit.publish.notebook.template_folders", lambda: [template.parent])
        patched.setenv("SOURCE_DATE_EPOCH", "1795953600")
        run = write_run(place / "run")
        page = make_report(run)
        assert page.parent.name == "2026-11-29-standard"
        bundle = make_bundle(run, agreed=True).path
        with zipfile.ZipFile(bundle) as archive:
            held = {name.partition("/")[2]: archive.read(name) for name in archive.namelist()}
        yield bundle, held, page.parent


def remade(bundle, held, target):
    """Write a forged bundle as its maker would: hashes and descriptions made anew."""
    folder = target.with_suffix("")
    for name, content in held.items():
        (folder / name).parent.mkdir(parents=True, exist_ok=True)
        (folder / name).write_bytes(content)
    own = {"datapackage.json", "ro-crate-metadata.json", "CITATION.cff", "README.md", "results.schema.json"}
    names = sorted(set(held) - own - {"checksums.sha256"})
    texts = descriptions(folder, "2026-11-29-standard", "run", (), names)
    return changed(bundle, target, lambda files: (files.clear(), files.update(held), files.update(
        {name: text.encode() for name, text in texts.items()}
    )))  # fmt: skip


def in_results(change):
    def forge(held):
        results = json.loads(held[REPORT + "results.json"])
        change(results)
        held[REPORT + "results.json"] = canonical(results).encode()

    return forge


def swapped(name, one, other):
    def forge(held):
        text = held[REPORT + name]
        assert one in text or other in text
        held[REPORT + name] = text.replace(one, b"\0").replace(other, one).replace(b"\0", other)

    return forge


def further(name, content=b"x"):
    return lambda held: held.update({name: content})


def twice(held):
    held[REPORT + "results.json"] = held[REPORT + "results.json"].replace(
        b'"notes": ', b'"notes": ["Alder wins"],\n"notes": '
    )


def nested(levels):
    def forge(held):
        deep = b'"deep": ' + b"[" * levels + b"]" * levels
        held[REPORT + "results.json"] = held[REPORT + "results.json"].replace(
            b'"notes": ', deep + b',\n"notes": '
        )

    return forge


FORGERIES = {
    "fuels exchanged on the page": swapped("report.html", b"alder", b"olive"),
    "a number on the page": swapped("report.html", b"262", b"263"),
    "a style that hides": swapped("report.html", b"</head>", b"<style>p{display:none}</style></head>"),
    "a script on the page": swapped("report.html", b"</body>", b"<script>alert(1)</script></body>"),
    "the notebook's output": swapped("notebook.ipynb", b"alder", b"olive"),
    "a table's number": swapped("tables/means.csv", b"262", b"263"),
    "digits of another script": swapped("tables/means.csv", b"262.0", "２６２.0".encode()),
    "a table's fuel": swapped("tables/means.csv", b"alder", b"olive"),
    "a number in the results": in_results(lambda found: found["means"][0].update(mean=1.0)),
    "a further table": further(REPORT + "tables/more.csv"),
    "a further card": further(REPORT + "say.md", b"Alder is hottest."),
    "a further figure": further(REPORT + "figures/x.svg", b"<svg/>"),
    "a file beside": further("look-at-me.html", b"<h1>Alder wins</h1>"),
    "a second report's page": further("reports/2027-01-01-standard/report.html"),
    "a results.json alone": further("reports/2027-01-01-standard/results.json", b"{}"),
    "a file as if of an earlier look": further("reports/looked-x/page.html"),
    "a description": lambda held: None,
    "another folder in the parameters": in_results(
        lambda found: found["parameters"].update(run_folder="/etc")
    ),
    "another output in the parameters": in_results(lambda found: found["parameters"].update(output="/tmp/x")),
    "a key twice": twice,
    "an integer of 400 digits": in_results(lambda found: found.update(notes=[10**400])),
    "values nested deep": nested(900),
    "values nested less deep": nested(500),
    "a table's lines": swapped("tables/means.csv", b"\n", b","),
    "a table of no text": lambda held: held.update({REPORT + "tables/means.csv": b"\xff\xfe\0\n"}),
    "a cell of 300 kB": lambda held: held.update({REPORT + "tables/means.csv": b"x" * 300_000}),
    "sizes of inputs": in_results(lambda found: found["inputs"][0].update(bytes=1)),
    "an earlier look that says more": further(
        "reports/looked-1/results.json",
        canonical({"schema": "repeatburn-results/1", "inputs": [], "note": "Alder wins"}).encode(),
    ),
    "another id": in_results(lambda found: found.update(report="0" * 12)),
    "an older version, claimed": in_results(lambda found: found["environment"].update(repeatburn="0.0.1")),
    "another template, claimed": in_results(lambda found: found["template"].update(sha256="0" * 64)),
    "a two-fuels report, claimed": in_results(lambda found: found["template"].update(name="two_fuels")),
}


@pytest.mark.parametrize("what", FORGERIES)
def test_a_forged_bundle_fails(whole, tmp_path, monkeypatch, what):
    bundle, held, report = whole
    forged = dict(held)
    FORGERIES[what](forged)
    again(monkeypatch, report)
    path = remade(bundle, forged, tmp_path / "run.zip")
    if what == "a description":
        path = changed(path, tmp_path / "x.zip", described_otherwise)
    try:
        outcome = recheck(path)
    except KitError as error:
        assert "results that cannot be read" in str(error)
        return
    assert not outcome.agrees and json.dumps(outcome.as_record()), outcome.words
    assert "not what its hash says" not in outcome.words  # its maker made the hashes anew
    if what == "fuels exchanged on the page":
        assert f"{REPORT}report.html: " in outcome.words


def described_otherwise(held):
    held["README.md"] = b"# Alder wins\n"
    digest = hashlib.sha256(held["README.md"]).hexdigest().encode()
    lines = [line for line in held["checksums.sha256"].splitlines() if not line.endswith(b"README.md")]
    held["checksums.sha256"] = b"\n".join([*lines, digest + b"  README.md"]) + b"\n"


def again(monkeypatch, report):
    """Have the report that is made again be the honest one: made once for all forgeries."""

    def rerun(order, folder, progress):
        shutil.copytree(report, folder, dirs_exist_ok=True)
        return json.loads((report / "results.json").read_text("utf-8"))

    monkeypatch.setattr(sys.modules["kit.publish.recheck"], "rerun", rerun)
    monkeypatch.setattr("kit.publish.notebook.template_folders", lambda: [report.parents[2]])


def test_an_honest_bundle_passes_and_says_what_was_compared(whole, monkeypatch):
    bundle, held, report = whole
    again(monkeypatch, report)
    outcome = recheck(bundle)
    files = sum(name.startswith(REPORT) for name in held)
    assert outcome.agrees and outcome.files_equal == files
    last = outcome.words.splitlines()[-1]
    assert last.startswith(
        f"Compared: {outcome.values} values, {files} files byte by byte, 0 by what they show."
    )
    assert last.endswith(
        "that logs and sheets are of these burns; that no earlier report is kept back; its date."
    )


def older(held):
    """Claim that another version of a library made the report, and say so everywhere."""
    was = json.loads(held[REPORT + "results.json"])["report"].encode()

    def claim(results):
        results["environment"]["numpy"] = "1.0"
        results["report"] = report_id(results)

    in_results(claim)(held)
    now = json.loads(held[REPORT + "results.json"])["report"].encode()
    for name in (REPORT + "report.html", REPORT + "notebook.ipynb"):
        held[name] = held[name].replace(was, now)


CLAIMED = {
    "nothing else": (lambda held: None, True),
    "fuels exchanged": (swapped("report.html", b"alder", b"olive"), False),
    "a style that hides": (
        swapped("report.html", b"</head>", b"<style>p{display:none}</style></head>"),
        False,
    ),
    "a script from elsewhere": (
        swapped("report.html", b"</body>", b'<script src="//x"></script></body>'),
        False,
    ),
    "another address": (swapped("report.html", b"<body", b"<body hidden"), False),
    "the notebook's output": (swapped("notebook.ipynb", b"alder", b"olive"), False),
}


@pytest.mark.parametrize("what", CLAIMED)
def test_other_libraries_are_no_fault_and_what_claims_them_passes_no_forgery(
    whole, tmp_path, monkeypatch, what
):
    bundle, held, report = whole
    again(monkeypatch, report)
    other = dict(held)
    older(other)
    forge, honest = CLAIMED[what]
    forge(other)
    outcome = recheck(remade(bundle, other, tmp_path / "run.zip"))
    assert outcome.agrees is honest, outcome.words
    assert "numpy 1.0, now" in outcome.words


def part(kind, content):
    """Return a part of a PNG."""
    return struct.pack(">I", len(content)) + kind + content + struct.pack(">I", zlib.crc32(kind + content))


HEADER = 33
PICTURES = {
    "the same, packed otherwise": (lambda png: png, 0),
    "a pixel": (lambda png: drawn(200), 200),
    "its gamma": (lambda png: png[:HEADER] + part(b"gAMA", struct.pack(">I", 5)) + png[HEADER:], 0),
    "a text": (lambda png: png[:HEADER] + part(b"tEXt", b"Title\0alder wins") + png[HEADER:], 0),
    "further frames": (lambda png: png[:HEADER] + part(b"acTL", struct.pack(">II", 2, 0)) + png[HEADER:], 0),
    "something behind it": (lambda png: png + b"alder wins" * 10, 0),
    "a byte behind it": (lambda png: png + b"x", 0),
    "a size beyond reason": (lambda png: png[:16] + struct.pack(">II", 50000, 50000) + png[24:], 0),
    "no picture": (lambda png: b"none", 0),
}


def drawn(red, level=6):
    from PIL import Image

    picture, out = Image.new("RGB", (20, 20)), io.BytesIO()
    picture.putpixel((3, 3), (red, 0, 0))
    picture.save(out, "PNG", compress_level=level)
    return out.getvalue()


@pytest.mark.parametrize("inside", ["a.png", "a.svg", "a.html", "a.ipynb"])
@pytest.mark.parametrize("what", PICTURES)
def test_pictures_are_compared_by_what_they_show_wherever_they_stand(tmp_path, what, inside):
    forge, _ = PICTURES[what]
    for folder, png in ((tmp_path / "was", forge(drawn(0, level=1))), (tmp_path / "now", drawn(0))):
        folder.mkdir()
        for kind in ("png", "svg+xml"):
            if inside != "a.png":
                png = f'<img src="data:image/{kind};base64,{base64.b64encode(png).decode()}">'.encode()
        (folder / inside).write_bytes(png)
    found = compare_files(tmp_path / "was", tmp_path / "now", {})
    if what == "the same, packed otherwise":
        assert found.alike == 1 and not found.differing
    else:
        assert len(found.differing) == 1 and "another" in found.differing[0]


@pytest.mark.parametrize(
    ("was", "now", "told"),
    [
        ("six\u00a0burns", "six\u00a0bags", "was 'six burns', is 'six bags'"),
        ("a\u00a0b", "a b", r"was 'a\xa0b', is 'a b'"),
    ],
)
def test_words_that_differ_in_a_space_alone_are_shown_to_differ(tmp_path, was, now, told):
    for folder, words in ((tmp_path / "was", was), (tmp_path / "now", now)):
        folder.mkdir()
        (folder / "say.md").write_text(words, encoding="utf-8")
    (fault,) = compare_files(tmp_path / "was", tmp_path / "now", {}).differing
    assert told in fault


DRAWING = (
    '<svg width="9"><style>a</style><path d="M1.0 2.0" style="fill:#123"/><text x="1">alder</text></svg>'
)
BY_ANOTHER_PEN = {
    "lines elsewhere": (('d="M1.0 2.0"', 'd="M8.0 9.0"'), True),
    "another style": (('style="fill:#123"', 'style="fill:#456"'), True),
    "another word": ((">alder<", ">olive<"), False),
    "a script": (("<path", "<script>x</script><path"), False),
    "what begins at a click": (("<path", '<path onclick="x"'), False),
    "a picture from elsewhere": (("fill:#123", "fill:url(//x.invalid/a)"), False),
    "a style outside": (("<p>", '<p style="display:none">'), False),
    "a number outside": (("262.0", "263.0"), False),
}


@pytest.mark.parametrize("inside", ["inline", "embedded", "file"])
@pytest.mark.parametrize("what", BY_ANOTHER_PEN)
def test_of_drawings_by_another_pen_the_words_are_compared_and_all_that_stands_outside(
    tmp_path, what, inside
):
    (one, other), alike = BY_ANOTHER_PEN[what]
    if inside == "file" and "outside" in what:
        pytest.skip("nothing stands outside")
    for folder, drawing in (("was", DRAWING.replace(one, other)), ("now", DRAWING)):
        (tmp_path / folder).mkdir()
        packed = base64.b64encode(drawing.encode()).decode()
        shown = {
            "inline": drawing,
            "embedded": f'<img src="data:image/svg+xml;base64,{packed}">',
            "file": drawing,
        }
        page = f"<p>262.0</p>{shown[inside]}"
        page = page.replace(one, other) if folder == "was" and "outside" in what else page
        text, name = (drawing, "a.svg") if inside == "file" else (page, "a.html")
        (tmp_path / folder / name).write_text(text, "utf-8")
    found = compare_files(tmp_path / "was", tmp_path / "now", {}, same_pen=False)
    assert (not found.differing) is alike, found.differing
    assert found.in_words == alike


def test_pictures_by_another_pen_are_taken_on_their_makers_word_and_that_is_told(
    whole, tmp_path, monkeypatch
):
    bundle, held, report = whole
    again(monkeypatch, report)
    monkeypatch.setattr(sys.modules["kit.publish.recheck"], "PEN", "numpy")
    drawn_there, drawn_here = (DRAWING.replace("M1.0", place) for place in ("M5.0", "M1.0"))
    (report / "figures").mkdir()
    (report / "figures" / "a.svg").write_text(drawn_here, "utf-8")
    other = {**held, REPORT + "figures/a.svg": drawn_there.encode()}
    path = remade(bundle, other, tmp_path / "same" / "run.zip")
    assert not recheck(path).agrees
    older(other)
    outcome = recheck(remade(bundle, other, tmp_path / "other" / "run.zip"))
    assert outcome.agrees, outcome.words
    assert "all files as recorded but for what is drawn in 1.\n" in outcome.words
    assert "what numpy 1.0, as it says, drew in 1 files, of which only the words of SVG" in outcome.words
    shutil.rmtree(report / "figures")


def test_versions_are_names_only_where_they_stand_by_themselves(tmp_path):
    for folder, text in (("was", "numpy 2.1.0. 12.1.0 2.1.05"), ("now", "numpy 9.9.9. 19.9.9 9.9.95")):
        (tmp_path / folder).mkdir()
        (tmp_path / folder / "a.md").write_text(text, "utf-8")
    (fault,) = compare_files(tmp_path / "was", tmp_path / "now", {"9.9.9": "2.1.0"}).differing
    assert "was 'numpy 2.1.0. 12.1.0 2.1.05', is 'numpy 2.1.0. 19.9.9 9.9.95'" in fault


@pytest.mark.parametrize(
    "line",
    [
        "1" * 65536,
        "<" * 65536,
        "1." * 32768,
        "<style>" * 9000,
        "-" * 65536,
        "1e" * 32768,
        "data:image/png;base64," * 3000,
        "data:image/png;base64," + "A" * 65536,
    ],
)
def test_hostile_files_are_compared_in_no_time(tmp_path, line):
    was, now = tmp_path / "was", tmp_path / "now"
    for folder, text in ((was, line), (now, line[:-1] + "x")):
        folder.mkdir()
        for suffix in ("html", "md", "csv", "svg"):
            (folder / f"a.{suffix}").write_text(text, "utf-8")
    begun = time.process_time()
    assert len(compare_files(was, now, {"1.0": "2.0"}).differing) == 4
    assert time.process_time() - begun < 2


def test_a_bundle_reads_nothing_beside_itself(whole, tmp_path, monkeypatch):
    bundle, held, report = whole
    again(monkeypatch, report)
    private = json.dumps(str(report.parents[1]))
    forged = dict(held)
    forged["trial.toml"] += f"\n[model]\nborrow_from = [{private}]\n".encode()
    with pytest.raises(KitError, match=r"borrow_from: found '.*', outside"):
        recheck(changed(bundle, tmp_path / "run.zip", lambda files: files.update(forged)))


@pytest.mark.parametrize("count", [0, 2, 21])
def test_a_bundle_of_no_report_or_of_many_is_refused(whole, tmp_path, count):
    bundle, held, _ = whole
    kept = {name: content for name, content in held.items() if not name.startswith(REPORT)}
    for number in range(count):
        for name in ("results.json", "report.html"):
            kept[f"reports/2026-11-{number + 1:02d}-standard/{name}"] = held[REPORT + name]
    with pytest.raises(KitError, match=f"{count or 'no'} reports in it"):
        recheck(changed(bundle, tmp_path / "x.zip", lambda files: (files.clear(), files.update(kept))))


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
    assert [each.where for each in compare_results(was, now)[1]] == ["means, fuel b"]
    assert compare_results(was, was) == (4, [])


def test_curves_are_compared_point_by_point():
    was = {"curves": {"mean": {"elapsed_s": [0.0, 1.0], "mean": [1.0, 2.0]}}}
    now = {"curves": {"mean": {"elapsed_s": [0.0, 1.0], "mean": [1.0, 2.5]}}}
    assert [str(each) for each in compare_results(was, now)[1]] == [
        "curves, mean, mean, entry 2: was 2, is 2.5"
    ]

import csv
import email.message
import errno
import hashlib
import io
import json
import shutil
import struct
import subprocess
import time
import urllib.request
import zipfile
import zlib
from pathlib import Path

import pytest

from kit.errors import KitError
from kit.plan.simulated import rehearsal_text
from kit.publish import make_bundle, make_report, recheck, report_many
from kit.publish.bundle import slug
from kit.publish.private import leave_out, what_is_told
from kit.publish.provenance import earlier_looks
from kit.results_file import needed_reports
from kit.start import start_run
from tests.publish.stand_in import write_run
from tests.readings.test_spreadsheets import ods, xlsx

SECRET = "Wilhelmina Quark"


@pytest.fixture
def told(tmp_path, standard):
    """A run folder that tells of people and places."""
    run = write_run(tmp_path / "run")
    (run / "trial.toml").write_text(
        '# for Aunt Olga\n[trial]\ntitle = "Drum oven"\n'
        f'operator = "{SECRET}"  # me\nplace = "47 Hidden Lane"\n[[fuel]]\nid = "alder"\nshop = "Corner shop"\n'
        '[[probe]]\nid = "grate"\nplace = "grate height"\n',
        "utf-8",
    )
    sheet = (run / "burns.csv").read_text("utf-8").splitlines()
    lines = [f"{sheet[0]},operator,notes,my_column"] + [
        f'{line},{SECRET},"wind, rain",call Bob' for line in sheet[1:]
    ]
    (run / "burns.csv").write_text("\n".join(lines) + "\n", "utf-8")
    head = "Logger XY\r\nSerial No.: AB-12345\r\nlatitude: 52.5200, longitude: 13.4050\r\n"
    (run / "logs" / "01.csv").write_text(head + "s,C\n0,20\n60,247\n", "utf-8", newline="")
    make_report(run)
    return run


def members(path):
    with zipfile.ZipFile(path) as archive:
        return {name.partition("/")[2]: archive.read(name) for name in archive.namelist()}


def test_before_a_bundle_is_made_it_lists_what_it_tells(told):
    listed = make_bundle(told)
    assert listed.path is None and not list((told / "reports").glob("*.zip"))
    for text in (SECRET, "47 Hidden Lane", "wind, rain", "AB-12345", "52.5200", "Corner shop", "call Bob"):
        assert text in listed.words, text
    assert "grate height" not in listed.words
    assert "Nothing is made yet" in listed.words
    assert {each["key"] for each in listed.as_record()["tells"]} == {
        "people", "place", "notes", "serials", "positions", "shops",
    }  # fmt: skip


def test_a_bundle_holds_everything_and_its_hashes(told):
    bundle = make_bundle(told, agreed=True)
    held = members(bundle.path)
    name = needed_reports(told, "standard")[0].folder.name
    assert {
        "trial.toml", "burns.csv", "logs/01.csv", f"reports/{name}/report.html", f"reports/{name}/results.json",
        f"reports/{name}/notebook.ipynb", "datapackage.json", "ro-crate-metadata.json", "CITATION.cff", "README.md",
    } <= set(held)  # fmt: skip
    listed = dict(
        reversed(line.split("  ", 1)) for line in held.pop("checksums.sha256").decode().splitlines()
    )
    assert listed == {name: hashlib.sha256(content).hexdigest() for name, content in held.items()}
    assert held["logs/01.csv"] == (told / "logs" / "01.csv").read_bytes()
    assert bundle.path.name == f"{name}-bundle.zip"


def test_the_checksums_are_what_sha256sum_reads(told, tmp_path):
    with zipfile.ZipFile(make_bundle(told, agreed=True).path) as archive:
        archive.extractall(tmp_path / "out")
    (top,) = (tmp_path / "out").iterdir()
    subprocess.run(["sha256sum", "--quiet", "--strict", "-c", "checksums.sha256"], cwd=top, check=True)


def test_two_bundles_are_the_same_bytes_and_neither_is_overwritten(told):
    first, second = (make_bundle(told, agreed=True).path for _ in range(2))
    assert second.name == first.name.replace(".zip", "-2.zip")
    assert first.read_bytes() == second.read_bytes()


def test_what_is_left_out_stands_nowhere_and_is_recorded(told):
    keys = ["people", "place", "notes", "serials", "positions", "shops"]
    bundle = make_bundle(told, leave_out=keys, agreed=True)
    held = members(bundle.path)
    for content in held.values():
        for text in (
            SECRET,
            "Hidden Lane",
            "wind, rain",
            "AB-12345",
            "52.5200",
            "Corner shop",
            "call Bob",
            "Olga",
        ):
            assert text.encode() not in content
    assert json.loads(held["datapackage.json"])["leftOut"] == sorted(keys)
    assert b"Left out before publishing: notes, people" in held["README.md"]
    assert b'place = "grate height"' in held["trial.toml"]
    assert len(held["logs/01.csv"]) == len((told / "logs" / "01.csv").read_bytes())
    assert SECRET in (told / "burns.csv").read_text("utf-8")
    outcome = recheck(bundle.path)
    assert outcome.agrees and outcome.left_out == tuple(sorted(keys))
    assert "Left out by its maker" in outcome.words


def test_only_what_is_named_is_left_out(told):
    held = members(make_bundle(told, leave_out=["people"], agreed=True).path)
    assert b"47 Hidden Lane" in held["trial.toml"] and SECRET.encode() not in held["trial.toml"]
    assert b"# me" in held["trial.toml"]


def test_what_still_stands_elsewhere_stops_the_bundle(told):
    log = told / "logs" / "02.csv"
    log.write_text(f"# logged by {SECRET}\n{log.read_text('utf-8')}", "utf-8")
    make_report(told)
    with pytest.raises(KitError, match=r"logs/02\.csv: found 'Wilhelmina Quark', which was to be left out"):
        make_bundle(told, leave_out=["people"], agreed=True)
    assert not list((told / "reports").glob("*.zip")) and not list((told / "reports").glob(".making-*"))


def test_an_unknown_key_is_told_with_the_known_ones(told):
    with pytest.raises(KitError, match="Did you mean 'people'"):
        make_bundle(told, leave_out=["poeple"])
    with pytest.raises(KitError, match=r"blanks between: place, people, notes, .*Did you mean 'place'"):
        make_bundle(told, leave_out=["places"])


def test_a_bundle_needs_a_report_of_the_inputs_as_they_are(told, tmp_path):
    with pytest.raises(KitError, match="no report"):
        make_bundle(write_run(tmp_path / "bare"))
    with (told / "logs" / "02.csv").open("a") as handle:
        handle.write("120,90\n")
    with pytest.raises(KitError, match=r"logs/02\.csv: found not what the newest report was made from"):
        make_bundle(told, agreed=True)


@pytest.mark.parametrize("outside", ["outside.csv", "/proc/self/environ", "/proc/kmsg"])
@pytest.mark.parametrize("name", ["logs/09.csv", "logs/deep/09.csv", "notes.md"])
def test_a_link_that_leaves_the_folder_is_neither_opened_nor_published(
    told, tmp_path, monkeypatch, outside, name
):
    if outside.startswith("/proc") and not Path(outside).is_file():
        pytest.skip("no such file here")
    (tmp_path / "outside.csv").write_text("secret", "utf-8")
    (told / name).parent.mkdir(exist_ok=True)
    (told / name).symlink_to(tmp_path / outside)
    opened = []
    really = Path.open

    def opening(path, *how, **more):
        opened.append(path)
        return really(path, *how, **more)

    monkeypatch.setattr(Path, "open", opening)
    for command in (make_bundle, make_report, lambda folder: report_many([folder])):
        try:
            said = str(command(told).outcomes)
        except KitError as error:
            said = str(error)
        assert f"{name}: found a link out of the run folder" in said
    assert told / name not in opened
    assert len(list((told / "reports").iterdir())) == 1


@pytest.mark.parametrize("encoding", ["utf-8-sig", "utf-16", "cp1252"])
def test_private_cells_are_found_in_sheets_of_any_encoding(tmp_path, encoding):
    run = write_run(tmp_path / "run")
    (run / "burns.csv").write_text("burn;fuel;operator\r\n01;a;Jörg Müller\r\n", encoding, newline="")
    assert [each.text for each in what_is_told(run)] == ["Jörg Müller"]
    assert len(leave_out(run, frozenset({"people"}))) == 1
    assert list(csv.reader((run / "burns.csv").read_text("utf-8").splitlines(), delimiter=";"))[1] == [
        "01",
        "a",
        "",
    ]


@pytest.mark.parametrize(
    "sheet",
    [
        "\n\nburn,fuel,Operator:\n01,a,Jo Quark\n",
        "sep=;\nburn;fuel;OPERATOR\n01;a;Jo Quark\n",
        ",,\nburn,fuel, operator \n01,a,Jo Quark\n",
        'burn;fuel;"operator"\r01;"a,b,c,d,e";Jo Quark\r',
    ],
)
def test_private_cells_are_found_wherever_the_kit_finds_the_column(tmp_path, sheet):
    run = write_run(tmp_path / "run")
    (run / "burns.csv").write_bytes(sheet.encode())
    assert [(each.key, each.text) for each in what_is_told(run)] == [("people", "Jo Quark")]
    leave_out(run, frozenset({"people"}))
    assert "Quark" not in (run / "burns.csv").read_text("utf-8")


def test_the_testers_own_words_are_notes(tmp_path):
    run = write_run(tmp_path / "run")
    (run / "notes.md").write_text("# Mine\nRain at Aunt Olga's.\n", "utf-8")
    assert [each.key for each in what_is_told(run)] == ["notes"]
    leave_out(run, frozenset({"people"}))
    assert "Olga" in (run / "notes.md").read_text("utf-8")
    leave_out(run, frozenset({"notes"}))
    assert not (run / "notes.md").read_text("utf-8")


SCORES = [["burn", "taster", "attribute", "score"], ["01", SECRET, "smoke", 3.0]]


def xlsx_scores(run):
    path = xlsx(run / "scores.xlsx", scores=SCORES, Addresses=[["47 Hidden Lane"]])
    with zipfile.ZipFile(path, "a") as book:
        book.writestr("docProps/core.xml", "<a><dc:creator>Olga Quark</dc:creator></a>")
        book.writestr("xl/comments1.xml", "<t>call Bob</t>")


def ods_scores(run):
    ods(run / "scores.ods", SCORES)


@pytest.mark.parametrize("write", [xlsx_scores, ods_scores])
def test_a_left_out_column_of_a_spreadsheets_own_file_stands_nowhere(tmp_path, standard, write):
    run = write_run(tmp_path / "run")
    write(run)
    told = [(each.key, each.where, each.text) for each in what_is_told(run)]
    if write is xlsx_scores:
        assert told == [
            ("people", "scores.xlsx, row 2, column taster", SECRET),
            ("notes", "scores.xlsx, sheet 'scores'", "2 rows"),
            ("notes", "scores.xlsx, sheet 'Addresses'", "1 rows"),
            ("people", "scores.xlsx, its properties", "Olga Quark"),
            ("notes", "scores.xlsx", "comments on cells"),
        ]
    else:
        assert told == [("people", "scores.ods, row 2, column taster", SECRET)]
    make_report(run)
    held = members(make_bundle(run, leave_out=["people"], agreed=True).path)
    assert held["scores.csv"] == b"burn,taster,attribute,score\n01,,smoke,3\n"
    assert not [name for name in held if name.endswith((".xlsx", ".ods"))]
    for content in held.values():
        assert not any(text.encode() in content for text in (SECRET, "Olga", "Hidden Lane", "call Bob"))


def test_a_log_that_is_a_spreadsheets_own_file_stops_a_bundle_that_leaves_something_out(tmp_path):
    run = write_run(tmp_path / "run")
    xlsx(run / "logs" / "09.xlsx", Log=[["Serial No. AB-12345"], ["s", "C"], [0, 20]])
    assert ("serials", "AB-12345") in [(each.key, each.text) for each in what_is_told(run)]
    with pytest.raises(KitError, match=r"logs/09\.xlsx: found a spreadsheet's own file.*Save it as CSV"):
        leave_out(run, frozenset({"shops"}))


def test_serial_numbers_are_found_in_wide_logs(tmp_path):
    run = write_run(tmp_path / "run")
    (run / "logs" / "01.csv").write_bytes("Serial: ZZ9988\r\ntime,C\r\n0,20\r\n".encode("utf-16"))
    before = (run / "logs" / "01.csv").read_bytes()
    assert [each.text for each in what_is_told(run)] == ["ZZ9988"]
    leave_out(run, frozenset({"serials"}))
    after = (run / "logs" / "01.csv").read_bytes()
    assert after.decode("utf-16") == before.decode("utf-16").replace("ZZ9988", "xxxxxx")


def test_comments_that_the_kit_writes_itself_are_no_words_of_the_tester(tmp_path):
    def comments(folder):
        return [each.text for each in what_is_told(folder) if "of comment" in each.text]

    log = tmp_path / "oak.csv"
    log.write_text("s,C\n0,20\n60,247\n", "utf-8")
    made = start_run(tmp_path / "new", [log]).folder
    demo = start_run(tmp_path / "demo", demo=True).folder
    rehearsed = tmp_path / "rehearsed"
    rehearsed.mkdir()
    (rehearsed / "trial.toml").write_text(
        rehearsal_text((made / "trial.toml").read_text("utf-8"), 27), "utf-8"
    )
    assert not (comments(made) or comments(demo) or comments(rehearsed))
    trial = demo / "trial.toml"
    before = trial.read_bytes()
    trial.write_bytes(b"# for Aunt Olga\n" + before)
    assert comments(demo) == ["1 line of comment"]
    leave_out(demo, frozenset({"notes"}))
    assert trial.read_bytes() == before
    value = b'cooker = "a #2 grill"  # my phone: 555-0199\n'
    many = b'[x]\ny = """\n# no comment\n"""\n'
    trial.write_bytes(before + b'z = 1\t# by "Bob"\n' + many + value)
    assert comments(demo) == ["2 lines of comment"]
    leave_out(demo, frozenset({"notes"}))
    assert trial.read_bytes() == before + b"z = 1\n" + many + value.replace(b"  # my phone: 555-0199", b"")


def test_a_value_that_cannot_be_taken_out_is_told(tmp_path):
    run = write_run(tmp_path / "run")
    (run / "trial.toml").write_text('[trial]\noperator = """\nJo\n"""\n', "utf-8")
    with pytest.raises(KitError, match="Write it on one line"):
        leave_out(run, frozenset({"people"}))


def jpeg_with_position():
    body = (
        b"II*\x00\x08\x00\x00\x00"
        + struct.pack("<H", 1)
        + struct.pack("<HHII", 0x8825, 4, 1, 26)
        + b"\0" * 20
    )
    block = b"Exif\0\0" + body
    return b"\xff\xd8\xff\xe1" + struct.pack(">H", len(block) + 2) + block + b"\xff\xda\x00\x02pixels\xff\xd9"


def png_with_position():
    def part(name, body):
        return struct.pack(">I", len(body)) + name + body + struct.pack(">I", zlib.crc32(name + body))

    exif = jpeg_with_position()[12:-12]
    return b"\x89PNG\r\n\x1a\n" + part(b"IHDR", b"\0" * 13) + part(b"eXIf", exif) + part(b"IEND", b"")


@pytest.mark.parametrize(("name", "made"), [("a.jpg", jpeg_with_position), ("b.PNG", png_with_position)])
def test_positions_in_pictures_are_found_and_taken_out(tmp_path, name, made):
    run = write_run(tmp_path / "run")
    picture = run / "logs" / name
    picture.write_bytes(made())
    assert [(each.key, each.where) for each in what_is_told(run)] == [("positions", f"logs/{name}")]
    leave_out(run, frozenset({"positions"}))
    assert not what_is_told(run) and picture.stat().st_size < len(made())


def test_the_data_package_is_valid_and_tables_are_what_it_says(told, tmp_path):
    import frictionless

    with zipfile.ZipFile(make_bundle(told, agreed=True).path) as archive:
        archive.extractall(tmp_path / "out")
    (top,) = (tmp_path / "out").iterdir()
    report = frictionless.validate(str(top / "datapackage.json"))
    assert report.valid, report.flatten(["type", "note"])
    package = json.loads((top / "datapackage.json").read_text("utf-8"))
    means = next(each for each in package["resources"] if each["path"].endswith("tables/metrics.csv"))
    fields = {each["name"]: each for each in means["schema"]["fields"]}
    assert fields["value"]["type"] == "number" and fields["n_used"]["type"] == "integer"
    assert all(each["hash"].startswith("sha256:") for each in package["resources"])


def test_the_crate_describes_every_file_and_the_run(told):
    held = members(make_bundle(told, agreed=True).path)
    graph = {each["@id"]: each for each in json.loads(held["ro-crate-metadata.json"])["@graph"]}
    root = graph["./"]
    assert graph["ro-crate-metadata.json"]["about"] == {"@id": "./"}
    for key in ("name", "description", "datePublished", "license"):
        assert root[key]
    described = {each["@id"] for each in root["hasPart"]}
    own = {"datapackage.json", "ro-crate-metadata.json", "CITATION.cff", "README.md", "checksums.sha256"}
    own |= {"results.schema.json"}
    assert described == set(held) - own
    for each in described | {each["@id"] for each in graph["#analysis"]["object"]}:
        assert graph[each]["@type"] == "File"
    assert graph["#analysis"]["instrument"] == {"@id": "#repeatburn"}


class Answer(io.BytesIO):
    """What the context's address would answer."""

    status = code = 200
    msg = "OK"

    def __init__(self, url):
        super().__init__((Path(__file__).parent / "vendored" / "ro-crate-context.jsonld").read_bytes())
        self.url, self.headers = url, email.message.Message()
        self.headers["Content-Type"] = "application/ld+json"

    def info(self):
        return self.headers

    def geturl(self):
        return self.url

    def getcode(self):
        return self.status


@pytest.fixture
def crate_faults(monkeypatch):
    """Say what RO-Crate's own validator finds in a folder, its context answered by the vendored copy alone."""
    import requests
    from rocrate_validator import services

    def opened(opener, request, *args, **kwargs):
        return Answer(request if isinstance(request, str) else request.full_url)

    def requested(session, method, url, *args, **kwargs):
        response = requests.Response()
        response.status_code, response.url, response._content = 200, url, Answer(url).getvalue()
        response.headers["Content-Type"] = "application/ld+json"
        return response

    monkeypatch.setattr(urllib.request.OpenerDirector, "open", opened)
    monkeypatch.setattr(requests.Session, "request", requested)

    def look(folder):
        settings = services.ValidationSettings(rocrate_uri=str(folder), profile_identifier="ro-crate-1.1")
        return [issue.message for issue in services.validate(settings).get_issues()]

    return look


def test_the_crate_is_valid_by_the_standards_own_validator(told, tmp_path, crate_faults):
    with zipfile.ZipFile(make_bundle(told, agreed=True).path) as archive:
        archive.extractall(tmp_path / "out")
    (top,) = (tmp_path / "out").iterdir()

    assert crate_faults(top) == []
    metadata = top / "ro-crate-metadata.json"
    metadata.write_text(metadata.read_text("utf-8").replace('"datePublished"', '"dateOfPublishing"'), "utf-8")
    (top / "burns.csv").unlink()
    wrong = " ".join(crate_faults(top))
    assert "datePublished" in wrong and "burns.csv" in wrong


def test_the_citation_names_people_unless_they_are_left_out(told):
    assert f'- name: "{SECRET}"'.encode() in members(make_bundle(told, agreed=True).path)["CITATION.cff"]
    held = members(make_bundle(told, leave_out=["people"], agreed=True).path)
    assert b"- name: anonymous" in held["CITATION.cff"]


def test_names_are_slugs_for_programs():
    assert slug("Hill School 🔥/2") == "hill-school-2"
    assert slug("🔥") == "trial"


def test_a_report_made_anew_still_knows_of_earlier_looks(told, monkeypatch):
    with (told / "logs" / "02.csv").open("a") as handle:
        handle.write("120,90\n")
    make_report(told)
    seen = []

    def making(folder, *rest):
        seen.append(earlier_looks(folder))
        return make_report(folder, *rest)

    monkeypatch.setattr("kit.publish.bundle.make_report", making)
    bundle = make_bundle(told, leave_out=["people"], agreed=True)
    assert seen == [earlier_looks(told)] == [1]
    held = members(bundle.path)
    (look,) = (name for name in held if "looked-" in name)  # it is told of by its inputs' hashes alone
    assert set(json.loads(held[look])) == {"schema", "inputs"}


def test_a_disk_that_fills_while_the_report_is_copied_is_told(told, monkeypatch):
    def refuse(source, target):
        if "tables" in Path(source).parts:
            raise OSError(errno.ENOSPC, "No space left on device", str(target))
        return copyfile(source, target)

    copyfile = shutil.copyfile
    monkeypatch.setattr(shutil, "copyfile", refuse)
    with pytest.raises(KitError, match="the disk is full"):
        make_bundle(told, agreed=True)
    assert not [path for path in (told / "reports").iterdir() if path.name.startswith(".") or path.is_file()]


HOSTILE = ["serial" + " " * 800 + "!", "serial" + " " * 65_000 + "!", "serial " * 9000, "serial" + ":" * 65_000,
           "serial no" * 7000, "s/n" + " " * 65_000, "s/n " * 16_000, "lat" + "." * 65_000, "lat " * 16_000,
           "gps 12." + "1" * 65_000, "gps 12.34" + " N" * 32_000, "_-" * 32_000, " " * 65_000]  # fmt: skip


@pytest.mark.parametrize("line", HOSTILE, ids=range(len(HOSTILE)))
def test_a_hostile_line_is_looked_through_in_no_time(tmp_path, line):
    run = write_run(tmp_path / "run")
    (run / "logs" / "hostile.csv").write_text(f"{line}\nserial no. 4711\n"[:65_536], "utf-8")
    begun = time.process_time()
    what_is_told(run)
    assert time.process_time() - begun < 1

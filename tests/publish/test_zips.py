import contextlib
import io
import stat
import struct
import zipfile

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from kit.errors import KitError
from kit.publish.bundle import unpack_hostile, write_zip


def zip_of(path, *members, **how):
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, content in members:
            archive.writestr(name, content, **how)
    return path


@pytest.fixture
def into(tmp_path):
    folder = tmp_path / "into"
    folder.mkdir()
    return folder


def refused(path, into):
    with pytest.raises(KitError) as caught:
        unpack_hostile(path, into)
    return str(caught.value)


def test_what_was_written_is_unpacked(tmp_path, into):
    (tmp_path / "a ü 🔥").mkdir()
    (tmp_path / "a ü 🔥" / "b.txt").write_bytes(b"x" * 100)
    write_zip(tmp_path / "x.zip", tmp_path, ["a ü 🔥/b.txt"], "top")
    assert unpack_hostile(tmp_path / "x.zip", into) == ["top/a ü 🔥/b.txt"]
    assert (into / "top" / "a ü 🔥" / "b.txt").read_bytes() == b"x" * 100


def test_the_same_files_make_the_same_zip(tmp_path):
    for name in "ba":
        (tmp_path / name).write_text(name)
    for place, order in (("1.zip", "ab"), ("2.zip", "ba")):
        write_zip(tmp_path / place, tmp_path, list(order), "top")
    assert (tmp_path / "1.zip").read_bytes() == (tmp_path / "2.zip").read_bytes()


@pytest.mark.parametrize(
    "name", ["../out.txt", "/etc/out.txt", "top/../../out.txt", "C:/out.txt", "top/..", "a:b/c"]
)
def test_a_name_that_climbs_out_is_refused_and_nothing_is_written(tmp_path, into, name):
    path = zip_of(tmp_path / "x.zip", ("top/fine.txt", "x"), (name, "x"))
    assert "leaves its folder" in refused(path, into)
    assert not list(into.iterdir()) and not (tmp_path / "out.txt").exists()


@pytest.mark.parametrize("names", [("a", "a"), ("a", "A"), ("é", "e\u0301"), ("d", "d/")])
@pytest.mark.filterwarnings("ignore:Duplicate name")
def test_a_name_that_stands_twice_is_refused(tmp_path, into, names):
    path = zip_of(tmp_path / "x.zip", *((name, "x" if not name.endswith("/") else "") for name in names))
    assert "twice" in refused(path, into)


def test_a_thousandfold_expansion_is_refused(tmp_path, into):
    path = zip_of(tmp_path / "x.zip", ("top/bomb.csv", b"0" * (40 << 20)))
    assert "expansion beyond reason" in refused(path, into)
    assert not list(into.iterdir())


def test_many_small_expansions_are_refused_together(tmp_path, into):
    path = zip_of(tmp_path / "x.zip", *((f"top/{i}.csv", b"0" * (4 << 20)) for i in range(8)))
    assert "expansion beyond reason" in refused(path, into)


def test_a_member_that_is_longer_than_it_says_is_refused(tmp_path, into):
    path = zip_of(tmp_path / "x.zip", ("top/a", b"0" * 5000))
    content = path.read_bytes()
    lie = content.replace(struct.pack("<I", 5000), struct.pack("<I", 10))
    path.write_bytes(lie)
    assert "cannot be read" in refused(path, into)


@pytest.mark.parametrize("kind", [stat.S_IFLNK, stat.S_IFIFO, stat.S_IFCHR])
def test_links_and_devices_are_refused(tmp_path, into, kind):
    entry = zipfile.ZipInfo("top/link")
    entry.create_system = 3
    entry.external_attr = (kind | 0o777) << 16
    with zipfile.ZipFile(tmp_path / "x.zip", "w") as archive:
        archive.writestr(entry, "/etc/passwd")
    assert "a link or device" in refused(tmp_path / "x.zip", into)


def test_members_laid_over_one_another_are_refused(tmp_path, into):
    path = zip_of(tmp_path / "x.zip", ("top/a", b"a" * 500), ("top/b", b"b" * 500))
    content = bytearray(path.read_bytes())
    second = content.rfind(b"PK\x01\x02")
    struct.pack_into("<I", content, second + 42, 0)
    path.write_bytes(content)
    assert "laid over one another" in refused(path, into)


@pytest.mark.parametrize("name", ["top\\..\\x", "top/a\x07b", "x" * 1200])
def test_odd_names_are_refused(tmp_path, into, name):
    assert "name" in refused(zip_of(tmp_path / "x.zip", (name, "x")), into)


def test_other_packings_are_refused(tmp_path, into):
    with zipfile.ZipFile(tmp_path / "x.zip", "w", zipfile.ZIP_BZIP2) as archive:
        archive.writestr("top/a", "x")
    assert "an unusual packing" in refused(tmp_path / "x.zip", into)


def test_all_that_is_wrong_is_told_at_once(tmp_path, into):
    path = zip_of(tmp_path / "x.zip", ("../a", "x"), ("/b", "x"), ("top/c", b"0" * (40 << 20)))
    assert refused(path, into).count("Do not trust this file") >= 4


@settings(max_examples=150)
@given(st.data())
def test_a_damaged_zip_never_writes_outside(tmp_path_factory, data):
    base = tmp_path_factory.mktemp("zip")
    into = base / "into"
    into.mkdir()
    made = io.BytesIO()
    with zipfile.ZipFile(made, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("top/a.csv", b"s,C\n0,20\n" * 30)
        archive.writestr("top/b.csv", b"x")
    content = bytearray(made.getvalue())
    for _ in range(data.draw(st.integers(1, 6))):
        content[data.draw(st.integers(0, len(content) - 1))] = data.draw(st.integers(0, 255))
    (base / "x.zip").write_bytes(
        content[: data.draw(st.integers(0, len(content)))] if data.draw(st.booleans()) else content
    )
    with contextlib.suppress(KitError):
        unpack_hostile(base / "x.zip", into)
    assert {path.name for path in base.iterdir()} == {"into", "x.zip"}


@pytest.mark.parametrize(
    ("how", "found"),
    [
        (lambda path: path.write_bytes(b"MZ" * 50 + path.read_bytes()), "something before its first member"),
        (lambda path: commented(path), "a comment"),
    ],
)
def test_a_zip_that_is_something_else_too_is_refused(tmp_path, into, how, found):
    path = zip_of(tmp_path / "x.zip", ("top/a", "x"))
    how(path)
    assert found in refused(path, into)


def commented(path):
    with zipfile.ZipFile(path, "a") as archive:
        archive.comment = b"alder wins"


def test_a_second_name_beside_the_first_is_refused(tmp_path, into):
    entry = zipfile.ZipInfo("top/a")
    entry.extra = struct.pack("<HHBI", 0x7075, 9, 1, 0) + b"evil"
    with zipfile.ZipFile(tmp_path / "x.zip", "w") as archive:
        archive.writestr(entry, "x")
    assert "another name beside its name" in refused(tmp_path / "x.zip", into)

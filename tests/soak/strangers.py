"""What strangers send: forged bundles, hostile results, links to the system's own files, many fuels, listeners."""

from __future__ import annotations

import csv
import io
import json
import shutil
import time
import zipfile
from collections.abc import Callable, Iterator
from pathlib import Path

import psutil

from kit.publish.bundle import CHECKSUMS, descriptions
from kit.publish.plain import canonical
from kit.results_file import SCHEMA_FILE
from tests.soak.bench import Attempt, Bench, begin, cleared, ended, kit, tree, write_run

Files = dict[str, bytes]
KIND, MANY_FUELS = "stranger", 60
DESCRIBING = {
    "datapackage.json",
    "ro-crate-metadata.json",
    "CITATION.cff",
    "README.md",
    SCHEMA_FILE.name,
    CHECKSUMS,
}
HOSTILE: dict[str, bytes] = {
    "nothing": b"",
    "a list": b"[]",
    "brackets": b"[" * 1_000_000,
    "no schema": b"{}",
    "a number without end": b'{"schema": 1' + b"0" * 100_000 + b"}",
    "no text": b"\xff\xfe\0\0",
    "numbers as texts": b'{"schema": "repeatburn-results/1", "metrics": [{"value": "x"}], "inputs": "y"}',
}
LINKS = ("/proc/kmsg", "/proc/self/environ", "/dev/zero", "/etc/passwd")


def rows(bench: Bench) -> Iterator[Attempt]:
    """Yield what strangers send; nothing where no bundle was made."""
    if "bundle" not in bench.scenes:
        return
    yield Attempt(KIND, "recheck, forged bundles", forgeries(bench))
    yield Attempt(KIND, "index, history, bundle and recheck, hostile results.json", results(bench))
    yield Attempt(KIND, "report, links in logs/ to files of the system", links(bench))
    yield Attempt(KIND, "report, no process listens on TCP", listeners(bench))
    yield Attempt(KIND, f"report, {bench.count(MANY_FUELS) + 1} fuels", many_fuels(bench))


def text_of(ending: str, one: str, other: str) -> Callable[[Files], None]:
    """Return a forgery that replaces words in the report's files of a name."""

    def forge(files: Files) -> None:
        for name in [name for name in files if name.endswith(ending) and "/" in name]:
            files[name] = files[name].replace(one.encode(), other.encode())

    return forge


def older(files: Files) -> None:
    """Claim another version of what draws, and draw over the figures."""
    for name in [name for name in files if name.endswith("-standard/results.json")]:
        found = json.loads(files[name])
        found["environment"]["matplotlib"] = "3.0.0"
        files[name] = canonical(found).encode()
    text_of("-light.svg", "</svg>", "<text>beech wins</text></svg>")(files)


def further(name: str) -> Callable[[Files], None]:
    return lambda files: files.update({name: b"beech wins"})


FORGERIES: dict[str, Callable[[Files], None]] = {
    "fuels exchanged on the page": text_of("report.html", "beech", "pressed"),
    "a sentence of the appendix": text_of("appendix.html", "imulated", "easured"),
    "a card": text_of("say.md", "beech", "pressed"),
    "a table": text_of("tables/means.csv", "1", "2"),
    "the notebook": text_of("notebook.ipynb", "beech", "pressed"),
    "a picture": text_of("-light.png", "IDAT", "IDAU"),
    "an older version claimed": older,
    "a folder among the parameters": text_of("results.json", '"parameters": {', '"parameters": {"output": "/tmp", '),
    "a file beside": further("beech-wins.html"),
    "a reading": text_of(".csv", "20.", "21."),
}  # fmt: skip


def forgeries(bench: Bench) -> Iterator[list[str]]:
    """Forge a bundle, make all its hashes and descriptions anew, and recheck it."""
    place = bench.place()
    shutil.copytree(bench.scenes["bundle"].source, place / "in")
    kit(["bundle", str(place / "in" / "run"), "--yes"], place)
    (bundle,) = (place / "in").rglob("*.zip")
    with zipfile.ZipFile(bundle) as archive:
        held = {name: archive.read(name) for name in archive.namelist()}
    top = next(iter(held)).split("/")[0]
    honest = kit(["recheck", str(bundle)], place)
    yield [f"honest: {each}" for each in honest.faults(0)]
    for what, forge in [*FORGERIES.items()][: bench.count(len(FORGERIES))]:
        files = {name.partition("/")[2]: content for name, content in held.items()}
        before = dict(files)
        forge(files)
        done = kit(["recheck", str(remade(place / what, files, top))], place)
        found = done.faults(1, 2) if files != before else ["forged nothing"]
        yield [f"{what}: {each}" for each in found]
    cleared(place, [])


def remade(folder: Path, files: Files, top: str) -> Path:
    """Write a bundle as a forger would: its hashes and descriptions fit what is in it."""
    for name, content in files.items():
        (folder / name).parent.mkdir(parents=True, exist_ok=True)
        (folder / name).write_bytes(content)
    (report,) = (path.parent.name for path in folder.glob("reports/[0-9]*/report.html"))
    texts = descriptions(folder, report, top, (), sorted(files.keys() - DESCRIBING))
    whole = files | {name: text.encode() for name, text in texts.items()}
    target = folder.with_suffix(".zip")
    with zipfile.ZipFile(target, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, content in whole.items():
            archive.writestr(f"{top}/{name}", content)
    return target


def results(bench: Bench) -> Iterator[list[str]]:
    """Put other content in the place of a results.json: the file is named, and nobody else's report is hurt."""
    for what, content in [*HOSTILE.items()][: bench.count(len(HOSTILE))]:
        place = bench.laid_out(bench.scenes["bundle"])
        shutil.copytree(place / "in" / "run", place / "in" / "other")
        (hurt,) = (place / "in" / "run" / "reports").glob("*/results.json")
        hurt.write_bytes(content)
        before = tree(place / "in" / "other")
        found = []
        for words in (
            ["history", "run", "other"],
            ["bundle", "run", "--yes"],
            ["recheck", "run"],
            ["index", "."],
        ):
            done = kit(words, place, cwd=place / "in")
            found += [f"{what}, {words[0]}: {each}" for each in done.faults(2)]
            found += [] if "results.json" in done.said else [f"{what}, {words[0]}: names no file"]
        found += [] if tree(place / "in" / "other") == before else [f"{what}: changed another folder"]
        yield cleared(place, found)


def links(bench: Bench) -> Iterator[list[str]]:
    for target in LINKS[: bench.count(len(LINKS))]:
        place = bench.place()
        run = write_run(place / "in" / "run")
        (run / "logs" / "other.csv").symlink_to(target)
        before, began = tree(run), time.perf_counter()
        done = kit(["report", str(run)], place)
        is_file = Path(target).is_file()  # a device is none, and left alone
        found = done.faults(2 if is_file else 0)
        found += [] if not is_file or tree(run) == before else ["something was written"]
        found += ["it took more than a minute"] if time.perf_counter() - began > 60 else []
        yield cleared(place, [f"{target}: {each}" for each in found])


def listeners(bench: Bench) -> Iterator[list[str]]:
    """Look at all processes of a report every twentieth of a second."""
    for _ in range(bench.count(3)):
        place = bench.laid_out(bench.scenes["bundle"])
        began, seen, found = time.perf_counter(), 0, set()
        process = begin(["report", str(place / "in" / "run")], place)
        root = psutil.Process(process.pid)
        while process.poll() is None:
            for each in [root, *descendants(root)]:
                try:
                    ports = each.net_connections("inet")
                except psutil.Error:
                    continue
                seen += 1
                found |= {f"listens on {port.laddr}" for port in ports if port.status == psutil.CONN_LISTEN}
            time.sleep(0.05)
        found |= {*ended(process, began).faults(0)}
        yield cleared(place, sorted(found) if seen > 20 else ["too few looks to tell"])


def descendants(process: psutil.Process) -> list[psutil.Process]:
    try:
        return process.children(recursive=True)
    except psutil.Error:
        return []


def many_fuels(bench: Bench) -> Iterator[list[str]]:
    """Declare so many fuels of two burns each, all of the same logs."""
    place = bench.place()
    run = write_run(place / "in" / "run")
    head, first, second, *rest = csv.reader(io.StringIO((run / "burns.csv").read_text("utf-8")))
    fuel, burn, bag = (head.index(name) for name in ("fuel", "burn", "bag"))
    log, sheet, fuels = head.index("log"), [head, first, second, *rest], []
    for number in range(bench.count(MANY_FUELS) - 1):
        fuels.append(f'\n[[fuel]]\nid = "f{number:03d}"\nkind = "lump"\n')
        for half, like in enumerate((first, second)):
            row = [*like]
            row[fuel], row[burn], row[bag] = f"f{number:03d}", f"{number:03d}-{half}", f"b{number}-{half}"
            row[log] = f"{number:03d}-{half}.csv"
            shutil.copyfile(run / "logs" / like[log].removeprefix("logs/"), run / "logs" / row[log])
            sheet.append(row)
    with (run / "burns.csv").open("w", encoding="utf-8", newline="") as file:
        csv.writer(file, lineterminator="\n").writerows(sheet)
    with (run / "trial.toml").open("a", encoding="utf-8") as file:
        file.writelines(fuels)
    yield cleared(place, kit(["report", str(run)], place).faults(0))

"""Odd places: no home, foreign languages and clocks, strange names, links that lead out, things that want to be run."""

from __future__ import annotations

import json
import os
import pickle
import shutil
import subprocess
import sys
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import suppress
from pathlib import Path

from tests.soak.bench import KIT, Attempt, Bench, Scene, cleared, kit, tree, unlike

LOCALES = ("de_DE.UTF-8", "ja_JP.UTF-8", "tr_TR.UTF-8", "tr_TR.ISO-8859-9", "ja_JP.EUC-JP")
ZONES = ("Pacific/Kiritimati", "America/St_Johns", "Asia/Kathmandu", "Nowhere/Nonsense", "<+15>-15:30")
NAMES = (
    "two words", "it's \"quoted\"", "feu 🔥 فحم 炭", "x" * 200, "y" * 255, "-run", "--help", "$HOME `id` %s {0} \\n",
    "a\nb", "#?&;|<>*", "~", " . ", "CON", "é", "e\u0301", os.fsdecode(b"\xff\xfe broken"), "<img src=x>", "[a](b)",
)  # fmt: skip
DEEP = "/".join(["z" * 200] * 18)
HOMES: tuple[tuple[str, Mapping[str, str | None]], ...] = (
    ("unset", {"HOME": None, "USER": None, "LOGNAME": None, "XDG_CONFIG_HOME": None, "XDG_CACHE_HOME": None}),
    ("absent", {"HOME": "/dev/null/absent", "XDG_CACHE_HOME": "/dev/null/cache"}),
    ("not to be written", {"HOME": "/proc", "XDG_CONFIG_HOME": "/proc/x", "MPLCONFIGDIR": "/proc/y"}),
    ("empty", {"HOME": "", "TMPDIR": ""}),
    ("no temporary files", {"TMPDIR": "/dev/null/absent"}),
    ("a bare environment", dict.fromkeys({*os.environ} - {"PYTHONPATH"})),
)


def rows(bench: Bench) -> Iterator[Attempt]:
    """Yield what is to be tried in each kind of place: of `report`, else of `plan`; nothing where neither is tried."""
    scene = bench.scenes.get("report") or bench.scenes.get("plan")
    if scene is None:
        return
    cheap = bench.scenes.get("plan", scene)
    yield Attempt("odd place", f"{scene.name}, no home, no folder for temporary files", homes(bench, scene))
    there, missing = locales(bench.root / "locales")
    kinds = "languages" + (f" ({', '.join(missing)} not installed)" if missing else "")
    yield Attempt("odd place", f"{scene.name}, {kinds}", languages(bench, scene, there))
    yield Attempt("odd place", f"{scene.name}, time zones", zones(bench, scene))
    yield Attempt("odd place", f"{scene.name}, nobody else may read (umask 077)", private(bench, scene))
    yield Attempt("odd place", f"{cheap.name}, names of the folder", names(bench, cheap, NAMES))
    if cheap is not scene:
        yield Attempt("odd place", f"{scene.name}, names of the folder", names(bench, scene, NAMES[1:16:3]))
    yield Attempt("links", "links that leave the run folder", links(bench))
    yield Attempt("security", "nothing in a run folder is run", witnesses(bench))
    yield Attempt("security", f"{scene.name}, without a network", no_network(bench, scene))


def homes(bench: Bench, scene: Scene) -> Iterator[list[str]]:
    for name, changes in HOMES[: bench.count(len(HOMES))]:
        place = bench.laid_out(scene)
        found = unlike(scene, place / "in", kit(scene.words(place / "in"), place, changes))
        yield cleared(place, [f"home {name}: {each}" for each in found])
    if bench.share == 1 and os.geteuid() == 0 and shutil.which("setpriv"):
        place = bench.laid_out(scene)
        nobody = (
            "setpriv",
            "--reuid=54321",
            "--inh-caps=+dac_override",
            "--ambient-caps=+dac_override",
            "--",
        )
        done = kit(scene.words(place / "in"), place, {"HOME": None}, command=(*nobody, *KIT))
        yield cleared(place, [f"a user without a name: {each}" for each in unlike(scene, place / "in", done)])


def locales(into: Path) -> tuple[list[str], list[str]]:
    """Compile locales that the system may lack, and return those to be had and those that are not."""
    made, missing = ["C", "POSIX"], []
    into.mkdir()
    for name in LOCALES:
        language, _, encoding = name.partition(".")
        with suppress(FileNotFoundError):
            words = ["localedef", "-i", language, "-f", encoding, str(into / name)]
            subprocess.run(words, capture_output=True, check=False)
        probe = [sys.executable, "-c", "import locale; locale.setlocale(locale.LC_ALL, '')"]
        there = {**os.environ, "LC_ALL": name, "LOCPATH": str(into)}
        absent = subprocess.run(probe, env=there, capture_output=True, check=False).returncode
        (missing if absent else made).append(name)
    return made, missing


def languages(bench: Bench, scene: Scene, there: list[str]) -> Iterator[list[str]]:
    for name in there[: bench.count(len(there))]:
        place = bench.laid_out(scene)
        changes = {
            "LC_ALL": name, "LANG": name, "LANGUAGE": name, "LOCPATH": str(bench.root / "locales"),
            "PYTHONUTF8": "0", "PYTHONCOERCECLOCALE": "0", "PYTHONIOENCODING": None,
        }  # fmt: skip
        found = unlike(scene, place / "in", kit(scene.words(place / "in"), place, changes))
        yield cleared(place, [f"{name}: {each}" for each in found])


def zones(bench: Bench, scene: Scene) -> Iterator[list[str]]:
    for zone in ZONES[: bench.count(len(ZONES))]:
        place = bench.laid_out(scene)
        found = unlike(
            scene, place / "in", kit(scene.words(place / "in"), place, {"TZ": zone}), same_day=False
        )
        yield cleared(place, [f"{zone}: {each}" for each in found])


def private(bench: Bench, scene: Scene) -> Iterator[list[str]]:
    place = bench.laid_out(scene)
    before = {*(place / "in").rglob("*")}
    shut = ("bash", "-c", 'umask 077; exec "$0" "$@"', *KIT)
    found = unlike(scene, place / "in", kit(scene.words(place / "in"), place, command=shut))
    opened = [
        path for path in (place / "in").rglob("*") if path not in before and path.stat().st_mode & 0o077
    ]
    yield cleared(place, found + [f"others may read {path.name}" for path in opened[:3]])


def names(bench: Bench, scene: Scene, odd: Sequence[str]) -> Iterator[list[str]]:
    """Give the run folder strange names; name it from its parent and by its whole path."""
    verb = scene.arguments[0]
    for name in odd[: bench.count(len(odd))]:
        place = bench.laid_out(scene)
        (place / "in" / "run").rename(place / "in" / name)
        how = [verb, f"./{name}"] if not name.startswith("-") else [verb, "--", name]
        done = kit(how, place, cwd=place / "in")
        (place / "in" / name).rename(place / "in" / "run")
        yield cleared(place, [f"{name[:20]!r}: {each}" for each in unlike(scene, place / "in", done)])
    place = bench.place()
    deep = place / DEEP
    deep.mkdir(parents=True)
    shutil.copytree(scene.source, deep / "in")
    done = kit([verb, str(deep / "in" / "run")], place)
    yield cleared(place, [f"a path of {len(str(deep))}: {each}" for each in done.faults(0, 2)])


def links(bench: Bench) -> Iterator[list[str]]:
    """Lead out of the run folder by links: it works or is refused in clear words, and nothing outside changes."""
    tries = [(bench.scenes["plan"], lay) for lay in (plan_out, plan_file_out, sheet_out, endless)]
    if "report" in bench.scenes:
        laid = (
            passwd,
            log_out,
            reports_out,
            reports_nowhere,
            itself,
            taken,
            swept,
            failed_out,
            pipe,
            endless,
        )
        tries = [(bench.scenes["report"], lay) for lay in laid] + tries
        tries += [(bench.scenes[name], reports_out) for name in ("bundle", "history") if name in bench.scenes]
    for scene, lay in tries[: bench.count(len(tries))]:
        place = bench.laid_out(scene)
        outside = place / "outside"
        (outside / "room").mkdir(parents=True)
        (outside / "room" / "owner.lock").touch()
        shutil.copytree(scene.source, outside / "copy", symlinks=True)
        run = next(path.parent for path in sorted((place / "in").glob("*/trial.toml")))
        lay(run if scene.name != "history" else place / "in", outside)
        before = tree(outside)
        done = kit(scene.words(place / "in"), place)
        found = done.faults(0, 2) + (["wrote outside"] if tree(outside) != before else [])
        found += ["tells what stands there"] if "daemon:" in done.said else []
        yield cleared(place, [f"{scene.name}, {lay.__name__}: {each}" for each in found])


def passwd(run: Path, outside: Path) -> None:
    replaced(run / "logs" / "burn-05.csv", Path("/etc/passwd"))


def log_out(run: Path, outside: Path) -> None:
    replaced(run / "logs" / "burn-05.csv", outside / "copy" / "run" / "logs" / "burn-05.csv")


def reports_out(run: Path, outside: Path) -> None:
    shutil.rmtree(run / "reports")
    shutil.copytree(next((outside / "copy").rglob("reports")), outside / "reports")
    replaced(run / "reports", outside / "reports")


def reports_nowhere(run: Path, outside: Path) -> None:
    shutil.rmtree(run / "reports")
    replaced(run / "reports", outside / "nowhere")


def itself(run: Path, outside: Path) -> None:
    run.rename(run.with_name("real"))
    run.symlink_to("real")


def taken(run: Path, outside: Path) -> None:
    for number in range(2, 6):
        first = next((run / "reports").glob("*-standard"))
        first.with_name(f"{first.name}-{number}").symlink_to(outside / ("none" if number % 2 else "room"))


def swept(run: Path, outside: Path) -> None:
    (run / "reports" / ".making-abc").symlink_to(outside / "room")


def failed_out(run: Path, outside: Path) -> None:
    (run / "reports" / ".failed").symlink_to(outside / "room")


def pipe(run: Path, outside: Path) -> None:
    os.mkfifo(run / "logs" / "pipe.csv")
    (run / "logs" / "zeros.csv").symlink_to("/dev/zero")
    replaced(run / "events.csv", Path("/dev/zero"))


def endless(run: Path, outside: Path) -> None:
    (run / "logs").mkdir(exist_ok=True)
    (run / "logs" / "again").symlink_to("..")
    (run / "logs" / "loop.csv").symlink_to("loop.csv")


def plan_out(run: Path, outside: Path) -> None:
    shutil.rmtree(run / "plan")
    replaced(run / "plan", outside / "copy" / "run" / "plan")


def plan_file_out(run: Path, outside: Path) -> None:
    for name in ("plan.toml", "sheets.html", "key.html"):
        replaced(run / "plan" / name, outside / "copy" / "run" / "plan" / name)


def sheet_out(run: Path, outside: Path) -> None:
    (outside / "burns.csv").touch()
    replaced(run / "burns.csv", outside / "burns.csv")


def replaced(path: Path, target: Path) -> None:
    path.unlink(missing_ok=True)
    path.symlink_to(target)


class Harm:
    """A pickle that writes its witness when it is read."""

    def __init__(self, witness: Path) -> None:
        self.witness = witness

    def __reduce__(self) -> tuple[Callable[..., object], tuple[str, int]]:
        return (os.mkdir, (str(self.witness), 0o755))


def witnesses(bench: Bench) -> Iterator[list[str]]:
    """Put into a run folder what programs would run, stand in it, and use every command."""
    scene = bench.scenes.get("report") or bench.scenes["plan"]
    place = bench.laid_out(scene)
    run, witness = place / "in" / "run", place / "witness"
    laid = lay_traps(run, witness)
    script = Path(sys.executable).with_name("repeatburn")
    command = (str(script),) if script.exists() else (sys.executable, "-P", "-m", "kit")
    verbs = [["plan", "."], ["check", "."]]
    if scene.name == "report":
        verbs = [["check", "."], ["report", "."], ["bundle", ".", "--yes"], ["methods", "."], ["index", "."]]
        verbs += [
            ["two-fuels", ".", "pressed", "beech"],
            ["recheck", "."],
            ["history", "../run"],
            ["rehearse", "."],
        ]
    for words in verbs:
        done = kit(words, place, {"HOME": str(place)}, command=command, cwd=run)
        found = [] if not witness.exists() else ["something was run"]
        found += done.faults(0, 2) + ([done.err[:200]] if done.code and words[0] == "report" else [])
        yield [f"{words[0]}: {each}" for each in found]
        shutil.rmtree(witness, ignore_errors=True)
    lost = [name for name in laid if not (run / name).exists()]
    yield cleared(place, [f"gone: {name}" for name in lost])


def lay_traps(run: Path, witness: Path) -> list[str]:
    """Lay everything into a folder that some program runs when it finds it, and return the names."""
    code = f"import os; os.makedirs({str(witness)!r}, exist_ok=True)\n"
    modules = (
        "sitecustomize", "usercustomize", "kit", "conftest", "pandas", "numpy", "json", "IPython", "ipykernel",
        "papermill", "jupyter_config", "jupyter_notebook_config", "jupyter_nbconvert_config", "ipython_config",
        "ipython_kernel_config", "trap", "setup", "__main__", "__init__", "report", "standard",
    )  # fmt: skip
    cell = {
        "cell_type": "code",
        "source": code,
        "metadata": {"tags": ["parameters"]},
        "outputs": [],
        "id": "a",
    }
    notebook = {
        "cells": [{**cell, "execution_count": None}],
        "metadata": {},
        "nbformat": 4,
        "nbformat_minor": 5,
    }
    kernel = {"argv": [sys.executable, "-c", code], "language": "python", "display_name": "Python 3"}
    harm = pickle.dumps(Harm(witness))
    held: dict[str, bytes | str] = {
        **{f"{name}.py": code for name in modules},
        "trap.pth": code, "matplotlibrc": "backend: module://trap\nlines.linewidth: 9\n", ".env": "PYTHONPATH=.\n",
        **{f"{folder}/standard.ipynb": json.dumps(notebook) for folder in (".", "templates", "logs")},
        **{f"{folder}kernels/python3/kernel.json": json.dumps(kernel) for folder in ("", "share/jupyter/")},
        **{f"{stem}.{end}": harm for stem in ("results", "logs/burn-05", "trial") for end in ("pkl", "npy")},
        ".ipython/profile_default/startup/00.py": code, "kit/__init__.py": code, "pyvenv.cfg": "home = /\n",
    }  # fmt: skip
    for name, content in held.items():
        (run / name).parent.mkdir(parents=True, exist_ok=True)
        (run / name).write_bytes(content if isinstance(content, bytes) else content.encode())
    return list(held)


def no_network(bench: Bench, scene: Scene) -> Iterator[list[str]]:
    """Run where no address can be reached, this machine's own included; nothing is tried where that is not allowed."""
    alone = ("unshare", "-n", "--")
    if subprocess.run([*alone, "true"], capture_output=True, check=False).returncode:
        return
    place = bench.laid_out(scene)
    done = kit(scene.words(place / "in"), place, command=(*alone, *KIT))
    yield cleared(place, unlike(scene, place / "in", done))

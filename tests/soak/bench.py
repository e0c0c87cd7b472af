"""Small run folders to hurt, the kit's command in a process of its own, and what must hold afterwards."""

from __future__ import annotations

import hashlib
import os
import shutil
import subprocess
import sys
import time
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path

ROOT = Path(__file__).parents[2]
DEMO = ROOT / "runs" / "hill-school"
BURNS, FUELS = ("01", "08", "12", "24"), ("pressed", "beech")
KIT = (sys.executable, "-m", "kit")
GRACE_S = 120.0  # a private folder killed before it had its lock is swept a minute later
LIMIT_S = 300.0

Tree = dict[str, str]


@dataclass(frozen=True)
class Row:
    """One line of the table: what was tried, how many faults, how many were survived, and what went wrong."""

    kind: str
    tried: str
    faults: int
    survived: int
    seconds: float
    note: str = ""


@dataclass(frozen=True)
class Attempt:
    """What is to be tried: each of its tries gives what went wrong in it."""

    kind: str
    tried: str
    tries: Iterable[list[str]]


@dataclass(frozen=True)
class Done:
    """What came of one command."""

    code: int
    out: str
    err: str
    seconds: float

    @property
    def said(self) -> str:
        return f"{self.out}\n{self.err}"

    def faults(self, *codes: int) -> list[str]:
        """Return what is wrong with how it ended: only these exit codes, nothing for programmers in its words."""
        found = []
        if self.code not in codes:
            found.append(f"exit {self.code}: {self.err.strip()[-300:]}")
        found += [f"says {word}" for word in ("Traceback", "itself failed", "Warning:") if word in self.said]
        return found


@dataclass(frozen=True)
class Scene:
    """A folder as it stands before a command, and as it stands after a run that nothing disturbed."""

    name: str
    source: Path
    arguments: tuple[str, ...]
    before: Tree
    after: Tree
    seconds: float
    needs: int = 0

    def words(self, place: Path) -> list[str]:
        return [word.format(place=place) for word in self.arguments]


@dataclass
class Bench:
    """Scenes by name, made once, and fresh copies of them."""

    root: Path
    share: float
    scenes: dict[str, Scene] = field(default_factory=dict)
    made: int = 0

    def count(self, full: int) -> int:
        return max(1, round(full * self.share))

    def place(self) -> Path:
        """Give a new folder for one try, with room for temporary files in it."""
        self.made += 1
        place = self.root / str(self.made)
        (place / "tmp").mkdir(parents=True)
        return place

    def laid_out(self, scene: Scene, place: Path | None = None) -> Path:
        place = place or self.place()
        shutil.copytree(scene.source, place / "in", symlinks=True)
        return place

    def scene(self, name: str, source: Path, *arguments: str) -> Scene:
        """Make a scene of a folder: run the command once, undisturbed."""
        place = self.place()
        shutil.copytree(source, place / "in", symlinks=True)
        before = tree(place / "in")
        done = kit([word.format(place=place / "in") for word in arguments], place)
        if done.code:
            raise RuntimeError(f"{name} does not even run undisturbed: {done.err}")
        after = tree(place / "in")
        needs = sum((place / "in" / path).stat().st_size for path in after if after[path] != before.get(path))
        self.scenes[name] = Scene(name, source, arguments, before, after, done.seconds, needs)
        return self.scenes[name]


def prepared(
    root: Path, share: float, only: Iterable[str] = ("report", "bundle", "plan", "history")
) -> Bench:
    """Make the scenes: four burns of two fuels with a report, a plan to be replaced, two seasons with a history."""
    bench, only = Bench(root, share), set(only)
    if "plan" in only:
        bench.scene("plan", write_planned(root / "sources" / "plan" / "run").parent, "plan", "{place}/run")
    if only == {"plan"}:
        return bench
    run = write_run(root / "sources" / "report" / "run")
    bench.scene("first report", run.parent, "report", "{place}/run")
    whole = bench.root / str(bench.made) / "in"
    if "report" in only:
        bench.scene("report", whole, "report", "{place}/run")
    if "bundle" in only:
        bench.scene("bundle", whole, "bundle", "{place}/run", "--yes")
        bench.scene(
            "bundle, some left out", whole, *bench.scenes["bundle"].arguments, "--leave-out", "people"
        )
    if "history" in only:
        seasons = root / "sources" / "seasons"
        for name in ("spring", "autumn"):
            shutil.copytree(whole / "run", seasons / name)
        history = ("history", "{place}/spring", "{place}/autumn")
        bench.scene("first history", seasons, *history)
        bench.scene("history", bench.root / str(bench.made) / "in", *history)
    return bench


def write_run(folder: Path) -> Path:
    """Write a run folder of four burns of the demo, of two fuels, with one primary metric."""
    (folder / "logs").mkdir(parents=True)
    (folder / "trial.toml").write_text(trial_text(), "utf-8")
    head, *rows = (DEMO / "burns.csv").read_text("utf-8").splitlines()
    kept = [row for row in rows if row[:2] in BURNS]
    (folder / "burns.csv").write_text("\n".join([head, *kept]) + "\n", "utf-8")
    for burn in BURNS:
        shutil.copyfile(DEMO / "logs" / f"burn-{burn}.csv", folder / "logs" / f"burn-{burn}.csv")
    shutil.copyfile(DEMO / "SIMULATED.txt", folder / "SIMULATED.txt")
    return folder


def trial_text() -> str:
    """Return the demo's trial file with two of its fuels and one primary metric."""
    head, *fuels = (DEMO / "trial.toml").read_text("utf-8").split("[[fuel]]")
    last, _, rest = fuels[-1].partition("[[cook]]")
    kept = [text for text in [*fuels[:-1], last] if any(f'id = "{fuel}"' in text for fuel in FUELS)]
    head = head.replace("[110, 150, 200]", "[150]").replace('["peak", "time_above:150"]', '["peak"]')
    margins = [line for line in head.splitlines() if not line.startswith(('"time_above:110"', '"time_to'))]
    return "[[fuel]]".join(["\n".join(margins) + "\n", *kept]) + "[[cook]]" + rest


def write_planned(folder: Path) -> Path:
    """Write a run folder without burns whose plan was made for a smaller margin, and is to be replaced."""
    folder.mkdir(parents=True)
    (folder / "tmp").mkdir()
    (folder / "trial.toml").write_text(trial_text().replace('"15 °C"', '"14 °C"'), "utf-8")
    done = kit(["plan", str(folder)], folder)
    if done.code:
        raise RuntimeError(done.err)
    (folder / "tmp").rmdir()
    (folder / "burns.csv").unlink()
    (folder / "trial.toml").write_text(trial_text(), "utf-8")
    return folder


def environment(place: Path, changes: Mapping[str, str | None] | None = None) -> dict[str, str]:
    """Return this process's environment with the kit in reach and temporary files in the try's own folder."""
    made: dict[str, str | None] = {
        **os.environ, "PYTHONPATH": str(ROOT), "TMPDIR": str(place / "tmp"), "OPENBLAS_NUM_THREADS": "1",
        "PYTHONDONTWRITEBYTECODE": "1", **(changes or {}),
    }  # fmt: skip
    return {name: value for name, value in made.items() if value is not None}


def begin(
    words: Sequence[str],
    place: Path,
    changes: Mapping[str, str | None] | None = None,
    command: Sequence[str] = KIT,
    cwd: Path | None = None,
) -> subprocess.Popen[str]:
    """Start the command in a folder that is not the run folder, unless told so."""
    return subprocess.Popen(
        [*command, *words],
        cwd=cwd or place,
        env=environment(place, changes),
        stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        encoding="utf-8",
        errors="replace",
    )


def ended(process: subprocess.Popen[str], began: float) -> Done:
    try:
        out, err = process.communicate(timeout=LIMIT_S)
    except subprocess.TimeoutExpired:
        process.kill()
        out, err = process.communicate()
        err += f"\nhung for {LIMIT_S:g} s"
    return Done(process.returncode, out, err, time.perf_counter() - began)


def kit(words: Sequence[str], place: Path, changes: Mapping[str, str | None] | None = None, **how) -> Done:
    """Run the command to its end."""
    began = time.perf_counter()
    return ended(begin(words, place, changes, **how), began)


def tree(folder: Path) -> Tree:
    """Return every file and link below a folder with its hash or target; hidden ones too.

    A whole index page is as good as any other: it tells of the reports there are, and holds nothing of its own.
    """
    found = {}
    for path in sorted(folder.rglob("*")):
        name = path.relative_to(folder).as_posix()
        if path.is_symlink():
            found[name] = f"-> {path.readlink()}"
        elif path.is_file():
            held = path.read_bytes()
            whole = path.name == "index.html" and held.rstrip().endswith(b"</html>")
            found[name] = "a whole index" if whole else hashlib.sha256(held).hexdigest()
    return found


def seen(files: Tree) -> Tree:
    """Return the files that a person sees."""
    return {name: digest for name, digest in files.items() if not is_hidden(name)}


def is_hidden(name: str) -> bool:
    return any(part.startswith(".") for part in name.split("/"))


def state_faults(scene: Scene, now: Tree) -> list[str]:
    """Return what is wrong with a folder after a fault: each file is as before or as after, each report whole."""
    there = seen(now)
    found = [f"lost {name}" for name in scene.before if name not in there and name in scene.after]
    found += [
        f"changed {name}"
        for name, digest in there.items()
        if name in scene.before and digest not in (scene.before[name], scene.after.get(name))
    ]
    new = {name: digest for name, digest in there.items() if name not in scene.before}
    return found + new_faults(scene, new)


def new_faults(scene: Scene, new: Tree) -> list[str]:
    """Return what is wrong with new files: each is one an undisturbed run makes, each new report is whole."""
    expected = {name: digest for name, digest in scene.after.items() if name not in scene.before}
    whole = units(expected)
    found = []
    for unit, inside in units(new).items():
        like = whole.get(unit) or (
            next(iter(whole.values())) if "/reports/" in f"/{unit}" and whole else None
        )
        if inside != like:
            odd = sorted({*(like or {}).items()} ^ {*inside.items()})[:3]
            found.append(f"half or strange: {unit} ({', '.join(name for name, _ in odd)})")
    return found


def units(files: Tree) -> dict[str, Tree]:
    """Group files by what appears at once: a report with all that is in it, or a file by itself."""
    grouped: dict[str, Tree] = {}
    for name, digest in files.items():
        parts = name.split("/")
        deep = parts.index("reports") + 2 if "reports" in parts[:-2] else len(parts)
        unit = "/".join(parts[:deep])
        grouped.setdefault(unit, {})["/".join(parts[deep:])] = digest
    return grouped


def left_over(place: Path) -> list[Path]:
    """Return what nobody should find later: hidden files and folders, temporary folders."""
    return [*(path for path in (place / "in").rglob(".*")), *(place / "tmp").iterdir()]


def aftermath(scene: Scene, place: Path) -> list[str]:
    """Return what is wrong now, and what is wrong after the next, undisturbed run."""
    found = state_faults(scene, tree(place / "in"))
    words, halted = scene.words(place / "in"), tree(place / "in")
    done = kit(words, place)
    found += [f"next run: {fault}" for fault in done.faults(0)]
    now = tree(place / "in")
    changed = [
        name for name, held in seen(halted).items() if now.get(name) not in (held, scene.after.get(name))
    ]
    found += [f"next run changed {name}" for name in changed]
    new = {name: digest for name, digest in seen(now).items() if name not in scene.before}
    found += [f"next run: {fault}" for fault in new_faults(scene, new)]
    found += [f"next run lacks {name}" for name in scene.after if name not in now]
    if not found and left_over(place):
        for path in left_over(place):
            os.utime(path, (time.time() - GRACE_S,) * 2, follow_symlinks=False)
        kit(words, place)
        found += [f"left over: {path.relative_to(place)}" for path in left_over(place)]
    return found


def unlike(scene: Scene, now: Path, done: Done, same_day: bool = True) -> list[str]:
    """Return how a run in an odd place differs from an undisturbed one; on another day only reports' results count."""
    found, files = done.faults(0), tree(now)
    new, like = (
        units({name: each for name, each in held.items() if name not in scene.before})
        for held in (files, scene.after)
    )
    lost = [
        name for name in scene.before if files.get(name) not in (scene.before[name], scene.after.get(name))
    ]
    found += [f"lost or changed {name}" for name in lost if same_day or "/reports/" in name]
    names = [sorted(inside) for inside in new.values()]
    if names != [sorted(inside) for inside in like.values()] or (same_day and {*new} != {*like}):
        found.append(f"made {list(new)[:3]}")
    for ours, theirs in zip(new.values(), like.values(), strict=False):
        odd = [name for name in theirs if ours.get(name) != theirs[name]]
        found += [f"another {name}" for name in odd if same_day or name == "results.json"][:3]
    return found


def cleared(place: Path, found: list[str]) -> list[str]:
    """Remove a try's folder and hand on what was found."""
    shutil.rmtree(place, ignore_errors=True)
    return found


def tried(attempt: Attempt) -> Row:
    """Make the tries of an attempt and return their row."""
    began, count, faults = time.perf_counter(), 0, []
    for found in attempt.tries:
        count += 1
        if found:
            faults.append("; ".join(found))
    note = " | ".join(dict.fromkeys(faults))[:600]
    return Row(attempt.kind, attempt.tried, count, count - len(faults), time.perf_counter() - began, note)

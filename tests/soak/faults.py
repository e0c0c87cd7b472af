"""Faults of the machine: killed at any moment, disks full or read-only, files that change, two at once, odd clocks."""

from __future__ import annotations

import os
import random
import shutil
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

import psutil

from tests.soak.bench import (
    KIT,
    Attempt,
    Bench,
    Done,
    Scene,
    aftermath,
    begin,
    cleared,
    ended,
    kit,
    new_faults,
    seen,
    state_faults,
    tree,
    units,
    unlike,
)

COMMANDS = ("report", "bundle", "plan", "history")
MOMENTS, CHANGES, KERNELS, DISKS = 50, 6, 3, 3
IN_A_ROW, CHEAP_S = 5, 3.0
ORDINARY = ("setpriv", "--bounding-set=-dac_override,-dac_read_search", "--inh-caps=-all", "--")
ORDINARY = ORDINARY if os.geteuid() == 0 and shutil.which("setpriv") else ()
"""What makes rights bite for root too."""
COUNTED = (sys.executable, "-m", "tests.soak.counted")
CLOCKED = (sys.executable, "-m", "tests.soak.clocked")
DAY = 86_400


def rows(bench: Bench) -> Iterator[Attempt]:
    """Yield what is to be tried for each kind of fault; nothing happens before its tries are taken."""
    for name in [name for name in COMMANDS if name in bench.scenes]:
        scene = bench.scenes[name]
        yield Attempt("kill -9", f"{name}, any moment", at_moments(bench, scene, bench.count(MOMENTS)))
        yield Attempt("kill -9", f"{name}, between two changes of files", at_changes(bench, scene))
    if "bundle, some left out" in bench.scenes:
        left = bench.scenes["bundle, some left out"]
        yield Attempt("kill -9", f"{left.name}, any moment", at_moments(bench, left, bench.count(CHANGES)))
    for name in ("report", "history"):
        if name in bench.scenes:
            yield Attempt("kill -9", f"only the kernel of {name}", of_kernel(bench, bench.scenes[name]))
    for name in [name for name in COMMANDS if name in bench.scenes]:
        yield Attempt("disk full", f"{name}, run folder", full(bench, bench.scenes[name], "in"))
        yield Attempt("disk full", f"{name}, temporary files", full(bench, bench.scenes[name], "tmp"))
        yield Attempt("disk full", f"{name}, no file may grow so large", no_large(bench, bench.scenes[name]))
        yield Attempt("read-only", f"{name}, disk, outputs, rights", read_only(bench, bench.scenes[name]))
    if "report" in bench.scenes:
        yield Attempt("files change", "a log grows, goes, comes while a report is made", changing(bench))
        yield Attempt("two at once", "the same command twice in one folder", twice(bench))
        yield Attempt("clock", "set back, in the future, jumping", clocks(bench))


def at_moments(bench: Bench, scene: Scene, count: int) -> Iterator[list[str]]:
    """Kill at random moments, spread evenly over the time a run takes, and look at the folder after each.

    A run of a dear command is killed five times in a row in one folder before it is let run to its end.
    """
    draw, row = random.Random(scene.name), IN_A_ROW if scene.seconds > CHEAP_S else 1
    moments = [scene.seconds * (number + draw.random()) / count for number in range(count)]
    draw.shuffle(moments)
    place, since = bench.laid_out(scene), 0
    for number, moment in enumerate(moments, 1):
        while (code := killed(scene, place, moment)) == 0:  # it was faster than it was measured to be
            cleared(place, [])
            place, since, moment = bench.laid_out(scene), 0, draw.random() * moment
        found = [] if code == -signal.SIGKILL else [f"ended by itself with {code}"]
        now, since = tree(place / "in"), since + 1
        found += state_faults(scene, now)
        if since == row or number == count or seen(now) != seen(scene.before):
            found += aftermath(scene, place)
            cleared(place, [])
            place, since = bench.laid_out(scene), 0
        yield found


def killed(scene: Scene, place: Path, after_s: float) -> int:
    """Start the command, kill it after so many seconds, and return how it ended."""
    process = begin(scene.words(place / "in"), place)
    with suppress(subprocess.TimeoutExpired):
        process.communicate(timeout=after_s)
    process.kill()
    process.communicate()
    return process.returncode


def at_changes(bench: Bench, scene: Scene) -> Iterator[list[str]]:
    """Kill just before a change of a file or folder, at changes spread over all of them."""
    place = bench.laid_out(scene)
    done = kit(["0", f"{place}", *scene.words(place / "in")], place, command=COUNTED)
    changes = int(done.err.split("changes")[-1])
    count = min(changes, bench.count(CHANGES if scene.seconds > CHEAP_S else MOMENTS))
    for number in range(count):
        place = bench.laid_out(scene)
        at = 1 + round(number * (changes - 1) / max(1, count - 1))
        done = kit([str(at), f"{place}", *scene.words(place / "in")], place, command=COUNTED)
        unkilled = [] if done.code == -9 else [f"not killed at change {at} of {changes}"]
        yield cleared(place, [*unkilled, *(f"{at} of {changes}: {each}" for each in aftermath(scene, place))])


def of_kernel(bench: Bench, scene: Scene) -> Iterator[list[str]]:
    """Kill the kernel alone, as a system short of memory does: the command must say so and keep nothing."""
    draw, count = random.Random("kernel"), bench.count(KERNELS)
    for number in range(count):
        place = bench.laid_out(scene)
        began = time.perf_counter()
        process = begin(scene.words(place / "in"), place)
        time.sleep(0.5 + 0.6 * scene.seconds * (number + draw.random()) / count)
        for child in psutil.Process(process.pid).children():
            child.kill()
        done = ended(process, began)
        ending = [fault for fault in done.faults(3) if fault != "says itself failed"]
        for kept in (place / "in").rglob(".failed"):  # the partial notebook, which its words name
            ending += [] if str(kept) in done.err else ["kept a notebook and says nothing of it"]
            shutil.rmtree(kept)
        yield cleared(place, ending + aftermath(scene, place))


@contextmanager
def mounted(place: Path, options: str) -> Iterator[bool]:
    """Mount a disk in memory at a folder; False where the system does not allow it."""
    place.mkdir(parents=True, exist_ok=True)
    given = subprocess.run(
        ["mount", "-t", "tmpfs", "-o", options, "tmpfs", str(place)], capture_output=True, check=False
    )
    try:
        yield given.returncode == 0
    finally:
        if given.returncode == 0:
            subprocess.run(["umount", "-l", str(place)], check=False)


def remount(place: Path, options: str) -> None:
    subprocess.run(["mount", "-o", f"remount,{options}", str(place)], check=True)


def full(bench: Bench, scene: Scene, part: str) -> Iterator[list[str]]:
    """Leave less and less of the room the command needs, for its output or its temporary files."""
    count = bench.count(DISKS)
    for number in range(count):
        place = bench.place()
        with mounted(place / part, "size=64m") as allowed:
            if not allowed:
                return
            bench.laid_out(scene, place) if part == "tmp" else copied(scene, place)
            used = shutil.disk_usage(place / part).used
            free = int((scene.needs if part == "in" else 20_000) * number / count)
            remount(place / part, f"size={max(4096, used + free)}")  # 0 would be no limit
            done = kit(scene.words(place / "in"), place)
            found = refused_or_done(scene, place, done)
            remount(place / part, "size=64m")
            found += aftermath(scene, place)
        yield cleared(place, [f"{free} bytes free: {each}" for each in found])


def copied(scene: Scene, place: Path) -> None:
    shutil.copytree(scene.source, place / "in", symlinks=True, dirs_exist_ok=True)


def refused_or_done(scene: Scene, place: Path, done: Done) -> list[str]:
    """Return what is wrong after a command that may refuse, with clear words and nothing written, or succeed."""
    now = tree(place / "in")
    found = done.faults(0, 2) + state_faults(scene, now)
    if done.code == 2 and "nothing was written" not in done.err:
        found.append(f"not clear: {done.err[-200:]}")
    if done.code == 0 and now == scene.before:
        found.append("said done, nothing was made")
    return found


def no_large(bench: Bench, scene: Scene) -> Iterator[list[str]]:
    """Let no file grow beyond a size, as a disk, a quota or the shell may have it."""
    sizes = [0, 2_000, 20_000, 300_000]
    for size in sizes[: bench.count(len(sizes))]:
        place = bench.laid_out(scene)
        limited = ("bash", "-c", 'ulimit -f "$0"; exec "$@"', str(size // 1024), sys.executable, "-m", "kit")
        found = refused_or_done(scene, place, kit(scene.words(place / "in"), place, command=limited))
        found += aftermath(scene, place)
        yield cleared(place, [f"files of {size} bytes: {each}" for each in found])


def read_only(bench: Bench, scene: Scene) -> Iterator[list[str]]:
    """Write-protect the whole disk, then its outputs alone; then take the rights away."""
    place = bench.place()
    with mounted(place / "in", "size=64m") as allowed:
        if allowed:
            copied(scene, place)
            remount(place / "in", "ro")
            yield protected(scene, place, kit(scene.words(place / "in"), place))
    place = bench.laid_out(scene)
    reports = place / "in" / {"history": "reports", "plan": "run/plan"}.get(scene.name, "run/reports")
    kept = place / "kept"
    shutil.copytree(reports, kept)
    with mounted(reports, "size=64m") as allowed:
        if allowed:
            shutil.copytree(kept, reports, dirs_exist_ok=True)
            remount(reports, "ro")
            yield protected(scene, place, kit(scene.words(place / "in"), place))
    place = bench.laid_out(scene)
    with withheld(place / "in"):
        yield protected(scene, place, kit(scene.words(place / "in"), place, command=(*ORDINARY, *KIT)))


@contextmanager
def withheld(folder: Path) -> Iterator[None]:
    """Take the right to write away from a folder and all in it."""
    inside = [folder, *folder.rglob("*")]
    for path in inside:
        path.chmod(path.stat().st_mode & 0o555)
    try:
        yield
    finally:
        for path in inside:
            path.chmod(path.stat().st_mode | 0o200)


def protected(scene: Scene, place: Path, done: Done) -> list[str]:
    found = refused_or_done(scene, place, done)
    return found + (["wrote into a protected folder"] if done.code == 0 else [])


def changing(bench: Bench) -> Iterator[list[str]]:
    """Let logs grow, go and come while a report is made: it is refused, or was done before."""
    scene = bench.scenes["report"]

    def grow(logs: Path) -> None:
        with (logs / "burn-07.csv").open("a", encoding="utf-8") as log:
            log.write("2026-03-04 12:00:00,30.0,30.0\n")

    def take(logs: Path) -> None:
        (logs / "burn-07.csv").unlink(missing_ok=True)

    def bring(logs: Path) -> None:
        shutil.copyfile(logs / "burn-05.csv", logs / "burn-99.csv")

    def cut(logs: Path) -> None:
        os.truncate(logs / "burn-07.csv", 3000)

    ways: list[tuple[Callable[[Path], None], float, bool]] = [
        (way, at, way is grow) for way in (grow, take, bring, cut) for at in (0.1, 0.6)
    ]
    for way, at, again in ways[: bench.count(len(ways))]:
        place = bench.laid_out(scene)
        found = meddled(scene, place, way, at, again)
        yield cleared(place, [f"{way.__name__} at {at:g}: {each}" for each in found])


def meddled(scene: Scene, place: Path, way: Callable[[Path], None], at: float, again: bool) -> list[str]:
    """Run a report while something else changes its logs, from a moment on."""
    began, logs, stop = time.perf_counter(), place / "in" / "run" / "logs", threading.Event()
    process = begin(scene.words(place / "in"), place)

    def meddle() -> None:
        stop.wait(at * scene.seconds)
        way(logs)
        while again and not stop.wait(0.02):
            way(logs)

    thread = threading.Thread(target=meddle)
    thread.start()
    done = ended(process, began)
    stop.set()
    thread.join()
    found = done.faults(0, 2)
    reports = {name: each for name, each in tree(place / "in").items() if name.startswith("run/reports/")}
    lost = [name for name in scene.before if name.startswith("run/reports/") and name not in reports]
    found += [f"lost {name}" for name in lost]
    whole = {name: each for name, each in reports.items() if name not in scene.before}
    if done.code == 2 and whole:
        found.append("refused, and wrote a report")
    # the one that was done read the logs as they were, or as they became before it began
    wanted = {name for name in scene.after if name not in scene.before}
    if done.code == 0 and {*whole} != wanted:
        found.append("half a report")
    return found


def twice(bench: Bench) -> Iterator[list[str]]:
    """Start a command twice in one folder; both must do their work, in whichever order."""
    for name in [name for name in COMMANDS if name in bench.scenes]:
        scene = bench.scenes[name]
        place = bench.laid_out(scene)
        began = time.perf_counter()
        both = [begin(scene.words(place / "in"), place) for _ in range(2)]
        found = [fault for process in both for fault in ended(process, began).faults(0)]
        now = tree(place / "in")
        new = {path: each for path, each in now.items() if path not in scene.before}
        found += new_faults(scene, new)
        made = [unit for unit in units(new) if "reports/" in unit]
        if name != "plan" and len(made) != 2:
            found.append(f"made {made}")
        found += [f"lost {path}" for path in scene.before if path not in now]
        yield cleared(place, [f"{name}: {each}" for each in found])


def clocks(bench: Bench) -> Iterator[list[str]]:
    """Run with a clock years back or ahead, one that jumps, earlier reports and logs of a day to come."""
    scene = bench.scenes["report"]
    odd = [(-400 * DAY, 0), (30_000 * DAY, 0), (0, -3 * DAY), (0, 3 * DAY), (-20_000 * DAY, 0)]
    for offset, jump in odd[: bench.count(len(odd))]:
        place = bench.laid_out(scene)
        done = kit([str(offset), str(jump), *scene.words(place / "in")], place, command=CLOCKED)
        found = unlike(scene, place / "in", done, same_day=False)
        yield cleared(place, [f"clock {offset // DAY} days, jump {jump // DAY}: {each}" for each in found])
    for name in [name for name in ("report", "bundle") if name in bench.scenes]:
        place = bench.laid_out(bench.scenes[name])
        reports = place / "in" / "run" / "reports"
        next(reports.iterdir()).rename(reports / "2099-01-01-standard")
        for path in (place / "in").rglob("*"):
            os.utime(path, (4e9, 4e9))
        before = tree(place / "in")
        done = kit(scene.words(place / "in"), place)
        found = done.faults(0)
        found += [
            f"changed {path}" for path, each in tree(place / "in").items() if before.get(path, each) != each
        ]
        yield cleared(place, [f"{name} after one of 2099: {each}" for each in found])

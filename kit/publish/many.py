"""Reports of many run folders, side by side or on a cluster, one failure stopping none; and the index page of them."""

import multiprocessing
import os
import signal
import threading
import time
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from concurrent.futures import ProcessPoolExecutor, ThreadPoolExecutor, as_completed
from concurrent.futures.process import BrokenProcessPool
from contextlib import ExitStack, contextmanager, suppress
from dataclasses import asdict, dataclass, replace
from functools import cache
from importlib import import_module
from pathlib import Path
from typing import Any, Final, Literal, NoReturn
from urllib.parse import quote

from kit.errors import Faults, KitError, disk_faults
from kit.page.document import document
from kit.page.text import element
from kit.publish.notebook import Order, take_order
from kit.publish.provenance import RESTS_ON, environment
from kit.publish.report import PAGE, make
from kit.publish.wording import refused, table_of
from kit.results_file import Report, read_part, reports_of
from kit.runtime.atomic_write import write_atomically
from kit.runtime.kernel import Kernels, fork_server, fresh_kernel
from kit.runtime.processes import ending_as_at_ctrl_c, told_to_end_with_parent

State = Literal["made", "unchanged", "faults", "failed"]
_EXIT: Final[Mapping[State, int]] = {"made": 0, "unchanged": 0, "faults": 2, "failed": 3}
_RETRIES: Final = 3  # of a task on a cluster
_GRACE_S: Final = 20.0
PRELOADED: Final = (
    "ipykernel.kernelapp", "ipykernel.debugger", "IPython.core.interactiveshell", "pandas", "pyarrow.csv",
    "scipy.stats", "scipy.optimize", "matplotlib.figure", "matplotlib.backends.backend_agg",
    "matplotlib.backends.backend_svg", "kit.analysis", "kit.publish.write_outputs", "kit.publish.sections",
)  # fmt: skip
"""What notebooks of the kit import."""


@dataclass(frozen=True)
class Task:
    """One report to be made: of which folder, by which template, with which parameters."""

    folder: str
    template: str
    parameters: Mapping[str, object]


@dataclass(frozen=True)
class Outcome:
    """What came of one folder.

    Attributes
    ----------
    state
        'made'; 'unchanged' (a report of these inputs, versions and parameters stands already); 'faults' (of the
        folder); 'failed' (of the kit).
    report
        Its page, '' where there is none.
    words
        What went wrong, in full.
    """

    folder: str
    state: State
    report: str = ""
    words: str = ""

    @property
    def line(self) -> str:
        """One line for the terminal."""
        if self.report:
            return f"{self.report}{' (unchanged)' if self.state == 'unchanged' else ''}"
        first, *more = self.words.splitlines() or [""]
        return f"{self.folder}: {first}{f' (and {len(more)} more)' if more else ''}"


@dataclass(frozen=True)
class Many:
    """What came of many folders, in the order they were given."""

    outcomes: tuple[Outcome, ...]

    @property
    def exit_code(self) -> int:
        """The highest of the single ones."""
        return max((_EXIT[each.state] for each in self.outcomes), default=0)

    @property
    def lines(self) -> list[str]:
        """A line a folder, the bad ones last, and a count."""
        good = [each.line for each in self.outcomes if each.report]
        bad = [each.line for each in self.outcomes if not each.report]
        made = sum(each.state == "made" for each in self.outcomes)
        count = f"{made} made, {len(good) - made} unchanged, {len(bad)} without a report"
        return [*good, *bad, count]

    @property
    def records(self) -> list[dict[str, str]]:
        """A record a folder, for JSON."""
        return [asdict(each) for each in self.outcomes]


def report_many(
    folders: Iterable[str | Path],
    parameters: Mapping[str, object] | None = None,
    workers: int = 1,
    cluster: str | None = None,
    template: str = "standard",
    progress: Callable[[str], None] | None = None,
) -> Many:
    """Make a report of each folder; those that have one of the same inputs, versions and parameters are left.

    Parameters
    ----------
    workers
        Processes on this machine.
    cluster
        Address of a Dask scheduler instead; folders and kit must be found by its workers at the same paths.

    Raises
    ------
    KitError
        Where the cluster cannot be used.
    """
    unique = dict.fromkeys(str(Path(folder).absolute()) for folder in folders)
    tasks = [Task(folder, template, dict(parameters or {})) for folder in unique]
    if cluster:
        stream = _on_cluster(tasks, cluster)
    else:
        stream = _one_by_one(tasks) if workers <= 1 or len(tasks) < 2 else _side_by_side(tasks, workers)
    found, begun, worked = {}, time.monotonic(), 0
    for outcome in stream:
        found[outcome.folder] = outcome
        worked += outcome.state != "unchanged"
        if progress:
            spent = (time.monotonic() - begun) / 60
            left = f", about {spent / worked * (len(tasks) - len(found)):.0f} min left" if worked else ""
            progress(f"{len(found)} of {len(tasks)} folders{left}")
    return Many(tuple(found[folder] for folder in unique))


def _on_cluster(tasks: Sequence[Task], address: str) -> Iterator[Outcome]:
    """Work on a Dask cluster; a worker that is lost may have published its report: the next try finds it standing."""
    try:
        distributed: Any = import_module("distributed")
        connection = distributed.Client(address, timeout="10s")
    except ImportError as error:
        raise refused("no_dask", "--cluster") from error
    except (OSError, ValueError) as error:
        raise refused("no_scheduler", "--cluster", address=address) from error
    with connection as client:
        futures = {
            client.submit(attempt_here, task, key=f"report-{task.folder}", pure=False, retries=_RETRIES): task
            for task in tasks
        }
        for future in distributed.as_completed(list(futures)):
            if future.status == "finished":
                yield future.result()
            else:
                words = f"the cluster gave it up: {future.exception()}"
                yield Outcome(futures[future].folder, "failed", words=words)


def _one_by_one(tasks: Sequence[Task]) -> Iterator[Outcome]:
    """Work in this process; kernels are forked from the first report that has to be made on."""
    with fork_server(*PRELOADED) as kernels:
        for task in tasks:
            yield attempt(task, kernels)


def _side_by_side(tasks: Sequence[Task], workers: int) -> Iterator[Outcome]:
    """Work in processes, each called by a thread of its own: one that dies takes no folder but its own with it."""
    with ThreadPoolExecutor(workers) as threads, _processes(threads) as processes:
        for future in as_completed([threads.submit(processes.attempt, task) for task in tasks]):
            yield future.result()


class _Processes:
    """A worker process for each thread that asks for one."""

    def __init__(self) -> None:
        self.pools: dict[int, ProcessPoolExecutor] = {}
        self.ending = False

    def attempt(self, task: Task) -> Outcome:
        """Make one report in this thread's process; where that dies, once more in a new one."""
        thread, begun = threading.get_ident(), time.time()
        for _ in range(2):
            if thread not in self.pools:
                context = multiprocessing.get_context("spawn")
                self.pools[thread] = ProcessPoolExecutor(1, context, begin_here, (os.getpid(),))
            try:
                outcome = self.pools[thread].submit(attempt_here, task).result()
            except BrokenProcessPool:
                self.pools.pop(thread).shutdown()
                if self.ending:
                    break
            else:
                # its process may have died between the report and the word of it
                new = outcome.state == "unchanged" and Path(outcome.report).stat().st_mtime >= begun
                return replace(outcome, state="made") if new else outcome
        return Outcome(task.folder, "failed", words="the process that worked on it was killed, twice")


@contextmanager
def _processes(threads: ThreadPoolExecutor) -> Iterator[_Processes]:
    """Have no worker outlive its thread: where this process is told to end they clear away, and none may hang."""
    processes = _Processes()
    try:
        yield processes
    except BaseException:
        processes.ending = True
        for worker in multiprocessing.active_children():
            worker.terminate()
        raise
    finally:
        # beside, not after: a pool waits until each has ended, and a library can swallow the interrupt
        patience = threading.Timer(_GRACE_S, _kill_workers)
        patience.start()
        threads.shutdown(cancel_futures=True)
        for pool in processes.pools.values():
            pool.shutdown()
        patience.cancel()


def _kill_workers() -> None:
    for worker in multiprocessing.active_children():
        worker.kill()


@cache
def _held_here() -> tuple[ExitStack, Kernels]:
    """Return what this worker process holds until it ends, and its starter of kernels, which is held so."""
    from multiprocessing.util import Finalize

    stack = ExitStack()
    Finalize(None, stack.close, exitpriority=1)  # a pool's processes do not run what atexit keeps
    return stack, stack.enter_context(fork_server(*PRELOADED))


def leave_here(*_: Any) -> NoReturn:
    """Give back what this worker process holds, and end it: its pool would hand it the next task otherwise."""
    _held_here()[0].close()
    os._exit(1)


def begin_here(parent: int) -> None:
    """Have this worker process leave in order where it is told to end while it waits for work, or is left alone."""
    signal.signal(signal.SIGTERM, leave_here)
    told_to_end_with_parent(parent)


def attempt_here(task: Task) -> Outcome:
    """Make one report in a worker process, with kernels forked from that process's own server."""
    try:
        with ending_as_at_ctrl_c():
            return attempt(task, _held_here()[1])
    except KeyboardInterrupt:
        leave_here()


def attempt(task: Task, kernels: Callable[[], Any] = fresh_kernel) -> Outcome:
    """Make one report, or say why there is none; never raises for what one folder can cause."""
    try:
        order = take_order(task.folder, task.template, task.parameters)
        standing = standing_report(order)
        if standing:
            return Outcome(task.folder, "unchanged", str(standing))
        return Outcome(task.folder, "made", str(make(order, kernels)))
    except KitError as error:
        return Outcome(task.folder, "faults", words=str(error))
    except Exception as error:
        return Outcome(task.folder, "failed", words=f"{type(error).__name__}: {error}")


def standing_report(order: Order) -> Path | None:
    """Return the page of a report of the same inputs, versions, template and parameters, if one stands already."""
    made = [
        each
        for each in reports_of(order.folder)
        if each.template == order.slug and (each.folder / PAGE).is_file()
    ]
    now = {"inputs": order.read() if made else [], "environment": environment(), "template": order.origin}
    for each in made:
        with suppress(KitError):  # what cannot be read is no report that stands
            found = read_part(each.results, RESTS_ON, RESTS_ON)
            given = {key: order.parameters.get(key) for key in found["parameters"]}
            if {**found, "parameters": given, **now} == found:
                return each.folder / PAGE
    return None


INDEX: Final = "index.html"
HEAD: Final = ("schema", "report", "trial")
_MARK: Final = "Index made by repeatburn."


def write_index(folder: str | Path, faults: Faults | None = None) -> Path:
    """Write index.html of a folder and the run folders right in it into it, and return its path.

    An earlier index is replaced: it holds nothing of its own.

    Parameters
    ----------
    folder
        A folder of run folders, or one run folder.
    faults
        Takes the reports that cannot be read; the page lists them too.

    Raises
    ------
    KitError
        Where the folder is not there or cannot be written, or the page would replace somebody else's.
    """
    import pandas as pd

    root = Path(folder).absolute()
    if not root.is_dir():
        raise refused("no_folder_of_folders", folder)
    path = root / INDEX
    runs = [root, *sorted(place for place in root.iterdir() if not place.is_symlink())]
    made = [report for run in runs if (run / "reports").is_dir() for report in reports_of(run)]
    made.sort(key=lambda each: (each.date, each.run.name, each.number), reverse=True)
    taken = Faults() if faults is None else faults
    rows = pd.DataFrame([_row(each, root, taken) for each in made], dtype=object)
    command = element("code", "repeatburn report FOLDER")
    body = table_of("reports", rows) or element("p", "There is no report yet. Make one with ", command, ".")
    strip = f"{len(made)} report{'s' * (len(made) != 1)}, newest first. {_MARK}"
    page = document("Reports", body, strip=strip, contents=False)
    if path.is_dir() or (path.exists() and _MARK not in path.read_text("utf-8", "replace")):
        raise refused("somebody_elses_page", path)
    with disk_faults(root):
        write_atomically(path, page)
    return path


def _row(made: Report, base: Path, faults: Faults) -> dict[str, object]:
    try:
        head = read_part(made.results, HEAD, HEAD)
        title = head["trial"].get("title") or made.run.name
    except KitError as error:
        faults.take(error)
        head, title = {}, f"{made.run.name} (its results cannot be read)"
    way = os.path.relpath(made.folder / "report.html", base).replace(os.sep, "/")
    # a leading ./ keeps a name with a colon in it from being read as an address
    link = element("a", element("bdi", title), href="./" + quote(way, errors="surrogateescape"))
    number = f", no. {made.number}" if made.number > 1 else ""
    return {
        "report": link,
        "date": f"{made.date}{number}",
        "run": made.run.name,
        "kind": made.template.replace("-", " "),
        "id": head.get("report", ""),
    }

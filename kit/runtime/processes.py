"""Processes: how they end, and the second one that works beside this one: half the wait where two processors are there.

All end in order when told to, as at Ctrl-C, and never after the one that started them.  The second one calls what this
process would call, with arguments that come over a pipe, and ends with its pipe or its parent.  Who did what makes no
difference to any result; what it cannot do, this process does itself.
"""

import atexit
import importlib
import os
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from concurrent.futures import Future
from contextlib import contextmanager, suppress
from pathlib import Path
from queue import SimpleQueue
from typing import Any, Final, TypeVar

_ENDING: Final = tuple(
    getattr(signal, name) for name in ("SIGTERM", "SIGHUP", "SIGBREAK") if hasattr(signal, name)
)


@contextmanager
def ending_as_at_ctrl_c() -> Iterator[None]:
    """Have a signal that would end this process raise KeyboardInterrupt, so that what it holds is cleared first.

    A signal somebody chose to ignore (as `nohup` does) stays ignored; only a main thread can take signals.
    """
    if threading.current_thread() is not threading.main_thread():
        yield
        return
    taken = {each: held for each in _ENDING if (held := signal.getsignal(each)) is not signal.SIG_IGN}

    def end(*_: Any) -> None:
        for each in taken:
            signal.signal(each, signal.SIG_IGN)  # a second one must not stop the clearing away
        raise KeyboardInterrupt

    for each in taken:
        signal.signal(each, end)
    try:
        yield
    finally:
        for each, before in taken.items():
            signal.signal(each, before)


PARENT: Final = "REPEATBURN_PARENT"
"""Names, in a process's environment, the process that started it, and whether its main thread did."""
_EVERY_S: Final = 0.5
_MAIN: Final = "main"
_PR_SET_PDEATHSIG: Final = 1


def of_this_process() -> dict[str, str]:
    """Return what the environment of a process says of this one, which starts it: who it is, where its packages are."""
    main = threading.current_thread() is threading.main_thread()
    paths = [str(Path(__file__).resolve().parents[2]), *filter(None, [os.environ.get("PYTHONPATH")])]
    return {PARENT: f"{os.getpid()} {_MAIN if main else 'a thread'}", "PYTHONPATH": os.pathsep.join(paths)}


def end_with_parent() -> None:
    """Have this process, started with `of_this_process` in its environment, end once its parent is gone.

    A thread watches, on every system alike.  Linux also ends a process that leaves its threads no turn, as some
    of a library's loops do; but that goes by the parent's *thread*, and a cluster's worker has one a task.
    """
    parent, _, thread = os.environ[PARENT].partition(" ")
    if thread == _MAIN and sys.platform == "linux":
        import ctypes

        ctypes.CDLL(None).prctl(_PR_SET_PDEATHSIG, signal.SIGKILL)
    told_to_end_with_parent(int(parent), grace_s=0.0)


def told_to_end_with_parent(parent: int, grace_s: float = 5.0) -> None:
    """Have this process told to end once its parent is gone; so much time it has for what it must clear away."""
    threading.Thread(target=_watch, args=(parent, grace_s), daemon=True).start()


def _watch(parent: int, grace_s: float) -> None:
    if sys.platform == "win32":
        import ctypes

        synchronize, forever = 0x0010_0000, 0xFFFF_FFFF
        handle = ctypes.windll.kernel32.OpenProcess(synchronize, False, parent)
        ctypes.windll.kernel32.WaitForSingleObject(handle, forever)  # at once where there is none
    else:
        while os.getppid() == parent:
            time.sleep(_EVERY_S)
    if grace_s:
        os.kill(os.getpid(), signal.SIGTERM)
        time.sleep(grace_s)
    os._exit(1)


ALONE: Final = "REPEATBURN_ALONE"
"""Set where reports are made side by side already: then every process works alone."""

T = TypeVar("T")
Job = tuple[Any, ...]


class Worker:
    """The second process, as this one sees it: it does one thing after the other.

    Parameters
    ----------
    modules
        What it imports before it is asked for anything.
    folder, environment
        Where it works and what it finds there; by default as this process.
    """

    def __init__(
        self, *modules: str, folder: Path | None = None, environment: Mapping[str, str] | None = None
    ) -> None:
        from multiprocessing import Pipe  # a command that starts no process is quicker without

        self._pipe, there = Pipe()
        with there:
            self._process = subprocess.Popen(
                [sys.executable, "-P", "-m", "kit.runtime.processes", str(there.fileno()), *modules],
                stdin=subprocess.DEVNULL,
                stdout=subprocess.DEVNULL,
                stderr=subprocess.DEVNULL,
                pass_fds=[there.fileno()],
                cwd=folder,
                env={**(environment or os.environ), **of_this_process()},
            )
        self._line: SimpleQueue[tuple[Future[Any], Callable[..., Any], Job]] = SimpleQueue()
        threading.Thread(target=self._work, daemon=True).start()

    @property
    def usable(self) -> bool:
        """Whether it can still be asked for anything."""
        return self._process.poll() is None

    def begin(self, function: Callable[..., T], job: Job) -> Future[T]:
        """Put a function in the line of what is to be called there."""
        future: Future[T] = Future()
        self._line.put((future, function, job))
        return future

    def _work(self) -> None:
        while True:
            future, function, job = self._line.get()
            if future.set_running_or_notify_cancel():
                try:
                    self._pipe.send((function, job))
                    done, result = self._pipe.recv()
                    if not done:
                        raise EOFError
                    future.set_result(result)
                except Exception as error:  # ended, or what cannot go through a pipe, or as the function does
                    self._end()
                    future.set_exception(error)

    def _end(self) -> None:
        self._process.kill()
        self._process.wait()

    def close(self) -> None:
        """End the process."""
        self._end()
        self._pipe.close()


def outcome(future: Future[T] | None, function: Callable[..., T], job: Job) -> T:
    """Return what comes of a job that was begun aside; it is done here if it was not begun yet, or failed there.

    Raises
    ------
    Exception
        As the function does.
    """
    if future is not None and not future.cancel() and future.exception() is None:
        return future.result()
    return function(*job)


_known: list[Worker] = []


def shared_worker(*modules: str) -> Worker | None:
    """Return the second process, started at the first call; None where it would not pay or is not to be had."""
    if running_worker() or os.name != "posix" or os.environ.get(ALONE) or _processors() < 2:
        return running_worker()
    _known[:] = [Worker(*modules)]
    atexit.register(_known[0].close)
    return _known[0]


def running_worker() -> Worker | None:
    """Return the second process if there is one already."""
    return next((worker for worker in _known if worker.usable), None)


def _processors() -> int:
    return len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1


def side_by_side(function: Callable[..., T], jobs: Sequence[Job], beside: Worker | None) -> list[T]:
    """Call a function for every job, in this process and the one beside it; the results in the jobs' order.

    Parameters
    ----------
    function
        A module's own function; it and the jobs go through a pipe.

    Raises
    ------
    Exception
        As the function does.
    """
    begun = [beside.begin(function, job) for job in jobs] if beside else [None] * len(jobs)
    pairs = [*enumerate(zip(begun, jobs, strict=True))]
    try:
        # both take from the front, where the long ones stand; what was begun there is waited for at the end
        here = {place: function(*job) for place, (future, job) in pairs if future is None or future.cancel()}
        return [
            here[place] if place in here else outcome(future, function, job) for place, (future, job) in pairs
        ]
    finally:
        for future in filter(None, begun):
            future.cancel()


def main(pipe: Any, modules: Sequence[str]) -> None:
    """Call what is asked for and answer with (done, result), until the pipe ends."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    end_with_parent()
    for name in modules:
        importlib.import_module(name)
    with suppress(EOFError, OSError):
        while True:
            function, job = pipe.recv()
            try:
                answer = (True, function(*job))
            except Exception:
                answer = (False, None)
            pipe.send(answer)


if __name__ == "__main__":
    from multiprocessing.connection import Connection

    main(Connection(int(sys.argv[1])), sys.argv[2:])

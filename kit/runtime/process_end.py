"""How processes end: in order when told to, as at Ctrl-C, and never after the one that started them."""

import os
import signal
import sys
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any, Final

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

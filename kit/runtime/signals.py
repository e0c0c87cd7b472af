"""What a process holds is cleared when it is told to end, as at Ctrl-C."""

from __future__ import annotations

import signal
import threading
from collections.abc import Iterator
from contextlib import contextmanager
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

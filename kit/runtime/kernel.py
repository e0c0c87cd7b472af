"""The process a notebook runs in: an ordinary IPython kernel that hands faults of the user's back as data.

Started by `kit.runtime.kernel_process` as ``python -m kit.runtime.kernel -f CONNECTION``.
"""

from __future__ import annotations

import json
import logging
import os
import sys
from pathlib import Path
from typing import Any

from kit.runtime.kernel_process import FAULTS_FILE
from kit.runtime.parent_watch import end_with_parent


def serve_notebook(arguments: list[str]) -> None:
    """Start the kernel and serve until it is told to stop."""
    # that a cache cannot be written, or is made anew, is no part of a report
    logging.getLogger("matplotlib").setLevel(logging.ERROR)
    import pandas  # noqa: F401  # while the other process still imports papermill

    app: Any = _application().instance(parent_handle=os.getppid())
    app.config.HistoryManager.enabled = False
    if not Path(os.environ["IPYTHONDIR"]).parent.is_dir():
        return  # whoever started it was killed, and its folder is swept: IPython would make another and leave it
    app.initialize(arguments)
    from kit.errors import KitError
    from kit.runtime.worker import shared_worker

    shared_worker(
        "kit.judge.judged"
    )  # it loads what judging needs while this process waits for its first cell

    app.shell.set_custom_exc((KitError,), _hand_back)
    app.start()


def _application() -> Any:
    """Return ipykernel's application, without its port and with the kit's own watch over the parent."""
    from importlib import import_module

    kernelapp: Any = import_module("ipykernel.kernelapp")

    class WithoutPort(kernelapp.IOPubThread):  # type: ignore[misc]
        # what processes forked from a kernel print would come in over a TCP port that any user could write to
        def __init__(self, socket: Any, pipe: bool = False, **more: Any) -> None:
            super().__init__(socket, pipe=False, **more)

    class Application(kernelapp.IPKernelApp):  # type: ignore[misc]
        def init_poller(self) -> None:
            end_with_parent()

    kernelapp.IOPubThread = WithoutPort
    return Application


def _hand_back(shell: Any, kind: type, error: Any, trace: Any, tb_offset: int | None = None) -> list[str]:
    """Write the problems where the other process finds them, and show them without a traceback."""
    target = os.environ.get(FAULTS_FILE)
    if target:
        records = [problem.as_record() for problem in error.problems]
        Path(target).write_text(json.dumps(records, ensure_ascii=True), "utf-8")
    lines = [f"{kind.__name__}:", *map(str, error.problems)]
    shell._showtraceback(kind, error, lines)
    return lines


if __name__ == "__main__":
    serve_notebook(sys.argv[1:])

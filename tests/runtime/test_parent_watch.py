"""No process of the kit's own lives on when its parent is gone; none listens on a port meanwhile."""

import os
import signal
import subprocess
import sys
import time
from contextlib import contextmanager, suppress
from pathlib import Path

import psutil
import pytest

from tests.publish.stand_in import CELLS, wait_until, write_notebook, write_run

ROOT = Path(__file__).parents[2]
BUSY = "\n".join(
    [
        "import numpy as np, os, pathlib, time",
        "from kit.runtime.processes import Worker, shared_worker",
        "os.environ.pop('REPEATBURN_ALONE', None)",
        "worker = Worker()",
        "worker.begin(sum, (range(10**12),))",  # at full load, and never looking up
        "pathlib.Path('{}').touch()",
        "while True: np.linalg.eigvalsh(np.eye(200))",
    ]
)
ONE = "from kit.publish import make_report; make_report({runs!r}[0], {template!r})"
MANY = (
    "from kit.publish import report_many\nif __name__ == '__main__':\n"
    "    report_many({runs!r}, template={template!r}, workers={workers})"
)


@contextmanager
def busy(tmp_path, code, **words):
    """A process that makes reports whose notebooks never end, with all that it started, by what they are."""
    runs = [str(write_run(tmp_path / "runs" / name)) for name in ("a", "b")]
    begun = tmp_path / "begun"
    cells = (*CELLS[:-1], ("code", BUSY.format(begun), []), CELLS[-1])
    template = str(write_notebook(tmp_path / "endless.ipynb", cells))
    script = tmp_path / "script.py"
    script.write_text(code.format(runs=runs, template=template, **words), "utf-8")
    environment = {**os.environ, "PYTHONPATH": str(ROOT), "TMPDIR": "/tmp"}
    process = subprocess.Popen([sys.executable, str(script)], env=environment, start_new_session=True)
    tree = []
    try:
        wait_until(lambda: begun.exists() or process.poll() is not None)
        assert process.poll() is None
        time.sleep(1.5)
        tree = psutil.Process(process.pid).children(recursive=True)
        yield process, tree
    finally:
        for each in [*tree, process]:
            with suppress(psutil.NoSuchProcess):
                each.kill()
        process.wait()


def what(process):
    words = " ".join(process.cmdline())
    names = {
        "ipykernel.kernelapp": "server", "runtime.processes": "worker", "runtime.kernel ": "kernel",
        "spawn_main": "pool", "resource_tracker": "tracker",
    }  # fmt: skip
    return next((name for part, name in names.items() if part in words), words)


def assert_all_end(processes, within=60.0):
    _, alive = psutil.wait_procs(processes, timeout=within)
    assert not [each for each in alive if each.is_running() and each.status() != psutil.STATUS_ZOMBIE]


@pytest.mark.slow
@pytest.mark.parametrize(
    ("code", "workers", "wanted"),
    [
        (ONE, 1, {"kernel", "worker"}),
        (MANY, 1, {"server", "worker"}),  # the forked kernel has its server's command line
        (MANY, 2, {"pool", "tracker", "server", "worker"}),
    ],
    ids=["one report", "many one by one", "many side by side"],
)
def test_all_end_where_the_first_is_killed(tmp_path, code, workers, wanted):
    with busy(tmp_path, code, workers=workers) as (process, tree):
        assert {what(each) for each in tree} == wanted
        listening = [
            each.laddr
            for one in [psutil.Process(process.pid), *tree]
            for each in one.net_connections("inet")
            if each.status == psutil.CONN_LISTEN
        ]
        assert not listening
        process.send_signal(signal.SIGKILL)
        process.wait()
        assert_all_end(tree)


@pytest.mark.slow
@pytest.mark.parametrize("killed", ["kernel", "server", "pool"])
def test_what_a_process_in_between_had_started_ends_with_it(tmp_path, killed):
    code, workers = (ONE, 1) if killed == "kernel" else (MANY, 2 if killed == "pool" else 1)
    with busy(tmp_path, code, workers=workers) as (_, tree):
        found = [(each, each.children(recursive=True)) for each in tree if what(each) == killed]
        one, below = next((each, of) for each, of in found if "worker" in map(what, of))
        one.kill()
        assert_all_end(below)

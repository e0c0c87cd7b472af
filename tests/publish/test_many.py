import importlib
import json
import multiprocessing
import os
import signal
import subprocess
import sys
import time
from concurrent.futures import Future, ThreadPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from pathlib import Path

import psutil
import pytest

from kit.publish import many, report_many
from kit.publish.notebook import take_order
from kit.publish.report import make
from kit.runtime import kernel as forking
from kit.runtime.kernel import fork_server, fresh_kernel
from tests.publish.stand_in import CELLS, wait_until, write_notebook, write_run
from tests.publish.test_report import digests

ROOT = Path(__file__).parents[2]


@pytest.fixture
def runs(tmp_path):
    return [write_run(tmp_path / "runs" / f"r{i}") for i in range(4)]


@pytest.fixture
def template(tmp_path):
    return write_notebook(tmp_path / "stand_in.ipynb")


def reports(run):
    return sorted(path.name for path in (run / "reports").glob("[0-9]*"))


def test_a_forked_kernel_makes_the_same_bytes_as_a_fresh_one(runs, template):
    order = take_order(runs[0], template, {})
    fresh = make(order, fresh_kernel).parent
    with fork_server() as kernels:
        forked = [make(order, kernels).parent for _ in range(2)]
    assert [digests(each) for each in forked] == [digests(fresh)] * 2


def test_nothing_leaks_from_one_forked_kernel_into_the_next(runs, tmp_path):
    dirty = (
        "import os, pandas, matplotlib; pandas.DataFrame.mean = None\n"
        "matplotlib.rcParams['lines.linewidth'] = 9; os.chdir('/')"
    )
    spoiling = write_notebook(tmp_path / "spoils.ipynb", (*CELLS, ("code", dirty, [])))
    clean = write_notebook(tmp_path / "clean.ipynb")
    alone = digests(make(take_order(runs[0], clean, {}), fresh_kernel).parent)
    with fork_server() as kernels:
        make(take_order(runs[1], spoiling, {}), kernels)
        after = make(take_order(runs[0], clean, {}), kernels).parent
    assert digests(after) == alone


def test_a_forked_kernel_that_dies_is_told(runs, tmp_path):
    dying = write_notebook(
        tmp_path / "dies.ipynb", (*CELLS[:-1], ("code", "import os; os._exit(7)", []), CELLS[-1])
    )
    outcome = report_many(runs[:1], template=dying)
    assert outcome.exit_code == 3 and "the notebook's process ended early" in outcome.lines[0]


def test_a_killed_process_that_forks_takes_its_kernel_with_it_and_another_comes():
    with fork_server() as kernels:
        with kernels() as first:
            psutil.Process(first.process.pid).parent().kill()
            assert first.process.wait(60) == 0
        with kernels() as second:
            assert second.process.pid != first.process.pid and second.process.poll() is None


def test_what_forked_kernels_have_loaded_can_be_imported():
    for name in many.PRELOADED:
        importlib.import_module(name)


def test_where_the_system_cannot_fork_fresh_kernels_serve(monkeypatch):
    monkeypatch.delattr(forking.os, "pidfd_open")
    with fork_server() as kernels:
        assert kernels is fresh_kernel


@pytest.mark.parametrize("workers", [1, 2])
def test_one_bad_folder_stops_none_of_the_others(runs, template, workers):
    (runs[1] / "burns.csv").write_text("burn\n01\n", "utf-8")
    lines = []
    outcome = report_many(
        [*runs, runs[0], runs[0].parent / "absent"], workers=workers, template=template, progress=lines.append
    )
    assert [each.state for each in outcome.outcomes] == ["made", "faults", "made", "made", "faults"]
    assert outcome.exit_code == 2
    assert outcome.lines[-1] == "3 made, 0 unchanged, 2 without a report"
    assert (
        "burns.csv, row 1: found no column 'fuel'" in outcome.lines[3] and "(and 1 more)" in outcome.lines[3]
    )
    assert lines[-1].startswith("5 of 5 folders")
    assert not (runs[1] / "reports").exists()
    assert [record["state"] for record in outcome.records] == [each.state for each in outcome.outcomes]


def test_what_has_not_changed_is_left_and_what_has_is_made(runs, template):
    report_many(runs[:2], template=template)
    with (runs[1] / "logs" / "02.csv").open("a") as handle:
        handle.write("120,90\n")
    again = report_many(runs[:2], template=template)
    assert [each.state for each in again.outcomes] == ["unchanged", "made"]
    assert again.exit_code == 0 and "(unchanged)" in again.lines[0]
    other = report_many(runs[:2], {"seed": 2}, template=template)
    assert [each.state for each in other.outcomes] == ["made", "made"]
    assert reports(runs[0]) == [reports(runs[0])[0], f"{reports(runs[0])[0]}-2"]


def test_a_changed_template_or_version_makes_anew(runs, tmp_path, template):
    report_many(runs[:1], template=template)
    write_notebook(template, (*CELLS[:-1], ("code", "1 + 1", []), CELLS[-1]))
    assert report_many(runs[:1], template=template).outcomes[0].state == "made"
    path = runs[0] / "reports" / reports(runs[0])[-1] / "results.json"
    path.write_text(path.read_text("utf-8").replace('"repeatburn": "', '"repeatburn": "9.'), "utf-8")
    assert report_many(runs[:1], template=template).outcomes[0].state == "made"


def test_killed_halfway_it_does_only_the_rest(runs, template):
    code = (
        "from kit.publish import report_many\nif __name__ == '__main__':\n"
        f"    report_many({[str(run) for run in runs]!r}, template={str(template)!r})\n"
    )
    process = subprocess.Popen([sys.executable, "-c", code], cwd=ROOT, start_new_session=True)
    wait_until((runs[1] / "reports").exists)
    os.killpg(process.pid, signal.SIGKILL)
    process.wait()
    before = [reports(run) if (run / "reports").exists() else [] for run in runs]
    outcome = report_many(runs, template=template)
    states = [each.state for each in outcome.outcomes]
    assert states == ["unchanged" if made else "made" for made in before] and "unchanged" in states
    assert [len(reports(run)) for run in runs] == [1] * 4


def test_workers_left_alone_by_a_killed_run_end_too(runs, tmp_path):
    slow = write_notebook(tmp_path / "slow.ipynb", (*CELLS, ("code", "import time; time.sleep(600)", [])))
    code = (
        "from kit.publish import report_many\nif __name__ == '__main__':\n"
        f"    report_many({[str(run) for run in runs]!r}, template={str(slow)!r}, workers=2)\n"
    )
    process = subprocess.Popen([sys.executable, "-c", code], cwd=ROOT)
    wait_until(lambda: all((run / "reports").exists() for run in runs[:2]))
    begun = psutil.Process(process.pid).children(recursive=True)
    process.kill()
    process.wait()
    assert len(begun) >= 4
    assert not psutil.wait_procs(begun, timeout=120)[1]


def test_told_to_end_its_workers_clear_away_and_end_too(runs, tmp_path, monkeypatch):
    rooms = tmp_path / "tmp"
    rooms.mkdir()
    monkeypatch.setenv("TMPDIR", str(rooms))
    slow = write_notebook(tmp_path / "slow.ipynb", (*CELLS, ("code", "import time; time.sleep(600)", [])))
    code = (
        "from kit.publish import report_many\nfrom kit.runtime.processes import ending_as_at_ctrl_c\n"
        "if __name__ == '__main__':\n    with ending_as_at_ctrl_c():\n"
        f"        report_many({[str(run) for run in runs]!r}, workers=2, template={str(slow)!r})\n"
    )
    (tmp_path / "many.py").write_text(code, "utf-8")
    command = [sys.executable, str(tmp_path / "many.py")]
    process = subprocess.Popen(command, env={**os.environ, "PYTHONPATH": str(ROOT)}, stderr=subprocess.PIPE)
    wait_until(lambda: len(list(tmp_path.glob("runs/*/reports/.making-*"))) >= 2)
    process.send_signal(signal.SIGTERM)
    process.communicate(timeout=120)
    assert process.returncode != 0
    assert not list(tmp_path.glob("runs/*/reports")) and not list(rooms.glob("repeatburn-*"))


def test_a_worker_that_is_killed_costs_its_own_folder_alone(runs, tmp_path):
    # the notebook kills the process that called for it: a worker run out of memory looks the same
    kill = (
        "import os, signal\nfrom pathlib import Path\n"
        "if Path(run_folder).name == 'r1':\n"
        "    worker = int(Path('/proc', str(os.getppid()), 'status').read_text().split('PPid:')[1].split()[0])\n"
        "    os.kill(worker, signal.SIGKILL)"
    )
    template = write_notebook(tmp_path / "kills.ipynb", (*CELLS[:-1], ("code", kill, []), CELLS[-1]))
    outcome = report_many(runs, workers=2, template=template)
    assert [each.state for each in outcome.outcomes] == ["made", "failed", "made", "made"]
    assert "was killed" in outcome.outcomes[1].words and outcome.exit_code == 3
    assert [len(reports(run)) for run in runs] == [1, 0, 1, 1]


class DeadFirst:
    """Stands for a pool: its first process makes the report and dies before it can tell."""

    begun = 0

    def __init__(self, *_):
        DeadFirst.begun += 1
        self.dead = DeadFirst.begun == 1

    def shutdown(self):
        pass

    def submit(self, function, task):
        future = Future()
        outcome = function(task)
        future.set_exception(BrokenProcessPool()) if self.dead else future.set_result(outcome)
        return future


def test_a_report_whose_process_died_before_it_could_tell_counts_as_made(runs, template, monkeypatch):
    standing, fresh = (many.Task(str(run), str(template), {}) for run in runs[:2])
    many.attempt(standing)
    page = Path(many.attempt(standing).report)
    os.utime(page, (page.stat().st_mtime - 60,) * 2)
    monkeypatch.setattr(many, "ProcessPoolExecutor", DeadFirst)
    monkeypatch.setattr(many, "attempt_here", many.attempt)
    for task, state in ((standing, "unchanged"), (fresh, "made")):
        monkeypatch.setattr(DeadFirst, "begun", 0)
        assert many._Processes().attempt(task).state == state and DeadFirst.begun == 2


def goes_on(there):
    signal.signal(signal.SIGTERM, signal.SIG_IGN)
    Path(there).touch()
    time.sleep(600)


def test_a_worker_that_will_not_end_is_killed_and_holds_up_nothing(tmp_path, monkeypatch):
    monkeypatch.setattr(many, "_GRACE_S", 0.5)
    monkeypatch.setattr(many, "attempt_here", goes_on)
    with (
        pytest.raises(KeyboardInterrupt),
        ThreadPoolExecutor(2) as threads,
        many._processes(threads) as processes,
    ):
        futures = [threads.submit(processes.attempt, str(tmp_path / name)) for name in "abc"]
        wait_until(lambda: len(list(tmp_path.iterdir())) == 2)
        raise KeyboardInterrupt
    assert all(future.done() for future in futures) and not (tmp_path / "c").exists()
    assert not multiprocessing.active_children()


@pytest.mark.slow
def test_a_dask_cluster_loses_a_worker_and_makes_every_report_once(runs, template, monkeypatch):
    distributed = pytest.importorskip("distributed")
    monkeypatch.setenv("PYTHONPATH", str(ROOT))
    many = [*runs, *(write_run(runs[0].parent / f"more{i}") for i in range(4))]
    with distributed.LocalCluster(n_workers=2, threads_per_worker=1, dashboard_address=None) as cluster:
        killed = []

        def kill_one(line):
            if not killed:
                killed.append(next(iter(cluster.workers.values())).process.process.pid)
                os.kill(killed[0], signal.SIGKILL)

        outcome = report_many(many, cluster=cluster.scheduler_address, template=template, progress=kill_one)
    assert killed and {each.state for each in outcome.outcomes} <= {"made", "unchanged"}
    assert [len(reports(run)) for run in many] == [1] * 8
    for run in many:
        (folder,) = (run / "reports").glob("[0-9]*")
        assert json.loads((folder / "results.json").read_text("utf-8"))["means"]


def test_a_cluster_that_does_not_answer_is_told(runs):
    pytest.importorskip("distributed")
    from kit.errors import KitError

    with pytest.raises(KitError, match="no answer from not-an-address"):
        report_many(runs, cluster="not-an-address")

import csv
import hashlib
import json
import os
import re
import signal
import subprocess
import sys
import threading
import time
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import nbformat
import pytest

from kit.check import problems_of
from kit.errors import KitError
from kit.publish import make_report, report
from kit.publish.notebook import NotRunError, run_notebook
from tests.publish.stand_in import CELLS, wait_until, write_notebook, write_run

ROOT = Path(__file__).parents[2]


@pytest.fixture
def template(tmp_path):
    return write_notebook(tmp_path / "stand_in.ipynb")


def digests(folder):
    files = sorted(path for path in folder.rglob("*") if path.is_file())
    return {
        path.relative_to(folder).as_posix(): hashlib.sha256(path.read_bytes()).hexdigest() for path in files
    }


def cells_with(*changes):
    """Return the stand-in's cells with some added before the last one."""
    return (*CELLS[:-1], *changes, CELLS[-1])


@pytest.mark.parametrize("kind", ["forked", pytest.param("fresh", marks=pytest.mark.own_kernel)])
def test_a_report_made_across_midnight_bears_one_day(run, tmp_path, monkeypatch, kind):
    told = "from kit.publish.provenance import report_date\nprint('The notebook ran on', report_date())"
    template = write_notebook(tmp_path / "stand_in.ipynb", cells_with(("code", told, [])))
    days = (f"2026-01-{day:02}" for day in range(1, 32))
    monkeypatch.setattr(time, "strftime", lambda _: next(days))
    page = make_report(run, template)
    day = page.parent.name[:10]
    assert f"report of {day}" in page.read_text("utf-8")
    assert f"The notebook ran on {day}" in (page.parent / "notebook.ipynb").read_text("utf-8")
    assert "SOURCE_DATE_EPOCH" not in os.environ


@pytest.mark.parametrize("name", ["standard", "two_fuels"])
def test_time_left_is_told_by_what_cells_take_of_which_the_analysis_is_the_longest(name):
    from kit.publish.notebook import _reporter

    notebook = nbformat.read(f"templates/{name}.ipynb", as_version=4)
    at = next(place for place, cell in enumerate(notebook.cells) if "analysis_of(run" in cell.source)
    told = []
    tell = _reporter(notebook, told.append)
    tell(notebook.cells[at], at)
    tell(notebook.cells[at + 1], at + 1)
    before, after = (int(re.search(r"(\d+)%", line)[1]) for line in told)
    assert before < 25 and after > 60


@pytest.mark.own_kernel
def test_a_report_is_a_dated_folder_with_all_its_parts(run, template, monkeypatch):
    monkeypatch.setenv("SOURCE_DATE_EPOCH", "1747180800")
    lines = []
    page = make_report(run, template, {"seed": 7}, progress=lines.append)
    assert page == run / "reports" / "2025-05-14-stand-in" / "report.html"
    found = set(digests(page.parent))
    assert {"report.html", "notebook.ipynb", "results.json", "tables/means.csv", "tables/burns.csv"} <= found
    results = json.loads((page.parent / "results.json").read_text("utf-8"))
    assert results["schema"] == "repeatburn-results/1"
    assert results["parameters"] == {"seed": 7, "scale": 1.0}
    assert results["means"][0]["low"] == results["means"][0]["mean"] - 5.7
    assert [each["name"] for each in results["inputs"]][:3] == ["trial.toml", "burns.csv", "logs/01.csv"]
    assert results["inputs"][0]["sha256"] == hashlib.sha256((run / "trial.toml").read_bytes()).hexdigest()
    assert results["template"]["name"] == "stand_in"
    assert any("left" in line for line in lines)


@pytest.mark.own_kernel
def test_a_second_report_of_the_day_leaves_the_first_and_is_the_same_bytes(run, template):
    before = digests(run)
    first, second = (make_report(run, template).parent for _ in range(2))
    assert second.name == f"{first.name}-2"
    assert digests(first) == digests(second)
    assert {
        name: digest for name, digest in digests(run).items() if not name.startswith("reports/")
    } == before


@pytest.mark.own_kernel
def test_no_path_clock_or_random_id_is_left_in_a_report(run, template):
    folder = make_report(run, template).parent
    for path in folder.rglob("*"):
        if path.is_file():
            text = path.read_text("utf-8")
            assert str(run) not in text and str(ROOT) not in text and "/tmp/" not in text, path
    notebook = json.loads((folder / "notebook.ipynb").read_text("utf-8"))
    assert "papermill" not in notebook["metadata"]
    first, *ids = (cell["id"] for cell in notebook["cells"])  # the stand-in is not the kit's own, and says so
    assert first == "changed-template" and ids == [f"cell-{i:02d}" for i in range(len(ids))]
    injected = next(c for c in notebook["cells"] if "injected-parameters" in c["metadata"].get("tags", []))
    assert "run_folder = '../..'" in injected["source"] and "output = ''" in injected["source"]


def test_the_published_notebook_runs_again_where_it_stands(run, template):
    folder = make_report(run, template).parent
    notebook = json.loads((folder / "notebook.ipynb").read_text("utf-8"))
    code = "\n".join(cell["source"] for cell in notebook["cells"] if cell["cell_type"] == "code")
    done = subprocess.run(
        [sys.executable, "-c", code + "\nprint(sorted(analysis.means['fuel']))"],
        cwd=folder, env={**os.environ, "PYTHONPATH": str(ROOT)}, capture_output=True, text=True, check=True,
    )  # fmt: skip
    assert done.stdout.strip() == "['alder', 'olive']"


@pytest.mark.own_kernel
def test_two_reports_started_together_get_different_names(run, template):
    with ThreadPoolExecutor(4) as pool:
        pages = list(pool.map(lambda _: make_report(run, template), range(4)))
    assert len({page.parent.name for page in pages}) == 4
    assert len({tuple(digests(page.parent).items()) for page in pages}) == 1
    assert not list((run / "reports").glob(".making-*"))


@pytest.mark.parametrize(
    "name", ["a \"quoted\" 'name' {x} {0} [a]*? %20;& émoji 🔥 a\nb", "x" * 200, "-dash"]
)
@pytest.mark.own_kernel
def test_any_folder_name_will_do(tmp_path, template, name):
    run = write_run(tmp_path / name)
    assert make_report(run, template).is_file()


def test_a_relative_folder_is_taken_from_where_one_stands(run, template, monkeypatch):
    monkeypatch.chdir(run.parent)
    assert make_report("run", template).is_file()
    assert Path.cwd() == run.parent


def test_faults_of_the_folder_come_back_as_they_were_and_nothing_is_written(run, template):
    sheet = run / "burns.csv"
    sheet.write_text(sheet.read_text("utf-8").replace("fuel", "fule"), "utf-8")
    before = digests(run)
    with pytest.raises(KitError) as caught:
        make_report(run, template)
    assert [(each.kind, each.where, each.remedy) for each in caught.value.problems] == [
        ("refuse", "burns.csv, row 1", "Add it."),
        ("ask", "trial.toml, trial", "Add timezone."),
    ]
    assert digests(run) == before
    assert not (run / "reports").exists()


def test_a_report_refuses_with_every_fault_that_check_finds(singles):
    sheet = singles / "burns.csv"
    lines = sheet.read_text("utf-8").splitlines()
    sheet.write_text("\n".join([lines[0], lines[1].replace("08:", "8 o'clock", 1), *lines[2:]]), "utf-8")
    (singles / "logs" / lines[2].split(",")[lines[0].split(",").index("log")]).write_text("no log\n", "utf-8")
    problems = problems_of(singles)
    assert {each.where.split(",")[0].partition("/")[0] for each in problems} == {"burns.csv", "logs"}
    with pytest.raises(KitError) as caught:
        make_report(singles)
    assert set(caught.value.problems) == set(problems)
    assert not list(singles.glob("reports/[0-9]*"))


@pytest.mark.own_kernel
def test_a_failing_cell_is_one_clear_line_and_a_partial_notebook(run, tmp_path):
    template = write_notebook(
        tmp_path / "bad.ipynb", cells_with(("code", "1 / 0", []), ("code", "print('after')", []))
    )
    with pytest.raises(
        NotRunError,
        match=r"cell \d+ of the template bad \(1 / 0\) failed: ZeroDivisionError: division by zero",
    ) as caught:
        make_report(run, template)
    assert "\n" not in str(caught.value)
    (kept,) = (run / "reports" / ".failed").iterdir()
    assert str(kept) in str(caught.value)
    partial = json.loads(kept.read_text("utf-8"))
    outputs = [out for cell in partial["cells"] for out in cell.get("outputs", [])]
    assert any(out.get("ename") == "ZeroDivisionError" for out in outputs)
    assert "after" not in [out.get("text") for out in outputs]
    assert [path.name for path in (run / "reports").iterdir()] == [".failed"]


@pytest.mark.own_kernel
def test_a_killed_kernel_is_told_as_that(run, tmp_path):
    dying = ("code", "import os, signal; os.kill(os.getpid(), signal.SIGKILL)", [])
    template = write_notebook(tmp_path / "dies.ipynb", cells_with(dying))
    with pytest.raises(NotRunError, match="the notebook's process ended early") as caught:
        make_report(run, template)
    assert "Warning" not in str(caught.value)
    assert [path.name for path in (run / "reports").iterdir()] == [".failed"]


@pytest.mark.own_kernel
def test_a_kernel_that_dies_before_its_first_word_is_told_as_that(run, template, monkeypatch):
    monkeypatch.setattr(report, "run_notebook", after_the_kernels_death)
    with pytest.raises(NotRunError, match="the notebook's process ended early"):
        make_report(run, template)
    assert [path.name for path in (run / "reports").iterdir()] == [".failed"]


def after_the_kernels_death(kernel, job, progress):
    kernel.process.kill()
    kernel.process.wait()
    return run_notebook(kernel, job, progress)


def test_a_notebook_without_results_is_no_report(run, tmp_path):
    template = write_notebook(tmp_path / "idle.ipynb", CELLS[:-1])
    with pytest.raises(NotRunError, match=r"ended without writing results\.json"):
        make_report(run, template)
    assert not list((run / "reports").glob("2*"))


def test_an_input_that_changes_during_the_run_stops_it(run, tmp_path):
    growing = ("code", "open(run_folder + '/logs/02.csv', 'a').write('120,1\\n')", [])
    template = write_notebook(tmp_path / "grows.ipynb", cells_with(growing))
    with pytest.raises(KitError, match=r"logs/02\.csv: found other content since the run began"):
        make_report(run, template)
    assert not (run / "reports").exists()


@pytest.mark.parametrize(
    ("given", "message"),
    [
        ({"sede": 1}, "Did you mean 'seed'?"),
        ({"seed": "1"}, r"found '1' \(str\); expected int"),
        ({"seed": True}, r"found True \(bool\); expected int"),
        ({"seed": 1.5}, r"found 1.5 \(float\); expected int"),
        ({"note": 3}, r"expected str or None"),
    ],
)
def test_parameters_are_checked_before_anything_starts(run, template, given, message):
    with pytest.raises(KitError, match=message):
        make_report(run, template, given)
    assert not (run / "reports").exists()


def test_all_wrong_parameters_are_told_at_once(run, template):
    with pytest.raises(KitError) as caught:
        make_report(run, template, {"sede": 1, "scale": "x", "seed": None})
    assert len(caught.value.problems) == 3


def test_a_whole_number_will_do_where_a_decimal_is_asked_for(run, template):
    page = make_report(run, template, {"scale": 2, "note": "007"})
    assert json.loads((page.parent / "results.json").read_text("utf-8"))["parameters"]["scale"] == 2
    assert "note = '007'" in (page.parent / "notebook.ipynb").read_text("utf-8")


@pytest.mark.parametrize("value", ["a'b\"c\\d\ne{x}%s$\u202e🔥", "", "#}{{ 1 }}"])
def test_a_parameter_reaches_the_notebook_whatever_is_in_it(run, tmp_path, value):
    shown = ("code", "import hashlib; print('note', hashlib.sha256(note.encode()).hexdigest())", [])
    template = write_notebook(tmp_path / "note.ipynb", cells_with(shown))
    page = make_report(run, template, {"note": value})
    assert f"note {hashlib.sha256(value.encode()).hexdigest()}" in page.read_text("utf-8")


def test_a_missing_folder_and_a_missing_template_are_named(run, tmp_path):
    with pytest.raises(KitError, match="no such folder"):
        make_report(tmp_path / "absent")
    with pytest.raises(KitError, match="no such file"):
        make_report(run, tmp_path / "absent.ipynb")
    with pytest.raises(KitError, match="the name of a template"):
        make_report(run, "absent-template")
    (tmp_path / "no.ipynb").write_text("[]", "utf-8")
    with pytest.raises(KitError, match="no notebook"):
        make_report(run, tmp_path / "no.ipynb")
    with pytest.raises(KitError, match="0 cells tagged 'parameters'"):
        make_report(run, write_notebook(tmp_path / "untagged.ipynb", CELLS[:1]))


def test_reports_that_lead_out_of_the_run_folder_are_refused(run, template, tmp_path):
    (tmp_path / "outside").mkdir()
    for target in (tmp_path / "outside", tmp_path / "nowhere"):
        (run / "reports").symlink_to(target)
        with pytest.raises(KitError, match="a link that leaves its folder"):
            make_report(run, template)
        (run / "reports").unlink()
    assert not list((tmp_path / "outside").iterdir()) and not (tmp_path / "nowhere").exists()
    (run / "made").mkdir()
    (run / "reports").symlink_to("made")
    assert make_report(run, template).is_file()
    (run / "made" / ".failed").symlink_to(tmp_path / "outside")
    failing = write_notebook(tmp_path / "fails.ipynb", cells_with(("code", "1 / 0", [])))
    with pytest.raises(KitError, match=r"\.failed: found a link that leaves its folder"):
        make_report(run, failing)
    assert not list((tmp_path / "outside").iterdir())


def test_a_folder_that_cannot_be_written_is_told_before_the_run(run, template):
    (run / "reports").write_text("a file", "utf-8")
    with pytest.raises(KitError, match="a file of that name"):
        make_report(run, template)


@pytest.mark.own_kernel
def test_what_the_user_has_set_up_changes_nothing(run, template, tmp_path, monkeypatch):
    plain = digests(make_report(run, template).parent)
    home = tmp_path / "home"
    start_up = home / ".ipython" / "profile_default" / "startup"
    start_up.mkdir(parents=True)
    (start_up / "00.py").write_text("import pandas; pandas.DataFrame.mean = None; raise SystemExit", "utf-8")
    (home / ".config" / "matplotlib").mkdir(parents=True)
    (home / ".config" / "matplotlib" / "matplotlibrc").write_text("lines.linewidth: 9\n", "utf-8")
    lab = home / ".local" / "share" / "jupyter" / "nbconvert" / "templates"
    for name in ("lab", "page_template", "base"):
        (lab / name).mkdir(parents=True)
        (lab / name / "index.html.j2").write_text("<p>mine</p>", "utf-8")
    spec = home / "kernels" / "python3"
    spec.mkdir(parents=True)
    (spec / "kernel.json").write_text(
        '{"argv": ["false"], "language": "python", "display_name": "x"}', "utf-8"
    )
    (home / "start.py").write_text("import os; os._exit(3)", "utf-8")
    (run / "pandas.py").write_text("raise SystemExit('run from the run folder')", "utf-8")
    for name, value in {
        "HOME": home, "JUPYTER_PATH": home, "IPYTHONDIR": home / ".ipython", "PYTHONSTARTUP": home / "start.py",
        "MATPLOTLIBRC": home / ".config" / "matplotlib", "MPLBACKEND": "nonsense", "TZ": "Asia/Kolkata",
        "LC_ALL": "tr_TR.UTF-8", "PYTHONHASHSEED": "77", "OMP_NUM_THREADS": "2",
    }.items():  # fmt: skip
        monkeypatch.setenv(name, str(value))
    monkeypatch.chdir(run)
    assert digests(make_report(run, template).parent) == plain


@pytest.mark.own_kernel
def test_a_report_needs_no_home(run, template, monkeypatch):
    for name in ("HOME", "USER", "LOGNAME", "XDG_CONFIG_HOME", "XDG_CACHE_HOME", "LANG"):
        monkeypatch.delenv(name, raising=False)
    assert make_report(run, template).is_file()


@pytest.mark.own_kernel
def test_a_home_that_cannot_be_written_leaves_no_trace_in_a_report(run, tmp_path, monkeypatch):
    drawing = (
        "code",
        "import matplotlib.pyplot, tempfile; matplotlib.get_cachedir(); left = tempfile.mkdtemp()",
        [],
    )
    template = write_notebook(tmp_path / "draws.ipynb", cells_with(drawing))
    plain = digests(make_report(run, template).parent)
    rooms = tmp_path / "tmp"
    rooms.mkdir()
    monkeypatch.setenv("TMPDIR", str(rooms))
    for name in ("HOME", "MPLCONFIGDIR", "XDG_CACHE_HOME", "XDG_CONFIG_HOME"):
        monkeypatch.setenv(name, "/dev/null/home")
    assert digests(make_report(run, template).parent) == plain
    assert not list(rooms.iterdir())


def test_a_bad_date_is_told(run, template, monkeypatch):
    monkeypatch.setenv("SOURCE_DATE_EPOCH", "yesterday")
    with pytest.raises(KitError, match="whole seconds since 1970"):
        make_report(run, template)


def test_the_page_is_one_file_without_script(run, template):
    page = make_report(run, template).read_text("utf-8")
    assert "<script" not in page and not re.search(r'(src|href)="(?!#)', page)
    assert "<title>Drum oven</title>" in page
    assert page.count("<h1>") == 1
    assert '<details class="code">' in page
    code = re.sub("<[^>]+>", "", page)
    assert "kit_in.analyse" in code and "kit_in.findings" not in code
    assert 'href="#curves-2"' in page and '<h2 id="curves-2">' in page


HOSTILE = (
    "<script>alert(1)</script>",
    '"><img src=x onerror=alert(1)>',
    '=HYPERLINK("http://x","y")',
    "\u202eevil",
    "{{ 7*7 }}{% raw %}",
    "$\\alpha$ `x` **b** [a](javascript:alert(1))",
    "🔥" * 60,
    "فحم",
)


def test_hostile_names_are_shown_as_text_and_exported_safely(tmp_path, template):
    run = write_run(tmp_path / "<b>&run", title="<script>alert(2)</script>", fuels=HOSTILE)
    page = make_report(run, template)
    text = page.read_text("utf-8")
    assert "<script" not in text and "<img" not in text and "onerror=alert(1)&gt;" in text
    assert "&lt;script&gt;alert(2)&lt;/script&gt;" in text
    assert "\u202e" not in text and "‹U+202E›" in text
    results = json.loads((page.parent / "results.json").read_text("utf-8"))
    assert {row["fuel"] for row in results["means"]} == set(HOSTILE)
    with (page.parent / "tables" / "means.csv").open(encoding="utf-8", newline="") as handle:
        cells = [cell for row in csv.reader(handle) for cell in row]
    assert not [cell for cell in cells if cell[:1] in ("=", "+", "@")]


def test_a_live_output_is_not_published(run, tmp_path):
    live = ("code", "from kit.page.text import Html\nHtml('<script>1</script>')", [])
    template = write_notebook(tmp_path / "live.ipynb", cells_with(live))
    with pytest.raises(RuntimeError, match="live element"):
        make_report(run, template)
    assert not (run / "reports").exists()


@pytest.mark.own_kernel
def test_files_bear_the_users_umask(run, template):
    old = os.umask(0o077)
    try:
        folder = make_report(run, template).parent
    finally:
        os.umask(old)
    assert {oct(path.stat().st_mode & 0o077) for path in (folder, *folder.rglob("*"))} == {"0o0"}


def start_process(run, template):
    code = (
        "from kit.publish import make_report\nfrom kit.runtime.processes import ending_as_at_ctrl_c\n"
        f"with ending_as_at_ctrl_c(): print(make_report({str(run)!r}, {str(template)!r}))"
    )
    environment = {**os.environ, "PYTHONPATH": str(ROOT)}
    # a suite run in the background hands down an ignored Ctrl-C
    return subprocess.Popen(
        [sys.executable, "-c", code],
        env=environment,
        stdout=subprocess.PIPE,
        text=True,
        preexec_fn=lambda: signal.signal(signal.SIGINT, signal.SIG_DFL),
    )


@pytest.mark.parametrize("wait", [0.3, 0.8, 1.1, 1.4])
def test_a_killed_run_leaves_no_half_report_and_the_next_one_works(run, template, wait):
    earlier = make_report(run, template).parent
    kept = digests(earlier)
    process = start_process(run, template)
    time.sleep(wait)
    process.send_signal(signal.SIGKILL)
    process.communicate()
    names = {path.name for path in (run / "reports").iterdir() if not path.name.startswith(".")}
    assert all(digests(run / "reports" / name) == kept for name in names)
    make_report(run, template)
    assert digests(earlier) == kept
    assert not list((run / "reports").glob(".making-*"))


def test_a_run_in_progress_is_not_swept_away_by_another(run, tmp_path):
    slow = write_notebook(tmp_path / "slow.ipynb", cells_with(("code", "import time; time.sleep(2.5)", [])))
    process = start_process(run, slow)
    time.sleep(1.8)
    make_report(run, write_notebook(tmp_path / "quick.ipynb"))
    out, _ = process.communicate()
    assert process.returncode == 0 and Path(out.strip()).is_file()


@pytest.mark.parametrize("told", ["SIGINT", "SIGTERM", "SIGHUP"])
def test_a_run_told_to_end_clears_away_and_stops_the_kernel_too(run, tmp_path, monkeypatch, told):
    rooms = tmp_path / "tmp"
    rooms.mkdir()
    monkeypatch.setenv("TMPDIR", str(rooms))
    begun, marker = tmp_path / "begun", tmp_path / "still-there"
    wait = "time.sleep(4)"
    body = f"import time; open({str(begun)!r}, 'w').close(); {wait}; open({str(marker)!r}, 'w').close()"
    slow = write_notebook(tmp_path / "slow.ipynb", cells_with(("code", body, [])))
    number = getattr(signal, told)
    ignored = signal.getsignal(number) is signal.SIG_IGN  # as under nohup, which a report would heed
    if ignored:
        signal.signal(number, signal.SIG_DFL)
    process = start_process(run, slow)
    if ignored:
        signal.signal(number, signal.SIG_IGN)
    wait_until(begun.exists)
    process.send_signal(number)
    process.communicate(timeout=60)
    assert process.returncode != 0
    assert not (run / "reports").exists() and not list(rooms.iterdir())
    time.sleep(5)
    assert not marker.exists()


@pytest.fixture
def small_disk(tmp_path):
    """A disk of 300 kB, where the system lets us have one."""
    place = tmp_path / "disk"
    place.mkdir()
    done = subprocess.run(
        ["mount", "-t", "tmpfs", "-o", "size=300k", "tmpfs", str(place)], capture_output=True, check=False
    )
    if done.returncode:
        pytest.skip("no right to mount a small disk")
    yield place
    subprocess.run(["umount", "-l", str(place)], check=False)


@pytest.mark.own_kernel
def test_a_full_disk_costs_no_earlier_report_and_the_next_run_works(small_disk, template):
    run = write_run(small_disk / "run")
    earlier = make_report(run, template).parent
    kept = digests(earlier)
    for left in (0, 20_000, 50_000):
        free = os.statvfs(small_disk)
        (small_disk / "fill").write_bytes(b"x" * max(0, free.f_bavail * free.f_frsize - left))
        with pytest.raises(KitError, match="the disk is full"):
            make_report(run, template)
        assert [path.name for path in (run / "reports").iterdir()] == [earlier.name]
        assert digests(earlier) == kept
        (small_disk / "fill").unlink()
    assert make_report(run, template).parent.name == f"{earlier.name}-2"


@pytest.mark.timeout(60)
def test_ctrl_c_waits_for_nothing_that_loads_beside(monkeypatch):
    def interrupted(*_):
        raise KeyboardInterrupt

    held = threading.Event()  # as where an interrupted import holds the lock
    monkeypatch.setattr(report, "exporter", held.wait)
    monkeypatch.setattr(report, "run_notebook", interrupted)
    monkeypatch.setattr(report, "_job", lambda *_: None)
    with pytest.raises(KeyboardInterrupt):
        report._run(None, None, None, None)

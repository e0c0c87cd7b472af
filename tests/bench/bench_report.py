"""Time a report of the demo against a bare notebook that imports the same libraries and draws as many figures.

    python tests/bench/bench_report.py [PAIRS]

Both are run and rendered by the same launch path, each in a process of its own, in turn; figures are wall times of the
whole process and processor times of it and its kernel. The limit is the median of the paired ratios of wall times.
"""

import json
import os
import resource
import shutil
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path

ROOT = Path(__file__).parents[2]
LIMIT = 1.6

PARAMETERS = 'run_folder: str = "."\noutput: str = ""\nseed: int = 1'
IMPORTS = """\
import importlib
for name in LIBRARIES:
    importlib.import_module(name)
from kit.page.document import figure
from kit.page.text import Html"""
DRAW = """\
import io
from pathlib import Path
import numpy as np
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure

rng = np.random.default_rng(seed)
shown = []
for key, kinds in FIGURES.items():
    drawn = Figure(figsize=(7, 4))
    FigureCanvasAgg(drawn)
    axes = drawn.subplots()
    for _ in range(6):
        axes.plot(rng.normal(size=100).cumsum())
    for name, size, dpi in kinds:
        drawn.set_size_inches(*size)
        drawn.savefig(Path(output) / name, dpi=dpi)
    text = io.StringIO()
    drawn.savefig(text, format="svg")
    shown.append(figure(text.getvalue(), alt="lines", title="lines", caption="lines", key=key))
Html("".join(shown))"""
RESULTS = 'Path(output, "results.json").write_text("{}")'


def notebook(cells):
    made = [
        {
            "cell_type": "code", "id": f"c{i}", "metadata": {"tags": ["parameters"] if i == 0 else []},
            "source": source, "outputs": [], "execution_count": None,
        }
        for i, source in enumerate(cells)
    ]  # fmt: skip
    return {"cells": made, "metadata": {}, "nbformat": 4, "nbformat_minor": 5}


def drawn_by(report):
    """Return the picture files of a report by drawing: name, size in inches, dots per inch."""
    kinds = {}
    for path in sorted((report / "figures").iterdir()):
        if path.suffix in (".svg", ".png"):
            key = path.stem.removesuffix("-dark").removesuffix("-light").removesuffix("-film")
            size, dpi = ((19.2, 10.8), 100) if "-film-" in path.name else ((7, 4), 150)
            kinds.setdefault(key, []).append((path.name, size, dpi))
    return kinds


def libraries_of(demo):
    """Return the libraries a kernel holds after the standard analysis and its sections."""
    code = (
        "import sys, pandas; from kit.analysis import analyse; from kit.publish import sections; "
        "from kit.publish.write_outputs import write_outputs; before = set(sys.modules); "
        f"analyse({str(demo)!r}); print(','.join(sorted(set(sys.modules))))"
    )
    out = subprocess.run(
        [sys.executable, "-c", code], cwd=ROOT, capture_output=True, text=True, check=True
    ).stdout
    wanted = ("pandas", "scipy.stats", "scipy.optimize", "scipy.linalg", "scipy.integrate", "scipy.special")
    further = (
        "pydantic",
        "pyarrow",
        "statsmodels.regression.mixed_linear_model",
        "seaborn",
        "matplotlib.figure",
    )
    loaded = set(out.strip().split(","))
    return [name for name in (*wanted, *further) if name in loaded or name == "matplotlib.figure"]


def timed(folder, template):
    """Return wall and processor seconds of a whole process that makes one report."""
    code = f"from kit.publish import make_report; make_report({str(folder)!r}, {str(template)!r})"
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    begun = time.perf_counter()
    subprocess.run([sys.executable, "-c", code], cwd=ROOT, check=True, stdout=subprocess.DEVNULL)
    wall = time.perf_counter() - begun
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    return wall, after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime


def main():
    pairs = int(sys.argv[1]) if len(sys.argv) > 1 else 5
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    with tempfile.TemporaryDirectory() as place:
        demo = Path(place) / "demo"
        shutil.copytree(ROOT / "runs" / "hill-school", demo, ignore=shutil.ignore_patterns("reports"))
        timed(demo, "standard")
        (report,) = (demo / "reports").glob("[0-9]*")
        figures, libraries = drawn_by(report), libraries_of(demo)
        imports, draw = IMPORTS.replace("LIBRARIES", repr(libraries)), DRAW.replace("FIGURES", repr(figures))
        bare = Path(place) / "bare.ipynb"
        bare.write_text(json.dumps(notebook([PARAMETERS, imports, draw, RESULTS])), "utf-8")
        timed(demo, bare)
        rows = [(timed(demo, "standard"), timed(demo, bare)) for _ in range(pairs)]
    files = sum(map(len, figures.values()))
    print(
        f"report of the demo: {len(figures)} figures, {files} picture files; libraries: {', '.join(libraries)}"
    )
    for place, name in enumerate(("report", "bare notebook")):
        walls, cpus = ([row[place][kind] for row in rows] for kind in (0, 1))
        wall, cpu = statistics.median(walls), statistics.median(cpus)
        print(f"{name:14} wall {wall:7.2f} s   cpu {cpu:7.2f} s   (median of {pairs})")
    ratios = sorted(ours[0] / other[0] for ours, other in rows)
    middle = statistics.median(ratios)
    print(f"ratio of walls {middle:.2f} ({ratios[0]:.2f} to {ratios[-1]:.2f}); limit {LIMIT} | "
          f"{'within' if middle <= LIMIT else 'BEYOND'}")  # fmt: skip
    return middle > LIMIT


if __name__ == "__main__":
    sys.exit(main())

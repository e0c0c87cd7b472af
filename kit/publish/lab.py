"""JupyterLab on a run folder, with the templates copied there (extra `lab`)."""

from __future__ import annotations

import json
import re
import subprocess
import sys
from collections.abc import Sequence
from contextlib import suppress
from importlib.util import find_spec
from pathlib import Path
from typing import Any

from kit.errors import KitError, disk_faults, refuse_way_out
from kit.publish.notebook import own_templates, parameter_cell, read_template
from kit.publish.wording import refused
from kit.results_file import reports_of
from kit.trial import open_run

NOTEBOOKS = "notebooks"
FIRST = "standard.ipynb"


def copy_templates(folder: Path) -> list[Path]:
    """Copy every template that is not there yet into FOLDER/notebooks/, with its parameters set for this folder.

    Returns
    -------
    The copies that were made; those of before are the user's own, and stay as they are.

    Raises
    ------
    KitError
        Where the folder is none, or leads elsewhere.
    """
    if not folder.is_dir():
        raise refused("no_run_folder", folder)
    target = folder / NOTEBOOKS
    refuse_way_out(target)
    made = []
    with disk_faults(target):
        target.mkdir(exist_ok=True)
        for name, path in sorted(own_templates().items()):
            copy = target / f"{name}.ipynb"
            if not copy.exists():
                notebook = _preset(read_template(path), name, folder)
                copy.write_text(json.dumps(notebook, indent=1, ensure_ascii=False) + "\n", "utf-8")
                made.append(copy)
    return made


def _preset(notebook: dict[str, Any], name: str, folder: Path) -> dict[str, Any]:
    """Set the parameters of a template as its copy in FOLDER/notebooks/ needs them."""
    given: dict[str, object] = {"run_folder": ".."}
    if name == "history":
        newest = [f"{folder.name}/reports/{each.folder.name}" for each in reports_of(folder)[:1]]
        given = {"run_folder": "../..", "reports": newest}
    elif name == "two_fuels":
        with suppress(KitError):  # faults of the folder are the notebook's to tell
            fuels = (fuel.id for fuel in open_run(folder).trial.fuels)
            given |= dict(zip("ab", fuels, strict=False))
    cell = parameter_cell(notebook, f"{name}.ipynb")

    def line(found: re.Match[str]) -> str:
        return f"{found[1]}= {json.dumps(given[found[2]], ensure_ascii=False)}"

    source = re.sub(rf"(?m)^(({'|'.join(given)}):.*?)=.*$", line, "".join(cell["source"]))
    cell["source"] = source.splitlines(keepends=True)
    return notebook


def open_lab(folder: str | Path, *, browser: bool = True, options: Sequence[str] = ()) -> int:
    """Copy the templates and run JupyterLab on a run folder until it is closed; return its exit code.

    Parameters
    ----------
    browser
        Whether it opens a browser's window.
    options
        Further options for JupyterLab, as `--port=9000`.

    Raises
    ------
    KitError
        Where JupyterLab is not installed, or the folder is no folder.
    """
    place = Path(folder).absolute()
    copy_templates(place)
    if find_spec("jupyterlab") is None:
        raise refused("no_lab", "lab")
    window = [] if browser else ["--no-browser"]
    command = [sys.executable, "-m", "jupyterlab", f"--ServerApp.root_dir={place}", *window]
    return subprocess.call([*command, f"--LabApp.default_url=/lab/tree/{NOTEBOOKS}/{FIRST}", *options])

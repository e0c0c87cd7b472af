"""Makes one report of one run folder: dated, whole or not at all."""

from __future__ import annotations

import json
import threading
from collections.abc import Callable, Mapping
from contextlib import AbstractContextManager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from kit.errors import KitError
from kit.publish.notebook import Job, NotRunError, Progress, run_notebook
from kit.publish.provenance import NOTE, InputFile, note, read_files, read_inputs, refuse_changes, report_date
from kit.publish.template import (
    Value,
    checked,
    find_template,
    is_own,
    parameters_of,
    read_template,
    template_hash,
)
from kit.results_file import RESULTS
from kit.runtime.atomic_write import place_file, place_folder, staging
from kit.runtime.kernel import Kernel, fresh_kernel

PAGE = "report.html"
APPENDIX = "appendix.html"
NOTEBOOK = "notebook.ipynb"
FAILED = ".failed"


@dataclass(frozen=True)
class Order:
    """What is to be made: of which folder, by which template, with which parameters.

    Attributes
    ----------
    sources
        The files it is made from, named from the folder; none stands for the inputs of a run folder.
    """

    folder: Path
    template: str
    notebook: Mapping[str, Any]
    parameters: Mapping[str, Value]
    sources: tuple[str, ...] = ()

    def read(self) -> tuple[InputFile, ...]:
        """Return every input with its size and hash."""
        return read_files(self.folder, self.sources) if self.sources else read_inputs(self.folder)

    @property
    def origin(self) -> dict[str, str]:
        """Name and hash of the template: of its cells alone, since programs rewrite a notebook's rest."""
        return {"name": self.template, "sha256": template_hash(self.notebook)}

    @property
    def changed(self) -> str:
        """What is to be said where the template is not the kit's own; '' where it is."""
        if is_own(self.notebook, self.template):
            return ""
        return f"made from a changed template, {self.template}.ipynb, SHA-256 {self.origin['sha256'][:16]}…"

    @property
    def reports(self) -> Path:
        """Where the folder's reports stand."""
        return self.folder / "reports"

    @property
    def slug(self) -> str:
        """The template's name as it stands in the report's."""
        return self.template.replace("_", "-")


def make_report(
    run_folder: str | Path,
    template: str | Path = "standard",
    parameters: Mapping[str, object] | None = None,
    progress: Progress | None = None,
) -> Path:
    """Run a template on a run folder and return the page of the new report.

    The report is a new folder, reports/DATE-TEMPLATE or the first free of DATE-TEMPLATE-2 and so on, with
    report.html, appendix.html where the template makes one, notebook.ipynb, results.json, tables/ and figures/.

    Raises
    ------
    KitError
        With every fault of the folder, its inputs or the parameters; then nothing is written.
    NotRunError
        At a failure of the kit's own; the partial notebook is then in reports/.failed/.
    """
    return make(take_order(run_folder, template, parameters or {}), fresh_kernel, progress)


def make(
    order: Order,
    kernels: Callable[[], AbstractContextManager[Kernel]],
    progress: Progress | None = None,
) -> Path:
    """Make what was ordered in a kernel that `kernels` starts, and return the page.

    Raises
    ------
    KitError, NotRunError
        As `make_report`.
    """
    with kernels() as kernel, staging(order.reports) as room:
        before = order.read()
        note(room, before, order.origin)
        try:
            notebook = _run(kernel, order, room, progress)
        except KitError as error:
            raise _every_fault(order, error) from None
        if progress:
            progress("Setting the page")
        _finish(order, room, notebook, before)
        target = place_folder(room, order.reports, f"{report_date()}-{order.slug}")
    return target / PAGE


def rerun(order: Order, room: Path, progress: Progress | None = None) -> dict[str, Any]:
    """Make a report once more into a folder of its own, whole, and return its results.

    Raises
    ------
    KitError, NotRunError
        As `make_report`; no partial notebook is kept.
    """
    with fresh_kernel() as kernel:
        before = order.read()
        note(room, before, order.origin)
        notebook = run_notebook(kernel, _job(order, room), progress)
        _finish(order, room, notebook, before)
        return _results_of(room, notebook)


def take_order(run_folder: str | Path, template: str | Path, parameters: Mapping[str, object]) -> Order:
    """Check what was asked for, before anything starts.

    Raises
    ------
    KitError
        Where folder, template or parameters are not what they must be.
    """
    folder = Path(run_folder).absolute()
    if not folder.is_dir():
        remedy = "Check the path, or make one with: repeatburn start FOLDER"
        raise KitError.refuse(str(run_folder), "no such folder", "a run folder", remedy)
    path = find_template(template)
    notebook = read_template(path)
    report_date()
    given = {**parameters, "run_folder": str(folder)}
    return Order(folder, path.stem, notebook, checked(given, parameters_of(notebook, path.name), path.stem))


def _run(kernel: Kernel, order: Order, room: Path, progress: Progress | None) -> Any:
    warming = threading.Thread(target=_load_exporter, daemon=True)
    warming.start()
    try:
        executed = run_notebook(kernel, _job(order, room), progress)
    except NotRunError as error:
        kept = _keep(order, error)
        raise NotRunError(
            f"{str(error).rstrip('.')}. The partial notebook is {kept}.", error.partial
        ) from error
    warming.join()  # never at Ctrl-C: an import that it breaks off can leave other threads without the import lock
    return executed


def _load_exporter() -> None:
    """Load the page's library beside the notebook, which runs in a process of its own."""
    from kit.publish.report_page import exporter

    exporter()


def _every_fault(order: Order, error: KitError) -> KitError:
    """Return the faults at which the kit's own template stopped, and those that a look through all finds."""
    from kit.check import problems_of

    found = [*error.problems, *([] if order.sources or order.changed else problems_of(order.folder))]
    return KitError({(each.where, each.found): each for each in found}.values())


def _job(order: Order, room: Path) -> Job:
    shown: dict[str, Value] = {"run_folder": "../..", "output": ""}
    return Job(order.notebook, {**order.parameters, "output": str(room)}, shown, order.template)


def _keep(order: Order, error: NotRunError) -> str:
    if error.partial is None:
        return "not there: it stopped before the first cell"
    folder = order.reports / FAILED
    with staging(folder) as room:
        made = room / NOTEBOOK
        made.write_text(notebook_text(error.partial), "utf-8", errors="replace")
        return str(place_file(made, folder, f"{report_date()}-{order.slug}"))


def notebook_text(notebook: Any) -> str:
    """Return an executed notebook as the text of its file."""
    return json.dumps(notebook, indent=1, ensure_ascii=False, sort_keys=True) + "\n"


def _finish(order: Order, room: Path, notebook: Any, before: tuple[InputFile, ...]) -> None:
    from kit.publish.report_page import parts_of, render

    results = _results_of(room, notebook)
    (room / NOTE).unlink()
    refuse_changes(before, order.read())
    kind = f"{order.template.replace('_', ' ').capitalize()} report"
    title = str(results.get("trial", {}).get("title") or kind)
    strip = f"{kind} of {report_date()}, id {results.get('report', '')}"
    strip += f"; {order.changed}" if order.changed else ""
    version = results.get("environment", {}).get("repeatburn", "")
    footer = f"Made with repeatburn {version}. One file: no script, nothing loaded from elsewhere."
    pages = {"report": (PAGE, title), "appendix": (APPENDIX, f"{title}: appendix")}
    for part, cells in parts_of(notebook).items():
        name, heading = pages[part]
        page = render(cells, title=heading, strip=strip, footer=footer)
        (room / name).write_text(page, "utf-8", errors="replace", newline="\n")
    if order.changed:
        words, metadata = f"**This notebook was {order.changed}.**", {"tags": ["page-leaves-out"]}
        cell = {"cell_type": "markdown", "id": "changed-template", "metadata": metadata, "source": words}
        notebook.cells.insert(0, cell)
    (room / NOTEBOOK).write_text(notebook_text(notebook), "utf-8", errors="replace", newline="\n")


def _results_of(room: Path, notebook: Any) -> dict[str, Any]:
    path = room / RESULTS
    if not path.is_file():
        raise NotRunError("the notebook ended without writing results.json.", notebook)
    found: dict[str, Any] = json.loads(path.read_text("utf-8"))
    return found

"""Makes one report of one run folder, dated, whole or not at all; its page is one file without script."""

import json
import re
import threading
from collections.abc import Callable, Mapping
from contextlib import AbstractContextManager
from dataclasses import replace
from functools import cache
from html import unescape
from itertools import count
from pathlib import Path
from typing import Any, Final

from kit.errors import KitError
from kit.page.document import document, inlined
from kit.page.text import anchor, escape
from kit.publish.notebook import NotRunError, Order, Progress, loading, run_notebook, take_order
from kit.publish.provenance import NOTE, Records, note, one_day, refuse_changes, report_date
from kit.results_file import RESULTS
from kit.runtime.atomic_write import place_file, place_folder, staging
from kit.runtime.kernel import Kernel, fresh_kernel

PARTS = ("report", "appendix")
PAGE = f"{PARTS[0]}.html"
NOTEBOOK = "notebook.ipynb"
FAILED = ".failed"


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
    order: Order, kernels: Callable[[], AbstractContextManager[Kernel]], progress: Progress | None = None
) -> Path:
    """Make what was ordered in a kernel that `kernels` starts, and return the page.

    Raises
    ------
    KitError, NotRunError
        As `make_report`.
    """
    with one_day(), kernels() as kernel, staging(order.reports) as room:
        before = order.read()
        note(room, before, order.origin)
        try:
            notebook = _run(kernel, order, room, progress)
        except KitError as error:
            # the faults at which the kit's own template stopped, and those that a look through all finds
            from kit.check import problems_of

            found = [*error.problems, *([] if order.sources or order.changed else problems_of(order.folder))]
            raise KitError({(each.where, each.found): each for each in found}.values()) from None
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
        return _finish(order, room, notebook, before)


def _job(order: Order, room: Path) -> Order:
    return replace(order, parameters={**order.parameters, "output": str(room)})


def _run(kernel: Kernel, order: Order, room: Path, progress: Progress | None) -> Any:
    warming = threading.Thread(target=exporter, daemon=True)  # the notebook has a process of its own
    warming.start()
    try:
        executed = run_notebook(kernel, _job(order, room), progress)
    except NotRunError as error:
        words = f"{str(error).rstrip('.')}. The partial notebook is {_keep(order, error)}."
        raise NotRunError(words, error.partial) from error
    warming.join()  # never at Ctrl-C: an import that it breaks off can leave other threads without the import lock
    return executed


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


def _finish(order: Order, room: Path, notebook: Any, before: Records) -> dict[str, Any]:
    path = room / RESULTS
    if not path.is_file():
        raise NotRunError("the notebook ended without writing results.json.", notebook)
    results: dict[str, Any] = json.loads(path.read_text("utf-8"))
    (room / NOTE).unlink()
    refuse_changes(before, order.read())
    kind = f"{order.template.replace('_', ' ').capitalize()} report"
    title = str(results.get("trial", {}).get("title") or kind)
    strip = f"{kind} of {report_date()}, id {results.get('report', '')}"
    strip += f"; {order.changed}" if order.changed else ""
    version = results.get("environment", {}).get("repeatburn", "")
    footer = f"Made with repeatburn {version}. One file: no script, nothing loaded from elsewhere."
    headings = dict(zip(PARTS, (title, f"{title}: appendix"), strict=True))
    for part in parts_of(notebook):
        page = render(notebook, part, title=headings[part], strip=strip, footer=footer)
        (room / f"{part}.html").write_text(page, "utf-8", errors="replace", newline="\n")
    if order.changed:
        words, metadata = f"**This notebook was {order.changed}.**", {"tags": ["page-leaves-out"]}
        cell = {"cell_type": "markdown", "id": "changed-template", "metadata": metadata, "source": words}
        notebook.cells.insert(0, cell)
    (room / NOTEBOOK).write_text(notebook_text(notebook), "utf-8", errors="replace", newline="\n")
    return results


_LIVE: Final = re.compile(r"<\s*(script|iframe|object|embed|base|form)\b", re.IGNORECASE)
_ID: Final = re.compile(r'\bid="([^"]+)"')
_BARE_HEADING: Final = re.compile(r"<h([2-4])>(.*?)</h\1>", re.DOTALL)
_TITLE: Final = re.compile(r"<h2\b[^>]*>([^<]*)</h2>")
_TEMPLATES: Final = Path(__file__).resolve().parent / "page_template"


@cache
def exporter() -> Any:
    """Return nbconvert's HTML exporter over the kit's page template; the first call imports nbconvert.

    It looks for templates in the kit's own folder alone, so none of the user's can stand in for them, and
    leaves out nbconvert's pass over the finished page, which would read megabytes of drawings once more.
    """
    with loading():
        from nbconvert import filters
        from nbconvert.exporters import html

    highlight: Any = filters.Highlight2HTML
    base: Any = html.HTMLExporter

    class PageExporter(base):  # type: ignore[misc]
        def from_notebook_node(self, nb: Any, resources: Any = None, **how: Any) -> tuple[str, Any]:
            self.register_filter("highlight_code", highlight(pygments_lexer="python3", parent=self))
            self.register_filter("visible_text", lambda text: str(escape(text)))
            self.register_filter("of_appendix", _of_appendix)
            self.register_filter("code_of", _code_of)
            page: tuple[str, Any] = super(base, self).from_notebook_node(nb, resources, **how)
            return page

    return PageExporter(
        template_paths=[str(_TEMPLATES)],
        template_name=_TEMPLATES.name,
        default_preprocessors=[],
        exclude_anchor_links=True,
    )


def parts_of(notebook: Any) -> tuple[str, ...]:
    """Return the pages of an executed notebook: 'report', and 'appendix' where some cell belongs there.

    A cell is of the appendix where it is tagged so or shows a section of that part; then all code stands there.
    """
    return PARTS if any(map(_of_appendix, notebook.cells)) else PARTS[:1]


def _of_appendix(cell: Any) -> bool:
    return "appendix" in cell.metadata.get("tags", []) or 'data-part="appendix"' in _shown(cell)


def _shown(cell: Any) -> str:
    return "".join("".join(out.get("data", {}).get("text/html", "")) for out in cell.get("outputs", ()))


def _code_of(cell: Any) -> str:
    title = _TITLE.search(_shown(cell))
    return f"Code of the section '{unescape(title[1])}'" if title else "Code of this step"


def render(notebook: Any, part: str, *, title: str, strip: object, footer: object) -> str:
    """Return the whole page of a part of an executed notebook; of the only one where it makes no other.

    Raises
    ------
    RuntimeError
        Where something live stands in it: then it is not published.
    """
    resources = {"part": part, "alone": parts_of(notebook) == (part,)}
    body, _ = exporter().from_notebook_node(notebook, resources)
    live = _LIVE.search(body)
    if live:
        raise RuntimeError(f"the page would hold a live element ({live[0]}…), so it was not published")
    return document(title, inlined(with_ids(body)), strip=strip, footer=footer)


def with_ids(body: str) -> str:
    """Return the body with an id for each heading that has none, so that the contents list can reach it."""
    taken = set(_ID.findall(body))

    def name(found: re.Match[str]) -> str:
        word = anchor(" ".join(re.sub(r"<[^>]+>", "", found[2]).split()).lower())
        tried = (word if i == 1 else f"{word}-{i}" for i in count(1))
        own = next(each for each in tried if each not in taken)
        taken.add(own)
        return f'<h{found[1]} id="{own}">{found[2]}</h{found[1]}>'

    return _BARE_HEADING.sub(name, body)

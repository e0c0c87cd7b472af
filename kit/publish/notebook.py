"""Templates: where they are, their parameters and the check of these; their run, the same bytes for the same inputs."""

import ast
import hashlib
import json
import logging
import re
import sys
import threading
import time
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

from kit.errors import Faults, KitError, Problem, did_you_mean
from kit.publish.provenance import read_files, read_inputs, report_date
from kit.publish.wording import refused
from kit.results_file import RESULTS
from kit.runtime.kernel import Kernel, manager_of

Value = str | int | float | bool | None | list[Any]

_HERE: Final = Path(__file__).resolve().parent.parent
_TYPES: Final[Mapping[str, tuple[type, ...]]] = {
    "str": (str,),
    "int": (int,),
    "float": (float, int),
    "bool": (bool,),
    "list": (list, tuple),
    "None": (type(None),),
}
Progress = Callable[[str], None]

_SHOWN: Final = {"run_folder": "../..", "output": ""}
"""What the published notebook shows of parameters that are paths."""
_IMPORTS = threading.Lock()


@dataclass(frozen=True)
class Parameter:
    """One parameter of a template: the names of its types, and its default."""

    types: tuple[str, ...]
    default: Value

    def takes(self, value: object) -> bool:
        """Return whether a value is of one of the parameter's types; a yes/no is no number."""
        if isinstance(value, bool):
            return "bool" in self.types
        return any(isinstance(value, _TYPES[name]) for name in self.types)


def template_folders() -> tuple[Path, ...]:
    """Return the folders templates are looked for in: the repository's own, then those of the wheel."""
    places = (_HERE.parent / "templates", _HERE / "packaged" / "templates")
    return tuple(filter(Path.is_dir, places))


def own_templates() -> dict[str, Path]:
    """Return the kit's own templates by name."""
    return {path.stem: path for folder in reversed(template_folders()) for path in folder.glob("*.ipynb")}


def find_template(name: str | Path) -> Path:
    """Return the file of a template: a name such as 'standard', or a path that ends in .ipynb.

    Raises
    ------
    KitError
        Where there is none.
    """
    if Path(name).suffix == ".ipynb":
        path = Path(name).absolute()
        if path.is_file():
            return path
        raise refused("no_notebook_there", name)
    known = own_templates()
    if str(name) in known:
        return known[str(name)]
    raise refused("no_template", "the template's name", name=name, hint=did_you_mean(str(name), known))


def read_template(path: Path) -> dict[str, Any]:
    """Return a notebook as plain data.

    Raises
    ------
    KitError
        Where the file is no notebook.
    """
    try:
        notebook = json.loads(path.read_text("utf-8"))
        return notebook if isinstance(notebook["cells"], list) else {}
    except (ValueError, KeyError, TypeError, RecursionError) as error:
        raise refused("no_notebook", path.name, why=error) from error


def parameter_cell(notebook: Mapping[str, Any], name: str) -> dict[str, Any]:
    """Return the one cell of a notebook that is tagged 'parameters'.

    Raises
    ------
    KitError
        Where there is none, or several are.
    """
    tagged = [cell for cell in notebook["cells"] if "parameters" in cell.get("metadata", {}).get("tags", [])]
    if len(tagged) != 1:
        raise refused("parameter_cells", name, n=len(tagged))
    cell: dict[str, Any] = tagged[0]
    return cell


def parameters_of(notebook: Mapping[str, Any], name: str) -> dict[str, Parameter]:
    """Return the parameters a notebook takes: the assignments of its cell tagged 'parameters'.

    Raises
    ------
    KitError
        Where no cell is tagged so, or one of the values is no plain value.
    """
    taken = {}
    for line in ast.parse("".join(parameter_cell(notebook, name)["source"])).body:
        if isinstance(line, ast.Assign | ast.AnnAssign):
            value = ast.literal_eval(line.value) if line.value is not None else None
            target = line.target if isinstance(line, ast.AnnAssign) else line.targets[0]
            types: tuple[str, ...] = ("None" if value is None else type(value).__name__,)
            if isinstance(line, ast.AnnAssign):
                kinds = ast.unparse(line.annotation).split("|")
                types = tuple(kind.strip().partition("[")[0] for kind in kinds)
            taken[ast.unparse(target)] = Parameter(types, value)
    return taken


def template_hash(notebook: Mapping[str, Any]) -> str:
    """Return the SHA-256 of a template's cells.

    Without the parameters, which a report records by their values, and without what programs rewrite: outputs,
    ids, metadata.
    """
    cells = [
        [cell["cell_type"], "".join(cell["source"])]
        for cell in notebook["cells"]
        if "parameters" not in cell.get("metadata", {}).get("tags", [])
    ]
    return hashlib.sha256(json.dumps(cells).encode()).hexdigest()


def checked(given: Mapping[str, object], taken: Mapping[str, Parameter], template: str) -> dict[str, Value]:
    """Return every parameter with the value given or its default.

    Raises
    ------
    KitError
        With every unknown name and every value of another type.
    """
    faults = Faults()
    for name, value in given.items():
        where = f"parameter '{name}' of template '{template}'"
        if name not in taken:
            faults.take(refused("unknown_parameter", where, hint=did_you_mean(name, taken)))
        elif not taken[name].takes(value):
            own, kinds = type(value).__name__, " or ".join(taken[name].types)
            faults.take(refused("parameter_type", where, value=value, own=own, kinds=kinds))
    faults.settle()
    return {name: given.get(name, each.default) for name, each in taken.items()}  # type: ignore[misc]


class NotRunError(Exception):
    """A notebook that stopped with a failure of the kit's own; carries what had been run until then."""

    def __init__(self, message: str, partial: Any) -> None:
        super().__init__(message)
        self.partial = partial


@dataclass(frozen=True)
class Order:
    """What is to be made: of which folder, by which template, with which parameters."""

    folder: Path
    template: str
    notebook: Mapping[str, Any]
    parameters: Mapping[str, Any]

    @property
    def sources(self) -> tuple[str, ...]:
        """The results it is made from, named from the folder; none stands for the inputs of a run folder."""
        return tuple(f"{report}/{RESULTS}" for report in self.parameters.get("reports", ()))

    def read(self) -> list[dict[str, Any]]:
        """Return every input with its size and hash, as results.json has them."""
        return read_files(self.folder, self.sources) if self.sources else read_inputs(self.folder)

    @property
    def origin(self) -> dict[str, str]:
        """Name and hash of the template: of its cells alone, since programs rewrite a notebook's rest."""
        return {"name": self.template, "sha256": template_hash(self.notebook)}

    @property
    def changed(self) -> str:
        """What is to be said where the template is not the kit's own; '' where it is."""
        own, sha256 = own_templates().get(self.template), template_hash(self.notebook)
        if own and template_hash(read_template(own)) == sha256:
            return ""
        return f"made from a changed template, {self.template}.ipynb, SHA-256 {sha256[:16]}…"

    @property
    def reports(self) -> Path:
        """Where the folder's reports stand."""
        return self.folder / "reports"

    @property
    def slug(self) -> str:
        """The template's name as it stands in the report's."""
        return self.template.replace("_", "-")


def take_order(run_folder: str | Path, template: str | Path, parameters: Mapping[str, object]) -> Order:
    """Check what was asked for, before anything starts.

    Raises
    ------
    KitError
        Where folder, template or parameters are not what they must be.
    """
    folder = Path(run_folder).absolute()
    if not folder.is_dir():
        raise refused("no_run_folder", run_folder)
    path = find_template(template)
    notebook = read_template(path)
    report_date()
    given = {**parameters, "run_folder": str(folder)}
    return Order(folder, path.stem, notebook, checked(given, parameters_of(notebook, path.name), path.stem))


def run_notebook(kernel: Kernel, order: Order, progress: Progress | None = None) -> Any:
    """Run every cell of what was ordered and return the executed notebook.

    Raises
    ------
    KitError
        Where a cell raised one: the faults of the run folder.
    NotRunError
        At any other failure, with the partial notebook.
    """
    with loading():
        import nbformat
        from nbclient.exceptions import DeadKernelError
        from papermill.exceptions import PapermillException
        from papermill.execute import execute_notebook

    kept = _register_engine()
    read: Any = nbformat.reads
    loaded = read(json.dumps(order.notebook), as_version=4)
    try:
        with manager_of(kernel) as manager:
            execute_notebook(
                loaded,
                None,
                parameters=dict(order.parameters),
                engine_name="repeatburn",
                kernel_name="python3",
                language="python",
                progress_bar=False,
                km=manager,
                kept=kept,
                on_cell_start=_reporter(loaded, progress),
            )
    except (PapermillException, DeadKernelError, RuntimeError) as error:
        if type(error) is RuntimeError and kernel.process.poll() is None:
            raise  # not what a client says of a kernel that died before its first word
        partial = cleaned(kept[0], order) if kept else None
        raise _failure(kernel, order.template, error, partial) from error
    return cleaned(kept[0], order)


@contextmanager
def loading() -> Iterator[None]:
    """Import Jupyter's libraries in here: one thread at a time, and without a grammar that costs half a second.

    They import one another in circles, which two threads cannot do at once.  `rfc3987_syntax`, which comes
    with JupyterLab, is built at import; without it jsonschema leaves the format of addresses unchecked.
    """
    name = "rfc3987_syntax"
    with _IMPORTS:
        blocked = name not in sys.modules
        if blocked:
            sys.modules[name] = None  # type: ignore[assignment]
        try:
            yield
        finally:
            if blocked:
                del sys.modules[name]


def _register_engine() -> list[Any]:
    """Register the engine that hands out its notebook while it runs, so that a failed run's is not lost."""
    from papermill.engines import NBClientEngine, papermill_engines

    # its guess at the parameters knows fewer types than kit.publish.notebook, which checked them already
    logging.getLogger("papermill").setLevel(logging.ERROR)

    class Keeping(NBClientEngine):  # type: ignore[misc]
        @classmethod
        def execute_managed_notebook(cls, nb_man: Any, kernel_name: str, **how: Any) -> Any:
            how.pop("kept").append(nb_man.nb)
            return super().execute_managed_notebook(nb_man, kernel_name, **how)

    papermill_engines.register("repeatburn", Keeping)
    return []


def _reporter(notebook: Any, progress: Progress | None) -> Callable[..., None]:
    weights = [cell.metadata.get("weight", 1 if cell.cell_type == "code" else 0) for cell in notebook.cells]
    total, begun = sum(weights) or 1, time.monotonic()

    def report(cell: Any, cell_index: int) -> None:
        if progress is None:
            return
        done = sum(weights[:cell_index]) / total  # the injected cell shifts places by one: near enough
        spent = time.monotonic() - begun
        left = f", about {spent / done * (1 - done):.0f} s left" if done > 0.1 else ""
        progress(f"Running the notebook: {min(done, 1):.0%}{left}")

    return report


def _failure(kernel: Kernel, template: str, error: Any, partial: Any) -> Exception:
    if kernel.faults.exists():
        records = json.loads(kernel.faults.read_text("utf-8"))
        return KitError(Problem(**record) for record in records)
    if not hasattr(error, "cell_index"):
        return NotRunError(f"the notebook's process ended early. {kernel.said()}".strip(), partial)
    line = str(error.source).strip().partition("\n")[0]
    # counted as JupyterLab shows them: papermill puts two cells of its own before one that failed
    where = f"cell {error.cell_index + 3} of the template {template} ({line[:60]})"
    return NotRunError(f"{where} failed: {error.ename}: {error.evalue}", partial)


def cleaned(notebook: Any, order: Order) -> Any:
    """Return the notebook without clocks, paths and random ids, so that equal runs give equal bytes."""
    given = order.parameters
    hidden = {str(given[name]): shown for name, shown in _SHOWN.items() if given[name]}
    notebook.metadata.pop("papermill", None)
    notebook.metadata.pop("widgets", None)
    notebook.metadata["kernelspec"] = {"name": "python3", "display_name": "Python 3", "language": "python"}
    for place, cell in enumerate(notebook.cells):
        cell.id = f"cell-{place:02d}"
        for name in ("papermill", "execution", "weight"):
            cell.metadata.pop(name, None)
        if "injected-parameters" in cell.metadata.get("tags", []):
            values = {**given, **_SHOWN}.items()
            cell.source = "\n".join(["# Parameters", *(f"{name} = {value!r}" for name, value in values)])
        if cell.cell_type == "code":
            cell.outputs = [_output(each, hidden) for each in cell.outputs]
    return notebook


def _output(output: Any, hidden: Mapping[str, str]) -> Any:
    """Replace the run's own paths wherever an output shows them."""
    for path, shown in sorted(hidden.items(), key=lambda pair: -len(pair[0])):
        # a folder may be called /p: no end tag, and no piece of a picture written as text, is its path
        whole = re.compile(rf"(?:(?<=file://)|(?<![\w<./+])){re.escape(path)}(?![\w+=-])")
        output.update(_replaced(dict(output), whole, shown))
    return output


def _replaced(value: Any, pattern: re.Pattern[str], shown: str) -> Any:
    if isinstance(value, str):
        return pattern.sub(lambda _: shown, value)
    if isinstance(value, Mapping):
        return {key: _replaced(each, pattern, shown) for key, each in value.items()}
    return [_replaced(each, pattern, shown) for each in value] if isinstance(value, list) else value

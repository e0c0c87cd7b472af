"""Templates: where they are, the parameters they take, and the check of what is given to them."""

from __future__ import annotations

import ast
import hashlib
import json
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

from kit.errors import Faults, KitError, did_you_mean

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


@dataclass(frozen=True)
class Parameter:
    """One parameter of a template: its name, the names of its types, and its default."""

    name: str
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
        raise KitError.refuse(str(name), "no such file", "a notebook", "Check the path.")
    known = own_templates()
    if str(name) in known:
        return known[str(name)]
    hint = did_you_mean(str(name), known)
    raise KitError.refuse("the template's name", f"'{name}'", "the name of a template", hint)


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
        found = f"no notebook ({error})"
        raise KitError.refuse(path.name, found, "a notebook", "Open it in JupyterLab.") from error


def parameter_cell(notebook: Mapping[str, Any], name: str) -> dict[str, Any]:
    """Return the one cell of a notebook that is tagged 'parameters'.

    Raises
    ------
    KitError
        Where there is none, or several are.
    """
    tagged = [cell for cell in notebook["cells"] if "parameters" in cell.get("metadata", {}).get("tags", [])]
    if len(tagged) != 1:
        remedy = "Tag the one cell that holds the parameters."
        found = f"{len(tagged)} cells tagged 'parameters'"
        raise KitError.refuse(name, found, "one such cell", remedy)
    cell: dict[str, Any] = tagged[0]
    return cell


def parameters_of(notebook: Mapping[str, Any], name: str) -> dict[str, Parameter]:
    """Return the parameters a notebook takes: the assignments of its cell tagged 'parameters'.

    Raises
    ------
    KitError
        Where no cell is tagged so, or one of the values is no plain value.
    """
    lines = ast.parse("".join(parameter_cell(notebook, name)["source"])).body
    read = (_parameter(line) for line in lines if isinstance(line, ast.Assign | ast.AnnAssign))
    return {parameter.name: parameter for parameter in read}


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


def is_own(notebook: Mapping[str, Any], name: str) -> bool:
    """Return whether a notebook is the kit's own template of that name, cell for cell."""
    known = own_templates()
    return name in known and template_hash(read_template(known[name])) == template_hash(notebook)


def _parameter(line: ast.Assign | ast.AnnAssign) -> Parameter:
    target = line.target if isinstance(line, ast.AnnAssign) else line.targets[0]
    value = ast.literal_eval(line.value) if line.value is not None else None
    if isinstance(line, ast.AnnAssign):
        types = tuple(part.strip().partition("[")[0] for part in ast.unparse(line.annotation).split("|"))
    else:
        types = ("None",) if value is None else (type(value).__name__,)
    return Parameter(ast.unparse(target), types, value)


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
            faults.refuse(where, "an unknown name", "a parameter of the template", did_you_mean(name, taken))
        elif not taken[name].takes(value):
            kinds = " or ".join(taken[name].types)
            faults.refuse(where, f"{value!r} ({type(value).__name__})", kinds, "Give a value of that type.")
    faults.settle()
    return {name: given.get(name, each.default) for name, each in taken.items()}  # type: ignore[misc]

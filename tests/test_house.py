"""The house: one direction of imports, no circles, names that are guessed, the exact top level."""

import ast
import re
import subprocess
from collections import Counter
from collections.abc import Iterator
from functools import cache
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
KIT = ROOT / "kit"
FLOW = [
    *(
        "data_file",
        "errors",
        "metrics",
        "schema",
        "runtime",
        "results_file",
        "page",
        "trial",
        "readings",
        "lenders",
        "burns",
        "variance",
    ),
    *(
        "judge",
        "check",
        "start",
        "analysis",
        "history",
        "plan",
        "publish",
        "lab",
        "cli",
        "__main__",
    ),
]
SOURCES = sorted(KIT.rglob("*.py"))
MOST_PARAMETERS, MAY_HAVE_MORE = 7, 6


@cache
def tree_of(path: Path) -> ast.Module:
    return ast.parse(path.read_text(encoding="utf-8"))


def place_of(path: Path) -> str:
    return path.relative_to(KIT).parts[0].removesuffix(".py")


def module_of(path: Path) -> str:
    return ".".join(path.relative_to(ROOT).with_suffix("").parts).removesuffix(".__init__")


MODULES = {module_of(path) for path in SOURCES}


def imported_from_kit(path: Path) -> Iterator[tuple[str, str]]:
    """Module and name of everything a file takes from the kit, within functions and for types alone too."""
    for node in ast.walk(tree_of(path)):
        if isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path}: relative import"
            if (node.module or "").split(".")[0] == "kit":
                yield from ((node.module or "", alias.name) for alias in node.names)
        elif isinstance(node, ast.Import):
            yield from ((alias.name, "") for alias in node.names if alias.name.split(".")[0] == "kit")


def target(module: str, name: str) -> str:
    return f"{module}.{name}" if f"{module}.{name}" in MODULES else module


def test_data_flows_one_way():
    backward = [
        f"{path.relative_to(ROOT)} imports {target(module, name)}"
        for path in SOURCES
        if path != KIT / "__init__.py"  # it offers the surface, each name when it is asked for
        for module, name in imported_from_kit(path)
        if (place := target(module, name).split(".")[1:2])
        and FLOW.index(place[0]) > FLOW.index(place_of(path))
    ]
    assert not backward


def test_no_file_imports_itself_through_others():
    edges = {
        module_of(path): {target(*taken) for taken in imported_from_kit(path)} - {"kit", module_of(path)}
        for path in SOURCES
        if path != KIT / "__init__.py"
    }
    reached = {start: set(there) for start, there in edges.items()}
    for start, seen in reached.items():
        todo = list(seen)
        while todo:
            new = edges.get(todo.pop(), set()) - seen
            seen |= new
            todo.extend(new)
        assert start not in seen, f"{start} imports itself through others"


def test_a_newcomer_guesses_names_and_takes_no_private_one():
    stems = Counter(path.stem for path in SOURCES if path.stem != "__init__")
    assert not {stem for stem, count in stems.items() if count > 1}
    private = [
        (module_of(path), module, name)
        for path in SOURCES
        for module, name in imported_from_kit(path)
        if name.startswith("_") and not name.startswith("__")
    ]
    assert not private


def test_functions_with_many_parameters_are_few():
    many = [
        f"{module_of(path)}.{node.name}"
        for path in SOURCES
        for node in ast.walk(tree_of(path))
        if isinstance(node, ast.FunctionDef)
        and len(node.args.posonlyargs + node.args.args + node.args.kwonlyargs) > MOST_PARAMETERS
    ]
    assert len(many) <= MAY_HAVE_MORE, many


def test_the_top_level_and_the_templates_hold_what_they_should():
    import nbformat

    for path in (ROOT / "templates").glob("*.ipynb"):
        for cell in nbformat.read(path, as_version=4).cells:
            if cell.cell_type == "code":
                assert not cell.outputs and cell.execution_count is None, path.name
                made = [type(node) for node in ast.walk(ast.parse(cell.source))]
                assert ast.FunctionDef not in made and ast.ClassDef not in made, path.name
    listed = subprocess.run(["git", "ls-files"], cwd=ROOT, capture_output=True, text=True, check=False)
    if listed.returncode:
        pytest.skip("not a git checkout")
    names = {line.split("/")[0] for line in listed.stdout.splitlines()}
    named = {"README.md", "DEVELOPERS.md", "pyproject.toml", "kit", "templates", "runs", "tests", "Makefile"}
    unseen = {".ci", ".gitignore", ".gitattributes", "LICENSE", "CITATION.cff", "requirements.lock"}
    assert named <= names <= named | unseen


def test_nothing_is_evaluated_from_data_and_the_readme_carries_the_cautions_of_the_pages():
    from kit.page.document import cautions_markdown

    runs_data = re.compile(r"\bpickle\b|\beval\(|\bexec\(|yaml\.load\b|shell=True")
    for path in SOURCES:
        assert not runs_data.findall(path.read_text(encoding="utf-8")), path
    assert cautions_markdown().strip() in (ROOT / "README.md").read_text(encoding="utf-8")

"""The house: one direction of imports, small files, short functions, the exact top level."""

import ast
import re
import statistics
import subprocess
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
KIT = ROOT / "kit"
FLOW = [
    "errors",
    "metrics",
    "schema",
    "results_file",
    "runtime",
    "page",
    "trial",
    "readings",
    "burns",
    "check",
    "start",
    "variance",
    "judge",
    "analysis",
    "history",
    "plan",
    "publish",
    "cli",
    "__main__",
]
SOURCES = sorted(KIT.rglob("*.py"))


def place_of(path: Path) -> str:
    return path.relative_to(KIT).parts[0].removesuffix(".py")


def imports_of(path: Path) -> list[tuple[str, list[str]]]:
    found = []
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path}: relative import"
            found.append((node.module or "", [alias.name for alias in node.names]))
        elif isinstance(node, ast.Import):
            found.extend((alias.name, []) for alias in node.names)
    return found


def kit_places(path: Path) -> set[str]:
    places = set()
    for module, names in imports_of(path):
        if module == "kit":
            places |= set(names)
        elif module.startswith("kit."):
            places.add(module.split(".")[1])
    return places - {"__version__", place_of(path)}


@pytest.mark.parametrize("path", SOURCES, ids=lambda path: str(path.relative_to(ROOT)))
def test_a_file_imports_only_what_stands_before_it_in_the_flow(path):
    place = place_of(path)
    if place == "__init__":
        assert not kit_places(path)
        return
    backward = {other for other in kit_places(path) if FLOW.index(other) > FLOW.index(place)}
    assert not backward


@pytest.mark.parametrize("path", SOURCES, ids=lambda path: str(path.relative_to(ROOT)))
def test_no_file_takes_a_private_name_of_another(path):
    private = [
        (module, name)
        for module, names in imports_of(path)
        for name in names
        if module.startswith("kit") and name.startswith("_") and not name.startswith("__")
    ]
    assert not private


def test_modules_of_one_folder_do_not_import_each_other_in_a_circle():
    edges = {}
    for path in SOURCES:
        name = ".".join(path.relative_to(ROOT).with_suffix("").parts).removesuffix(".__init__")
        edges[name] = {module for module, _ in top_level_imports(path) if module.startswith("kit.")}
    for start in edges:
        seen, todo = set(), list(edges[start])
        while todo:
            here = todo.pop()
            assert here != start, f"{start} imports itself through others"
            if here not in seen:
                seen.add(here)
                todo.extend(edges.get(here, ()))


def top_level_imports(path: Path) -> list[tuple[str, list[str]]]:
    return [
        (node.module or "", [alias.name for alias in node.names])
        for node in ast.parse(path.read_text(encoding="utf-8")).body
        if isinstance(node, ast.ImportFrom)
    ]


@pytest.mark.parametrize("path", SOURCES, ids=lambda path: str(path.relative_to(ROOT)))
def test_files_are_small(path):
    assert len(path.read_text(encoding="utf-8").splitlines()) <= 600


def function_lengths() -> dict[str, int]:
    lengths = {}
    for path in SOURCES:
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef):
                first = node.body[1 if ast.get_docstring(node) and len(node.body) > 1 else 0]
                length = (node.end_lineno or 0) - first.lineno + 1
                lengths[f"{path.relative_to(ROOT)}:{node.name}"] = length
    return lengths


def test_functions_are_short():
    lengths = function_lengths()
    assert not {name: length for name, length in lengths.items() if length > 80}
    assert statistics.median(lengths.values()) < 12


def test_the_top_level_holds_what_it_should():
    listed = subprocess.run(["git", "ls-files"], cwd=ROOT, capture_output=True, text=True, check=False)
    if listed.returncode:
        pytest.skip("not a git checkout")
    names = {line.split("/")[0] for line in listed.stdout.splitlines()}
    named = {"README.md", "DEVELOPERS.md", "pyproject.toml", "kit", "templates", "runs", "tests", "Makefile"}
    unseen = {
        ".ci",
        ".gitignore",
        ".gitattributes",
        "LICENSE",
        "CITATION.cff",
        "requirements.lock",
    }
    assert named <= names <= named | unseen


def test_templates_are_kept_without_outputs_and_only_call_the_kit():
    import nbformat

    for path in (ROOT / "templates").glob("*.ipynb"):
        notebook = nbformat.read(path, as_version=4)
        for cell in notebook.cells:
            if cell.cell_type == "code":
                assert not cell.outputs and cell.execution_count is None, path.name
                assert not any(
                    isinstance(node, ast.FunctionDef | ast.ClassDef)
                    for node in ast.walk(ast.parse(cell.source))
                ), path.name


def test_no_code_is_evaluated_from_data():
    runs_data = re.compile(r"\bpickle\b|\beval\(|\bexec\(|yaml\.load\b|shell=True")
    for path in SOURCES:
        assert not runs_data.findall(path.read_text(encoding="utf-8")), path


def test_the_readme_carries_the_cautions_as_the_pages_do():
    from kit.page.cautions import cautions_markdown

    assert cautions_markdown().strip() in (ROOT / "README.md").read_text(encoding="utf-8")

"""What a report rests on: its input files, earlier results, parameters, program versions, and the id made of them."""

from __future__ import annotations

import hashlib
import json
import os
import platform
import sys
import time
from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import AbstractContextManager, contextmanager, nullcontext, suppress
from dataclasses import asdict, dataclass
from datetime import UTC, datetime
from importlib import metadata
from pathlib import Path
from typing import Any, Final

import kit
from kit.errors import Faults, KitError
from kit.results_file import RESULTS, newest_results, read_results
from kit.schema import INPUTS

SIMULATED: Final = "SIMULATED.txt"
"""The note that a folder of simulated burns carries, wherever it goes."""
SHEETS: Final = (*INPUTS, SIMULATED)
NOTE: Final = "origin.json"
RESTS_ON: Final = ("inputs", "parameters", "environment", "template")
"""Keys of results.json for what a report is made from."""
LIBRARIES: Final = (
    "numpy", "scipy", "pandas", "statsmodels", "matplotlib", "seaborn", "pyarrow", "pydantic", "latex2mathml",
    "ipykernel", "nbclient", "nbconvert", "nbformat", "papermill", "tzdata",
)  # fmt: skip


@dataclass(frozen=True)
class InputFile:
    """One input: its name inside the run folder, its size, and its SHA-256 in hexadecimal."""

    name: str
    bytes: int
    sha256: str


def input_paths(folder: Path) -> list[Path]:
    """Return the input files of a run folder: its sheets, the plan as written, and everything in logs/.

    Raises
    ------
    KitError
        Naming each that is a link out of the folder: no such file is opened, hashed or published.
    """
    sheets = [path for name in SHEETS if (path := folder / name).is_file()]
    paths = sheets + [path for path in files_in(folder / "logs") if not path.name.startswith(".")]
    faults, root = Faults(), folder.resolve()
    for path in paths:
        if not path.resolve().is_relative_to(root):
            name, remedy = path.relative_to(folder).as_posix(), "Put a copy in its place, or take it away."
            faults.refuse(name, "a link out of the run folder", "a file of its own", remedy)
    faults.settle()
    return paths


def files_in(folder: Path) -> list[Path]:
    """Return every file of a folder and of the folders in it, in order."""
    return sorted(path for path in folder.rglob("*") if path.is_file())


def read_inputs(folder: Path) -> tuple[InputFile, ...]:
    """Return every input with its size and hash, sheets first, logs by name, then extracts of earlier results."""
    names = (path.relative_to(folder).as_posix() for path in input_paths(folder))
    further = leaned_on(folder).items()
    return (
        *read_files(folder, names),
        *(InputFile(name, len(held), hashlib.sha256(held).hexdigest()) for name, held in further),
    )


def read_files(folder: Path, names: Iterable[str]) -> tuple[InputFile, ...]:
    """Return these files of a folder, each with its size and hash."""
    found = []
    for name in names:
        with (folder / name).open("rb") as handle:
            digest = hashlib.file_digest(handle, "sha256").hexdigest()
            found.append(InputFile(name, handle.tell(), digest))
    return tuple(found)


def refuse_changes(before: tuple[InputFile, ...], after: tuple[InputFile, ...]) -> None:
    """Check that inputs are what they were when the run began.

    Raises
    ------
    KitError
        Naming every file that changed, came or went meanwhile.
    """
    faults = Faults()
    happened = {"gone": "gone", "new": "new", "changed": "other content"}
    for name, change in changes(map(asdict, before), map(asdict, after)):
        found, expected = f"{happened[change]} since the run began", "the file as it was when the run began"
        faults.refuse(name, found, expected, "Run again once nothing writes to it.")
    faults.settle()


def changes(before: Iterable[Mapping[str, Any]], after: Iterable[Mapping[str, Any]]) -> list[tuple[str, str]]:
    """Return the files, records of inputs, that are 'gone', 'new' or 'changed', each with which, by name."""
    then, now = ({each["name"]: each["sha256"] for each in files} for files in (before, after))
    return [
        (name, "gone" if name not in now else "new" if name not in then else "changed")
        for name in sorted({*then, *now})
        if then.get(name) != now.get(name)
    ]


def environment() -> dict[str, str]:
    """Return the versions of the kit, Python, its libraries and the kind of system."""
    versions = {"repeatburn": kit.__version__, "python": platform.python_version()}
    for name in LIBRARIES:
        try:
            versions[name] = metadata.version(name)
        except metadata.PackageNotFoundError:
            continue
    return {**versions, "system": f"{sys.platform} {platform.machine()}".strip()}


def trace(folder: Path, parameters: Mapping[str, object], output: str | Path = "") -> dict[str, Any]:
    """Return what a report of a run folder with these parameters is made from, as its results have it.

    Parameters
    ----------
    parameters
        As the notebook really had them, paths and output places left out.
    output
        The report's folder while it is made: inputs and template noted there by `note` are taken as they are.

    Returns
    -------
    Keys report (twelve hexadecimal digits made of all the others: equal for equal reports), inputs (every file that was
    read, and what was taken from earlier results), parameters, environment (versions by program), template (its name
    and SHA-256).
    """
    noted = Path(output) / NOTE if str(output) else None
    if noted and noted.is_file():
        found = json.loads(noted.read_text("utf-8"))
    else:
        found = {"inputs": [asdict(each) for each in read_inputs(folder)], "template": {}}
    made_of = found["inputs"], dict(parameters), environment(), found["template"]
    return {"report": report_id(*made_of), **dict(zip(RESTS_ON, made_of, strict=True))}


def note(output: Path, inputs: tuple[InputFile, ...], template: Mapping[str, str]) -> None:
    """Write down inputs and template for `trace`: a run hashes its logs once before and once after."""
    data = {"inputs": [asdict(each) for each in inputs], "template": dict(template)}
    (output / NOTE).write_text(json.dumps(data), "utf-8")


def report_id(
    inputs: Sequence[Mapping[str, object]],
    parameters: Mapping[str, object],
    versions: Mapping[str, str],
    template: Mapping[str, str],
) -> str:
    """Return the id of a report: twelve hexadecimal digits made of what it was made from."""
    whole = {"inputs": inputs, "parameters": parameters, "environment": versions, "template": template}
    text = json.dumps(whole, sort_keys=True, ensure_ascii=True, default=str)
    return hashlib.sha256(text.encode()).hexdigest()[:12]


COMPARED: Final = ("metrics", "means", "comparisons", "components", "kinds", "ladder", "next_bag")
"""Tables of a corrected report that are compared with the new ones."""


def leaned_on(folder: Path) -> dict[str, bytes]:
    """Return the extracts that a report of a run folder rests on, by their names in a bundle."""
    from kit.publish.plain import canonical

    extracts = dict(_lent(folder))
    corrects = _trial(folder).get("trial", {}).get("corrects", "")
    if earlier := corrected_results(folder, corrects):
        extracts[f"reports/{corrects}/{RESULTS}"] = _of_corrected(earlier)
    return {name: canonical(each).encode("utf-8", "surrogateescape") for name, each in extracts.items()}


def corrected_results(folder: Path, name: object) -> dict[str, Any] | None:
    """Return the results of a report of the folder by its name alone (a path is not followed); None without them.

    Raises
    ------
    KitError
        Where they are not what the kit writes.
    """
    if not isinstance(name, str) or not name or Path(name).name != name:
        return None
    path = folder / "reports" / name / RESULTS
    return read_results(path) if path.exists() else None


def _trial(folder: Path) -> dict[str, dict[str, Any]]:
    """Return the trial file's tables; none where it cannot be read, which the analysis then tells."""
    try:
        content = (folder / "trial.toml").read_bytes()
        if not any(key in content.replace(b"\0", b"") for key in (b"borrow_from", b"corrects")):
            return {}
        # kit.trial brings pandas, which most reports need in another process only
        from kit.trial.decode import decode
        from kit.trial.toml_reader import parse_toml

        found = parse_toml(decode(content, "trial.toml")[0], "trial.toml")
        return {name: table for name, table in found.items() if isinstance(table, dict)}
    except (OSError, KitError):
        return {}


def lenders(folder: Path) -> list[Path]:
    """Return the run folders that a trial borrows from; none where the trial file cannot be read."""
    names = _trial(folder).get("model", {}).get("borrow_from", [])
    listed = [names] if isinstance(names, str) else names
    if not listed or not isinstance(listed, list) or not all(isinstance(each, str) for each in listed):
        return []
    from kit.trial.run import lender_folders

    return lender_folders(folder, listed)


def _lent(folder: Path) -> Iterator[tuple[str, dict[str, Any]]]:
    for place, lender in enumerate(lenders(folder), 1):
        from kit.trial.run import BORROWED

        with suppress(KitError):
            path, results = newest_results(lender, "metrics")
            name = f"{BORROWED}/{place}/{lender.resolve().name}/reports/{path.parent.name}/{RESULTS}"
            yield name, _of_lender(results)


def _of_lender(results: Mapping[str, Any]) -> dict[str, Any]:
    from kit.judge.earlier_trials import OF_BURNS, OF_FUELS, SAME, TABLES

    trial = results.get("trial") or {}
    return {
        "schema": results.get("schema"),
        "trial": {key: trial[key] for key in SAME if key in trial}
        | {"fuels": [{key: fuel.get(key) for key in OF_FUELS} for fuel in trial.get("fuels") or ()]},
        "burns": [{key: row.get(key) for key in OF_BURNS} for row in results.get("burns") or ()],
        **{key: results.get(key, []) for key in TABLES},
    }


def _of_corrected(results: Mapping[str, Any]) -> dict[str, Any]:
    burns = [{key: row.get(key) for key in ("burn", "excluded")} for row in results.get("burns", [])]
    kept = ("schema", "report", *RESTS_ON)
    return {
        **{key: results[key] for key in kept if key in results},
        "burns": burns,
        **{key: results.get(key, []) for key in COMPARED},
    }


def report_date() -> str:
    """Return the day a report bears, yyyy-mm-dd: of SOURCE_DATE_EPOCH where it is set (UTC), else today.

    Raises
    ------
    KitError
        Where SOURCE_DATE_EPOCH is no whole number.
    """
    fixed = os.environ.get("SOURCE_DATE_EPOCH", "")
    if not fixed:
        return time.strftime("%Y-%m-%d")
    try:
        return datetime.fromtimestamp(int(fixed), UTC).date().isoformat()
    except (ValueError, OverflowError, OSError) as error:
        where, expected = "environment variable SOURCE_DATE_EPOCH", "whole seconds since 1970"
        raise KitError.refuse(where, f"'{fixed}'", expected, "Mend it or unset it.") from error


def one_day() -> AbstractContextManager[None]:
    """Have what is made in here bear one day, though midnight pass meanwhile."""
    return nullcontext() if os.environ.get("SOURCE_DATE_EPOCH") else dated(report_date())


@contextmanager
def dated(day: str) -> Iterator[None]:
    """Have reports made in here bear a day, yyyy-mm-dd, as those that are made again must."""
    before = os.environ.get("SOURCE_DATE_EPOCH")
    os.environ["SOURCE_DATE_EPOCH"] = str(int(datetime.fromisoformat(f"{day}T12:00:00+00:00").timestamp()))
    try:
        yield
    finally:
        if before is None:
            del os.environ["SOURCE_DATE_EPOCH"]
        else:
            os.environ["SOURCE_DATE_EPOCH"] = before

"""What a report rests on: its input files, earlier results, parameters, program versions, and the id made of them."""

import hashlib
import json
import os
import platform
import sys
import time
from collections.abc import Iterable, Iterator, Mapping
from contextlib import AbstractContextManager, contextmanager, nullcontext, suppress
from datetime import UTC, datetime
from importlib import metadata
from pathlib import Path
from typing import Any, Final

import kit
from kit.errors import KitError
from kit.publish.plain import canonical
from kit.publish.wording import called, refuse_all, refused
from kit.results_file import RESULTS, corrected_report, newest_results, read_part, read_results
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


Records = Iterable[Mapping[str, Any]]
"""Inputs as results.json has them: name, bytes, sha256."""


def input_names(folder: Path) -> list[str]:
    """Return the names of a run folder's input files: its sheets, the plan as written, and everything in logs/.

    Raises
    ------
    KitError
        Naming each that is a link out of the folder: no such file is opened, hashed or published.
    """
    logs = [f"logs/{name}" for name in names_in(folder / "logs") if not Path(name).name.startswith(".")]
    names = [*(name for name in SHEETS if (folder / name).is_file()), *logs]
    root = folder.resolve()
    refuse_all(
        refused("link_out", name) for name in names if not (root / name).resolve().is_relative_to(root)
    )
    return names


def names_in(folder: Path) -> list[str]:
    """Return the names inside a folder of every file in it and in its folders, in order."""
    return [path.relative_to(folder).as_posix() for path in sorted(folder.rglob("*")) if path.is_file()]


def read_inputs(folder: Path) -> list[dict[str, Any]]:
    """Return every input with its size and hash, sheets first, logs by name, then extracts of earlier results."""
    further = leaned_on(folder).items()
    return [
        *read_files(folder, input_names(folder)),
        *(_record(name, len(held), hashlib.sha256(held)) for name, held in further),
    ]


def read_files(folder: Path, names: Iterable[str]) -> list[dict[str, Any]]:
    """Return these files of a folder, each with its size and hash."""
    found = []
    for name in names:
        with (folder / name).open("rb") as handle:
            digest = hashlib.file_digest(handle, "sha256")
            found.append(_record(name, handle.tell(), digest))
    return found


def _record(name: str, size: int, digest: Any) -> dict[str, Any]:
    return {"name": name, "bytes": size, "sha256": digest.hexdigest()}


def refuse_changes(before: Records, after: Records, key: str = "meanwhile") -> None:
    """Check that inputs, as records, are what they were, by default when the run began.

    Raises
    ------
    KitError
        Naming every file that changed, came or went since, in the words of `key`.
    """
    changed = changes(before, after)
    refuse_all(refused(key, name, happened=called("meanwhile", change)) for name, change in changed)


def changes(before: Records, after: Records) -> list[tuple[str, str]]:
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
        with suppress(metadata.PackageNotFoundError):
            versions[name] = metadata.version(name)
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
        found = {"inputs": read_inputs(folder), "template": {}}
    made_of = found | {"parameters": dict(parameters), "environment": environment()}
    return {"report": report_id(made_of), **{key: made_of[key] for key in RESTS_ON}}


def note(output: Path, inputs: Records, template: Mapping[str, str]) -> None:
    """Write down inputs and template for `trace`: a run hashes its logs once before and once after."""
    (output / NOTE).write_text(json.dumps({"inputs": list(inputs), "template": dict(template)}), "utf-8")


def report_id(results: Mapping[str, Any]) -> str:
    """Return the id of a report: twelve hexadecimal digits made of what its results say it was made from."""
    made_of = {key: results[key] for key in RESTS_ON}
    text = json.dumps(made_of, sort_keys=True, ensure_ascii=True, default=str)
    return hashlib.sha256(text.encode()).hexdigest()[:12]


COMPARED: Final = ("metrics", "means", "comparisons", "components", "kinds", "ladder", "next_bag")
"""Tables of a corrected report that are compared with the new ones."""


def leaned_on(folder: Path) -> dict[str, bytes]:
    """Return the extracts that a report of a run folder rests on, by their names in a bundle."""
    extracts, place = dict(_lent(folder)), None
    corrects = _trial(folder).get("trial", {}).get("corrects", "")
    with suppress(KitError):  # one that is not there is for `check` and the report to tell
        place = corrected_report(folder, str(corrects))
    if place is not None:
        earlier = read_results(place)
        head = {key: earlier[key] for key in ("schema", "report", *RESTS_ON) if key in earlier}
        extracts[f"reports/{corrects}/{RESULTS}"] = head | _tables_of(earlier, ("burn", "excluded"), COMPARED)
    return {name: canonical(each).encode("utf-8", "surrogateescape") for name, each in extracts.items()}


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
        from kit.lenders import OF_BURNS, OF_FUELS, SAME, TABLES
        from kit.trial.run import BORROWED

        with suppress(KitError):
            path, results = newest_results(lender, "metrics")
            trial = results.get("trial") or {}
            kept: dict[str, Any] = {key: trial[key] for key in SAME if key in trial}
            kept["fuels"] = _columns_of(trial.get("fuels"), OF_FUELS)
            head = {"schema": results.get("schema"), "trial": kept}
            name = f"{BORROWED}/{place}/{lender.resolve().name}/reports/{path.parent.name}/{RESULTS}"
            yield name, head | _tables_of(results, OF_BURNS, TABLES)


def _tables_of(results: Mapping[str, Any], of_burns: Iterable[str], tables: Iterable[str]) -> dict[str, Any]:
    burns = _columns_of(results.get("burns"), of_burns)
    return {"burns": burns, **{key: results.get(key, []) for key in tables}}


def _columns_of(rows: Iterable[Mapping[str, Any]] | None, names: Iterable[str]) -> list[dict[str, Any]]:
    return [{name: row.get(name) for name in names} for row in rows or ()]


def earlier_looks(folder: Path) -> int:
    """Return how many different states of the data earlier reports of a folder were made from, this one not counted.

    A report made again from the same files is no further look, so the same inputs give the same count.
    """
    now = state_of({"inputs": read_inputs(folder)})
    return len({*map(state_of, looks_of(folder).values())} - {now, frozenset()})


def looks_of(folder: Path) -> dict[str, dict[str, Any]]:
    """Return what reports of a folder, by name, say of their inputs; one that cannot be read tells of no look."""
    found = {}
    for path in sorted((folder / "reports").glob(f"[!.]*/{RESULTS}")):
        with suppress(KitError):
            found[path.parent.name] = read_part(path, {"inputs"}, {"inputs"})
    return found


def state_of(results: Mapping[str, Any]) -> frozenset[tuple[str, str]]:
    """Return names and hashes of the data a report was made from."""
    pairs = ((row["name"], row["sha256"]) for row in results["inputs"])
    return frozenset(pair for pair in pairs if pair[0] == "burns.csv" or pair[0].startswith("logs/"))


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
        raise refused("no_date", "environment variable SOURCE_DATE_EPOCH", fixed=fixed) from error


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

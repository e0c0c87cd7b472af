"""Earlier results that a report rests on: of trials it borrows from, and of the report it corrects.

Only what is used of them is an input: an extract, which tells of no people or places, is hashed and bundled.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any, Final

from kit.errors import Faults, KitError
from kit.results_file import RESULTS, read_results

COMPARED: Final = ("metrics", "means", "comparisons", "components", "kinds", "ladder", "next_bag")
"""Tables of a corrected report that are compared with the new ones."""
_RESTS_ON: Final = ("inputs", "parameters", "environment", "template")


def leaned_on(folder: Path) -> dict[str, bytes]:
    """Return the extracts that a report of a run folder rests on, by their names in a bundle."""
    trial = _trial(folder)
    found = dict(_lent(folder, trial))
    name = _text(trial, "trial", "corrects")
    earlier = corrected_results(folder, name)
    if earlier is not None:
        found[f"reports/{name}/{RESULTS}"] = _written(_of_corrected(earlier))
    return found


def corrected_results(folder: Path, name: str) -> dict[str, Any] | None:
    """Return the results of a report of the folder by its name alone (a path is not followed); None without them.

    Raises
    ------
    KitError
        Where they are not what the kit writes.
    """
    if not name or Path(name).name != name:
        return None
    path = folder / "reports" / name / RESULTS
    return read_results(path) if path.exists() else None


def _trial(folder: Path) -> Mapping[str, Any]:
    """Return the trial file's tables; none where it cannot be read, which the analysis then tells."""
    try:
        content = (folder / "trial.toml").read_bytes()
        if not any(key in content.replace(b"\0", b"") for key in (b"borrow_from", b"corrects")):
            return {}
        # kit.trial brings pandas, which most reports need in another process only
        from kit.trial.decode import decode
        from kit.trial.toml_reader import parse_toml

        return parse_toml(decode(content, "trial.toml")[0], "trial.toml", Faults()) or {}
    except (OSError, KitError):
        return {}


def _text(trial: Mapping[str, Any], table: str, key: str) -> str:
    value = trial.get(table, {}).get(key, "") if isinstance(trial.get(table), dict) else ""
    return value if isinstance(value, str) else ""


def _lent(folder: Path, trial: Mapping[str, Any]) -> Iterator[tuple[str, bytes]]:
    model = trial.get("model")
    names = model.get("borrow_from", []) if isinstance(model, dict) else []
    listed = [names] if isinstance(names, str) else names
    if not isinstance(listed, list) or not all(isinstance(each, str) for each in listed):
        return
    from kit.trial.earlier import BORROWED, lender_folders, newest_with

    for place, lender in enumerate(lender_folders(folder, listed), 1):
        try:
            path, results = newest_with(lender, "metrics")
        except KitError:
            continue
        name = f"{BORROWED}/{place}/{lender.resolve().name}/reports/{path.parent.name}/{RESULTS}"
        yield name, _written(_of_lender(results))


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
    kept = ("schema", "report", *_RESTS_ON)
    return {
        **{key: results[key] for key in kept if key in results},
        "burns": burns,
        **{key: results.get(key, []) for key in COMPARED},
    }


def _written(extract: Mapping[str, Any]) -> bytes:
    from kit.publish.plain import canonical

    return canonical(extract).encode("utf-8", "surrogateescape")

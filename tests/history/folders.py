"""Run folders that hold only a report's results, made of simulated seasons."""

from copy import deepcopy

from kit.publish.plain import canonical
from tests.simulate.history import TRIAL


def trial(**changes):
    """Return the simulated trial with some of its keys changed; a dotted key reaches inside."""
    made = deepcopy({**TRIAL, "measuring": {"median_s": 60.0}, "show": "metric", "title": "made"})
    made["probes"] = [{"id": "grate", "place": "grate", "tolerance_class": "2", "time_constant_s": 35.0}]
    return {**made, **changes}


def write_folder(season, place, changes=None, setting="", inputs=()):
    """Write a season's results as its folder's report and return the folder."""
    ids = {each["name"]: each["id"] for each in TRIAL["fuels"]}
    fuels = {row.burn: ids.get(row.fuel, row.fuel) for rows in season.rows.values() for row in rows}
    burns = [
        {"burn": burn, "fuel": fuel, "cooker": "", "setting": setting} for burn, fuel in sorted(fuels.items())
    ]
    metrics = [
        {"metric": metric, **row._asdict(), "fuel": ids.get(row.fuel, row.fuel)}
        for metric, rows in season.rows.items()
        for row in rows
    ]
    data = {
        "schema": "repeatburn-results/1",
        "report": "0",
        "trial": trial(**(changes or {})),
        "inputs": [{"name": name, "bytes": 0, "sha256": name} for name in inputs],
        "burns": burns,
        "metrics": metrics,
        "curves": {"mean": {"metrics": [1], "burns": [2]}},
    }
    folder = place / season.name
    target = folder / "reports" / "2026-05-14-standard" / "results.json"
    target.parent.mkdir(parents=True)
    target.write_text(canonical(data), "utf-8")
    (folder / "trial.toml").write_text("", "utf-8")
    return folder

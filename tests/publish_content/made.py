"""Run folders of every kind, cut from the demo, and their real analyses: each made once in a test session."""

from __future__ import annotations

import csv
import shutil
import tempfile
from functools import cache
from pathlib import Path

import pandas as pd

from kit.analysis import Analysis, analyse

DEMO = Path(__file__).parents[2] / "runs" / "hill-school"
THREE = ("alder", "olive", "pressed")
KINDS = (
    "three", "two", "singles", "borrowed", "one bag", "no bags", "bags partly noted", "interim", "not begun",
    "no margin", "two settings", "hostile", "cut short", "counts",
)  # fmt: skip
HOSTILE = (
    "</title><script>alert(1)</script><img src=x onerror=alert(2)> \\\"'&{a} $x^2$ abc =1+1 🔥 " + "w" * 60
)
_ROOM = tempfile.TemporaryDirectory(prefix="made-")


@cache
def analysis(kind: str) -> Analysis:
    """Return the analysis of a folder of this kind."""
    return analyse(folder(kind))


@cache
def folder(kind: str) -> Path:
    """Return a run folder of this kind.

    'demo': all of it as it stands; 'three' and 'two' fuels of it, or 'one fuel'; 'beside': two, with 'three' as an
    earlier trial;
    'singles': each fuel burned once, 'borrowed' with repeatability from 'three'; 'one bag' of each; 'no bags' noted, or
    only those of every fuel's first bag: 'bags partly noted'; 'interim': the last burns still to come, 'not begun':
    all of them; 'two and one' burns on two days, of bags and in a cooker that nobody named; 'all left out': every burn
    excluded; 'no margin' declared; 'two settings': some burns throttled for a
    cook;
    'hostile': names that would be markup; 'cut short': every log of the olive-stone briquettes ends while they are hot;
    'never': primary measures are of temperatures that one fuel reached in some burns alone, or never;
    'counts': a primary measure is a count, the pressed briquettes cost nothing, and 90 % is the confidence.
    """
    if kind == "demo":
        return DEMO
    target = Path(_ROOM.name) / kind.replace(" ", "-")
    left_out = (
        ("reports", "plan")
        if kind in ("three", "two settings")
        else ("reports", "plan", "scores.csv", "events.csv")
    )
    shutil.copytree(DEMO, target, ignore=shutil.ignore_patterns(*left_out))
    sheet = pd.read_csv(DEMO / "burns.csv", dtype=str, keep_default_na=False)
    if kind in ("singles", "borrowed"):
        sheet = sheet[~sheet["fuel"].duplicated()]
    else:
        sheet = sheet[sheet["fuel"].isin(THREE[::2] if kind in ("two", "beside") else THREE)]
    if kind == "one fuel":
        sheet = sheet[sheet["fuel"] == THREE[0]]
    if kind == "one bag":
        sheet = sheet[sheet["bag"] == sheet["fuel"] + "-1"]
    if kind == "no bags":
        sheet["bag"] = ""
    if kind == "bags partly noted":
        sheet.loc[sheet["bag"] != sheet["fuel"] + "-1", "bag"] = ""
    if kind in ("interim", "not begun"):
        of_burns = ["lit", "tipped", "lid_on", "stopped", "log", "leftover_g", "ash_g"]
        sheet.loc[sheet.index[12 if kind == "interim" else 0 :], of_burns] = ""
    if kind == "two and one":
        sheet = sheet[sheet["burn"].isin(("02", "15", "16"))].assign(bag="", cooker="")
    if kind == "all left out":
        sheet["excluded"] = "rain"
    if kind == "two settings":
        sheet["setting"] = ["low" if order % 3 == 2 else "open" for order in range(len(sheet))]
    if kind == "cut short":
        for log in sheet.loc[sheet["fuel"] == "olive", "log"]:
            lines = (target / "logs" / log).read_text("utf-8").splitlines(keepends=True)
            (target / "logs" / log).write_text("".join(lines[:150]), "utf-8")
    for name in ("scores.csv", "events.csv"):
        if (target / name).is_file():
            rows = pd.read_csv(target / name, dtype=str, keep_default_na=False)
            rows[rows["burn"].isin(sheet["burn"])].to_csv(target / name, index=False)
    sheet.to_csv(target / "burns.csv", index=False, quoting=csv.QUOTE_MINIMAL)
    _change_trial(kind, target)
    if kind == "three":
        (target / "notes.md").write_text(
            "# Mine\n\nThe *grate* was <b>new</b>. ![x](http://a.b/c.png)\n", "utf-8"
        )
    return target


def _change_trial(kind: str, target: Path) -> None:
    path = target / "trial.toml"
    text = path.read_text("utf-8")
    if kind == "no margin":
        head, _, rest = text.partition("[margins]")
        text = head + "[model]" + rest.partition("[model]")[2]
    if kind == "two and one":
        text = "\n".join(line for line in text.splitlines() if not line.startswith("cooker ="))
    if kind == "two settings":
        settings = (
            '\n[[setting]]\nid = "open"\nvents = "open"\n\n[[setting]]\nid = "low"\nvents = "a third"\n'
        )
        text += settings
    if kind == "hostile":
        text = text.replace('name = "alder lump"', f'name = "{HOSTILE}"')
    if kind == "counts":
        text = text.replace('["peak", "time_above:150"]', '["peak", "departures"]')
        text = text.replace("price = 7.90", "price = 0").replace("confidence = 0.95", "confidence = 0.9")
    if kind == "never":
        text = text.replace("[110, 150, 200]", "[110, 150, 180, 200]")
        text = text.replace('"time_above:150"]', '"time_above:180", "time_above:200"]')
    if kind in ("borrowed", "beside"):
        lender = folder("three")
        for log in (target / "logs").iterdir():  # a folder with the very logs of its lender would be refused
            log.write_bytes(log.read_bytes() + b"\n")
        results = lender / "reports" / "2026-05-14-standard"
        if not results.is_dir():
            from kit.publish.write_outputs import write_results

            results.mkdir(parents=True)
            write_results(analysis("three"), results)
        text = text.replace("[model]\n", '[model]\nborrow_from = ["../three"]\n')
    path.write_text(text, "utf-8")

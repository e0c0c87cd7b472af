"""Hostile text in every free text field of a run folder, taken from the schema itself, through a whole report."""

import csv
import json
import re
import tomllib
import zipfile
from dataclasses import fields, is_dataclass
from html.parser import HTMLParser
from typing import get_args
from xml.etree import ElementTree

import pytest
import tomli_w
from pydantic import BaseModel

from kit import schema
from kit.publish import make_bundle, make_report, write_index
from kit.trial import models

BAD = (
    '<script>alert(1)</script>"><img src=x onerror=alert(1)> =HYPERLINK("http://x") 🔥 فحم $\\alpha$ '
    "{{ 7*7 }} [a](javascript:alert(1)) <svg onload=alert(1)> " + "x" * 300
)
FORMULA = "=cmd|'/c calc'!A1"
KEPT = {
    ("About", "corrects"), ("Logger", "time_unit"), ("Logger", "time_format"), ("Logger", "unit"),
    ("Logger", "split_by"), ("Declared", "unit"), ("Probe", "class"),
}  # fmt: skip
"""Fields that mean something to the kit: free text there is a fault, told before anything is made."""
MEANT = {
    "burn",
    "fuel",
    "bag",
    "day",
    "order",
    "cooker",
    "setting",
    "lit",
    "tipped",
    "lid_on",
    "stopped",
    "log",
    "excluded",
}
"""Columns of the burn sheet that mean something; every other one of text is free."""
OWN_COLUMNS = ("humidity note", "=column")
LOG = "=1+1 <img src=x> & 🔥 فحم.csv"


def tables(model=models.TrialFile):
    """Give each table of the trial file by its key, with whether it may stand several times."""
    for name, field in model.model_fields.items():
        for kind in (field.annotation, *get_args(field.annotation)):
            if isinstance(kind, type) and (issubclass(kind, BaseModel) or is_dataclass(kind)):
                yield field.alias or name, kind, kind is not field.annotation


def text_fields(kind):
    if is_dataclass(kind):
        free = [each.name for each in fields(kind) if each.type == models.Text and each.default == ""]
    else:
        of_model = kind.model_fields.items()
        free = [
            each.alias or name for name, each in of_model if each.annotation is str and each.default == ""
        ]
    return [name for name in free if (kind.__name__, name) not in KEPT]


@pytest.fixture
def hostile(singles):
    trial = tomllib.loads((singles / "trial.toml").read_text("utf-8"))
    filled = set()
    for key, kind, several in tables():
        for table in trial.get(key, []) if several else [trial.setdefault(key, {})]:
            for name in text_fields(kind):
                table[name] = BAD if name != "name" else f"{BAD[:90]} {len(filled)} {table['id']}"
                filled.add((key, name))
    assert {
        ("trial", "title"),
        ("trial", "operator"),
        ("trial", "stop_rule"),
        ("fuel", "name"),
        ("fuel", "shop"),
    } <= filled
    (singles / "trial.toml").write_text(tomli_w.dumps(trial), "utf-8")
    rows = list(csv.DictReader((singles / "burns.csv").read_text("utf-8").splitlines()))
    free = [column.name for column in schema.BURNS if column.kind == "text" and column.name not in MEANT]
    assert {"operator", "notes"} <= set(free)
    (singles / "logs" / rows[0]["log"]).rename(singles / "logs" / LOG)
    rows[0]["log"] = LOG
    for row in rows:
        row |= dict.fromkeys(free, f"{BAD}\u202egod\0") | dict.fromkeys(OWN_COLUMNS, FORMULA)
    written(singles / "burns.csv", rows)
    written(
        singles / "events.csv", side_sheet(schema.EVENTS, {"burn": rows[0]["burn"], "at": rows[0]["lid_on"]})
    )
    attribute = {"attribute": f"{BAD[:80]} smoke"}
    scores = [side_sheet(schema.SCORES, {"burn": row["burn"], "score": "4", **attribute}) for row in rows]
    written(singles / "scores.csv", [row for each in scores for row in each])
    with_hostile_heading(singles / "logs" / LOG)
    return singles


def side_sheet(table, meant):
    """Return a row of a side sheet in which every text that means nothing to the kit is hostile."""
    free = {column.name for column in table if column.kind == "text"} - set(meant) - {"event", "probes"}
    return [meant | dict.fromkeys(free, BAD) | ({"event": "other"} if "at" in meant else {})]


def written(path, rows):
    with path.open("w", encoding="utf-8", newline="") as handle:
        writer = csv.DictWriter(handle, list(rows[0]))
        writer.writeheader()
        writer.writerows(rows)


def with_hostile_heading(log):
    """Give a log one more column, of words, under a heading that would run."""
    note, heading, *rows = log.read_text("utf-8").splitlines()
    heading += f',"{BAD[:60].replace(chr(34), chr(39))}"'
    log.write_text("\n".join([note, heading, *(f"{row},fine" for row in rows)]) + "\n", "utf-8")


class Live(HTMLParser):
    """Gathers what would run or load."""

    def __init__(self):
        super().__init__()
        self.found = []

    def handle_starttag(self, tag, attributes):
        if tag in ("script", "img", "iframe", "object", "embed", "link"):
            self.found.append(tag)
        for name, value in attributes:
            if name.startswith("on") or (name in ("href", "src") and "javascript:" in str(value).lower()):
                self.found.append(f"{tag} {name}={value}")


def live(text):
    parser = Live()
    parser.feed(text)
    return parser.found


@pytest.mark.slow
def test_nothing_hostile_runs_or_loads_anywhere_in_a_report(hostile):
    folder = make_report(hostile).parent
    fuels = [row["fuel"] for row in csv.DictReader((hostile / "burns.csv").read_text("utf-8").splitlines())]
    pages = [folder / "report.html", make_report(hostile, "methods")]
    pages.append(make_report(hostile, "two_fuels", {"a": fuels[0], "b": fuels[1]}))
    for page in pages:
        assert live(page.read_text("utf-8")) == [], page
    assert live(write_index(hostile).read_text("utf-8")) == []
    for path in folder.rglob("*.csv"):
        with path.open(encoding="utf-8", newline="") as handle:
            cells = [cell for row in csv.reader(handle) for cell in row]
        assert not [cell for cell in cells if cell[:1] in ("=", "+", "@", "\t", "|", "%")], path
    for path in folder.rglob("*.md"):
        text = path.read_text("utf-8")
        assert (
            "<script" not in text and "<img" not in text and not re.search(r"(?<!\\)\]\(javascript", text)
        ), path
    for path in folder.rglob("*.svg"):
        names = {each.tag.rpartition("}")[2] for each in ElementTree.parse(path).iter()}
        assert not names & {"script", "image", "foreignObject", "a"}, path
    results = json.loads((folder / "results.json").read_text("utf-8"))
    assert results["trial"]["title"].startswith("<script>")
    assert f"logs/{LOG}" in [each["name"] for each in results["inputs"]]
    with zipfile.ZipFile(make_bundle(hostile, agreed=True).path) as archive:
        held = {name.partition("/")[2]: archive.read(name) for name in archive.namelist()}
    assert (
        f"logs/{LOG}" in held
        and json.loads(held["ro-crate-metadata.json"])
        and json.loads(held["datapackage.json"])
    )
    assert live(held["README.md"].decode()) == []

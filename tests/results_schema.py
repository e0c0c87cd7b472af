"""The JSON Schema of results.json, its tables written anew from `kit.schema`: python -m tests.results_schema."""

import json

from kit import schema
from kit.publish.write_outputs import TABLES
from kit.results_file import SCHEMA_FILE, schema_text

CURVES = {"mean": "mean_curves", "difference": "difference_curves"}
NEVER_BLANK = {"burns": ("burn",), "metrics": ("burn", "fuel", "metric")}
"""Columns that say what a row is of."""
LARGEST = 1e300  # beyond it a number is no measurement, and arithmetic on it none
KINDS = {
    "text": {"type": ["string", "null"]},
    "clock": {"type": ["string", "null"]},
    "number": {"type": ["number", "null"], "minimum": -LARGEST, "maximum": LARGEST},
    "count": {"type": ["integer", "null"], "minimum": -(2**53), "maximum": 2**53},
    "yes/no": {"type": ["boolean", "null"]},
}


def generated():
    """Return the shipped schema with every table as `kit.schema` has it: its columns, and what may not be blank."""
    whole = json.loads(schema_text())
    known = whole["properties"]
    known["schema"] = {"const": schema.RESULTS_SCHEMA}
    for key in ("burns", *TABLES):
        columns = (
            schema.BURNS if key == "burns" else schema.TABLES.get("flag_counts" if key == "flags" else key)
        )
        if columns and key not in ("excluded", "pairs"):
            known[key] = rows_of(key, columns)
    for key, name in CURVES.items():
        series = {each.name: {"type": "array", "items": KINDS[each.kind]} for each in schema.TABLES[name]}
        known["curves"]["properties"][key] = {"type": "object", "properties": series}
    return whole


def rows_of(key, columns):
    properties = {each.name: dict(KINDS[each.kind]) for each in columns}
    required = list(NEVER_BLANK.get(key, ()))
    properties |= {name: {"type": "string"} for name in required}
    if key == "metrics":
        properties["status"] = {"enum": list(schema.STATUSES)}
        required += ["status", "value"]
    items = {"type": "object", "properties": properties, "required": required}
    return {"type": "array", "items": items}


def text():
    return json.dumps(generated(), indent=1, ensure_ascii=False) + "\n"


if __name__ == "__main__":
    SCHEMA_FILE.write_text(text(), "utf-8")

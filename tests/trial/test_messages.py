"""What is said of faults stands in messages.toml, every word of it named by the code and none lacking."""

import ast
from pathlib import Path
from string import Formatter

import pytest

import kit
from kit.trial.decode import MESSAGES, fault, remedy_of

KIT = Path(kit.__file__).parent
SOURCES = [*(KIT / "trial").glob("*.py"), *(KIT / "readings").glob("*.py"), KIT / "start.py"]


def test_every_fault_is_named_in_the_code():
    code = "\n".join(path.read_text(encoding="utf-8") for path in SOURCES)
    made_up = {"no day", "no time"}  # named by what a column holds, or by the column
    made_up |= {"undeclared fuel", "undeclared setting", "unknown fuel", "unknown setting", "unknown cooker"}
    assert {name for name in MESSAGES["fault"] if f'"{name}"' not in code} == made_up
    assert all(len(words) == 3 for words in MESSAGES["fault"].values())


def _faults_named():
    """Yield the name of a fault where code says it, and the parts that stand beside it by name."""
    for path in SOURCES:
        for call in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(call, ast.Call) and all(each.arg for each in call.keywords):
                is_said = ast.unparse(call.func).rpartition(".")[2] in ("fault", "refuse", "ask")
                for word in call.args if is_said else ():
                    if isinstance(word, ast.Constant) and word.value in MESSAGES["fault"]:
                        yield word.value, {str(each.arg) for each in call.keywords}


def test_no_part_of_a_sentence_is_left_open():
    named = list(_faults_named())
    assert len(named) > 80
    for name, parts in named:
        fields = {field for words in MESSAGES["fault"][name] for _, field, _, _ in Formatter().parse(words)}
        assert {field.split(".")[0] for field in fields if field} <= parts, name


@pytest.mark.parametrize(
    ("kind", "text", "words"),
    [
        ("day", "46000", "day number it would be 2025-12-09"),
        ("day", "soon", "year-month-day, or leave it blank"),
        ("time", "10.30", "a colon: 10:30."),
        ("time", "24:00", "midnight as 00:00"),
        ("time", "10:30+02:00", "without a zone"),
        ("number", "#REF!", "mend its formula"),
        ("number", "400 lb", "without a unit, in g."),
        ("line", 'time above = "1"', "Mend the line"),
        ("line", "time:110 = 1", 'in quotes: "time:110" = …'),
        ("line", "price = 1,5", "Write price = 1.5, with a point."),
        ("line", "kind = lump", 'kind = "lump"'),
        ("line", 'vents = "C:\\new"', "each \\ twice"),
    ],
)
def test_what_to_do_is_told_by_the_text(kind, text, words):
    assert words in remedy_of(kind, text, on="2025-12-09", unit=", in g")


def test_a_brace_in_what_a_person_wrote_is_no_part():
    assert fault("burn twice", burn="'{x}'", row=3)[0] == "'{x}' a second time"

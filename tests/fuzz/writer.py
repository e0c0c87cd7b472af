"""Draws a table of readings and writes it in a mixture of dialects, and says what a reader must make of it."""

from __future__ import annotations

import random
from dataclasses import dataclass, field
from datetime import datetime, timedelta

import numpy as np

from kit.trial.models import Cleaning

DECIMAL_MARKS = {",": ".", ";": ".,", "\t": ".,", "|": ".,", " ": ".,"}
MISSING = (
    "",
    "NaN",
    "---",
    "NULL",
    "ERR",
    "OL",
    "n/a",
    "nan",
    "-9999",
    "+++++",
    "NA",
    "--",
    "#N/A",
    "null",
    "OVER",
)
NAMES = (
    "Grate",
    "Lid",
    "Pit",
    "Upper TC",
    "Probe 1",
    "T1",
    "TC left",
    "Core",
    "Fühler",
    "Sonde",
    "Kanal",
    "Température",
    "Channel",
    "Sensor",
)
UNIT_STYLES = {
    "degC": (
        " (°C)",
        " [°C]",
        ", °C",
        " °C",
        "_C",
        " (C)",
        " degC",
        " [degC]",
        " (deg C)",
        " Celsius",
        "_degC",
        " (℃)",
    ),
    "degF": (" (°F)", " [°F]", ", °F", " °F", "_F", " (F)", " degF", " Fahrenheit"),
    "K": (" [K]", " (K)", ", K", " kelvin", " (Kelvin)"),
}
UNIT_CELLS = {
    "degC": ("°C", "C", "[°C]", "Deg C", "degC", "(C)"),
    "degF": ("°F", "F", "[°F]", "Deg F"),
    "K": ("K", "[K]", "(K)"),
}
GLUED = {"degC": ("C", " C", "°C", " °C"), "degF": ("F", " F", "°F", " °F"), "K": ("K", " K")}
PREAMBLE = (
    "Bench export",
    "Serial{d}8812-77",
    "Device{d}logger{d}4 channels",
    "Operator: R. Vale",
    "Title{d}evening burn",
    "Firmware 3.2.1",
    "Channels{d}3",
    "Comment{d}",
    "",
    "Record title: bench 3",
    "Battery{d}12.4{d}V",
    "Notes{d}first trial, windy",
    "Version{d}2",
    "Record{d}17{d}{d}",
)
FOOTER = (
    "End of report",
    "Maximum{d}{x}{d}{x}",
    "",
    "Average{d}{x}",
    "# end",
    "Total rows{d}44",
    "3 records",
)
MONTHS = ["Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec"]


@dataclass
class Written:
    """A file, and what must be read from it.

    Attributes
    ----------
    data
        The bytes of the file.
    elapsed, celsius
        What must come out: seconds, and probes × rows in °C with NaN where no reading stands.
    answers
        What a tester would answer, by [[logger]] key.
    doubtful
        The keys that may rightly be asked for.
    what
        The dialect in words, for a failure's report.
    """

    data: bytes
    elapsed: np.ndarray
    celsius: np.ndarray
    answers: dict[str, object] = field(default_factory=dict)
    doubtful: set[str] = field(default_factory=set)
    what: dict[str, object] = field(default_factory=dict)


class Draw:
    """One random dialect, drawn choice by choice."""

    def __init__(self, seed: int) -> None:
        self.rng = random.Random(seed)
        self.what: dict[str, object] = {"seed": seed}
        self.answers: dict[str, object] = {}
        self.doubtful: set[str] = set()

    def pick(self, name: str, choices, weights=None):
        value = self.rng.choices(list(choices), weights=weights)[0]
        self.what[name] = value
        return value

    def often(self, name: str, chance: float) -> bool:
        value = self.rng.random() < chance
        self.what[name] = value
        return value


def write(seed: int) -> Written:
    """Return a random table written in a random dialect."""
    draw = Draw(seed)
    rows = draw.pick("rows", (3, 6, 12, 25, 40, 90, 300), (1, 1, 3, 4, 4, 3, 1))
    probes = draw.pick("probes", (1, 2, 3, 5))
    step = draw.pick("step", (0.5, 1, 2, 5, 10, 20, 30, 60, 300))
    delimiter = draw.pick("delimiter", (",", ";", "\t", "|", " "), (6, 4, 3, 1, 1))
    decimal = draw.pick("decimal", DECIMAL_MARKS[delimiter], None)
    quote = draw.pick("quote", ("none", "all", "text"), (6, 1, 1)) if delimiter != " " else "none"
    seconds = times(draw, rows, step)
    unit, shown = unit_of(draw, delimiter)
    curves = curves_of(draw, rows, probes, seconds, unit)
    digits = draw.pick("digits", (0, 1, 2, 3), (1, 4, 2, 1))
    cells, values = number_cells(draw, curves, digits, decimal, delimiter, quote, unit, shown)
    time = time_columns(draw, seconds, step, delimiter, decimal, quote)
    celsius = to_celsius(values, unit)
    if {"decimal"} & draw.doubtful and decimal == "." and delimiter == ",":
        draw.doubtful.discard("decimal")
    if time.names and probes > 1 and shown != "cells" and draw.often("long form", 0.08):
        table, names, units, celsius = long_form(draw, time, cells, celsius, unit, shown, delimiter)
    else:
        table, names, units = laid_out(draw, time, cells, unit, shown, delimiter, rows)
    text = text_of(draw, table, names, units, delimiter, quote, time)
    return Written(encoded(draw, text), time.expected, celsius, draw.answers, draw.doubtful, draw.what)


def times(draw: Draw, rows: int, step: float) -> np.ndarray:
    seconds = np.arange(rows) * step
    if step >= 2 and draw.often("jitter", 0.15):
        seconds = seconds + np.array([draw.rng.choice((0, 0, 0, 1)) for _ in range(rows)])
    if rows > 20 and draw.often("gap", 0.1):
        seconds[rows // 2 :] += step * draw.rng.choice((3, 40))
    return seconds


def unit_of(draw: Draw, delimiter: str) -> tuple[str, str]:
    unit = draw.pick("unit", ("degC", "degF", "K"), (6, 3, 2))
    shown = draw.pick("unit shown", ("heading", "units row", "glued", "cells", "not"), (8, 3, 1, 1, 2))
    if shown == "glued" and delimiter == " ":
        shown = "heading"
    if shown == "cells" and delimiter == " ":
        shown = "heading"
    draw.what["unit shown"] = shown
    if shown == "not":
        draw.doubtful.add("unit")
        draw.answers["unit"] = unit
    return unit, shown


def curves_of(draw: Draw, rows: int, probes: int, seconds: np.ndarray, unit: str) -> np.ndarray:
    """Return burn-like curves in the file's unit."""
    rng = np.random.default_rng(draw.rng.randrange(1 << 30))
    x = np.linspace(0, 1, rows)
    out = []
    for _ in range(probes):
        ambient, peak = rng.uniform(5, 30), rng.uniform(80, 900)
        shape = (1 - np.exp(-x * rng.uniform(3, 15))) * np.exp(-x * rng.uniform(0, 2))
        celsius = (
            ambient
            + (peak - ambient) * shape / shape.max()
            + rng.normal(0, rng.choice([0.02, 0.3, 2.0]), rows)
        )
        out.append(celsius)
    celsius = np.array(out)
    return celsius * 1.8 + 32 if unit == "degF" else celsius + 273.15 if unit == "K" else celsius


def to_celsius(values: np.ndarray, unit: str) -> np.ndarray:
    return (values - 32) / 1.8 if unit == "degF" else values - 273.15 if unit == "K" else values


def number_cells(draw, curves, digits, decimal, delimiter, quote, unit, shown):
    """Return the cells of each probe as text, and the numbers they say."""
    thousands = ""
    if draw.often("thousands", 0.08) and digits and (delimiter not in (" ",)):
        thousands = "." if decimal == "," else ","
        if thousands == delimiter and quote == "none":
            thousands = "'"
    sign = (
        draw.pick("sign", ("plain", "plus", "padded", "right"), (12, 1, 1, 2))
        if delimiter != " "
        else "plain"
    )
    glue = draw.rng.choice(GLUED[unit]) if shown == "glued" else ""
    mark = draw.pick("missing", MISSING)
    if delimiter == " " and mark == "":
        mark = "NaN"
    share = draw.pick("missing share", (0.0, 0.05, 0.3), (3, 3, 1))
    values = np.round(curves, digits)
    # beside a gap nobody can tell an honest 1372 from an open circuit: the kit masks it and says so
    values[np.isin(values, Cleaning().sentinels)] += 10.0**-digits
    cells = [[number_text(value, digits, decimal, thousands, sign) + glue for value in row] for row in values]
    trim = digits and draw.often("trailing zeros dropped", 0.1)
    if trim:
        cells = [
            [dropped(cell, decimal) if not glue and sign == "plain" else cell for cell in row]
            for row in cells
        ]
    for probe, row in enumerate(cells):
        for place in range(len(row)):
            if draw.rng.random() < share and (place > 1):
                row[place], values[probe, place] = mark, np.nan
    doubt_decimal(draw, cells, decimal, delimiter, glue)
    return cells, values


def number_text(value: float, digits: int, decimal: str, thousands: str, sign: str) -> str:
    text = f"{value:,.{digits}f}".replace(",", "\0").replace(".", decimal).replace("\0", thousands)
    if sign == "plus":
        return text if text.startswith("-") else f"+{text}"
    if sign == "padded":
        return f"- {text[1:]:>6}" if text.startswith("-") else f"+ {text:>6}"
    return f"{text:>8}" if sign == "right" else text


def dropped(cell: str, decimal: str) -> str:
    return cell.rstrip("0").rstrip(decimal) if decimal in cell else cell


def doubt_decimal(draw, cells, decimal, delimiter, glue) -> None:
    """Allow the question for the decimal mark where every mark stands before exactly three digits."""
    marked = [cell.strip(" +-" + glue) for row in cells for cell in row]
    marked = [cell for cell in marked if cell and cell[0].isdigit() and ("," in cell or "." in cell)]
    if all(
        len(cell) - max(cell.rfind("."), cell.rfind(",")) - 1 == 3 and cell.count(".") + cell.count(",") == 1
        for cell in marked
    ):
        draw.doubtful.add("decimal")
    draw.answers["decimal"] = decimal


@dataclass
class Time:
    """The columns that hold the time: names, cells, expected seconds, and whether it is a clock."""

    names: list[str]
    columns: list[list[str]]
    expected: np.ndarray
    units: list[str]
    preamble: list[str] = field(default_factory=list)


def time_columns(
    draw: Draw, seconds: np.ndarray, step: float, delimiter: str, decimal: str, quote: str
) -> Time:
    style = draw.pick(
        "time",
        (
            "iso",
            "isoT",
            "offset",
            "dmy",
            "mdy",
            "mdy2",
            "ymd/",
            "named",
            "split",
            "parts",
            "unix",
            "unix ms",
            "day number",
            "seconds",
            "minutes",
            "h:mm:ss",
            "clock",
            "ms column",
            "ampm",
            "ampm2",
            "dots",
            "time first",
            "no time",
            "hm",
            "compact",
            "fraction",
            "no leading zero",
            "a. m.",
            "points",
            "points split",
            "millis",
        ),
        (5, 3, 2, 3, 3, 3, 2, 1, 3, 2, 1, 1, 2, 4, 2, 2, 1, 2, 2, 3, 3, 1, 1, 1, 1, 1, 2, 2, 1, 1, 1),
    )
    if delimiter == " " and style in ("named", "time first", "no time", "a. m.", "points", "points split"):
        style = draw.what["time"] = "iso"
    if step % 60 and style == "hm":
        style = draw.what["time"] = "dmy"
    whole = style not in (
        "fraction",
        "millis",
        "seconds",
        "minutes",
        "ms column",
        "unix ms",
        "unix",
        "day number",
        "no time",
    )
    if whole and (seconds != np.floor(seconds)).any():
        seconds = np.floor(seconds * 2)
    start = datetime(
        draw.rng.randint(2018, 2026),
        draw.rng.randint(1, 10),
        draw.rng.randint(1, 28),
        draw.rng.randint(0, 23),
        draw.rng.randint(0, 59),
        draw.rng.randint(0, 59),
    )
    if style == "hm":
        start = start.replace(second=0)
        seconds = np.round(seconds / 60) * 60
        seconds = np.arange(len(seconds)) * max(60.0, np.median(np.diff(seconds)))
    stamps = [start + timedelta(seconds=float(second)) for second in seconds]
    return written_times(draw, style, seconds, stamps, step, delimiter, decimal)


def doubt_order(draw: Draw, stamps: list[datetime], first: str, short: bool) -> None:
    """Allow the question for the order of a date where no day is above 12."""
    if all(stamp.day <= 12 for stamp in stamps):
        draw.doubtful.add("day_first")
    draw.answers["day_first"] = first == "d"


def written_times(draw, style, seconds, stamps, step, delimiter, decimal) -> Time:
    relative = seconds - seconds[0]

    def one(name, cells, expected=relative, unit=""):
        return Time([name], [cells], expected, [unit])

    stamp_name = draw.rng.choice(
        ("Time", "Timestamp", "Date_Time", "Stamp", "Datum/Uhrzeit", "horodatage", "When")
    )
    formats = {
        "iso": "%Y-%m-%d %H:%M:%S",
        "isoT": "%Y-%m-%dT%H:%M:%S",
        "ymd/": "%Y/%m/%d %H:%M:%S",
        "named": "%d-%b-%Y %H:%M:%S",
        "dots": "%d.%m.%Y %H:%M:%S",
        "compact": "%Y%m%d%H%M%S",
    }
    if style in formats:
        return one(stamp_name, [stamp.strftime(formats[style]) for stamp in stamps])
    if style == "offset":
        mark = draw.rng.choice(("Z", "+02:00", "-0500", "+00:00"))
        return one(stamp_name, [stamp.strftime("%Y-%m-%dT%H:%M:%S") + mark for stamp in stamps])
    if style == "fraction":
        return one(stamp_name, [stamp.strftime("%Y-%m-%d %H:%M:%S.%f")[:-3] for stamp in stamps])
    if style in ("dmy", "hm"):
        doubt_order(draw, stamps, "d", False)
        return one(
            stamp_name,
            [stamp.strftime("%d/%m/%Y %H:%M:%S" if style == "dmy" else "%d/%m/%Y %H:%M") for stamp in stamps],
        )
    if style in ("mdy", "mdy2", "ampm", "ampm2"):
        doubt_order(draw, stamps, "m", style.endswith("2"))
        clock = "%I:%M:%S %p" if style.startswith("ampm") else "%H:%M:%S"
        text = [stamp.strftime(f"%m/%d/%{'y' if style.endswith('2') else 'Y'} {clock}") for stamp in stamps]
        if draw.often("unpadded", 0.4):
            text = [
                f"{stamp.month}/{stamp.day}/{cell.split('/')[2]}"
                for stamp, cell in zip(stamps, text, strict=True)
            ]
        return one(stamp_name, text)
    if style == "no leading zero":
        return one(stamp_name, [f"{s:%Y-%m-%d} {s.hour}:{s.minute}:{s.second}.0" for s in stamps])
    if style == "a. m.":
        doubt_order(draw, stamps, "d", False)
        firm = draw.rng.choice((" ", "\u00a0"))
        halves = ["a" if s.hour < 12 else "p" for s in stamps]
        return one(
            "Hora",
            [f"{s:%d/%m/%Y %I:%M:%S}{firm}{half}.{firm}m." for s, half in zip(stamps, halves, strict=True)],
        )
    if style == "points":
        return one("Zeitpunkt", [stamp.strftime("%d.%m.%y %H.%M.%S") for stamp in stamps])
    if style == "points split":
        cells = [[s.strftime("%d.%m.%y") for s in stamps], [s.strftime("%H.%M.%S") for s in stamps]]
        return Time(["Datum", "Uhrzeit"], cells, relative, ["", ""])
    if style == "time first":
        doubt_order(draw, stamps, "m", True)
        return one(stamp_name, [stamp.strftime("%H:%M:%S %m/%d/%y") for stamp in stamps])
    if style == "split":
        first = draw.rng.choice("dmy.")
        if first in "dm":
            doubt_order(draw, stamps, first, False)
        date = {"d": "%d/%m/%Y", "m": "%m/%d/%Y", "y": "%Y-%m-%d", ".": "%d.%m.%Y"}[first]
        names = draw.rng.choice((["Date", "Time"], ["Datum", "Uhrzeit"], ["Day", "Clock"]))
        return Time(
            names,
            [[s.strftime(date) for s in stamps], [s.strftime("%H:%M:%S") for s in stamps]],
            relative,
            ["", ""],
        )
    if style == "parts":
        names = ["Year", "Month", "Day", "Hour", "Minute", "Second"]
        return Time(
            names, [[str(getattr(s, name.lower())) for s in stamps] for name in names], relative, [""] * 6
        )
    return numeric_times(draw, style, seconds, stamps, step, decimal, one)


def numeric_times(draw, style, seconds, stamps, step, decimal, one) -> Time:
    relative = seconds - seconds[0]
    origin = datetime(1970, 1, 1)
    if style in ("unix", "unix ms"):
        scale = 1000 if style == "unix ms" else 1
        name = draw.rng.choice(("Time", "epoch", "timestamp", "Unix time"))
        values = [(s - origin).total_seconds() * scale for s in stamps]
        return one(name, [f"{v:.1f}".replace(".", decimal) if scale == 1 else f"{v:.0f}" for v in values])
    if style == "day number":
        values = [(s - datetime(1899, 12, 30)).total_seconds() / 86400 for s in stamps]
        return one("Date_Time", [f"{v:.8f}".replace(".", decimal) for v in values])
    if style in ("seconds", "minutes"):
        begin = draw.rng.choice((0, 0, 0, -30, 12))
        values = relative + begin
        if style == "minutes":
            cells = [f"{v / 60:.4f}".replace(".", decimal) for v in values]
            return one("Time", cells, values, "min")
        cells = [
            f"{v:.3f}".replace(".", decimal)
            if step < 1 or draw.what["rows"] == 12
            else f"{v:g}".replace(".", decimal)
            for v in values
        ]
        return one(draw.rng.choice(("Time", "t", "Elapsed", "Zeit")), cells, values, "s")
    if style == "millis":
        name = draw.rng.choice(("ms", "millis", "ms since start", "Time (ms)"))
        return one(name, [f"{v * 1000:.0f}" for v in relative], np.round(relative * 1000) / 1000)
    if style == "h:mm:ss":
        cells = [f"{int(v) // 3600}:{int(v) // 60 % 60:02d}:{int(v) % 60:02d}" for v in relative]
        return one("Elapsed", cells, relative)
    if style == "clock":
        return one("Uhrzeit", [s.strftime("%H:%M:%S") for s in stamps])
    if style == "ms column":
        cells = [s.strftime("%Y-%m-%d %H:%M:%S") for s in stamps]
        return Time(
            ["Stamp", "msec"], [cells, [str(s.microsecond // 1000) for s in stamps]], relative, ["", ""]
        )
    expected = np.arange(len(seconds)) * float(step)
    draw.answers["step_s"] = float(step)
    if draw.often("step stated", 0.5):
        return Time([], [], expected, [], [f"Interval{{d}}{str(step).replace('.', decimal)} s"])
    draw.doubtful.add("step_s")
    return Time([], [], expected, [])


def laid_out(draw, time, cells, unit, shown, delimiter, rows):
    """Return all columns of text, their names and their units."""
    rng = draw.rng
    base = rng.choice(NAMES)
    styles = UNIT_STYLES[unit]
    suffix = rng.choice(styles) if shown == "heading" else ""
    same = draw.often("numbered names", 0.5)
    picked = rng.sample(NAMES, len(cells))
    names = [f"{base} {k + 1}{suffix}" if same else f"{picked[k]}{suffix}" for k in range(len(cells))]
    header = draw.pick("header", ("names", "none", "comment"), (10, 1, 1))
    if (
        shown in ("heading", "units row")
        or time.units != [""] * len(time.units)
        or "msec" in time.names
        or time.names[:1] == ["Year"]
    ):
        header = "names" if header == "none" else header
    if draw.what["time"] in ("millis", "points split") or (
        time.names[:1] in (["Elapsed"], ["Uhrzeit"], ["Date_Time"]) and header == "none"
    ):
        header = "names"
    draw.what["header"] = header
    columns = [
        (name, column, unit_cell)
        for name, column, unit_cell in zip(time.names, time.columns, time.units, strict=True)
    ]
    body = []
    for name, column in zip(names, cells, strict=True):
        body.append((name, column, rng.choice(UNIT_CELLS[unit]) if shown == "units row" else ""))
        if shown == "cells":
            mark = {"degC": "°C", "degF": "°F", "K": "K"}[unit]
            body.append(("", [mark] * rows, ""))
    columns = columns + body if not draw.often("time last", 0.1) or header == "none" else body + columns
    if header != "none":
        columns = with_extras(draw, columns, cells, rows, delimiter)
    table = [column for _, column, _ in columns]
    heads = [name for name, _, _ in columns]
    unit_row = [cell for _, _, cell in columns]
    if delimiter == " ":
        heads = [head.replace(" ", "_") or "_" for head in heads]
    return table, heads, unit_row


def long_form(draw, time, cells, celsius, unit, shown, delimiter):
    """Return a row a probe, told apart by a column of names."""
    rng = draw.rng
    draw.what["header"] = "names"
    probes = [f"P{k + 1}" for k in range(len(cells))]
    columns = [[cell for cell in column for _ in probes] for column in time.columns]
    columns.append([probe for _ in cells[0] for probe in probes])
    columns.append([row[k] for k in range(len(cells[0])) for row in cells])
    suffix = rng.choice(UNIT_STYLES[unit]) if shown == "heading" else ""
    names = [*time.names, rng.choice(("Sensor", "Channel", "Probe", "Kanal")), f"Temperature{suffix}"]
    units = [*time.units, "", rng.choice(UNIT_CELLS[unit]) if shown == "units row" else ""]
    if delimiter == " ":
        names = [name.replace(" ", "_") for name in names]
    return columns, names, units, celsius


def with_extras(draw, columns, readings, rows, delimiter):
    rng = draw.rng
    if draw.often("index", 0.2):
        columns = [
            (rng.choice(("No.", "#", "Index", "Record")), [str(k + 1) for k in range(rows)], ""),
            *columns,
        ]
    if draw.often("humidity", 0.15):
        columns = [*columns, ("Humidity (%RH)", [str(rng.randint(20, 90)) for _ in range(rows)], "%")]
    clocked = draw.what["time"] in ("iso", "isoT", "dmy", "mdy", "ymd/", "dots", "no leading zero", "points")
    if rows >= 12 and clocked and draw.often("no probe", 0.25):
        numbers = {
            "Setpoint": [str(120 + k // 9) for k in range(rows)],
            "Box": ["7"] * rows,
            "HF (kW/m2)": [str(k % 2) for k in range(rows)],
            "Zeile": [str(k + 1) for k in range(rows)],
            "Target": ["110"] * rows,
        }
        name = rng.choice(list(numbers))
        draw.what["no probe"] = name
        columns = (
            [(name, numbers[name], ""), *columns]
            if rng.random() < 0.5
            else [*columns, (name, numbers[name], "")]
        )
    if draw.often("voltage", 0.1):
        columns = [*columns, ("Supply (V)", [str(rng.randint(11, 14)) for _ in range(rows)], "V")]
    if delimiter != " " and draw.often("remark", 0.15):
        blank = [all(not column[k].strip() for column in readings) for k in range(rows)]
        words = [
            rng.choice(("lid open", "stirred", "wind")) if rng.random() < 0.1 and not blank[k] else ""
            for k in range(rows)
        ]
        columns = [*columns, ("Remark", words, "")]
    return columns


def text_of(draw, table, names, units, delimiter, quote, time) -> str:
    rng = draw.rng
    header = draw.what["header"]
    rows = list(zip(*table, strict=True))
    lines: list[str] = []
    count = draw.pick("preamble", (0, 1, 2, 5), (5, 2, 2, 1))
    if delimiter == " ":
        count = min(count, 1)
    chosen = [rng.choice(PREAMBLE).replace("{d}", delimiter) for _ in range(count)]
    lines += chosen + [line.replace("{d}", delimiter if delimiter != " " else ": ") for line in time.preamble]
    trailing = delimiter if delimiter not in (" ",) and draw.often("trailing delimiter", 0.1) else ""

    def line(cells) -> str:
        marked = [quoted(cell, delimiter, quote) for cell in cells]
        blank = " " if delimiter in ",;|" and draw.what.get("blank after") else ""
        return (delimiter + blank).join(marked) + trailing

    draw.often("blank after", 0.1) if quote == "none" else None
    draw.what.setdefault("blank after", False)
    shown_units = draw.what["unit shown"] == "units row"
    heads = list(names)
    if not shown_units:
        heads = [
            f"{name} [{unit}]" if unit in ("s", "min") else name
            for name, unit in zip(heads, units, strict=True)
        ]
        if delimiter == " ":
            heads = [head.replace(" ", "_") for head in heads]
    if header != "none":
        name_line = ("# " if header == "comment" else "") + line(heads)
        unit_line = ("# " if header == "comment" else "") + line(units_row(units, delimiter))
        above = draw.often("units above", 0.4)
        both = ([unit_line, name_line] if above else [name_line, unit_line]) if shown_units else [name_line]
        lines += both
        own = random.Random(f"below the names {draw.what['seed']}")  # the other draws stay as they were
        below = own.choices(("nothing", "rulers", "a statistic"), (12, 1, 1))[0]
        draw.what["below the names"] = below if header == "names" and delimiter != " " else "nothing"
        if draw.what["below the names"] == "rulers":
            lines += [line([sign * 4] * len(heads)) for sign in own.choice(("-", "=", "-="))]
        elif draw.what["below the names"] == "a statistic" and names[0] in time.names:
            lines += [line([own.choice(("Max", "Avg", "mean")), *["99"] * (len(heads) - 1)])]
    lines += [line(row) for row in rows]
    feet = [
        rng.choice(FOOTER).replace("{d}", delimiter).replace("{x}", "12")
        for _ in range(draw.pick("footer", (0, 1, 3), (7, 1, 1)))
    ]
    if delimiter == " " or not time.names:
        feet = []
    lines += feet
    end = draw.pick("line end", ("\n", "\r\n", "\r"), (5, 4, 1))
    text = end.join(lines)
    return text if draw.often("open end", 0.1) else text + end


def units_row(units, delimiter):
    if delimiter == " ":
        return [unit.replace(" ", "") or "-" for unit in units]
    return units


def quoted(cell: str, delimiter: str, quote: str) -> str:
    text = quote == "text" and not cell.replace(".", "").replace(",", "").replace("-", "").strip().isdigit()
    if quote == "all" or text or (delimiter in cell and delimiter != " ") or '"' in cell:
        return '"' + cell.replace('"', '""') + '"'
    return cell


def encoded(draw: Draw, text: str) -> bytes:
    names = ["utf-8", "utf-8-sig", "cp1252", "mac_roman", "utf-16", "utf-16-le", "cp437"]
    encoding = draw.pick("encoding", names, (8, 3, 3, 1, 1, 1, 1))
    try:
        data = text.encode(encoding)
    except UnicodeEncodeError:
        draw.what["encoding"] = "utf-8"
        return text.encode()
    if text.isascii() and encoding in ("mac_roman", "cp437"):
        draw.what["encoding"] = "ascii"
    return data + (b"\0" * 64 if encoding == "utf-8" and draw.often("NUL tail", 0.05) else b"")

"""Bends and breaks log files and feeds them to the reader: nothing but the kit's own error may come of it."""

from __future__ import annotations

import json
import random
import resource
import tempfile
import time
import warnings
from collections import Counter
from collections.abc import Sequence
from pathlib import Path

from kit.errors import KitError
from kit.readings import read_log
from tests.fuzz.writer import write

HANG_S = 5.0
SPARE_BYTES = 200 << 20
TOKENS = (
    b",",
    b";",
    b"\t",
    b"|",
    b'"',
    b'""',
    b"\n",
    b"\r",
    b"\r\n",
    b"\0",
    b"\xff\xfe",
    b"\xef\xbb\xbf",
    b"\x1a",
    b"NaN",
    b"---",
    b"1e999",
    b"-",
    b"+",
    b".",
    b":",
    b"/",
    b"#",
    b"inf",
    b"9" * 30,
    b"0" * 20,
    b"\xb0C",
    b"\xc2\xb0C",
    b"2026-13-45 99:99:99",
    b"29/02/2025",
    b"AM",
    b"PM",
    b"24:00:00",
    b"Z",
    b"+99:99",
    b"\xf0\x9f\x94\xa5",
    b"1,234",
    b"1.234,5",
    b"=1+1",
    b"C",
    b"F",
    b"K",
    b"  ",
    b"Time",
    b"s",
    b"\x80\x81",
    b"31/12/1969 23:59:59",
    b"00:00",
    b"99999-01-01",
    b"\xe2\x84\x83",
    b"ms",
    b"00000000000000",
    b"20261345999999",
    b"12:60:60",
    b"(",
    b"[",
    b"%",
)
DECLARED: tuple[dict[str, object], ...] = (
    {},
    {},
    {},
    {"unit": "degC"},
    {"unit": "degF", "step_s": 10},
    {"day_first": True, "unit": "degC"},
    {"clock_change": "dst"},
    {"clock_change": "restart"},
    {"decimal": ",", "unit": "degC"},
    {"header_row": 0, "unit": "degC", "time_unit": "s"},
    {"timezone": "Europe/Berlin"},
    {"unit_per_row": True},
    {"time_format": "%d/%m/%Y %H:%M:%S"},
    {"delimiter": ";"},
    {"split_by": "ID", "step_s": 5.0, "unit": "K"},
    {"time_column": "Time", "unit": "degC"},
    {"columns": {"a": "T1"}, "unit": "degC"},
    {"encoding": "cp1252"},
    {"header_row": 1},
)


def seeds(real: Path | None) -> list[bytes]:
    """Return the files to start from: the dialects, written ones, and the beginnings of real logs."""
    found = [
        path.read_bytes()
        for path in sorted((Path(__file__).parents[1] / "dialects").iterdir())
        if path.suffix in (".csv", ".txt")
    ]
    found += [write(seed).data for seed in range(60)]
    if real is not None:
        found += [
            path.read_bytes()[:20_000]
            for path in sorted(real.rglob("*"))
            if path.is_file() and path.suffix in (".csv", ".txt", ".dat", ".log")
        ]
    return found


def mutated(data: bytes, others: Sequence[bytes], rng: random.Random) -> bytes:
    """Return a file changed in one to six places."""
    for _ in range(rng.choice((1, 1, 2, 3, 6))):
        data = rng.choice(CHANGES)(data, others, rng)
    return data[:60_000]


def _flip(data, others, rng):
    if not data:
        return data
    place = rng.randrange(len(data))
    return data[:place] + bytes([rng.randrange(256)]) + data[place + 1 :]


def _insert(data, others, rng):
    place = rng.randrange(len(data) + 1)
    return data[:place] + rng.choice(TOKENS) + data[place:]


def _cut_out(data, others, rng):
    first = rng.randrange(len(data) + 1)
    return data[:first] + data[first + rng.choice((1, 2, 5, 40, 400)) :]


def _truncate(data, others, rng):
    return data[: rng.randrange(len(data) + 1)]


def _double(data, others, rng):
    first = rng.randrange(len(data) + 1)
    part = data[first : first + rng.choice((1, 8, 60, 300, 2000))]
    return data[:first] + part * rng.choice((2, 2, 3, 20)) + data[first + len(part) :]


def _lines(data, others, rng):
    lines = data.split(b"\n")
    if len(lines) < 3:
        return data
    a, b = rng.randrange(len(lines)), rng.randrange(len(lines))
    if rng.random() < 0.5:
        lines[a], lines[b] = lines[b], lines[a]
    else:
        lines.insert(a, lines[b])
    return b"\n".join(lines)


def _splice(data, others, rng):
    other = rng.choice(others)
    return data[: rng.randrange(len(data) + 1)] + other[rng.randrange(len(other) + 1) :]


def _replace(data, others, rng):
    old, new = rng.choice(TOKENS[:20]), rng.choice(TOKENS)
    return data.replace(old, new, rng.choice((1, 3, -1)))


def _columns(data, others, rng):
    mark = rng.choice((b",", b";", b"\t"))
    lines = data.split(b"\n")
    place = rng.randrange(6)
    for k, line in enumerate(lines):
        cells = line.split(mark)
        if place < len(cells):
            lines[k] = mark.join(
                [*cells[:place], rng.choice((b"", b"x", b"1", cells[place])), *cells[place + 1 :]]
            )
    return b"\n".join(lines)


def _recode(data, others, rng):
    text = data.decode("latin-1")
    return text.encode(rng.choice(("utf-16", "utf-8", "utf-16-be", "utf-32")))


CHANGES = (
    _flip,
    _flip,
    _insert,
    _insert,
    _cut_out,
    _truncate,
    _double,
    _lines,
    _splice,
    _replace,
    _columns,
    _recode,
)


def run(count: int, first: int = 0, real: Path | None = None, shown: int = 10) -> Counter[str]:
    """Read many broken files; count what came of them, and print the first that went wrong."""
    start = seeds(real)
    counts: Counter[str] = Counter()
    worst = 0.0
    base = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * 1024
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "log.csv"
        for number in range(first, first + count):
            rng = random.Random(number)
            data = mutated(rng.choice(start), start, rng)
            declared = rng.choice(DECLARED)
            path.write_bytes(data)
            began = time.process_time()
            what, words = _one(path, declared)
            took = time.process_time() - began
            worst = max(worst, took)
            counts[what] += 1
            if took > HANG_S:
                counts["HUNG"] += 1
                what, words = "HUNG", f"{took:.1f} s"
            if what in ("CRASHED", "HUNG", "BROKEN PROMISE") and counts[what] <= shown:
                kept = Path(tempfile.gettempdir()) / f"fuzz-{what.split()[0].lower()}-{number}.csv"
                kept.write_bytes(data)
                print(
                    f"{what}: {number}: {words}; declared {json.dumps(declared, default=str)}; kept as "
                    f"{kept}",
                    flush=True,
                )
    grown = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * 1024 - base
    counts["TOO MUCH MEMORY"] += int(grown > SPARE_BYTES + 3 * 60_000)
    print(f"slowest {worst:.2f} s of processor time; memory grown by {grown / 2**20:.0f} MiB", flush=True)
    return counts


def _one(path: Path, declared: dict[str, object]) -> tuple[str, str]:
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("error")
            log = read_log(path, declared)
    except KitError as error:
        if any(not all((p.where, p.found, p.expected, p.remedy)) for p in error.problems):
            return "BROKEN PROMISE", f"a problem without words: {error.problems}"
        return "refused or asked", ""
    except Exception as error:
        import traceback

        return (
            "CRASHED",
            f"{type(error).__name__}: {error} at {traceback.extract_tb(error.__traceback__)[-1]}",
        )
    table = log.table
    whole = (
        len(table)
        and table.shape[1] > 2
        and bool(table["elapsed_s"].notna().all())
        and len(log.lines) == len(table)
    )
    return ("read", "") if whole else ("BROKEN PROMISE", f"a table of shape {table.shape}")

"""Exports as loggers of several makes of writing leave them, of burns whose truth is known."""

from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path

import numpy as np

AIR_C = 18.0


@dataclass(frozen=True)
class Truth:
    """What was done in one burn: fuel, bag, when it was lit, when the cooker was within 10 K of the air again."""

    fuel: str
    bag: str
    lit: datetime
    cold: datetime
    file: str


def one_fire(seconds, peak_c, rise_s=900.0, fall_s=1500.0):
    """A fire lit at 0: a rise to its peak and a fall to the air."""
    t = np.clip(seconds, 0, None)
    shape = (1 - np.exp(-t / rise_s)) ** 2 * np.exp(-t / fall_s)
    ideal = np.arange(0, 20_000, 5.0)
    top = ((1 - np.exp(-ideal / rise_s)) ** 2 * np.exp(-ideal / fall_s)).max()
    return (peak_c - AIR_C) * shape / top


def day_of_fires(start, lit, peaks, step_s, hours, seed):
    """Clock times and temperatures at grate and lid of a day with several fires; beside them when each was cold."""
    rng = np.random.default_rng(seed)
    seconds = np.arange(0, hours * 3600, step_s)
    rise, cold = np.zeros(len(seconds)), []
    for moment, peak in zip(lit, peaks, strict=True):
        own = one_fire(seconds - (moment - start).total_seconds(), peak)
        rise += own
        top = int(np.argmax(own))
        cold.append(start + timedelta(seconds=float(seconds[top + int(np.flatnonzero(own[top:] <= 10)[0])])))
    noise = rng.normal(0, 0.4, len(seconds))
    stamps = [start + timedelta(seconds=float(each)) for each in seconds]
    return stamps, AIR_C + rise + noise, AIR_C + 0.7 * rise - noise, cold


def comma(value):
    return f"{value:.1f}".replace(".", ",")


def day_files(folder: Path) -> list[Truth]:
    """Four files of a day each, three fires in each: semicolons, decimal commas, day first, headings in German."""
    fuels = ("erle", "olive", "buche")
    truth = []
    for day in range(4):
        start = datetime(2026, 5, 14 + day, 8, 30, 5)
        lit = [start + timedelta(hours=0.5 + 4.2 * k, seconds=37 * k) for k in range(3)]
        order = fuels[day % 3 :] + fuels[: day % 3]
        stamps, grate, lid, cold = day_of_fires(start, lit, (262, 231, 243), 10, 13.5, day)
        name = f"Messtag {day + 1} {' '.join(order)}.csv"
        lines = ["Messprotokoll;;;", "Datum;Uhrzeit;Rost (°C);Deckel (°C)"]
        lines += [
            f"{at:%d.%m.%Y};{at:%H:%M:%S};{comma(a)};{comma(b)}"
            for at, a, b in zip(stamps, grate, lid, strict=True)
        ]
        (folder / name).write_text("\n".join(lines) + "\n", encoding="cp1252")
        truth += [Truth(fuel, "", at, end, name) for fuel, at, end in zip(order, lit, cold, strict=True)]
    return truth


def single_files(folder: Path) -> list[Truth]:
    """Eight files of one fire each, of another logger: am and pm, °F, month first, fuel and bag in the name."""
    truth = []
    for number in range(8):
        fuel, bag = ("alder", "olive")[number % 2], str(1 + number // 4)
        start = datetime(2026, 6, 3 + number, 9 + 3 * (number % 2), 40, 11)
        lit = start + timedelta(minutes=12)
        stamps, grate, _, cold = day_of_fires(start, [lit], [255 - 20 * (number % 2)], 5, 3.5, 100 + number)
        name = f"{fuel} bag {bag} {number + 1}.txt"
        lines = ["No.,Date/Time,Grill Temp (F)"]
        lines += [
            f"{k + 1},{at.month}/{at.day}/{at.year} {at:%I:%M:%S %p},{value * 1.8 + 32:.1f}"
            for k, (at, value) in enumerate(zip(stamps, grate, strict=True))
        ]
        (folder / name).write_text("\r\n".join(lines) + "\r\n", encoding="utf-8")
        truth.append(Truth(fuel, bag, lit, cold[0], name))
    return truth


def named_runs(folder: Path) -> list[Truth]:
    """One file of four fires parted by tabs, with a column that names what burns, ISO stamps."""
    start = datetime(2026, 7, 1, 7, 0, 0)
    fuels = ("vine bag 1", "cork bag 1", "vine bag 2", "cork bag 2")
    lit = [start + timedelta(hours=0.3 + 4 * k) for k in range(4)]
    stamps, grate, lid, cold = day_of_fires(start, lit, (240, 220, 250, 215), 20, 17, 7)
    lines = ["stamp\tsample\tgrate [degC]\tambient [degC]"]
    for at, a, b in zip(stamps, grate, lid, strict=True):
        now = max((k for k in range(4) if lit[k] - timedelta(minutes=10) <= at), default=0)
        lines.append(f"{at.isoformat()}\t{fuels[now]}\t{a:.2f}\t{AIR_C + 0.01 * b:.2f}")
    (folder / "season.tsv").write_text("\n".join(lines) + "\n", encoding="utf-8")
    return [
        Truth(name.split()[0], name.split()[2], at, end, "season.tsv")
        for name, at, end in zip(fuels, lit, cold, strict=True)
    ]


def without_clock(folder: Path) -> list[Truth]:
    """Two files of seconds since their own start."""
    start = datetime(2026, 1, 1)
    for seed, name in enumerate(("oak 1.csv", "oak 2.csv")):
        stamps, grate, _, _ = day_of_fires(start, [start + timedelta(minutes=5)], [250], 30, 3, seed)
        lines = ["elapsed (s),T1 (°C)"] + [
            f"{(at - start).total_seconds():.0f},{value:.1f}" for at, value in zip(stamps, grate, strict=True)
        ]
        (folder / name).write_text("\n".join(lines) + "\n", encoding="utf-8")
    return [Truth("oak", "", start, start, name) for name in ("oak 1.csv", "oak 2.csv")]

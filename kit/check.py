"""Whether a run folder can be analysed: every fault of trial file, burn sheet and logs at once, and a line a burn."""

import re
from collections.abc import Collection, Hashable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from kit import schema
from kit.burns.logged_burns import burns_of, logged_burns, main_probe, price_per_kg
from kit.burns.measure import measure
from kit.data_file import data_file
from kit.errors import Faults, KitError, Problem
from kit.lenders import lenders_of
from kit.readings import RunReadings, read_run, with_log_days
from kit.readings.fires import fires_in
from kit.results_file import corrected_report
from kit.trial import Run, Trial
from kit.trial.plan_file import OWN_TOLERANCE
from kit.trial.run import lender_folders, look_into
from kit.trial.run_sheets import LOGS, some_of

WORDS = data_file(__file__, "check.toml")
OF_CHARGE = re.compile(WORDS["of_charge"], re.IGNORECASE)
"""A reason for leaving a burn out that is about its charge."""
FOR_THE_LOGS = frozenset({"trial", "cleaning", "probe", "logger"})
"""Tables of trial.toml without which a question about a log may have been answered already."""
STILL_K, LEAST_RANGE_K = 3.0, 15.0
"""A main probe that moved by less stood still; by less than the second, it hardly saw the fire."""
LATE_MIN = 5.0
"""A fire that begins so long after time zero makes every time to something too long."""


@dataclass(frozen=True)
class Checked:
    """A folder that can be analysed: what was read of each burn, for people and for programs.

    Attributes
    ----------
    lines
        A line a burn, then the notes.
    records
        A record a burn: burn, fuel, state, duration_s, peak_c (the highest reading; a report's peak is smoothed), n,
        n_flagged, cut_short.
    notes
        What was read with a notice.
    """

    lines: list[str]
    records: list[dict[str, Any]]
    notes: list[str]


def check(run_folder: str | Path) -> Checked:
    """Read everything in a run folder and say what was found, a line a burn.

    Raises
    ------
    KitError
        With every fault of the folder: of its sheets and of its logs.
    """
    run, faults = look_into(run_folder)
    unlike: tuple[str, ...] = ()
    logs: RunReadings | None = None
    if run is not None:
        if run.trial.corrects:  # a report would say so only at its end
            with faults.gathering():
                corrected_report(run.folder, run.trial.corrects)
        names = run.trial.model.borrow_from
        # of folders that are not there it is told already
        if names and all(map(Path.is_dir, lender_folders(run.folder, names))):
            with faults.gathering():
                unlike = lenders_of(run.folder, run.trial)[1]
        try:
            logs = read_run(run)
        except KitError as error:
            sure = [each for each in error.problems if each.kind == "refuse" and each.where.startswith(LOGS)]
            faults.extend(sure if faults.lost & FOR_THE_LOGS else error.problems)
    faults.settle()
    assert run is not None and logs is not None
    run = with_log_days(run, logs.readings)
    quality = quality_notes(run, logs)
    measured = measure(logs.readings, run)
    records = [_burn_record(row, logs, run.trial) for row in run.burns.to_dict("records")]
    left_out = uncounted_words(uncounted(run, measured.metrics, measured.reasons))
    notes = [
        *run.notes,
        *unlike,
        *_unnoted(run),
        *left_out,
        *charge_notes(run),
        *price_notes(run),
        *quality,
        *log_notes(logs.notes),
    ]
    return Checked([*map(_burn_line, records), *notes], records, notes)


def problems_of(run_folder: str | Path) -> tuple[Problem, ...]:
    """Return every fault of a folder, none where it can be analysed."""
    faults = Faults()
    with faults.gathering():
        check(run_folder)
    return tuple(faults)


def _unnoted(run: Run) -> list[str]:
    """Return a sentence on burns done on nobody knows which day, and one on burns of no noted bag, if fuels repeat."""
    done = run.in_state("done")
    dayless, bagless = (done.loc[done[column] == "", "burn"].tolist() for column in ("day", "bag"))
    told = [WORDS["days"].format(burns=_named(dayless))] if dayless else []
    if bagless and done["fuel"].duplicated().any():
        words = WORDS["bags"]["none" if len(bagless) == len(done) else "some"]
        told.append(words.format(burns=_named(bagless)))
    return told


def _named(burns: Sequence[str]) -> str:
    """Return 'Burn 07', or 'Burns 07, 12 …'."""
    return f"Burn{'s' * (len(burns) > 1)} {some_of(burns)}"


def charge_notes(run: Run, told: Collection[str] = ()) -> list[str]:
    """Return a sentence on the burns whose charge is not the trial file's, but for those of which it is told already.

    One more is on such burns that were left out for another reason. Charges by volume or full starter may differ in
    mass, unless a tolerance of it is declared.
    """
    charge, made = run.trial.charge, run.burns[run.burns["state"] != "planned"]
    if charge.grams is None or not (charge.of_equal_mass or charge.tolerance_g is not None):
        return []
    allowed = charge.grams * OWN_TOLERANCE if charge.tolerance_g is None else charge.tolerance_g
    off = made[((made["charge_g"] - charge.grams).abs() > allowed + 1e-9) & ~made["burn"].isin(told)]
    ways = {
        "alike" if charge.of_equal_mass else "stated": off["state"] == "done",
        "excluded": (off["state"] == "excluded") & ~off["excluded"].str.contains(OF_CHARGE),
    }
    notes = []
    for way, unlike in ((way, off[is_so]) for way, is_so in ways.items() if is_so.any()):
        shown = some_of([f"{grams:g} g" for grams in unlike["charge_g"]])
        parts = {"burns": _named(unlike["burn"].tolist()), "grams": charge.grams, "allowed": allowed}
        notes.append(WORDS["charges"][way].format(charges=shown, **parts))
    return notes


def price_notes(run: Run) -> list[str]:
    """Return a sentence a way in which prices say nothing of a cost, naming the fuels, and one on what is missing."""
    trial = run.trial
    if not trial.is_priced:  # whoever wrote no price at all is asked for none
        return [WORDS["prices"]["none"]] if run.in_state("done")["fuel"].nunique() > 1 else []
    given = [fuel.id for fuel in trial.fuels if fuel.price == 0]
    priced = {fuel.id for fuel in trial.fuels if fuel.price} | {bag.fuel for bag in trial.bags if bag.price}
    no_mass = [
        fuel.id for fuel in trial.fuels if fuel.id in priced and np.isnan(price_per_kg(trial, fuel.id))
    ]
    ways = {"nothing": given, "no mass": no_mass}
    told = [WORDS["prices"][way].format(fuels=some_of(fuels)) for way, fuels in ways.items() if fuels]
    if wanted := list(_wanted_for_prices(run, priced.union(given))):
        told.append(WORDS["prices"]["wanted"].format(wanted="; ".join(wanted)))
    return told


def _wanted_for_prices(run: Run, priced: Collection[str]) -> Iterator[str]:
    """Yield the lines and cells without which no fuel is called the better value, of fuels that can be compared."""
    done, words = run.in_state("done"), WORDS["wanted"]
    unpriced = [fuel for fuel in done["fuel"].unique() if fuel not in priced]
    unweighed = done.loc[done["charge_g"].isna() & done["fuel"].isin(priced), "burn"].tolist()
    if done["fuel"].nunique() < 2:
        return
    if (unpriced or unweighed) and not run.trial.charge.model_fields_set:
        charges = done["charge_g"].dropna()
        usual = charges.median()
        if charges.empty:
            yield words["charge"]
        elif ((charges - usual).abs() <= OWN_TOLERANCE * usual).all():
            yield words["grams"].format(grams=usual)
    if unpriced:
        yield words["price"].format(fuels=some_of(unpriced))
    if unweighed:
        yield words["weight"].format(burns=some_of(unweighed))
    credited = run.trial.measuring.leftover_credit > 0
    left_open = done.loc[done["leftover_g"].isna() & done["fuel"].isin(priced) & credited, "burn"].tolist()
    if left_open:
        yield words["leftover"].format(burns=some_of(left_open))


def quality_notes(run: Run, logs: RunReadings) -> list[str]:
    """Return a note a burn with readings lost, flagged or not logged at the main probe, in true counts.

    Raises
    ------
    KitError
        With a question a burn whose log is not sound enough to be judged by, or holds more than one fire: too much
        lost, flagged or never logged at the main probe ([cleaning] most_lost), a main probe that saw no fire, several
        fires in one row.
    """
    faults, most_lost = Faults(), run.trial.cleaning.most_lost
    all_sound = [*_soundness(run, logs)]
    for sound in all_sound:
        lost, gaps, several = sound.lost_share > most_lost, sound.gap_share > most_lost, sound.fires > 1
        still, unexplained = sound.range_k < STILL_K, several and not sound.has_events
        asked = {"lost": lost, "gaps": gaps and not lost, "still": still, "fires": unexplained}
        late = sound.late_min > LATE_MIN
        told = {"lost": sound.lost, "gaps": sound.gap_share, "fires": several, "late": late}
        for name in filter(asked.get, asked):
            words = (each.format(**vars(sound), most_lost=most_lost) for each in WORDS["asked"][name])
            faults.ask(f"burns.csv, burn {sound.burn}", *words)
        if any(told.values()):
            words = (WORDS["told"][name].format(**vars(sound)) for name in filter(told.get, told))
            faults.note(f"Burn {sound.burn}, {sound.probe}: {', '.join(words)}.")
    lowest = min(run.trial.thresholds, default=np.inf)
    cold = [(sound, sound.range_k) for sound in all_sound if sound.range_k < LEAST_RANGE_K]
    hot = [(sound, sound.last_c) for sound in all_sound if sound.last_c >= lowest and not sound.is_cut_short]
    rising = [(sound, sound.last_c) for sound in all_sound if sound.is_rising and not sound.is_cut_short]
    for name, found in (("cold", cold), ("hot", hot), ("rising", rising)):
        if found:
            burns = _named([sound.burn for sound, _ in found])
            ends = (f"{end([value for _, value in found]):.0f}" for end in (min, max))
            parts = {"burns": burns, "probe": found[0][0].probe, "reach": " to ".join(dict.fromkeys(ends))}
            faults.note(WORDS["together"][name].format(**parts, lowest=lowest))
    faults.settle()
    return faults.notes


@dataclass(frozen=True)
class _Soundness:
    """What the log of one burn is worth at the main probe.

    Attributes
    ----------
    n, lost, lost_share
        Readings, and how many of them, and what share, were lost or flagged.
    gap_share
        Share of the time without a sound reading.
    range_k, last_c
        What the sound readings span, and where they end.
    is_rising
        Whether the curve as it is measured ends at its highest, or no further below than a reading scatters about it.
    fires, begun
        Fires from time zero to the stop, and when they began: clock times, or minutes after zero.
    late_min
        How long after the first reading of a log without a clock, which counts as time zero, the fire begins.
    has_events
        Whether the events sheet has any of the burn.
    """

    burn: str
    probe: str
    n: int
    lost: int
    lost_share: float
    gap_share: float
    range_k: float
    last_c: float
    is_cut_short: bool
    is_rising: bool
    fires: int
    begun: str
    late_min: float
    has_events: bool


def _soundness(run: Run, logs: RunReadings) -> Iterator[_Soundness]:
    """Yield what the logs of the burns that count are worth at the main probe, in the order of the sheet."""
    main = main_probe(logs.readings, run.trial)
    counts, spans = (table[table["probe"] == main].set_index("burn") for table in (logs.quality, logs.spans))
    meant = logs.flags[(logs.flags["probe"] == main) & (logs.flags["flag"] == "after top-up")]
    topped = meant.groupby("burn")["n"].sum()
    logged = {log.burn: log for log in logged_burns(logs.readings) if log.probe == main}
    measured = burns_of(logs.readings, run, [main])
    for burn in [burn for burn in run.in_state("done")["burn"] if burn in counts.index]:
        log, span, count = logged[burn], spans.loc[burn], counts.loc[burn]
        stop = float(np.fmin(span["end_s"], span["stop_s"]))  # the log's end where no stop is written
        good = log.usable & (log.seconds >= 0) & (log.seconds <= stop)
        celsius, steps = log.celsius[good], np.diff(log.seconds[good])
        gaps = float(steps[steps > run.trial.cleaning.bridge_gap_s].sum())
        zero = str(span["clock_zero"])
        is_looked_at = count["fires"] > 1 or not zero
        fires = fires_in(log.seconds, np.where(log.usable, log.celsius, np.nan)) if is_looked_at else []
        begins = [fire.begin_s for fire in fires if fire.cold_s > 0 and fire.begin_s < stop]
        begun = [f"{begin_s / 60:.0f} min" for begin_s in begins]
        if zero:
            lit = datetime.fromisoformat(zero)
            begun = [f"{lit + timedelta(seconds=begin_s):%H:%M}" for begin_s in begins]
        curve, is_rising = measured[burn, main].curve, False
        if curve is not None:
            scatter = float(np.median(np.abs(curve.celsius - curve.smooth)))
            is_rising = bool(curve.smooth.max() - curve.smooth[-1] <= max(scatter, curve.resolution_c))
        n = int(count["n"] + count["n_lost"])
        lost = max(int(count["n_unusable"] - topped.get(burn, 0) + count["n_lost"]), 0)
        yield _Soundness(
            burn=burn,
            probe=main,
            n=n,
            lost=lost,
            lost_share=lost / n if n else 1.0,
            gap_share=gaps / stop if stop > 0 else 0.0,
            range_k=float(np.ptp(celsius)) if len(celsius) else 0.0,
            last_c=float(celsius[-1]) if len(celsius) else -np.inf,
            is_cut_short=bool(span["cut_short"]),
            is_rising=is_rising,
            fires=len(begins),
            begun=", ".join(begun),
            late_min=begins[0] / 60 if begins and not zero else 0.0,
            has_events=bool((run.events["burn"] == burn).any()),
        )


def uncounted(run: Run, metrics: pd.DataFrame, reasons: pd.DataFrame) -> pd.DataFrame:
    """Return the burns that were done and count for nothing in a primary metric.

    Parameters
    ----------
    run
        The run folder.
    metrics, reasons
        As `kit.burns` measured them.

    Returns
    -------
    DataFrame
        schema.UNCOUNTED: burn, metric, why.
    """
    done = set(run.in_state("done")["burn"])
    lacking = metrics[metrics["metric"].isin(run.trial.primary) & (metrics["status"] == "missing")]
    why = {(row.burn, row.metric): row.note for row in reasons.itertuples()}
    pairs = [(row.burn, row.metric) for row in lacking.itertuples() if row.burn in done]
    rows = [(*pair, why.get(pair, "not measured")) for pair in pairs]
    return pd.DataFrame(rows, columns=schema.names("uncounted"), dtype="str")


def uncounted_words(table: pd.DataFrame) -> list[str]:
    """Return a sentence a metric and reason, naming the burns that do not count for it."""
    return [
        f"Burn{s} {', '.join(rows['burn'])} {do} not count for {metric}: {why}."
        for (metric, why), rows in table.groupby(["metric", "why"], sort=False)
        for s, do in [("s", "do") if len(rows) > 1 else ("", "does")]
    ]


def log_notes(notes: pd.DataFrame) -> list[str]:
    """Return a line a note, naming the one log it is about or counting the logs; a probe's is about none."""
    lines = []
    for note, files in notes.groupby("note", sort=False)["file"].agg(list).items():
        about = f"{files[0]}: " if len(files) == 1 else f"{len(files)} logs, each: "
        lines.append(f"{about if any(files) else ''}{note}")
    return lines


def _burn_record(row: Mapping[Hashable, Any], logs: RunReadings, trial: Trial) -> dict[str, Any]:
    record = {name: row[name] for name in ("burn", "fuel", "state")}
    spans = logs.spans[logs.spans["burn"] == row["burn"]]
    if spans.empty:
        return record
    readings = logs.readings[logs.readings["burn"] == row["burn"]]
    probe = main_probe(readings, trial)
    if probe not in set(spans["probe"]):  # a burn that was left out may lack it
        probe = str(spans["probe"].iloc[0])
    main = readings[readings["probe"] == probe]
    end_s = float(spans["stop_s"].fillna(spans["end_s"]).clip(upper=spans["end_s"]).max())
    good = main[main["flag"].astype(str).map(schema.usable) & main["elapsed_s"].between(0, end_s)]
    return record | {
        "duration_s": end_s,
        "peak_c": float(good["temp_c"].max()),
        "n": int(spans["n"].sum()),
        "n_flagged": int(spans["n_flagged"].sum()),
        "cut_short": bool(spans["cut_short"].any()),
    }


def _burn_line(record: Mapping[str, Any]) -> str:
    if "duration_s" not in record:
        return f"burn {record['burn']}: {record['fuel']}, {record['state']}"
    hours, minutes = divmod(round(record["duration_s"] / 60), 60)
    count = record["n_flagged"]
    parts = [
        f"{hours} h {minutes:02} min",
        f"highest reading {record['peak_c']:.0f} °C",
        f"{count or 'no'} reading{'s' * (count > 1)} flagged",
        *(["the log ends before the burn does"] if record["cut_short"] else []),
        *(["excluded"] if record["state"] == "excluded" else []),
    ]
    return f"burn {record['burn']}: {', '.join(parts)}"

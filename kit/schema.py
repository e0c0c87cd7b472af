"""Columns, units, flags and metric ids of every table that passes between the stages of the kit."""

from __future__ import annotations

import csv
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

from kit.metrics import METRIC_BASES as METRIC_BASES
from kit.metrics import Metric as Metric
from kit.metrics import Scale as Scale
from kit.metrics import metric as metric

RESULTS_SCHEMA = "repeatburn-results/1"


SPREADSHEETS = (".xlsx", ".ods", ".xls")
INPUTS = (
    "trial.toml",
    *(f"{stem}.csv" for stem in ("burns", "events", "scores")),
    *(f"{stem}{ending}" for stem in ("burns", "events", "scores") for ending in SPREADSHEETS),
    "notes.md",
    "plan/plan.toml",
)
"""The files of a run folder that are read beside its logs, those that are there."""


@dataclass(frozen=True)
class Column:
    """One column of a table: its name, kind of value, unit ('' for none) and meaning."""

    name: str
    kind: Literal["text", "number", "count", "clock", "yes/no"]
    unit: str
    meaning: str


def _vocabulary() -> dict[str, Column]:
    with Path(__file__).with_name("columns.csv").open(encoding="utf-8", newline="") as stream:
        return {row["name"]: Column(**row) for row in csv.DictReader(stream)}  # type: ignore[arg-type]


COLUMNS: Mapping[str, Column] = _vocabulary()
"""Every column of every table: a name means the same wherever it stands."""


def _table(names: str) -> tuple[Column, ...]:
    return tuple(COLUMNS[name] for name in names.split())


BURNS = _table(
    "burn fuel bag day order cooker setting charge_g charge_l lit tipped lid_on stopped log leftover_g "
    "ash_g ambient_c wind_m_s humidity_pct operator notes excluded"
)
EVENTS = _table("burn at until event probes notes")
SCORES = _table("burn taster code attribute score order note")
READINGS = _table("burn probe elapsed_s temp_c flag")
SPANS = _table(
    "burn probe files clock_zero start_s end_s stop_s interval_s resolution_c n n_flagged cut_short "
    "started_late"
)
QUALITY = _table("burn probe n n_missing n_unusable n_lost n_gaps longest_gap_s fires")
METRICS = _table("burn fuel bag day metric value unit u status n_used n_flagged")
REASONS = _table("burn metric status note")
LID_OPEN = _table("burn metric unit value status without_lid status_without")
COMPONENTS = _table("metric component sd low high level method at_boundary unit")
MEANS = _table("metric fuel mean se df low high unit scale method level n bags")
COMPARISONS = _table(
    "metric a b difference ratio se df low high low_equivalence high_equivalence low_alone high_alone p "
    "p_adjusted p_equivalent margin verdict direction scope n_a n_b bags_a bags_b multiplicity method level unit "
    "scale"
)
OVERALL = _table("metric f df1 df2 p method")
BEST = _table(
    "metric better fuel mean difference ratio low high can_be_best multiplicity method level unit scale"
)
PRIOR = _table("metric folder burns bags power p_conflict used note")
VALUE = _table(
    "metric a b ratio low high verdict direction paid break_even break_even_low break_even_high multiplicity "
    "level"
)
SHARES = _table("metric component share low high level")
KINDS = _table(
    "metric a b scope difference ratio se df low high p verdict spread_within fuels_a fuels_b unit scale "
    "level"
)
LADDER = _table("metric place fuel mean low high brackets unit")
NEXT_BAG = _table("metric fuel mean low high sd df level unit scale covers")
CHANCES = _table("metric a b chance low high level seed")
FURTHER = _table("metric a b bags burns more_burns grams cost hours words")
REACHED = _table("metric fuel reached n share low high bags_disagree expected_min level")
REACHED_PAIRS = _table(
    "metric a b reached_a n_a reached_b n_b p p_adjusted verdict direction disagree method level"
)
SCORED = _table("attribute fuel score chance low high level n bags scores tasters")
SCORE_PAIRS = _table("attribute a b difference low high p_adjusted verdict direction multiplicity level")
TASTERS = _table("attribute source sd low high level")
COOKS = _table("cook fuel setting quantity value low high unit n level note")
MEAN_CURVES = _table("fuel elapsed_s mean low high band_low band_high n level")
DIFFERENCE_CURVES = _table("a b elapsed_s difference low high band_low band_high n_a n_b level")
ODD_BURNS = _table("metric burn fuel value expected residual p odd conditions unit")
INFLUENCE = _table(
    "metric a b level_left_out left_out verdict verdict_without estimate low high changes matters"
)
FLAG_COUNTS = _table("burn probe flag n first_s last_s low_c high_c")
UNCERTAINTY = _table("metric fuel source u unit common")
SELF_CHECK = _table("metric quantity nominal share mc_error trials seed")
SECOND_OPINION = _table("metric quantity kit other agrees note")
CENSORED = _table("metric a b verdict verdict_left_out agrees bounds")
UNCOUNTED = _table("burn metric why")
DEVIATIONS = _table("what where planned done")

TABLES: Mapping[str, tuple[Column, ...]] = {
    "readings": READINGS,
    "spans": SPANS,
    "flag_counts": FLAG_COUNTS,
    "metrics": METRICS,
    "excluded": METRICS,
    "reasons": REASONS,
    "lid_open": LID_OPEN,
    "components": COMPONENTS,
    "shares": SHARES,
    "means": MEANS,
    "comparisons": COMPARISONS,
    "pairs": COMPARISONS,
    "comparisons_alone": COMPARISONS,
    "overall": OVERALL,
    "best": BEST,
    "prior": PRIOR,
    "value": VALUE,
    "ladder": LADDER,
    "kinds": KINDS,
    "next_bag": NEXT_BAG,
    "chances": CHANCES,
    "odd_burns": ODD_BURNS,
    "influence": INFLUENCE,
    "further": FURTHER,
    "censored": CENSORED,
    "second_opinion": SECOND_OPINION,
    "self_check": SELF_CHECK,
    "mean_curves": MEAN_CURVES,
    "difference_curves": DIFFERENCE_CURVES,
    "cooks": COOKS,
    "reached": REACHED,
    "reached_pairs": REACHED_PAIRS,
    "scores": SCORED,
    "score_pairs": SCORE_PAIRS,
    "tasters": TASTERS,
    "uncertainty": UNCERTAINTY,
    "uncounted": UNCOUNTED,
    "deviations": DEVIATIONS,
}
"""Every table of an analysis, by its name there."""

STATUSES: Mapping[str, str] = {
    "exact": "measured",
    "at least": "the value is a lower bound: the log stopped early or a range was saturated",
    "at most": "the value is an upper bound: the log began late, or the value is below one sampling interval",
    "never": "the burn was completed and never reached the threshold",
    "missing": "not measured",
}

THESE_BAGS, PRODUCT = "these bags", "the product"
"""What a verdict is about: these alone where nothing says how far bags differ."""

VERDICTS: Mapping[str, str] = {
    "different, by more than the margin": "the whole interval lies beyond the margin",
    "different, size not settled": "zero is excluded, the margin is not",
    "different, but too little to matter": "zero is excluded, and the interval lies inside the margin",
    "the same within the margin": "the interval holds zero and lies inside the margin",
    "not settled": "the interval holds zero and reaches beyond the margin",
    "different": "zero is excluded; no margin was declared",
    "no repeats": "no interval can be given",
    "cannot be separated": "day or cooker goes along with fuel",
}


@dataclass(frozen=True)
class Flag:
    """A mark on a reading: what it means, and whether the reading may still be used."""

    meaning: str
    usable: bool


FLAGS: Mapping[str, Flag] = {
    "missing": Flag("no reading where one was due", False),
    "impossible": Flag(
        "far below the air or beyond the probe's kind, or of a probe of which a quarter is so", False
    ),
    "sentinel": Flag("a number or word that stands for an open circuit", False),
    "spike": Flag("a lone jump away and back", False),
    "stuck": Flag("the same value for too long", False),
    "saturated": Flag("at the end of the logger's range", False),
    "reversed": Flag("falls as the fire rises: wires swapped", False),
    "stepped": Flag("jumped with no other probe agreeing: fell or pulled out; unused from there on", False),
    "after top-up": Flag("fuel was added: no longer one charge", False),
    "lid open": Flag("the lid was open", True),
    "repeated stamp": Flag("shares its stamp with another row", True),
    "reordered": Flag("stood out of order in the file", True),
}


def usable(flag: str) -> bool:
    """Return whether a reading with this flag text counts towards values, uncertainty and n alike."""
    return not flag or all(FLAGS[part].usable for part in flag.split("+"))

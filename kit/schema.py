"""Columns, units, flags and metric ids of every table that passes between the stages of the kit."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

from kit.metrics import METRIC_BASES as METRIC_BASES
from kit.metrics import Metric as Metric
from kit.metrics import Scale as Scale
from kit.metrics import metric as metric

RESULTS_SCHEMA = "repeatburn-results/1"


@dataclass(frozen=True)
class Column:
    """One column of a table: its name, kind of value, unit ('' for none) and meaning."""

    name: str
    kind: Literal["text", "number", "count", "clock", "yes/no"]
    unit: str
    meaning: str


_VOCABULARY = """
    burn            | text   |      | id of the burn, unique in the folder
    fuel            | text   |      | id of the fuel, as in the trial file
    bag             | text   |      | label of the bag; unique, or anew in each fuel
    day             | text   |      | calendar day, yyyy-mm-dd
    order           | number |      | place in the planned order, or in the taster's
    cooker          | text   |      | id of the cooker, where there are several
    setting         | text   |      | id of the declared setting the cooker was run at
    charge_g        | number | g    | mass of fuel loaded
    charge_l        | number | L    | volume of fuel loaded
    lit             | clock  |      | fuel lit
    tipped          | clock  |      | lit fuel tipped into the cooker
    lid_on          | clock  |      | lid put on
    stopped         | clock  |      | burn ended by the stop rule
    log             | text   |      | file or files in logs/, parted by semicolons
    leftover_g      | number | g    | unburnt fuel recovered, weighed cold
    ash_g           | number | g    | ash, weighed cold
    ambient_c       | number | °C   | air temperature
    wind_m_s        | number | m/s  | mean wind
    humidity_pct    | number | %    | relative humidity
    operator        | text   |      | who ran the burn
    notes           | text   |      | anything odd
    excluded        | text   |      | reason for leaving the burn out, blank if it counts
    at              | clock  |      | when it began
    until           | clock  |      | when it ended, blank for a moment
    event           | text   |      | lid open, top-up, vent moved, rain, probe moved, other
    probes          | text   |      | probes it touches, blank for all
    taster          | text   |      | who scored
    code            | text   |      | code the taster saw
    attribute       | text   |      | what was scored
    score           | number |      | the score; in SCORED the median
    note            | text   |      | anything odd, or what can not be told
    probe           | text   |      | id of the probe
    why             | text   |      | why a burn does not count
    elapsed_s       | number | s    | seconds since time zero; negative before it
    temp_c          | number | °C   | temperature, calibrated; blank where none was logged
    flag            | text   |      | '' or flags of FLAGS joined by '+'
    files           | text   |      | log files the readings came from
    clock_zero      | text   |      | clock time of time zero, ISO 8601, '' without a clock
    start_s         | number | s    | first reading of the burn
    end_s           | number | s    | last reading of the burn
    stop_s          | number | s    | stop by the burn sheet; blank where the log's end is the stop
    interval_s      | number | s    | median sampling interval
    resolution_c    | number | °C   | smallest step the readings show
    n               | count  |      | burns; readings in SPANS and FLAG_COUNTS
    n_flagged       | count  |      | readings flagged; in METRICS those not used for it
    cut_short       | yes/no |      | the log ended before the stop
    started_late    | yes/no |      | the log began after time zero
    n_missing       | count  |      | rows of the log without a reading
    n_unusable      | count  |      | readings that no value counts; those missing among them
    n_lost          | count  |      | lines of the log that could not be read as rows
    n_gaps          | count  |      | gaps longer than are bridged
    longest_gap_s   | number | s    | longest of them
    fires           | count  |      | fires: cold, a rise, cold again
    metric          | text   |      | metric id
    value           | number |      | the value; a bound where status says so; blank where there is none
    unit            | text   |      | unit of the row's other numbers; 'ln' for an SD on the log scale
    u               | number |      | standard uncertainty of measurement; in METRICS without the probe's bias
    status          | text   |      | one of STATUSES
    n_used          | count  |      | readings used
    component       | text   |      | kind, fuel, bag, day, burn (burn:GROUP where spread differs by group)
    sd              | number |      | standard deviation on the analysis scale
    low             | number |      | lower limit of the row's estimate
    high            | number |      | upper limit of the row's estimate
    level           | number |      | confidence
    method          | text   |      | how the limits were made
    at_boundary     | yes/no |      | estimated at zero
    mean            | number |      | mean; geometric mean on the log scale
    se              | number |      | standard error on the analysis scale
    df              | number |      | degrees of freedom, effective where the method has no single ones
    scale           | text   |      | plain or log
    bags            | count  |      | bags
    a               | text   |      | first fuel, or kind
    b               | text   |      | second fuel, or kind
    difference      | number |      | a minus b; blank on the log scale
    ratio           | number |      | a over b; blank on the plain scale
    low_equivalence | number |      | lower simultaneous limit of the pair of one-sided tests (90 %)
    high_equivalence | number |      | upper simultaneous limit of the pair of one-sided tests (90 %)
    low_alone       | number |      | lower unadjusted limit
    high_alone      | number |      | upper unadjusted limit
    p               | number |      | p value; unadjusted in COMPARISONS, adjusted for all burns in ODD_BURNS
    p_adjusted      | number |      | p value adjusted for the family
    p_equivalent    | number |      | p value of the pair of one-sided tests against the margin
    margin          | number |      | margin on the analysis scale; blank where none is declared
    verdict         | text   |      | one of VERDICTS
    direction       | text   |      | 'a', 'b' (which is larger) or ''
    n_a             | count  |      | burns of a
    n_b             | count  |      | burns of b
    bags_a          | count  |      | bags of a
    bags_b          | count  |      | bags of b
    multiplicity    | text   |      | how a family was held together: tukey, dunnett, holm, best or none
    share           | number |      | share of the variance, of the simulated trials, or of the burns
    scope           | text   |      | 'the fuels tested', 'kinds in general', 'these bags' or 'the product'
    spread_within   | number |      | standard deviation between fuels of one kind, analysis scale
    fuels_a         | count  |      | fuels of a
    fuels_b         | count  |      | fuels of b
    place           | count  |      | order of the means, largest first
    brackets        | text   |      | numbers of the brackets the fuel stands in, parted by spaces
    covers          | text   |      | what the interval holds: 'bag and burn', 'bag, day and burn', ...
    burns           | count  |      | burns of each further bag
    more_burns      | count  |      | further burns in all
    grams           | number | g    | mass of fuel they take
    cost            | number |      | price of the further bags, in the trial's currency; blank where not known
    hours           | number | h    | hours they burn; blank where not known
    words           | text   |      | the row in a sentence
    reached         | count  |      | burns that reached the threshold
    reached_a       | count  |      | burns of a that reached the threshold
    reached_b       | count  |      | burns of b that reached the threshold
    bags_disagree   | yes/no |      | burns of one bag reached the threshold, burns of another did not
    disagree        | text   |      | fuels whose bags disagree, parted by spaces
    expected_min    | number | min  | mean minutes above the threshold, none for burns that never reached it
    chance          | number |      | new bag of a above one of b; in SCORED a score above its taster's others
    seed            | count  |      | seed of the random numbers
    tasters         | count  |      | people who scored
    scores          | count  |      | scores given
    cook            | text   |      | name of the cook
    quantity        | text   |      | what the row tells of
    band_low        | number |      | lower limit of the simultaneous band
    band_high       | number |      | upper limit of the simultaneous band
    expected        | number |      | value expected from the other burns
    residual        | number |      | studentised leave-one-out residual
    odd             | yes/no |      | p below 1 minus the confidence
    conditions      | text   |      | recorded conditions that differ from its peers', in words
    level_left_out  | text   |      | burn, bag or day
    left_out        | text   |      | which one
    verdict_without | text   |      | with it left out
    estimate        | number |      | difference or ratio without it
    changes         | yes/no |      | the two verdicts differ
    matters         | yes/no |      | what the verdict claims is no longer claimed without it
    first_s         | number | s    | first of them
    last_s          | number | s    | last of them
    low_c           | number | °C   | lowest of them
    high_c          | number | °C   | highest of them
    source          | text   |      | part of the budget: calibration, resolution, …, combined, expanded
    common          | yes/no |      | common to all burns of the probe: does not shrink with burns
    verdict_left_out | text   |      | verdict with the burns known only as bounds left out
    bounds          | count  |      | burns of the two fuels known only as bounds
    without_lid     | number |      | the value without the readings during which the lid was open
    status_without  | text   |      | its status
    nominal         | number |      | share that was promised
    mc_error        | number |      | Monte-Carlo standard error of share
    trials          | count  |      | simulated trials
    kit             | number |      | this kit's value
    other           | number |      | the other program's value
    agrees          | yes/no |      | the answers agree (SECOND_OPINION: to a thousandth of the burn SD)
    what            | text   |      | what deviates from the plan as written
    where           | text   |      | burn, fuel or key
    f               | number |      | F of no difference between any of the fuels
    df1             | number |      | its degrees of freedom above the line
    df2             | number |      | its degrees of freedom below the line
    better          | text   |      | more or less: which values are better
    can_be_best     | yes/no |      | it can be the best at the confidence
    folder          | text   |      | an earlier run folder
    power           | number |      | exponent of its likelihood, 0 to 1
    p_conflict      | number |      | p value of equal variances there and in all the other folders
    used            | yes/no |      | it entered the intervals
    break_even      | number |      | price ratio a kilogram, a over b, at which both are equal value
    break_even_low  | number |      | its lower limit
    break_even_high | number |      | its upper limit
    paid            | number |      | ratio of the prices paid a kilogram, a over b
    planned         | text   |      | as planned
    done            | text   |      | as done
"""


def _read_vocabulary(text: str) -> dict[str, Column]:
    rows = (line.split("|") for line in text.strip().splitlines())
    columns = (Column(*(cell.strip() for cell in row)) for row in rows)  # type: ignore[arg-type]
    return {column.name: column for column in columns}


COLUMNS: Mapping[str, Column] = _read_vocabulary(_VOCABULARY)
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

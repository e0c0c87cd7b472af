"""Findings: which comparisons a report puts first, and the sentences that say them."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import TYPE_CHECKING, Any, Final

from kit.page.text import anchor
from kit.publish.facts import UNDECIDED, Facts
from kit.publish.phrases import phrase_of, possessed
from kit.publish.sayings import caption_of, saying_of
from kit.publish.wording import APART, TIMES_FROM, Told, capital, counts, margin_words, threshold

if TYPE_CHECKING:
    import pandas as pd

MOST: Final = 6
"""Sentences of the first screen, at most."""


@dataclass(frozen=True)
class Claim:
    """One comparison of two fuels, in words.

    Attributes
    ----------
    id
        From metric and fuels alone: the same in every report of the folder, whatever order things stand in.
    metric, a, b
        What is compared; a and b as the sentence has them (turned where the smaller is told as 'times as long').
    verdict, direction
        As in the comparison's row, direction for a and b as here.
    estimate, low, high, level, scale, unit
        Difference or ratio of a and b, with its simultaneous interval.
    sentence, number
        The finding, and the part of it that is the number.
    say, caption
        A sentence to say of at most 25 words, a caption of at most eight.
    interval
        The interval in words.
    figure
        Id of the figure that shows it.
    primary
        Whether its metric is a primary one.
    """

    id: str
    metric: str
    a: str
    b: str
    verdict: str
    direction: str
    estimate: float
    low: float
    high: float
    level: float
    scale: str
    unit: str
    n: tuple[int, int]
    bags: tuple[int, int]
    sentence: str
    number: str
    say: str
    caption: str
    interval: str
    figure: str
    primary: bool

    @property
    def settled(self) -> bool:
        """Whether the verdict answers the question."""
        return self.verdict not in UNDECIDED


def claim_id(metric: str, a: str, b: str) -> str:
    """Return the id of a comparison: the same for (a, b) and (b, a), and in every report of the folder."""
    return anchor("claim", *map(_quoted, (metric, *sorted((a, b)))))


def _quoted(part: str) -> str:
    """Return an id in which blanks and capitals still count once it is an anchor."""
    spelled = (f"^{sign.lower()}" if sign.isupper() else sign for sign in part.replace("_", "__"))
    return "".join(spelled).replace(" ", "_")


@lru_cache(maxsize=1)
def claims_of(facts: Facts) -> tuple[Claim, ...]:
    """Return a claim for each row of the comparisons, in their order; none in an interim report."""
    if facts.interim:
        return ()
    return tuple(_claim(row, facts) for row in facts.table("comparisons").itertuples(index=False))


def findings(facts: Facts, most: int = MOST) -> list[Claim]:
    """Return the claims that the first screen tells, at most `most`.

    The rule, fixed before any value is seen: (1) comparisons of primary metrics come first, then the others
    in the order measured; (2) within a metric, comparisons with the control fuel, or, without one, of the two
    fuels at the ends of the ladder, then those with the top fuel, then the rest; (3) settled verdicts before
    open ones; (4) then the difference that is largest for its standard error. Primary metrics take turns, so
    that each has its say; a metric that is not primary is told only where none of the primary ones can be.
    """
    claims = claims_of(facts)
    told = [claim for claim in claims if claim.primary] or claims
    ranked = _ranked(told, facts)
    return _in_turns(ranked, facts)[:most]


def ranked_claims(facts: Facts, metric: str) -> list[Claim]:
    """Return the claims of one metric in the order in which they are told."""
    return _ranked([claim for claim in claims_of(facts) if claim.metric == metric], facts)


def _ranked(claims: Iterable[Claim], facts: Facts) -> list[Claim]:
    ends = {metric: _ends(facts, metric) for metric in {claim.metric for claim in claims}}
    strength = _strengths(facts)
    return sorted(
        claims,
        key=lambda claim: (
            _class(claim, ends[claim.metric], facts),
            not claim.settled,
            -strength.get(claim.id, 0.0),
            claim.id,
        ),
    )


def _class(claim: Claim, ends: Sequence[str], facts: Facts) -> int:
    control, pair = facts.trial.control_fuel, (claim.a, claim.b)
    if control in pair:
        return 0
    if ends and set(pair) == {ends[0], ends[-1]}:
        return 1
    return 2 if ends and ends[0] in pair else 3


def _ends(facts: Facts, metric: str) -> list[str]:
    means = facts.rows("means", metric).sort_values(["mean", "fuel"], ascending=[False, True])
    return [str(fuel) for fuel in means["fuel"]]


def _strengths(facts: Facts) -> dict[str, float]:
    table: dict[str, float] = {}
    for row in facts.table("comparisons").itertuples(index=False):
        value = math.log(row.ratio) if row.scale == "log" and _known(row.ratio) else row.difference
        if _known(value) and _known(row.se) and row.se > 0:
            table[claim_id(row.metric, row.a, row.b)] = abs(value) / row.se
    return table


def _in_turns(claims: Sequence[Claim], facts: Facts) -> list[Claim]:
    order = {metric: place for place, metric in enumerate(facts.metrics)}
    seen: dict[str, int] = {}
    turns = []
    for claim in claims:
        seen[claim.metric] = seen.get(claim.metric, 0) + 1
        turns.append((seen[claim.metric], order.get(claim.metric, len(order)), claim))
    return [claim for _, _, claim in sorted(turns, key=lambda turn: turn[:2])]


def _known(value: Any) -> bool:
    return value is not None and value == value


def _claim(row: Any, facts: Facts) -> Claim:
    pair = _pair(row, facts)
    sentence, number = pair.sentence()
    return Claim(
        id=claim_id(row.metric, row.a, row.b),
        metric=row.metric,
        a=pair.a,
        b=pair.b,
        verdict=row.verdict,
        direction=pair.direction,
        estimate=pair.told.value,
        low=pair.told.low,
        high=pair.told.high,
        level=float(row.level) if _known(row.level) else facts.level,
        scale=row.scale,
        unit=row.unit,
        n=pair.n,
        bags=pair.bags,
        sentence=sentence,
        number=number,
        say=saying_of(pair.clause(), pair.names, pair.interval_said, pair.n, pair.bags),
        caption=caption_of(row.verdict, pair.names, pair.told),
        interval=pair.told.interval,
        figure=f"comparisons {row.metric}",
        primary=row.metric in facts.primary,
    )


def _pair(row: Any, facts: Facts) -> _Pair:
    log = row.scale == "log"
    value, low, high = (float(each) for each in (row.ratio if log else row.difference, row.low, row.high))
    a, b, n, bags = row.a, row.b, (int(row.n_a), int(row.n_b)), (int(row.bags_a), int(row.bags_b))
    if log and 0 < value <= 1 / TIMES_FROM:  # told from the larger one: '2.4 times as long'
        value, low, high = 1 / value, 1 / high, 1 / low if low > 0 else float("inf")
        a, b, n, bags = b, a, n[::-1], bags[::-1]
    margin = float(row.margin) if _known(row.margin) else float("nan")
    told = Told(value, low, high, margin, facts.spec(row.metric), facts.units)
    return _Pair(a, b, row.verdict, told, n, bags, facts)


@dataclass(frozen=True)
class _Pair:
    """A comparison as its sentence has it."""

    a: str
    b: str
    verdict: str
    told: Told
    n: tuple[int, int]
    bags: tuple[int, int]
    facts: Facts

    @property
    def names(self) -> tuple[str, str]:
        return self.facts.name(self.a), self.facts.name(self.b)

    @property
    def direction(self) -> str:
        equal = 1.0 if self.told.log else 0.0
        return "a" if self.told.low > equal else "b" if self.told.high < equal else ""

    @property
    def interval_said(self) -> str:
        return "" if self.verdict in UNDECIDED else self.told.interval

    @property
    def _n(self) -> str:
        return counts(*self.names, self.n, self.bags)

    def _fill(self, clause: str) -> str:
        a, b = self.names
        at = threshold(self.told.spec, self.facts.units)
        return possessed(clause.format(a=a, b=b, at=at, amount=self.told.amount), a, b)

    def clause(self) -> str:
        """Return the bare clause of the verdict, without interval or n."""
        phrase = phrase_of(self.told.spec)
        if self.verdict in UNDECIDED:
            return f"whether {self._fill(phrase.question)} is not settled"
        if self.verdict == "the same within the margin":
            return f"{self._fill(phrase.same)} within {self._margin}"
        if self.told.multiple:
            return self._fill(phrase.times)
        return self._fill(phrase.more if self.told.above else phrase.less)

    def sentence(self) -> tuple[str, str]:
        """Return the finding in a sentence, and the part of it that is the number."""
        asked = f"Whether {self._fill(phrase_of(self.told.spec).question)}"
        if self.verdict == "no repeats":
            lone = self.names[0] if self.n[0] == 1 else self.names[1]
            return f"{asked} cannot be told: only one burn of {lone} was made, so there is no error bar.", ""
        if self.verdict == "cannot be separated":
            return f"{asked} cannot be told: {APART}.", ""
        if self.verdict == "not settled":
            return self._unsettled(asked)
        core = capital(self.clause())
        if self.verdict == "the same within the margin":
            lies = f"the difference lies {self.told.between} for {self.names[0]}"
            return f"{core}: {lies}; {self._n}.", self.told.between
        size = f"{self.told.interval}{self._minutes}{self._judged}"
        return f"{core}: {size}; {self._n}.", self.told.amount

    def _unsettled(self, asked: str) -> tuple[str, str]:
        if not (math.isfinite(self.told.low) and math.isfinite(self.told.high)):
            return f"{asked} is not settled: these burns give only a bound; {self._n}.", ""
        fit = f"the burns fit {self.told.reach} for {self.names[0]}"
        return f"{asked} is not settled: {fit}; {self._n}.", self.told.reach

    @property
    def _margin(self) -> str:
        if not math.isfinite(self.told.margin):
            return ""
        return margin_words(self.told.margin, self.told.spec, self.facts.units)

    @property
    def _judged(self) -> str:
        return {
            "different, by more than the margin": f", all of it more than the {self._margin} that matters",
            "different, size not settled": f", so whether by the {self._margin} that matters is not settled",
            "different, but too little to matter": f", a real difference but below the {self._margin} that matters",
        }.get(self.verdict, "")

    @property
    def _minutes(self) -> str:
        """The difference in minutes, where a ratio of durations is told."""
        if self.told.spec.unit != "min" or not self.told.log:
            return ""
        means = self.facts.rows("means", self.told.spec.id).set_index("fuel")["mean"]
        if not (self.a in means.index and self.b in means.index):
            return ""
        base, apart = float(means[self.b]), float(means[self.a]) - float(means[self.b])
        minutes = f"{abs(apart):.0f}\u00a0minute{'' if round(abs(apart)) == 1 else 's'}"
        return (
            f", about {minutes} {'on top of' if apart > 0 else 'off'} {base:.0f}" if abs(apart) >= 0.5 else ""
        )


def table_of(claims: Sequence[Claim]) -> pd.DataFrame:
    """Return claims as a table: id, metric, a, b, verdict, direction, sentence, say, caption, figure."""
    import pandas as pd

    columns = ("id", "metric", "a", "b", "verdict", "direction", "sentence", "say", "caption", "figure")
    return pd.DataFrame(
        [{name: getattr(claim, name) for name in columns} for claim in claims], columns=columns
    )

"""Findings and the sentences that say them: which fuels can be best, the better value, how two fuels compare."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Any, Final, Literal

from kit.page.shown_numbers import Units
from kit.page.text import anchor
from kit.publish.report_data import UNDECIDED, ReportData, price_metric
from kit.publish.wording import (
    APART,
    TIMES_FROM,
    Amount,
    amount_of,
    capital,
    counted,
    counts,
    estimate_words,
    listed,
    paragraph_of,
    threshold,
    told,
    told_each,
    words,
)

MOST: Final = 6
"""Sentences of the first screen, at most."""
MOST_SAID: Final = 25
MOST_CAPTION: Final = 8
NO_COUNT: Final = ("no repeats", "cannot be separated")
"""Verdicts whose sentence says why there is none, without counts."""
NOT_TO_SAY: Final = ("always", "in your cooker")
MOST_NAMED: Final = 3
"""Fuels that a sentence on the best names one by one."""
SAME: Final = "the same within the margin"
WITHIN: Final = (SAME, "different, but too little to matter")
"""Verdicts on fuels that differ by less than the margin."""


@dataclass(frozen=True)
class Claim:
    """One finding in words.

    Attributes
    ----------
    id
        From metric and fuels alone: the same in every report of the folder, whatever order things stand in.
    kind
        'pair', or 'best' and 'value': which fuels can be the best, and the better value.
    metric, a, b
        What is compared, as the sentence has it (turned where the smaller is told as 'times as long'); of the other
        kinds `a` is the leader.
    verdict, direction
        As in the comparison's row, direction for a and b as here; of the other kinds 'best at 95 %' and 'a'.
    estimate, low, high, level, scale, unit
        Difference or ratio of a and b, with its simultaneous interval; of the other kinds the leader's mean.
    n, bags
        Burns and bags of a and b.
    sentence, number
        The finding, and the part of it that is the number.
    say, caption
        A sentence to say of at most 25 words, a caption of at most eight.
    interval
        The interval in words, the direction in every limit.
    figure
        Id of the figure that shows it; empty where no comparison of the metric has an interval.
    primary
        Whether its metric is a primary one.
    """

    id: str
    kind: Literal["pair", "best", "value"]
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
def claims_of(data: ReportData) -> tuple[Claim, ...]:
    """Return a claim for each row of the comparisons, in their order; none in an interim report."""
    if data.interim:
        return ()
    return tuple(_pair(row, data).claim() for row in data.table("comparisons").itertuples(index=False))


def findings(data: ReportData, most: int = MOST) -> list[Claim]:
    """Return the comparisons that are told first, at most `most`.

    The rule, fixed before any value is seen: (1) comparisons of primary metrics come first, then the others
    in the order measured; (2) within a metric, comparisons with the control fuel, or, without one, of the two
    fuels at the ends of the order, then those with the top fuel, then the rest; (3) settled verdicts before
    open ones; (4) then the difference that is largest for its standard error. Primary metrics take turns, so
    that each has its say; a metric that is not primary is told only where none of the primary ones can be.
    """
    claims = claims_of(data)
    order = {metric: place for place, metric in enumerate(data.metrics)}
    seen: Counter[str] = Counter()
    turns = []
    for claim in _ranked([claim for claim in claims if claim.primary] or claims, data):
        seen[claim.metric] += 1
        turns.append((seen[claim.metric], order.get(claim.metric, len(order)), claim))
    return [claim for *_, claim in sorted(turns, key=lambda turn: turn[:2])][:most]


def ranked_claims(data: ReportData, metric: str) -> list[Claim]:
    """Return the comparisons of one metric in the order in which they are told."""
    return _ranked([claim for claim in claims_of(data) if claim.metric == metric], data)


def _ranked(claims: Iterable[Claim], data: ReportData) -> list[Claim]:
    ends, strength = {}, {}
    for metric, own in data.table("means").groupby("metric"):
        by_mean = own.sort_values(["mean", "fuel"], ascending=[False, True])["fuel"]
        ends[metric] = by_mean.iloc[0], by_mean.iloc[-1]
    for row in data.table("comparisons").itertuples():
        value = math.log(row.ratio) if row.scale == "log" and row.ratio > 0 else row.difference
        strength[claim_id(row.metric, row.a, row.b)] = abs(value) / row.se if row.se > 0 else 0.0

    def order(claim: Claim) -> tuple[int, bool, float, str]:
        pair, (top, bottom) = {claim.a, claim.b}, ends.get(claim.metric, ("", ""))
        first = (data.trial.control_fuel in pair, pair == {top, bottom}, top in pair, True)
        return first.index(True), not claim.settled, -(strength.get(claim.id) or 0.0), claim.id

    return sorted(claims, key=order)


def _pair(row: Any, data: ReportData) -> _Pair:
    spec, log = data.spec(row.metric), row.scale == "log"
    margin = float(row.margin) if row.margin is not None else math.nan
    amount = amount_of(row, spec, data.units, margin=margin)
    value, low, high = amount.value, amount.low, amount.high
    a, b, n = row.a, row.b, (int(row.n_a), int(row.n_b))
    bags = data.noted_bags(row.metric, a, row.bags_a), data.noted_bags(row.metric, b, row.bags_b)
    if _is_turned(spec.better, log, value, low, high):
        a, b, n, bags = b, a, n[::-1], bags[::-1]
        value, low, high = -value, -high, -low
        if log:
            value, low, high = -1 / value, -1 / low, -1 / high if high < 0 else math.inf
    return _Pair(a, b, row, replace(amount, value=value, low=low, high=high), n, bags, data)


def _is_turned(better: str, log: bool, value: float, low: float, high: float) -> bool:
    """Return whether a pair is told from its second fuel.

    A multiple is told from the larger one ('2.4 times as long'); else a settled difference from the better one.
    """
    if log and not 1 / TIMES_FROM < value < TIMES_FROM:
        return 0 < value <= 1 / TIMES_FROM
    none = 1.0 if log else 0.0
    return high < none if better == "more" else low > none if better == "less" else False


@dataclass(frozen=True)
class _Pair:
    """A comparison as its sentence has it."""

    a: str
    b: str
    row: Any
    amount: Amount
    n: tuple[int, int]
    bags: tuple[int, int]
    data: ReportData

    def claim(self) -> Claim:
        """Return the claim it makes."""
        data, row, amount, clause = self.data, self.row, self.amount, self._clause()
        drawn = data.rows("comparisons", row.metric)["low"].notna().any()
        n = "" if row.verdict in NO_COUNT else f"; {counts(*self.names, self.n, self.bags)}"
        return Claim(
            id=claim_id(row.metric, self.a, self.b),
            kind="pair",
            metric=row.metric,
            a=self.a,
            b=self.b,
            verdict=row.verdict,
            direction="" if amount.holds_zero or amount.low != amount.low else "a" if amount.above else "b",
            estimate=amount.value,
            low=amount.low,
            high=amount.high,
            level=float(row.level) if row.level == row.level else data.level,
            scale=row.scale,
            unit=row.unit,
            n=self.n,
            bags=self.bags,
            sentence=f"{capital(clause)}{self._verdict(words()['claim']['told'])}{n}.",
            number=self._verdict(words()["claim"]["number"]),
            say=self._said(clause),
            caption=self._caption(),
            interval=amount.directed,
            figure=f"comparisons {row.metric}" if drawn else "",
            primary=row.metric in data.primary,
        )

    @property
    def names(self) -> tuple[str, str]:
        return self.data.name(self.a), self.data.name(self.b)

    def _clause(self) -> str:
        """Return the clause of the verdict, without interval or n, and what it is about where that is no product."""
        about, amount, phrase = self.data.these_bags, self.amount, self.amount.spec.phrases
        told = amount.said_of(*self.names)
        if self.row.verdict in UNDECIDED:
            told = f"we cannot yet say whether {amount.said_of(*self.names, phrase.question)}"
        elif self.row.verdict == SAME:
            margin = self.data.margin_words(self.row.metric)
            told = f"{amount.said_of(*self.names, phrase.same)} within {margin}"
        return f"for {about}, {told}" if about else told

    def _verdict(self, of: Mapping[str, Any]) -> str:
        """Return what the verdict has to say of the amount, by the words of this verdict or those of a difference."""
        (a, b), margin = self.names, self.data.margin_words(self.row.metric)
        parts = {"amount": self.amount, "a": a, "margin": margin, "minutes": self._minutes, "apart": APART}
        return told(of.get(self.row.verdict, of["different"]), parts | {"once": a if self.n[0] == 1 else b})

    @property
    def _minutes(self) -> str:
        """The difference in minutes, where a ratio of durations is told."""
        if self.amount.spec.unit != "min" or not self.amount.log:
            return ""
        means = self.data.rows("means", self.amount.spec.id).set_index("fuel")["mean"]
        base, apart = means.get(self.b, math.nan), means.get(self.a, math.nan) - means.get(self.b, math.nan)
        if not abs(apart) >= 0.5:
            return ""
        minutes = f"{abs(apart):.0f}\u00a0minute{'' if round(abs(apart)) == 1 else 's'}"
        return f", about {minutes} {'on top of' if apart > 0 else 'off'} {base:.0f}"

    def _said(self, clause: str) -> str:
        undecided = self.row.verdict in UNDECIDED
        told = f": {self.amount.interval}" if self.amount.interval and not undecided else ""
        (burns, other), (bags, others) = self.n, self.bags
        alike = burns == other and bags == others
        n = f"{counted(burns, 'burn')} each" if alike else f"{counted(burns, 'burn')} against {other}"
        of_bags = f", {counted(bags, 'bag')}" if alike and bags else ""
        start = f"{capital(clause)}{told}"
        in_place = start if undecided else f"In {self.data.here}, {clause}{told}"
        forms = (f"{in_place}, {n}{of_bags}.", f"{start}, {n}{of_bags}.", f"{start}, {n}.", f"{start}.")
        return shortest_that_fits(forms, self.names, MOST_SAID)

    def _caption(self) -> str:
        amount, (a, b) = self.amount, self.names
        us = Units("us" if self.data.units.show == "us" else "metric")
        short = amount.spec.phrases.short if amount.above else amount.spec.phrases.short_less
        short = short.replace("{at}", threshold(amount.spec, us))
        forms: tuple[str, ...] = (f"{a}: {short} than {b}", f"{a}: {short}")
        if self.row.verdict in UNDECIDED:
            forms = (f"{a} or {b}: not settled",)
        elif self.row.verdict == SAME:
            forms = (f"{a} and {b}: no difference that matters", f"{a}, {b}: equal within the margin")
        return shortest_that_fits(forms, self.names, MOST_CAPTION)


def words_in(text: str) -> int:
    """Return how many words a text has; a number and its unit count as two."""
    return len(text.replace("\u00a0", " ").replace("\u202f", "").split())


def shortest_that_fits(forms: Sequence[str], names: Sequence[str], most: int) -> str:
    """Return the first form of at most so many words; names are cut to their first words where nothing else fits."""
    for length in (99, 3, 2, 1):
        for form in forms:
            short = form
            for name in sorted(names, key=len, reverse=True):
                short = short.replace(name, first_words(name, length))
            if words_in(short) <= most:
                return short
    return " ".join(forms[-1].split()[: most - 1]) + " …"


def first_words(name: str, length: int) -> str:
    """Return a name's first words, and an ellipsis where some were left out."""
    parts = name.split()
    return name if len(parts) <= length else " ".join(parts[:length]) + "…"


@dataclass(frozen=True)
class Standing:
    """Fuels of one metric as they stand: the leader, those that may be as good, and those that are not.

    Attributes
    ----------
    leader, rivals, others
        Ids, in the order of their means, the best first.
    near
        Those of the others that fall short of the leader by less than the margin, as their own verdicts say.
    means
        Rows of MEANS by fuel.
    """

    leader: str
    rivals: tuple[str, ...]
    others: tuple[str, ...]
    near: tuple[str, ...]
    means: Any

    def limits(self, fuel: str) -> tuple[float, float, float]:
        """Return a fuel's mean and its interval."""
        mean, low, high = (float(self.means.loc[fuel, name]) for name in ("mean", "low", "high"))
        return mean, low, high

    @property
    def open(self) -> bool:
        """Whether no fuel is ruled out."""
        return not self.others


def standing_of(data: ReportData, metric: str) -> Standing | None:
    """Return which fuels can be the best of a metric; None where that was not asked or cannot be told."""
    rows = data.rows("best", metric).dropna(subset=["mean"])
    if data.interim or not rows["can_be_best"].astype(bool).any():
        return None
    rows = rows.sort_values("mean", ascending=str(rows["better"].iloc[0]) == "less", kind="stable")
    can = rows["can_be_best"].astype(bool)
    (leader, *rivals), others = rows.loc[can, "fuel"], rows.loc[~can, "fuel"]
    pairs = data.rows("pairs", metric)
    pairs = pairs if len(pairs) else data.rows("comparisons", metric)
    pairs = pairs[pairs["verdict"].isin(WITHIN) & ((pairs["a"] == leader) | (pairs["b"] == leader))]
    near = tuple(fuel for fuel in others if fuel in {*pairs["a"], *pairs["b"]})
    means = data.rows("means", metric).set_index("fuel")
    return Standing(leader, tuple(rivals), tuple(others), near, means)


def best_claim(data: ReportData, metric: str) -> Claim | None:
    """Return which fuels can be the best of a metric and which cannot, with numbers; None where nobody can tell."""
    found = standing_of(data, metric)
    if found is None:
        return None
    spec, better = data.spec(metric), str(data.rows("best", metric)["better"].iloc[0])
    best = spec.phrases.best or f"{'most' if better == 'more' else 'least'} {data.label(metric)}"
    best = best.replace("{at}", threshold(spec, data.units))
    best = f"{best} of {data.these_bags}" if data.these_bags else best
    return _standing_claim(data, metric, found, "best", best, f"may be {spec.phrases.as_good}", "not")


def value_claim(data: ReportData) -> Claim | None:
    """Return which fuel is the better value at the prices paid; None where prices or costs are not known."""
    metric = price_metric(data)
    found = standing_of(data, metric) if metric.startswith("cost:") else None
    if found is None:
        return None
    of = f" of {data.these_bags}" if data.these_bags else ""
    best = f"best value{of} at the prices paid, by the hour above {threshold(data.spec(metric), data.units)}"
    return _standing_claim(data, metric, found, "value", best, "may be as cheap", "dearer")


def _standing_claim(
    data: ReportData,
    metric: str,
    found: Standing,
    kind: Literal["best", "value"],
    best: str,
    equal: str,
    fail: str,
) -> Claim:
    """Return the claim on which fuels are `best`, which are `equal` as far as one knows, and which `fail` to be."""
    spec, leader = data.spec(metric), data.name(found.leader)
    fuels = (found.leader, *found.rivals, *found.others)
    number, *means = (
        estimate_words(*found.limits(fuel), spec.unit, data.units) for fuel in (found.leader, *found.rivals)
    )
    rivals, near = (list(map(data.name, names)) for names in (found.rivals, found.near))
    used = {fuel: n for fuel, n in data.used(metric).items() if fuel in fuels}
    parts: dict[str, Any] = {"best": best, "leader": leader, "number": number, "equal": equal, "fail": fail}
    parts |= {"near": near, "far": len(found.others) - len(near), "margin": data.margin_words(metric)}
    parts["several_far"] = parts["far"] > 1
    parts |= {"open": found.open and len(fuels) > 2, "fuels": fuels, "here": data.here}
    parts |= {"rivals": [f"{name}, {mean}," for name, mean in zip(rivals, means, strict=True)]}
    parts |= {"many_near": len(near) > MOST_NAMED and len(near) == len(found.others), "names": rivals}
    parts |= {"nearest": bool(near) and found.near[0] == found.others[0] and not rivals}
    said = told_each(words()["claim"]["say"], parts)
    captions = (f"{capital(best)}: {listed([leader, *rivals], 'or')}", f"{leader}: {best}")
    (burns, bags), (mean, low, high) = used.get(found.leader, (0, 0)), found.limits(found.leader)
    return Claim(
        id=anchor("claim", kind, _quoted(metric)),
        kind=kind,
        metric=metric,
        a=found.leader,
        b="",
        verdict="not settled" if found.open else f"{kind} at {data.percent}",
        direction="" if found.open else "a",
        estimate=mean,
        low=low,
        high=high,
        level=data.level,
        scale=spec.scale,
        unit=spec.unit,
        n=(burns, burns),
        bags=(bags, bags),
        sentence=f"{'; '.join(told_each(words()['claim']['standing'], parts))} ({data.n_words(used)}).",
        number=number,
        say=shortest_that_fits((f"{'; '.join(said)}.", f"{said[0]}."), [leader, *rivals], MOST_SAID),
        caption=shortest_that_fits(captions, [leader, *rivals], MOST_CAPTION),
        interval=number,
        figure=f"values {metric}",
        primary=metric in data.primary or kind == "value",
    )


def overall_sentence(data: ReportData, metric: str) -> str:
    """Return whether the fuels differ at all in a metric, and whether it is known which; '' where not asked.

    Of two fuels it would say what their one comparison says.
    """
    rows = data.rows("overall", metric)
    if data.interim or len(data.cast) < 3 or not len(rows) or rows["p"].isna().any():
        return ""
    p, standing = float(rows["p"].iloc[0]), standing_of(data, metric)
    known = standing is not None and not standing.open
    own = [claim for claim in claims_of(data) if claim.metric == metric]
    return paragraph_of(
        "overall",
        label=data.label(metric),
        fuels=data.these_bags or "the fuels",
        p="< 0.001" if p < 0.0005 else f"= {p:.3f}" if p < 0.1 else f"= {p:.2f}",
        differ=p < 1 - data.level,
        known=known or any(claim.settled for claim in own),
        sharper=known or any(claim.direction for claim in own),
    )


def all_claims(data: ReportData) -> list[Claim]:
    """Return every claim of a report: best sets and value first, then the comparisons."""
    first = [best_claim(data, metric) for metric in data.primary]
    return [*(claim for claim in (*first, value_claim(data)) if claim is not None), *claims_of(data)]

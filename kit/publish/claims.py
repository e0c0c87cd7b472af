"""Findings and the sentences that say them: which fuels can be best, how two compare; the cards that hold them."""

import math
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import Any, Final, Literal

from kit.metrics import Metric
from kit.page.shown_numbers import Units, p_is
from kit.page.text import anchor, capital, escape_markdown, number_word, told, told_each
from kit.publish.report_data import ReportData, price_metric, prices_per_kg, report_data
from kit.publish.wording import (
    TIMES_FROM,
    Amount,
    Count,
    alike,
    amount_of,
    called,
    counts_of_two,
    estimate_words,
    label_of,
    paragraph_of,
    sentences_of,
    threshold,
    words,
)
from kit.schema import UNDECIDED

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


def counts_in(claim: Claim, data: ReportData) -> list[Count]:
    """Return burns and bags of each fuel that a claim is of, as pages tell them."""
    own = zip((claim.a, claim.b), claim.n, claim.bags, strict=True)
    return [data.noted(claim.metric, *each) for each in own if each[0]]


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
    return tuple(_pair(row, data) for row in data.table("comparisons").itertuples(index=False))


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


def _pair(row: Any, data: ReportData) -> Claim:
    """Return the claim that a row of the comparisons makes, told from the side that its sentence has."""
    spec, verdict = data.spec(row.metric), row.verdict
    margin = math.nan if row.margin is None else float(row.margin)
    amount = amount_of(row, spec, data.units, margin=margin)
    sides = [(row.a, row.n_a, row.bags_a), (row.b, row.n_b, row.bags_b)]
    if is_turned(amount, spec.better):
        sides, amount = sides[::-1], amount.turned
    (a, b), n = (fuel for fuel, *_ in sides), [data.noted(row.metric, *side) for side in sides]
    names, each = (data.name(a), data.name(b)), alike(n)
    short = spec.phrases.short if amount.above else spec.phrases.short_less
    parts: dict[str, Any] = {
        "data": data,
        "a": names[0],
        "b": names[1],
        "once": names[n[0].burns != 1],
        "open": verdict in UNDECIDED,
        "same": verdict == SAME,
        "amount": amount,
        "finding": amount.said_of(*names),
        "question": amount.said_of(*names, spec.phrases.question),
        "equal": amount.said_of(*names, spec.phrases.same),
        "margin": data.margin_words(row.metric),
        "minutes": _minutes(data, amount, a, b),
        "measure": label_of(spec, data.units.first),
        "of_these": f", for {data.these_bags}" if data.these_bags else "",
        "size": amount.end(amount.value),
        "burns": n[0].burns,
        "other_burns": "" if each else n[1].burns,
        "bags": each.bags if each else 0,
        "short": short.replace("{at}", threshold(spec, data.units.first)),
    }
    own = words()["claim"]
    for name in ("clause", "interval", "each", "of_bags"):  # each holds those before it
        parts[name] = told(own[name], parts)
    follows, number = (told(own[of].get(verdict, own[of]["different"]), parts) for of in ("told", "number"))
    of_burns = "" if verdict in NO_COUNT else f"; {counts_of_two(*names, n)}"
    drawn = data.rows("comparisons", row.metric)["low"].notna().any()
    return Claim(
        id=claim_id(row.metric, a, b),
        kind="pair",
        metric=row.metric,
        a=a,
        b=b,
        verdict=verdict,
        direction="" if amount.holds_zero or amount.low != amount.low else "a" if amount.above else "b",
        estimate=amount.value,
        low=amount.low,
        high=amount.high,
        level=float(row.level) if row.level == row.level else data.level,
        scale=row.scale,
        unit=row.unit,
        n=(n[0].burns, n[1].burns),
        bags=(n[0].bags, n[1].bags),
        sentence=f"{capital(parts['clause'])}{follows}{of_burns}.",
        number=number,
        say=shortest_that_fits(told_each(own["say_pair"], parts), data, MOST_SAID),
        caption=shortest_that_fits(told_each(own["caption"], parts), data, MOST_CAPTION),
        interval=amount.directed,
        figure=f"comparisons {row.metric}" if drawn else "",
        primary=row.metric in data.primary,
    )


def is_turned(amount: Amount, better: str) -> bool:
    """Return whether a pair is told from its second fuel.

    A multiple is told from the larger one ('2.4 times as long'); else a settled difference from the better one.
    """
    if amount.log and not 1 / TIMES_FROM < amount.value < TIMES_FROM:
        return 0 < amount.value <= 1 / TIMES_FROM
    none = 1.0 if amount.log else 0.0
    return amount.high < none if better == "more" else better == "less" and amount.low > none


def _minutes(data: ReportData, amount: Amount, a: str, b: str) -> str:
    """Return the difference in minutes, where a ratio of durations is told."""
    if amount.spec.unit != "min" or not amount.log:
        return ""
    means = data.rows("means", amount.spec.id).set_index("fuel")["mean"]
    base, apart = means.get(b, math.nan), means.get(a, math.nan) - means.get(b, math.nan)
    said = {"apart": round(abs(apart)), "more": apart > 0, "base": base} if abs(apart) >= 0.5 else {}
    return told(words()["claim"]["minutes"], said) if said else ""


def words_in(text: str) -> int:
    """Return how many words a text has; a number and its unit count as two."""
    return len(text.replace("\u00a0", " ").replace("\u202f", "").split())


def shortest_that_fits(forms: Sequence[str], data: ReportData, most: int, last: str = "") -> str:
    """Return the first form of at most so many words, fuels' names cut to their first words where nothing else fits.

    No name is cut to words with which another fuel's begins; what still does not fit gives way to `last`.
    """
    names = sorted((player.name for player in data.cast), key=len, reverse=True)
    for length in (99, 3, 2, 1):
        for form in forms:
            short = form
            for name in names:
                short = short.replace(name, first_words(name, length, names))
            if words_in(short) <= most:
                return short
    return last or " ".join(forms[-1].split()[: most - 1]) + " …"


def first_words(name: str, least: int, among: Sequence[str]) -> str:
    """Return a name's first words, at least so many and as many as tell it from others, and an ellipsis."""
    parts = name.split()
    for length in range(least, len(parts)):
        if sum(other.split()[:length] == parts[:length] for other in among) == 1:
            return " ".join(parts[:length]).rstrip(",;:") + "…"
    return name


@dataclass(frozen=True)
class Standing:
    """Fuels of one metric as they stand: the leader, those that may be as good, and those that are not.

    Attributes
    ----------
    leader, rivals, others
        Ids, in the order of their means, the best first.
    near
        Those of the others that fall short of the leader by less than the margin, as their own verdicts say.
    unjudged
        Why each further fuel that was burned is not among these, by id.
    means
        Rows of MEANS by fuel.
    """

    leader: str
    rivals: tuple[str, ...]
    others: tuple[str, ...]
    near: tuple[str, ...]
    unjudged: Mapping[str, str]
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
    fuels = (fuel for fuel, n in data.burned.items() if n.burns and fuel not in set(rows["fuel"]))
    unjudged = {fuel: why_unjudged(data, metric, fuel) for fuel in fuels}
    return Standing(leader, tuple(rivals), tuple(others), near, unjudged, means)


def why_unjudged(data: ReportData, metric: str, fuel: str) -> str:
    """Return why a fuel has no mean of a metric."""
    values = data.values_of(metric)
    statuses = set(values.loc[values["fuel"] == fuel, "status"])
    price = prices_per_kg(data).get(fuel)
    why = "never" if "never" in statuses else "missing" if statuses <= {"missing"} else "bounds"
    if why == "missing" and metric.startswith("cost:"):
        why = "free" if price == 0 else "missing" if price else "unpriced"
    return called("unjudged", why)


def best_words(spec: Metric, units: Units) -> str:
    """Return what the best of a metric is called: 'hottest', 'longest above 150 °C'."""
    said = spec.phrases.best or f"{_end(spec)} in {label_of(spec, units)}"
    return said.replace("{at}", threshold(spec, units))


def _was_best(spec: Metric, units: Units) -> str:
    """Return what the best of a metric did: 'peaked hottest', 'stayed above 150 °C longest'."""
    said = spec.phrases.was_best or f"had the {_end(spec)} {label_of(spec, units)}"
    return said.replace("{at}", threshold(spec, units))


def _end(spec: Metric) -> str:
    return "highest" if spec.better == "more" else "lowest"


def value_claim(data: ReportData) -> Claim | None:
    """Return which fuel is the better value at the prices paid; None where prices or costs are not known."""
    metric = price_metric(data)
    return best_claim(data, metric, "value") if metric.startswith("cost:") else None


def best_claim(data: ReportData, metric: str, kind: Literal["best", "value"] = "best") -> Claim | None:
    """Return which fuels can be the best of a metric and which cannot, with numbers; None where nobody can tell."""
    found = standing_of(data, metric)
    if found is None:
        return None
    spec, leader = data.spec(metric), data.name(found.leader)
    fuels = (found.leader, *found.rivals, *found.others)
    number, *means = (
        estimate_words(*found.limits(fuel), spec.unit, data.units) for fuel in (found.leader, *found.rivals)
    )
    rivals, near = (list(map(data.name, names)) for names in (found.rivals, found.near))
    used = {fuel: n for fuel, n in data.used(metric).items() if fuel in fuels}
    *first, last = [f"{name}, {mean}" for name, mean in zip(rivals, means, strict=True)] or [""]
    unjudged = [f"{data.name(fuel)}: not judged, {why}" for fuel, why in found.unjudged.items()]
    judged = f" of the {number_word(len(fuels))} judged" if unjudged else ""
    of = f"{judged} of {data.these_bags}" if data.these_bags else judged
    parts: dict[str, Any] = {
        "data": data,
        "spec": spec,
        "most": best_words(spec, data.units),
        "most_briefly": best_words(spec, data.units.first),
        "did_most": _was_best(spec, data.units),
        "did_most_briefly": _was_best(spec, data.units.first),
        "at": threshold(spec, data.units),
        "of": of,
        "of_few": f" of {number_word(len(fuels))}" if unjudged else "",
        "unjudged": "; ".join(unjudged),
        "leader": leader,
        "number": number,
        "names": rivals,
        "can": len(rivals) + 1,
        "rivals": ", and ".join(filter(None, [", ".join(first), last])) + "," if rivals else "",
        "near": near,
        "many_near": len(near) > MOST_NAMED and len(near) == len(found.others),
        "nearest": bool(near) and found.near[0] == found.others[0] and not rivals,
        "far": len(found.others) - len(near),
        "several_far": len(found.others) - len(near) > 1,
        "margin": data.margin_words(metric),
        "open": found.open and len(fuels) > 2,
        "fuels": fuels,
    }
    own = words()["claim"]
    parts |= {name: told(said, parts) for name, said in own[kind].items()}
    forms = [f"{'; '.join(told_each(own['say'], parts))}.", *told_each(own["say_briefly"], parts)]
    captions, unnamed = (told_each(own[name], parts) for name in ("caption_best", "caption_unnamed"))
    n, (mean, low, high) = used.get(found.leader, Count()), found.limits(found.leader)
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
        n=(n.burns, n.burns),
        bags=(n.bags, n.bags),
        sentence=f"{'; '.join(told_each(own['standing'], parts))} ({data.n_words(used)}).",
        number=number,
        say=shortest_that_fits(forms, data, MOST_SAID),
        caption=shortest_that_fits(
            captions, data, MOST_CAPTION, shortest_that_fits(unnamed, data, MOST_CAPTION)
        ),
        interval=number,
        figure=f"values {metric}",
        primary=metric in data.primary or kind == "value",
    )


def overall_sentence(data: ReportData, metric: str) -> str:
    """Return who never reached it, whether the others differ at all, and whether it is known which; '' where not asked.

    Whether two fuels of a trial differ is what their one comparison says.
    """
    p = data.rows("overall", metric)["p"].min() if data.many_fuels else math.nan
    values = data.in_order(data.values_of(metric))
    reached = (values["status"] != "never").groupby(values["fuel"], sort=False).agg(["sum", "size"])
    counts = [(data.name(fuel), n, of) for fuel, n, of in reached.itertuples() if n < of]
    short = [f"by {name} in {n or 'none'} of {of} burns" for name, n, of in counts]
    if data.interim or not (p >= 0 or short):
        return ""
    standing, means = standing_of(data, metric), data.in_order(data.rows("means", metric))
    known = standing is not None and not standing.open
    own = [claim for claim in claims_of(data) if claim.metric == metric]
    return data.said(
        "overall",
        label=data.label(metric),
        short=short,
        reached=list(map(data.name, means["fuel"])),
        those="they" if short else data.these_bags or "the fuels",
        tested=p >= 0,
        p=p_is(p),
        differ=p < 1 - data.level,
        known=known or any(claim.settled for claim in own),
        sharper=known or any(claim.direction for claim in own),
    )


def all_claims(data: ReportData) -> list[Claim]:
    """Return every claim of a report: best sets and value first, then the comparisons."""
    first = [best_claim(data, metric) for metric in data.primary if data.many_fuels]
    return [*(claim for claim in (*first, value_claim(data)) if claim is not None), *claims_of(data)]


REPORT: Final = "report.html"


def cards(analysis: Any) -> dict[str, str]:
    """Return the cards by file name."""
    return {"say.md": say_card(analysis), "how-we-know.md": how_we_know(analysis)}


def say_card(analysis: Any) -> str:
    """Return say.md: for each settled finding a sentence, a caption, interval, n, figure, and what not to say."""
    data = report_data(analysis)
    pairs, best = claims_of(data), [claim for claim in all_claims(data) if claim.kind != "pair"]
    ordered = dict.fromkeys([*best, *findings(data, len(pairs)), *pairs])
    told = [claim for claim in ordered if claim.settled]
    head = f"# What may be said: {escape_markdown(data.trial.title or 'this trial')}"
    first = [f"**{escape_markdown(text)}**" for text in sentences_of("say_first", data=data)]
    left = 0 if data.bare else sum(not claim.settled for claim in pairs)
    rest = sentences_of("say_last", data=data, told=told, left=left, comparisons=len(pairs))
    return "\n\n".join([head, *first, *(_card(claim, data) for claim in told), *rest]) + "\n"


def _card(claim: Claim, data: ReportData) -> str:
    said = [f"'{word}'" for word in (*NOT_TO_SAY, *["another bag"] * bool(data.these_bags))]
    said.append(called("not_to_say", claim.verdict if claim.kind == "pair" else claim.kind, "'every bag'"))
    n, a, b = counts_in(claim, data), data.name(claim.a), data.name(claim.b)
    texts = {
        "say": claim.say,
        "caption": claim.caption,
        "verdict": claim.verdict,
        "interval": f"{claim.interval or 'none'} ({100 * claim.level:g} %)",
        "n": counts_of_two(a, b, n) if claim.kind == "pair" else n[0].of(a),
        "not_to_say": ", ".join(said),
    }
    file, page = anchor(claim.figure), "appendix.html" if claim.kind == "value" else REPORT
    figure = f"[{file}]({page}#{anchor('figure', claim.figure)}), figures/{file}-film-light.png"
    drawn = bool(claim.figure) and (claim.kind == "value" or claim.metric in data.primary)
    return paragraph_of(
        "card",
        id=claim.id,
        figure=figure if drawn else "none; see [the tables](appendix.html#comparison-tables)",
        **{name: escape_markdown(text) for name, text in texts.items()},
    )


def how_we_know(analysis: Any) -> str:
    """Return how-we-know.md: three sentences for a doubting reader, with links."""
    data = report_data(analysis)
    title = escape_markdown(data.trial.title or "this trial")
    sentences = " ".join(map(escape_markdown, three_sentences(data)))
    links = "\n".join(told_each(words()["know_links"], {"data": data}))
    return f"# How we know: {title}\n\n{sentences}\n\n{links}\n"


def three_sentences(data: ReportData) -> list[str]:
    """Return three sentences: what was done, how differences were judged, how anyone can check."""
    primary = [claim for claim in claims_of(data) if claim.primary]
    parts = {
        "burned": "simulated" if data.simulated else "burned",
        "n": Count(*(sum(each) for each in zip(Count(), *data.burned.values(), strict=True))),
        "where": f" (cooker: {data.trial.cooker})" if data.trial.cooker else "",
        "measures": [data.label(metric) for metric in data.primary] or "what was logged",
        "spread": f"burns of {data.these_bags}" if data.these_bags else "bags and burns of one fuel",
        "settled": sum(claim.settled for claim in primary),
        "comparisons": primary,
    }
    return sentences_of("know", data=data, **parts)

"""How each metric is talked about: one phrase for more, less, many times as much, the same, and not settled."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from kit.schema import Metric


@dataclass(frozen=True)
class Phrase:
    """Sentences of one metric, with {a}, {b}, {amount} and {at} (a threshold or a cook) to fill in.

    Attributes
    ----------
    more, less
        A clause in which {a} is above or below {b} by {amount}.
    times
        The same as a multiple: {amount} is '2.4 times'.
    question
        What is asked of {a} and {b}, after 'whether'.
    same
        A clause in which both are the same.
    short, short_less
        Two or three words for a caption, in which {a} has more, or less, of it.
    side_more, side_less, side_times
        What follows a bare amount: '22 % longer', '8 % shorter', '2.4 times as long'.
    """

    more: str
    less: str
    times: str
    question: str
    same: str
    short: str
    short_less: str
    side_more: str
    side_less: str
    side_times: str = "as much"


PHRASES: Mapping[str, Phrase] = {
    "peak": Phrase(
        "{a} peaked {amount} hotter than {b}",
        "{a} peaked {amount} cooler than {b}",
        "{a}'s peak was {amount} {b}'s",
        "{a} or {b} peaked hotter",
        "{a} and {b} peaked the same",
        "hotter peak",
        "cooler peak",
        "hotter",
        "cooler",
    ),
    "peak_raw": Phrase(
        "{a}'s highest reading was {amount} hotter than {b}'s",
        "{a}'s highest reading was {amount} cooler than {b}'s",
        "{a}'s highest reading was {amount} {b}'s",
        "{a} or {b} had the hotter highest reading",
        "{a} and {b} had the same highest reading",
        "hotter highest reading",
        "cooler highest reading",
        "hotter",
        "cooler",
    ),
    "time_to": Phrase(
        "{a} took {amount} longer than {b} to reach {at}",
        "{a} took {amount} less time than {b} to reach {at}",
        "{a} took {amount} as long as {b} to reach {at}",
        "{a} or {b} reached {at} sooner",
        "{a} and {b} took equally long to reach {at}",
        "later at {at}",
        "sooner at {at}",
        "longer",
        "less",
        "as long",
    ),
    "time_above": Phrase(
        "{a} stayed above {at} {amount} longer than {b}",
        "{a} stayed above {at} for {amount} less time than {b}",
        "{a} stayed above {at} {amount} as long as {b}",
        "{a} or {b} stayed above {at} longer",
        "{a} and {b} stayed above {at} equally long",
        "longer above {at}",
        "shorter above {at}",
        "longer",
        "shorter",
        "as long",
    ),
    "longest_spell": Phrase(
        "{a}'s longest spell above {at} was {amount} longer than {b}'s",
        "{a}'s longest spell above {at} was {amount} shorter than {b}'s",
        "{a}'s longest spell above {at} was {amount} as long as {b}'s",
        "{a} or {b} had the longer spell above {at}",
        "{a}'s and {b}'s longest spells above {at} were equally long",
        "longer spell above {at}",
        "shorter spell above {at}",
        "longer",
        "shorter",
        "as long",
    ),
    "plateau": Phrase(
        "{a} held a level {amount} hotter than {b}",
        "{a} held a level {amount} cooler than {b}",
        "{a} held a level {amount} {b}'s",
        "{a} or {b} held the hotter level",
        "{a} and {b} held the same level",
        "hotter level",
        "cooler level",
        "hotter",
        "cooler",
    ),
    "steadiness": Phrase(
        "{a} burned less steadily than {b}, with swings {amount} larger",
        "{a} burned more steadily than {b}, with swings {amount} smaller",
        "{a} burned less steadily than {b}, with swings {amount} as large",
        "{a} or {b} burned more steadily",
        "{a} and {b} burned equally steadily",
        "less steady",
        "steadier",
        "larger swings",
        "smaller swings",
        "the swings",
    ),
    "mean_rate": Phrase(
        "{a} burned more restlessly than {b}, the temperature moving {amount} faster",
        "{a} burned more calmly than {b}, the temperature moving {amount} slower",
        "{a} burned more restlessly than {b}, the temperature moving {amount} as fast",
        "{a} or {b} burned more calmly",
        "{a} and {b} burned equally calmly",
        "more restless",
        "calmer",
        "faster moves",
        "slower moves",
        "as fast",
    ),
    "departures": Phrase(
        "{a} strayed from the trend {amount} more often than {b}",
        "{a} strayed from the trend {amount} less often than {b}",
        "{a} strayed from the trend {amount} as often as {b}",
        "{a} or {b} strayed from the trend more often",
        "{a} and {b} strayed from the trend equally often",
        "more departures",
        "fewer departures",
        "more often",
        "less often",
        "as often",
    ),
    "degree_hours": Phrase(
        "{a} gave {amount} more degree-hours of heat than {b}",
        "{a} gave {amount} fewer degree-hours of heat than {b}",
        "{a} gave {amount} as many degree-hours of heat as {b}",
        "{a} or {b} gave more degree-hours of heat",
        "{a} and {b} gave equally many degree-hours of heat",
        "more degree-hours",
        "fewer degree-hours",
        "more",
        "fewer",
        "as many",
    ),
    "near_ambient": Phrase(
        "the cooker took {amount} longer to get nearly cold with {a} than with {b}",
        "the cooker took {amount} less time to get nearly cold with {a} than with {b}",
        "the cooker took {amount} as long to get nearly cold with {a} as with {b}",
        "the cooker got nearly cold sooner with {a} or with {b}",
        "the cooker took equally long to get nearly cold with {a} and with {b}",
        "cooker warm longer",
        "cooker cold sooner",
        "longer",
        "less",
        "as long",
    ),
    "cool_down": Phrase(
        "with {a} the cooker took {amount} longer to cool down than with {b}",
        "with {a} the cooker took {amount} less time to cool down than with {b}",
        "with {a} the cooker took {amount} as long to cool down as with {b}",
        "the cooker cooled down sooner with {a} or with {b}",
        "with {a} and {b} the cooker cooled down equally fast",
        "slower cooling",
        "quicker cooling",
        "longer",
        "less",
        "as long",
    ),
    "ready": Phrase(
        "{a} took {amount} longer than {b} to be ready",
        "{a} took {amount} less time than {b} to be ready",
        "{a} took {amount} as long as {b} to be ready",
        "{a} or {b} took longer to be ready",
        "{a} and {b} took equally long to be ready",
        "ready later",
        "ready sooner",
        "longer",
        "less",
        "as long",
    ),
    "burn_rate": Phrase(
        "{a} burned {amount} faster than {b}",
        "{a} burned {amount} slower than {b}",
        "{a} burned {amount} as fast as {b}",
        "{a} or {b} burned faster",
        "{a} and {b} burned equally fast",
        "faster burn",
        "slower burn",
        "faster",
        "slower",
        "as fast",
    ),
    "ash": Phrase(
        "{a} left {amount} more ash than {b}",
        "{a} left {amount} less ash than {b}",
        "{a} left {amount} as much ash as {b}",
        "{a} or {b} left more ash",
        "{a} and {b} left equally much ash",
        "more ash",
        "less ash",
        "more",
        "less",
    ),
    "unburnt": Phrase(
        "{a} left {amount} more fuel unburnt than {b}",
        "{a} left {amount} less fuel unburnt than {b}",
        "{a} left {amount} as much fuel unburnt as {b}",
        "{a} or {b} left more fuel unburnt",
        "{a} and {b} left equally much fuel unburnt",
        "more left over",
        "less left over",
        "more",
        "less",
    ),
    "bulk_density": Phrase(
        "{a} packed {amount} denser in the starter than {b}",
        "{a} packed {amount} looser in the starter than {b}",
        "{a} packed {amount} as dense in the starter as {b}",
        "{a} or {b} packed denser in the starter",
        "{a} and {b} packed equally dense in the starter",
        "denser",
        "looser",
        "denser",
        "looser",
        "as dense",
    ),
    "cost": Phrase(
        "an hour above {at} cost {amount} more with {a} than with {b}",
        "an hour above {at} cost {amount} less with {a} than with {b}",
        "an hour above {at} cost {amount} as much with {a} as with {b}",
        "an hour above {at} cost less with {a} or with {b}",
        "an hour above {at} cost the same with {a} and with {b}",
        "dearer by the hour",
        "cheaper by the hour",
        "more",
        "less",
    ),
    "band": Phrase(
        "{a} held the heat for {at} {amount} longer than {b}",
        "{a} held the heat for {at} for {amount} less time than {b}",
        "{a} held the heat for {at} {amount} as long as {b}",
        "{a} or {b} held the heat for {at} longer",
        "{a} and {b} held the heat for {at} equally long",
        "longer for {at}",
        "shorter for {at}",
        "longer",
        "shorter",
        "as long",
    ),
}


def possessed(text: str, *names: str) -> str:
    """Return text in which a name that ends in s takes its apostrophe alone."""
    for name in names:
        if name.endswith("s"):
            text = text.replace(f"{name}'s", f"{name}'")
    return text


def phrase_of(spec: Metric) -> Phrase:
    """Return the phrases of a metric; of a declared one from its label and its words for more and less."""
    if spec.base in PHRASES and spec.source != "declared":
        return PHRASES[spec.base]
    label = spec.label.replace("{", "(").replace("}", ")")
    return Phrase(
        f"{{a}}'s {label} was {{amount}} more than {{b}}'s",
        f"{{a}}'s {label} was {{amount}} less than {{b}}'s",
        f"{{a}}'s {label} was {{amount}} {{b}}'s",
        f"{{a}} or {{b}} had more {label}",
        f"{{a}} and {{b}} had the same {label}",
        f"more {label}",
        f"less {label}",
        "more",
        "less",
    )

"""The sections of a report, one module each; every function takes an analysis and returns a `Section`."""

from kit.publish.sections.burn_curves import curves
from kit.publish.sections.care import cautions
from kit.publish.sections.each_fuel import fuels
from kit.publish.sections.first_screen import answer
from kit.publish.sections.for_cooks import cooks
from kit.publish.sections.how import method
from kit.publish.sections.odd import odd_burns
from kit.publish.sections.pairs import comparisons
from kit.publish.sections.quality import data_quality
from kit.publish.sections.section import Section
from kit.publish.sections.spread import variation
from kit.publish.sections.traces import provenance
from kit.publish.sections.two import two_fuels

__all__ = [
    "Section",
    "answer",
    "cautions",
    "comparisons",
    "cooks",
    "curves",
    "data_quality",
    "fuels",
    "method",
    "odd_burns",
    "provenance",
    "two_fuels",
    "variation",
]

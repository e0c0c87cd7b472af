"""The topics of a report, one file each; every function takes an analysis and returns a `Section`."""

from kit.publish.sections.burn_curves import curves
from kit.publish.sections.first_screen import answer
from kit.publish.sections.fuels import cooks, fuel_tables, fuels
from kit.publish.sections.method import (
    cautions,
    method,
    method_tables,
    methods,
    provenance,
    provenance_tables,
    tester_notes,
    write_methods,
)
from kit.publish.sections.pairs import comparison_tables, comparisons, two_fuels
from kit.publish.sections.quality import data_quality, odd_burns, odd_tables, quality_tables
from kit.publish.sections.section import Section
from kit.publish.sections.variation import variation, variation_tables

__all__ = [
    "Section", "answer", "cautions", "comparison_tables", "comparisons", "cooks", "curves", "data_quality",
    "fuel_tables", "fuels", "method", "method_tables", "methods", "odd_burns", "odd_tables", "provenance",
    "provenance_tables", "quality_tables", "tester_notes", "two_fuels", "variation", "variation_tables",
    "write_methods",
]  # fmt: skip

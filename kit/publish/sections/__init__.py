"""The topics of a report, one file each; every function takes an analysis and returns a `Section`."""

from kit.publish.sections.burn_curves import curves as curves
from kit.publish.sections.first_screen import answer as answer
from kit.publish.sections.fuels import cooks as cooks
from kit.publish.sections.fuels import fuel_tables as fuel_tables
from kit.publish.sections.fuels import fuels as fuels
from kit.publish.sections.method import cautions as cautions
from kit.publish.sections.method import method as method
from kit.publish.sections.method import method_tables as method_tables
from kit.publish.sections.method import provenance as provenance
from kit.publish.sections.method import provenance_tables as provenance_tables
from kit.publish.sections.method import tester_notes as tester_notes
from kit.publish.sections.pairs import comparison_tables as comparison_tables
from kit.publish.sections.pairs import comparisons as comparisons
from kit.publish.sections.quality import data_quality as data_quality
from kit.publish.sections.quality import odd_burns as odd_burns
from kit.publish.sections.quality import odd_tables as odd_tables
from kit.publish.sections.quality import quality_tables as quality_tables
from kit.publish.sections.section import Section as Section
from kit.publish.sections.two_fuels import two_fuels as two_fuels
from kit.publish.sections.variation import variation as variation
from kit.publish.sections.variation import variation_tables as variation_tables

"""Reports: the notebook run, its page, numbers and figures beside it, bundles, and their recheck."""

from kit.publish.bundle import make_bundle as make_bundle
from kit.publish.many import report_many as report_many
from kit.publish.many import write_index as write_index
from kit.publish.recheck import recheck as recheck
from kit.publish.report import make_report as make_report
from kit.results_file import reports_of as reports_of

"""Reports: the notebook run, its page, numbers and figures beside it, bundles, and their recheck."""

from kit.publish.bundle import Bundle, make_bundle
from kit.publish.index import write_index
from kit.publish.many import Many, report_many
from kit.publish.notebook import NotRunError
from kit.publish.recheck import Recheck, recheck
from kit.publish.report import make_report
from kit.results_file import reports_of

__all__ = [
    "Bundle",
    "Many",
    "NotRunError",
    "Recheck",
    "make_bundle",
    "make_report",
    "recheck",
    "report_many",
    "reports_of",
    "write_index",
]

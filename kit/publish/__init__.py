"""Reports: the notebook run, its page, numbers and figures beside it, bundles, and their recheck."""

from kit.publish.report import make_report

__all__ = ["make_report"]

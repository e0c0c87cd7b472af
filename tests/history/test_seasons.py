"""Seasons in their true order, and each product once, however a season names it."""

from dataclasses import replace

import numpy as np
import pytest

from kit.errors import KitError
from kit.history import history_of, newest_reports, open_seasons
from kit.history.seasons import fuel_labels
from tests.history.folders import write_folder
from tests.simulate.history import made_season

RNG = np.random.default_rng


def without_days(season):
    rows = {name: [row._replace(day="") for row in rows] for name, rows in season.rows.items()}
    return replace(season, rows=rows)


def test_a_season_without_days_stands_where_its_first_report_says(tmp_path):
    seasons = [made_season(k, RNG(k), 30.0 * k) for k in range(3)]
    folders = [
        write_folder(seasons[0], tmp_path),
        write_folder(without_days(seasons[1]), tmp_path),
        write_folder(seasons[2], tmp_path),
    ]
    blank = folders[1] / "reports"
    (blank / "2026-05-14-standard").rename(blank / "2000-12-24-standard")
    later = blank / "2026-01-02-standard"  # made again much later: the burns are no younger for it
    later.mkdir()
    (later / "results.json").write_bytes((blank / "2000-12-24-standard" / "results.json").read_bytes())
    opened = open_seasons(newest_reports(reversed(folders)))
    assert [each.folder for each in opened] == ["s00", "s01", "s02"]
    assert opened[1].first_day == "" and opened[1].dated == "2000-12-24"
    drift = history_of(opened).metrics["peak"].chart.drift.iloc[0]
    assert drift["change"] > 0 and 10 < drift["per_year"] < 200


def test_a_season_is_called_by_title_and_months_and_by_its_folder_where_another_is_called_the_same(tmp_path):
    def called(*seasons, place, **changes):
        folders = [write_folder(season, tmp_path / place, changes) for season in seasons]
        return [each.name for each in open_seasons(newest_reports(folders))]

    spring, autumn = (made_season(k, RNG(k)) for k in range(2))
    names = ["'Which lump?' of March 2000", "'Which lump?' of September 2000"]
    assert called(spring, autumn, place="a", title="Which lump?") == names
    assert called(spring, replace(autumn, name="s07"), place="b", title="") == [
        "s00 of March 2000",
        "s07 of September 2000",
    ]
    again = replace(spring, name="s09")
    assert called(spring, again, place="c", title="x") == [
        "'x' of March 2000 (s00)",
        "'x' of March 2000 (s09)",
    ]
    assert called(without_days(spring), again, place="d") == ["'made' of March 2000", "'made'"]
    rows = {
        "peak": [
            row._replace(day="2000-12-30" if row.burn < "10" else "2001-01-02") for row in spring.rows["peak"]
        ]
    }
    assert called(replace(spring, rows=rows), place="e") == ["'made' of December 2000 to January 2001"]


def test_a_copy_of_a_season_is_refused_even_where_one_of_the_two_has_grown(tmp_path):
    logs = [f"logs/{k}.csv" for k in range(9)]

    def folder(k, inputs):
        return write_folder(made_season(k, RNG(k)), tmp_path, inputs=["trial.toml", *inputs])

    copy, whole, own = (
        folder(0, logs[:3]),
        folder(1, logs),
        folder(2, ["logs/other.csv", "logs/3.csv", "logs/x.csv"]),
    )
    with pytest.raises(KitError) as caught:
        open_seasons(newest_reports([copy, whole, own]))
    assert [(each.where, each.found) for each in caught.value.problems] == [(str(copy), f"logs of {whole}")]
    # a day's log of two trials and the same trial file make no copy
    assert len(open_seasons(newest_reports([whole, own]))) == 2


def test_a_day_that_is_none_is_refused_by_name(tmp_path):
    season = made_season(0, RNG(0))
    season.rows["peak"][3] = season.rows["peak"][3]._replace(day="2026-13-45")
    with pytest.raises(KitError, match=r"s00.*results.json, metrics: found day '2026-13-45'"):
        open_seasons(newest_reports([write_folder(season, tmp_path)]))


ALDER = {"id": "alder", "name": "Alder lump", "brand": "Hillside"}


@pytest.mark.parametrize(
    ("first", "second", "labels"),
    [
        (ALDER, {"id": "alder"}, ("Alder lump, Hillside",) * 2),
        ({"id": "alder"}, ALDER, ("Alder lump, Hillside",) * 2),
        ({**ALDER, "id": "f1"}, {"id": "alder lump", "name": ""}, ("Alder lump, Hillside",) * 2),
        (ALDER, {"id": "x", "name": "alder  LUMP"}, ("Alder lump, Hillside",) * 2),
        (ALDER, {**ALDER, "id": "x"}, ("Alder lump, Hillside",) * 2),
        (ALDER, {"id": "alder", "name": "Alder lump", "brand": "Dale"}, ("Alder lump, Hillside", "Alder lump, Dale")),
        (ALDER, {"id": "alder", "name": "Alder briquettes"}, ("Alder lump, Hillside", "Alder briquettes")),
        (ALDER, {"id": "olive"}, ("Alder lump, Hillside", "olive")),
        ({"id": "alder"}, {"id": "alder"}, ("alder", "alder")),
    ],
)  # fmt: skip
def test_a_product_is_one_however_a_season_names_it(first, second, labels):
    found = fuel_labels([[first], [second]])
    assert (found[0][first["id"]], found[1][second["id"]]) == labels


def test_an_id_that_may_be_two_products_is_taken_for_none():
    other = {"id": "alder", "name": "Alder lump", "brand": "Dale"}
    assert fuel_labels([[ALDER], [other], [{"id": "alder"}]])[2] == {"alder": "alder"}


def test_one_season_by_name_and_one_by_id_count_as_one_fuel(tmp_path):
    bare = [{"id": f"f{k}"} for k in range(10)]
    seasons = [made_season(k, RNG(k)) for k in range(2)]
    folders = [write_folder(seasons[0], tmp_path), write_folder(seasons[1], tmp_path, {"fuels": bare})]
    opened = open_seasons(newest_reports(folders))
    assert set(opened[0].fuels) == set(opened[1].fuels) and opened[1].control == "fuel 0"
    assert len(history_of(opened).metrics["peak"].standing) == len(opened[0].fuels)

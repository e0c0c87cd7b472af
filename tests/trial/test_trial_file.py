"""trial.toml: what is read, and every fault at its line with its remedy."""

import math
import time

import pytest

from kit.errors import Faults, KitError
from kit.trial import open_run
from kit.trial.run import lender_folders
from kit.trial.toml_reader import parse_toml
from kit.trial.trial_file import read_trial
from tests.trial.folders import TRIAL, folder, only, opened, problems


def trial_of(tmp_path, text):
    return opened(tmp_path, trial=text).trial


def test_the_keys_of_the_trial_are_its_attributes(tmp_path):
    trial = trial_of(tmp_path, TRIAL)
    assert (trial.title, trial.control_fuel, trial.time_zero) == ("three fuels", "alder", "lit")
    assert trial.thresholds == (110, 180)
    assert trial.primary == ("peak", "time_above:110")
    assert [fuel.kind for fuel in trial.fuels] == ["lump", "briquette"]
    assert trial.fuel("olive").label == "olive"
    assert trial.metric("time_above:110").unit == "min"
    assert trial.cleaning.spike_k > 0 and trial.measuring.median_s >= 60


def test_margins_are_on_the_analysis_scale_and_kept_as_written(tmp_path):
    margins = trial_of(tmp_path, TRIAL.replace('"15 °C"', '"27 °F"')).margins
    assert (margins["peak"].value, margins["peak"].unit, margins["peak"].written) == (15, "°C", "27 °F")
    assert margins["time_above:110"].value == pytest.approx(math.log(1.1))
    assert margins["time_above:110"].unit == "ln"


def test_thresholds_may_carry_a_unit_everywhere(tmp_path):
    text = TRIAL.replace("[110, 180]", '["230 °F", 180, "300 °F"]')
    text = text.replace('"time_above:110"]', '"time_above:230 °F", "time_to:148.89", "longest_spell:180.0"]')
    trial = trial_of(tmp_path, text)
    assert trial.threshold_ids == ("110", "180", "148.89")
    assert trial.primary == ("peak", "time_above:110", "time_to:148.89", "longest_spell:180")


def test_without_declared_primaries_the_lowest_threshold_is_one(tmp_path):
    text = TRIAL.replace('primary = ["peak", "time_above:110"]\n', "")
    assert trial_of(tmp_path, text.replace("[110, 180]", "[150, 110, 180]")).primary == (
        "peak",
        "time_above:110",
    )


def test_how_metrics_are_measured_stands_in_the_same_table(tmp_path):
    trial = trial_of(tmp_path, TRIAL.replace("[margins]", "mean_s = 240\n[margins]"))
    assert trial.measuring.mean_s == 240
    assert not hasattr(trial.measuring, "thresholds")


CHANGED = [
    ('title = "three', 'titel = "three', "line 2, [trial], key titel", "Did you mean 'title'?"),
    ("[margins]", "[margin]", "line 9, the file", "Did you mean 'margins'?"),
    ('"three fuels"', "3", "line 2, [trial], key title", "expected text in quotes"),
    ('= "alder"\n\n', '= "aldr"\n\n', "line 3, [trial], key control_fuel", "Did you mean 'alder'?"),
    ('["peak",', '["peek",', "line 7, [metrics], key primary.1", "Did you mean 'peak'?"),
    ('["peak",', '["time_above",', "line 7, [metrics], key primary.1", "'time_above:…' with a threshold"),
    ('["peak",', '["peak:110",', "line 7, [metrics], key primary.1", "'peak' alone"),
    ('["peak",', '["band:smoke",', "line 7, [metrics], key primary.1", "[[cook]] name, low, high"),
    ('["peak",', '["time_above:150",', "line 7, [metrics], key primary.1", "Add 150 to thresholds"),
    ("[110, 180]", '[110, "hot"]', "line 6, [metrics], key thresholds.2", '"230 °F"'),
    ("[110, 180]", "[110, 180, 110]", "line 6, [metrics], key thresholds.3", "each threshold once"),
    ('"15 °C"', "15", "line 10, [margins], key peak", '"15 °C" or "27 °F"'),
    ('"15 °C"', '"10 %"', "line 10, [margins], key peak", "analysed as a difference"),
    ('"15 °C"', '"-15 °C"', "line 10, [margins], key peak", "a margin above zero"),
    ('"10 %"', '"10 min"', "line 11, [margins], key time_above:110", "analysed as a ratio"),
    ('"10 %"', '"0 %"', "line 11, [margins], key time_above:110", "a margin above zero"),
    ('peak = "15', 'peak_ = "15', "line 10, [margins], key peak_", "Did you mean 'peak'?"),
    ('id = "olive"', 'id = "alder"', "line 18, [[fuel]] 2, key id", "already at trial.toml, line 14"),
    ('id = "olive"', 'id = ""', "line 18, [[fuel]] 2, key id", "a short name"),
    ('kind = "lump"', 'price = "3"', "line 15, [[fuel]] 1, key price", "without quotes"),
    ('kind = "lump"', "price = nan", "line 15, [[fuel]] 1, key price", "a finite number"),
    ('kind = "lump"', "price = -1", "line 15, [[fuel]] 1, key price", "at least 0"),
    ('kind = "lump"', "price_date = 2026", "line 15, [[fuel]] 1, key price_date", "2026-05-14"),
    ('kind = "lump"', 'price_date = "14/05/2026"', "line 15, [[fuel]] 1, key price_date", "2026-05-14"),
    ('kind = "lump"', 'price_date = "2026-02-30"', "line 15, [[fuel]] 1, key price_date", "calendar"),
    (
        'kind = "lump"',
        "lab = { mosture = 3 }",
        "line 15, [[fuel]] 1, key lab.mosture",
        "Did you mean 'moisture'?",
    ),
    ('kind = "lump"', 'obtained = "gifted"', "line 15, [[fuel]] 1, key obtained", "'bought', 'given'"),
]


@pytest.mark.parametrize(("old", "new", "where", "words"), CHANGED, ids=[new for _, new, _, _ in CHANGED])
def test_a_fault_is_named_with_line_key_and_remedy(tmp_path, old, new, where, words):
    assert old in TRIAL
    text = TRIAL.replace(old, new, 1)
    problem = problems(tmp_path, trial=text)[0]
    assert where in problem.where
    assert words in str(problem)


ADDED = [
    ('[trial]\ntime_zero = "lid"', "one of: 'lit', 'tipped', 'lid on'"),
    ('[trial]\ntimezone = "Europe/Berln"', "Did you mean 'Europe/Berlin'?"),
    ("[model]\nconfidence = 95", "below 1"),
    ('[model]\nspread = "by fule"', "Did you mean 'by fuel'?"),
    ('[model]\ncovariates = ["wind"]', "a column of burns.csv"),
    ('[model]\nborrow_from = ["../nowhere"]', "a run folder, its path from this one"),
    ("[charge]\ngrams = 0", "above 0"),
    ("[charge]\ngram = 400", "Did you mean 'grams'?"),
    ("[cleaning]\nspike = 3", "a key of [cleaning]"),
    ('[[cook]]\nname = "low"\nlow = 150\nhigh = "230 °F"', "a low below the high"),
    ('[[cook]]\nname = "low"\nlow = 100\nhigh = 100', "a low below the high"),
    ("[[cook]]\nlow = 100\nhigh = 120", "no 'name'"),
    ('[[probe]]\nid = "a"\n[[probe]]\nid = "a"', "'a' a second time"),
    ('[[probe]]\nid = "a@b"', "without @"),
    ('[[probe]]\nid = "a"\naltitude_m = 3\npressure_hpa = 990', "one of the two"),
    ('[[logger]]\nid = "A"\n[[logger]]\nid = "A"', "'A' a second time"),
    ('[[probe]]\nid = "grate"\n[[logger]]\ncolumns = { grat = "T1" }', "Did you mean 'grate'?"),
    ('[[bag]]\nid = "1"\nfuel = "oliv"', "Did you mean 'olive'?"),
    ('[[setting]]\nid = "s"\n[[setting]]\nid = "s"', "'s' a second time"),
    ('[[setting]]\nid = "s"\ntarget = "low"', "the name of a [[cook]]"),
    ('[trial]\npairs = [["alder", "alder"]]', "two different fuels"),
    ("[plan]\nbags = 1.5", "a whole number"),
    ("[plan]\nstages = [0]", "at least 1"),
    ('[cleaning]\nspike_k = "30 K"', "Write spike_k = 30."),
    ("[cleaning]\nlag_correction = 1", "true or false"),
    ("[cleaning]\nspike_window = 15.5", "a whole number"),
    ("[metrics]\nhold_min = true", "a number, without quotes"),
    ('[metrics]\nbridge_min = "3"', "Write bridge_min = 3."),
    ("[metrics]\nplateau_min = [30]", "found [30]; expected more than 1"),
    ("[metrics]\ncool_down_c = [200, 110, 90]", "at most 2 values"),
    ("[model]\nspread = 3", "one of: 'common', 'by fuel', 'by kind'"),
    ('[setting]\nid = "low"', "Write [[setting]] above its keys."),
    ("[[charge]]\ngrams = 400", "Write [charge] above its keys."),
    ("[[charge.more]]\ngrams = 400", "a key of [charge]"),
]


@pytest.mark.parametrize(("more", "words"), ADDED, ids=[more for more, _ in ADDED])
def test_a_faulty_table_is_named(tmp_path, more, words):
    table, _, _ = more.partition("\n")
    text = TRIAL.replace(table + "\n", more + "\n") if table in TRIAL else f"{TRIAL}\n{more}\n"
    found = problems(tmp_path, trial=text)
    assert any(words in str(problem) for problem in found), "\n".join(map(str, found))
    named = ("line", "covariates", "borrow_from", "column setting")
    assert all(any(word in problem.where for word in named) for problem in found)


def test_all_faults_come_at_once_in_the_order_of_their_lines(tmp_path):
    text = TRIAL.replace("title", "titel").replace("15 °C", "15 %").replace('kind = "lump"', "bag = 3")
    text = text.replace('control_fuel = "alder"', 'control_fuel = "aldr"')
    found = problems(tmp_path, trial=text)
    assert [problem.where.split(", ")[1] for problem in found] == ["line 2", "line 10", "line 15"]


def test_a_faulty_fuel_does_not_make_its_burns_unknown(tmp_path):
    found = problems(tmp_path, trial=TRIAL.replace('id = "olive"', "id = 3"))
    assert len(found) == 1 and "line 18" in found[0].where


SYNTAX = [
    ('title = "three fuels"', "title = three fuels", "line 2", 'title = "three fuels"'),
    ('title = "three fuels"', "title = “three fuels”", "line 2", "straight quotes"),
    (
        '"time_above:110" = "10 %"',
        'time_above:110 = "10 %"',
        "line 11",
        'Put the key in quotes: "time_above:110"',
    ),
    ('title = "three fuels"', 'title = "C:\\dir"', "line 2", "single quotes"),
    ('title = "three fuels"', "title = 1,5", "line 2", "with a point"),
    ('title = "three fuels"', 'title = "a"\ntitle = "b"', "line 3", "may stand once"),
    ("[metrics]", "[metrics", "line 5", "a table in brackets"),
]


@pytest.mark.parametrize(("old", "new", "where", "words"), SYNTAX, ids=[new for _, new, _, _ in SYNTAX])
def test_a_line_that_is_no_toml_is_shown_with_a_hint(tmp_path, old, new, where, words):
    problem = only(tmp_path, trial=TRIAL.replace(old, new, 1))
    assert where in problem.where
    assert words in str(problem)


@pytest.mark.parametrize(
    "saved",
    [
        TRIAL.encode("utf-8-sig"),
        TRIAL.encode("utf-16"),
        TRIAL.encode("utf-16-le"),
        TRIAL.replace("\n", "\r\n").encode(),
        TRIAL.replace("\n", "\r").encode(),
    ],
    ids=["bom", "utf-16", "utf-16 without mark", "crlf", "cr"],
)
def test_it_is_read_however_an_editor_saved_it(tmp_path, saved):
    assert opened(tmp_path, trial=saved).trial.margins["peak"].value == 15


def test_an_old_encoding_is_read_and_remarked(tmp_path):
    run = opened(tmp_path, trial=TRIAL.encode("cp1252"))
    assert run.trial.margins["peak"].value == 15
    assert any("cp1252" in note for note in run.notes)


def test_no_trial_file_is_asked_for_with_the_lines_to_save(tmp_path):
    problem = only(tmp_path, trial=None)
    assert problem.kind == "ask"
    assert problem.remedy.endswith('[[fuel]]\nid = "alder"\n[[fuel]]\nid = "olive"')
    (tmp_path / "trial.toml").write_text(problem.remedy.partition(":\n")[2], encoding="utf-8")
    assert opened(tmp_path, trial=None).trial.primary == ("peak", "time_above:110")


def test_hostile_keys_do_not_reach_the_terminal(tmp_path):
    found = problems(tmp_path, trial='"a\\u001b[2J" = 1\n' + TRIAL)
    assert not any("\x1b" in str(problem) for problem in found)


@pytest.mark.parametrize("text", ["a = " + "[" * 100_000, "x = 1\n" * 2, "\x00", "a." * 50_000 + "b = 1", ""])
def test_any_text_is_read_or_refused(tmp_path, text):
    path = tmp_path / "trial.toml"
    path.write_text(text, encoding="utf-8")
    faults = Faults()
    read_trial(path, faults)
    assert len(faults) or not text


def test_a_logger_takes_what_readings_ask_for(tmp_path):
    keys = (
        "header_row = 0\nunit_per_row = true\ntime_column = 1\nclock_change = 'restart'\nsplit_by = 'Trial'\n"
    )
    logger = trial_of(tmp_path, TRIAL + "[[logger]]\n" + keys).loggers[0]
    assert logger.model_dump(exclude_unset=True) == {
        "header_row": 0,
        "unit_per_row": True,
        "time_column": ("1",),
        "clock_change": "restart",
        "split_by": "Trial",
    }


def test_a_logger_gives_what_read_log_takes(tmp_path):
    more = '[[logger]]\nid = "B"\nfiles = ["b*.csv"]\nday_first = true\ntime_column = "t"\n'
    more += '[[logger]]\nid = "A"\n'
    trial = trial_of(tmp_path, TRIAL + more)
    logger = trial.logger_of("b.csv")
    assert logger and logger.model_dump(exclude_unset=True) == {
        "id": "B",
        "files": ("b*.csv",),
        "day_first": True,
        "time_column": ("t",),
    }
    other = trial.logger_of("day1/a.csv")
    assert other and other.id == "A"


PLAN = """
[plan]
burn_h = 2.5
cool_h = 3
first_day = 2026-05-14
weekdays = ["sat", "Sunday"]
earliest = "8:00"
latest = 19:30:00
cookers = 2
"""


def test_what_a_plan_is_made_from(tmp_path):
    plan = trial_of(tmp_path, TRIAL + PLAN).plan
    assert (plan.burn_h, plan.cool_h, plan.cookers) == (2.5, 3, 2)
    assert plan.weekdays == ("Saturday", "Sunday")
    assert str(plan.first_day) == "2026-05-14"
    assert (str(plan.earliest), str(plan.latest)) == ("08:00:00", "19:30:00")


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ('"sat"', '"someday"', "days of the week"),
        ('"8:00"', '"20:00"', "an earliest before the latest"),
        ('"8:00"', '"8"', "a time of day"),
    ],
)
def test_hours_of_a_plan_that_cannot_be(tmp_path, old, new, words):
    assert words in only(tmp_path, trial=TRIAL + PLAN.replace(old, new)).expected


def test_a_pair_turned_round_is_the_same_pair(tmp_path):
    asked = 'pairs = [["alder", "olive"], ["olive", "alder"]]\n\n[metrics]'
    fault = only(tmp_path, trial=TRIAL.replace("[metrics]", asked, 1))
    assert fault.found == "olive and alder again" and "pairs.2" in fault.where


def test_pairs_and_hazards_and_folders_all_alike(tmp_path):
    text = TRIAL.replace("[metrics]", 'pairs = [["alder", "olive"]]\n\n[metrics]', 1)
    text = text.replace('kind = "lump"', 'kind = "lump"\nhazards = ["bursts", "sparks"]')
    trial = trial_of(tmp_path, text + '\n[model]\nborrow_from = "all alike"\n')
    assert trial.pairs == (("alder", "olive"),)
    assert trial.fuel("alder").hazards == ("bursts", "sparks")
    assert trial.model.borrow_from == ("all alike",)
    fault = only(tmp_path, trial=text.replace('["alder", "olive"]]', '["alder", "oliv"]]'))
    assert "Did you mean 'olive'?" in fault.remedy and "pairs" in fault.where
    both = TRIAL + '\n[model]\nborrow_from = ["all alike", "../x"]\n'
    assert '"all alike" alone' in only(tmp_path, trial=both).expected


def test_all_alike_is_every_folder_with_a_report_beside_this_one(tmp_path):
    for name in ("a", "b", "c", ".hidden"):
        (tmp_path / name).mkdir()
    for name in ("a", "c"):
        (tmp_path / name / "reports" / "2026-05-14-standard").mkdir(parents=True)
        (tmp_path / name / "reports" / "2026-05-14-standard" / "results.json").write_text("{}")
    assert [place.name for place in lender_folders(tmp_path / "c", ["all alike"])] == ["a"]
    assert [place.name for place in lender_folders(tmp_path / "b", ["all alike"])] == ["a", "c"]


@pytest.mark.parametrize(
    ("written", "remedy"),
    [
        ('"14,50"', "Write price = 14.50."),
        ('"14.50"', "Write price = 14.50."),
        ('"14,50 EUR"', "Write price = 14.50."),
        ("14,50", "Write price = 14.50, with a point."),
        ('"cheap"', "Write a number, without quotes or unit."),
    ],
)
def test_a_number_that_is_none_is_told_with_what_to_write(tmp_path, written, remedy):
    assert remedy in only(tmp_path, trial=f"{TRIAL}price = {written}\n").remedy


@pytest.mark.parametrize(
    "text",
    [".".join("a" * 20_000) + " = 1", f"[{'.'.join('a' * 20_000)}]", f"x = {{ {'a . ' * 20_000}a = 1 }}"],
)
def test_a_key_of_twenty_thousand_parts_is_refused_at_once(text):
    began = time.perf_counter()
    with pytest.raises(KitError, match="found a key of more than 64 parts"):
        parse_toml(text, "trial.toml")
    assert time.perf_counter() - began < 1


def test_dots_in_texts_and_remarks_are_no_parts_of_a_key(tmp_path):
    long = "One. " * 100
    text = TRIAL.replace("[metrics]", f'question = "{long}" # {long}\n\n[metrics]', 1)
    assert trial_of(tmp_path, text).question == long.strip()


def test_the_testers_own_words_are_part_of_the_run(tmp_path):
    folder(tmp_path)
    assert open_run(tmp_path).own_words == ""
    (tmp_path / "notes.md").write_bytes("\ufeff# Wind\r\n\r\nGusts on **day two**\u202e.\r\n".encode())
    assert open_run(tmp_path).own_words == "# Wind\n\nGusts on **day two**."


def test_marks_that_could_be_meant_stand_in_quotes(tmp_path):
    trial = TRIAL + '[[logger]]\ndecimal = "x"\n'
    assert only(tmp_path, trial=trial).remedy == "Known: ',', '.'."


def test_a_metric_of_ones_own_has_numbers_or_nothing(tmp_path):
    run = opened(tmp_path)
    with pytest.raises(KitError) as caught:
        run.with_metric("sparks", {"01": "many", "02": math.inf, "03": None})
    assert [str(problem) for problem in caught.value.problems] == [
        "with_metric, burn 01: found 'many'; expected a number. Give what was measured, or leave the burn out.",
        "with_metric, burn 02: found inf; expected a number. Give what was measured, or leave the burn out.",
    ]
    values = run.with_metric("sparks", {"01": 3, "03": None}).burns["sparks"]
    assert values[0] == 3 and values[1:].isna().all()


@pytest.mark.parametrize(
    ("name", "words"), [("peak", "The kit has a metric of that name"), ("fuel", "of numbers")]
)
def test_a_metric_of_ones_own_takes_no_name_of_the_kits(tmp_path, name, words):
    with pytest.raises(KitError, match=words):
        opened(tmp_path).with_metric(name, {"01": 1.0})


def test_a_metric_of_ones_own_that_cannot_be_is_refused_in_words(tmp_path):
    run = opened(tmp_path)
    with pytest.raises(KitError) as caught:
        run.with_metric("a@b", {"01": 1.0}, scale="square")
    assert [problem.where for problem in caught.value.problems] == [
        "with_metric, column",
        "with_metric, scale",
    ]

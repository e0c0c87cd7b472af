"""`check`: every fault of a folder in the first run, and what is read of each burn."""

import json
from datetime import timedelta

import numpy as np
import pytest

from kit.analysis import analyse
from kit.burns import burn_metrics
from kit.check import charge_notes, check, quality_notes
from kit.errors import KitError
from kit.readings import read_burns, read_run, with_log_days
from kit.trial import plan_of, write_plan
from tests.exports import day_of_fires
from tests.readings.helpers import START, csv_of, curve, folder_of

SECONDS = np.arange(0, 9000, 20.0)
LOG = csv_of(START, SECONDS, grate=curve(SECONDS), lid=curve(SECONDS, peak=200))
NEXT_DAY = csv_of(START + timedelta(days=1), SECONDS, grate=curve(SECONDS, peak=240))
HEAD = "burn,fuel,bag,day,lit,stopped,log,excluded\n"


def problems(folder):
    with pytest.raises(KitError) as caught:
        check(folder)
    return caught.value.problems


def test_a_blank_day_is_the_logs_day_at_time_zero(tmp_path):
    late = csv_of(START + timedelta(hours=13, minutes=30), SECONDS, grate=curve(SECONDS))
    rows = "01,a,1,,10:00,12:00,a.csv,\n02,a,1,,10:00,12:00,b.csv,\n03,a,2,,00:30,01:30,c.csv,\n"
    run = folder_of(tmp_path, HEAD + rows, {"a.csv": LOG, "b.csv": NEXT_DAY, "c.csv": late})
    assert list(run.burns["day"]) == ["", "", ""]
    readings = read_burns(run)
    days = burn_metrics(readings, run).drop_duplicates("burn").set_index("burn")["day"]
    assert dict(days) == {"01": "2026-05-14", "02": "2026-05-15", "03": "2026-05-15"}
    filled = with_log_days(run, readings)
    assert list(filled.burns["day"]) == ["2026-05-14", "2026-05-15", "2026-05-15"]
    assert "days of 3 burns are the log's" in filled.notes[-1]
    assert any("days of 3 burns" in line for line in check(tmp_path).lines)


@pytest.mark.parametrize(("pause", "words"), [(900, "the fire begins 1"), (0, "")])
def test_a_log_without_a_clock_that_begins_long_before_the_fire_is_said_so(tmp_path, pause, words):
    celsius = np.concatenate([np.full(pause // 20, 18.0), curve(SECONDS)])
    plain = "seconds,grate (°C)\n" + "".join(f"{20 * k},{t:.1f}\n" for k, t in enumerate(celsius))
    folder_of(tmp_path, HEAD + "01,a,1,2026-05-14,,,a.csv,\n", {"a.csv": plain})
    notes = [note for note in check(tmp_path).notes if "time zero is the first reading" in note]
    assert bool(notes) == bool(words) and all(words in note for note in notes)


def notes_of_two(folder, bags=("1", "2"), days=("2026-05-14", "2026-05-14")):
    """Return what is noted of two burns of one fuel whose logs have no clock, their bags and days as given."""
    rows, logs = "", {}
    for k, (bag, day) in enumerate(zip(bags, days, strict=True), start=1):
        readings = zip(SECONDS, curve(SECONDS, peak=230 + k), strict=True)
        logs[f"{k}.csv"] = "seconds,grate (°C)\n" + "".join(f"{at:.0f},{t:.1f}\n" for at, t in readings)
        rows += f"0{k},a,{bag},{day},,,{k}.csv,\n"
    folder_of(folder, HEAD + rows, logs)
    return check(folder).notes


@pytest.mark.parametrize(
    ("days", "named"), [(["2026-05-14", ""], "Burn 02: no day"), (["", ""], "Burns 01, 02: no day")]
)
def test_burns_whose_day_nobody_knows_are_named(tmp_path, days, named):
    assert sum(note.startswith(named) for note in notes_of_two(tmp_path, days=days)) == 1


@pytest.mark.parametrize(
    ("bags", "told"), [(["1", ""], "Burn 02: no bag."), (["", ""], "No bag is noted"), (["1", "2"], "")]
)
def test_bags_that_nobody_noted_are_asked_for(tmp_path, bags, told):
    asked = [note for note in notes_of_two(tmp_path, bags) if "column bag" in note]
    assert len(asked) == bool(told) and all(note.startswith(told) for note in asked)


def test_a_day_on_the_sheet_stays_and_a_log_without_a_date_gives_none(tmp_path):
    plain = "seconds,grate (°C)\n" + "".join(
        f"{s:.0f},{t:.1f}\n" for s, t in zip(SECONDS, curve(SECONDS), strict=True)
    )
    rows = "01,a,1,2026-05-14,10:00,12:00,a.csv,\n02,a,1,,,,b.csv,\n"
    run = folder_of(tmp_path, HEAD + rows, {"a.csv": LOG, "b.csv": plain})
    assert with_log_days(run, read_run(run).readings) is run


def test_faults_of_trial_file_sheet_and_logs_come_in_one_run(tmp_path):
    rows = (
        "01,a,1,2026-05-14,10:00,12:00,a.csv,\n"
        "02,a,1,2026-05-14,10:00,25:00,b.csv,\n"
        "03,a,1,2026-05-14,10:00,12:00,c.csv,\n"
    )
    logs = {
        "a.csv": "time,grate\n05/06/2026 10:00,20\n05/06/2026 10:01,21\n05/06/2026 10:02,22\n",
        "b.csv": LOG,
    }
    logs["c.csv"] = "nothing here\n"
    with pytest.raises(KitError):
        folder_of(tmp_path, HEAD + rows, logs, trial='[trial]\ntitel = "x"')
    words = "\n".join(map(str, problems(tmp_path)))
    assert "Did you mean 'title'?" in words
    assert "column stopped" in words and "25:00" in words
    assert "logs/c.csv" in words
    assert "day_first" not in words  # it may have been written in the trial file, which has faults


def test_a_row_without_a_readable_place_asks_nothing_more_of_its_log(tmp_path):
    rows = "01,a,1,2026-05-14,10:00,12:00,a.csv,\n02,a,1,2026-05-14,1o:00,12:00,b.csv,\n"
    with pytest.raises(KitError):
        folder_of(tmp_path, HEAD + rows, {"a.csv": LOG, "b.csv": NEXT_DAY})
    (only,) = problems(tmp_path)
    assert only.where == "burns.csv, row 3, column lit"


def damaged(every, value="", rows=SECONDS, peak=260.0):
    """The log with the grate's reading replaced in every so manyth row."""
    temps = curve(rows, peak=peak)
    lines = ["time,grate (°C)"]
    for k, (second, celsius) in enumerate(zip(rows, temps, strict=True)):
        cell = value if every and k % every == every - 1 else f"{celsius:.1f}"
        lines.append(f"{START + timedelta(seconds=float(second)):%Y-%m-%d %H:%M:%S},{cell}")
    return "\n".join(lines) + "\n"


ROW = HEAD + "01,a,1,2026-05-14,10:00,12:20,a.csv,\n"


@pytest.mark.parametrize(("every", "asks"), [(0, False), (100, False), (25, False), (10, True), (2, True)])
def test_more_lost_readings_than_a_few_in_a_hundred_are_a_question(tmp_path, every, asks):
    folder_of(tmp_path, ROW, {"a.csv": damaged(every, "ERR")})
    count = len(SECONDS) // every if every else 0
    if asks:
        (only,) = problems(tmp_path)
        assert f"{count} of {len(SECONDS)} readings of grate (°C)" in only.found and "burn 01" in only.where
        assert "most_lost" in only.remedy and only.kind == "ask"
        with pytest.raises(KitError):
            analyse(tmp_path)
    else:
        notes = "\n".join(check(tmp_path).notes)
        assert (f"Burn 01, grate (°C): {count} of {len(SECONDS)} readings" in notes) == bool(count)


def test_most_lost_answers_the_question_and_so_does_an_exclusion(tmp_path):
    logs = {"a.csv": damaged(10, "ERR"), "b.csv": damaged(0)}
    rows = HEAD + "01,a,1,2026-05-14,10:00,12:20,a.csv,{}\n02,a,1,2026-05-14,10:00,12:20,b.csv,\n"
    folder_of(tmp_path / "raised", rows.format(""), logs, trial="[cleaning]\nmost_lost = 0.2")
    assert any("readings lost" in note for note in check(tmp_path / "raised").notes)
    folder_of(tmp_path / "excluded", rows.format("loose plug"), logs)
    assert len(check(tmp_path / "excluded").records) == 2


def test_a_hole_in_the_log_is_a_question_and_a_small_one_a_note(tmp_path):
    def without(first, last):
        kept = SECONDS[(first > SECONDS) | (last < SECONDS)]
        return damaged(0, rows=kept)

    folder_of(tmp_path / "large", ROW, {"a.csv": without(3000, 4200)})
    (only,) = problems(tmp_path / "large")
    assert "no sound reading of grate (°C) in 15% of its time" in only.found
    assert only.remedy.startswith(
        "Write stopped if the burn had ended before, name the file that fills the gap"
    )
    folder_of(tmp_path / "small", ROW, {"a.csv": without(3000, 3200)})
    assert any("of the time without a sound reading" in note for note in check(tmp_path / "small").notes)


def test_a_log_cut_short_is_no_hole(tmp_path):
    folder_of(tmp_path, ROW, {"a.csv": damaged(0, rows=SECONDS[:200])})
    assert check(tmp_path).records[0]["cut_short"]


def three_fires(events=None, folder=None):
    stamps, grate, _, _ = day_of_fires(
        START, [START + timedelta(hours=3.5 * k, minutes=10) for k in range(3)], [240, 250, 230], 20, 11, 3
    )
    lines = ["time,grate (°C)"] + [f"{at},{value:.1f}" for at, value in zip(stamps, grate, strict=True)]
    rows = HEAD + "01,a,1,2026-05-14,10:00,,a.csv,\n"
    return folder_of(folder, rows, {"a.csv": "\n".join(lines)}, events=events)


@pytest.mark.parametrize(
    ("lit", "stopped", "peak"), [("10:10", "13:00", 240), ("13:40", "17:00", 250), ("17:10", "", 230)]
)
def test_a_row_for_one_of_three_fires_holds_that_one(tmp_path, lit, stopped, peak):
    three_fires(folder=tmp_path)
    row = f"01,a,1,2026-05-14,{lit},{stopped},a.csv,\n"
    (tmp_path / "burns.csv").write_text(HEAD + row, encoding="utf-8")
    checked = check(tmp_path)
    assert not any("fires" in note for note in checked.notes)
    assert checked.records[0]["peak_c"] == pytest.approx(peak, abs=3)
    assert f"highest reading {checked.records[0]['peak_c']:.0f} °C" in checked.lines[0]


@pytest.mark.parametrize(("probe", "peak"), [("grate", 260), ("lid", 150)])
def test_the_highest_reading_is_of_the_main_probe_wherever_its_column_stands(tmp_path, probe, peak):
    log = csv_of(START, SECONDS, lid=curve(SECONDS, peak=150), grate=curve(SECONDS, peak=260))
    columns = '[[logger]]\nid = "a"\ncolumns = {lid = "lid (°C)", grate = "grate (°C)"}\n'
    folder_of(tmp_path, ROW, {"a.csv": log}, f'[trial]\nprobe = "{probe}"\n{columns}')
    checked = check(tmp_path)
    assert checked.records[0]["peak_c"] == pytest.approx(peak, abs=5)
    assert f"highest reading {checked.records[0]['peak_c']:.0f} °C" in checked.lines[0]


def test_three_fires_in_one_row_are_a_question_with_their_times(tmp_path):
    three_fires(folder=tmp_path)
    (only,) = problems(tmp_path)
    assert "3 fires in one row: begun about 10:1" in only.found and "13:4" in only.found
    assert "its lit and stopped" in only.remedy


def test_what_was_done_between_explains_a_second_rise(tmp_path):
    three_fires("burn,at,event\n01,13:39,top-up\n", tmp_path)
    assert check(tmp_path).records[0]["burn"] == "01"


def test_a_main_probe_that_stood_still_is_a_question(tmp_path):
    still = csv_of(START, SECONDS, grate=20 + 0.4 * np.sin(SECONDS / 300), lid=curve(SECONDS))
    folder_of(tmp_path, ROW, {"a.csv": still})
    (only,) = problems(tmp_path)
    assert "grate (°C) moved by 0.8 K only" in only.found


def test_burns_whose_probe_hardly_moved_are_counted_where_they_are_many(tmp_path):
    faint = csv_of(START, SECONDS, grate=20 + 4 * np.sin(SECONDS / 300), lid=curve(SECONDS))
    head, row = ROW.split("\n")[:2]
    rows = [row.replace("01", f"{n:02}", 1).replace("a.csv", f"{n}.csv") for n in range(1, 9)]
    folder_of(tmp_path, "\n".join([head, *rows, ""]), {f"{n}.csv": faint for n in range(1, 9)})
    (line,) = [line for line in check(tmp_path).lines if "moved by" in line]
    assert line == "Burns 01, 02, 03, 04, 05, 06 and 2 more, probe grate (°C): moved by 8 K only."


def test_burns_that_ended_hot_are_named_as_their_times_count_to_the_stop_alone(tmp_path):
    row = HEAD + "01,a,1,2026-05-14,10:00,{},a.csv,\n"
    logs, trial = {"a.csv": damaged(0)}, "[metrics]\nthresholds = [150, 230]"

    def said(stopped):
        folder = tmp_path / (stopped.replace(":", "-") or "open")
        folder_of(folder, row.format(stopped), logs, trial=trial)
        return [note for note in check(folder).notes if "ended at" in note]

    (early,) = said("11:00")
    assert early.startswith("Burn 01, probe grate (°C): ended at 256 °C") and "not below 150 °C" in early
    assert "count to the stop alone" in early
    assert "ended at 172 °C" in said("12:20")[0] and "ended at 162 °C" in said("")[0]  # the log's own end
    assert not said("14:00")  # the log was cut short: these times are 'at least'
    folder_of(tmp_path / "cold", row.format(""), logs, trial="[metrics]\nthresholds = [230]")
    assert not any("ended at" in note for note in check(tmp_path / "cold").notes)


def test_burns_that_were_still_rising_as_they_ended_are_named_as_their_peak_counts_to_the_stop_alone(
    tmp_path,
):
    row, noise = (
        HEAD + "01,a,1,2026-05-14,10:00,{},a.csv,\n",
        np.random.default_rng(4).normal(0, 0.4, len(SECONDS)),
    )

    def said(stopped, celsius):
        log = csv_of(START, SECONDS[: len(celsius)], grate=celsius + noise[: len(celsius)])
        folder = tmp_path / f"{stopped.replace(':', '-')} {len(celsius)} {celsius[0]:.0f}"
        folder_of(folder, row.format(stopped), {"a.csv": log})
        return [note for note in check(folder).notes if "rising" in note]

    fire = curve(SECONDS)
    top = int(fire.argmax())
    (ended,) = said("", fire[: top - 20])
    assert ended.startswith(
        "Burn 01, probe grate (°C): the highest temperature is that of the last readings. "
    )
    assert said(f"10:{SECONDS[top - 20] / 60:.0f}", fire)  # stopped though the log goes on
    assert said("", np.minimum(fire, fire[top] - 30)[: top + 20])  # level within what readings scatter
    assert not said("", fire) and not said("", fire[: top + 40])
    assert not said("14:00", fire[: top - 20])  # the log was cut short: the peak is 'at least'


def test_burns_that_do_not_count_for_a_primary_metric_are_named(tmp_path):
    head = "burn,fuel,bag,day,lit,stopped,log,charge_g,ash_g\n"
    rows = "01,a,1,2026-05-14,10:00,12:20,a.csv,400,12\n02,a,1,2026-05-15,10:00,12:20,b.csv,400,\n"
    trial = '[metrics]\nthresholds = [110]\nprimary = ["peak", "ash"]'
    folder_of(tmp_path, head + rows, {"a.csv": LOG, "b.csv": NEXT_DAY}, trial=trial)
    line = next(line for line in check(tmp_path).lines if "does not count" in line)
    assert line.startswith("Burn 02 does not count for ash: ")
    table = analyse(tmp_path).uncounted
    assert [tuple(row) for row in table[["burn", "metric"]].to_numpy()] == [("02", "ash")]


def test_a_correction_of_a_report_that_is_not_there_is_refused_before_the_report(tmp_path):
    rows = "01,a,1,2026-05-14,10:00,12:00,a.csv,\n"

    def refused(name):
        folder_of(tmp_path, HEAD + rows, {"a.csv": LOG}, trial=f'[trial]\ncorrects = "{name}"\n')
        return problems(tmp_path)

    (problem,) = refused("2026-05-20-standard")
    assert problem.where == "trial.toml, [trial], key corrects" and problem.found == "'2026-05-20-standard'"
    assert problem.remedy == "Take the key out: there is no earlier report."
    (tmp_path / "reports" / "2026-05-21-standard").mkdir(parents=True)
    (tmp_path / "reports" / "2026-05-21-standard" / "results.json").write_text("{}", encoding="utf-8")
    assert refused("2026-05-20-standard")[0].remedy == "Did you mean '2026-05-21-standard'?"
    assert refused("../reports/2026-05-21-standard")
    folder_of(tmp_path, HEAD + rows, {"a.csv": LOG}, trial='[trial]\ncorrects = "2026-05-21-standard"\n')
    check(tmp_path)


def test_a_charge_that_is_not_the_trial_files_is_told_where_fuels_are_compared_at_equal_mass(tmp_path):
    head = HEAD.replace("\n", ",charge_g\n")
    rows = "01,a,1,2026-05-14,10:00,12:00,a.csv,,0.4\n02,a,1,2026-05-15,10:00,12:00,b.csv,,403\n"

    def told(keys):
        folder_of(tmp_path, head + rows, {"a.csv": LOG, "b.csv": NEXT_DAY}, trial=f"[charge]\n{keys}\n")
        return [note for note in check(tmp_path).notes if "of [charge]" in note]

    (said,) = told("grams = 400")
    assert said.startswith("Burn 01: 0.4 g, not the 400 ± 4 g of [charge]")
    (said,) = told("grams = 400\ntolerance_g = 2")
    assert said.startswith("Burns 01, 02: 0.4 g, 403 g, not the 400 ± 2 g of [charge]")
    assert not told('by = "volume"\nlitres = 2')
    (said,) = told('by = "volume"\nlitres = 2\ngrams = 400\ntolerance_g = 5')
    assert said.startswith("Burn 01: 0.4 g, not the 400 ± 5 g of [charge]: correct")


@pytest.mark.parametrize(
    ("reason", "is_told"), [("rain", True), ("charge off", False), ("only 350 g left", False), ("", False)]
)
def test_a_charge_off_its_tolerance_of_a_burn_left_out_is_told_once_unless_it_is_the_reason(
    tmp_path, reason, is_told
):
    head = HEAD.replace("\n", ",charge_g\n")
    rows = f"01,a,1,2026-05-14,10:00,12:00,a.csv,{reason},350\n02,a,1,2026-05-15,10:00,12:00,b.csv,,400\n"
    run = folder_of(tmp_path, head + rows, {"a.csv": LOG, "b.csv": NEXT_DAY}, trial="[charge]\ngrams = 400\n")
    of_left_out = [note for note in check(tmp_path).notes if note.startswith("Burn 01, left out for another")]
    assert len(of_left_out) == is_told
    assert all("350 g, not the 400 ± 4 g of [charge]" in note for note in of_left_out)
    assert bool(reason) or charge_notes(run)[0].startswith("Burn 01: 350 g, not the 400 ± 4 g of [charge]")
    assert not charge_notes(run, ["01"])  # as a deviation it is told already


def test_a_charge_outside_the_tolerance_is_told_once_with_a_plan_and_without(tmp_path):
    head = HEAD.replace("\n", ",charge_g\n")
    rows = "1,a,1,2026-05-14,10:00,12:00,a.csv,,401.5\n2,a,1,2026-05-15,10:00,12:00,b.csv,,401\n"
    keys = "[charge]\ngrams = 400\ntolerance_g = 1\n"
    run = folder_of(tmp_path, head + rows, {"a.csv": LOG, "b.csv": NEXT_DAY}, trial=keys)
    (said,) = [note for note in check(tmp_path).notes if "401.5 g" in note]
    assert said.startswith("Burn 1: 401.5 g, not the 400 ± 1 g of [charge]")
    planned = run.burns.assign(charge_g=400.0)
    write_plan(tmp_path, plan_of(run.trial, planned, "2026-05-01"))
    assert [note for note in check(tmp_path).notes if "401.5 g" in note] == [said]
    assert charge_notes(run, ["2"]) == [said] and not charge_notes(run, ["1"])
    analysis = analyse(tmp_path)
    assert "401.5 g" in set(analysis.deviations["done"]) and not any(
        "401.5 g" in note for note in analysis.notes
    )
    (tmp_path / "plan" / "plan.toml").unlink()
    write_plan(tmp_path, plan_of(run.trial, planned[planned["burn"] == "2"], "2026-05-01"))
    assert said in analyse(tmp_path).notes  # of a burn beyond the plan it is no deviation


def test_of_burns_that_do_not_count_no_log_is_judged(tmp_path):
    rows = "01,a,1,2026-05-14,10:00,12:00,a.csv,flat battery\n"
    run = folder_of(tmp_path, HEAD + rows, {"a.csv": csv_of(START, SECONDS, grate=0 * SECONDS)})
    assert quality_notes(run, read_run(run)) == []


def test_what_cannot_be_borrowed_from_is_told_before_the_report(tmp_path):
    folder_of(tmp_path / "b", HEAD + "01,a,1,2026-05-14,10:00,12:00,a.csv,\n", {"a.csv": LOG})
    trial = tmp_path / "b" / "trial.toml"
    plain = trial.read_text(encoding="utf-8")

    def refused(names):
        trial.write_text(f"{plain}\n[model]\nborrow_from = {json.dumps(names)}\n", encoding="utf-8")
        return [(problem.where.rpartition(" ")[2], problem.found) for problem in problems(tmp_path / "b")]

    (tmp_path / "a").mkdir()
    assert refused(["../a"]) == [("borrow_from", "a, which has no report with results.json")]
    assert refused(["../nowhere"]) == [("borrow_from", "'../nowhere'")]
    assert refused(["."]) == refused(["../b"]) == [("borrow_from", "b, which is this folder itself")]
    twice = refused(["../a", "../b/../a"])
    assert twice[1:] == [("borrow_from", "a, which is named twice")]


def priced(folder, keys):
    """Return what `check` tells of a folder of one fuel with some more keys."""
    folder_of(folder, HEAD + "01,a,1,2026-05-14,10:00,12:00,a.csv,\n", {"a.csv": LOG})
    trial = folder / "trial.toml"
    trial.write_text(trial.read_text(encoding="utf-8") + keys + "\n", encoding="utf-8")
    return check(folder).notes


@pytest.mark.parametrize(
    ("keys", "words"),
    [
        ("price = 0\nbag_kg = 5", "Price 0 of a: what cost nothing"),
        ("price = 8", "A price without the bag's weight, of a: no price per kg"),
        ("price = 8\nbag_kg = 5", ""),
        ("bag_kg = 5", ""),
    ],
)
def test_prices_that_say_nothing_of_a_cost_are_told(tmp_path, keys, words):
    told = [note for note in priced(tmp_path, keys) if "rice" in note]
    assert bool(told) == bool(words) and all(note.startswith(words) for note in told)


def test_a_bag_with_a_price_and_no_weight_is_told(tmp_path):
    notes = priced(tmp_path, '[[bag]]\nid = "1"\nfuel = "a"\nprice = 8')
    assert any(note.startswith("A price without the bag's weight, of a") for note in notes)


WEIGHED = "burn,fuel,bag,day,lit,stopped,log,charge_g\n"


PRICED = "price = 9\nbag_kg = 5\n"


@pytest.mark.parametrize(
    ("charges", "keys", "wanted"),
    [
        (
            ("400", "402"),
            PRICED,
            ["under [charge] of trial.toml, grams = 401, as", "(of a)", "the leftover_g"],
        ),
        (
            ("", ""),
            PRICED,
            [
                "grams = … if all charges weighed the same",
                "price = … and bag_kg = … (of a)",
                "charge_g",
                "leftover_g",
            ],
        ),
        (("400", "900"), PRICED, ["price = … and bag_kg = … (of a)", "the leftover_g"]),
        (
            ("400", "400"),
            f"{PRICED}[charge]\ngrams = 400",
            ["price = … and bag_kg = … (of a)", "the leftover_g"],
        ),
        (
            ("400", ""),
            PRICED,
            ["grams = 400, as", "(of a)", "the charge_g of burn 02", "the leftover_g of burn 02, or"],
        ),
        (
            ("400", "400"),
            "price = 9",
            ["grams = 400, as", "(of a)", "the leftover_g of burn 02, or leftover_credit = 0"],
        ),
    ],
)
def test_what_a_verdict_on_value_still_takes_is_told_once_with_the_lines_to_write(
    tmp_path, charges, keys, wanted
):
    rows = (
        f"0{n},{fuel},{n},2026-05-{13 + n},10:00,12:00,{fuel}.csv,{charge}\n"
        for n, (fuel, charge) in enumerate(zip("ab", charges, strict=True), 1)
    )
    folder_of(tmp_path, WEIGHED + "".join(rows), {"a.csv": LOG, "b.csv": NEXT_DAY})
    with (tmp_path / "trial.toml").open("a", encoding="utf-8") as trial:
        trial.write(f"{keys}\n")  # the last table is that of fuel b
    (told,) = [note for note in check(tmp_path).notes if note.startswith("For a verdict on value")]
    parts = told.split("; ")
    assert len(parts) == len(wanted) and all(map(str.__contains__, parts, wanted)), told


@pytest.mark.parametrize("fuels", ["ab", "aa"])
def test_where_no_fuel_has_a_price_one_word_is_said_and_nothing_asked(tmp_path, fuels):
    rows = (f"0{n},{fuel},{n},2026-05-{13 + n},10:00,12:00,{n}.csv,\n" for n, fuel in enumerate(fuels, 1))
    folder_of(tmp_path, WEIGHED + "".join(rows), {"1.csv": LOG, "2.csv": NEXT_DAY})
    told = [note for note in check(tmp_path).notes if "value" in note or "rice" in note]
    assert told == ["No fuel has a price, so no verdict on value is given."] * (fuels == "ab")


def test_nothing_is_wanted_for_value_where_all_is_there_or_there_is_one_fuel(tmp_path):
    rows = "01,a,1,2026-05-14,10:00,12:00,a.csv,400\n02,b,1,2026-05-15,10:00,12:00,b.csv,900\n"
    folder_of(tmp_path / "two", WEIGHED + rows, {"a.csv": LOG, "b.csv": NEXT_DAY})
    trial = tmp_path / "two" / "trial.toml"
    trial.write_text(trial.read_text(encoding="utf-8").replace("[[fuel]]", "[[fuel]]\nprice = 9\nbag_kg = 5"))
    folder_of(tmp_path / "one", HEAD + "01,a,1,2026-05-14,10:00,12:00,a.csv,\n", {"a.csv": LOG})
    (told,) = [note for note in check(tmp_path / "two").notes if "verdict on value" in note]
    assert told.endswith(
        "the leftover_g of burn 01, 02, or leftover_credit = 0 under [metrics] if it is not used again."
    )
    trial.write_text(
        trial.read_text(encoding="utf-8") + "\n[metrics]\nleftover_credit = 0\n", encoding="utf-8"
    )
    for name in ("one", "two"):
        assert not [note for note in check(tmp_path / name).notes if "verdict on value" in note]

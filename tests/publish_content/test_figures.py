"""Figures: same bytes, text as text, both looks, film sizes, nothing computed that was not handed in."""

import io
import re
from dataclasses import replace
from xml.etree import ElementTree as ET

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

import kit.publish.drawing as exporting
from kit.page.document import DARK, FUELS_DARK, KIND_LINES
from kit.publish import sections
from kit.publish.canvas import FILM, PAGE, ROLES, Axis, Frame, apart, cast_of, light_to_dark, short
from kit.publish.drawing import export, files_of, light_and_dark, recoloured, short_path, small_svg
from kit.publish.report_data import report_data
from kit.publish.sections import section
from kit.publish.sections.burn_curves import MOST_FLAGS, lines_of, overlay_drawing, thin_burns, thin_flags
from kit.publish.sections.section import shown
from kit.publish.sections.variation import spreads
from kit.runtime.kernel import FAULTS_FILE
from kit.runtime.processes import Worker
from tests.publish_content.made import HOSTILE, analysis

DAY = "2026-11-25"


@pytest.fixture(scope="module")
def drawings():
    made = (
        sections.answer, sections.curves, sections.fuels, sections.comparisons, sections.variation, sections.odd_tables,
    )  # fmt: skip
    found = [drawing for section in made for drawing in section(analysis("three")).figures]
    return [*found, *sections.two_fuels(analysis("three"), "alder", "olive").figures]


@pytest.fixture(scope="module")
def made_files(drawings):
    """The files of each drawing of a day."""
    return {drawing.id: files_of(drawing, DAY) for drawing in drawings}


class DarkFrame(Frame):
    paper, ink, soft, line, mark, band, warn = (DARK[role] for role in ROLES)

    def fuel(self, place):
        return FUELS_DARK[place % len(FUELS_DARK)]


def in_dark(frame):
    return DarkFrame(**vars(frame))


def test_all_kinds_of_figures_are_there(drawings):
    stems = {drawing.id.split()[0] for drawing in drawings}
    assert stems == {
        "overlay",
        "curves",
        "values",
        "comparisons",
        "break-even",
        "spread",
        "next",
        "odd",
        "side",
        "over",
    }


def test_a_figure_drawn_twice_is_the_same_bytes(drawings):
    for drawing in drawings:
        for frame in (PAGE, in_dark(PAGE)):
            assert small_svg(drawing.draw(frame)) == small_svg(drawing.draw(frame)), drawing.id


def test_names_stand_in_the_svg_as_text(drawings):
    overlay = next(drawing for drawing in drawings if drawing.id == "overlay")
    root = ET.fromstring(overlay.svg)
    texts = ["".join(node.itertext()) for node in root.iter("{http://www.w3.org/2000/svg}text")]
    assert {"alder lump", "olive-stone briquettes", "pressed briquettes", "simulated"} <= set(texts)
    assert not root.findall(".//{*}metadata") and "date" not in overlay.svg.lower()


def test_a_fuel_or_a_kind_can_be_chosen_without_script(drawings):
    from kit.page.document import inlined, stylesheet

    overlay = next(drawing for drawing in drawings if drawing.id == "overlay")
    page = inlined(overlay.html())
    for group, label in (*overlay.choices, ("all", "all")):
        assert f'value="{group}"' in page and label in page
        assert group == "all" or ('class="pick' in page and f'input[value="{group}"]:checked' in stylesheet())
    assert "<script" not in page and "data-choices" not in page
    assert {"fuel-1", "kind-1"} <= {group for group, _ in overlay.choices}


def test_a_mean_is_finer_once_a_burn_has_ended_and_its_peak_is_of_them_all():
    """Of two burns the cooler one ends: what is left is hotter at once, and no peak of the fuel."""
    data, minutes = report_data(analysis("three")), np.arange(0, 60.0, 5)
    fuels = [player.id for player in data.cast]
    heights = dict.fromkeys(fuels, 100 + 0.1 * minutes) | {fuels[0]: np.where(minutes < 40, 200, 260)}
    rows = [
        {"fuel": fuel, "elapsed_s": 60 * at, "mean": height, "low": height - 9, "high": height + 9, "level": 0.95,
         "band_low": height - 9, "band_high": height + 9, "n": 1 if fuel == fuels[0] and at >= 40 else 2}
        for fuel in fuels for at, height in zip(minutes, heights[fuel], strict=True)
    ]  # fmt: skip
    ended = replace(data, instead={"mean_curves": pd.DataFrame(rows)})
    lines = lines_of(ended, ended.cast)
    own = lines.of(next(iter(ended.cast)))
    assert own["whole"].tolist() == (minutes < 40).tolist() and lines.thins
    overlay = overlay_drawing(ended)
    assert "Finer where a burn of the fuel has ended" in overlay.html()
    curve = next(line for line in overlay.draw(PAGE).axes[0].lines if line.get_linewidth() == PAGE.pen * 1.9)
    assert np.nanmax(curve.get_ydata()) == 200
    assert "the mean climbs to 200 °C" in overlay.html()


def test_svgs_are_small(drawings):
    for drawing in drawings:
        assert len(drawing.svg) < (250_000 if drawing.id.startswith(("curves", "over")) else 60_000), (
            drawing.id
        )


def test_a_figure_turned_dark_is_the_figure_drawn_dark(drawings, made_files):
    for drawing in drawings:
        files = made_files[drawing.id]
        dark, _ = light_and_dark(drawing.drawn(in_dark(PAGE)))
        film, _ = light_and_dark(drawing.film(DAY, in_dark(FILM)))
        assert files[f"{drawing.file}-dark.png"] == dark, drawing.id
        assert files[f"{drawing.file}-film-dark.png"] == film, drawing.id


def test_dark_is_light_with_other_colours(drawings):
    for drawing in drawings:
        dark = small_svg(drawing.drawn(in_dark(PAGE)))
        # the same shapes; colours alone differ
        strip = re.compile(r"#[0-9a-f]{6}|\b[mp][0-9a-f]{10}\b")
        assert strip.sub("#", recoloured(drawing.svg, light_to_dark())) == strip.sub("#", dark)
        colours = set(re.findall(r"#[0-9a-f]{6}", recoloured(drawing.svg, light_to_dark())))
        assert not colours & (set(light_to_dark()) - set(light_to_dark().values()))


def test_the_page_turns_every_colour_into_a_variable(drawings):
    for drawing in drawings:
        assert not re.findall(r"(?:fill|stroke):\s*#", drawing.html()), drawing.id


def test_every_drawing_is_exported_in_all_forms(drawings, tmp_path):
    from PIL import Image

    chosen = [d for d in drawings if d.id in ("values peak", "break-even") or d.id.startswith("over time")]
    written = export(chosen, tmp_path, "2026-05-14")
    assert len(written) == 7 * len(chosen) == len({path.name for path in written})
    for drawing in chosen:
        for look in ("light", "dark"):
            assert Image.open(tmp_path / f"{drawing.file}-film-{look}.png").size == (1920, 1080)
            ET.parse(tmp_path / f"{drawing.file}-{look}.svg")
        svg = (tmp_path / f"{drawing.file}-dark.svg").read_text("utf-8")
        assert 'role="img"' in svg and "<title>" in svg and "<desc>" in svg
        data = pd.read_csv(tmp_path / f"{drawing.file}.csv")
        assert len(data) == len(drawing.data) > 0 and set(data["simulated"]) == {"yes"}
    assert files_of(chosen[0], "2026-05-14") == files_of(chosen[0], "2026-05-14")


def test_film_pictures_are_short_and_large(drawings):
    for drawing in drawings:
        figure = drawing.film("2026-05-14")
        height = figure.get_size_inches()[1] * figure.dpi
        assert height == 1080
        texts = [
            text
            for text in figure.findobj(lambda each: hasattr(each, "get_fontsize"))
            if text.get_text().strip()
        ]
        shown = [text for text in texts if text.get_visible()]
        assert min(text.get_fontsize() * figure.dpi / 72 for text in shown) >= height / 25 - 0.01, drawing.id
        assert len(drawing.headline.split()) <= 8
        corner = [text.get_text() for text in figure.texts][-1]
        assert corner.endswith(" 2026-05-14")
        assert corner.removesuffix(" 2026-05-14").removeprefix("simulated, ") in (
            short(drawing.title, 46),
            drawing.claim,
        )
        assert corner.startswith("simulated, ")


def test_a_picture_of_one_claim_carries_its_id():
    drawing = sections.comparisons(analysis("two")).figures[0]
    assert drawing.claim == "claim-peak-alder-pressed"
    assert len(drawing.headline.split()) <= 8


def test_each_fuel_has_a_panel_of_its_own_and_the_axis_ends_with_the_fire():
    drawing = sections.curves(analysis("three")).figures[0]
    axes = [each for each in drawing.draw(PAGE).axes if each.get_visible() and each.lines]
    assert len(axes) == 3
    end = axes[0].get_xlim()[1]
    last = drawing.data["minutes"].max()
    assert end < 0.95 * last
    hot = drawing.data[drawing.data["what"] == "mean"]
    assert hot.loc[hot["minutes"] > end, "temp"].max() < 110


def test_what_is_said_of_a_difference_ends_where_its_axis_ends(drawings):
    (drawing,) = [drawing for drawing in drawings if drawing.id.startswith("over time")]
    differences = drawing.data.loc[drawing.data["what"] == "difference", "minutes"]
    axes = drawing.draw(PAGE).axes
    assert differences.min() >= 0 and differences.max() <= axes[0].get_xlim()[1]
    assert axes[1].get_ylabel().startswith("alder lump minus\nolive-stone briquettes, ")


def test_a_known_type_has_its_line_whatever_stands_first_in_the_trial_file():
    fuels = [("a", "a", "briquette"), ("b", "b", "log"), ("c", "c", "lump"), ("d", "d", "")]
    for order in (fuels, fuels[::-1]):
        cast = cast_of(order, "abcd")
        assert [KIND_LINES.index(cast[fuel].dash) for fuel in "ca"] == [0, 1]
        assert len({player.kind_place for player in cast}) == 4
    assert [player.dash for player in cast_of([("d", "d", "")], "d")] == ["solid"]


def test_a_source_of_spread_is_named_in_full_where_there_is_room():
    long = "between burns of a bag (briquette)"
    rows = pd.DataFrame({"label": [long, "between bags"], "sd": 1.0, "low": 0.5, "high": 2.0})
    for frame in (PAGE, FILM):
        (axes,) = spreads(rows, Axis("spread"), frame).axes
        assert axes.get_yticklabels()[0].get_text() == long


def test_temperature_axes_carry_both_units_where_both_are_shown(drawings):
    for drawing in drawings:
        if drawing.id in ("overlay", "values peak", "comparisons peak"):
            for frame in (PAGE, FILM):
                drawn = drawing.draw(frame)
                shown_units = [child for axes in drawn.axes for child in axes.child_axes]
                assert shown_units, (drawing.id, frame.name)


def test_flagged_readings_are_visible():
    data = sections.curves(analysis("three")).figures[0].data
    assert (data["what"] == "flagged reading").any()


def test_dollars_and_markup_in_names_are_only_text():
    import html

    drawing = sections.answer(analysis("hostile")).figures[0]
    assert "<script" not in drawing.svg and html.escape(HOSTILE[:8], quote=False) in drawing.svg


def test_a_short_path_keeps_every_point_to_a_tenth():
    path = "M 0 0.04 \nL 10.26 3.333 \nL 10.26 3.333 \nL 20.5 -1 \nz\n"
    assert short_path(path) == "M0 0l10.3 3.3l10.2 -4.3z"


@given(st.lists(st.tuples(st.floats(-900, 900), st.floats(-900, 900)), min_size=1, max_size=30))
def test_rounding_never_adds_up_along_a_path(points):
    path = " ".join(f"{'L' if i else 'M'} {x:.6f} {y:.6f}" for i, (x, y) in enumerate(points))
    x = y = 0.0
    for command, numbers in re.findall(r"([Ml])([^Mlz]*)", short_path(path)):
        dx, dy = map(float, numbers.split())
        x, y = (dx, dy) if command == "M" else (x + dx, y + dy)
    assert abs(x - points[-1][0]) < 0.0501 and abs(y - points[-1][1]) < 0.0501


@given(st.lists(st.floats(-100, 100), min_size=1, max_size=12), st.floats(0.1, 10))
def test_labels_keep_apart_and_in_order(places, gap):
    moved = apart(places, gap)
    order = np.argsort(places, kind="stable")
    steps = np.diff(np.asarray(moved)[order])
    assert (steps >= gap - 1e-6).all()
    if (np.diff(np.sort(places)) >= gap).all():
        assert moved == pytest.approx(places)


def test_long_names_are_cut_and_control_signs_gone():
    assert short("a" * 80) == "a" * 25 + "…"
    assert short("a\x00b\nc") == "a b c"


def readings(temps, flags=None, step=10.0):
    n = len(temps)
    return pd.DataFrame(
        {
            "burn": "b1",
            "elapsed_s": np.arange(n) * step,
            "temp_c": temps,
            "flag": flags if flags is not None else [""] * n,
        }
    )


@given(st.lists(st.floats(0, 400), min_size=2, max_size=800))
def test_thinning_keeps_ends_and_extremes(temps):
    thin = thin_burns(readings(temps))
    assert len(thin) <= 310
    assert thin["temp_c"].max() == max(temps) and thin["temp_c"].min() == min(temps)
    assert thin["minutes"].iloc[0] == 0 and thin["minutes"].iloc[-1] == pytest.approx((len(temps) - 1) / 6)
    assert thin["minutes"].is_monotonic_increasing


def test_thinning_leaves_holes_open():
    table = readings(np.linspace(20, 200, 600))
    table = table[(table["elapsed_s"] < 2000) | (table["elapsed_s"] > 3500)]
    thin = thin_burns(table)
    hole = thin[thin["temp_c"].isna()]
    assert len(hole) == 1 and 2000 < 60 * hole["minutes"].iloc[0] < 3500


def test_unusable_readings_are_not_part_of_the_line_and_marked_instead():
    flags = [""] * 400
    temps = np.full(400, 100.0)
    flags[100:300] = ["stuck"] * 200
    temps[100:300] = 999.0
    table = readings(temps, flags)
    assert thin_burns(table)["temp_c"].max() == 100.0
    marks = thin_flags(table, 0.0, 150.0)
    assert len(marks) <= MOST_FLAGS + 1 and (marks["temp_c"] == 150.0).all()
    assert marks["minutes"].iloc[0] == pytest.approx(1000 / 60) and marks["minutes"].iloc[
        -1
    ] == pytest.approx(2990 / 60)


def test_no_figure_touches_pyplot(drawings):
    import sys

    assert "matplotlib.pyplot" not in sys.modules or not __import__("matplotlib.pyplot").pyplot.get_fignums()
    target = io.BytesIO()
    drawings[0].draw(PAGE).savefig(target, format="png")
    assert target.getvalue()[:4] == b"\x89PNG"


def test_the_second_process_makes_the_same_files(drawings, made_files):
    beside = Worker()
    for drawing in drawings[:3]:
        drawing.html()
        there = beside.begin(files_of, (drawing, DAY))
        assert there.result() == made_files[drawing.id]
    beside.close()


def test_files_begun_while_sections_are_made_are_those_that_are_written(
    drawings, made_files, tmp_path, monkeypatch
):
    beside, asked = Worker(), []
    monkeypatch.setattr(exporting, "running_worker", lambda: beside)
    monkeypatch.setenv(FAULTS_FILE, "faults.json")
    monkeypatch.setattr(section, "report_date", lambda: DAY)
    for drawing in drawings[:3]:
        assert shown(drawing) == drawing.html()
        asked.append(exporting._begun[id(drawing), DAY][1])
    written = {path.name: path.read_bytes() for path in export(drawings[:3], tmp_path, DAY)}
    beside.close()
    assert not exporting._begun and all(future.done() for future in asked)
    assert list(written) == [name for each in drawings[:3] for name in made_files[each.id]]
    for drawing in drawings[:3]:
        files = made_files[drawing.id]
        assert {name: written[name] for name in files} == files


def test_a_sign_that_the_font_lacks_is_nothing_that_a_user_hears_of(recwarn):
    drawings = sections.fuels(analysis("hostile")).figures
    assert "🔥" in HOSTILE and drawings
    for drawing in drawings:
        files_of(drawing, "2026-05-14")
    assert not [warning for warning in recwarn if "Glyph" in str(warning.message)]

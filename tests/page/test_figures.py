import base64
import io
import re
from xml.etree import ElementTree

import matplotlib as mpl
import pytest
from matplotlib.figure import Figure

from kit.page.document import FUELS_LIGHT, LIGHT, figure, inline_svg, inlined


def drawing(label="alder"):
    with mpl.rc_context({"svg.fonttype": "none", "svg.hashsalt": "x"}):
        drawn = Figure(figsize=(3, 1.5))
        axes = drawn.subplots()
        axes.plot([0, 1], [0, 1], color=FUELS_LIGHT[0])
        axes.text(0, 0, label, color=LIGHT["ink"], parse_math=False)
        out = io.StringIO()
        drawn.savefig(out, format="svg", metadata={"Date": None})
    return out.getvalue()


def test_a_figure_is_an_image_with_its_own_colours_that_needs_no_style_sheet():
    text = figure(drawing(), alt="It rises.", title="Curves", caption="n = 9 burns", key="curves")
    data = re.search(r'<img alt="It rises." title="Curves" src="data:image/svg\+xml;base64,([^"]+)">', text)[
        1
    ]
    drawn = base64.b64decode(data).decode()
    assert drawn == drawing() and FUELS_LIGHT[0] in drawn and "var(" not in drawn
    assert text.startswith('<figure id="curves"><img')
    assert text.endswith("<figcaption>n = 9 burns</figcaption></figure>")


def test_words_of_a_figure_reach_the_page_as_they_were():
    words = "5 < 6 & \"7\" > '8'"
    page = inlined(figure(drawing(), alt=words, title=words, caption=words, key="k"))
    assert "<img" not in page
    assert ElementTree.fromstring(page.replace("&nbsp;", " ")).find(".//{*}desc").text == words


def test_a_figure_in_the_page_has_a_name_a_description_and_a_caption_below():
    text = inlined(figure(drawing(), alt="It rises.", title="Curves", caption="n = 9 burns", key="curves"))
    assert '<title id="curves-title">Curves</title><desc id="curves-desc">It rises.</desc>' in text
    assert 'role="img" aria-labelledby="curves-title curves-desc"' in text
    assert text.endswith("<figcaption>n = 9 burns</figcaption></figure>")
    assert text.startswith('<figure id="curves">')


def test_colours_become_variables_in_tags_and_stay_in_text():
    text = inline_svg(drawing(f"fuel {FUELS_LIGHT[0]}"), alt="a", title="t", key="k")
    assert "stroke: var(--fuel-1)" in text
    assert "var(--ink)" in text
    assert f"fuel {FUELS_LIGHT[0]}" in text


def test_ids_of_two_figures_do_not_meet():
    one, two = (inline_svg(drawing(), alt="a", title="t", key=key) for key in ("one", "two"))
    ids = [part.split('"')[0] for text in (one, two) for part in text.split(' id="')[1:]]
    assert len(ids) == len(set(ids))
    for reference in one.split("url(#")[1:]:
        assert f'id="{reference.split(")")[0]}"' in one


def test_no_clock_no_prologue_and_no_rule_for_the_whole_page_is_left():
    text = inline_svg(drawing(), alt="a", title="t", key="k")
    assert text.startswith("<svg") and "metadata" not in text and "<style" not in text


def test_a_hostile_label_stays_text():
    text = inlined(
        figure(drawing("</text><script>x</script> onload=1"), alt="<b>", title='"', caption="<i>", key="<k>")
    )
    assert "<script" not in text and "<b>" not in text and "<i>" not in text
    assert "&lt;script&gt;" in text


@pytest.mark.parametrize(
    "svg",
    [
        "<p>no</p",
        '<svg xmlns="http://www.w3.org/2000/svg"><script>1</script></svg>',
        '<svg xmlns="http://www.w3.org/2000/svg" onload="1"></svg>',
        '<svg xmlns="http://www.w3.org/2000/svg"><a href="javascript:1"/></svg>',
        '<svg xmlns="http://www.w3.org/2000/svg"><image href="https://x/y.png"/></svg>',
        '<svg xmlns="http://www.w3.org/2000/svg"><foreignObject/></svg>',
    ],
)
def test_a_live_drawing_is_refused(svg):
    with pytest.raises(ValueError, match="drawing"):
        inline_svg(svg, alt="a", title="t", key="k")

import json
import sys

import pytest

from kit.errors import KitError
from kit.publish.film import make_film
from tests.publish.stand_in import write_run


@pytest.fixture
def reported(tmp_path):
    """A run folder with the parts of a report that a film is made of."""
    run = write_run(tmp_path / "run")
    report = run / "reports" / "2026-05-14-standard"
    (report / "figures").mkdir(parents=True)
    names = ("a", "b", "$x_$ <b>\u202e" + "n" * 60)
    trial = {
        "time_zero": "lit",
        "show": "us",
        "fuels": [{"id": n[:9], "name": n, "kind": "lump"} for n in names],
    }
    results = {"schema": "repeatburn-results/1", "report": "0", "trial": trial}
    (report / "results.json").write_text(json.dumps(results, indent=0), "utf-8")
    rows = [f"{n[:9]},{burn},{t},{20 + 3 * t + 5 * i},{'burn' if burn else 'mean'}" for i, n in enumerate(names)
            for burn in ("01", "") for t in range(-20, 60, 5)]  # fmt: skip
    (report / "figures" / "curves.csv").write_text(
        "fuel,burn,minutes,temp,what\n" + "\n".join(rows) + "\n", "utf-8"
    )
    return run


@pytest.mark.slow
def test_a_film_is_made_beside_the_report_and_nothing_is_overwritten(reported):
    av = pytest.importorskip("av")
    first = make_film(reported, seconds=2.5)
    second = make_film(reported, seconds=2.5)
    assert [first.name, second.name] == ["2026-05-14-standard-curves.mp4", "2026-05-14-standard-curves-2.mp4"]
    with av.open(str(first)) as film:
        stream = film.streams.video[0]
        assert (stream.width, stream.height, stream.frames) == (1920, 1080, 75)
        frames = [frame.to_ndarray(format="rgb24") for frame in film.decode(video=0)]
    # lines grow: the last picture holds more ink than the first
    assert (frames[-1] < 200).sum() > (frames[0] < 200).sum()
    assert sorted(path.name for path in (reported / "reports").iterdir()) == [
        "2026-05-14-standard", "2026-05-14-standard-curves-2.mp4", "2026-05-14-standard-curves.mp4",
    ]  # fmt: skip


def test_a_film_without_the_package_says_what_to_install(reported, monkeypatch):
    monkeypatch.setitem(sys.modules, "av", None)
    with pytest.raises(KitError, match=r"pip install 'repeatburn\[film\]'"):
        make_film(reported)
    assert not list((reported / "reports").glob("*.mp4"))


def test_a_film_needs_a_report(tmp_path):
    with pytest.raises(KitError, match="no report"):
        make_film(write_run(tmp_path / "run"))

"""Where the demo run folder and the templates stand: inside a wheel, or in the repository."""

from __future__ import annotations

from pathlib import Path

from kit.errors import KitError, Problem, did_you_mean

_KIT = Path(__file__).parents[1]
_DEMO = "hill-school"


def demo_folder() -> Path:
    """Return the demo run folder that came with the kit.

    Raises
    ------
    KitError
        Where this installation lacks it.
    """
    return _first(_KIT / "packaged" / _DEMO, _KIT.parent / "runs" / _DEMO, what="the demo run folder")


def templates_folder() -> Path:
    """Return the folder of the notebook templates that came with the kit.

    Raises
    ------
    KitError
        Where this installation lacks it.
    """
    return _first(_KIT / "packaged" / "templates", _KIT.parent / "templates", what="the templates")


def template(name: str) -> Path:
    """Return the notebook of a template by its name, as 'standard'.

    Raises
    ------
    KitError
        Where there is no such template.
    """
    folder = templates_folder()
    known = {path.stem: path for path in folder.glob("*.ipynb")}
    if name not in known:
        found = f"'{name}'"
        raise KitError.refuse("template", found, "a template of the kit", did_you_mean(name, known))
    return known[name]


def _first(*places: Path, what: str) -> Path:
    for place in places:
        if place.is_dir():
            return place
    words = ("refuse", "this installation", f"no {what.removeprefix('the ')}", f"{what} of the kit")
    raise KitError(Problem(words[0], *words[1:], "Install repeatburn again."))  # type: ignore[arg-type]

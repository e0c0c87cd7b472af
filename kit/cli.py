"""The command ``repeatburn``: arguments and printing only."""

import io
import json
import os
import sys
import time
import traceback
from collections.abc import Callable, Sequence
from dataclasses import asdict
from functools import partial, update_wrapper
from pathlib import Path
from typing import Any

import click

from kit import __version__
from kit.errors import Faults, KitError, disk_faults, grouped, numbered
from kit.runtime.processes import ending_as_at_ctrl_c

DONE, DIFFERS, BAD_INPUT, OWN_FAILURE, WRONG_COMMAND = 0, 1, 2, 3, 64

Verb = Callable[..., int]
Paths = tuple[Path, ...]

FOLDER = click.Path(path_type=Path)
one_folder = click.argument("folder", type=FOLDER)
some_folders = click.argument("folders", type=FOLDER, nargs=-1, required=True, metavar="FOLDER…")
number_option = partial(click.option, default=1, show_default=True)
seed_option = number_option("--seed", type=int, help="seed of every simulated number")
json_option = click.Option(["--json", "as_json"], is_flag=True, help="machine-readable output (JSON)")


def main(argv: Sequence[str] | None = None) -> int:
    """Run one verb and return its exit code.

    Returns
    -------
    0 done, 1 recheck differs, 2 bad input or faults in the data, 3 own failure, 64 a wrong command line.
    """
    try:
        Path.home()
    except RuntimeError:  # a user without any: libraries that ask get one where nothing is read or written
        os.environ["HOME"] = os.devnull
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, io.TextIOWrapper):
            stream.reconfigure(errors="replace")  # a terminal that knows no ° gets a ?, not a failure
    words = list(sys.argv[1:] if argv is None else argv)
    try:
        with ending_as_at_ctrl_c(), disk_faults():
            return int(repeatburn.main(words, prog_name="repeatburn", standalone_mode=False) or DONE)
    except click.exceptions.NoArgsIsHelpError as error:
        click.echo(error.ctx.get_help() if error.ctx else "")
        return DONE
    except click.ClickException as error:
        error.show()
        return WRONG_COMMAND
    except KitError as error:
        _print_problems(error, "--json" in words)
        return BAD_INPUT
    except BrokenPipeError:
        # the reader has left: nothing to tell it
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return DONE
    except (KeyboardInterrupt, click.Abort):
        print("Stopped. Nothing half made was kept.", file=sys.stderr)
        return OWN_FAILURE
    except Exception as error:
        if os.environ.get("REPEATBURN_TRACE"):
            traceback.print_exception(error)
        print(
            f"repeatburn itself failed: {type(error).__name__}: {error}\n"
            "Your files are untouched. Set REPEATBURN_TRACE=1 and run again to see where.",
            file=sys.stderr,
        )
        return OWN_FAILURE


class _InOrder(click.Group):
    """Verbs listed in the order in which a trial needs them."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        return list(self.commands)


@click.group(
    cls=_InOrder,
    epilog="Charcoal kills by carbon monoxide and starts fires: burn outdoors only. Exit codes: 0 done, 1 recheck "
    "differs, 2 bad input or faults in the data, 3 a failure of the kit's own, 64 a wrong command line.",
    context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100},
)
@click.version_option(__version__, prog_name="repeatburn", message="%(prog)s %(version)s")
def repeatburn() -> None:
    """From weighed charges, a burn sheet and temperature logs to a lab report with error bars."""


def _verb(name: str, example: str) -> Callable[[Verb], click.Command]:
    """Make a function a verb with --json, its docstring the help, an example below it."""

    def made(function: Verb) -> click.Command:
        def told(**arguments: Any) -> int:
            return function(Out(arguments.pop("as_json")), **arguments)

        named = repeatburn.command(name, epilog=f"Example: repeatburn {example}")
        command = named(update_wrapper(told, function))
        command.params.append(json_option)
        return command

    return made


class Out:
    """What a verb prints: words for people or JSON for a machine, and progress on standard error."""

    SECONDS_BETWEEN_LINES = 5.0

    def __init__(self, as_json: bool) -> None:
        self.as_json = as_json
        self._last = -self.SECONDS_BETWEEN_LINES
        self._open = False

    def say(self, words: str, **record: Any) -> None:
        """Print the words, or the record as JSON."""
        if self._open:
            print("\r\x1b[K", end="", file=sys.stderr, flush=True)
        print(json.dumps(record, ensure_ascii=False, indent=1) if self.as_json else words)

    def made(self, **places: Path) -> int:
        """Print what was made, a line each, and return that it is done."""
        told = {name: str(place) for name, place in places.items()}
        self.say("\n".join(told.values()), **told)
        return DONE

    def progress(self, line: str) -> None:
        """Show a line of progress: rewritten in place on a terminal, else a line every few seconds."""
        if sys.stderr.isatty():
            self._open = True
            print(f"\r\x1b[K{line}", end="", file=sys.stderr, flush=True)
        elif time.monotonic() - self._last >= self.SECONDS_BETWEEN_LINES:
            self._last = time.monotonic()
            print(line, file=sys.stderr, flush=True)


@_verb("start", "start spring --from logs/*.csv")
@one_folder
@click.argument("more", type=FOLDER, nargs=-1, metavar="")
@click.option(
    "--from", "sources", type=FOLDER, multiple=True, metavar="FILES…", help="loggers' exports to begin with"
)
@click.option("--demo", is_flag=True, help="include the simulated demo trial")
def _start(out: Out, folder: Path, more: Paths, sources: Paths, demo: bool) -> int:
    """Make a new run folder, from the loggers' exports."""
    from kit.start import start_run

    if more and not sources:
        raise click.UsageError(f"Got unexpected extra argument '{more[0]}'. Exports go behind --from.")
    if sources and demo:
        raise click.UsageError("Give either --from or --demo: the demo has logs of its own.")
    made = start_run(folder, sources=[*sources, *more], demo=demo)
    questions = [problem.as_record() for problem in made.questions]
    out.say(made.words, folder=str(made.folder), burns=list(made.rows), questions=questions)
    return DONE


@_verb("keys", "keys thresholds")
@click.argument("word", default="")
def _keys(out: Out, word: str) -> int:
    """What the keys of trial.toml mean, with default and unit.

    All of them, or those that WORD is about: a key, a table, or a word of a meaning.
    """
    from kit.trial.keys import explained_keys, keys_text

    keys = explained_keys(word)
    out.say(keys_text(keys), keys=[asdict(key) for key in keys])
    return DONE


@_verb("plan", "plan spring")
@one_folder
def _plan(out: Out, folder: Path) -> int:
    """Plan a trial: what burns can settle, order, burn sheets.

    Says what a given number of burns can settle, draws the run order, and writes the plan with its hash and the
    burn sheets to print.
    """
    from kit.plan import plan_run, sentences

    planned = plan_run(folder)
    out.say(sentences.plan_words(planned), **planned.as_record())
    return DONE


@_verb("rehearse", "rehearse spring --seed 7")
@one_folder
@seed_option
def _rehearse(out: Out, folder: Path, seed: int) -> int:
    """Simulate the planned trial before a match is lit.

    The whole analysis can then be tried on it.
    """
    from kit.plan import rehearse

    made = rehearse(folder, seed=seed)
    out.say(f"Simulated burns in {made}. Next: repeatburn report {made}", folder=str(made))
    return DONE


@_verb("check", "check spring")
@one_folder
def _check(out: Out, folder: Path) -> int:
    """Report every fault and flag, a line for each burn."""
    from kit.check import check

    found = check(folder)
    out.say("\n".join(found.lines), burns=found.records, notes=found.notes)
    return DONE


@_verb("report", "report spring autumn --workers 2")
@some_folders
@seed_option
@number_option("--workers", type=click.IntRange(min=1), help="number of folders processed in parallel")
@click.option("--cluster", metavar="ADDRESS", help="a Dask scheduler (needs the extra 'cluster')")
@click.option("--template", type=FOLDER, metavar="FILE", help="a changed template, as lab copies them")
@click.option("--film", is_flag=True, help="the curves as a short film too (needs the extra 'film')")
def _report(out: Out, folders: Paths, template: Path | None, film: bool, seed: int, **how: Any) -> int:
    """Make the dated report of a run folder, or of many.

    Its numbers, tables, figures and cards stand beside it.
    """
    from kit.publish import make_report, report_many

    notebook = "standard" if template is None else str(template.absolute())
    if len(folders) > 1 or how != {"workers": 1, "cluster": None}:
        if film:
            raise click.UsageError("A film is made of one folder at a time.")
        outcome = report_many(folders, {"seed": seed}, template=notebook, progress=out.progress, **how)
        out.say("\n".join(outcome.lines), reports=outcome.records)
        return outcome.exit_code
    made = {"report": make_report(folders[0], notebook, {"seed": seed}, out.progress)}
    if film:
        from kit.publish.film import make_film

        made["film"] = make_film(folders[0], progress=out.progress)
    return out.made(**made)


@_verb("lab", "lab spring")
@one_folder
@click.option("--no-browser", is_flag=True, help="print the address instead of opening a window")
@click.argument("options", nargs=-1, metavar="[-- OPTIONS FOR JUPYTERLAB]")
def _lab(out: Out, folder: Path, no_browser: bool, options: tuple[str, ...]) -> int:
    """Open JupyterLab on a run folder, its notebooks ready.

    The templates are copied to FOLDER/notebooks/, where they are yours to change; the kit's own stay as they are.
    """
    from kit.lab import open_lab

    return DONE if open_lab(folder, browser=not no_browser, options=options) == 0 else OWN_FAILURE


@_verb("two-fuels", 'two-fuels spring alder "olive-stone briquettes"')
@one_folder
@click.argument("a")
@click.argument("b")
@seed_option
def _two_fuels(out: Out, folder: Path, a: str, b: str, seed: int) -> int:
    """Does fuel A really differ from fuel B? One page.

    A and B are ids or names.
    """
    from kit.publish import make_report
    from kit.trial.run import fuel_ids

    parameters = {"seed": seed, **dict(zip("ab", fuel_ids(folder, a, b), strict=True))}
    return out.made(report=make_report(folder, "two_fuels", parameters, progress=out.progress))


@_verb("methods", "methods spring")
@one_folder
@seed_option
def _methods(out: Out, folder: Path, seed: int) -> int:
    """Write the methods appendix, HTML and Markdown."""
    from kit.publish import make_report

    return out.made(report=make_report(folder, "methods", {"seed": seed}, progress=out.progress))


@_verb("bundle", "bundle spring --yes")
@one_folder
@click.argument("more", nargs=-1, metavar="")
@click.option("--leave-out", multiple=True, metavar="KEYS…", help="what not to publish")
@click.option("--yes", is_flag=True, help="make the zip (without it: only list what it would publish)")
def _bundle(out: Out, folder: Path, more: tuple[str, ...], leave_out: tuple[str, ...], yes: bool) -> int:
    """Make one zip to publish, with raw logs and checksums."""
    from kit.publish import make_bundle

    if more and not leave_out:
        raise click.UsageError(f"Got unexpected extra argument '{more[0]}'.")
    bundle = make_bundle(folder, leave_out=[*leave_out, *more], agreed=yes)
    out.say(bundle.words, **bundle.as_record())
    return DONE


@_verb("recheck", "recheck spring-2026.zip")
@click.argument("target", type=FOLDER, metavar="FOLDER|ZIP")
def _recheck(out: Out, target: Path) -> int:
    """Run a report again and compare it with what is there."""
    from kit.publish import recheck

    outcome = recheck(target, progress=out.progress)
    out.say(outcome.words, **outcome.as_record())
    return DONE if outcome.agrees else DIFFERS


@_verb("history", "history runs/2025-spring runs/2026-spring")
@some_folders
def _history(out: Out, folders: Paths) -> int:
    """Look over several run folders together.

    Drift of the control fuel, pooled repeatability, fuels tested again.

    It reads their newest reports and writes reports/DATE-history/ into the folder that holds them all, and its
    index page.
    """
    from kit.publish import write_index
    from kit.publish.history_report import make_history

    page = make_history(list(folders), progress=out.progress)
    return out.made(report=page, index=write_index(page.parents[2]))


@_verb("index", "index runs")
@one_folder
def _index(out: Out, folder: Path) -> int:
    """List the reports of the run folders in a folder, and its own, in its index.html."""
    from kit.publish import write_index

    faults = Faults()
    out.made(index=write_index(folder, faults=faults))
    if not faults:
        return DONE
    _print_problems(KitError(faults), out.as_json, "the index names what it leaves out")
    return BAD_INPUT


def _print_problems(error: KitError, as_json: bool, outcome: str = "nothing was written") -> None:
    if as_json:
        Out(as_json).say("", problems=[problem.as_record() for problem in error.problems])
        return
    problems = grouped(error.problems)
    head = f"{len(problems)} problem{'s' * (len(problems) > 1)}; {outcome}."
    print("\n".join([head, *numbered(problems)]), file=sys.stderr)

"""The command ``repeatburn``: arguments and printing only."""

from __future__ import annotations

import argparse
import io
import json
import os
import sys
import traceback
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

from kit.ending import ending_as_at_ctrl_c
from kit.errors import KitError, Problem, disk_faults

DONE, DIFFERS, BAD_INPUT, OWN_FAILURE = 0, 1, 2, 3

Verb = Callable[[argparse.Namespace], int]


def main(argv: Sequence[str] | None = None) -> int:
    """Run one verb and return its exit code: 0 done, 1 recheck differs, 2 bad input, 3 own failure."""
    os.environ.setdefault(
        "OPENBLAS_NUM_THREADS", "1"
    )  # the matrices are tiny: threads only wait for each other
    _have_a_home()
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, io.TextIOWrapper):
            stream.reconfigure(errors="replace")  # a terminal that knows no ° gets a ?, not a failure
    arguments = _parser().parse_args(argv)
    verb: Verb = arguments.verb
    try:
        with ending_as_at_ctrl_c(), disk_faults():
            return verb(arguments)
    except KitError as error:
        _print_problems(error, arguments.json)
        return BAD_INPUT
    except BrokenPipeError:
        os.dup2(
            os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno()
        )  # the reader has left: nothing to tell it
        return DONE
    except KeyboardInterrupt:
        print("Stopped. Nothing half made was kept.", file=sys.stderr)
        return OWN_FAILURE
    except Exception as error:
        _print_own_failure(error)
        return OWN_FAILURE


def _have_a_home() -> None:
    """Give libraries that ask for a home one where nothing is read or written, if the user has none at all."""
    try:
        Path.home()
    except RuntimeError:
        os.environ["HOME"] = os.devnull


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        prog="repeatburn",
        description="From weighed charges, a burn sheet and temperature logs to a report with error bars.",
        epilog="Charcoal kills by carbon monoxide and starts fires: burn outdoors only.",
    )
    verbs = parser.add_subparsers(required=True, metavar="VERB")
    for add in (_add_start, _add_plan, _add_rehearse, _add_check, _add_report, _add_two_fuels):
        add(verbs)
    for add in (_add_methods, _add_bundle, _add_recheck, _add_history, _add_index):
        add(verbs)
    return parser


def _verb(verbs: Any, name: str, verb: Verb, words: str) -> argparse.ArgumentParser:
    parser: argparse.ArgumentParser = verbs.add_parser(name, help=words, description=words)
    parser.add_argument("--json", action="store_true", help="print for a machine to read")
    parser.set_defaults(verb=verb)
    return parser


def _add_start(verbs: Any) -> None:
    parser = _verb(verbs, "start", _start, "make a new run folder")
    parser.add_argument("folder", type=Path)
    source = parser.add_mutually_exclusive_group()
    source.add_argument("--from", dest="sources", nargs="+", type=Path, default=[], metavar="FILE")
    source.add_argument("--demo", action="store_true", help="with the simulated demo trial in it")


def _start(arguments: argparse.Namespace) -> int:
    from kit.trial import start_run

    folder = start_run(arguments.folder, sources=arguments.sources, demo=arguments.demo)
    steps = "repeatburn report" if arguments.demo else "fill in what is marked, then repeatburn check"
    _say(arguments, f"Made {folder}. Next: {steps} {folder}", folder=str(folder))
    return DONE


def _add_plan(verbs: Any) -> None:
    parser = _verb(
        verbs, "plan", _plan, "what so many burns can settle; order and burn sheets; the plan written"
    )
    parser.add_argument("folder", type=Path)


def _plan(arguments: argparse.Namespace) -> int:
    from kit.plan import plan_run

    planned = plan_run(arguments.folder)
    _say(arguments, planned.words, **planned.as_record())
    return DONE


def _add_rehearse(verbs: Any) -> None:
    parser = _verb(
        verbs, "rehearse", _rehearse, "a simulated trial of the plan, to try the whole analysis on"
    )
    parser.add_argument("folder", type=Path)
    parser.add_argument("--seed", type=int, default=1)


def _rehearse(arguments: argparse.Namespace) -> int:
    from kit.plan import rehearse

    folder = rehearse(arguments.folder, seed=arguments.seed)
    _say(arguments, f"Simulated burns in {folder}. Next: repeatburn report {folder}", folder=str(folder))
    return DONE


def _add_check(verbs: Any) -> None:
    parser = _verb(verbs, "check", _check, "read everything and report every fault and flag, a line a burn")
    parser.add_argument("folder", type=Path)


def _check(arguments: argparse.Namespace) -> int:
    from kit.analysis import check

    found = check(arguments.folder)
    _say(arguments, "\n".join(found.lines), burns=found.records, notes=found.notes)
    return DONE


def _add_report(verbs: Any) -> None:
    parser = _verb(
        verbs, "report", _report, "the standard analysis, as a dated page with its numbers beside it"
    )
    parser.add_argument("folders", type=Path, nargs="+", metavar="FOLDER")
    parser.add_argument("--seed", type=int, default=1, help="seed of every simulated number")
    parser.add_argument("--workers", type=int, default=1, help="folders worked on side by side")
    parser.add_argument("--cluster", metavar="ADDRESS", help="a Dask scheduler (needs the extra 'cluster')")
    parser.add_argument(
        "--film", action="store_true", help="the curves as a short film (needs the extra 'film')"
    )


def _report(arguments: argparse.Namespace) -> int:
    if len(arguments.folders) > 1 or arguments.workers > 1 or arguments.cluster:
        return _report_many(arguments)
    from kit.publish import make_report

    folder = arguments.folders[0]
    page = make_report(folder, parameters={"seed": arguments.seed}, progress=_progress(arguments))
    made = {"report": str(page)}
    if arguments.film:
        from kit.publish.film import make_film

        made["film"] = str(make_film(folder, progress=_progress(arguments)))
    _say(arguments, "\n".join(made.values()), **made)
    return DONE


def _report_many(arguments: argparse.Namespace) -> int:
    from kit.publish import report_many

    outcome = report_many(
        arguments.folders,
        parameters={"seed": arguments.seed},
        workers=arguments.workers,
        cluster=arguments.cluster,
        progress=_progress(arguments),
    )
    _say(arguments, "\n".join(outcome.lines), reports=outcome.records)
    return outcome.exit_code


def _add_two_fuels(verbs: Any) -> None:
    parser = _verb(verbs, "two-fuels", _two_fuels, "does A really differ from B: one page, one question")
    parser.add_argument("folder", type=Path)
    parser.add_argument("a", metavar="A")
    parser.add_argument("b", metavar="B")
    parser.add_argument("--seed", type=int, default=1)


def _two_fuels(arguments: argparse.Namespace) -> int:
    from kit.publish import make_report

    parameters = {"seed": arguments.seed, "a": arguments.a, "b": arguments.b}
    page = make_report(arguments.folder, "two_fuels", parameters, progress=_progress(arguments))
    _say(arguments, str(page), report=str(page))
    return DONE


def _add_methods(verbs: Any) -> None:
    parser = _verb(verbs, "methods", _methods, "the methods appendix, from what was really done")
    parser.add_argument("folder", type=Path)
    parser.add_argument("--seed", type=int, default=1)


def _methods(arguments: argparse.Namespace) -> int:
    from kit.publish import make_report

    page = make_report(arguments.folder, "methods", {"seed": arguments.seed}, progress=_progress(arguments))
    _say(arguments, str(page), report=str(page))
    return DONE


def _add_bundle(verbs: Any) -> None:
    parser = _verb(verbs, "bundle", _bundle, "one zip to publish: logs, tables, results, notebook, checksums")
    parser.add_argument("folder", type=Path)
    parser.add_argument("--leave-out", nargs="+", default=[], metavar="KEY", help="what not to publish")
    parser.add_argument(
        "--yes", action="store_true", help="do not only list what would be published: make it"
    )


def _bundle(arguments: argparse.Namespace) -> int:
    from kit.publish import make_bundle

    bundle = make_bundle(arguments.folder, leave_out=arguments.leave_out, agreed=arguments.yes)
    _say(arguments, bundle.words, **bundle.as_record())
    return DONE


def _add_recheck(verbs: Any) -> None:
    parser = _verb(
        verbs, "recheck", _recheck, "run again from what a report recorded, and compare value by value"
    )
    parser.add_argument("target", type=Path, metavar="FOLDER|ZIP")


def _recheck(arguments: argparse.Namespace) -> int:
    from kit.publish import recheck

    outcome = recheck(arguments.target, progress=_progress(arguments))
    _say(arguments, outcome.words, **outcome.as_record())
    return DONE if outcome.agrees else DIFFERS


def _add_history(verbs: Any) -> None:
    words = (
        "several run folders: drift of the control fuel, pooled repeatability, fuels over the seasons; from their "
        "newest reports, into reports/DATE-history/ of the folder that holds them all, with its index page"
    )
    parser = _verb(verbs, "history", _history, words)
    parser.add_argument("folders", type=Path, nargs="+", metavar="FOLDER")


def _history(arguments: argparse.Namespace) -> int:
    from kit.publish import write_index
    from kit.publish.seasons import make_history

    page = make_history(arguments.folders, progress=_progress(arguments))
    index = write_index(page.parents[2])
    _say(arguments, f"{page}\n{index}", report=str(page), index=str(index))
    return DONE


def _add_index(verbs: Any) -> None:
    parser = _verb(verbs, "index", _index, "an index page of all reports below a folder, newest first")
    parser.add_argument(
        "folder", type=Path, help="a folder of run folders, or one run folder; index.html is written into it"
    )


def _index(arguments: argparse.Namespace) -> int:
    from kit.publish import write_index

    page = write_index(arguments.folder)
    _say(arguments, str(page), index=str(page))
    return DONE


def _say(arguments: argparse.Namespace, words: str, **record: Any) -> None:
    print(json.dumps(record, ensure_ascii=False, indent=1) if arguments.json else words)


def _progress(arguments: argparse.Namespace) -> Callable[[str], None] | None:
    """Return a printer of progress lines on the terminal, or None where nobody watches."""
    if arguments.json or not sys.stderr.isatty():
        return None
    return lambda line: print(f"\r\x1b[K{line}", end="", file=sys.stderr, flush=True)


def _print_problems(error: KitError, as_json: bool) -> None:
    if as_json:
        records = [problem.as_record() for problem in error.problems]
        print(json.dumps({"problems": records}, ensure_ascii=False, indent=1))
        return
    count = len(error.problems)
    print(f"{count} thing{'s' * (count > 1)} to mend; nothing was written.", file=sys.stderr)
    for number, problem in enumerate(error.problems, start=1):
        print(_worded(number, problem), file=sys.stderr)


def _worded(number: int, problem: Problem) -> str:
    return (
        f"\n{number}. {problem.where}\n"
        f"   found:    {problem.found}\n"
        f"   expected: {problem.expected}\n"
        f"   do:       {problem.remedy}"
    )


def _print_own_failure(error: Exception) -> None:
    if os.environ.get("REPEATBURN_TRACE"):
        traceback.print_exception(error)
    print(
        f"repeatburn itself failed: {type(error).__name__}: {error}\n"
        "Your files are untouched. Set REPEATBURN_TRACE=1 and run again to see where.",
        file=sys.stderr,
    )

"""The command line: arguments, exit codes, progress. Heavy imports wait inside the handlers."""

from __future__ import annotations

import contextlib
import datetime
import io
import os
import shlex
import subprocess
import sys
from pathlib import Path
from typing import Annotated, NoReturn

import typer

from optimiser import __version__
from optimiser.base.errors import InputError, OptimiserError
from optimiser.base.one_thread import ONE_THREAD
from optimiser.base.terminal import take_standard_numbers, unfailing

app = typer.Typer(
    rich_markup_mode="markdown",
    add_completion=False,
    no_args_is_help=True,
    pretty_exceptions_enable=False,
    help="Find where a steering rack goes: which rack, how high, how far forward, which spacers "
    "and steering arms. Numbers are estimates to compare designs, not an approval.",
)

# The base of all complaints about the command line; typer carries its own copy of click.
_UsageError: type[Exception] = next(
    c for c in typer.BadParameter.__mro__ if c.__name__ == "ClickException"
)

StudyArgument = Annotated[Path, typer.Argument(help="Study file (TOML).")]
ResultArgument = Annotated[Path, typer.Argument(help="Folder of a result, such as results/demo.")]
ValuesArgument = Annotated[
    list[str] | None,
    typer.Argument(
        help="NAME=VALUE, or a step: NAME+=STEP, NAME-=STEP; after --at.", show_default=False
    ),
]
DesignOption = Annotated[int | None, typer.Option("--design", help="Its number in trials.csv.")]
ByOption = Annotated[
    str | None, typer.Option("--by", help="best, cheapest, lightest or least-bump-steer.")
]
AtOption = Annotated[
    bool,
    typer.Option(
        "--at",
        help="Type a point: --at rack_height_mm=142 spacer_mm=12 rack=NAME; a step up or down from "
        "the design: --at rack_height_mm+=5, --at rack_height_mm-=5.",
    ),
]
OutOption = Annotated[Path, typer.Option("--out", help="Folder that result folders go into.")]


def main() -> NoReturn:
    """Entry point: user mistakes become one line and an exit code, never a traceback."""
    take_standard_numbers()
    for name, value in ONE_THREAD.items():
        os.environ.setdefault(name, value)  # before anything loads NumPy
    if isinstance(sys.stdout, io.TextIOWrapper):
        with contextlib.suppress(OSError):  # a terminal that cannot say where it stands
            sys.stdout.reconfigure(errors="backslashreplace")  # a title may have any letter
    try:
        code = app(standalone_mode=False)
        sys.stdout.flush()
    except OptimiserError as error:
        _say_error(str(error))
        sys.exit(error.exit_code)
    except typer.Exit as exit_:
        sys.exit(exit_.exit_code)
    except (KeyboardInterrupt, typer.Abort):
        _say_error("stopped")
        sys.exit(130)
    except BrokenPipeError:
        sys.stderr.close()
        sys.exit(0)
    except OSError as error:  # who writes a file says so; what is left is nearly always this
        with contextlib.suppress(OSError):
            sys.stdout.close()  # what waits in it would fail again at the end
        where = "standard output" if error.filename is None else error.filename
        _say_error(
            f"{where}: cannot be used ({error.strerror}); free some space there or name another "
            "place; files that were written are whole"
        )
        sys.exit(2)
    except _UsageError as error:
        _say_error(f"{error.format_message().rstrip('.')}; see optimiser --help")  # type: ignore[attr-defined]
        sys.exit(2)
    sys.exit(code if isinstance(code, int) else 0)


def _say_error(text: str) -> None:
    with unfailing("stderr"):
        print(f"optimiser: {text}", file=sys.stderr)


@app.callback(invoke_without_command=True)
def _top(
    version: Annotated[bool, typer.Option("--version", help="Say the version and stop.")] = False,
) -> None:
    if version:
        print(f"optimiser {__version__}")
        raise typer.Exit


@app.command()
def run(
    studies: Annotated[list[Path], typer.Argument(help="Study files (TOML).")],
    out: OutOption = Path("results"),
    trials: Annotated[
        int | None, typer.Option(help="Designs per rack, instead of the study's.", min=1)
    ] = None,
    seed: Annotated[int | None, typer.Option(help="Seed, instead of the study's.", min=0)] = None,
    workers: Annotated[
        int | None,
        typer.Option(
            help="Processes side by side; one for a short search, else as many as cores.",
            min=1,
        ),
    ] = None,
    hours: Annotated[
        float | None, typer.Option(help="Time for everything, shared among the searches.")
    ] = None,
    until: Annotated[
        str | None, typer.Option(help="The same as a time of day, such as 06:30.")
    ] = None,
    cluster: Annotated[
        str | None,
        typer.Option(help="Let the workers of a Dask scheduler search, such as tcp://host:8786."),
    ] = None,
    quick: Annotated[
        bool,
        typer.Option("--quick", help="No search: seeds and independent starts, refined. Seconds."),
    ] = False,
) -> None:
    """Search every rack of each study and write fronts, the winner and figures.

    The same command goes on where a run was cut off, and from what is there when more trials,
    time or racks are asked for. Ctrl-C finishes the designs at hand, writes what there is, and
    ends. Exit code 0: every study has an acceptable rack; 1: one has none, or failed (the others
    finish all the same); 2: input that cannot be used; 130: stopped.
    """
    seconds, ends = _time_allowed(hours, until)
    from optimiser.command.run_screen import show_run
    from optimiser.jobs.start import RunOptions, run_studies

    options = RunOptions(trials, seed, workers, seconds, cluster, quick, ends)
    raise typer.Exit(show_run(run_studies, studies, out, options))


@app.command()
def status(result: ResultArgument) -> None:
    """How a run is doing: racks done, best so far, time left. It is not disturbed.

    Exit code 0: the run is finished; 1: it is not; 2: there is none.
    """
    from optimiser.folder.status import status_of

    found = status_of(result)
    print("\n".join(found.lines))
    raise typer.Exit(0 if found.finished else 1)


@app.command()
def check(
    study: StudyArgument,
    numbers: Annotated[
        Path | None,
        typer.Option(
            "--numbers", help="CSV file for every number of the car as drawn, with each rack."
        ),
    ] = None,
) -> None:
    """Read a study, say what was understood, and give the as-drawn car's numbers."""
    from optimiser.command.run_screen import show_check

    show_check(study, numbers)


@app.command()
def curves(
    study: StudyArgument,
    travel: Annotated[
        str | None, typer.Option(help="Wheel travel LO:HI:STEP in mm; the study's by default.")
    ] = None,
    rack: Annotated[
        str,
        typer.Option(
            help="Rack displacement LO:HI:STEP in mm, positive to the left; with --free-lock the "
            "name of a rack."
        ),
    ] = "0:0:1",
    out: Annotated[
        Path | None, typer.Option("--out", help="CSV file; standard output by default.")
    ] = None,
    free_lock: Annotated[
        Path | None,
        typer.Option(
            "--free-lock",
            help="CSV file of how far it may steer, with the rack of the name in --rack.",
        ),
    ] = None,
) -> None:
    """Toe, steer, camber and more of the as-drawn left wheel, one row per pose.

    With --free-lock how far the car as drawn may steer at each wheel travel.
    """
    from optimiser.folder.design import curves_text, free_lock_text

    if free_lock is not None:
        _refuse_with_free_lock(travel, out)
        from optimiser.base.files import write_text

        text, summary = free_lock_text(study, rack)
        write_text(free_lock, text)
        print(f"{summary}\nwrote {free_lock}")
        return
    text = curves_text(
        study,
        None if travel is None else _sweep(travel, "--travel"),
        _sweep(rack, "--rack"),
    )
    if out is None:
        sys.stdout.write(text)
        return
    from optimiser.base.files import write_text

    write_text(out, text)
    print(f"wrote {out}")


def _refuse_with_free_lock(travel: str | None, out: Path | None) -> None:
    for name, value in (("--travel", travel), ("--out", out)):
        if value is not None:
            raise InputError(name, "does not go with --free-lock", "leave it out")


@app.command()
def heights(
    study: StudyArgument,
    rack: Annotated[str | None, typer.Option(help="Name of a rack of the study.")] = None,
    every: Annotated[
        bool, typer.Option("--all", help="Every rack of the study, in one table.")
    ] = False,
    low: Annotated[
        float | None, typer.Option("--from", help="Lowest rack height in mm; the study's.")
    ] = None,
    high: Annotated[
        float | None, typer.Option("--to", help="Greatest rack height in mm; the study's.")
    ] = None,
    step: Annotated[float, typer.Option(help="Step between heights in mm.")] = 2.0,
    out: OutOption = Path("results"),
) -> None:
    """Can a rack be rescued by mounting it lower? The best found at every height.

    With the steering arm fixed, of another shape where the study frees that, and free in height,
    without and with spacers.
    """
    from optimiser.command.heights_screen import show_heights
    from optimiser.questions.heights.answer import HeightsAsked

    raise typer.Exit(show_heights(HeightsAsked(study, rack, every, low, high, step, out)))


@app.command()
def adapt(
    study: StudyArgument,
    rack: Annotated[str | None, typer.Option(help="Name of a rack of the study.")] = None,
    every: Annotated[
        bool, typer.Option("--all", help="Every rack of the study, in one table.")
    ] = False,
    out: OutOption = Path("results"),
) -> None:
    """What is the least of the suspension that has to change, so that a rack fits?

    Of what [suspension.may_move] names: with one bracket, with two, with all. Exit code 0: it fits
    as drawn or so changed; 1: nothing was found that helps.
    """
    from optimiser.command.adapt_screen import show_adapt
    from optimiser.questions.adapt.answer import AdaptAsked

    raise typer.Exit(show_adapt(AdaptAsked(study, rack, every, out)))


@app.command("try")
def try_(
    design: Annotated[
        Path, typer.Argument(help="Folder of a result, or a study file (TOML).", metavar="PATH")
    ],
    out: OutOption = Path("results"),
) -> None:
    """What if? Change the winner, or the car as drawn, line by line, and read what that does.

    Lines such as rack_height +5, spacer 15, rack NAME, best, undo, save; help lists them. Lines
    of a pipe are answered too: exit code 2 when one of them could not be used.
    """
    from optimiser.command.try_screen import show_try

    raise typer.Exit(show_try(design, out))


@app.command()
def measured(
    design: Annotated[
        Path,
        typer.Argument(
            help="Study file (TOML), for the car as drawn, or folder of a result.", metavar="PATH"
        ),
    ],
    readings: Annotated[Path, typer.Argument(help="Readings of toe (CSV).")],
    number: DesignOption = None,
    measuring: Annotated[
        Path | None,
        typer.Option("--measuring", help="Study file whose [measuring] holds; its own by default."),
    ] = None,
    out: OutOption = Path("results"),
) -> None:
    """From toe measured on the finished car: which shim, where, how thick, and what it changes.

    Rows of side,travel_mm,toe_in_deg, each wheel by itself, and one a side with the rack 5 mm off
    centre (rack_mm), which proves the sign. Exit code 0: signs are proved and what is advised
    keeps to what is accepted; 1: they are not, or it does not.
    """
    from optimiser.command.measured_screen import show_measured
    from optimiser.questions.measured.answer import MeasuredAsked

    raise typer.Exit(show_measured(MeasuredAsked(design, readings, number, measuring, out)))


@app.command()
def compare(
    old: Annotated[
        Path, typer.Argument(help="Study file (TOML), or folder of a result.", metavar="OLD")
    ],
    new: Annotated[
        Path | None,
        typer.Argument(help="The same; none for two designs of OLD.", metavar="[NEW]"),
    ] = None,
    designs: Annotated[
        tuple[int, int] | None,
        typer.Option("--designs", help="A design of each result, by its number in trials.csv."),
    ] = None,
    out: OutOption = Path("results"),
) -> None:
    """What changed from one study or result to another, and does the old design still do?

    Points, keys, racks, verdicts and every number side by side; the old winner, or the car as
    drawn, judged in the new study, and the least change that cures it. Exit code 0: it is
    acceptable there (of two designs of one result, the second is); 1: it is not.
    """
    from optimiser.command.compare_screen import show_compare
    from optimiser.questions.compare.answer import CompareAsked

    raise typer.Exit(show_compare(CompareAsked(old, new, designs, out)))


@app.command()
def new(folder: Annotated[Path, typer.Argument(help="Folder to make.")]) -> None:
    """Write a commented starter study with its CSV files, which runs as it is.

    The study file has the name of the folder, and so have its results.
    """
    from optimiser.study.read import write_starter

    paths = write_starter(folder)
    for path in paths:
        print(f"wrote {path}")
    print(f"now edit them, then: {_command('optimiser', 'check', str(paths[0]))}")


def _command(*words: str) -> str:
    """A command as it is typed in this system's shell, names with spaces in quotes."""
    return subprocess.list2cmdline(words) if os.name == "nt" else shlex.join(words)


@app.command()
def report(result: ResultArgument) -> None:
    """Write the report of a result again, from its files alone."""
    from optimiser.folder.read import read_results
    from optimiser.folder.write import rewrite_report

    print(f"wrote {rewrite_report(read_results(result))}")


@app.command()
def pick(
    result: ResultArgument,
    values: ValuesArgument = None,
    design: DesignOption = None,
    by: ByOption = None,
    at: AtOption = False,
    pictures: Annotated[
        bool, typer.Option("--pictures/--no-pictures", help="Draw the views, a second or two.")
    ] = True,
) -> None:
    """List the front, or write hardpoints, curves and views of another design than the winner.

    A point that is typed by hand starts from the winner, or from the design that is named.
    """
    from optimiser.answer.run_result import CAUTION
    from optimiser.folder.choose import choose
    from optimiser.folder.pick import cost_lines, write_pick
    from optimiser.folder.read import read_results

    typed = _typed(values, at)
    stored = read_results(result)
    if design is None and by is None and not typed:
        from optimiser.command.pick_screen import show_front

        show_front(stored)
        return
    picked = choose(stored, design, by, typed)
    print("\n".join(cost_lines(picked)))
    print(f"written to {write_pick(stored, picked, pictures=pictures)}")
    print(CAUTION)
    raise typer.Exit(0 if picked.chosen.outcome.feasible[0] else 1)


@app.command()
def export(
    result: ResultArgument,
    to: Annotated[str, typer.Option("--to", help="csv, dxf or step.")],
    values: ValuesArgument = None,
    design: DesignOption = None,
    by: ByOption = None,
    at: AtOption = False,
    out: Annotated[
        Path | None, typer.Option("--out", help="Folder; export in the result by default.")
    ] = None,
) -> None:
    """Write points, lines and keep-outs of a design in the CAD frame, the winner by default."""
    from optimiser.answer.run_result import CAUTION
    from optimiser.folder.choose import choose
    from optimiser.folder.export import check_format, export_design
    from optimiser.folder.read import read_results

    kind, typed = check_format(to), _typed(values, at)
    stored = read_results(result)
    picked = choose(stored, design, by, typed)
    # Whoever builds from the file has to see which rack its points are for.
    print(picked.chosen.title)
    for path in export_design(picked.chosen, kind, out or stored.folder / "export"):
        print(f"wrote {path}")
    for note in picked.notes:
        print(note)
    if not picked.chosen.outcome.feasible[0]:
        print(f"note that this design {picked.chosen.outcome.status[0]}")
    print(CAUTION)


def _typed(values: list[str] | None, at: bool) -> list[str]:
    """What was typed after --at."""
    if at and not values:
        raise InputError("--at", "no values follow", "write for example --at rack_height_mm=142")
    if values and not at:
        raise InputError(" ".join(values), "is not expected here", "write --at before values")
    return values or []


def _time_allowed(hours: float | None, until: str | None) -> tuple[float | None, float | None]:
    """Seconds that a run may take, and the `time.time()` at which it has to end.

    A time of day that has passed means tomorrow's.
    """
    if hours is not None and until is not None:
        raise InputError("--hours, --until", "both are given", "give one of the two")
    if hours is not None:
        if not 0.0 < hours <= _MOST_HOURS:
            problem = f"{hours:g} is not between 0 and {_MOST_HOURS}"
            raise InputError("--hours", problem, "give hours, such as 8 or 0.5")
        return 3600.0 * hours, None
    if until is None:
        return None, None
    now = datetime.datetime.now()
    try:
        clock = datetime.datetime.strptime(until, "%H:%M").time()
    except ValueError:
        raise InputError(
            "--until", f"{until!r} is no time of day", "write hours and minutes, such as 06:30"
        ) from None
    then = datetime.datetime.combine(now.date(), clock)
    if then <= now:
        then += datetime.timedelta(days=1)
    # Local time, also in a night in which summer time begins or ends.
    return None, then.timestamp()


_MOST_HOURS = 1000
_MOST_POSES = 1_000_000


def _sweep(text: str, option: str) -> list[float]:
    """LO:HI:STEP, or one value, as the values from LO to HI with HI included."""
    remedy = "write LO:HI:STEP in mm, such as -60:60:10"
    try:
        parts = [float(part) for part in text.split(":")]
    except ValueError:
        raise InputError(option, f"{text!r} holds something that is not a number", remedy) from None
    if len(parts) == 1:
        parts = [parts[0], parts[0], 1.0]
    if len(parts) != 3 or not all(abs(part) < 1e6 for part in parts):
        raise InputError(option, f"{text!r} is not three finite numbers", remedy)
    low, high, step = parts
    if step <= 0.0 or high < low:
        raise InputError(option, f"{text!r} does not run upwards", remedy)
    count = round((high - low) / step)
    if count > _MOST_POSES:
        raise InputError(option, f"{text!r} has {count} steps", "take a coarser step")
    # By index, not by adding up: 0.1 added ten times is not 1.
    values = [low + index * step for index in range(count + 1) if low + index * step <= high + 1e-9]
    return [min(value, high) for value in values]

"""The command line: parse, call, print. Every command is a short body over `layerblend.api`, imported only when it runs."""

from __future__ import annotations

import errno
import gc
import json as json_module
import os
import signal
import sys
import threading
import time
import traceback
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Annotated, Any, NamedTuple, NoReturn

import typer

from layerblend.errors import NO_ROOM, LayerblendError, RecipeError, StoppedError
from layerblend.memory import keep_freed_memory

app = typer.Typer(
    name="layerblend",
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
    rich_markup_mode="rich",
    help="""Tight stars from your sharpest frames, detail from a sharpness-weighted stack, quiet colour from everything,
joined into one picture, with measures and error bars that say whether it beats one plain stack.

[bold]First steps[/bold]: `layerblend demo` simulates a target and runs everything on it;
`layerblend new FOLDER` looks at your frames and writes a recipe; `layerblend blend RECIPE` makes the picture;
`layerblend compare RECIPE` judges it against the plain stack.

[bold]Exit codes[/bold]: 0 done; 2 the command line or the recipe is wrong; 3 the frames or stacks cannot be used;
4 stopped (disk, memory, Ctrl-C; run again to go on); 1 a bug, with the name of its log.""",
)


def _print_version(asked: bool) -> None:
    if asked:
        from layerblend import __version__

        print(f"layerblend {__version__}")
        raise typer.Exit


@app.callback()
def _every_command(
    version: Annotated[bool, typer.Option("--version", callback=_print_version, is_eager=True, help="Show the version and exit.")] = False,
) -> None:
    """Options that stand before any command."""


Recipe = Annotated[Path, typer.Argument(metavar="RECIPE", help="The recipe of one target, a YAML file.")]
Json = Annotated[bool, typer.Option("--json", help="Print one JSON object on stdout; progress stays on stderr.")]
Quiet = Annotated[bool, typer.Option("--quiet", "-q", help="No progress bars.")]
Workers = Annotated[int | None, typer.Option("--workers", min=1, metavar="N", help="Cores to use (default: all). Never changes a pixel.")]
Memory = Annotated[str | None, typer.Option("--memory", metavar="SIZE", help="How much memory stacking may take, such as 6GB.")]
Cluster = Annotated[str | None, typer.Option("--cluster", metavar="ADDRESS", help="Address of a dask scheduler (extra `cluster`).")]
Set = Annotated[
    list[str] | None,
    typer.Option("--set", metavar="KEY=VALUE", help="Change one recipe key for this run: --set roles.detail.stack=best75. VALUE is YAML."),
]
Out = Annotated[Path | None, typer.Option("--out", metavar="DIR", help="Where results go (default: output.folder of the recipe).")]
CompareOut = Annotated[
    Path | None,
    typer.Option(
        "--out",
        metavar="DIR",
        help="Where page, sheet and measures go (default: compare/ in the result's folder; for pictures alone, ./compare).",
    ),
]
SweepOut = Annotated[
    Path | None, typer.Option("--out", metavar="DIR", help="The sheet goes to DIR/sweep (default DIR: output.folder of the recipe).")
]


DISK_TROUBLE = NO_ROOM | {
    errno.EACCES, errno.EPERM, errno.EROFS, errno.EIO, errno.ENOTDIR, errno.EEXIST, errno.EISDIR, errno.EMFILE, errno.EBUSY,
}  # fmt: skip
GONE = {errno.ENOENT, errno.ENODEV, errno.ENXIO, getattr(errno, "ESTALE", errno.ENODEV)}
BROKEN_OFF = 4
ON_WINDOWS = os.name == "nt"
TONES = {"good": "green", "bad": "red", "faint": "dim", "": None}
PIPE_WIDTH = 200
INTERRUPTS = (signal.SIGINT, signal.SIGTERM)  # Ctrl-C, and what a shutdown or a queue of jobs sends: one answer for both
INTERRUPTED = 130
"""What the command-line library answers when Ctrl-C comes before a command has begun."""


class Done(NamedTuple):
    """What a command gives back: files written, warnings, the data of `--json` and the text for a terminal."""

    outputs: list[Path]
    data: dict[str, Any]
    warnings: list[dict[str, Any]] = []  # noqa: RUF012  (a NamedTuple default, never changed)
    show: Callable[[], None] = lambda: None


def _execution(json: bool, quiet: bool, workers: int | None, memory: str | None, cluster: str | None) -> Any:
    from layerblend.recipe.schema import Execution

    return Execution.from_options(workers=workers, memory=memory, cluster=cluster, quiet=quiet, json=json)


def _run(command: str, json: bool, body: Callable[[], Done]) -> None:
    """Run one command's body and answer as the contract says: text or one JSON object, and the exit code of what went wrong."""
    try:
        done = body()
    except LayerblendError as error:
        _fail(command, json, error, error.exit_code)
    except KeyboardInterrupt:
        _fail(command, json, _interrupted(), BROKEN_OFF)
    except MemoryError:
        short = StoppedError("Out of memory; give fewer --workers or a smaller --memory, then run again.", code="memory")
        _fail(command, json, short, BROKEN_OFF)
    except Exception as error:
        if isinstance(error, OSError) and error.errno == errno.ENAMETOOLONG:  # only names that the user gave are that long
            text = f"{error.filename}: the name is too long for this disk; give a shorter one."
            _fail(command, json, RecipeError(text, file=error.filename, code="name"), RecipeError.exit_code)
        if isinstance(error, OSError) and _is_disk_trouble(error):
            _fail(command, json, StoppedError(_disk_sentence(error), file=error.filename, code="disk"), BROKEN_OFF)
        log = _write_log(command)
        text = f"This is a bug in layerblend ({type(error).__name__}: {error}). The log is {log}; please report it with the recipe."
        _fail(command, json, LayerblendError(text, file=log, code="bug"), 1)
    else:
        with _deaf_to_interrupts():
            _answer(command, json, done)


def _answer(command: str, json: bool, done: Done) -> None:
    """Print what a command has to say. A reader that has seen enough (`| head`) is no trouble; a full disk behind `>` is."""
    try:
        if json:
            _print_json(command, "done", done)
        else:
            done.show()
            _say(*(f"note: {warning['text']}" for warning in done.warnings))
        sys.stdout.flush()
    except OSError as error:
        _print_no_more()
        if _nobody_reads(error):
            return
        text = f"The answer cannot be printed: {error.strerror or error}. The work is done and kept; run the command again to see it."
        _fail(command, json, StoppedError(text, code="disk"), BROKEN_OFF)


def _nobody_reads(error: OSError) -> bool:
    """Whether the other end of the pipe is closed, for which Windows says "invalid argument"."""
    return isinstance(error, BrokenPipeError) or (ON_WINDOWS and error.errno == errno.EINVAL)


def _print_no_more() -> None:
    """What is still to be printed goes nowhere, or Python would complain of it at its end."""
    os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())


@contextmanager
def _deaf_to_interrupts() -> Iterator[None]:
    """The work is done and only its answer is left to print: Ctrl-C stops nothing any more, but would spoil the exit code."""
    if threading.current_thread() is not threading.main_thread():
        yield
        return
    before = [(number, signal.signal(number, signal.SIG_IGN)) for number in INTERRUPTS]
    try:
        yield
    finally:
        for number, handler in before:
            signal.signal(number, handler)


def _interrupted() -> StoppedError:
    return StoppedError("Interrupted; what was finished is kept, run the same command to go on.", code="interrupted")


def _is_disk_trouble(error: OSError) -> bool:
    """Whether a disk, or what stands for one, refuses: no bug of ours. Windows has no number for a disk pulled out or a share gone."""
    if error.errno in GONE:
        return bool(error.filename)
    told_by_windows = getattr(error, "winerror", None) is not None or (ON_WINDOWS and error.errno == errno.EINVAL)
    return error.errno in DISK_TROUBLE or told_by_windows


def _disk_sentence(error: OSError) -> str:
    if error.errno in GONE:
        return f"{error.filename} is gone ({error.strerror or error}): bring it back, or its disk, then run again."
    where = f" at {error.filename}" if error.filename else ""
    mend = "Free some space" if error.errno in NO_ROOM else "Put that right"
    return f"The disk refused{where}: {error.strerror or error}. {mend} or choose another folder with --out, then run again."


def _print_json(command: str, status: str, done: Done) -> None:
    answer = {
        "schema": 1,
        "command": command,
        "status": status,
        "outputs": [str(path.absolute()) for path in done.outputs],
        "warnings": list(done.warnings),
        "data": done.data,
    }
    print(json_module.dumps(answer, ensure_ascii=False, allow_nan=False, default=str))


def _fail(command: str, json: bool, error: LayerblendError, exit_code: int) -> NoReturn:
    if json:
        details = {"code": error.code, "text": _text(error), "file": error.file, "line": error.line, "key": error.key}
        answer = {"schema": 1, "command": command, "status": "failed", "outputs": [], "warnings": [], "data": {}, "error": details}
        try:
            print(json_module.dumps(answer, ensure_ascii=False), flush=True)
        except OSError:  # nobody reads, or the disk is full: the sentence still goes to stderr
            _print_no_more()
    lines = error.faults if isinstance(error, RecipeError) and error.faults else (_text(error),)
    for line in lines:
        print(line, file=sys.stderr)
    raise typer.Exit(exit_code)


def _text(error: LayerblendError) -> str:
    """What an error says, and in which step of which stack it went wrong, where that is known."""
    return " ".join([str(error), *(f"({note})" for note in getattr(error, "__notes__", ()))])


def _write_log(command: str) -> Path:
    """The traceback of a bug goes to a file, not into the imager's face."""
    import platform
    import tempfile

    from layerblend import __version__

    path = Path(tempfile.gettempdir()) / f"layerblend-{command}-{time.strftime('%Y%m%d-%H%M%S')}.log"
    head = f"layerblend {__version__}, Python {platform.python_version()}, {platform.platform()}\n{' '.join(sys.argv)}\n\n"
    path.write_text(head + traceback.format_exc(), encoding="utf-8")
    return path


def _console() -> Any:
    from rich.console import Console

    class Terminal(Console):
        def on_broken_pipe(self) -> None:
            raise  # called while the error is handled; the library itself would end the process

    # no markup: a folder may be called [L] or :star:; a pipe has no width of its own, and cut names are of no use there
    return Terminal(highlight=False, markup=False, emoji=False, width=None if sys.stdout.isatty() else PIPE_WIDTH)


def _say(*lines: str) -> None:
    """Lines as they are: loading what draws tables would take a new blend a tenth of its time, more when the disk is still writing."""
    for line in lines:
        print(line)


def _done(answer: Any) -> Done:
    """A command's answer: its tables, then its lines."""

    def show() -> None:
        for listing in answer.listings:
            _show(listing)
        _say(*answer.lines)

    return Done(answer.outputs, answer.data, answer.warnings, show)


def _show(listing: Any) -> None:
    from rich.table import Table

    table = Table(*listing.columns, title=listing.title or None, title_justify="left", box=None)
    for cells, tone in zip(listing.rows, listing.tones, strict=True):
        table.add_row(*cells, style=TONES[tone])
    _console().print(table)


@app.command()
def demo(
    out: Annotated[Path, typer.Option("--out", metavar="DIR", help="The demo's own folder.")] = Path("layerblend-demo"),
    frames: Annotated[int, typer.Option("--frames", min=4, max=600, help="How many frames to simulate.")] = 48,
    size: Annotated[str, typer.Option("--size", metavar="WxH", help="Frame size in pixels.")] = "960x640",
    seed: Annotated[int, typer.Option("--seed", min=0, help="Same seed, same frames.")] = 1,
    json: Json = False,
    quiet: Quiet = False,
    workers: Workers = None,
    memory: Memory = None,
    cluster: Cluster = None,
) -> None:
    """Simulate a target of our own with known truth, run the whole job on it and judge the result against the plain stack.

    Example: `layerblend demo --out demo` takes about a minute, the first time two more, while parts are compiled;
    `--frames 12 --size 480x320` is a quick look.
    """

    def body() -> Done:
        from layerblend import api

        result = api.demo(
            out, frames=frames, size=api.parse_size(size), seed=seed, execution=_execution(json, quiet, workers, memory, cluster)
        )
        return _done(result)

    _run("demo", json, body)


@app.command()
def new(
    folder: Annotated[Path, typer.Argument(metavar="FOLDER", help="A folder of registered frames, or of finished stacks.")],
    out: Annotated[
        Path | None, typer.Option("--out", metavar="RECIPE", help="The recipe to write (default: FOLDER.yaml beside the folder).")
    ] = None,
    json: Json = False,
    quiet: Quiet = False,
    workers: Workers = None,
    memory: Memory = None,
    cluster: Cluster = None,
) -> None:
    """Look at a folder of frames (or stacks) and write a commented starter recipe.

    Every setting stands in it with its default, its range and what it does. Files named best25, all, deep, stack, ... and every TIFF
    count as finished stacks, other FITS files as frames. The target is named by the OBJECT card of their headers, else after the folder.

    Example: `layerblend new lights --out galaxy.yaml`
    """

    def body() -> Done:
        from layerblend import api

        _execution(json, quiet, workers, memory, cluster)
        result = api.new(folder, out)
        return _done(result)

    _run("new", json, body)


@app.command()
def check(
    recipe: Recipe,
    changes: Set = None,
    json: Json = False,
    quiet: Quiet = False,
    workers: Workers = None,
    memory: Memory = None,
    cluster: Cluster = None,
) -> None:
    """Validate the recipe and list what would run, what is done already, and why. Reads no pixels.

    All faults are reported at once, with their lines.

    Example: `layerblend check galaxy.yaml --set roles.detail.stack=best75`
    """

    def body() -> Done:
        from layerblend.recipe.load import load_recipe, parse_changes

        _execution(json, quiet, workers, memory, cluster)
        load_recipe(recipe, parse_changes(changes or []))
        from layerblend import api

        result = api.check(recipe, changes or [])
        return _done(result)

    _run("check", json, body)


@app.command()
def grade(
    source: Annotated[Path, typer.Argument(metavar="RECIPE or FOLDER", help="A recipe, or just a folder of frames.")],
    csv: Annotated[
        Path | None, typer.Option("--csv", metavar="FILE", help="Write the table here as well (UTF-8: say so where a spreadsheet asks).")
    ] = None,
    links: Annotated[Path | None, typer.Option("--links", metavar="DIR", help="Sorted links `03.42px_NAME` to the frames.")] = None,
    out: Out = None,
    changes: Set = None,
    json: Json = False,
    quiet: Quiet = False,
    workers: Workers = None,
    memory: Memory = None,
    cluster: Cluster = None,
) -> None:
    """Measure every frame's stars and sky and rank the frames, sharpest first.

    Writes a table (FWHM along the long axis, eccentricity, sky, noise, SNR, transparency) and plots; frames that are left out come with
    the reason.

    Example: `layerblend grade lights --links sorted`
    """

    def body() -> Done:
        from layerblend import api

        execution = _execution(json, quiet, workers, memory, cluster)
        result = api.grade(source, csv=csv, links=links, out=out, changes=changes or [], execution=execution)
        return _done(result)

    _run("grade", json, body)


@app.command()
def stack(
    recipe: Recipe,
    out: Out = None,
    changes: Set = None,
    json: Json = False,
    quiet: Quiet = False,
    workers: Workers = None,
    memory: Memory = None,
    cluster: Cluster = None,
) -> None:
    """Build all stacks of the recipe in one pass over the frames.

    Without `stacks` in the recipe: best25, best50, best75, all, and deep (all frames, the sharp ones counting more). A stopped pass goes
    on where it was.

    Example: `layerblend stack galaxy.yaml --memory 2GB`
    """

    def body() -> Done:
        from layerblend import api

        result = api.stack(recipe, out=out, changes=changes or [], execution=_execution(json, quiet, workers, memory, cluster))
        return _done(result)

    _run("stack", json, body)


@app.command()
def blend(
    recipe: Recipe,
    changes: Set = None,
    out: Out = None,
    upto: Annotated[str | None, typer.Option("--upto", metavar="STEP", help="Stop after this step and write what it made.")] = None,
    json: Json = False,
    quiet: Quiet = False,
    workers: Workers = None,
    memory: Memory = None,
    cluster: Cluster = None,
) -> None:
    """Make the picture: grade, stack, flatten, split, sharpen, denoise, combine, blend. Finished work is not done again.

    Stars come from the sharpest stack, light and dark from `deep`, colour from `all`, unless `roles` in the recipe says otherwise.

    Modes of `blend.mode`: screen (the default; stars keep their light over dark sky), plus-lighter (a little brighter over the target),
    lighten (the brighter of both), normal (covers), soft-light (hardly lifts stars over dark sky).

    Steps of `--upto`: grade, stack, flatten, white, split, detail, colour, combine, stars, blend.

    Example: `layerblend blend galaxy.yaml --set roles.detail.stack=best75 --out other`
    """

    def body() -> Done:
        from layerblend import api

        execution = _execution(json, quiet, workers, memory, cluster)
        result = api.blend_recipe(recipe, changes=changes or [], out=out, upto=upto, execution=execution)
        return _done(result)

    _run("blend", json, body)


@app.command()
def compare(
    sources: Annotated[
        list[Path], typer.Argument(metavar="A B ...", help="Recipes, result folders or pictures. One recipe: against `plain`.")
    ],
    out: CompareOut = None,
    changes: Set = None,
    json: Json = False,
    quiet: Quiet = False,
    workers: Workers = None,
    memory: Memory = None,
    cluster: Cluster = None,
) -> None:
    """Measure results against each other: verdicts with error bars, a page and a side-by-side sheet.

    One recipe alone is compared with `plain`: the same frames and curve, every role from the stack `all`, nothing else done.

    Example: `layerblend compare galaxy.yaml`, or `layerblend compare galaxy.yaml other.yaml finished.tif`
    """

    def body() -> Done:
        from layerblend import api

        execution = _execution(json, quiet, workers, memory, cluster)
        result = api.compare_sources(sources, out=out, changes=changes or [], execution=execution)
        return _done(result)

    _run("compare", json, body)


@app.command()
def sweep(
    recipe: Recipe,
    tries: Annotated[list[str], typer.Option("--try", metavar="KEY=V1,V2,...", help="Values to try for one key; repeat for more keys.")],
    sort: Annotated[str | None, typer.Option("--sort", metavar="MEASURE", help="Sort the table by this measure.")] = None,
    out: SweepOut = None,
    json: Json = False,
    quiet: Quiet = False,
    workers: Workers = None,
    memory: Memory = None,
    cluster: Cluster = None,
) -> None:
    """Render every assignment of the tried values: contact sheet and a table with verdicts against `plain`.

    Example: `layerblend sweep galaxy.yaml --try roles.detail.stack=best50,deep --try roles.detail.grain=0.3,0.6 --sort "star fwhm_major"`
    """

    def body() -> Done:
        from layerblend import api

        execution = _execution(json, quiet, workers, memory, cluster)
        result = api.sweep(recipe, tries=tries, sort=sort, out=out, execution=execution)
        return _done(result)

    _run("sweep", json, body)


@app.command()
def schema(json: Json = False, quiet: Quiet = False, workers: Workers = None, memory: Memory = None, cluster: Cluster = None) -> None:
    """Print the JSON Schema of the recipe, for editors that complete and check YAML."""

    def body() -> Done:
        from layerblend.recipe.schema import json_schema

        text = json_schema()
        return Done([], text, show=lambda: print(json_module.dumps(text, indent=2, ensure_ascii=False)))

    _run("schema", json, body)


@app.command(name="try")
def try_page(
    recipe: Recipe, json: Json = False, quiet: Quiet = False, workers: Workers = None, memory: Memory = None, cluster: Cluster = None
) -> None:
    """The local page where assignments are tried live (not yet in this version)."""

    def body() -> Done:
        raise RecipeError(
            "The try page is not yet in this version; use `layerblend sweep RECIPE --try KEY=V1,V2` to see assignments side by side."
        )

    _run("try", json, body)


def _flowing(text: str) -> str:
    """Help in which only empty lines end a line: the library keeps every other, and at 80 columns the lines came out ragged."""
    return "\n\n".join(" ".join(paragraph.split()) for paragraph in text.split("\n\n"))


app.info.help = _flowing(str(app.info.help))
for _command in app.registered_commands:
    _command.help = _flowing(str(_command.callback.__doc__))


# ---------------------------------------------------------------- the way in
def _one_thread_for_equations() -> None:
    """Before numpy is loaded: its linear algebra runs in one thread, unless the imager says otherwise.

    Our threads are at work already, the equations are small (two threads slowed the fit of a sky tenfold on a busy machine), and the last
    digits depend on how many share them.
    """
    for library in ("OPENBLAS", "MKL", "OMP"):
        os.environ.setdefault(f"{library}_NUM_THREADS", "1")


def main(arguments: Sequence[str] | None = None) -> None:
    """Entry point of the `layerblend` command."""
    keep_freed_memory()
    _one_thread_for_equations()
    for name in ("stdout", "stderr"):
        if getattr(sys, name) is None:  # closed by whoever started us
            setattr(sys, name, open(os.devnull, "w", encoding="utf-8"))  # noqa: SIM115  (open as long as the process)
        if hasattr(getattr(sys, name), "reconfigure"):
            getattr(sys, name).reconfigure(encoding="utf-8", errors="replace")
    given = list(sys.argv[1:] if arguments is None else arguments)
    if arguments is None and signal.getsignal(signal.SIGTERM) is signal.SIG_DFL:
        signal.signal(signal.SIGTERM, signal.default_int_handler)
    try:
        code = app(given, standalone_mode=False)
    except Exception as error:
        if isinstance(error, OSError) and _nobody_reads(error):  # help that was read half
            _print_no_more()
            sys.exit(0)
        if not hasattr(error, "format_message"):
            raise
        code = _wrong_command_line(error, given)
    if arguments is None:  # the process ends here
        for number in INTERRUPTS:
            signal.signal(number, signal.SIG_IGN)
        gc.freeze()  # what is left dies with the process; looking for cycles in it first takes half a second
    code = BROKEN_OFF if code == INTERRUPTED else code or 0
    if code and arguments is None:
        _leave_at_once(code)
    sys.exit(code)


def _leave_at_once(code: int) -> NoReturn:
    """End the process without waiting for steps that are still at work beside: nothing of theirs stands half done where it counts."""
    for stream in (sys.stdout, sys.stderr):
        stream.flush()
    os._exit(code)


def _wrong_command_line(error: Any, given: Sequence[str]) -> int:
    """What the command-line library refuses, in one sentence or one JSON object like every other failure."""
    context = getattr(error, "ctx", None)
    path = context.command_path if context is not None else "layerblend"
    command = next((word for word in given if not word.startswith("-")), "")
    message = error.format_message().rstrip(".")
    fault = RecipeError(f"{message}{'' if message.endswith('?') else '.'} See `{path} --help`.", code="command_line")
    if not given:  # the bare command teaches
        print(error.format_message(), file=sys.stderr)
        return fault.exit_code
    try:
        _fail(command, "--json" in given, fault, fault.exit_code)
    except typer.Exit as done:
        return done.exit_code


if __name__ == "__main__":
    main()

"""The command ``watcher``: parses what was typed, calls, prints."""

from __future__ import annotations

import contextlib
import json
import os
import signal
import socket
import sys
import tempfile
import threading
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from importlib.resources import files
from pathlib import Path
from types import FrameType
from typing import IO, TYPE_CHECKING, Any, get_args

import click

from watcher.account import Account
from watcher.bedside import Bedside, Hands
from watcher.config import Config, Printer, read_config
from watcher.desk import COMMANDS
from watcher.export.served import Exports
from watcher.glance import Eyes
from watcher.page import (
    Door,
    answer_to,
    create_app,
    door_of,
    in_words,
    is_loopback,
    listen,
    set_passphrase,
)
from watcher.page.words import CAUTIONS, duration, fault
from watcher.records import Advice, FaultKind, Frame, Said, Seen, Setup, Toolpath, Weights
from watcher.run import Ended, Judge, Label, run_night
from watcher.service import notify, unit
from watcher.settings import read_setup
from watcher.sources.choose import open_live, open_recorded
from watcher.sources.clock import Clock, NightClock
from watcher.sources.night import frame_names
from watcher.sources.taken import Missed, Source
from watcher.store import Store
from watcher.tend import LIVE_STORE_WAIT_S, Hooks, Supervisor, live_night, shown, start_log
from watcher.trouble import BadExport, BadNight, BadStore, Trouble
from watcher.typed import Command, settings_of
from watcher.typed import data_option as _data_option
from watcher.typed import load_toolpath as _load_toolpath
from watcher.weights import read_weights

if TYPE_CHECKING:
    from watcher.export.film import Film

PORT = 8537
REPORT_EVERY = 100


class Refusal(click.ClickException):
    """One sentence on standard error, exit status 2."""

    exit_code = 2

    def show(self, file: IO[Any] | None = None) -> None:
        click.echo(f"watcher: {self.message}", file=file or sys.stderr)


class Commands(click.Group):
    """Turns what the user can mend into one sentence; anything else is a fault of the program."""

    def invoke(self, ctx: click.Context) -> Any:
        try:
            return super().invoke(ctx)
        except Trouble as trouble:
            raise Refusal(str(trouble)) from trouble
        except OSError as error:
            if isinstance(error, BrokenPipeError):
                raise
            place = f"{error.filename}: " if error.filename else ""
            raise Refusal(f"{place}{error.strerror or error}.") from error


def _night(setup: Setup, toolpath: Toolpath | None, weights: Weights) -> Judge:
    # Late, because it brings scipy and scikit-image, which `runs` and `--help` can do without.
    from watcher.night import Night  # noqa: PLC0415

    return Night(setup, toolpath, weights)


@dataclass(frozen=True)
class Equipment:
    """What the commands run with; tests hand in a clock or a judge of their own."""

    make_clock: Callable[[], Clock] = NightClock
    make_judge: Callable[[Setup, Toolpath | None, Weights], Judge] = _night


@click.group(cls=Commands, context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(package_name="watcher", prog_name="watcher")
@click.pass_context
def main(ctx: click.Context) -> None:
    """Watch a filament printer through a camera and hear in time, with a reason, when to stop.

    Measures how far each visible corner of the part has lifted off the bed, in millimetres with
    an error bar, keeps the night as a time-lapse and shows it on a page on this machine.

    \b
    Begin with:
      watcher demo

    It can miss a fault and is no smoke or fire alarm; the maker's manual and your local rules say
    whether a printer may run unattended.
    """
    ctx.ensure_object(Equipment)


def _settings_option(command: Command) -> Command:
    return click.option(
        "--settings",
        "settings_file",
        metavar="FILE",
        type=click.Path(path_type=Path),
        help="A TOML file with your budget of false stops and your prices.",
    )(command)


def _weights(settings_file: Path | None) -> Weights:
    return Weights() if settings_file is None else read_weights(settings_file)


def _page_options(command: Command) -> Command:
    port = click.option(
        "--port",
        type=click.IntRange(0, 65535),
        default=PORT,
        show_default=True,
        help="Port of the page; 0 takes any free one.",
    )
    host = click.option(
        "--host",
        metavar="ADDRESS",
        default="127.0.0.1",
        show_default=True,
        help="Address of the page. The default is seen from this machine only; any other one asks "
        "for a passphrase, which must be set before.",
    )
    return port(host(command))


@main.command()
@_page_options
@click.option("--serve/--no-serve", default=True, help="Show the page, or only the summary.")
@click.pass_obj
def demo(equipment: Equipment, host: str, port: int, serve: bool) -> None:
    """Replay the sample nights and show them on the page.

    They come with the watcher: one on which a corner lifts, one that goes well. Nothing is kept
    when the demo ends.

    \b
    Example:
      watcher demo
    """
    nights = _sample_nights()
    with tempfile.TemporaryDirectory(prefix="watcher-demo-") as folder:
        data = Path(folder)
        with _page(data, host, port) if serve else contextlib.nullcontext("") as address:
            for night in nights:
                click.echo(f"Night {night.name}:")
                beside = _Files(night / "setup.json", _gcode_of(night))
                _, ended = _replay(equipment, night, data, beside)
                click.echo()
                if ended.how == "left early":
                    return
            if serve:
                click.echo(f"The page is at {address} — press Ctrl-C to end the demo.")
                _until_interrupted()


@main.command()
@click.option(
    "--source",
    metavar="WHERE",
    required=True,
    help="A camera's number, the http:// address of an MJPEG stream or of a still picture, a "
    "folder that pictures are dropped into, or a video file.",
)
@click.option(
    "--setup",
    "setup_file",
    metavar="FILE",
    type=click.Path(path_type=Path),
    required=True,
    help="The setup.json of this camera and machine.",
)
@click.option(
    "--toolpath",
    "toolpath_file",
    metavar="FILE",
    type=click.Path(path_type=Path),
    help="The G-code that is being printed; the part is compared with it.",
)
@click.option(
    "--interval",
    metavar="SECONDS",
    type=click.FloatRange(min=0.1),
    default=10.0,
    show_default=True,
    help="Time from picture to picture.",
)
@_settings_option
@click.option("--anew", is_flag=True, help="Begin a new run even if one was interrupted just now.")
@_data_option
@_page_options
@click.pass_obj
def watch(
    equipment: Equipment,
    *,
    source: str,
    setup_file: Path,
    toolpath_file: Path | None,
    interval: float,
    settings_file: Path | None,
    anew: bool,
    data: Path,
    host: str,
    port: int,
) -> None:
    """Watch a print that is being made.

    Start it together with the print. It shows the print on the page and says loudly in the
    terminal when to stop, with the reason; it does not stop the printer. A camera that goes away
    is tried again until it is back. Ctrl-C ends the watch and keeps it; a watch that was killed is
    carried on by the next one that is started in half an hour.

    \b
    Examples:
      watcher watch --source 0 --setup setup.json --toolpath part.gcode
      watcher watch --source http://192.0.2.7/stream --setup setup.json --interval 5
      watcher watch --source dropped/ --setup setup.json --toolpath part.gcode
    """
    setup = read_setup(setup_file)
    weights = _weights(settings_file)
    toolpath = None if toolpath_file is None else _load_toolpath(toolpath_file)
    name = toolpath_file.stem if toolpath_file else "watch"
    printer = Printer(shown(source), source, setup_file, toolpath_file or Path(), interval)
    settings = settings_of(toolpath_file)
    label = Label(name, printer.name, setup, toolpath, weights, printer.name, settings)
    account = Account()
    with (
        Store.open(data, write=True, wait_s=LIVE_STORE_WAIT_S) as store,
        contextlib.ExitStack() as stack,
    ):
        store.claim(printer.name)
        stack.enter_context(_terminated_as_interrupted())
        bedside = Bedside(Config((printer,)), printer, data)
        stack.callback(bedside.close, for_good=True)

        def open_source(clock: Clock) -> Source:
            pictures = open_live(source, setup.frame_size, interval, clock)
            stack.callback(pictures.close)
            address = stack.enter_context(_page(data, host, port, printers=(printer,)))
            click.echo(
                f"Watching {label.source}; the page is at {address} — Ctrl-C ends the watch."
            )
            click.echo(" ".join(CAUTIONS))
            return pictures

        ended = live_night(
            store,
            label,
            equipment.make_judge,
            equipment.make_clock(),
            open_source,
            listeners=[account, bedside, _Crier()],
            hooks=Hooks(bedside.begun, bedside.kept, _carried_on),
            anew=anew,
        )
    _conclude(account, ended.run_id, data)


def _carried_on(run_id: int, again: int) -> None:
    click.echo(
        f"Run {run_id} was interrupted and goes on; {again} pictures were looked at again. "
        "Begin a new one with --anew."
    )


@main.command()
@click.argument("path", type=click.Path(path_type=Path))
@click.option(
    "--setup",
    "setup_file",
    metavar="FILE",
    type=click.Path(path_type=Path),
    help="The setup.json; without it, the one in the night's folder.",
)
@click.option(
    "--toolpath",
    "toolpath_file",
    metavar="FILE",
    type=click.Path(path_type=Path),
    help="The G-code that was printed; without it, the part.gcode in the night's folder.",
)
@click.option(
    "--every",
    metavar="SECONDS",
    type=click.FloatRange(min=0.01),
    default=10.0,
    show_default=True,
    help="Of a video, take a picture every so many seconds of it.",
)
@click.option(
    "--json",
    "json_file",
    metavar="OUT",
    type=click.Path(path_type=Path),
    help="Also write stop, moments and the lifts of every frame to this file.",
)
@_settings_option
@_data_option
@click.pass_obj
def replay(
    equipment: Equipment,
    *,
    path: Path,
    setup_file: Path | None,
    toolpath_file: Path | None,
    every: float,
    json_file: Path | None,
    settings_file: Path | None,
    data: Path,
) -> None:
    """Go through a recorded night and say what was found.

    It is judged frame by frame, as if it were being watched. PATH is a folder with frames/,
    frames.csv, setup.json and part.gcode, or a video file; a video needs --setup.

    \b
    Examples:
      watcher replay nights/monday
      watcher replay nights/monday --json monday.json
      watcher replay monday.mp4 --every 30 --setup setup.json --toolpath part.gcode
    """
    if json_file is not None:
        _check_writable(json_file)
    if not path.exists():
        raise BadNight(f"There is no folder or video {path}.", "Name a recorded night or a video.")
    if path.is_dir():
        # Before the setup is looked for: an empty folder lacks more than that.
        frame_names(path)
    if setup_file is None:
        if not path.is_dir():
            raise BadNight("A video carries no setup.", "Name its setup.json with --setup.")
        setup_file = path / "setup.json"
    plan = toolpath_file or _gcode_of(path)
    account, ended = _replay(
        equipment,
        path,
        data,
        _Files(setup_file, plan),
        every_s=every,
        record=json_file is not None,
        weights=_weights(settings_file),
    )
    if json_file is not None and ended.how == "left early":
        click.echo(f"The replay was ended early, so {json_file} was not written.", err=True)
    elif json_file is not None:
        text = json.dumps(account.record(), indent=1, allow_nan=False)
        _write_whole(json_file, f"{text}\n".encode())
        click.echo(f"Written to {json_file}.")


@main.command(name="draw")
@click.argument("night", metavar="NIGHT_OR_RUN")
@click.argument("frame", metavar="FRAME")
@click.option(
    "--out",
    metavar="FILE",
    type=click.Path(path_type=Path),
    required=True,
    help="The picture to write: .png, .jpg or .webp.",
)
@click.option("--close", is_flag=True, help="Only the part and what lies around it, enlarged.")
@click.option(
    "--setup",
    "setup_file",
    metavar="FILE",
    type=click.Path(path_type=Path),
    help="The setup.json; without it, the night's or the run's own.",
)
@click.option(
    "--toolpath",
    "toolpath_file",
    metavar="FILE",
    type=click.Path(path_type=Path),
    help="The G-code that was printed; a kept run needs it, a night has its own.",
)
@_data_option
def draw_command(
    *,
    night: str,
    frame: str,
    out: Path,
    close: bool,
    setup_file: Path | None,
    toolpath_file: Path | None,
    data: Path,
) -> None:
    """Draw over one picture of a night what was measured in it.

    The outline that the toolpath expects, the edges as they were measured with their displacement
    enlarged, the lift of every corner with its error, strands, and what is hidden. The pictures
    before it are looked at again. NIGHT_OR_RUN is a recorded night's folder or the number of a kept
    run; FRAME is the picture's file name, or its number counted from 0.

    \b
    Examples:
      watcher draw nights/monday 00045.jpg --out lift.png
      watcher draw 3 120 --toolpath part.gcode --close --out lift.png
    """
    from watcher.night import Night  # noqa: PLC0415
    from watcher.pictured import SUFFIXES, KeptPictures, as_file, draw_frame  # noqa: PLC0415

    if out.suffix.lower() not in SUFFIXES:
        raise BadNight(f"{out} is no kind of picture.", f"End its name in {' or '.join(SUFFIXES)}.")
    _check_writable(out)
    with contextlib.ExitStack() as stack:
        source: Source
        if night.isascii() and night.isdigit() and not Path(night).exists():
            store = stack.enter_context(Store.open(data, write=False))
            source = kept = KeptPictures(store, int(night))
            setup = read_setup(setup_file) if setup_file else kept.setup
            plan = toolpath_file
        else:
            path = Path(night)
            if path.is_dir():
                frame_names(path)
            setup = read_setup(setup_file or path / "setup.json")
            source = open_recorded(path, setup.frame_size, 10.0)
            stack.callback(source.close)
            plan = toolpath_file or _gcode_of(path)
        judge = Night(setup, None if plan is None else _load_toolpath(plan))
        bar = stack.enter_context(_Bar(source))
        picture = draw_frame(source, judge, frame, close, [bar])
    _write_whole(out, as_file(picture, out.suffix))
    click.echo(f"Written to {out}.")


def _config_option(command: Command) -> Command:
    return click.option(
        "--config",
        "config_file",
        metavar="FILE",
        type=click.Path(path_type=Path),
        help="The configuration, for its alarm services and its ways to stop.",
    )(command)


@main.command()
@click.argument("run_id", metavar="RUN", type=click.IntRange(min=1))
@click.option(
    "--video",
    metavar="FILE",
    type=click.Path(path_type=Path),
    help="The time-lapse as an MP4 film, slower where a moment was flagged.",
)
@click.option("--drawn", is_flag=True, help="Draw what was measured over the film's pictures.")
@click.option(
    "--pictures-per-second",
    metavar="N",
    type=click.IntRange(1, 60),
    default=25,
    show_default=True,
    help="Pace of the film.",
)
@click.option(
    "--report",
    metavar="FILE",
    type=click.Path(path_type=Path),
    help="One HTML file with pictures, curves, advice and settings, to read without a network.",
)
@click.option(
    "--csv",
    metavar="FILE",
    type=click.Path(path_type=Path),
    help="Every measurement as a line of a table.",
)
@click.option(
    "--json",
    metavar="FILE",
    type=click.Path(path_type=Path),
    help="Measurements, advice, moments and settings.",
)
@_data_option
def export(
    run_id: int,
    *,
    drawn: bool,
    pictures_per_second: int,
    data: Path,
    **files: Path | None,
) -> None:
    """Write a kept run as a film, a report or tables.

    Name one file or several. RUN is a number that watcher runs lists. Where the camera stands and
    what it sees is in film and report: look before you pass them on.

    \b
    Examples:
      watcher export 12 --video night.mp4 --drawn
      watcher export 12 --report night.html --csv night.csv
    """
    # Late, because it brings the encoder, which the other commands can do without.
    from watcher.export.film import write_film  # noqa: PLC0415
    from watcher.export.kept_run import read_run  # noqa: PLC0415
    from watcher.export.report import report_of  # noqa: PLC0415
    from watcher.export.tables import csv_of, json_of  # noqa: PLC0415
    from watcher.export.whole import written_whole  # noqa: PLC0415

    wanted = {kind: path for kind, path in files.items() if path is not None}
    _check_wanted(wanted, drawn)
    with Store.open(data, write=False) as store, _terminated_as_interrupted():
        kept = read_run(store, run_id)
        tables = {"report": report_of, "csv": csv_of, "json": json_of}
        for kind, path in wanted.items():
            with _Steps(f"Making {path.name}") as steps:
                if kind == "video":
                    film = write_film(
                        path,
                        store,
                        kept,
                        per_second=pictures_per_second,
                        lines=drawn,
                        progress=steps,
                    )
                else:
                    with written_whole(path) as beside:
                        beside.write_bytes(tables[kind](store, kept, steps))
            if kind == "video":
                _tell_film(path, film)
            else:
                click.echo(f"Written to {path}.")


def _check_wanted(wanted: dict[str, Path], drawn: bool) -> None:
    """Raise ``BadExport`` where the files asked for can't all be made."""
    if not wanted:
        raise BadExport("Nothing to write was named.", "Add --video, --report, --csv or --json.")
    if drawn and "video" not in wanted:
        raise BadExport("--drawn is about a film.", "Name its file with --video.")
    if "video" in wanted and wanted["video"].suffix.lower() != ".mp4":
        raise BadExport(f"{wanted['video']} is no MP4 film.", "End its name in .mp4.")
    if len({path.absolute() for path in wanted.values()}) < len(wanted):
        raise BadExport("Two of the files have the same name.", "Give each its own.")
    for path in wanted.values():
        _check_writable(path)


def _tell_film(path: Path, film: Film) -> None:
    if film.left_out:
        names = ", ".join(film.left_out[:5]) + (" and more" if len(film.left_out) > 5 else "")
        count = len(film.left_out)
        click.echo(f"{count} of the pictures can't be read and were left out: {names}.", err=True)
    click.echo(f"Written to {path}: {film.frames} frames, {film.seconds:.1f} s.")


class _Steps:
    """A progress bar over long work, or a line now and then where standard error is no terminal."""

    def __init__(self, label: str) -> None:
        self._label = label
        self._stack = contextlib.ExitStack()
        self._bar: Any = None

    def __enter__(self) -> _Steps:
        return self

    def __exit__(self, *error: object) -> None:
        self._stack.close()

    def __call__(self, done: int, total: int) -> None:
        if sys.stderr.isatty():
            if self._bar is None:
                bar: Any = click.progressbar(length=total, label=self._label, file=sys.stderr)
                self._bar = self._stack.enter_context(bar)
            self._bar.update(1)
        elif done % REPORT_EVERY == 0:
            click.echo(f"{self._label}: {done} of {total} pictures", err=True)


@main.command()
@click.option(
    "--out",
    "out_file",
    metavar="FILE",
    type=click.Path(path_type=Path),
    required=True,
    help="The SVG file to write.",
)
@click.option(
    "--side",
    metavar="MM",
    type=click.FloatRange(10.0, 55.0),
    default=25.0,
    show_default=True,
    help="Length of a marker's black square.",
)
def markers(out_file: Path, side: float) -> None:
    """Write a page of markers to print, cut out and glue down.

    They are not needed; they help where bed and room show little. Markers 0 to 3 lie on the bed,
    10 to 13 anywhere in the still room; the setup says which are there. Print at full size.

    \b
    Example:
      watcher markers --out markers.svg
    """
    # Late, because it brings scipy, which `runs` and `--help` can do without.
    from watcher.scene.fiducials import sheet  # noqa: PLC0415

    _check_writable(out_file)
    _write_whole(out_file, sheet(side).encode())
    click.echo(f"Written to {out_file}; print it at full size and measure a square.")


@main.command()
@_config_option
@_data_option
@_page_options
def page(config_file: Path | None, data: Path, host: str, port: int) -> None:
    """Show the kept runs on a page.

    It can be seen from this machine only, until Ctrl-C ends it.

    \b
    Example:
      watcher page --port 9000
    """
    settings = None if config_file is None else read_config(config_file)
    hands = None if settings is None else Hands(settings, data)
    with _page(data, host, port, hands, settings.printers if settings else ()) as address:
        click.echo(f"The page is at {address} — press Ctrl-C to end it.")
        _until_interrupted()


@main.command()
@click.option("--deleted", is_flag=True, help="Those that were deleted and can be brought back.")
@_data_option
def runs(deleted: bool, data: Path) -> None:
    """List the kept runs, the newest first.

    Says of each when it began, how it ended, what was measured and what was advised.

    \b
    Examples:
      watcher runs
      watcher runs --deleted
    """
    with Store.open(data, write=False) as store:
        kept = store.runs(deleted=deleted)
    if deleted and not kept:
        click.echo(f"No deleted runs are left in {data}.")
        return
    if not kept:
        click.echo(f"No runs are kept in {data}. Make one with watcher watch or watcher replay.")
        return
    for run in map(in_words, kept):
        click.echo(f"{run.id}  {run.name}, begun {run.started}, {run.lasted}: {run.state}")
        click.echo(f"   {run.pictures}; biggest lift: {run.biggest_lift}")
        click.echo(f"   {run.outcome}")


@main.command()
@click.argument("run_id", metavar="RUN", type=click.IntRange(min=1))
@click.argument("said", type=click.Choice(get_args(Said)))
@click.option(
    "--kind",
    type=click.Choice(get_args(FaultKind)),
    help="What fails, where it is not what the advice says.",
)
@_data_option
@click.pass_obj
def answer(
    equipment: Equipment, run_id: int, said: Said, kind: FaultKind | None, data: Path
) -> None:
    """Say how a print goes.

    A run that is being watched takes it in with its next picture: "still fine" ends a stop and asks
    for more evidence at that one place from then on. The answer stays with the run, and watcher
    rejudge counts by it.

    \b
    Examples:
      watcher answer 12 "still fine"
      watcher answer 12 "it is failing" --kind corner-lift
      watcher answer 12 stopped
    """
    with Store.open(data, write=True) as store:
        run = store.run(run_id)
        if run is None:
            raise BadStore(f"There is no run {run_id}.", "List the kept runs with watcher runs.")
        kept = answer_to(run, said, equipment.make_clock().utc_s(), kind)
        store.keep_answer(run_id, kept)
    about = f" about {kept.place or fault(kept.kind)}" if kept.kind else ""
    heard = " The watch takes it in with its next picture." if run.state == "watching" else ""
    click.echo(f"Kept for run {run_id}: {said}{about}.{heard}")


@main.command()
@click.argument("run_ids", metavar="[RUNS]...", nargs=-1, type=click.IntRange(min=1))
@_settings_option
@click.option(
    "--curve",
    "curve_file",
    metavar="FILE",
    type=click.Path(path_type=Path),
    help="Also try several budgets, print delay against false stops and draw it into this SVG.",
)
@_data_option
def rejudge(
    run_ids: tuple[int, ...], settings_file: Path | None, curve_file: Path | None, data: Path
) -> None:
    """Judge kept runs again under other settings.

    No picture is needed. Says what would have been found, missed and stopped in vain, how late,
    and how much filament it would have saved. Whether a run failed is what you answered, or what
    the truth.json beside a recorded night says. Without RUNS all runs are taken; without
    --settings each is judged by its own.

    \b
    Examples:
      watcher rejudge
      watcher rejudge 3 4 9 --settings stricter.toml
      watcher rejudge --curve trade-off.svg
    """
    from watcher import rejudge as again  # noqa: PLC0415 (late: it brings scipy)

    weights = None if settings_file is None else read_weights(settings_file)
    if curve_file is not None:
        _check_writable(curve_file)
    with Store.open(data, write=False) as store:
        runs = {run.id: run for run in store.runs()}
        for run_id in run_ids:
            if run_id not in runs:
                raise BadStore(
                    f"There is no run {run_id}.", "List the kept runs with watcher runs."
                )
        wanted = sorted(set(run_ids)) or sorted(i for i in runs if runs[i].frames)
        kept = []
        for run_id in wanted:
            try:
                kept.append(again.read_kept(store, runs[run_id]))
            except BadStore as trouble:
                if run_ids:
                    raise
                click.echo(str(trouble), err=True)
    if not kept:
        raise BadStore(f"No runs that can be judged again are kept in {data}.", "Replay one first.")
    outcomes = [again.outcome_of(one, weights) for one in kept]
    for line in again.told(outcomes, {kind: fault(kind) for kind in get_args(FaultKind)}):
        click.echo(line)
    if curve_file is not None:
        points = again.curve(kept, weights)
        for line in again.curve_words(points):
            click.echo(line)
        _write_whole(curve_file, again.curve_svg(points).encode())
        click.echo(f"Drawn in {curve_file}.")


@main.command()
@click.argument("config_file", metavar="CONFIG", type=click.Path(path_type=Path))
@click.option("--dry-run", is_flag=True, help="Never stop a printer; say what would be done.")
@_data_option
@_page_options
def tend(config_file: Path, dry_run: bool, data: Path, host: str, port: int) -> None:
    """Watch all printers of a configuration through the night.

    Each is watched by a process of its own, which is started again when it dies and carries its
    run on. Alarms go to the services in CONFIG until somebody answers; one page shows all.
    Ctrl-C ends the watches and keeps them.

    \b
    Example:
      watcher tend workshop.toml
    """
    settings = read_config(config_file)
    start_log("watcher")
    hands = Hands(settings, data, dry_run=dry_run)
    with _page(data, host, port, hands, settings.printers) as address:
        names = ", ".join(printer.name for printer in settings.printers)
        click.echo(f"Watching {names}; the page is at {address} — Ctrl-C ends it.")
        click.echo(" ".join(CAUTIONS))
        supervisor = Supervisor(
            settings, data, dry_run=dry_run, on_turn=lambda: bool(notify("WATCHDOG=1"))
        )
        notify("READY=1")
        with _terminated_as_exit():
            supervisor.run()
        notify("STOPPING=1")


@main.group()
def config() -> None:
    """Look after the configuration.

    \b
    Example:
      watcher config check workshop.toml
    """


@config.command("check")
@click.argument("config_file", metavar="CONFIG", type=click.Path(path_type=Path))
def config_check(config_file: Path) -> None:
    """Say whether a configuration can be used, and what it does.

    Where it can't, the file, the line and the mend are named.

    \b
    Example:
      watcher config check workshop.toml
    """
    found = read_config(config_file)
    for printer in found.printers:
        click.echo(f"{printer.name}: {shown(printer.source)}, printing {printer.program().name}")
        if printer.stop is None:
            click.echo("  stopping: off")
            continue
        dry = " (dry run)" if printer.stop.dry_run else ""
        click.echo(f"  stopping: {printer.stop.action.shown()}{dry}, when a person says so, or in")
        click.echo("  a run that a person armed. It may fail; nozzle and bed stay hot.")
    hands = Hands(found, Path())
    click.echo(f"Alarms go to: {', '.join(hands.services) or 'nobody but the page'}")
    click.echo(f"{config_file} can be used.")


@main.group()
def alarm() -> None:
    """Look after the alarm.

    \b
    Example:
      watcher alarm test workshop.toml
    """


@alarm.command("test")
@click.argument("config_file", metavar="CONFIG", type=click.Path(path_type=Path))
@_data_option
def alarm_test(config_file: Path, data: Path) -> None:
    """Send a test message to each alarm service.

    \b
    Example:
      watcher alarm test workshop.toml
    """
    deliveries = Hands(read_config(config_file), data).test()
    if not deliveries:
        raise Trouble("No alarm service is configured.", "Add services under [alarms].")
    for delivery in deliveries:
        click.echo(delivery.words())
    if not all(delivery.sent for delivery in deliveries):
        raise Trouble("Not every service took the message.", "Check its address and try again.")


@main.command()
@click.argument("config_file", metavar="CONFIG", type=click.Path(path_type=Path))
@click.argument("run_id", metavar="RUN", type=int)
@click.option("--dry-run", is_flag=True, help="Say what would be done and do nothing.")
@click.option("--yes", is_flag=True, help="Don't ask.")
@_data_option
def stop(config_file: Path, run_id: int, dry_run: bool, yes: bool, data: Path) -> None:
    """Stop a print that is being watched, as CONFIG says.

    The message may fail or not be obeyed, and nozzle and bed stay hot.

    \b
    Examples:
      watcher stop workshop.toml 12 --dry-run
      watcher stop workshop.toml 12
    """
    hands = Hands(read_config(config_file), data, dry_run=dry_run)
    with Store.open(data, write=False) as store:
        run = store.run(run_id)
    if run is None:
        raise Trouble(f"There is no run {run_id} in {data}.", "See watcher runs.")
    how = hands.stop_words(run.watch)
    if how and not (yes or dry_run):
        click.confirm(f"Stop {run.name} with {how}?", abort=True)
    kept = hands.stop(run_id)
    if not kept.ok:
        raise Trouble(f"It was not stopped: {kept.detail}.", "Go and stop it at the printer.")
    click.echo(f"{kept.action}: {kept.detail}. See whether the printer stands still.")


@main.command()
@_data_option
def passphrase(data: Path) -> None:
    """Set the passphrase that the page asks for.

    With one, the page may be shown to other machines by --host. All who are signed in, and all
    share links, are shut out. Over plain HTTP others in the network can read it along.

    \b
    Example:
      watcher passphrase
    """
    text = click.prompt("Passphrase", hide_input=True, confirmation_prompt="Again")
    set_passphrase(data, text)
    click.echo("Set. A page that runs already asks for it once it is started again.")


@main.command()
@click.argument("address", metavar="ADDRESS")
@click.option("--hours", type=float, default=12.0, show_default=True, help="How long it holds.")
@_data_option
def share(address: str, hours: float, data: Path) -> None:
    """Print a link for a second person, who may only look.

    ADDRESS is the page's, as that person reaches it.

    \b
    Example:
      watcher share http://192.0.2.4:8537 --hours 10
    """
    door = door_of(data, "localhost")
    if not door.locked:
        raise Trouble("The page asks for no passphrase yet.", "Set one with watcher passphrase.")
    click.echo(f"{address.rstrip('/')}/shared/{door.share(hours)}")


@main.command()
@click.argument("config_file", metavar="CONFIG", type=click.Path(path_type=Path))
@_data_option
@_page_options
def service(config_file: Path, data: Path, host: str, port: int) -> None:
    """Print a systemd unit that tends the printers.

    systemd starts it again when it dies or hangs. What it has to say is in the journal.

    \b
    Example:
      watcher service workshop.toml > ~/.config/systemd/user/watcher.service
      systemctl --user enable --now watcher
      journalctl --user -u watcher --since 22:00
    """
    read_config(config_file)
    program = Path(sys.argv[0]).resolve()
    options = ("--host", host, "--port", str(port))
    click.echo(unit(str(program), config_file.resolve(), data.resolve(), options), nl=False)


@dataclass(frozen=True)
class _Files:
    """What belongs to a recorded night beside its pictures."""

    setup: Path
    toolpath: Path | None


def _replay(
    equipment: Equipment,
    path: Path,
    data: Path,
    beside: _Files,
    *,
    every_s: float = 10.0,
    record: bool = False,
    weights: Weights | None = None,
) -> tuple[Account, Ended]:
    """Replay a night into the store and print what was found."""
    setup = read_setup(beside.setup)
    pictures = open_recorded(path, setup.frame_size, every_s)
    toolpath = None if beside.toolpath is None else _load_toolpath(beside.toolpath)
    weights = weights or Weights()
    judge = equipment.make_judge(setup, toolpath, weights)
    for remark in pictures.remarks:
        click.echo(remark)
    account = Account(every_frame=record)
    with (
        contextlib.closing(pictures),
        Store.open(data, write=True) as store,
        _terminated_as_interrupted(),
        _Bar(pictures) as bar,
    ):
        ended = run_night(
            pictures,
            judge,
            store,
            Label(
                path.resolve().stem,
                str(path.resolve()),
                setup,
                toolpath,
                weights,
                settings=settings_of(beside.toolpath),
            ),
            clock=equipment.make_clock(),
            listeners=[account, bar],
        )
    _conclude(account, ended.run_id, data)
    return account, ended


def _conclude(account: Account, run_id: int, data: Path) -> None:
    for line in account.words():
        click.echo(line)
    click.echo(f"Kept as run {run_id} in {data}; look back at it with watcher page.")


class _Bar:
    """A progress bar over a recorded night's pictures, or a line now and then where their number
    is unknown or standard error is no terminal."""

    def __init__(self, source: Source) -> None:
        self._total = source.total
        self._count = 0
        self._stack = contextlib.ExitStack()
        self._bar: Any = None

    def __enter__(self) -> _Bar:
        if self._total is not None and sys.stderr.isatty():
            bar: Any = click.progressbar(
                length=self._total, label="Looking at the pictures", file=sys.stderr
            )
            self._bar = self._stack.enter_context(bar)
        return self

    def __exit__(self, *error: object) -> None:
        self._stack.close()

    def heard_frame(self, frame: Frame, seen: Seen) -> None:
        self._step()

    def heard_missed(self, missed: Missed) -> None:
        self._step()

    def _step(self) -> None:
        self._count += 1
        if self._bar is not None:
            self._bar.update(1)
        elif self._count % REPORT_EVERY == 0:
            click.echo(f"{self._count} pictures looked at", err=True)


class _Crier:
    """Says in the terminal what changed, and a stop again with every picture."""

    def __init__(self) -> None:
        self._advice: Advice | None = None
        self._missed = ""

    def heard_frame(self, frame: Frame, seen: Seen) -> None:
        self._missed = ""
        before, self._advice = self._advice, seen.advice
        when = duration(frame.elapsed_s)
        if seen.advice.level == "stop":
            click.secho(f"\a{when} into the print: {seen.advice.sentence}", bold=True)
        elif before is None or seen.advice.level != before.level:
            click.echo(f"{when} into the print: {seen.advice.sentence}")

    def heard_missed(self, missed: Missed) -> None:
        if missed.reason != self._missed:
            click.echo(f"{missed.name} can't be used: {missed.reason}", err=True)
        self._missed = missed.reason


def _gcode_of(night: Path) -> Path | None:
    path = night / "part.gcode"
    return path if path.is_file() else None


def _check_writable(path: Path) -> None:
    """Say at the start of a long replay, not at its end, that its result can't be written."""
    if path.is_dir() or not path.parent.is_dir() or not os.access(path.parent, os.W_OK):
        raise BadNight(f"{path} can't be written.", "Name a file in a folder that you may write.")


def _write_whole(path: Path, data: bytes) -> None:
    beside = path.with_name(f".{path.name}.part")
    try:
        beside.write_bytes(data)
        beside.replace(path)
    except OSError:
        beside.unlink(missing_ok=True)
        raise


def _sample_nights() -> list[Path]:
    """The nights that are shipped inside the package."""
    folder = Path(str(files("watcher.sample_frames")))
    nights = sorted(path.parent for path in folder.glob("*/frames.csv"))
    if not nights:
        raise BadNight("This copy of the watcher holds no sample nights.", "Install it anew.")
    return nights


@contextlib.contextmanager
def _page(
    data: Path,
    host: str,
    port: int,
    hands: Hands | None = None,
    printers: tuple[Printer, ...] = (),
) -> Iterator[str]:
    """Serve the page from a thread of its own and give its address."""
    app = create_app(
        data,
        door=_door(data, host),
        hands=hands,
        eyes=Eyes(printers, data),
        exports=Exports(data),
    )
    server = listen(app, host, port)
    thread = threading.Thread(target=server.run, daemon=True)
    thread.start()
    try:
        yield server.url
    finally:
        server.close()
        thread.join(timeout=5)


def _door(data: Path, host: str) -> Door:
    names = frozenset() if is_loopback(host) else frozenset({socket.gethostname().lower()})
    return door_of(data, host, names | {f"{name}.local" for name in names})


@contextlib.contextmanager
def _terminated_as_interrupted() -> Iterator[None]:
    """Let a polite request to end (SIGTERM) end the night as Ctrl-C does."""

    def interrupt(number: int, frame: FrameType | None) -> None:
        raise KeyboardInterrupt

    if threading.current_thread() is not threading.main_thread():
        yield
        return
    before = signal.signal(signal.SIGTERM, interrupt)
    try:
        yield
    finally:
        signal.signal(signal.SIGTERM, before)


@contextlib.contextmanager
def _terminated_as_exit() -> Iterator[None]:
    """Let SIGTERM, as systemd sends it, end the program but not the runs."""

    def leave(number: int, frame: FrameType | None) -> None:
        raise SystemExit(0)

    before = signal.signal(signal.SIGTERM, leave)
    try:
        yield
    finally:
        signal.signal(signal.SIGTERM, before)


def _until_interrupted() -> None:
    with _terminated_as_interrupted(), contextlib.suppress(KeyboardInterrupt):
        threading.Event().wait()
    click.echo()


for _command in COMMANDS:
    main.add_command(_command)

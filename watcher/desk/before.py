"""``watcher before``: gathers what is known and prints the list before a print."""

from __future__ import annotations

import json
import shutil
import statistics
import time as clock
from collections.abc import Sequence
from dataclasses import asdict
from datetime import UTC, datetime, time, timedelta
from pathlib import Path
from typing import Any

import click
import cv2
import numpy as np

from watcher.before import Item, Sheet, material
from watcher.before.sheet import Known, Trial, make_sheet
from watcher.before.spool import dried_at, stock_of
from watcher.before.warp import ROOM_C, Footprint, index_mm
from watcher.config import Config, read_config
from watcher.settings import read_setup
from watcher.store import Job, Run, Spool, Store
from watcher.toolpath import bed_temperature_c
from watcher.trouble import BadFacts
from watcher.typed import data_option, load_toolpath

FRESH_S = 3600.0
"""A reading of chamber or humidity older than this says nothing of now."""
LIFTED_MM = 0.5
LATE = timedelta(minutes=10)
"""A start so little ago is still today's."""


@click.command()
@click.argument("gcode", type=click.Path(path_type=Path))
@click.option("--spool", "spool_name", metavar="NAME", help="The spool to print from.")
@click.option("--material", "material_name", metavar="NAME", help="Without a spool: the material.")
@click.option(
    "--setup",
    "setup_file",
    metavar="FILE",
    type=click.Path(path_type=Path),
    help="The setup.json of this camera, to check what it sees.",
)
@click.option(
    "--picture",
    "picture_file",
    metavar="FILE",
    type=click.Path(path_type=Path),
    help="A picture of the empty bed, as the camera sees it now.",
)
@click.option("--start", metavar="HH:MM", help="When it begins, local time; without it, now.")
@click.option("--watched", metavar="HH:MM-HH:MM", help="Hours of the day in which somebody looks.")
@click.option(
    "--interval",
    metavar="SECONDS",
    type=click.FloatRange(min=0.1),
    default=10.0,
    show_default=True,
    help="Time from picture to picture.",
)
@click.option("--chamber", metavar="C", type=float, help="Chamber temperature, if none is read.")
@click.option("--humidity", metavar="PERCENT", type=float, help="Humidity, if none is read.")
@click.option(
    "--config",
    "config_file",
    metavar="FILE",
    type=click.Path(path_type=Path),
    help="The configuration, to see whether alarm and stop are set up.",
)
@click.option("--json", "as_json", is_flag=True, help="Print the list as JSON.")
@data_option
def before(
    *,
    gcode: Path,
    spool_name: str | None,
    material_name: str | None,
    setup_file: Path | None,
    picture_file: Path | None,
    start: str | None,
    watched: str | None,
    interval: float,
    chamber: float | None,
    humidity: float | None,
    config_file: Path | None,
    as_json: bool,
    data: Path,
) -> None:
    """Say what is not ready before a print starts.

    Filament against the spool, drying, camera, disk, alarm and stop, the risk of warp with things
    to try, and when it ends. What is not ready stands first; what was never tested is said so. The
    newest list is on the page, too.

    \b
    Examples:
      watcher before part.gcode --spool black --setup setup.json --picture bed.jpg
      watcher before part.gcode --material PA6 --watched 07:00-23:00
    """
    if (spool_name is None) == (material_name is None):
        raise BadFacts("It takes a spool or a material.", "Give --spool or --material.")
    if picture_file is not None and setup_file is None:
        raise BadFacts("A picture says nothing without its camera.", "Give --setup as well.")
    config = None if config_file is None else read_config(config_file)
    begin = _start(start)
    hours = _watched(watched)
    toolpath = load_toolpath(gcode)
    with gcode.open("rb") as file:
        bed_c = bed_temperature_c(file)
    with Store.open(data, write=True) as store:
        spool = None if spool_name is None else store.ledger.spool(spool_name)
        kind = material(spool.material if spool is not None else material_name or "")
        stock, trouble = None, ""
        others = []
        hours_dry = None
        if spool is not None:
            events = store.ledger.spool_events(spool.id)
            when = dried_at(events)
            hours_dry = None if when is None else (clock.time() - when) / 3600
            try:
                stock = stock_of(spool, events)
            except BadFacts as bad:
                trouble = str(bad)
            others = _others(store, spool)
        chamber = chamber if chamber is not None else _fresh(store, "chamber_c")
        humidity = humidity if humidity is not None else _fresh(store, "humidity_percent")
        eye, frame_bytes = None, _usual_frame_bytes(store)
        names: list[str] = []
        if picture_file is not None and setup_file is not None:
            eye, names, frame_bytes = _eye(picture_file, setup_file, toolpath)
        runs = store.runs()
        jobs = store.ledger.jobs()
        known = Known(
            title=f"Before {gcode.stem}, {begin:%d %B %Y %H:%M}",
            toolpath=toolpath,
            material=kind,
            spool=spool,
            stock=stock,
            stock_trouble=trouble,
            others=others,
            start=begin,
            watched=hours,
            paces=_paces(store, runs),
            past=_past(store, runs, jobs),
            chamber_c=chamber,
            bed_c=bed_c,
            humidity_percent=humidity,
            hours_dry=hours_dry,
            eye=eye,
            corner_names=names,
            free_bytes=shutil.disk_usage(data).free,
            frame_bytes=frame_bytes,
            interval_s=interval,
            alarm=_alarm_tested(store, config),
            stop=_stop_tested(store, config),
        )
        sheet = make_sheet(known)
        store.ledger.keep_sheet(clock.time(), as_record(sheet))
    if as_json:
        click.echo(json.dumps(as_record(sheet), indent=1))
    else:
        click.echo("\n".join(sheet.lines()))


def as_record(sheet: Sheet) -> dict[str, Any]:
    """The list as JSON: what is not ready first."""
    return {
        "title": sheet.title,
        "verdict": sheet.verdict(),
        "ready": sheet.ready,
        "items": [_item(item) for item in sheet.in_order()],
        "cautions": list(sheet.cautions),
    }


def _item(item: Item) -> dict[str, Any]:
    return asdict(item) | {"more": list(item.more)}


def _start(text: str | None) -> datetime:
    now = datetime.now().astimezone()
    if text is None:
        return now
    at = _time(text, "--start")
    begin = now.replace(hour=at.hour, minute=at.minute, second=0, microsecond=0)
    # A time of day that is past means tomorrow's.
    return begin if begin >= now - LATE else begin + timedelta(days=1)


def _watched(text: str | None) -> tuple[time, time] | None:
    if text is None:
        return None
    first, sign, last = text.partition("-")
    if not sign:
        raise BadFacts(f"--watched is {text!r}.", "Write it as 07:00-23:00.")
    return _time(first, "--watched"), _time(last, "--watched")


def _time(text: str, option: str) -> time:
    try:
        return time.fromisoformat(text.strip())
    except ValueError:
        raise BadFacts(f"{option} is {text!r}.", "Write times as 07:00.") from None


def _others(store: Store, spool: Spool) -> list[tuple[Spool, Any]]:
    found = []
    for other in store.ledger.spools():
        alike = material(other.material).name == material(spool.material).name
        if other.id == spool.id or not alike or other.diameter_mm != spool.diameter_mm:
            continue
        try:
            found.append((other, stock_of(other, store.ledger.spool_events(other.id))))
        except BadFacts:
            continue
    return found


def _fresh(store: Store, what: Any) -> float | None:
    newest = store.ledger.newest_condition(what)
    if newest is None or clock.time() - newest.utc_s > FRESH_S:
        return None
    return newest.value


def _eye(picture_file: Path, setup_file: Path, toolpath: Any) -> tuple[Any, list[str], float]:
    # Late: they bring scipy and scikit-image.
    from watcher.before.eye import look_at  # noqa: PLC0415
    from watcher.scene.camera import camera_from_points  # noqa: PLC0415
    from watcher.scene.expected import corner_names  # noqa: PLC0415
    from watcher.scene.solid import corners_of, solid_from_toolpath  # noqa: PLC0415

    setup = read_setup(setup_file)
    content = picture_file.read_bytes()
    picture = cv2.imdecode(np.frombuffer(content, np.uint8), cv2.IMREAD_GRAYSCALE)
    if picture is None:
        raise BadFacts(f"{picture_file} is no picture.", "Give a JPEG or PNG of the camera.")
    height, width = picture.shape
    if (width, height) != setup.frame_size:
        raise BadFacts(
            f"{picture_file.name} has {width} x {height} pixels, the setup says "
            f"{setup.frame_size[0]} x {setup.frame_size[1]}.",
            "Take it with the same camera at the same size.",
        )
    eye = look_at(picture.astype(np.float32), setup, toolpath)
    corners = corners_of(solid_from_toolpath(toolpath), toolpath)
    return eye, corner_names(camera_from_points(setup), corners), float(len(content))


def _usual_frame_bytes(store: Store) -> float | None:
    for run in store.runs():
        path = None if run.newest_frame is None else store.frame_path(run.id, run.newest_frame)
        if path is not None:
            return float(path.stat().st_size)
    return None


def _paces(store: Store, runs: Sequence[Run]) -> list[float]:
    notes = (store.ledger.last_notes(run.id) for run in runs if run.state == "finished")
    return [n["pace"] for n in notes if 0.5 < n.get("pace", 0.0) < 3.0]


def _past(store: Store, runs: Sequence[Run], jobs: dict[int, Job]) -> list[tuple[float, bool]]:
    """Index of warp of each run whose material is known, and whether a corner lifted."""
    found = []
    for run in runs:
        job = jobs.get(run.id)
        if job is None or not job.material or "span_mm" not in job.facts:
            continue
        facts = job.facts
        foot = Footprint(
            facts["span_mm"],
            int(facts["sharp_corners"]),
            int(facts["layers"]),
            facts["layer_mm"],
            facts["brim_mm"],
        )
        try:
            index = index_mm(foot, material(job.material), _chamber_of(store, run))
        except BadFacts:
            continue
        if index is not None:
            lift = run.biggest_lift
            found.append((index, lift is not None and lift.value_mm >= LIFTED_MM))
    return found


def _chamber_of(store: Store, run: Run) -> float:
    """Median chamber temperature while a run went on; the room's where none was read."""
    end = run.started_utc_s + run.elapsed_s
    read = store.ledger.conditions(run.started_utc_s, end, run.watch or None)
    values = [one.value for one in read if one.what == "chamber_c"]
    return statistics.median(values) if values else ROOM_C


def _alarm_tested(store: Store, config: Config | None) -> Trial:
    last = store.book.tested()
    if last is not None:
        if last.sent:
            return Trial(True, _when(last.utc_s))
        return Trial(True, failed=f"{last.detail}.")
    return Trial(config is not None and bool(config.alarms.services))


def _stop_tested(store: Store, config: Config | None) -> Trial:
    last = store.book.newest_stop()
    if last is not None:
        if not last.ok:
            return Trial(True, failed=f"{last.detail}.")
        return Trial(True, _when(last.utc_s) + (", without sending anything" if last.dry else ""))
    return Trial(config is not None and any(p.stop is not None for p in config.printers))


def _when(utc_s: float) -> str:
    return datetime.fromtimestamp(utc_s, UTC).astimezone().strftime("on %d %B at %H:%M")

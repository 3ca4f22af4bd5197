"""Views: setting a printer up by looking – camera, bed corners, what is seen, region, keeping it.

What a person does here lies on a table in memory until it is kept: the picture that was taken, the
camera's address (which may hold a password and is never sent back), the program that was handed in.
"""

from __future__ import annotations

import json
import math
import shlex
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Protocol

import cv2
import numpy as np
from flask import (
    Blueprint,
    Response,
    abort,
    current_app,
    jsonify,
    redirect,
    render_template,
    request,
    url_for,
)
from flask.typing import ResponseReturnValue

from watcher.before.view import (
    BED_NAMES,
    PICTURES,
    Part,
    Prospect,
    Spot,
    part_of,
    prospect,
)
from watcher.config import Printer
from watcher.page import access, setup_file, setup_form
from watcher.page.opened import FOLDER, asked_by_script, store
from watcher.page.setup_form import MOTIONS, Pixels
from watcher.page.table import Looked, Table, picture_of
from watcher.records import Setup
from watcher.scene.corners import find_corners, mended
from watcher.settings import read_setup
from watcher.store import disk
from watcher.toolpath import read_toolpath
from watcher.trouble import BadSetup, BadStore, BadToolpath, Trouble

EYES = "EYES"
TABLE = "SETTING_UP"
FOLDER_OF_PRINTERS = "printers"
LARGEST_FILE = 8 * 2**20
QUICK_PROGRAM, SLOW_PROGRAM = 256 * 1024, 8 * 2**20
"""So large a configured program may be to be read before the page is shown, and beside it."""
FORM_BUFFER = 512 * 1024
USUAL_SIZE = (1280, 720)
LONGEST_NAME = 60
views = Blueprint("aim", __name__)


class Seen(Protocol):
    """A picture that was taken."""

    @property
    def jpeg(self) -> bytes: ...
    @property
    def words(self) -> str: ...


class Eyes(Protocol):
    """What takes pictures, as ``glance.Eyes`` does it."""

    printers: tuple[Printer, ...]

    def check(self, address: str) -> None: ...
    def shown(self, address: str) -> str: ...
    def picture(self, address: str, wish: tuple[int, int] | None = None) -> Seen: ...


@dataclass(frozen=True)
class Known:
    """A printer that can be set up."""

    key: str
    name: str
    file: Path
    configured: Printer | None

    @property
    def has_setup(self) -> bool:
        return self.file.is_file()


# Who, and how much


@views.before_app_request
def _allow_files() -> None:
    """A file may be large in two views, from people who may act; before its body is read."""
    if request.endpoint in ("aim.hand_in", "aim.hand_in_program") and access.role() == "all":
        request.max_content_length = LARGEST_FILE
        # It also bounds the buffer that a file is read through.
        request.max_form_memory_size = FORM_BUFFER


@views.before_request
def _only_who_may_act() -> None:
    if access.role() != "all":
        abort(403, "Setting up opens cameras and writes files: it wants a sign-in, not a link.")


def _eyes() -> Eyes | None:
    eyes: Eyes | None = current_app.config[EYES]
    return eyes


def _table() -> Table:
    table: Table = current_app.config[TABLE]
    return table


def _printers() -> list[Known]:
    eyes = _eyes()
    found = [
        Known(disk.plain(printer.name), printer.name, printer.setup, printer)
        for printer in (eyes.printers if eyes else ())
    ]
    folder = Path(current_app.config[FOLDER]) / FOLDER_OF_PRINTERS
    taken = {one.key for one in found}
    for path in sorted(folder.glob("*/printer.json")):
        try:
            name = json.loads(path.read_text(encoding="utf-8"))["name"]
        except (OSError, ValueError, KeyError, TypeError):
            continue
        if isinstance(name, str) and path.parent.name == disk.plain(name) not in taken:
            found.append(Known(path.parent.name, name, path.parent / "setup.json", None))
    return found


def _known(key: str) -> Known:
    found = [one for one in _printers() if one.key == key]
    if not found:
        abort(404)
    return found[0]


# The list


@views.get("/printers")
def printers() -> str:
    """All printers, with their pictures where there are any."""
    return _list("")


def _list(trouble: str, name: str = "") -> str:
    return render_template(
        "printers.html",
        printers=[(one, _standing(one)) for one in _printers()],
        trouble=trouble,
        name=name,
    )


def _standing(one: Known) -> str:
    if not one.has_setup:
        return "not set up yet"
    try:
        setup = read_setup(one.file)
    except BadSetup as bad:
        return str(bad)
    width, height = setup.frame_size
    return (
        f"set up for pictures of {width} by {height} pixels, bed {setup.bed_mm[0]:g} by "
        f"{setup.bed_mm[1]:g} mm that {MOTIONS[setup.bed_motion]}"
    )


@views.post("/printers")
def add() -> ResponseReturnValue:
    """Take a new printer in by its name."""
    name = " ".join(request.form.get("name", "").split())
    if not name or not name.isprintable() or len(name) > LONGEST_NAME:
        return _list(f"Give the printer a name of up to {LONGEST_NAME} plain characters.", name)
    key = disk.plain(name)
    if all(one.key != key for one in _printers()):
        data = Path(current_app.config[FOLDER])
        folder = data / FOLDER_OF_PRINTERS / key
        with disk.told(data):
            folder.mkdir(parents=True, exist_ok=True)
            disk.write_file(folder / "printer.json", json.dumps({"name": name}).encode())
    return redirect(url_for("aim.view", key=key), 303)


# The picture


@views.get("/printers/<key>/picture")
def picture(key: str) -> Response:
    """The picture on the table."""
    _known(key)
    looked = _table().place(key).looked
    if looked is None:
        abort(404)
    response = Response(looked.jpeg, mimetype="image/jpeg")
    # Its version is in its address; the script loads it twice.
    response.headers["Cache-Control"] = "private, max-age=60"
    return response


@views.post("/printers/<key>/look")
def look(key: str) -> ResponseReturnValue:
    """Take a picture, for a page without scripts."""
    one = _known(key)
    try:
        _look(one)
    except Trouble as trouble:
        return _page(one, _values(one), str(trouble), bad=True)
    return redirect(url_for("aim.view", key=key), 303)


@views.post("/api/printers/<key>/look")
def look_now(key: str) -> Response:
    """Take a picture and say where it lies, or what is wrong."""
    one = _known(key)
    try:
        return jsonify(_about(one, _look(one)))
    except Trouble as trouble:
        return jsonify(trouble=str(trouble))


def _look(one: Known) -> Looked:
    eyes = _eyes()
    if eyes is None:
        raise Trouble("This page looks through no camera.", "Hand in a picture instead.")
    place = _table().place(one.key)
    typed = request.form.get("address", "").strip()
    if typed:
        eyes.check(typed)
        place.address = typed
    address = place.address or (one.configured.source if one.configured else "")
    if not address:
        raise Trouble("No camera was named.", "Give its number or its http:// address.")
    kept = _kept(one)
    seen = eyes.picture(address, kept.frame_size if kept else None)
    return _table().lay(one.key, seen.jpeg, seen.words)


@views.post("/printers/<key>/hand-in")
def hand_in(key: str) -> ResponseReturnValue:
    """Take a picture from the person's own device."""
    one = _known(key)
    try:
        jpeg = picture_of(request.files.get("picture"))
        looked = _table().lay(one.key, jpeg, "handed in")
    except Trouble as trouble:
        return _answered(one, trouble=str(trouble))
    return _answered(one, **_about(one, looked))


@views.post("/printers/<key>/newest")
def newest(key: str) -> ResponseReturnValue:
    """Take the newest picture of any kept run."""
    one = _known(key)
    looked = _kept_picture(one, of_others=True)
    if looked is None:
        return _answered(one, trouble="No picture is kept yet: nothing has been watched.")
    return _answered(one, **_about(one, looked))


def _answered(one: Known, **told: Any) -> ResponseReturnValue:
    """To a script as JSON, else as a page, with the ``trouble`` if there was one."""
    if asked_by_script():
        return jsonify(told)
    if "trouble" in told:
        return _page(one, _values(one), told["trouble"], bad=True)
    return redirect(url_for("aim.view", key=one.key), 303)


def _about(one: Known, looked: Looked) -> dict[str, Any]:
    return {
        "address": url_for("aim.picture", key=one.key, v=looked.version),
        "width": looked.size[0],
        "height": looked.size[1],
        "words": looked.words,
        "utc_s": looked.utc_s,
        "camera": _camera(one),
        "command": _command(one),
    }


def _camera(one: Known) -> str:
    """The camera's address as it may be shown; empty where none is known."""
    eyes, address = _eyes(), _table().place(one.key).address
    address = address or (one.configured.source if one.configured else "")
    return eyes.shown(address) if eyes and address else ""


def _kept_picture(one: Known, *, of_others: bool) -> Looked | None:
    """The newest kept picture of a run of this printer, or of any."""
    try:
        runs = store().runs()
    except BadStore:
        return None
    for run in runs:
        if run.newest_frame is None or not (of_others or run.watch == one.name):
            continue
        path = store().frame_path(run.id, run.newest_frame)
        if path is None:
            continue
        try:
            words = f"the newest picture of run {run.id}, {run.name}"
            return _table().lay(one.key, path.read_bytes(), words)
        except (Trouble, OSError):
            continue
    return None


# The program


@views.post("/printers/<key>/program")
def hand_in_program(key: str) -> ResponseReturnValue:
    """Take the G-code of a print, for its footprint and its corners."""
    one = _known(key)
    file = request.files.get("program")
    try:
        if file is None or not file.filename:
            raise BadToolpath("No program was chosen.", "Choose the G-code that is printed.")
        name = Path(file.filename.replace("\\", "/")).name[:LONGEST_NAME]
        place = _table().place(one.key)
        place.part = part_of(name, read_toolpath(iter(lambda: file.stream.read(2**16), b"")))
        place.part_of = ""
    except Trouble as trouble:
        return _answered(one, trouble=str(trouble))
    part = _part(one)
    return _answered(one, program=part.name if part else "")


def _part(one: Known, largest: float = math.inf) -> Part | None:
    """The program on the table, or else the configured one, if it is not larger than so many bytes
    or was read before: nobody waits for it to see the page. Raises ``Trouble``."""
    place = _table().place(one.key)
    if place.part is not None and not place.part_of:
        return place.part
    if one.configured is None or one.configured.toolpath == Path():
        return None
    path = one.configured.program()
    try:
        state = path.stat()
        version = f"{path} {state.st_mtime_ns} {state.st_size}"
        if place.part is None or place.part_of != version:
            if state.st_size > largest:
                return None
            with path.open("rb") as file:
                place.part = part_of(path.name, read_toolpath(iter(lambda: file.read(2**20), b"")))
            place.part_of = version
    except OSError as error:
        raise BadToolpath(f"{path.name} can't be read ({error.strerror}).", "Check it.") from None
    return place.part


def _has_program(one: Known) -> bool:
    """Whether there is a program, read or not."""
    if _table().place(one.key).part is not None:
        return True
    return one.configured is not None and one.configured.toolpath != Path()


# The set-up itself


@views.get("/printers/<key>/view")
def view(key: str) -> str:
    """The page of one printer."""
    one = _known(key)
    if _table().place(key).looked is None:
        _kept_picture(one, of_others=False)
    told, bad = "", False
    kept = _kept(one)
    if kept is not None and setup_form.has_other_points(kept):
        told = (
            "The file holds points that are no corners of the bed. Here stand the corners that "
            "follow from them; keeping puts these in their place."
        )
    if request.args.get("kept") == "1" and one.has_setup:
        told = _kept_words(one)
    try:
        values = _values(one)
    except BadSetup as trouble:
        values, told, bad = (
            setup_form.fresh(_size(one)),
            f"{trouble} It is kept beside the new one.",
            True,
        )
    return _page(one, values, told, bad=bad)


@views.post("/printers/<key>/view")
def change(key: str) -> ResponseReturnValue:
    """What the buttons of the form do where no script runs; keeping, in any case."""
    one = _known(key)
    values = dict(request.form)
    try:
        match values.get("do"):
            case "keep":
                setup_file.keep(one.file, _setup_of(one, values))
                return redirect(url_for("aim.view", key=key, kept=1), 303)
            case "find":
                return _page(
                    one,
                    values | setup_form.points_of(_found(one, values)),
                    "Found. Check each one.",
                )
            case "mend":
                return _page(
                    one,
                    values | setup_form.points_of(_mended(one, values)),
                    "Moved onto the edges.",
                )
            case "turn":
                return _page(one, values | setup_form.turned(values), "Turned by one corner.")
            case "propose":
                region = _proposed(one, values)
                return _page(
                    one,
                    values | {"region": setup_form.region_text(region)},
                    "Drawn from the program.",
                )
            case _:
                return _page(one, values, "")
    except Trouble as trouble:
        return _page(one, values, str(trouble), bad=True)


@views.post("/api/printers/<key>/<do>")
def work_out(key: str, do: str) -> Response:
    """The same for the script, as JSON: ``numbers``, ``find``, ``mend`` or ``propose``."""
    one = _known(key)
    values = dict(request.form)
    try:
        match do:
            case "numbers":
                return jsonify(_numbers(one, _setup_of(one, values), SLOW_PROGRAM))
            case "find":
                return jsonify(points=_found(one, values))
            case "mend":
                return jsonify(points=_mended(one, values))
            case "propose":
                return jsonify(region=_proposed(one, values))
            case _:
                abort(404)
    except Trouble as trouble:
        return jsonify(trouble=str(trouble))


def _found(one: Known, values: Mapping[str, str]) -> Pixels:
    looked = _looked(one)
    kept = _kept(one)
    bed = setup_form.bed_of(values)
    found = find_corners(looked.bgr, bed, kept.bed_markers if kept else ())
    if isinstance(found, str):
        raise Trouble(found)
    return setup_form.rounded(found.pixel)


def _mended(one: Known, values: Mapping[str, str]) -> Pixels:
    setup = _setup_of(one, values)
    grey = cv2.cvtColor(_looked(one).bgr, cv2.COLOR_BGR2GRAY).astype(np.float32)
    better = mended(grey, setup)
    if better is None:
        raise Trouble(
            "No edges of the bed were found near these points.", "Drag them nearer, or leave them."
        )
    return setup_form.rounded(better)


def _proposed(one: Known, values: Mapping[str, str]) -> Pixels:
    part = _part(one)
    if part is None:
        raise Trouble("No program is known.", "Hand in the G-code first.")
    seen = _judged(one, _setup_of(one, values), part)
    if not seen.region_px:
        raise Trouble("The program has no footprint.", "Draw the region by hand.")
    return setup_form.rounded(np.array(seen.region_px))


def _looked(one: Known) -> Looked:
    looked = _table().place(one.key).looked
    if looked is None:
        raise Trouble("There is no picture yet.", "Take one, or hand one in.")
    return looked


def _judged(one: Known, setup: Setup, part: Part | None) -> Prospect:
    looked = _looked(one)
    if looked.size != setup.frame_size:
        raise BadSetup(
            f"The picture has {looked.size[0]} by {looked.size[1]} pixels now.",
            "Load the page again.",
        )
    grey = cv2.cvtColor(looked.bgr, cv2.COLOR_BGR2GRAY).astype(np.float32)
    return prospect(grey, setup, part)


def _numbers(one: Known, setup: Setup, largest: float) -> dict[str, Any]:
    part, note = None, ""
    try:
        part = _part(one, largest)
    except Trouble as trouble:
        note = str(trouble)
    seen = _judged(one, setup, part)
    return {
        "bed": [_spot(spot) for spot in seen.bed],
        "part": [_spot(spot) for spot in seen.part],
        "program": part.name if part else "",
        "advice": [*seen.advice, *([note] if note else [])],
    }


def _spot(spot: Spot) -> dict[str, Any]:
    return {
        "name": spot.name,
        "x": spot.pixel[0],
        "y": spot.pixel[1],
        "words": spot.words,
        "good": spot.in_picture and not spot.hidden,
    }


# The form


def _kept(one: Known) -> Setup | None:
    """The kept set-up, where there is one that can be read."""
    try:
        return read_setup(one.file) if one.has_setup else None
    except BadSetup:
        return None


def _size(one: Known, setup: Setup | None = None) -> tuple[int, int]:
    looked = _table().place(one.key).looked
    if looked is not None:
        return looked.size
    return setup.frame_size if setup else USUAL_SIZE


def _values(one: Known) -> dict[str, str]:
    """The form as the kept set-up fills it. Raises ``BadSetup`` where that can't be read."""
    if not one.has_setup:
        return setup_form.fresh(_size(one))
    setup = read_setup(one.file)
    return setup_form.filled(setup, _size(one, setup))


def _setup_of(one: Known, values: Mapping[str, str]) -> Setup:
    return setup_form.setup_of(values, _kept(one))


def _page(one: Known, values: Mapping[str, str], told: str, *, bad: bool = False) -> str:
    place = _table().place(one.key)
    numbers: dict[str, Any] | None = None
    numbers_trouble = ""
    if place.looked is not None:
        try:
            numbers = _numbers(one, _setup_of(one, values), QUICK_PROGRAM)
        except Trouble as trouble:
            numbers_trouble = str(trouble)
    part_name, part_trouble = "", ""
    try:
        part = _part(one, QUICK_PROGRAM)
        part_name = part.name if part else ""
    except Trouble as trouble:
        part_trouble = str(trouble)
    return render_template(
        "aim.html",
        one=one,
        values=values,
        told=told,
        bad=bad,
        looked=_about(one, place.looked) if place.looked else None,
        can_look=_eyes() is not None,
        camera=_camera(one),
        names=BED_NAMES,
        motions=MOTIONS,
        numbers=numbers,
        numbers_trouble=numbers_trouble,
        part=part_name,
        program=_has_program(one),
        part_trouble=part_trouble,
        pictures=PICTURES,
        watched=_is_watched(one),
        command=_command(one),
    )


# What is kept


def _kept_words(one: Known) -> str:
    later = (
        " The running watch keeps the set-up that it began with until it is started again."
        if _is_watched(one)
        else ""
    )
    return f"Kept in {one.file}.{later}"


def _is_watched(one: Known) -> bool:
    eyes = _eyes()
    address = _table().place(one.key).address
    names = {one.name} | ({eyes.shown(address)} if eyes and address else set())
    try:
        return any(sign.fresh and sign.watch in names for sign in store().book.signs())
    except BadStore:
        return False


def _command(one: Known) -> str:
    """What to type to watch with this set-up; empty where the configuration names it."""
    if one.configured is not None:
        return ""
    source, file = shlex.quote(_camera(one) or "0"), shlex.quote(str(one.file.absolute()))
    return f"watcher watch --source {source} --setup {file}"

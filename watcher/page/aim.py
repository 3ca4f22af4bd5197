"""Views: setting a printer up by looking – camera, bed corners, what is seen, region, keeping it.

What a person does here lies on a table in memory until it is kept: the picture that was taken, the
camera's address (which may hold a password and is never sent back), the program that was handed in.
"""

from __future__ import annotations

import io
import json
import shlex
import threading
import time
from collections import OrderedDict
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import UTC, datetime
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
from PIL import Image, UnidentifiedImageError
from werkzeug.datastructures import FileStorage

from watcher.before.view import (
    BED_NAMES,
    PICTURES,
    Part,
    Prospect,
    Spot,
    bed_corners_px,
    part_of,
    prospect,
)
from watcher.config import Printer
from watcher.page import access
from watcher.page.opened import FOLDER, store
from watcher.records import BedMotion, Picture, Setup
from watcher.scene.camera import camera_from_points
from watcher.scene.corners import find_corners, mended
from watcher.settings import check_setup, read_setup, setup_text
from watcher.store import disk
from watcher.toolpath import read_toolpath
from watcher.trouble import BadSetup, BadStore, BadToolpath, Trouble

EYES = "EYES"
TABLE = "SETTING_UP"
FOLDER_OF_PRINTERS = "printers"
LARGEST_FILE = 8 * 2**20
FORM_BUFFER = 512 * 1024
LARGEST_PIXELS = 40_000_000
MOST_ON_TABLE = 8
LONGEST_NAME = 60
MOST_VERTICES = 40

MOTIONS: dict[BedMotion, str] = {
    "bed-y": "slides back and forth",
    "bed-z": "sinks as the part grows",
    "fixed": "stands still",
}
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


@dataclass
class Looked:
    """The picture that a printer is being set up with."""

    jpeg: bytes
    bgr: Picture
    words: str
    utc_s: float
    version: int

    @property
    def size(self) -> tuple[int, int]:
        """Width and height in pixels."""
        return self.bgr.shape[1], self.bgr.shape[0]


@dataclass
class _Place:
    """What lies there of one printer."""

    looked: Looked | None = None
    address: str = field(default="", repr=False)
    """May hold a password."""
    part: Part | None = None
    part_of: str = ""
    """Which version of a file ``part`` was read from; empty where it was handed in."""


@dataclass
class Table:
    """What is being worked on, by printer; the least touched goes when there is no room."""

    _places: OrderedDict[str, _Place] = field(default_factory=OrderedDict)
    _lock: threading.Lock = field(default_factory=threading.Lock)
    _count: int = 0

    def place(self, key: str) -> _Place:
        """The printer's own, made where there is none."""
        with self._lock:
            found = self._places.setdefault(key, _Place())
            self._places.move_to_end(key)
            while len(self._places) > MOST_ON_TABLE:
                self._places.popitem(last=False)
            return found

    def lay(self, key: str, jpeg: bytes, words: str) -> Looked:
        """Lay a new picture there. Raises ``Trouble`` where it is none."""
        bgr = _decoded(jpeg)
        place = self.place(key)
        with self._lock:
            self._count += 1
            # The version goes into addresses: it must not come again after a restart.
            version = int(time.time() * 1000) + self._count
            place.looked = Looked(jpeg, bgr, words, time.time(), version)
            return place.looked


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
    wish = None
    if one.has_setup:
        try:
            wish = read_setup(one.file).frame_size
        except BadSetup:
            wish = None
    seen = eyes.picture(address, wish)
    return _table().lay(one.key, seen.jpeg, seen.words)


@views.post("/printers/<key>/hand-in")
def hand_in(key: str) -> ResponseReturnValue:
    """Take a picture from the person's own device."""
    one = _known(key)
    try:
        jpeg = _picture_of(request.files.get("picture"))
        looked = _table().lay(one.key, jpeg, "handed in")
    except Trouble as trouble:
        return _answered(one, str(trouble))
    return _answered(one, "", looked)


@views.post("/printers/<key>/newest")
def newest(key: str) -> ResponseReturnValue:
    """Take the newest picture of any kept run."""
    one = _known(key)
    looked = _kept_picture(one, of_others=True)
    if looked is None:
        return _answered(one, "No picture is kept yet: nothing has been watched.")
    return _answered(one, "", looked)


def _answered(one: Known, trouble: str, looked: Looked | None = None) -> ResponseReturnValue:
    """To a script as JSON, else as a page."""
    if request.accept_mimetypes.best == "application/json":
        return jsonify(_about(one, looked) if looked else {"trouble": trouble})
    if trouble:
        return _page(one, _values(one), trouble, bad=True)
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


def _picture_of(file: FileStorage | None) -> bytes:
    """A picture that was handed in as a JPEG without its notes. Raises ``Trouble``."""
    data = file.read() if file is not None else b""
    if not data:
        raise Trouble("No picture was chosen.", "Choose a JPEG or PNG file.")
    done, coded = cv2.imencode(".jpg", _decoded(data), [cv2.IMWRITE_JPEG_QUALITY, 95])
    if not done:
        raise Trouble("The picture can't be kept.", "Give another one.")
    return coded.tobytes()


def _decoded(data: bytes) -> Picture:
    """Decode, after its size was read: a small file may hold a picture that fills the memory."""
    size: tuple[int, int] | None = None
    try:
        with Image.open(io.BytesIO(data), formats=["JPEG", "PNG"]) as image:
            size = image.size
    except Image.DecompressionBombError:
        size = None
    except (UnidentifiedImageError, OSError, ValueError):
        raise Trouble("That is no picture.", "Give a JPEG or PNG file.") from None
    if size is None or size[0] * size[1] > LARGEST_PIXELS:
        raise Trouble(
            f"The picture is larger than {LARGEST_PIXELS // 10**6} million pixels.",
            "Give one as the camera sends it.",
        )
    bgr = cv2.imdecode(np.frombuffer(data, np.uint8), cv2.IMREAD_COLOR)
    if bgr is None:
        raise Trouble("That is no whole picture.", "Give a JPEG or PNG file.")
    return np.asarray(bgr, np.uint8)


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
        return _answered_program(one, str(trouble))
    return _answered_program(one, "")


def _answered_program(one: Known, trouble: str) -> ResponseReturnValue:
    if request.accept_mimetypes.best == "application/json":
        part = _part(one)
        return jsonify(trouble=trouble) if trouble else jsonify(program=part.name if part else "")
    if trouble:
        return _page(one, _values(one), trouble, bad=True)
    return redirect(url_for("aim.view", key=one.key), 303)


def _part(one: Known) -> Part | None:
    """The program on the table, or else the configured one. Raises ``Trouble``."""
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
            with path.open("rb") as file:
                place.part = part_of(path.name, read_toolpath(iter(lambda: file.read(2**20), b"")))
            place.part_of = version
    except OSError as error:
        raise BadToolpath(f"{path.name} can't be read ({error.strerror}).", "Check it.") from None
    return place.part


# The set-up itself


@views.get("/printers/<key>/view")
def view(key: str) -> str:
    """The page of one printer."""
    one = _known(key)
    if _table().place(key).looked is None:
        _kept_picture(one, of_others=False)
    told, bad = "", False
    if request.args.get("kept") == "1" and one.has_setup:
        told = _kept_words(one)
    try:
        values = _values(one)
    except BadSetup as trouble:
        values, told, bad = _fresh_values(one), f"{trouble} It is kept beside the new one.", True
    return _page(one, values, told, bad=bad)


@views.post("/printers/<key>/view")
def change(key: str) -> ResponseReturnValue:
    """What the buttons of the form do where no script runs; keeping, in any case."""
    one = _known(key)
    values = dict(request.form)
    try:
        match values.get("do"):
            case "keep":
                _keep(one, _setup_of(one, values))
                return redirect(url_for("aim.view", key=key, kept=1), 303)
            case "find":
                return _page(one, values | _points(_found(one, values)), "Found. Check each one.")
            case "mend":
                return _page(one, values | _points(_mended(one, values)), "Moved onto the edges.")
            case "turn":
                return _page(one, values | _turned(values), "Turned by one corner.")
            case "propose":
                region = _proposed(one, values)
                return _page(one, values | {"region": _as_text(region)}, "Drawn from the program.")
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
                return jsonify(_numbers(one, _setup_of(one, values)))
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


Pixels = list[tuple[float, float]]


def _found(one: Known, values: Mapping[str, str]) -> Pixels:
    looked = _looked(one)
    markers = _base(one).bed_markers if one.has_setup else ()
    found = find_corners(looked.bgr, _bed(values), markers)
    if isinstance(found, str):
        raise Trouble(found)
    return _rounded(found.pixel)


def _mended(one: Known, values: Mapping[str, str]) -> Pixels:
    setup = _setup_of(one, values)
    grey = cv2.cvtColor(_looked(one).bgr, cv2.COLOR_BGR2GRAY).astype(np.float32)
    better = mended(grey, setup)
    if better is None:
        raise Trouble(
            "No edges of the bed were found near these points.", "Drag them nearer, or leave them."
        )
    return _rounded(better)


def _proposed(one: Known, values: Mapping[str, str]) -> Pixels:
    part = _part(one)
    if part is None:
        raise Trouble("No program is known.", "Hand in the G-code first.")
    seen = _judged(one, _setup_of(one, values), part)
    if not seen.region_px:
        raise Trouble("The program has no footprint.", "Draw the region by hand.")
    return _rounded(np.array(seen.region_px))


def _rounded(pixels: Any) -> Pixels:
    return [(round(float(x), 1), round(float(y), 1)) for x, y in pixels]


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


def _numbers(one: Known, setup: Setup) -> dict[str, Any]:
    part, note = None, ""
    try:
        part = _part(one)
    except Trouble as trouble:
        note = str(trouble)
    seen = _judged(one, setup, part)
    return {
        "bed": [_spot(spot) for spot in seen.bed],
        "part": [_spot(spot) for spot in seen.part],
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


def _base(one: Known) -> Setup:
    return read_setup(one.file)


def _values(one: Known) -> dict[str, str]:
    """The form as the kept set-up fills it. Raises ``BadSetup`` where that can't be read."""
    if not one.has_setup:
        return _fresh_values(one)
    setup = _base(one)
    looked = _table().place(one.key).looked
    width, height = looked.size if looked else setup.frame_size
    across, down = width / setup.frame_size[0], height / setup.frame_size[1]
    corners = bed_corners_px(camera_from_points(setup), setup)
    # A point that stands at a corner stays as it was clicked.
    places = [(0.0, 0.0), (setup.bed_mm[0], 0.0), setup.bed_mm, (0.0, setup.bed_mm[1])]
    for k, place in enumerate(places):
        for point in setup.bed_points:
            if point.bed_mm == place:
                corners[k] = point.pixel
    return {
        "width": str(width),
        "height": str(height),
        "bed_w": f"{setup.bed_mm[0]:g}",
        "bed_d": f"{setup.bed_mm[1]:g}",
        "motion": setup.bed_motion,
        "sunk": f"{setup.bed_points_z_mm:g}",
        "parked": "yes" if setup.head_parked_for_frames else "",
        "region": _as_text([(x * across, y * down) for x, y in setup.part_px]),
    } | _points(_rounded(corners * [across, down]))


def _fresh_values(one: Known) -> dict[str, str]:
    looked = _table().place(one.key).looked
    width, height = looked.size if looked else (1280, 720)
    shares = [(0.2, 0.85), (0.8, 0.85), (0.7, 0.4), (0.3, 0.4)]
    return {
        "width": str(width),
        "height": str(height),
        "bed_w": "220",
        "bed_d": "220",
        "motion": "bed-y",
        "sunk": "0",
        "parked": "",
        "region": "",
    } | _points([(round(x * width), round(y * height)) for x, y in shares])


def _points(pixels: Pixels) -> dict[str, str]:
    return {
        f"{axis}{k}": f"{value:g}"
        for k, pixel in enumerate(pixels)
        for axis, value in zip("xy", pixel, strict=True)
    }


def _turned(values: Mapping[str, str]) -> dict[str, str]:
    return {f"{axis}{k}": values.get(f"{axis}{(k + 1) % 4}", "") for k in range(4) for axis in "xy"}


def _as_text(pixels: Pixels) -> str:
    return "  ".join(f"{x:.1f},{y:.1f}" for x, y in pixels)


def _number(values: Mapping[str, str], name: str, meaning: str) -> float:
    text = values.get(name, "").strip().replace(",", ".")
    try:
        return float(text)
    except ValueError:
        raise BadSetup(f"{meaning} is {text[:20]!r}.", "Give a number there.") from None


def _bed(values: Mapping[str, str]) -> tuple[float, float]:
    size = (
        _number(values, "bed_w", "The bed's width"),
        _number(values, "bed_d", "The bed's depth"),
    )
    if not all(0 < side <= 5000 for side in size):
        raise BadSetup(f"The bed is {size[0]:g} by {size[1]:g} mm.", "Give its true size.")
    return size


def _setup_of(one: Known, values: Mapping[str, str]) -> Setup:
    """The set-up that the form says. What the form does not ask stays as it was kept.

    Raises ``BadSetup``, in the words of :mod:`watcher.settings`.
    """
    width, depth = _bed(values)
    places = [(0.0, 0.0), (width, 0.0), (width, depth), (0.0, depth)]
    content: dict[str, Any] = {
        "frame_size": [
            _number(values, "width", "The picture's width"),
            _number(values, "height", "The picture's height"),
        ],
        "bed_mm": [width, depth],
        "bed_motion": values.get("motion", ""),
        "head_parked_for_frames": values.get("parked") == "yes",
        "bed_points": [
            {
                "pixel": [
                    _number(values, f"x{k}", f"x of {BED_NAMES[k]}"),
                    _number(values, f"y{k}", f"y of {BED_NAMES[k]}"),
                ],
                "bed_mm": list(place),
            }
            for k, place in enumerate(places)
        ],
        "bed_points_z_mm": _number(values, "sunk", "How far the bed had sunk")
        if values.get("motion") == "bed-z"
        else 0.0,
        "part_region": _region(values.get("region", "")),
    }
    if one.has_setup:
        try:
            kept = json.loads(setup_text(_base(one)))
            content |= {k: kept[k] for k in ("bed_markers", "room_markers") if k in kept}
        except BadSetup:
            pass
    setup = check_setup(content, "The set-up")
    camera_from_points(setup)
    return setup


def _region(text: str) -> list[list[float]]:
    region = []
    for pair in text.split():
        try:
            x, y = (float(part) for part in pair.split(","))
        except ValueError:
            raise BadSetup(
                f"The region holds {pair[:20]!r}.", "Write each corner as x,y with a space between."
            ) from None
        region.append([x, y])
    if len(region) > MOST_VERTICES:
        raise BadSetup(f"The region has {len(region)} corners.", f"Use {MOST_VERTICES} or fewer.")
    return region


def _page(one: Known, values: Mapping[str, str], told: str, *, bad: bool = False) -> str:
    place = _table().place(one.key)
    numbers: dict[str, Any] | None = None
    numbers_trouble = ""
    if place.looked is not None:
        try:
            numbers = _numbers(one, _setup_of(one, values))
        except Trouble as trouble:
            numbers_trouble = str(trouble)
    part_name, part_trouble = "", ""
    try:
        part = _part(one)
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
        part_trouble=part_trouble,
        pictures=PICTURES,
        watched=_is_watched(one),
        command=_command(one),
    )


# Keeping


def _keep(one: Known, setup: Setup) -> None:
    """Write the file whole, the old one beside it. Raises ``Trouble``."""
    text = setup_text(setup).encode()
    try:
        one.file.parent.mkdir(parents=True, exist_ok=True)
        mode = 0o644
        if one.file.exists():
            before = one.file.read_bytes()
            if before == text:
                return
            mode = one.file.stat().st_mode & 0o777
            old = _beside(one.file)
            disk.write_file(old, before)
            old.chmod(mode)
        disk.write_file(one.file, text)
        one.file.chmod(mode)
    except OSError as error:
        raise Trouble(
            f"{one.file} can't be written ({error.strerror}).",
            "Make its folder writable for the watcher; nothing was changed.",
        ) from None


def _beside(file: Path) -> Path:
    """A free name beside a file that says when it was replaced."""
    stamp = datetime.now(UTC).strftime("%Y%m%d-%H%M%S")
    count = 1
    while True:
        again = "" if count == 1 else f"-{count}"
        path = file.with_name(f"{file.stem}.until-{stamp}{again}{file.suffix}")
        if not path.exists():
            return path
        count += 1


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

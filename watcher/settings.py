"""Reads and words what the user says once about camera and machine: ``setup.json``."""

from __future__ import annotations

import json
import math
from collections.abc import Sequence
from pathlib import Path
from typing import Any, NoReturn, get_args

from watcher.records import BedMarker, BedMotion, BedPoint, Setup
from watcher.trouble import BadSetup

LONGEST_SIDE_PX = 16384
LARGEST_BED_MM = 5000.0
BED_MARKERS = range(10)

Point = tuple[float, float]


def read_setup(path: Path) -> Setup:
    """Return the setup that the JSON file at ``path`` describes.

    Pixels count from the centre of the top left pixel, x right and y down; bed coordinates are
    millimetres from the bed's front left corner. Raises ``BadSetup`` with one sentence that names
    the file, the field and the mend.
    """
    return check_setup(_load(path), path.name)


def check_setup(content: object, name: str) -> Setup:
    """Return the setup that a JSON value describes; complaints call it ``name``.

    Raises ``BadSetup``.
    """
    if not isinstance(content, dict):
        raise BadSetup(f"{name} does not hold one JSON object.", "Put its fields between { and }.")
    return _Reader(name, content).setup()


def setup_text(setup: Setup) -> str:
    """The setup as the text of a ``setup.json`` that :func:`read_setup` reads back as it was.

    One field a line and one point a line, for it is mended by hand too; what is left out by
    default is left out.
    """

    def pairs(points: Sequence[Point]) -> str:
        return ", ".join(json.dumps([_plain(x), _plain(y)]) for x, y in points)

    points = [
        f'  {{"pixel": {pairs([p.pixel])}, "bed_mm": {pairs([p.bed_mm])}}}'
        for p in setup.bed_points
    ]
    fields = [
        f'"frame_size": {json.dumps(list(setup.frame_size))}',
        f'"bed_mm": {pairs([setup.bed_mm])}',
        f'"bed_motion": {json.dumps(setup.bed_motion)}',
        f'"head_parked_for_frames": {json.dumps(setup.head_parked_for_frames)}',
        '"bed_points": [\n' + ",\n".join(points) + "\n ]",
        f'"bed_points_z_mm": {json.dumps(_plain(setup.bed_points_z_mm))}',
    ]
    if setup.part_px:
        fields.append(f'"part_region": [{pairs(setup.part_px)}]')
    if setup.bed_markers:
        markers = [
            f'  {{"number": {m.number}, "bed_mm": {pairs([m.bed_mm])}, '
            f'"side_mm": {json.dumps(_plain(m.side_mm))}}}'
            for m in setup.bed_markers
        ]
        fields.append('"bed_markers": [\n' + ",\n".join(markers) + "\n ]")
    if setup.room_markers:
        fields.append('"room_markers": true')
    return "{\n " + ",\n ".join(fields) + "\n}\n"


def _plain(value: float) -> float | int:
    """A whole number without its ``.0``, as a person writes it."""
    return int(value) if value == int(value) and abs(value) < 1e15 else float(value)


def _load(path: Path) -> Any:
    try:
        content: Any = json.loads(path.read_text(encoding="utf-8-sig"))
    except FileNotFoundError:
        raise BadSetup(
            f"There is no setup file {path}.",
            "Write one as the README describes, or name another with --setup.",
        ) from None
    except IsADirectoryError:
        raise BadSetup(f"{path} is a folder, not a setup file.", "Name the file in it.") from None
    except OSError as error:
        raise BadSetup(
            f"The setup file {path} can't be read ({error.strerror}).", "Check its permissions."
        ) from None
    except json.JSONDecodeError as error:
        raise BadSetup(
            f"{path.name} is not JSON: {error.msg} in line {error.lineno}.", "Mend that line."
        ) from None
    except (UnicodeDecodeError, RecursionError):
        raise BadSetup(
            f"{path.name} is not a JSON text file.", "Name the setup.json of this camera."
        ) from None
    return content


class _Reader:
    """Takes the fields out one by one, so that each complaint can name its field."""

    def __init__(self, file: str, content: dict[str, Any]) -> None:
        self._file = file
        self._content = content

    def setup(self) -> Setup:
        frame_size = self._frame_size()
        bed_mm = self._pair("bed_mm", self._field("bed_mm"), "width and depth of the bed in mm")
        if not all(0 < side <= LARGEST_BED_MM for side in bed_mm):
            self._refuse(
                "bed_mm", f"is {bed_mm[0]:g} by {bed_mm[1]:g} mm", "Give the bed's true size."
            )
        return Setup(
            frame_size=frame_size,
            bed_mm=bed_mm,
            bed_motion=self._bed_motion(),
            head_parked_for_frames=self._yes_or_no("head_parked_for_frames"),
            bed_points=self._bed_points(),
            bed_points_z_mm=self._sunk(),
            part_px=self._part_region(),
            bed_markers=self._bed_markers(),
            room_markers=self._yes_or_no("room_markers", False),
        )

    def _refuse(self, field: str, what: str, do: str) -> NoReturn:
        raise BadSetup(f"{self._file}: {field} {what}.", do)

    def _field(self, name: str) -> Any:
        if name not in self._content:
            self._refuse(name, "is missing", "Add it as the README describes.")
        return self._content[name]

    def _number(self, field: str, value: Any) -> float:
        if isinstance(value, bool) or not isinstance(value, int | float):
            self._refuse(field, f"is {json.dumps(value)[:40]}", "Give a number there.")
        if not _finite(value):
            self._refuse(field, "is not a finite number", "Give a plain number there.")
        return float(value)

    def _pair(self, field: str, value: Any, meaning: str) -> Point:
        if not isinstance(value, list) or len(value) != 2:
            self._refuse(field, "does not hold two numbers", f"Give {meaning}.")
        return self._number(field, value[0]), self._number(field, value[1])

    def _frame_size(self) -> tuple[int, int]:
        meaning = "width and height of the camera's picture in pixels"
        width, height = self._pair("frame_size", self._field("frame_size"), meaning)
        if not all(side == int(side) and 0 < side <= LONGEST_SIDE_PX for side in (width, height)):
            self._refuse("frame_size", f"is {width:g} by {height:g}", f"Give {meaning}.")
        return int(width), int(height)

    def _bed_motion(self) -> BedMotion:
        motion = self._field("bed_motion")
        known: tuple[BedMotion, ...] = get_args(BedMotion)
        if motion not in known:
            self._refuse("bed_motion", f"is {json.dumps(motion)[:40]}", f"Use {_one_of(known)}.")
        return known[known.index(motion)]

    def _yes_or_no(self, name: str, without: bool | None = None) -> bool:
        if without is not None and name not in self._content:
            return without
        value = self._field(name)
        if not isinstance(value, bool):
            self._refuse(name, f"is {json.dumps(value)[:40]}", "Use true or false.")
        return value

    def _sunk(self) -> float:
        sunk = self._number("bed_points_z_mm", self._content.get("bed_points_z_mm", 0.0))
        if not 0 <= sunk <= LARGEST_BED_MM:
            self._refuse("bed_points_z_mm", f"is {sunk:g}", "Say how many mm the bed had sunk.")
        return sunk

    def _bed_points(self) -> tuple[BedPoint, ...]:
        entries = self._field("bed_points")
        if not isinstance(entries, list) or len(entries) < 4:
            count = len(entries) if isinstance(entries, list) else 0
            self._refuse(
                "bed_points",
                f"holds {count} {'point' if count == 1 else 'points'}",
                "Click at least the bed's four corners.",
            )
        points = tuple(self._bed_point(f"bed_points[{n}]", e) for n, e in enumerate(entries))
        self._check_round(points)
        return points

    def _bed_point(self, field: str, entry: Any) -> BedPoint:
        if not isinstance(entry, dict):
            self._refuse(field, "is no object", "Give it a pixel and a bed_mm.")
        for name in ("pixel", "bed_mm"):
            if name not in entry:
                self._refuse(f"{field}.{name}", "is missing", "Give it two numbers.")
        return BedPoint(
            pixel=self._pair(f"{field}.pixel", entry["pixel"], "x and y in pixels"),
            bed_mm=self._pair(f"{field}.bed_mm", entry["bed_mm"], "x and y on the bed in mm"),
        )

    def _part_region(self) -> tuple[Point, ...]:
        """Corners of a polygon round the part, or none where it is left out."""
        entries = self._content.get("part_region", [])
        if not isinstance(entries, list) or len(entries) in (1, 2):
            self._refuse(
                "part_region",
                "is no polygon",
                "Give at least three corners, each x and y in pixels, or leave it out.",
            )
        return tuple(
            self._pair(f"part_region[{n}]", entry, "x and y in pixels")
            for n, entry in enumerate(entries)
        )

    def _bed_markers(self) -> tuple[BedMarker, ...]:
        entries = self._content.get("bed_markers", [])
        if not isinstance(entries, list):
            self._refuse("bed_markers", "is no list", "Give a list of markers, or leave it out.")
        markers = tuple(self._bed_marker(f"bed_markers[{n}]", e) for n, e in enumerate(entries))
        if len({m.number for m in markers}) < len(markers):
            self._refuse("bed_markers", "names a marker twice", "Print each number once.")
        return markers

    def _bed_marker(self, field: str, entry: Any) -> BedMarker:
        if not isinstance(entry, dict):
            self._refuse(field, "is no object", "Give it a number, a bed_mm and a side_mm.")
        for name in ("number", "bed_mm", "side_mm"):
            if name not in entry:
                self._refuse(f"{field}.{name}", "is missing", "Add it as the README describes.")
        number = self._number(f"{field}.number", entry["number"])
        if number not in BED_MARKERS:
            self._refuse(f"{field}.number", f"is {number:g}", "Use 0 to 9 on the bed.")
        side = self._number(f"{field}.side_mm", entry["side_mm"])
        if not 0 < side <= LARGEST_BED_MM:
            self._refuse(f"{field}.side_mm", f"is {side:g}", "Measure the black square in mm.")
        meaning = "x and y of its front left corner on the bed in mm"
        return BedMarker(int(number), self._pair(f"{field}.bed_mm", entry["bed_mm"], meaning), side)

    def _check_round(self, points: Sequence[BedPoint]) -> None:
        """A camera that looks at the bed from above keeps the corners' order and convexity."""
        corners = _hull([p.bed_mm for p in points])
        if len(corners) < 4:
            self._refuse(
                "bed_points",
                "are not the corners of a quadrilateral: two of them fall on one place or three on "
                "one line",
                "Give each of the bed's four corners its own bed_mm.",
            )
        pixels = [points[n].pixel for n in corners]
        turns = [_turn(pixels[n - 2], pixels[n - 1], pixel) for n, pixel in enumerate(pixels)]
        # The hull runs counter-clockwise on the bed; with y down in the picture that is negative.
        if all(turn > 0 for turn in turns):
            self._refuse(
                "bed_points",
                "are mirrored: they run round the bed one way and round the picture the other",
                "Swap the pixels of left and right, or turn off the camera's mirror picture.",
            )
        if not all(turn < 0 for turn in turns):
            self._refuse(
                "bed_points",
                "are crossed: taken round the bed, their pixels do not make a convex shape",
                "Give each pixel the bed corner that was clicked there.",
            )


def _finite(value: float) -> bool:
    try:
        return math.isfinite(value)
    except OverflowError:
        return False


def _one_of(words: Sequence[str]) -> str:
    return ", ".join(words[:-1]) + f" or {words[-1]}"


def _turn(a: Point, b: Point, c: Point) -> float:
    """Twice the signed area of the triangle; positive where a, b, c turn left with y up."""
    return (b[0] - a[0]) * (c[1] - a[1]) - (b[1] - a[1]) * (c[0] - a[0])


def _hull(points: Sequence[Point]) -> list[int]:
    """Indices of the convex hull's true corners, counter-clockwise (Andrew's monotone chain,
    Information Processing Letters 9(5), 1979)."""
    order = sorted(range(len(points)), key=lambda n: points[n])

    def chain(indices: Sequence[int]) -> list[int]:
        kept: list[int] = []
        for n in indices:
            while len(kept) > 1 and _turn(points[kept[-2]], points[kept[-1]], points[n]) <= 0:
                kept.pop()
            kept.append(n)
        return kept[:-1]

    return chain(order) + chain(order[::-1])

"""The form of a set-up: its fields from a set-up, and a set-up from its fields."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import Any

from watcher.before.view import BED_NAMES, bed_corners_px
from watcher.records import BedMotion, Setup
from watcher.scene.camera import camera_from_points
from watcher.settings import LARGEST_BED_MM, check_setup
from watcher.trouble import BadSetup

MOST_VERTICES = 40
MOTIONS: dict[BedMotion, str] = {
    "bed-y": "slides back and forth",
    "bed-z": "sinks as the part grows",
    "fixed": "stands still",
}

Pixels = list[tuple[float, float]]
Values = Mapping[str, str]


def fresh(size: tuple[int, int]) -> dict[str, str]:
    """The form for pictures of this width and height, before anybody has said anything."""
    width, height = size
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
    } | points_of([(round(x * width), round(y * height)) for x, y in shares])


def filled(setup: Setup, size: tuple[int, int]) -> dict[str, str]:
    """The form as a set-up fills it, its points moved to pictures of another size if need be.

    Raises ``BadSetup`` where no camera fits its points.
    """
    across, down = size[0] / setup.frame_size[0], size[1] / setup.frame_size[1]
    corners = bed_corners_px(camera_from_points(setup), setup)
    # A point that stands at a corner stays as it was clicked.
    for k, place in enumerate(_places(setup.bed_mm)):
        for point in setup.bed_points:
            if point.bed_mm == place:
                corners[k] = point.pixel
    return {
        "width": str(size[0]),
        "height": str(size[1]),
        "bed_w": f"{setup.bed_mm[0]:g}",
        "bed_d": f"{setup.bed_mm[1]:g}",
        "motion": setup.bed_motion,
        "sunk": f"{setup.bed_points_z_mm:g}",
        "parked": "yes" if setup.head_parked_for_frames else "",
        "region": region_text([(x * across, y * down) for x, y in setup.part_px]),
    } | points_of(rounded(corners * [across, down]))


def has_other_points(setup: Setup) -> bool:
    """Whether a set-up holds points that are no corners of the bed."""
    return any(point.bed_mm not in _places(setup.bed_mm) for point in setup.bed_points)


def setup_of(values: Values, kept: Setup | None) -> Setup:
    """The set-up that the form says; what it does not ask, markers, stays as it was ``kept``.

    Raises ``BadSetup``, in the words of :mod:`watcher.settings`.
    """
    width, depth = bed_of(values)
    content: dict[str, Any] = {
        "frame_size": [
            number(values, "width", "The picture's width"),
            number(values, "height", "The picture's height"),
        ],
        "bed_mm": [width, depth],
        "bed_motion": values.get("motion", ""),
        "head_parked_for_frames": values.get("parked") == "yes",
        "bed_points": [
            {
                "pixel": [
                    number(values, f"x{k}", f"x of {name}"),
                    number(values, f"y{k}", f"y of {name}"),
                ],
                "bed_mm": list(place),
            }
            for k, (name, place) in enumerate(zip(BED_NAMES, _places((width, depth)), strict=True))
        ],
        "bed_points_z_mm": number(values, "sunk", "How far the bed had sunk")
        if values.get("motion") == "bed-z"
        else 0.0,
        "part_region": _region(values.get("region", "")),
    }
    setup = check_setup(content, "The set-up")
    camera_from_points(setup)
    if kept is None:
        return setup
    return replace(setup, bed_markers=kept.bed_markers, room_markers=kept.room_markers)


def bed_of(values: Values) -> tuple[float, float]:
    """Width and depth of the bed in mm. Raises ``BadSetup``."""
    size = (
        number(values, "bed_w", "The bed's width"),
        number(values, "bed_d", "The bed's depth"),
    )
    if not all(0 < side <= LARGEST_BED_MM for side in size):
        raise BadSetup(f"The bed is {size[0]:g} by {size[1]:g} mm.", "Give its true size.")
    return size


def number(values: Values, name: str, meaning: str) -> float:
    """A number as people write it, with a point or a comma. Raises ``BadSetup``."""
    text = values.get(name, "").strip().replace(",", ".")
    try:
        return float(text)
    except ValueError:
        raise BadSetup(f"{meaning} is {text[:20]!r}.", "Give a number there.") from None


def points_of(pixels: Pixels) -> dict[str, str]:
    """The fields of the four points."""
    return {
        f"{axis}{k}": f"{value:g}"
        for k, pixel in enumerate(pixels)
        for axis, value in zip("xy", pixel, strict=True)
    }


def turned(values: Values) -> dict[str, str]:
    """The fields of the four points, each taking the next one's place."""
    return {f"{axis}{k}": values.get(f"{axis}{(k + 1) % 4}", "") for k in range(4) for axis in "xy"}


def region_text(pixels: Pixels) -> str:
    """The region as its field holds it."""
    return "  ".join(f"{x:.1f},{y:.1f}" for x, y in pixels)


def rounded(pixels: Any) -> Pixels:
    """To a tenth of a pixel, which is finer than anybody can point."""
    return [(round(float(x), 1), round(float(y), 1)) for x, y in pixels]


def _places(bed_mm: tuple[float, float]) -> list[tuple[float, float]]:
    """The bed's corners in the order of ``BED_NAMES``."""
    width, depth = bed_mm
    return [(0.0, 0.0), (width, 0.0), (width, depth), (0.0, depth)]


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

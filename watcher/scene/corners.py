"""Finds the bed's four corners in one picture, so that nobody need click them.

Straight edges are gathered into lines (line segment detector; Grompone von Gioi et al. 2010). Of
all quadrilaterals that four of them make, the bed is the one with a surface of one colour just
inside all four sides and another colour just outside. What is found is offered to a person, never
taken unseen; where two answers are nearly as good, or a side shows too little, there is none.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass, replace

import cv2
import numpy as np
import numpy.typing as npt

from watcher.records import Array, BedMarker, BedPoint, Picture, Setup
from watcher.scene.camera import camera_from_points
from watcher.scene.fiducials import find_markers, marker_corners_mm
from watcher.scene.lens import bed_edges, better_camera, trace_edge
from watcher.scene.solid import ring_area_mm2
from watcher.trouble import BadSetup

MOST_LINES = 30
LEAST_LINE = 0.08
"""Shortest line in question, over the picture's diagonal."""
SAME_TURN_DEG, SAME_PX = 2.0, 3.0
"""Segments so alike are pieces of one line."""
BESIDE_PX = 5.0
STEP_PX = 3.0
LIKE, UNLIKE = 9.0, 6.0
"""Colour differences (CIE 1976): so near are two places of one surface, so far two surfaces."""
LEAST_AREA, MOST_AREA = 0.06, 1.3
"""Of the quadrilateral over the picture's."""
OUTSIDE = 0.25
"""A corner may lie so far outside the picture, in picture widths."""
LEAST_SIDE = 0.15
"""Share of a side that must show, for the weakest side: gantry and head hide much of the back."""
LEAST_SHOWN = 0.55
"""Share of all four sides that must show."""
LEAST_SCORE = 0.72
MARGIN = 0.03
"""By so much the best quadrilateral must beat any that is another."""
SUPPOSED_FOCAL, FOCAL_SPREAD = 1.05, 0.35
"""Focal length over picture width and the spread of its logarithm: webcams see 40 to 80 degrees
across (common practice, no source)."""
ROLL_DEG, OFF_PX = 2.5, 1.5
"""A camera stands upright to about so much, and a quadrilateral that is the bed fits it so well."""
ODD = 0.04
"""What each squared deviation from such a camera takes off the score. It and the limits above were
set on rendered nights."""
MOST_TRIED = 60
OTHER_PX = 14.0
MISFIT_PX = 6.0
"""A camera must see a bed of that shape there: corners off by more are another thing's."""
MOST_MENDED_PX = 16.0
"""An edge farther from what was clicked is another one."""
NOT_FOUND = "The bed's corners were not found in this picture. Drag them there."

Numbers = npt.NDArray[np.int64]


@dataclass(frozen=True)
class FoundCorners:
    """The corners, and how well they show."""

    pixel: Array
    """Shape (4, 2): front left, front right, back right, back left. Front is the camera's side."""
    shown: float
    """Share of the four sides that shows, 0 to 1; 1 where markers say it."""
    how: str
    """``edges`` or ``markers``."""


@dataclass(frozen=True)
class _Line:
    point: Array
    along: Array
    length: float
    beside: tuple[Array, Array]
    """Colours on its two sides at each step of ``t``, shape (k, 3) each; nan outside."""
    t: Array


def find_corners(
    bgr: Picture, bed_mm: tuple[float, float], markers: tuple[BedMarker, ...] = ()
) -> FoundCorners | str:
    """The bed's corners, or one sentence that says they were not found.

    Args:
        bgr: shape (H, W, 3).
        bed_mm: width and depth of the bed.
        markers: printed markers whose places on the bed are known.

    """
    marked = _by_markers(bgr, bed_mm, markers)
    if marked is not None:
        return FoundCorners(marked, 1.0, "markers")
    tried = _tried(bgr, bed_mm)
    if not tried or tried[0].shown < LEAST_SHOWN or tried[0].score < LEAST_SCORE:
        return NOT_FOUND
    best = tried[0]
    rivals = [t for t in tried[1:] if float(np.abs(t.corners - best.corners).max()) > OTHER_PX]
    if rivals and best.score - rivals[0].score < MARGIN:
        return NOT_FOUND
    grey = cv2.cvtColor(bgr, cv2.COLOR_BGR2GRAY).astype(np.float32)
    better = mended(grey, _setup(bgr, best.corners, bed_mm))
    if better is None or float(np.hypot(*(better - best.corners).T).max()) > OTHER_PX:
        better = best.corners
    return FoundCorners(better, best.shown, "edges")


def mended(grey: npt.NDArray[np.float32], setup: Setup) -> Array | None:
    """Where the bed's own edges put its corners: shape (4, 2) px, in the order of the setup's
    points, or ``None`` where too few edges show.

    Twice the edges are traced and neighbours crossed; then the camera that agrees with all of them
    has the say, lens and all, as it will have in the night.

    Args:
        grey: shape (H, W).
        setup: its first four points are the bed's corners, one after another round the bed.

    Raises:
        BadSetup: where no camera fits the points.

    """
    clicked = np.array([p.pixel for p in setup.bed_points[:4]], dtype=np.float64)
    pixel = clicked
    for _ in range(2):
        pixel = _crossed(grey, pixel)
    if float(np.hypot(*(pixel - clicked).T).max()) > MOST_MENDED_PX:
        pixel = clicked
    points = tuple(
        replace(point, pixel=(float(x), float(y)))
        for point, (x, y) in zip(setup.bed_points[:4], pixel, strict=True)
    )
    setup = replace(setup, bed_points=points)
    edges = bed_edges(grey, setup)
    if len(edges) < 2:
        return None
    camera = camera_from_points(setup)
    better = better_camera(camera, setup, edges)
    if better is camera:
        return None if np.array_equal(pixel, clicked) else pixel
    z = -setup.bed_points_z_mm if setup.bed_motion == "bed-z" else 0.0
    return better.project(np.array([[*p.bed_mm, z] for p in points], dtype=np.float64))


def _crossed(grey: npt.NDArray[np.float32], pixel: Array) -> Array:
    """Corners at which neighbouring edges cross, where both are seen; the others as they were."""
    chains = [trace_edge(grey, pixel[k], pixel[(k + 1) % 4]) for k in range(4)]
    found = pixel.copy()
    for k in range(4):
        before, after = chains[k - 1], chains[k]
        if before is None or after is None:
            continue
        # The half towards the corner: farther on the lens may have bent the edge away.
        a = _line_through(before[len(before) // 2 :])
        b = _line_through(after[: len(after) // 2])
        turn = a[1][0] * b[1][1] - a[1][1] * b[1][0]
        if abs(turn) < 0.1:
            continue
        gap = b[0] - a[0]
        found[k] = a[0] + (gap[0] * b[1][1] - gap[1] * b[1][0]) / turn * a[1]
    return found


def _line_through(places: Array) -> tuple[Array, Array]:
    """A point and the direction of the line through places, outliers held down (Huber 1964)."""
    x, y, px, py = np.ravel(cv2.fitLine(places.astype(np.float32), cv2.DIST_HUBER, 0, 0.01, 0.01))
    return np.array([px, py], dtype=np.float64), np.array([x, y], dtype=np.float64)


def _by_markers(
    bgr: Picture, bed_mm: tuple[float, float], markers: tuple[BedMarker, ...]
) -> Array | None:
    if not markers:
        return None
    where = {m.number: m for m in markers}
    seen = find_markers(cv2.cvtColor(bgr, cv2.COLOR_BGR2GRAY).astype(np.uint8))
    pairs = [(where[m.number], m) for m in seen if m.number in where]
    # One marker's corners lie too close together to say where the far end of a bed is.
    if len(pairs) < 2:
        return None
    points = [
        BedPoint((float(x), float(y)), (float(place[0]), float(place[1])))
        for a, b in pairs
        for (x, y), place in zip(b.corners_px, marker_corners_mm(a), strict=True)
    ]
    w, d = bed_mm
    height, width = bgr.shape[:2]
    try:
        camera = camera_from_points(Setup((width, height), bed_mm, "fixed", False, tuple(points)))
    except BadSetup:
        return None
    return camera.project(np.array([[0.0, 0, 0], [w, 0, 0], [w, d, 0], [0, d, 0]]))


def _segments(bgr: Picture) -> Array:
    """Straight edges of brightness and of both colours: shape (n, 4), ends in px."""
    lab = cv2.cvtColor(cv2.GaussianBlur(bgr, (0, 0), 1.0), cv2.COLOR_BGR2LAB)
    found = []
    for channel in range(3):
        plane = lab[..., channel]
        if channel > 0:
            # Colour has far less contrast than brightness has.
            plane = np.clip((plane.astype(np.float32) - 128) * 2 + 128, 0, 255).astype(np.uint8)
        detector = cv2.createLineSegmentDetector(cv2.LSD_REFINE_STD)
        lines = detector.detect(np.ascontiguousarray(plane))[0]
        if lines is not None:
            found.append(np.asarray(lines, dtype=np.float64).reshape(-1, 4))
    return np.concatenate(found) if found else np.zeros((0, 4))


def _lines(bgr: Picture) -> list[_Line]:
    """Lines that pieces of straight edge lie on, the longest first."""
    height, width = bgr.shape[:2]
    pieces = _segments(bgr)
    length = np.hypot(pieces[:, 2] - pieces[:, 0], pieces[:, 3] - pieces[:, 1])
    keep = length > 0.015 * np.hypot(width, height)
    pieces, length = pieces[keep], length[keep]
    angle = np.arctan2(pieces[:, 3] - pieces[:, 1], pieces[:, 2] - pieces[:, 0])
    middle = (pieces[:, :2] + pieces[:, 2:]) / 2
    free = np.ones(len(pieces), dtype=bool)
    lines: list[tuple[float, Array, Array]] = []
    for i in np.argsort(-length):
        if not free[i]:
            continue
        point, along = middle[i], np.array([np.cos(angle[i]), np.sin(angle[i])])
        members = np.array([i])
        for _ in range(3):
            turn = np.abs((angle - np.arctan2(along[1], along[0]) + np.pi / 2) % np.pi - np.pi / 2)
            normal = np.array([-along[1], along[0]])
            ends = np.abs((pieces.reshape(-1, 2, 2) - point) @ normal).max(axis=1)
            members = np.flatnonzero(
                (turn < np.radians(SAME_TURN_DEG) + 2.0 / length) & (ends < SAME_PX)
            )
            if not len(members):
                break
            place = pieces[members].reshape(-1, 2)
            weight = np.repeat(length[members], 2)[:, None]
            point = (weight * place).sum(axis=0) / weight.sum()
            spread = ((place - point) * weight).T @ (place - point)
            along = np.linalg.eigh(spread)[1][:, 1]
        if not len(members):
            free[i] = False
            continue
        free[members] = False
        free[i] = False
        reach = (pieces[members].reshape(-1, 2, 2) - point) @ along
        covered = _covered(np.sort(reach, axis=1))
        lines.append((covered, point, along))
    lines.sort(key=lambda line: -line[0])
    diagonal = float(np.hypot(width, height))
    lab = cv2.cvtColor(cv2.GaussianBlur(bgr, (0, 0), 1.5), cv2.COLOR_BGR2LAB).astype(np.float32)
    # OpenCV stretches lightness to 255; differences are meant on its own scale of 100.
    lab[..., 0] *= 100 / 255
    return [
        _with_colours(lab, point, along, covered, diagonal)
        for covered, point, along in lines[:MOST_LINES]
        if covered > LEAST_LINE * diagonal
    ]


def _covered(reach: Array) -> float:
    """Length that intervals cover together, shape (n, 2)."""
    total, end = 0.0, -np.inf
    for a, b in reach[np.argsort(reach[:, 0])]:
        total += max(0.0, b - max(a, end))
        end = max(end, b)
    return float(total)


def _with_colours(
    lab: npt.NDArray[np.float32], point: Array, along: Array, length: float, diagonal: float
) -> _Line:
    t = np.arange(-1.2 * diagonal, 1.2 * diagonal, STEP_PX)
    normal = np.array([-along[1], along[0]])
    sides = []
    for sign in (1.0, -1.0):
        at = (point + t[:, None] * along + sign * BESIDE_PX * normal).astype(np.float32)
        sides.append(
            cv2.remap(
                lab,
                at[:, None, 0],
                at[:, None, 1],
                cv2.INTER_LINEAR,
                borderMode=cv2.BORDER_CONSTANT,
                borderValue=(float("nan"),) * 4,
            )[:, 0].astype(np.float64)
        )
    return _Line(point, along, length, (sides[0], sides[1]), t)


def _candidates(bgr: Picture) -> list[tuple[float, Array, float]]:
    """Score, corners (4, 2) and share shown of the likely quadrilaterals, best first."""
    height, width = bgr.shape[:2]
    lines = _lines(bgr)
    n = len(lines)
    if n < 4:
        return []
    cross = np.full((n, n, 2), np.nan)
    for i, j in itertools.combinations(range(n), 2):
        one, other = lines[i], lines[j]
        turn = one.along[0] * other.along[1] - one.along[1] * other.along[0]
        if abs(turn) < np.sin(np.radians(12)):
            continue
        gap = other.point - one.point
        along = (gap[0] * other.along[1] - gap[1] * other.along[0]) / turn
        cross[i, j] = cross[j, i] = one.point + along * one.along
    low = np.array([-OUTSIDE * width, -OUTSIDE * width])
    high = np.array([width, height]) - low
    inside = (np.isfinite(cross[..., 0]) & ((cross > low) & (cross < high)).all(axis=2)).tolist()
    found = []
    for four in itertools.combinations(range(n), 4):
        # The three ways to pair four lines as opposite sides.
        a, b, c, d = four
        for p, q, r, s in ((a, b, c, d), (a, c, b, d), (a, b, d, c)):
            if not (inside[p][q] and inside[q][r] and inside[r][s] and inside[s][p]):
                continue
            quad = np.array([cross[s, p], cross[p, q], cross[q, r], cross[r, s]])
            sides = np.roll(quad, -1, axis=0) - quad
            turns = sides[:, 0] * np.roll(sides[:, 1], -1) - sides[:, 1] * np.roll(sides[:, 0], -1)
            if not (np.all(turns > 0) or np.all(turns < 0)):
                continue
            area = abs(ring_area_mm2((quad,)))
            if not LEAST_AREA < area / (width * height) < MOST_AREA:
                continue
            if np.hypot(*sides.T).min() < 0.12 * width:
                continue
            shown = _shown([lines[k] for k in (p, q, r, s)], quad)
            if shown is not None:
                # Where all else is equal a bed is the largest thing of its kind.
                found.append((shown + 0.05 * area / (width * height), quad, shown))
    found.sort(key=lambda one: -one[0])
    return found


def _shown(lines: list[_Line], quad: Array) -> float | None:
    """Share of its sides along which a quadrilateral, whose side k lies on line k, looks like one
    surface."""
    middle = quad.mean(axis=0)
    insides, outsides = [], []
    for k, line in enumerate(lines):
        begin, end = sorted(
            float((corner - line.point) @ line.along) for corner in (quad[k], quad[(k + 1) % 4])
        )
        # Corners themselves are left out: clips and rounded sheets are there.
        slack = 0.04 * (end - begin)
        first, last = np.searchsorted(line.t, [begin + slack, end - slack])
        normal = np.array([-line.along[1], line.along[0]])
        way = 0 if float((middle - line.point) @ normal) > 0 else 1
        insides.append(line.beside[way][first:last])
        outsides.append(line.beside[1 - way][first:last])
    whole = np.concatenate(insides)
    known = whole[np.isfinite(whole[:, 0])]
    if len(known) < 40:
        return None
    # Light falls off over a bed; its hue stays.
    usual = np.median(known, axis=0)
    weights = np.array([0.5, 1.0, 1.0])
    shares = []
    for inner, outer in zip(insides, outsides, strict=True):
        seen = np.isfinite(inner[:, 0]) & np.isfinite(outer[:, 0])
        if seen.sum() < 8:
            return None
        here = np.median(inner[seen], axis=0)
        like = np.hypot.reduce((inner[seen] - here) * weights, axis=1) < LIKE
        like &= np.hypot.reduce((inner[seen] - usual) * weights, axis=1) < 2 * LIKE
        unlike = np.hypot.reduce(outer[seen] - inner[seen], axis=1) > UNLIKE
        shares.append(float((like & unlike).sum() / len(inner)))
    if min(shares) < LEAST_SIDE:
        return None
    return float(np.mean(shares))


@dataclass(frozen=True)
class _Tried:
    """A quadrilateral with the camera that would see it."""

    score: float
    corners: Array
    shown: float


def _tried(bgr: Picture, bed_mm: tuple[float, float]) -> list[_Tried]:
    """The likeliest quadrilaterals, less what is odd about the camera that would see a bed of that
    shape there; best first."""
    found: list[_Tried] = []
    taken: list[Array] = []
    for score, quad, shown in _candidates(bgr):
        if any(float(np.abs(quad - other).max()) < SAME_PX for other in taken):
            continue
        taken.append(quad)
        if len(taken) > MOST_TRIED:
            break
        corners = in_order(quad)
        odd = _oddness(_setup(bgr, corners, bed_mm))
        if odd is not None:
            found.append(_Tried(score - ODD * odd, corners, shown))
    return sorted(found, key=lambda one: -one.score)


def _oddness(setup: Setup) -> float | None:
    """Sum of squared deviations from a usual webcam; ``None`` where no camera sees it so."""
    try:
        camera = camera_from_points(setup)
    except BadSetup:
        return None
    places = np.array([[*p.bed_mm, 0.0] for p in setup.bed_points])
    pixels = np.array([p.pixel for p in setup.bed_points])
    off = float(np.hypot(*(camera.project(places) - pixels).T).max())
    rotation, _ = cv2.Rodrigues(camera.rotation_vector)
    roll = float(np.degrees(np.arctan2(rotation[0, 2], -rotation[1, 2])))
    focal = float(np.log(camera.focal_px / camera.size_px[0] / SUPPOSED_FOCAL))
    if off > MISFIT_PX:
        return None
    return (off / OFF_PX) ** 2 + (roll / ROLL_DEG) ** 2 + (focal / FOCAL_SPREAD) ** 2


def in_order(quad: Array) -> Array:
    """Corners as front left, front right, back right, back left, taking the lowest side of the
    picture for the front: shape (4, 2) both."""
    if ring_area_mm2((quad,)) > 0:
        quad = quad[::-1]
    lowest = int(np.argmax(quad[:, 1] + np.roll(quad[:, 1], -1)))
    return np.roll(quad, -lowest, axis=0)


def _setup(bgr: Picture, pixel: Array, bed_mm: tuple[float, float]) -> Setup:
    w, d = bed_mm
    places = [(0.0, 0.0), (w, 0.0), (w, d), (0.0, d)]
    return Setup(
        frame_size=(bgr.shape[1], bgr.shape[0]),
        bed_mm=bed_mm,
        bed_motion="fixed",
        head_parked_for_frames=False,
        bed_points=tuple(
            BedPoint((float(x), float(y)), place)
            for (x, y), place in zip(pixel, places, strict=True)
        ),
    )

"""Draws over a frame what was measured in it.

Each measured place of an edge is a dot, moved along the edge's normal by its displacement, which is
enlarged or nobody would see it; the same for the curve that the fit of the lifts lays through them.
What the fit puts down to camera, clock and light is taken off both, so the gap between dot and
curve is what is left unexplained.

The colours are told apart by colour-blind eyes (Okabe and Ito 2008, "Color Universal Design"), and
nothing is told by colour alone: lines differ in stroke, dots in place.
"""

from __future__ import annotations

import textwrap
from dataclasses import dataclass

import cv2
import numpy as np
from PIL import Image, ImageDraw, ImageFont

from watcher.overlay.record import Found, Measured, Tip
from watcher.records import Array, FaultKind, Outline, Picture, Reading, Seen

Colour = tuple[int, int, int]
Font = ImageFont.FreeTypeFont | ImageFont.ImageFont

# Okabe and Ito's palette, red-green-blue.
WHITE: Colour = (255, 255, 255)
GREY: Colour = (200, 200, 200)
BLACK: Colour = (0, 0, 0)
STRIP: Colour = (16, 16, 16)
ORANGE: Colour = (230, 159, 0)
SKY: Colour = (86, 180, 233)
YELLOW: Colour = (240, 228, 66)
PURPLE: Colour = (204, 121, 167)
VERMILION: Colour = (213, 94, 0)

ENLARGED = (20, 10, 5, 2, 1)
WIDEST_PX = 34.0
"""The usual displacement is enlarged to no more than this."""
FULL_PX = 1.0
"""Displacement that is drawn in the full colour."""
GAP_PX = 10.0
"""A fit is not drawn across a longer stretch in which nothing was measured."""
DRAWN_WIDTH = 1200
CLOSE_MARGIN_PX = 46.0
LABEL_LETTERS = 24
MOST_LABELS = 6
"""Where more corners are watched, those that are not measured are listed below instead."""
ARROW_PX = 12.0
"""A shorter way is told by the two outlines alone."""
_WORDS: dict[FaultKind, str] = {
    "detached": "the part is here",
    "layer-step": "the upper layers are here",
    "no-growth": "the top is here",
}


@dataclass(frozen=True)
class _Sheet:
    """A picture to draw on, and where the frame lies in it."""

    rgb: Picture
    origin_px: Array
    scale: float

    def at(self, points_px: Array) -> Array:
        """Pixels of the frame to pixels of the sheet; pixel centres are whole numbers in both."""
        return np.asarray((points_px - self.origin_px + 0.5) * self.scale - 0.5, dtype=np.float64)

    @property
    def pen(self) -> float:
        return max(1.0, float(self.rgb.shape[1]) / 800)

    def line(self, points: Array, colour: Colour, width: float, closed: bool = False) -> None:
        """A line with a dark border, so that it shows on any ground."""
        where = [np.round(points * 16).astype(np.int32).reshape(-1, 1, 2)]
        for paint, thick in ((BLACK, width + 2), (colour, width)):
            pen = max(1, round(thick * self.pen))
            cv2.polylines(self.rgb, where, closed, paint, pen, cv2.LINE_AA, 4)

    def dashes(self, points: Array, colour: Colour, on: float = 9.0, off: float = 6.0) -> None:
        """A closed line in dashes; ``on`` and ``off`` in px at a width of 800."""
        for piece in _dashed(np.vstack([points, points[:1]]), on * self.pen, off * self.pen):
            self.line(piece, colour, 1)

    def dot(self, point: Array, colour: Colour, radius: float, border: Colour = BLACK) -> None:
        where = np.round(point * 16).astype(int)
        for paint, size in ((border, radius + 0.8), (colour, radius)):
            cv2.circle(
                self.rgb,
                (int(where[0]), int(where[1])),
                round(size * self.pen * 16),
                paint,
                -1,
                cv2.LINE_AA,
                4,
            )


def enlargement(measured: Measured) -> int:
    """How many times displacements are drawn larger than they are."""
    seen = measured.seen
    if not seen.any():
        return ENLARGED[0]
    size = np.abs(measured.shift_px - measured.aside_px)[seen]
    most = float(np.percentile(size, 97))
    return next((e for e in ENLARGED if e * most <= WIDEST_PX), ENLARGED[-1])


def draw(bgr: Picture, measured: Measured | None, seen: Seen, title: str, close: bool) -> Picture:
    """Draw a frame's measurements.

    Args:
        bgr: the frame, shape (H, W, 3).
        measured: what was measured in it, from ``night.Night.measured``; None where the frame
            could not be placed.
        seen: what was said of it.
        title: of the picture.
        close: whether to show only the part and what lies around it.

    Returns:
        Shape (H', W', 3), the frame enlarged to a width of 1200 px or more, with a legend below.

    """
    box = _box(bgr.shape[:2], measured) if close and measured is not None else None
    low, high = box if box else (np.zeros(2), np.array([bgr.shape[1], bgr.shape[0]], float))
    part = bgr[int(low[1]) : int(high[1]), int(low[0]) : int(high[0])]
    scale = max(1.0, DRAWN_WIDTH / part.shape[1])
    size = (round(part.shape[1] * scale), round(part.shape[0] * scale))
    rgb = cv2.cvtColor(cv2.resize(part, size, interpolation=cv2.INTER_CUBIC), cv2.COLOR_BGR2RGB)
    sheet = _Sheet(np.asarray(rgb, dtype=np.uint8), low, scale)
    legend: list[tuple[str, Colour, str]] = []
    labels: list[tuple[Array, str, Colour]] = []
    lines = [title, _sentence(seen)]
    if measured is None:
        legend = _draw_lines(sheet, seen.outlines)
    else:
        legend = _draw_measured(sheet, measured, seen.outlines)
        few = len(measured.tips) <= MOST_LABELS
        shown = [tip for tip in measured.tips if few or tip.value_mm is not None]
        labels = [_tip_label(sheet, tip) for tip in shown]
        if len(shown) < len(measured.tips):
            lines.append(_unseen(measured.tips))
        labels += [label for found in measured.found if (label := _draw_found(sheet, found, seen))]
    return _with_words(sheet, labels, legend, lines, _sides(sheet, measured))


def _sides(sheet: _Sheet, measured: Measured | None) -> tuple[float, float]:
    """How far left and right the part reaches on the sheet."""
    if measured is None or not measured.rings_px:
        return 0.0, float(sheet.rgb.shape[1])
    x = sheet.at(np.concatenate(measured.rings_px))[:, 0]
    return float(x.min()), float(x.max())


def _box(shape: tuple[int, ...], measured: Measured) -> tuple[Array, Array] | None:
    """What a close picture shows: whole pixels, left top and right bottom (outside)."""
    lines = [*measured.rings_px, *(ring for found in measured.found for ring in found.rings_px)]
    if not lines:
        return None
    points = np.concatenate(lines)
    low = np.floor(points.min(axis=0) - CLOSE_MARGIN_PX * np.array([2.4, 1.0]))
    high = np.ceil(points.max(axis=0) + CLOSE_MARGIN_PX * np.array([2.4, 1.0]))
    edge = np.array([shape[1], shape[0]], float)
    low, high = np.clip(low, 0, edge), np.clip(high, 0, edge)
    return (low, high) if bool((high - low >= 16).all()) else None


def _draw_lines(sheet: _Sheet, outlines: tuple[Outline, ...]) -> list[tuple[str, Colour, str]]:
    """Lines of a frame that has no places to draw; give the lines of the legend they need."""
    strokes = {
        "region": (PURPLE, "border of what is watched for strands"),
        "expected": (GREY, "outline that is expected"),
        "measured": (WHITE, "measured edge, where it stands"),
        "strand": (YELLOW, "strand that lies where nothing should"),
    }
    legend = []
    for role, (colour, words) in strokes.items():
        lines = [o.points_px for o in outlines if o.role == role and len(o.points_px) > 1]
        for line in lines:
            sheet.line(sheet.at(line), colour, 1.5, closed=role in ("region", "strand"))
        if lines:
            legend.append(("line", colour, words))
    return legend


def _draw_measured(
    sheet: _Sheet, measured: Measured, outlines: tuple[Outline, ...]
) -> list[tuple[str, Colour, str]]:
    """Draw regions, outlines and edges; give the lines of the legend they need."""
    legend: list[tuple[str, Colour, str]] = []
    for ring in measured.region_px:
        sheet.dashes(sheet.at(ring), PURPLE, 3.0, 9.0)
    if measured.region_px:
        legend.append(("dots apart", PURPLE, "border of what is watched for strands"))
    strands = [o.points_px for o in outlines if o.role == "strand" and len(o.points_px) > 1]
    for line in strands:
        sheet.line(sheet.at(line), YELLOW, 1.5, closed=True)
    if strands:
        legend.append(("line", YELLOW, "strand that lies where the toolpath puts nothing"))
    for ring in measured.rings_px:
        sheet.dashes(sheet.at(ring), GREY)
    legend.append(("dashes", GREY, "outline that the toolpath expects"))
    times = enlargement(measured)
    net = measured.shift_px - measured.aside_px
    seen = measured.seen
    if seen.any():
        fitted = measured.expected_px + measured.normal * (times * measured.lifted_px)[:, None]
        curved = seen & (measured.edge >= 0) & np.isfinite(measured.lifted_px)
        for number in np.unique(measured.edge[curved]):
            chosen = np.flatnonzero((measured.edge == number) & curved)
            gap = np.hypot(*np.diff(measured.expected_px[chosen], axis=0).T) > GAP_PX
            for piece in np.split(chosen, np.flatnonzero(gap) + 1):
                sheet.line(sheet.at(fitted[piece]), WHITE, 1)
        there = measured.expected_px + measured.normal * (times * np.nan_to_num(net))[:, None]
        for i in np.flatnonzero(seen):
            sheet.dot(sheet.at(there[i]), _shade(float(net[i])), 2.2)
        enlarged = f"{times} times enlarged" if times > 1 else "not enlarged"
        legend.append(("up", ORANGE, f"measured edge, too high; {enlarged}"))
        legend.append(("up", SKY, f"measured edge, too low; {enlarged}"))
        if curved.any():
            legend.append(("line", WHITE, f"fit of the lifts; {enlarged}"))
    hidden = np.flatnonzero(measured.hidden)
    for i in hidden[::2]:
        sheet.dot(sheet.at(measured.expected_px[i]), BLACK, 1.3, GREY)
    if len(hidden):
        legend.append(("up", BLACK, "should be seen here, is hidden or has no contrast"))
    return legend


def _draw_found(sheet: _Sheet, found: Found, seen: Seen) -> tuple[Array, str, Colour] | None:
    """Where part or top were measured to be, and the words beside; None where it is no news."""
    reading = next(r for r in seen.readings if r.kind == found.kind and r.value is not None)
    if not _worth_drawing(reading):
        return None
    for ring in found.rings_px:
        sheet.line(sheet.at(ring), VERMILION, 1.5, closed=True)
    start, end = sheet.at(found.from_px), sheet.at(found.to_px)
    if np.hypot(*(end - start)) > ARROW_PX * sheet.pen:
        for paint, width in ((BLACK, 5), (VERMILION, 3)):
            cv2.arrowedLine(
                sheet.rgb,
                (round(start[0]), round(start[1])),
                (round(end[0]), round(end[1])),
                paint,
                round(width * sheet.pen),
                cv2.LINE_AA,
                tipLength=0.3,
            )
    return end, f"{_WORDS[found.kind]}\n{_amount(reading)} off", VERMILION


def _worth_drawing(reading: Reading) -> bool:
    """Whether a motion or a height stands out from its own error."""
    assert reading.value is not None
    sigma = reading.sigma or 0.0
    return abs(reading.value) > 3 * sigma and abs(reading.value) > 0.3


def _tip_label(sheet: _Sheet, tip: Tip) -> tuple[Array, str, Colour]:
    if tip.value_mm is None or tip.sigma_mm is None:
        why = textwrap.fill(tip.unseen, LABEL_LETTERS)
        return sheet.at(tip.pixel), f"{tip.place}\n{why}", GREY
    clear = tip.value_mm > 3 * tip.sigma_mm and tip.value_mm > 0.2
    words = f"{tip.place}\n{round(tip.value_mm, 2) + 0.0:.2f} ± {tip.sigma_mm:.2f} mm"
    return sheet.at(tip.pixel), words, ORANGE if clear else WHITE


def _unseen(tips: tuple[Tip, ...]) -> str:
    """The corners that are not measured, by the reason."""
    by_reason: dict[str, list[str]] = {}
    for tip in tips:
        if tip.value_mm is None:
            by_reason.setdefault(tip.unseen, []).append(tip.place)
    told = "; ".join(f"{', '.join(places)} ({why})" for why, places in by_reason.items())
    return f"Not measured: {told}."


def _amount(reading: Reading) -> str:
    return f"{reading.value:.1f} ± {reading.sigma or 0.0:.1f} {reading.unit}"


def _sentence(seen: Seen) -> str:
    strands = [r for r in seen.readings if r.kind == "spaghetti"]
    told = seen.advice.sentence if seen.view.registered else f"Not placed: {seen.view.reason}."
    for reading in strands:
        if reading.value is not None and reading.value > 3 * (reading.sigma or 0.0):
            told += f" Loose strands: {_amount(reading)}."
    return told


def _shade(net_px: float) -> Colour:
    """Sky blue below, white at, orange above the expected place."""
    share = float(np.clip(abs(net_px) / FULL_PX, 0, 1))
    end = ORANGE if net_px > 0 else SKY
    red, green, blue = (round(w + share * (e - w)) for w, e in zip(WHITE, end, strict=True))
    return red, green, blue


def _dashed(points: Array, on: float, off: float) -> list[Array]:
    """Cut a line into dashes by its length: each shape (k, 2)."""
    step = np.hypot(*np.diff(points, axis=0).T)
    length = np.concatenate([[0.0], np.cumsum(step)])
    if length[-1] <= 0:
        return []
    pieces = []
    for start in np.arange(0.0, length[-1], on + off):
        end = min(start + on, float(length[-1]))
        inner = length[(length > start) & (length < end)]
        at = np.concatenate([[start], inner, [end]])
        pieces.append(np.column_stack([np.interp(at, length, points[:, i]) for i in (0, 1)]))
    return pieces


# -- words ------------------------------------------------------------------------------------


def _with_words(
    sheet: _Sheet,
    labels: list[tuple[Array, str, Colour]],
    legend: list[tuple[str, Colour, str]],
    lines: list[str],
    part: tuple[float, float],
) -> Picture:
    """Labels beside what they name, title and legend on a strip below."""
    height, width = sheet.rgb.shape[:2]
    size = round(max(15.0, width / 58))
    font = ImageFont.load_default(size)
    row = round(1.45 * size)
    canvas = Image.fromarray(sheet.rgb)
    pen = ImageDraw.Draw(canvas)
    for point, words, colour, at in _placed(pen, labels, font, (width, height), row, part):
        pen.line([tuple(point), at], fill=BLACK, width=4)
        pen.line([tuple(point), at], fill=colour, width=2)
        _write(pen, at, words, colour, font, float(point[0]) > at[0])
    wrapped = [part for line in lines for part in _wrapped(pen, line, font, width - size)]
    rows = len(wrapped) + (len(legend) + 1) // 2
    below = Image.new("RGB", (width, row * rows + size), STRIP)
    pen = ImageDraw.Draw(below)
    y = size / 2
    for line in wrapped:
        pen.text((size / 2, y), line, fill=WHITE, font=font)
        y += row
    small = ImageFont.load_default(0.85 * size)
    for i, (stroke, colour, words) in enumerate(legend):
        x = size / 2 + (width / 2 if i % 2 else 0)
        at = y + row * (i // 2)
        _key(pen, stroke, colour, (x, at + 0.6 * size), size)
        pen.text((x + 3 * size, at), words, fill=GREY, font=small)
    return np.vstack([np.asarray(canvas), np.asarray(below)])[..., ::-1].copy()


def _placed(
    pen: ImageDraw.ImageDraw,
    labels: list[tuple[Array, str, Colour]],
    font: Font,
    size: tuple[int, int],
    row: int,
    part: tuple[float, float],
) -> list[tuple[Array, str, Colour, tuple[float, float]]]:
    """Find each label a free place beside the part, which reaches from left to right as given.

    Returns:
        Point, words, colour and the middle of the words' inner side.

    """
    if not labels:
        return []
    width, height = size
    points = np.array([point for point, _, _ in labels])
    middle = sum(part) / 2
    left_edge = min(part[0], float(points[:, 0].min())) - row
    right_edge = max(part[1], float(points[:, 0].max())) + row
    out = []
    for left in (True, False):
        side = [x for x in labels if (float(x[0][0]) < middle) == left]
        side.sort(key=lambda x: float(x[0][1]))
        # From the top down, none nearer to the one above than its rows; then back into the picture.
        wanted: list[float] = []
        floor = 0.0
        for point, words, _ in side:
            half = 0.5 * row * (words.count("\n") + 1)
            wanted.append(max(float(point[1]), floor + half))
            floor = wanted[-1] + half + 6
        over = max(0.0, floor - height)
        for (point, words, colour), y in zip(side, wanted, strict=True):
            box = pen.multiline_textbbox((0, 0), words, font=font)
            length = float(box[2] - box[0])
            x = max(left_edge, length + 6) if left else min(right_edge, width - length - 6)
            out.append((point, words, colour, (float(x), y - over)))
    return out


def _write(
    pen: ImageDraw.ImageDraw,
    at: tuple[float, float],
    words: str,
    colour: Colour,
    font: Font,
    leftwards: bool,
) -> None:
    anchor = "rm" if leftwards else "lm"
    align = "right" if leftwards else "left"
    box = pen.multiline_textbbox(at, words, font=font, anchor=anchor, align=align)
    pen.rectangle((box[0] - 6, box[1] - 5, box[2] + 6, box[3] + 5), fill=STRIP, outline=colour)
    pen.multiline_text(at, words, fill=colour, font=font, anchor=anchor, align=align)


def _wrapped(
    pen: ImageDraw.ImageDraw,
    line: str,
    font: Font,
    width: float,
) -> list[str]:
    rows: list[str] = []
    for word in line.split():
        longer = f"{rows[-1]} {word}" if rows else word
        if rows and pen.textlength(longer, font=font) <= width:
            rows[-1] = longer
        else:
            rows.append(word)
    return rows


def _key(
    pen: ImageDraw.ImageDraw, stroke: str, colour: Colour, at: tuple[float, float], size: int
) -> None:
    """A sample of a stroke, for the legend."""
    x, y = at
    if stroke == "up":
        for k in (0.5, 1.2, 1.9):
            where = [x + k * size - 4, y - 4, x + k * size + 4, y + 4]
            pen.ellipse(where, fill=colour, outline=GREY)
        return
    pieces = {"line": [(0.0, 2.4)], "dashes": [(0.0, 1.0), (1.4, 2.4)]}
    for start, end in pieces.get(stroke, [(0.0, 0.3), (1.0, 1.3), (2.0, 2.3)]):
        pen.line([(x + start * size, y), (x + end * size, y)], fill=colour, width=3)

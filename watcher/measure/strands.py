"""Loose strands (spaghetti): thin lines that run every way, where the toolpath puts nothing.

A strand of filament is a thin line, lighter or darker than what lies on both sides of it; the
border of a shadow or of the head is a step and no line. Walls and machine parts have lines too, but
those run side by side, so what tells strands is how much line there is that does not run the way
most of its neighbourhood runs. That amount, :func:`tangle`, follows from the double-angle
orientation tensor of the lines (Kass and Witkin 1987; Bigun and Granlund 1987): with T the sum of
the lines' amounts in the neighbourhood and V the length of the sum of their double-angle vectors,
T (1 - (V/T)^2) is the share of it that its main direction does not explain, 4 det / trace of the
tensor (Noble 1988 for corners).

A whole picture is scored by :func:`tangle_score`. In a run, :func:`seen_strands` gives the same
lines and tangle for a region, and :class:`StrandMap` keeps what stands at the same place for
several frames, was not there before and is not hidden by something that passes.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt
from skimage.morphology import skeletonize

Grey = npt.NDArray[np.float32]
Bools = npt.NDArray[np.bool_]
Directions = npt.NDArray[np.uint8]

PICTURE_PX = 640
"""A whole picture is looked at with this many pixels on its longest side, in two octaves: strands
are then one to eight pixels wide."""
REGION_PX = 480
"""The region of a run, which is a third to half of a picture wide, has strands of one to four."""
DIRECTIONS = 8
LENGTH_PX = 8
GAP_PX = 3.0
FLOOR_GREY = 0.7
"""A line this much above or below both sides counts half: the noise of a good picture."""
REACH = 1 / 32
"""Standard deviation of the neighbourhood, a square, over the longest side."""
USUAL_LEAST = 0.15
STRONG, WEAK = 8.0, 6.0
"""Multiples of the usual line strength: what makes a line, and what continues one (double
threshold, Canny 1986)."""
PART_PX = 9
"""So much round the expected part is left out, for its edge is not known to the pixel."""
STRIDE = 1.122
"""Length of a line for each cell of its thinned chain, mean over all directions: 1 / max(|cos|,
|sin|) averaged is 4/pi asinh(1)."""
_KERNEL_PX = LENGTH_PX + 1


def _line_kernel(angle: float) -> Grey:
    """A line of ``LENGTH_PX`` through the middle of 9 x 9, sum 1."""
    centre = LENGTH_PX / 2
    kernel = np.zeros((_KERNEL_PX + 1, _KERNEL_PX + 1), dtype=np.float32)
    for t in np.linspace(-centre + 0.5, centre - 0.5, 29):
        x, y = centre + t * np.cos(angle), centre + t * np.sin(angle)
        x0, y0 = int(np.floor(x)), int(np.floor(y))
        for xi, yi in ((x0, y0), (x0 + 1, y0), (x0, y0 + 1), (x0 + 1, y0 + 1)):
            kernel[yi, xi] += max(0.0, (1 - abs(x - xi)) * (1 - abs(y - yi)))
    kernel = kernel[:_KERNEL_PX, :_KERNEL_PX]
    return np.asarray(kernel / kernel.sum(), dtype=np.float32)


_ANGLES = np.pi * np.arange(DIRECTIONS) / DIRECTIONS
_KERNELS = tuple(_line_kernel(angle) for angle in _ANGLES)
_COS, _SIN = (np.resize(wave(2 * _ANGLES), 256).astype(np.float32) for wave in (np.cos, np.sin))
"""Look-up tables for the numbers of the directions."""


@dataclass(frozen=True)
class Lines:
    """Thin lines of a picture."""

    strength: Grey
    """Shape (H, W), grey levels, 0 or more."""
    direction: Directions
    """Shape (H, W): number of the direction, in eighths of half a turn from x to y."""

    def amount(self, floor: float) -> Grey:
        """How surely each pixel is part of a line, 0 to 1; a line of strength ``floor`` is half.

        Contrast is normalised away, so a faint strand and a bright one count alike.
        """
        square = self.strength**2
        return np.asarray(square / (square + np.float32(floor) ** 2), dtype=np.float32)


def thin_lines(picture: Grey) -> Lines:
    """Find thin lines.

    For each of eight directions the mean along the line is compared with the means of the two
    parallels beside it; the weaker of the two differences counts, so a step gives nothing.

    Args:
        picture: grey, shape (H, W).

    """
    height, width = picture.shape
    best = np.zeros((height, width), dtype=np.float32)
    direction = np.zeros((height, width), dtype=np.uint8)
    if picture.size == 0:
        return Lines(best, direction)
    margin = int(GAP_PX) + 1
    wide = np.empty((height + 2 * margin, width + 2 * margin), dtype=np.float32)
    mean, light, dark = (np.empty((height, width), dtype=np.float32) for _ in range(3))
    for number, (kernel, angle) in enumerate(zip(_KERNELS, _ANGLES, strict=True)):
        cv2.filter2D(picture, cv2.CV_32F, kernel, dst=mean, borderType=cv2.BORDER_REPLICATE)
        cv2.copyMakeBorder(mean, margin, margin, margin, margin, cv2.BORDER_REPLICATE, dst=wide)
        dx, dy = round(-np.sin(angle) * GAP_PX), round(np.cos(angle) * GAP_PX)
        one = wide[margin + dy : margin + dy + height, margin + dx : margin + dx + width]
        two = wide[margin - dy : margin - dy + height, margin - dx : margin - dx + width]
        cv2.subtract(mean, cv2.max(one, two, dst=light), dst=light)
        cv2.subtract(cv2.min(one, two, dst=dark), mean, dst=dark)
        line = cv2.max(light, dark, dst=light)
        better = cv2.compare(line, best, cv2.CMP_GT)
        cv2.subtract(direction, better, dst=direction)
        cv2.max(direction, np.bitwise_and(better, np.uint8(number)), dst=direction)
        cv2.max(best, line, dst=best)
    return Lines(best, direction)


def tangle(amount: Grey, direction: Directions, reach_px: float) -> Grey:
    """Share of each neighbourhood that is covered by lines which don't run its main way.

    Args:
        amount: shape (H, W), 0 to 1, from :meth:`Lines.amount`.
        direction: shape (H, W), from :class:`Lines`.
        reach_px: standard deviation of the neighbourhood, a square.

    Returns:
        Shape (H, W), 0 to 1: 0 where all lines are parallel, the lines' own share where they run
        all ways alike.

    """
    if amount.size == 0:
        return np.zeros(amount.shape, dtype=np.float32)
    side = 2 * max(1, round(reach_px * np.sqrt(3))) + 1
    shape = amount.shape
    total, x, y = (
        cv2.blur(part, (side, side), borderType=cv2.BORDER_REPLICATE).reshape(shape)
        for part in (
            amount,
            amount * cv2.LUT(direction, _COS).reshape(shape),
            amount * cv2.LUT(direction, _SIN).reshape(shape),
        )
    )
    left = (total * total - x * x - y * y) / (total + 1e-6)
    return np.asarray(np.clip(left, 0.0, 1.0), dtype=np.float32)


def _scaled(grey: npt.NDArray[np.uint8], side_px: int) -> npt.NDArray[np.uint8]:
    """The picture with its longest side ``side_px`` long."""
    height, width = grey.shape
    scale = side_px / max(height, width)
    size = (max(1, round(width * scale)), max(1, round(height * scale)))
    how = cv2.INTER_AREA if scale < 1 else cv2.INTER_LINEAR
    return np.asarray(cv2.resize(grey, size, interpolation=how), dtype=np.uint8).reshape(size[::-1])


def tangle_score(bgr: npt.NDArray[np.uint8]) -> float:
    """How much the most tangled part of a picture is tangled, 0 to 1.

    95th percentile of the mean :func:`tangle` of two octaves, so a twentieth of the picture must
    be at least so tangled.

    Args:
        bgr: shape (H, W, 3) or (H, W), any size.

    """
    if bgr.size == 0:
        return 0.0
    grey = bgr if bgr.ndim == 2 else cv2.cvtColor(bgr, cv2.COLOR_BGR2GRAY)
    fine = _floats(_scaled(np.asarray(grey, dtype=np.uint8), PICTURE_PX))
    height, width = fine.shape
    half = cv2.resize(fine, (max(1, width // 2), max(1, height // 2)), interpolation=cv2.INTER_AREA)
    total = np.zeros((height, width), dtype=np.float32)
    for picture, octave in ((fine, 1), (half, 2)):
        lines = thin_lines(_floats(picture))
        here = tangle(lines.amount(FLOOR_GREY), lines.direction, REACH * PICTURE_PX / octave)
        total += cv2.resize(here, (width, height), interpolation=cv2.INTER_LINEAR) / 2
    return float(np.percentile(total[::2, ::2], 95))


@dataclass(frozen=True)
class Strands:
    """What a region shows at each of its places; all arrays have the grid's shape."""

    signal: Grey
    """Line strength in multiples of what is usual in this picture; nan where nothing is seen."""
    tangle: Grey
    """0 to 1: from :func:`tangle`, a line counting half from ``STRONG`` on."""
    brightness: Grey
    """Grey level of the surroundings, nan where nothing is seen."""


def seen_strands(
    bgr: npt.NDArray[np.uint8],
    places_px: npt.NDArray[np.floating],
    region: Bools,
    hidden: Bools | None = None,
) -> Strands:
    """Look for strands in a region of a picture.

    Args:
        bgr: the picture, shape (H, W, 3).
        places_px: shape (R, C, 2): where the places of a grid fall in it.
        region: shape (R, C): the places to look at. Their median line strength counts as usual,
            which is noise and texture.
        hidden: shape (H, W): where the part is expected, so that no region is seen; None where
            that isn't known.

    """
    nothing = np.full(region.shape, np.nan, dtype=np.float32)
    blind = Strands(nothing, np.zeros(region.shape, dtype=np.float32), nothing)
    if bgr.size == 0 or not region.any():
        return blind
    x, y = (np.ascontiguousarray(places_px[..., axis], dtype=np.float32) for axis in (0, 1))
    across, down = x[region], y[region]
    left, right = _extent(across, bgr.shape[1])
    top, bottom = _extent(down, bgr.shape[0])
    if left >= right or top >= bottom:
        return blind
    box = (slice(top, bottom), slice(left, right))
    cut = cv2.cvtColor(np.ascontiguousarray(bgr[box]), cv2.COLOR_BGR2GRAY)
    grey = _scaled(np.asarray(cut, dtype=np.uint8), REGION_PX)
    height, width = grey.shape
    # Pixel centres: (0, 0) is the middle of the first pixel at any scale.
    wider, taller = width / (right - left), height / (bottom - top)
    x, y = (x - (left - 0.5)) * wider - 0.5, (y - (top - 0.5)) * taller - 0.5
    within = (x > -0.51) & (x < width - 0.49) & (y > -0.51) & (y < height - 0.49)
    open_px = np.ones((height, width), dtype=bool)
    if hidden is not None:
        part = cv2.resize(
            hidden[box].astype(np.uint8), (width, height), interpolation=cv2.INTER_NEAREST
        )
        near = cv2.dilate(part, np.ones((PART_PX, PART_PX), np.uint8))
        open_px = near.reshape(height, width) == 0
    soft = _floats(cv2.GaussianBlur(grey.astype(np.float32), (0, 0), 0.6)).reshape(height, width)
    lines = thin_lines(soft)
    inside = within & region
    column = np.minimum(np.rint(x[inside]).astype(int), width - 1)
    row = np.minimum(np.rint(y[inside]).astype(int), height - 1)
    there = open_px[row, column]
    if not there.any():
        return blind
    usual = max(USUAL_LEAST, float(np.median(lines.strength[row[there], column[there]])))
    signal = cv2.dilate(lines.strength / np.float32(usual), np.ones((2, 2), np.uint8))
    tangled = tangle(lines.amount(STRONG * usual), lines.direction, REACH * REGION_PX)
    around = cv2.blur(soft, (13, 13), borderType=cv2.BORDER_REPLICATE)

    # A pixel of the part is none of the bed's: all four round a place must be open.
    openly = within & (_laid(open_px.astype(np.float32), x, y) > 0.99)
    return Strands(
        np.where(openly, _laid(signal, x, y), np.float32(np.nan)),
        np.where(within, _laid(tangled, x, y), np.float32(0)),
        np.where(within, _laid(around, x, y), np.float32(np.nan)),
    )


def _floats(picture: npt.NDArray[np.generic]) -> Grey:
    return np.asarray(picture, dtype=np.float32)


def _extent(places: Grey, size: int) -> tuple[int, int]:
    """First pixel and one past the last that hold the places with a margin, within the picture."""
    low, high = float(np.clip(places.min(), -1, size)), float(np.clip(places.max(), -1, size))
    return max(int(np.floor(low)) - 8, 0), min(int(np.ceil(high)) + 9, size)


def _laid(picture: npt.NDArray[np.generic], x: Grey, y: Grey) -> Grey:
    """The picture at places x, y in its pixels, shape (R, C); the border goes on outside."""
    how, border = cv2.INTER_LINEAR, cv2.BORDER_REPLICATE
    return _floats(cv2.remap(_floats(picture), x, y, how, borderMode=border))


class StrandMap:
    """Which places carry lines now that they did not carry before.

    All arrays are on one grid of places that keep still: the bed's own, so that a bed that moves
    carries its strands along, or the pixels of a region where nothing moves.
    """

    MEMORY, ENOUGH = 5, 3
    """A line counts whole once it stood in three of the last five frames ..."""
    SOON, TWICE = 3, 2
    """... and half once it stood in two of the last three."""
    SETTLE = 8
    """A place's first frames say what is usual there: the bed's own print, scratch or skirt."""
    KNOWN = 3
    LEAST_CELLS = 6
    COVERED = 0.35
    """Logarithm of the surroundings' brightness over what is usual there (the whole picture's
    change taken off) at which something else stands before the place: head, gantry, hand."""
    TANGLED = 0.25
    """But a heap of strands does not pass for that."""
    DRIFT = 0.03
    """The usual brightness follows by at most this much (logarithm) a frame."""

    def __init__(self, shape: tuple[int, int], step_mm: float) -> None:
        """Begin with an empty memory.

        Args:
            shape: rows and columns of the grid.
            step_mm: distance of its places.

        """
        self._step_mm = step_mm
        self._recent: list[tuple[Bools, Bools]] = []
        self._usual = np.zeros(shape, dtype=np.float32)
        self._looked = np.zeros(shape, dtype=np.float32)
        self._first: list[Grey] = []
        self._level = np.full(shape, np.nan, dtype=np.float32)
        self.standing: Bools = np.zeros(shape, dtype=bool)

    def add(self, strands: Strands, region: Bools) -> tuple[float, float]:
        """Take in one frame.

        Args:
            strands: from :func:`seen_strands`.
            region: shape of the grid: where nothing but the empty bed should be seen.

        Returns:
            Length of the lines that stay, mm, and the area looked at, mm2.

        """
        seen = region & np.isfinite(strands.signal) & np.isfinite(strands.brightness)
        covered = self._covered(strands.brightness, seen)
        seen = seen & (~covered | (strands.tangle > self.TANGLED))
        signal = np.nan_to_num(strands.signal)
        line = seen & (signal > WEAK)
        self._recent.append((line, seen))
        if len(self._recent) > self.MEMORY:
            self._grow_old(*self._recent.pop(0))
        near = np.ones((3, 3), np.uint8)
        stood = [cv2.dilate(past.astype(np.uint8), near) for past, _ in self._recent]
        usual = cv2.dilate((self._usual > 0.2).astype(np.uint8), near) > 0
        fresh = line & ~usual & (self._looked >= self.KNOWN)
        soon = fresh & (np.sum(stood[-self.SOON :], axis=0) >= self.TWICE)
        whole = np.sum(stood, axis=0) >= self.ENOUGH
        self.standing = _long_pieces(soon, signal > STRONG, self.LEAST_CELLS)
        length = 0.0
        if self.standing.any():
            middle = skeletonize(self.standing)  # type: ignore[no-untyped-call]
            length = float(np.where(whole, 1.0, 0.5)[middle].sum()) * STRIDE * self._step_mm
        return length, float(seen.sum()) * self._step_mm**2

    def _grow_old(self, line: Bools, seen: Bools) -> None:
        rate = np.where(seen, 1 / np.minimum(self._looked + 1, self.SETTLE), 0)
        settling = self._looked < self.SETTLE
        self._usual += np.where(settling, rate * (line - self._usual), 0).astype(np.float32)
        self._looked += seen

    def _covered(self, brightness: Grey, seen: Bools) -> Bools:
        """Where the surroundings are much brighter or darker than usual, light's change apart."""
        here = np.log(np.maximum(brightness, 4.0)).astype(np.float32)
        known = seen & np.isfinite(self._level)
        change = np.zeros_like(here)
        change[known] = here[known] - self._level[known]
        light = float(np.median(change[known])) if known.any() else 0.0
        change = np.where(known, change - light, 0.0).astype(np.float32)
        if len(self._first) < self.SETTLE:
            self._first.append(np.where(seen, here - light, np.nan).astype(np.float32))
            self._level = _median(self._first)
        else:
            self._first = self._first[: self.SETTLE]
            step = np.clip(change, -self.DRIFT, self.DRIFT)
            new = seen & ~np.isfinite(self._level)
            self._level = np.where(new, here - light, self._level + step).astype(np.float32)
        return np.asarray(np.abs(change) > self.COVERED)


def _median(layers: list[Grey]) -> Grey:
    """Median over those that are not nan; nan where none is."""
    stack = np.sort(np.stack(layers), axis=0)
    count = np.isfinite(stack).sum(axis=0)
    middle = np.maximum(count - 1, 0) // 2
    return np.asarray(np.take_along_axis(stack, middle[None], axis=0)[0], dtype=np.float32)


def _long_pieces(standing: Bools, strong: Bools, least: int) -> Bools:
    """Connected pieces of at least so many cells, a third of these strong; specks are noise."""
    if not standing.any():
        return standing
    count, label, stats, _ = cv2.connectedComponentsWithStats(
        standing.astype(np.uint8), connectivity=8
    )
    firm = np.bincount(label[standing & strong], minlength=count)
    keep = (stats[:, cv2.CC_STAT_AREA] >= least) & (firm >= max(1, least // 3))
    keep[0] = False
    return np.asarray(keep[label])

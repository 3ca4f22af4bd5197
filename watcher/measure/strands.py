"""Loose strands on the bed: thin lines where the toolpath puts nothing, that stay.

A strand of filament is a line about half a millimetre wide, lighter or darker than what lies on
both sides of it; the border of a shadow or of the head is a step and not a line. A line counts
once it has been seen at the same place of the bed in most of the last pictures, which rules out
head, cable and insect, and was not there before.
"""

from __future__ import annotations

import cv2
import numpy as np
import numpy.typing as npt

Grey = npt.NDArray[np.float32]
Bools = npt.NDArray[np.bool_]

DIRECTIONS = 8


LENGTH_PX = 8
GAP_PX = 3.0


def _line_kernel(angle: float) -> Grey:
    """A line of ``LENGTH_PX`` through the middle of 9 x 9, sum 1."""
    size, centre = LENGTH_PX + 1, LENGTH_PX / 2
    kernel = np.zeros((size + 1, size + 1), dtype=np.float32)
    for t in np.linspace(-centre + 0.5, centre - 0.5, 29):
        x, y = centre + t * np.cos(angle), centre + t * np.sin(angle)
        x0, y0 = int(np.floor(x)), int(np.floor(y))
        for xi, yi in ((x0, y0), (x0 + 1, y0), (x0, y0 + 1), (x0 + 1, y0 + 1)):
            kernel[yi, xi] += max(0.0, (1 - abs(x - xi)) * (1 - abs(y - yi)))
    kernel = kernel[:size, :size]
    return np.asarray(kernel / kernel.sum(), dtype=np.float32)


_KERNELS = tuple(
    (_line_kernel(np.pi * step / DIRECTIONS), np.pi * step / DIRECTIONS)
    for step in range(DIRECTIONS)
)


def line_strength(picture: Grey) -> Grey:
    """How much each pixel stands out as part of a thin line, grey levels.

    For each of eight directions the mean along the line is compared with the means of the two
    parallels beside it; the weaker of the two differences counts, so a step gives nothing.

    Args:
        picture: grey, shape (H, W).

    Returns:
        Shape (H, W), 0 or more.

    """
    best = np.zeros(picture.shape, dtype=np.float32)
    if picture.size == 0:
        return best
    margin = int(GAP_PX) + 1
    height, width = picture.shape
    for kernel, angle in _KERNELS:
        mean = cv2.filter2D(picture, cv2.CV_32F, kernel, borderType=cv2.BORDER_REPLICATE)
        wide = cv2.copyMakeBorder(mean, margin, margin, margin, margin, cv2.BORDER_REPLICATE)
        dx, dy = round(-np.sin(angle) * GAP_PX), round(np.cos(angle) * GAP_PX)
        one = wide[margin + dy : margin + dy + height, margin + dx : margin + dx + width]
        two = wide[margin - dy : margin - dy + height, margin - dx : margin - dx + width]
        light = mean - np.maximum(one, two)
        dark = np.minimum(one, two) - mean
        np.maximum(best, np.maximum(light, dark), out=best)
    return best


def strand_signal(bgr: npt.NDArray[np.uint8], among: Bools) -> Grey:
    """Line strength in multiples of what is usual in this picture.

    Strands may differ from the bed in brightness or only in colour, so grey and two colour
    differences are looked at, each against its own median, which is noise and bed texture.

    Args:
        bgr: shape (H, W, 3).
        among: shape (H, W), the places whose median counts as usual.

    Returns:
        Shape (H, W).

    """
    soft = cv2.GaussianBlur(bgr.astype(np.float32), (0, 0), 0.6)
    blue, green, red = soft[..., 0], soft[..., 1], soft[..., 2]
    best = np.zeros(bgr.shape[:2], dtype=np.float32)
    if not among.any():
        return best
    # Colour is stored at half resolution in a JPEG: its noise is coarse, so it counts half.
    for channel, share in (
        ((blue + green + red) / 3, 1.0),
        (red - blue, 0.5),
        (green - (red + blue) / 2, 0.5),
    ):
        strength = line_strength(np.ascontiguousarray(channel))
        usual = max(float(np.median(strength[among])), 0.15)
        np.maximum(best, strength * (share / usual), out=best)
    return best


class StrandMap:
    """Which places of the bed carry lines now that they did not carry before.

    All arrays are on the bed's grid, so a bed that moves carries its strands along.
    """

    MEMORY = 5
    ENOUGH = 3
    STRONG = 8.0
    """Multiples of the usual line strength that make a line."""

    def __init__(self, shape: tuple[int, int], step_mm: float) -> None:
        self._step_mm = step_mm
        self._recent: list[tuple[Bools, Bools]] = []
        self._usual = np.zeros(shape, dtype=np.float32)
        self._looked = np.zeros(shape, dtype=np.float32)
        self.standing: Bools = np.zeros(shape, dtype=bool)

    def add(self, strength: Grey, open_places: Bools) -> tuple[float, float]:
        """Take in one frame.

        Args:
            strength: line strength on the bed's grid, nan where the picture ends.
            open_places: places where bare bed should be seen.

        Returns:
            Length of the lines that stay, mm, and the bed area looked at, mm2.

        """
        seen = open_places & np.isfinite(strength)
        line = seen & (np.nan_to_num(strength) > self.STRONG)
        self._recent.append((line, seen))
        if len(self._recent) > self.MEMORY:
            old_line, old_seen = self._recent.pop(0)
            # What has stood here from the start is the bed's own print, a scratch or a skirt.
            rate = np.where(old_seen, 1 / np.minimum(self._looked + 1, 8), 0)
            fresh = self._looked < 8
            self._usual += np.where(fresh, rate * (old_line - self._usual), 0).astype(np.float32)
            self._looked += old_seen
        hits = np.sum(
            [cv2.dilate(a.astype(np.uint8), np.ones((3, 3), np.uint8)) for a, _ in self._recent],
            axis=0,
        )
        looks = np.sum([b for _, b in self._recent], axis=0)
        usual = cv2.dilate((self._usual > 0.2).astype(np.uint8), np.ones((3, 3), np.uint8)) > 0
        known = self._looked >= 1
        stays = line & (hits >= self.ENOUGH) & (looks >= self.ENOUGH) & ~usual & known
        self.standing = _long_pieces(stays)
        # A line one to two cells wide: its length is about its area over its width.
        length = float(self.standing.sum()) * self._step_mm / 1.5
        return length, float(seen.sum()) * self._step_mm**2


def _long_pieces(standing: Bools, least: int = 5) -> Bools:
    """Connected pieces of at least so many cells; single specks are noise."""
    count, label, stats, _ = cv2.connectedComponentsWithStats(
        standing.astype(np.uint8), connectivity=8
    )
    keep = np.zeros(count, dtype=bool)
    keep[1:] = stats[1:, cv2.CC_STAT_AREA] >= least
    return np.asarray(keep[label])

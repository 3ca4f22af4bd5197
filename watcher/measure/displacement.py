"""Motion of the whole part, or of its upper layers, against the bed.

As with growth, the correlations of many edges are added for every motion that they could have in
common. A motion is believed for how much better the edges agree with it than without, and its
error is the jackknife over stretches of the edges (Quenouille 1949; Tukey 1958).
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import ClassVar

import cv2
import numpy as np
import numpy.typing as npt

from watcher.measure.field import votes_at
from watcher.records import Array

MOST_PLACES = 160
BLOCKS = 6
FAINT = 0.35
CHAMFER_PX = 2.5
STEP_REACH_MM = 4.0
AHEAD_PX, LEAST_AHEAD = 0.8, 5
"""An edge ahead of a step moves by at least so much; so many of them must be seen."""
LEAST_AGREEMENT = 0.2
"""Share of the edges that must agree before anything is said of a motion."""


@dataclass(frozen=True)
class Motion:
    """A motion in the plane of the bed that edges have in common."""

    shift_mm: Array
    """Shape (2,): x and y at the part's middle."""
    turn_deg: float
    sigma_mm: float
    agreement: float
    """Share of the edges that agree with the motion."""
    margin: float
    """How much larger that is than with the motion that was expected."""

    @property
    def size_mm(self) -> float:
        """Length of the shift."""
        return float(np.hypot(*self.shift_mm))

    def clear(self, least_mm: float, share: float = 0.6) -> bool:
        """Whether it is large and explains what nothing else does.

        Args:
            least_mm: smallest motion that matters.
            share: how much of its agreement must be lost without it.

        """
        return (
            self.size_mm > max(least_mm, 2 * self.sigma_mm)
            and self.agreement > LEAST_AGREEMENT
            and self.margin > share * self.agreement
        )


def rigid_columns(point_mm: Array, per_mm: Array, middle_mm: Array) -> Array:
    """Design columns for x (px/mm), y (px/mm) and turn (px/degree): shape (n, 3).

    Args:
        point_mm: shape (n, 3).
        per_mm: shape (n, 3), px along the normal per mm of x, y, z.
        middle_mm: shape (2,), about which the turn is counted.

    """
    arm = point_mm[:, :2] - middle_mm
    per_degree = np.radians(1.0) * (-arm[:, 1] * per_mm[:, 0] + arm[:, 0] * per_mm[:, 1])
    return np.column_stack([per_mm[:, :2], per_degree])


def _spans_plane(columns: Array) -> bool:
    """Whether edges of different directions are there: one edge can't tell sliding along it."""
    small, large = np.linalg.eigvalsh(columns[:, :2].T @ columns[:, :2])
    return bool(small > 0.04 * large)


def agreement_at(score: Array, step_px: float, columns: Array, motion: Array) -> float:
    """Share of the edges that agree with one motion, counted from where they were read.

    Args:
        score: shape (n, lags).
        step_px: distance between displacements.
        columns: shape (n, 3).
        motion: shape (3,).

    """
    if len(score) == 0:
        return 0.0
    return float(votes_at(score, step_px, (columns @ motion)[:, None]).mean())


def common_motion(
    score: Array,
    step_px: float,
    columns: Array,
    expected: Array,
    weight: Array,
    turns: bool,
    reach_mm: float = 4.0,
) -> Motion | None:
    """The motion with which the edges agree best.

    Args:
        score: shape (n, lags), correlation of each place with its template at each displacement
            about the expected motion.
        step_px: distance between displacements.
        columns: shape (n, 3), from :func:`rigid_columns`.
        expected: shape (3,): motion (mm, mm, degrees) at which the profiles were read.
        weight: shape (n,), contrast of each place's template.
        turns: whether the edges may turn together.
        reach_mm: how far from the expected motion to look.

    Returns:
        None where fewer than 20 places can tell.

    """
    useful = np.flatnonzero((weight > 0) & np.isfinite(score).all(axis=1))
    if len(useful) < 20 or not _spans_plane(columns[useful]):
        return None
    if len(useful) > MOST_PLACES:
        useful = useful[np.linspace(0, len(useful) - 1, MOST_PLACES).astype(int)]
    table, design = score[useful], columns[useful]
    share = np.minimum(weight[useful], 2 * np.median(weight[useful]))
    share = share / share.sum()
    slim = design.astype(np.float32)

    def agree(trials: Array, shares: Array) -> Array:
        """Agreement with each trial, for each row of shares: shape (k, h)."""
        votes = votes_at(table, step_px, slim @ trials.T.astype(np.float32))
        mean = (shares / shares.sum(axis=1, keepdims=True)).astype(np.float32) @ votes
        far = np.hypot(trials[:, 0], trials[:, 1])
        return np.asarray(mean - 0.005 * np.minimum(far, 4.0), dtype=np.float64)

    everyone = share[None]
    zero = float(agree(np.zeros((1, 3)), everyone)[0, 0])
    # Edges that agree where they are expected need no wide search.
    wide = 1.2 if zero > 0.6 else reach_mm
    line = np.arange(-wide, wide + 1e-9, 0.4)
    angle = np.array([0.0])
    if turns:
        angle = np.arange(-6.0, 6.1, 1.5) if zero <= 0.6 else np.array([-0.75, 0.0, 0.75])
    grid = np.array([(x, y, a) for a in angle for x in line for y in line])
    first = grid[int(np.argmax(agree(grid, everyone)[0]))]
    fine_line = np.arange(-0.4, 0.41, 0.1)
    fine_angle = np.arange(-0.75, 0.76, 0.375) if turns else np.array([0.0])
    fine = first + np.array([(x, y, a) for a in fine_angle for x in fine_line for y in fine_line])
    every = agree(fine, np.vstack([everyone, share * _left_out(len(useful))]))
    scores = every[0]
    best = fine[int(np.argmax(scores))]
    return Motion(
        best[:2] + expected[:2],
        float(best[2] + expected[2]),
        max(0.05, _jackknife_mm(fine[np.argmax(every[1:], axis=1), :2])),
        float(scores.max()),
        float(scores.max() - zero),
    )


def layer_step(
    score: Array, step_px: float, columns: Array, outward: Array, weight: Array
) -> Motion | None:
    """How far the newest layers stand aside from those below.

    On the side to which they went they overhang and are seen at their new place; on the other side
    the edge of the older layers still shows. So for each motion only the edges ahead of it are
    asked.

    Args:
        score: shape (n, lags), correlation of the growing edges where they were expected.
        step_px: distance between displacements.
        columns: shape (n, 3), from :func:`rigid_columns`.
        outward: shape (n, 2), unit vectors out of the part in the plane of the bed.
        weight: shape (n,), contrast of each place's template.

    Returns:
        None where too few edges lie ahead of any motion.

    """
    # A faint rim, dark on dark, is easily mistaken for the next line below it.
    faint = FAINT * float(np.quantile(weight, 0.75)) if len(weight) else 0.0
    useful = np.flatnonzero((weight > faint) & np.isfinite(score).all(axis=1))
    if len(useful) < 12:
        return None
    table, design, out = score[useful], columns[useful, :2], outward[useful]
    share = np.minimum(weight[useful], 2 * np.median(weight[useful]))
    here = votes_at(table, step_px, np.zeros((len(useful), 1)))

    total = np.float32(share.sum())

    def gains(trials: Array, shares: Array) -> tuple[Array, Array, Array]:
        """How likely each trial is, its agreement and its margin, for each row of shares."""
        shift = design @ trials.T
        votes = votes_at(table, step_px, shift)
        far = np.hypot(trials[:, 0], trials[:, 1])
        ahead = (out @ trials.T > 0.5 * far) & (np.abs(shift) > AHEAD_PX)
        there = shares @ ahead
        agreed = shares @ (ahead * votes)
        before = shares @ (ahead * here)
        # Few edges ahead prove little; of motions that explain alike the shorter one is meant.
        margin = (agreed - before) / (there + 0.1 * total)
        enough = ahead.sum(axis=0) >= LEAST_AHEAD
        return (
            np.where(enough, margin - 0.01 * np.minimum(far, 4.0), -1.0),
            np.where(enough, agreed / np.maximum(there, 1e-9), 0.0),
            np.where(enough, margin, 0.0),
        )

    line = np.arange(-STEP_REACH_MM, STEP_REACH_MM + 0.01, 0.4)
    grid = np.array([(x, y) for x in line for y in line if x or y])
    first = grid[int(np.argmax(gains(grid, share[None])[0]))]
    near = np.arange(-0.4, 0.41, 0.1)
    fine = first + np.array([(x, y) for x in near for y in near])
    every, agreement, margin = gains(fine, np.vstack([share[None], share * _left_out(len(useful))]))
    best = int(np.argmax(every[0]))
    # What rises towards the rim of the search has no peak in it: another line, farther off.
    peak = np.abs(first).max() < STEP_REACH_MM - 0.2
    return Motion(
        fine[best],
        0.0,
        max(0.05, _jackknife_mm(fine[np.argmax(every[1:], axis=1)])),
        float(agreement[0, best]),
        float(margin[0, best]) if peak else 0.0,
    )


def _left_out(count: int) -> Array:
    """Shape (BLOCKS, count): ones, but for one stretch of neighbours in each row."""
    keep = np.ones((BLOCKS, count))
    for i, block in enumerate(np.array_split(np.arange(count), BLOCKS)):
        keep[i, block] = 0.0
    return keep


def _jackknife_mm(without: Array) -> float:
    """Error of a shift by what it is without each block: shape (BLOCKS, 2)."""
    spread = without - without.mean(axis=0)
    return float(np.sqrt((BLOCKS - 1) / BLOCKS * np.sum(spread**2) / 2))


@dataclass
class Drift:
    """Where the part has got to: a Kalman level (Kalman 1960) of x, y (mm) and turn (degrees).

    A single picture's best motion is believed the less, the better the edges also agree without
    any; two in a row that agree with each other are no chance.
    """

    level: Array = field(default_factory=lambda: np.zeros(3))
    variance: Array = field(default_factory=lambda: np.full(3, 0.04))
    _off: Array = field(default_factory=lambda: np.zeros(3))
    _again: bool = False

    least_margin: float = 0.04
    """Where so little agreement is lost without any motion, there was none."""
    sure_margin: float = 0.12
    still_mm: float = 0.5
    """How well a picture that speaks for no motion tells where the part is."""

    WALK: ClassVar[Array] = np.array([0.12, 0.12, 0.15])

    def update(self, motion: Motion, loose: bool) -> None:
        """Take in one picture's motion.

        Args:
            motion: as found.
            loose: whether the part is known to have moved, so that nothing speaks for its staying.

        """
        self.variance = self.variance + self.WALK**2
        seen = np.array([*motion.shift_mm, motion.turn_deg])
        noise = np.hypot(np.array([motion.sigma_mm, motion.sigma_mm, 1.0]), 0.15)
        if motion.margin < self.least_margin and not loose:
            seen, noise = np.zeros(3), np.full(3, self.still_mm)
        elif not loose:
            noise = noise * (1 + self.sure_margin / motion.margin)
        off = seen - self.level
        size, before = float(np.hypot(*off[:2])), float(np.hypot(*self._off[:2]))
        alike = float(off[:2] @ self._off[:2]) > 0.7 * size * before
        far = min(float(np.hypot(*seen[:2])), size) > 0.3
        self._again = alike and far and before > 0.3
        if self._again:
            self.variance[:2] += (0.5 * min(size, 1.5)) ** 2
            self.variance[2] += (0.5 * min(abs(float(off[2])), 2.0)) ** 2
        self._off = off
        gain = self.variance / (self.variance + noise**2)
        self.level = self.level + gain * off
        self.variance = self.variance * (1 - gain)

    @property
    def size_mm(self) -> float:
        """Length of the shift."""
        return float(np.hypot(*self.level[:2]))

    @property
    def sigma_mm(self) -> float:
        """Its standard deviation."""
        return float(np.sqrt(self.variance[:2].mean() + 0.1**2))

    def clear(self, least_mm: float) -> bool:
        """Whether the part is surely not where it was put: one picture proves nothing."""
        return self._again and self.size_mm > max(least_mm, 3.5 * self.sigma_mm)


def outline_maps(grey: npt.NDArray[np.float32]) -> npt.NDArray[np.float32]:
    """How near each pixel is to an outline of each of four directions.

    Args:
        grey: shape (H, W).

    Returns:
        Shape (4, H, W), 1 on an outline, falling to 0 some pixels off: the basis of oriented
        chamfer matching (Barrow et al. 1977). The strongest eighth of the gradients count as
        outlines.

    """
    gx, gy = cv2.Sobel(grey, cv2.CV_32F, 1, 0), cv2.Sobel(grey, cv2.CV_32F, 0, 1)
    size = np.hypot(gx, gy)
    strong = size > np.quantile(size[::2, ::2], 0.875)
    direction = np.round(np.arctan2(gy, gx) / (np.pi / 4)).astype(int) % 4
    maps = np.empty((4, *grey.shape), dtype=np.float32)
    for k in range(4):
        off = (~(strong & (direction == k))).astype(np.uint8)
        far = cv2.distanceTransform(off, cv2.DIST_L2, 3)
        maps[k] = np.exp(-((far / CHAMFER_PX) ** 2))
    return maps


def chamfer(maps: npt.NDArray[np.float32], pixel: Array, normal: Array) -> Array:
    """How well edges lie on outlines after each of h motions.

    Args:
        maps: shape (4, H, W), from :func:`outline_maps`.
        pixel: shape (h, n, 2), where each motion puts the edges, in pixels of the maps.
        normal: shape (h, n, 2), across them.

    Returns:
        Shape (h,): mean nearness, 0 to 1; what falls outside counts 0.

    """
    height, width = maps.shape[1:]
    x, y = np.round(pixel[..., 0]).astype(int), np.round(pixel[..., 1]).astype(int)
    inside = (x >= 0) & (y >= 0) & (x < width) & (y < height)
    bins = np.round(np.arctan2(normal[..., 1], normal[..., 0]) / (np.pi / 4)).astype(int) % 4
    near = maps[bins, np.where(inside, y, 0), np.where(inside, x, 0)]
    return np.asarray(np.where(inside, near, 0.0).mean(axis=1), dtype=np.float64)


def lost_part(
    agreement: npt.NDArray[np.float64], trials: Array
) -> tuple[Array, float, float] | None:
    """Of many far motions the one that agrees best, if it stands out.

    Args:
        agreement: shape (h,), mean vote of the edges at each trial.
        trials: shape (h, 3), motions in mm, mm and degrees; the first is the expected one.

    Returns:
        Motion, its agreement and its margin over the expected one; None where nothing stands out.

    """
    best = int(np.argmax(agreement))
    margin = float(agreement[best] - agreement[0])
    if agreement[best] < 0.35 or margin < 0.6 * agreement[best]:
        return None
    return trials[best], float(agreement[best]), margin

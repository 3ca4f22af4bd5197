"""Registration: how camera and bed stand in this frame against the first one.

Two steps. The room behind the printer tells how the camera turned (Lucas and Kanade 1981 on
Shi-Tomasi corners, robustly fitted as a rotation, which is what a shaken or knocked webcam
does). Then the bed's own picture, laid flat, tells how far the bed has moved along its axis.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import cv2
import numpy as np
import numpy.typing as npt

from watcher.records import Array, Setup
from watcher.scene.camera import Camera

Grey = npt.NDArray[np.float32]

ORB_PX = 32
"""In a picture smaller than its patch of 31 px, ORB finds nothing or fails."""


def _wide_blur(picture: npt.NDArray[Any], sigma_px: float, coarser: int) -> npt.NDArray[Any]:
    """A Gaussian blur so wide that a coarser picture is enough for it."""
    height, width = picture.shape
    size = (max(1, width // coarser), max(1, height // coarser))
    small = cv2.resize(picture, size, interpolation=cv2.INTER_AREA)
    blurred = cv2.GaussianBlur(small, (0, 0), sigma_px / coarser)
    return cv2.resize(blurred, (width, height), interpolation=cv2.INTER_LINEAR)


def local_contrast(grey: Grey, sigma_px: float = 6.0) -> npt.NDArray[np.uint8]:
    """The picture with light and shade taken out: shape (H, W), grey 128 where nothing stands out.

    Brightness gain and offset, slow shading and dawn vanish; edges and texture stay.
    """
    soft = cv2.GaussianBlur(grey, (0, 0), 0.8)
    apart = soft - _wide_blur(soft, sigma_px, 2)
    spread = np.sqrt(np.maximum(_wide_blur(apart**2, 2 * sigma_px, 4), 0.0))
    flat = apart / (spread + 2.5)
    return np.asarray(np.clip(128 + 40 * flat, 0, 255), dtype=np.uint8)


def turned(camera: Camera, turn: Array) -> Camera:
    """The camera after a small rotation about its own centre: ``turn`` is (3,), rad, Rodrigues."""
    delta, _ = cv2.Rodrigues(np.asarray(turn, dtype=np.float64))
    base, _ = cv2.Rodrigues(camera.rotation_vector)
    vector, _ = cv2.Rodrigues(delta @ base)
    return replace(
        camera,
        rotation_vector=vector.ravel().astype(np.float64),
        translation_mm=delta @ camera.translation_mm,
    )


def turn_pixels(camera: Camera, pixels: Array, turn: Array) -> Array:
    """Where far points move when the camera turns: shape (n, 2) px to (n, 2) px."""
    delta, _ = cv2.Rodrigues(np.asarray(turn, dtype=np.float64))
    return camera.seen_along(camera.rays(pixels) @ delta.T)


@dataclass(frozen=True)
class Turn:
    """Result of a fit: the camera's rotation with its error in the picture."""

    vector: Array
    sigma_px: float
    inliers: int
    residual_px: Array
    """Shape (n,): distance of every point from the fit."""


def fit_turn(
    camera: Camera,
    before: Array,
    after: Array,
    start: Array | None = None,
    scale_px: float = 0.25,
    settle: bool = False,
) -> Turn | None:
    """Rotation that carries ``before`` to ``after`` (both (n, 2) px), outliers kept down.

    Iteratively reweighted least squares with Geman-McClure weights, the scale shrinking from
    coarse to fine; with ``settle`` only the fine ones, so that the fit stays beside
    ``start``. None where fewer than eight points agree.
    """
    if len(before) < 8:
        return None
    turn = np.zeros(3) if start is None else np.asarray(start, dtype=np.float64)
    if start is None:
        # A robust first guess: the median shift as pan and tilt.
        shift = np.median(after - before, axis=0) / camera.focal_px
        turn = np.array([-shift[1], shift[0], 0.0])
    weights = np.ones(len(before))
    residual = np.zeros((len(before), 2))
    jacobian = np.zeros((len(before), 2, 3))
    scales = (scale_px,) * 4 if settle else (8.0, 4.0, 2.0, 1.0, 0.5, *(scale_px,) * 3)
    for scale in scales:
        here = turn_pixels(camera, before, turn)
        residual = after - here
        for axis in range(3):
            step = np.zeros(3)
            step[axis] = 1e-5
            jacobian[:, :, axis] = (turn_pixels(camera, here, step) - here) / 1e-5
        square = np.sum(residual**2, axis=1) / scale**2
        weights = 1 / (1 + square) ** 2
        normal = np.einsum("nij,nik,n->jk", jacobian, jacobian, weights) + 1e-9 * np.eye(3)
        change = np.linalg.solve(normal, np.einsum("nij,ni,n->j", jacobian, residual, weights))
        old, _ = cv2.Rodrigues(turn)
        extra, _ = cv2.Rodrigues(change)
        vector, _ = cv2.Rodrigues(extra @ old)
        turn = vector.ravel().astype(np.float64)
    distance = np.hypot(*residual.T)
    good = distance < 3 * scale_px
    count = int(good.sum())
    if count < 8:
        return None
    spread = float(np.sqrt(np.mean(residual[good] ** 2)))
    # Neighbouring corners share their errors (light, blur): count a third of them.
    sigma = spread / np.sqrt(max(1.0, count / 3))
    return Turn(turn, sigma, count, distance)


TOO_FEW_CORNERS, FEW_CORNERS = 12, 40
FEW_PLACES = 300
COARSE_MM = 2.0


def _spread_corners(strength: npt.NDArray[Any], floor: float) -> list[tuple[int, int]]:
    """The strongest corners above the floor, at most six in each of 48 parts of the picture."""
    height, width = strength.shape
    points: list[tuple[int, int]] = []
    for r in range(6):
        for c in range(8):
            top, left = r * height // 6, c * width // 8
            cell = strength[top : (r + 1) * height // 6, left : (c + 1) * width // 8].copy()
            for _ in range(6 if cell.size else 0):
                y, x = np.unravel_index(int(np.argmax(cell)), cell.shape)
                if cell[y, x] <= floor:
                    break
                points.append((left + int(x), top + int(y)))
                cell[max(0, y - 7) : y + 8, max(0, x - 7) : x + 8] = 0
    return points


class Room:
    """The still room behind the printer, as the first frame saw it."""

    def __init__(
        self, camera: Camera, grey: Grey, flat: npt.NDArray[np.uint8], moving: npt.NDArray[np.bool_]
    ) -> None:
        """Choose corners to follow.

        Args:
            camera: the camera of the first frame.
            grey: the first frame, shape (H, W).
            flat: its local contrast, shape (H, W).
            moving: shape (H, W), true where bed and part may be.

        """
        self._camera = camera
        self._flat = flat
        strength = cv2.cornerMinEigenVal(cv2.GaussianBlur(grey, (0, 0), 1.2), 5)
        # Half of most pictures is plain: its median strength is that of the noise.
        usual = float(np.median(strength))
        strength[moving] = 0
        strength[:12], strength[-12:], strength[:, :12], strength[:, -12:] = 0, 0, 0, 0
        points = _spread_corners(strength, 10.0 * usual)
        self.plain = len(points) < TOO_FEW_CORNERS
        """Whether little stands out, so that not finding it says nothing of the camera."""
        if len(points) < FEW_CORNERS:
            # Either there is nothing, or texture is everywhere and no half of it is plain.
            points = _spread_corners(strength, 2.0 * usual)
        self.points_px = np.array(points, dtype=np.float64).reshape(-1, 2)
        self._trust = np.ones(len(self.points_px))
        self.turn = np.zeros(3)
        self._marked = (np.zeros((0, 2)), np.zeros((0, 2)))

    def find(
        self, flat: npt.NDArray[np.uint8], marked: tuple[Array, Array] | None = None
    ) -> Turn | None:
        """How the camera turned since the first frame, or None where the room can't be found.

        Args:
            flat: local contrast of the frame, shape (H, W).
            marked: corners of printed markers in the first frame and in this one, shape (n, 2)
                twice.

        """
        self._marked = marked if marked is not None else (np.zeros((0, 2)), np.zeros((0, 2)))
        use = self._trust > 0.2
        if use.sum() < 12:
            use = np.ones_like(use)
        before = self.points_px[use]
        if len(before) + len(self._marked[0]) < 8:
            return None
        found = self._follow(flat, before, use, turn_pixels(self._camera, before, self.turn))
        if found is None or found.inliers < min(10, 0.3 * len(before)):
            wide = self.search(flat)
            if wide is not None:
                again = self._follow(flat, before, use, turn_pixels(self._camera, before, wide))
                if again is not None and (found is None or again.inliers > found.inliers):
                    found = again
        if found is not None:
            self.turn = found.vector
        return found

    def _follow(
        self, flat: npt.NDArray[np.uint8], before: Array, use: npt.NDArray[np.bool_], guess: Array
    ) -> Turn | None:
        if len(before) == 0:
            return fit_turn(self._camera, *self._marked)
        after, ok, _ = cv2.calcOpticalFlowPyrLK(
            self._flat,
            flat,
            before.astype(np.float32).reshape(-1, 1, 2),
            guess.astype(np.float32).reshape(-1, 1, 2),
            winSize=(15, 15),
            maxLevel=2,
            flags=cv2.OPTFLOW_USE_INITIAL_FLOW,
            criteria=(cv2.TERM_CRITERIA_EPS | cv2.TERM_CRITERIA_COUNT, 20, 0.01),
        )
        good = ok.ravel() == 1
        if good.sum() + len(self._marked[0]) < 8:
            return None
        moved = after.reshape(-1, 2).astype(np.float64)
        # Gantry and head climb slowly and may carry more corners than the room: a camera that
        # stays put is believed unless far more corners say that it was moved.
        here = np.concatenate([before[good], self._marked[0]])
        there = np.concatenate([moved[good], self._marked[1]])
        stays = fit_turn(self._camera, here, there, self.turn, settle=True)
        turns = fit_turn(self._camera, here, there)
        fitted = stays
        if turns is not None and (stays is None or stays.inliers < 0.4 * turns.inliers):
            fitted = turns
        if fitted is None:
            return None
        agree = np.zeros(len(before))
        agree[good] = fitted.residual_px[: int(good.sum())] < 0.8
        # Corners on the climbing gantry or in a moving shadow lose their say.
        self._trust[use] = 0.8 * self._trust[use] + 0.2 * agree
        return fitted

    def search(self, flat: npt.NDArray[np.uint8]) -> Array | None:
        """A knocked camera: find the room again by its features (ORB, Rublee et al. 2011)."""
        if min(flat.shape) < ORB_PX:
            return None
        orb = cv2.ORB.create(1200)
        a, da = orb.detectAndCompute(self._flat, None)
        b, db = orb.detectAndCompute(flat, None)
        if da is None or db is None or len(a) < 12 or len(b) < 12:
            return None
        pairs = cv2.BFMatcher(cv2.NORM_HAMMING, crossCheck=True).match(da, db)
        if len(pairs) < 12:
            return None
        before = np.array([a[m.queryIdx].pt for m in pairs])
        after = np.array([b[m.trainIdx].pt for m in pairs])
        model, inside = cv2.estimateAffinePartial2D(before, after, ransacReprojThreshold=3.0)
        if model is None or inside is None or inside.sum() < 10:
            return None
        keep = inside.ravel() == 1
        fitted = fit_turn(self._camera, before[keep], after[keep], scale_px=1.0)
        return None if fitted is None else fitted.vector


@dataclass(frozen=True)
class Travel:
    """How far the bed has moved along its axis, mm, with its error."""

    offset_mm: float
    sigma_mm: float
    score: float
    """Correlation of the bed's picture with its template, 1 is perfect."""


class Bed:
    """The bed's own picture in bed coordinates, and where it stands along its axis.

    Direct alignment on the places of the bed where brightness changes most along the axis
    (its edges, clips, print and texture), with weights that keep down what hides them.
    """

    MARGIN_MM = 10.0

    def __init__(self, setup: Setup, part_mm: tuple[Array, ...] = (), step_mm: float = 1.0) -> None:
        """Lay out the grid.

        Args:
            setup: size of the bed and how it moves.
            part_mm: outlines of what is printed; the bed is not looked at there, or a part that
                comes loose would carry the bed along.
            step_mm: distance of the grid's places.

        """
        margin = self.MARGIN_MM
        width, depth = setup.bed_mm
        x = np.arange(-margin, width + margin, step_mm)
        y = np.arange(-margin, depth + margin, step_mm)
        gx, gy = np.meshgrid(x, y)
        self.points_mm = np.column_stack([gx.ravel(), gy.ravel(), np.zeros(gx.size)])
        self.shape = gx.shape
        self.step_mm = step_mm
        self.size_mm = (float(width), float(depth))
        self.axis = np.array([0.0, 0.0, -1.0] if setup.bed_motion == "bed-z" else [0.0, 1.0, 0.0])
        self.away = np.ones(self.shape, dtype=bool)
        if part_mm:
            printed = np.zeros(self.shape, dtype=np.uint8)
            for ring in part_mm:
                cells = np.round((ring + margin) / step_mm).astype(np.int32)
                cv2.fillPoly(printed, [cells], 1)
            self.away = cv2.dilate(printed, np.ones((17, 17), np.uint8)) == 0
        self._mean: Grey | None = None
        self._count = np.zeros(self.shape, dtype=np.float32)
        self._chosen = np.zeros(0, dtype=int)
        self._value = np.zeros(0)
        self._soft_value = np.zeros(0)
        self._trust = np.zeros(0)
        self.frames = 0

    def pixels(self, camera: Camera, offset_mm: Array) -> Array:
        """Where the grid's places fall in the picture: shape (rows times columns, 2)."""
        return camera.project(self.points_mm + offset_mm)

    def flat(self, picture: npt.NDArray[np.generic], pixels: Array) -> Grey:
        """A picture laid flat: shape of the grid; nan outside the picture.

        Args:
            picture: shape (H, W).
            pixels: from :meth:`pixels`.

        """
        maps = pixels.astype(np.float32).reshape(*self.shape, 2)
        return np.asarray(
            cv2.remap(
                picture.astype(np.float32),
                maps[..., 0],
                maps[..., 1],
                cv2.INTER_LINEAR,
                borderMode=cv2.BORDER_CONSTANT,
                borderValue=float("nan"),
            ),
            dtype=np.float32,
        )

    def learn(self, flat: Grey, usable: npt.NDArray[np.bool_]) -> None:
        """Take a registered flat picture into the template.

        Args:
            flat: local contrast laid flat, shape of the grid.
            usable: shape of the grid, false where part or head hide the bed.

        """
        good = usable & np.isfinite(flat)
        if self._mean is None:
            self._mean = np.where(np.isfinite(flat), flat, 128).astype(np.float32)
        else:
            # Something new in a place counts only once the template is a mean of a few frames.
            odd = (np.abs(flat - self._mean) > 40) & (self._count > 3)
            take = good & ~odd
            rate = 1 / np.minimum(self._count + 1, 20)
            self._mean = np.where(take, self._mean + rate * (flat - self._mean), self._mean)
        self._count += good
        self.frames += 1
        if self.frames in (1, 4, 10, 25) or self.frames % 50 == 0:
            self._choose()

    def _choose(self, most: int = 2500) -> None:
        assert self._mean is not None
        smooth = cv2.GaussianBlur(self._mean, (0, 0), 1.0)
        if self.axis[1]:
            slope = np.abs(cv2.Sobel(smooth, cv2.CV_32F, 0, 1, ksize=3))
        else:
            # A sinking bed moves along its own lines of sight: slopes in both directions count.
            slope = np.hypot(
                cv2.Sobel(smooth, cv2.CV_32F, 1, 0, ksize=3),
                cv2.Sobel(smooth, cv2.CV_32F, 0, 1, ksize=3),
            )
        slope[(self._count < 1) | ~self.away] = 0
        # Half of most beds is plain: what stands out against that is an edge, a clip, a print.
        # On a bed that is textured all over that leaves next to nothing: then its steeper third.
        known = self._count >= 1
        floor = 3.0 * float(np.median(slope[known])) if known.any() else 0.0
        known &= self.away
        if known.any() and int((slope[known] > floor).sum()) < FEW_PLACES:
            floor = float(np.quantile(slope[known], 2 / 3))
        rows, columns = 10, 10
        chosen: list[npt.NDArray[np.int64]] = []
        height, width = self.shape
        index = np.arange(slope.size).reshape(self.shape)
        for r in range(rows):
            for c in range(columns):
                y = slice(r * height // rows, (r + 1) * height // rows)
                x = slice(c * width // columns, (c + 1) * width // columns)
                cell, numbers = slope[y, x].ravel(), index[y, x].ravel()
                best = np.argsort(-cell)[:70]
                chosen.append(numbers[best[cell[best] > floor]])
        picked = np.concatenate(chosen)
        self._chosen = picked[np.argsort(-slope.ravel()[picked])[:most]]
        self._value = smooth.ravel()[self._chosen].astype(np.float64)
        softer = cv2.GaussianBlur(self._mean, (0, 0), 1.6)
        self._soft_value = softer.ravel()[self._chosen].astype(np.float64)
        self._slope = slope.ravel()[self._chosen]
        self._trust = np.ones(len(self._chosen))

    def _residual(
        self,
        camera: Camera,
        picture: Grey,
        offset_mm: Array,
        hidden: npt.NDArray[np.bool_] | None,
        pick: npt.NDArray[np.int64],
    ) -> tuple[Array, npt.NDArray[np.bool_]]:
        places = self.points_mm[self._chosen[pick]] + offset_mm
        pixels = camera.project(places).astype(np.float32)
        value = cv2.remap(
            picture,
            pixels[:, 0].reshape(-1, 1),
            pixels[:, 1].reshape(-1, 1),
            cv2.INTER_LINEAR,
            borderMode=cv2.BORDER_CONSTANT,
            borderValue=float("nan"),
        ).ravel()
        good = np.isfinite(value)
        if hidden is not None:
            x = np.clip(np.round(pixels[:, 0]).astype(int), 0, picture.shape[1] - 1)
            y = np.clip(np.round(pixels[:, 1]).astype(int), 0, picture.shape[0] - 1)
            good &= ~hidden[y, x]
        return np.where(good, value - self._value[pick], 0.0).astype(np.float64), good

    def _agreements(
        self,
        camera: Camera,
        picture: Grey,
        still: npt.NDArray[np.bool_] | None,
        start_mm: float,
        trials_mm: Array,
        *,
        coarse: bool,
    ) -> Array:
        """Correlation of the bed with its template at each of t trial places: shape (t,)."""
        pick = np.argsort(-self._slope * self._trust)[: 500 if coarse else 900]
        value = (self._soft_value if coarse else self._value)[pick] - 128
        blurred = cv2.GaussianBlur(picture, (0, 0), 2.4 if coarse else 1.2)
        places = self.points_mm[self._chosen[pick]]
        moved = places[None] + trials_mm[:, None, None] * self.axis
        pixel = camera.project(moved.reshape(-1, 3)).astype(np.float32)
        where = pixel.reshape(len(trials_mm), len(pick), 2)
        now = cv2.remap(
            blurred,
            where[..., 0],
            where[..., 1],
            cv2.INTER_LINEAR,
            borderMode=cv2.BORDER_CONSTANT,
            borderValue=float("nan"),
        ).astype(np.float64)
        good = np.isfinite(now)
        if still is not None:
            height, width = picture.shape
            at = np.clip(np.round(np.nan_to_num(where)), 0, [width - 1, height - 1]).astype(int)
            far = np.abs(trials_mm - start_mm) > 1.0
            good &= ~(still[at[..., 1], at[..., 0]] & far[:, None])
        now = np.where(good, now - 128, 0.0)
        weight = self._trust[pick] * good
        power = np.sqrt((weight * value**2).sum(axis=1) * (weight * now**2).sum(axis=1))
        # Few places that agree are worth less than many.
        support = np.minimum(1.0, weight.sum(axis=1) / (0.3 * len(pick)))
        score = support * (weight * value * now).sum(axis=1) / np.maximum(power, 1e-9)
        return np.asarray(np.where(good.sum(axis=1) >= 40, score, 0.0), dtype=np.float64)

    def locate(
        self,
        camera: Camera,
        picture: Grey,
        still: npt.NDArray[np.bool_] | None,
        reach_mm: tuple[float, float] | None,
        start_mm: float = 0.0,
    ) -> Travel | None:
        """Where the bed stands along its axis.

        Args:
            camera: of this frame.
            picture: local contrast, smoothed, shape (H, W), float32.
            still: shape (H, W), true where the picture is as in the frame before: if the bed
                has moved, that is a shadow or the room and not the bed. None where a shadow
                can't be mistaken for it.
            reach_mm: interval to search, or None to refine ``start_mm`` only.
            start_mm: where the bed is thought to stand, or stood in the frame before.

        Returns:
            None where nothing of the bed is seen well enough.

        """
        everyone = np.arange(len(self._chosen))
        if len(everyone) < 50:
            return None
        at = start_mm
        if reach_mm is not None:
            wide = np.arange(reach_mm[0], reach_mm[1] + 1e-9, COARSE_MM)
            coarse = self._agreements(camera, picture, still, start_mm, wide, coarse=True)
            # The best few are looked at again, for what repeats on a bed is easily mistaken.
            near = np.arange(-COARSE_MM, COARSE_MM + 1e-9, 0.5)
            best = wide[np.argsort(-coarse)[:4]]
            close = np.unique((best[:, None] + near).round(6).ravel())
            close = close[(close >= reach_mm[0] - 0.5) & (close <= reach_mm[1] + 0.5)]
            fine = self._agreements(camera, picture, still, start_mm, close, coarse=False)
            at = float(close[int(np.argmax(fine))])
        hidden = still if abs(at - start_mm) > 1.0 else None
        step = 0.4
        residual = np.zeros(0)
        weights = np.zeros(0)
        information = 0.0
        for _ in range(8):
            offset = at * self.axis
            residual, good = self._residual(camera, picture, offset, hidden, everyone)
            fore, _ = self._residual(camera, picture, offset + step * self.axis, hidden, everyone)
            back, _ = self._residual(camera, picture, offset - step * self.axis, hidden, everyone)
            slope = (fore - back) / (2 * step)
            scale = max(6.0, 1.5 * float(np.median(np.abs(residual[good])))) if good.any() else 6.0
            weights = good * self._trust / (1 + (residual / scale) ** 2) ** 2
            information = float(np.sum(weights * slope**2))
            if information < 1e-6:
                return None
            change = -float(np.sum(weights * slope * residual)) / information
            at += float(np.clip(change, -1.0, 1.0))
            if abs(change) < 0.003:
                break
        seen = good.sum()
        if seen < 50:
            return None
        value = self._value - 128
        now = residual + value
        weight = self._trust * good
        power = np.sqrt(np.sum(weight * value**2) * np.sum(weight * now**2))
        agree = float(np.sum(weight * value * now) / max(power, 1e-9))
        variance = float(np.sum(weights * residual**2) / max(1e-9, np.sum(weights)))
        # Places a millimetre apart share blur and noise: about a fifth are independent.
        sigma = float(np.sqrt(5 * variance / information))
        self._trust = np.where(
            good, 0.85 * self._trust + 0.15 * (np.abs(residual) < 25), self._trust
        )
        return Travel(at, sigma, agree)

"""Places a frame: camera, bed and layer together. The only state that registration has."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt

from watcher.records import Array, Setup
from watcher.scene.camera import Camera, camera_from_points
from watcher.scene.clock import LayerClock, LayerTime
from watcher.scene.expected import slab_map
from watcher.scene.solid import Solid
from watcher.scene.travel import Bed, Grey, Room, local_contrast, turned

TRAVEL_SLACK_MM = 12.0
"""A moving bed is looked for within the depth of what is printed and this much more."""


@dataclass(frozen=True)
class Placement:
    """Where camera and bed stand in one frame."""

    camera: Camera
    offset_mm: Array
    """Shape (3,): the bed in the machine."""
    sigma_px: float
    time: LayerTime | None
    knocked: bool
    """Whether the camera was moved against the frame before."""
    bed_px: Array
    """Where the bed's grid falls in the picture, from :meth:`Bed.pixels`."""
    flat: Grey
    """Local contrast of the frame, shape (H, W)."""


class Placer:
    """Registers frame after frame against the first one."""

    def __init__(self, setup: Setup, solid: Solid | None, clock: LayerClock | None) -> None:
        self._setup = setup
        self._solid = solid
        self._clock = clock
        self._camera = camera_from_points(setup)
        self._room: Room | None = None
        self.bed = Bed(setup, solid.rings_mm[solid.foot_index] if solid is not None else ())
        self._depth_mm = setup.bed_mm[1] / 2
        if solid is not None:
            y = np.concatenate([ring[:, 1] for rings in solid.rings_mm for ring in rings])
            self._depth_mm = min(self._depth_mm, float(np.ptp(y)) + TRAVEL_SLACK_MM)
        self._before: Grey | None = None
        self._travel_mm = 0.0
        self._turn_px = np.zeros(2)
        self._bed_moves = setup.bed_motion == "bed-z" or (
            setup.bed_motion == "bed-y" and not setup.head_parked_for_frames
        )

    def _moving(self) -> npt.NDArray[np.bool_]:
        """Where bed and part may be in the picture: no place for the still room."""
        width, height = self._setup.frame_size
        mask = np.zeros((height, width), dtype=np.uint8)
        if not self._bed_moves:
            return mask > 0
        w, d = self._setup.bed_mm
        box = np.array([[-15, -15, 0], [w + 15, -15, 0], [w + 15, d + 15, 0], [-15, d + 15, 0.0]])
        shifts = (-d / 2, 0.0, d / 2) if self._setup.bed_motion == "bed-y" else (0.0,)
        for shift in shifts:
            moved = self._camera.project(box + np.array([0.0, shift, 0.0]))
            cv2.fillConvexPoly(mask, np.round(moved).astype(np.int32), 1)
        return mask > 0

    def place(self, grey: Grey, elapsed_s: float) -> Placement | str:
        """Place a frame.

        Args:
            grey: shape (H, W), float32.
            elapsed_s: seconds since the print began.

        Returns:
            The placement, or the reason why there is none.

        """
        time = self._clock.read(elapsed_s) if self._clock else None
        flat = local_contrast(grey)
        picture = cv2.GaussianBlur(flat.astype(np.float32), (0, 0), 0.7).astype(np.float32)
        first = self._room is None
        if self._room is None:
            self._room = Room(self._camera, grey, flat, self._moving())
        turn = self._room.find(flat)
        if turn is None and len(self._room.points_px) >= 12:
            return "the room behind the printer can't be recognised in this picture"
        camera = self._camera if turn is None else turned(self._camera, turn.vector)
        sigma = 0.3 if turn is None else max(turn.sigma_px, 0.02)
        shift = np.zeros(2) if turn is None else turn.vector[:2] * self._camera.focal_px
        knocked = bool(np.hypot(*(shift - self._turn_px)) > 1.5)
        self._turn_px = shift
        offset = np.zeros(3)
        if self._bed_moves:
            found = self._bed_travel(camera, picture, time, first)
            if isinstance(found, str):
                return found
            travel, sigma_mm = found
            offset = travel * self.bed.axis
            self._travel_mm = travel
            middle = np.array([[self._setup.bed_mm[0] / 2, self._setup.bed_mm[1] / 2, 0.0]])
            scale = float(np.linalg.norm(camera.jacobian(middle + offset)[0] @ self.bed.axis))
            sigma = float(np.hypot(sigma, sigma_mm * scale))
            if self._setup.bed_motion == "bed-z" and self._clock and not first:
                self._clock.learn_height(elapsed_s, travel, max(0.1, sigma_mm))
                time = self._time_of_sink(travel, time)
        self._before = picture
        bed_px = self.bed.pixels(camera, offset)
        return Placement(camera, offset, sigma, time, knocked, bed_px, picture)

    def _time_of_sink(self, travel: float, time: LayerTime | None) -> LayerTime | None:
        """The bed's sinking tells the layer better than the clock."""
        if self._solid is None or time is None:
            return time
        index = int(np.argmin(np.abs(self._solid.z_mm - travel)))
        return LayerTime(index + 1, float(self._solid.z_mm[index]), 0.05, time.done)

    def _bed_travel(
        self, camera: Camera, picture: Grey, time: LayerTime | None, first: bool
    ) -> tuple[float, float] | str:
        sinking = self._setup.bed_motion == "bed-z"
        if first:
            return (self._setup.bed_points_z_mm if sinking else 0.0), 0.02
        still: npt.NDArray[np.bool_] | None = None
        if sinking:
            guess = time.z_mm if time else self._travel_mm
            slack = max(1.5, 3 * time.sigma_mm) if time else 3.0
            low = min(guess, self._travel_mm) - slack
            high = max(guess, self._travel_mm) + slack
            reach, start = (low, high), guess
        else:
            assert self._before is not None
            change = np.abs(cv2.GaussianBlur(picture - self._before, (0, 0), 2))
            still = change < 9
            reach, start = (-self._depth_mm, self._depth_mm), self._travel_mm
        found = self.bed.locate(camera, picture, still, reach, start)
        if found is None or found.score < 0.3:
            return "the bed can't be recognised in this picture"
        return found.offset_mm, found.sigma_mm

    def learn(self, placement: Placement, seen: npt.NDArray[np.float32] | None) -> None:
        """Teach the bed's picture by a placed frame; ``seen`` is the slab map of the part."""
        if not self._bed_moves:
            return
        flat = self.bed.flat(placement.flat, placement.bed_px)
        usable = np.ones(flat.shape, dtype=bool)
        if seen is not None:
            part = cv2.dilate((seen >= 0).astype(np.uint8), np.ones((7, 7), np.uint8))
            usable = ~(self.bed.flat(part, placement.bed_px) > 0)
        self.bed.learn(flat, usable)

    def expected(self, placement: Placement, layer: int) -> npt.NDArray[np.float32] | None:
        """Slab map of the part when ``layer`` (an index) is done."""
        if self._solid is None:
            return None
        return slab_map(placement.camera, self._solid, layer, placement.offset_mm)

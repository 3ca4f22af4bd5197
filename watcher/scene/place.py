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
from watcher.scene.fiducials import Marker, camera_with_markers, find_markers, room_pairs
from watcher.scene.lens import bed_edges, better_camera
from watcher.scene.moved import BedLook, Pose, bed_look, coarse_poses, pose_anew
from watcher.scene.solid import Solid
from watcher.scene.travel import Bed, Grey, Room, local_contrast, turned

TRAVEL_SLACK_MM = 12.0
"""A moving bed is looked for within the depth of what is printed and this much more."""
USUAL_SCORE = 0.55
"""A bed that agrees less than this is also looked for over its whole depth."""
SAME_BED, ALIKE = 0.35, 3
"""Least correlation of the bed with how it looked before for a moved camera to be found by it, and
from how many starts the same pose must be reached."""
CLEAR = 0.85
"""With so much correlation no other guess is tried."""
EDGE_MM = 2.0
POSE_PX = 0.1
"""What light and shade leave of a pose that was found anew."""
KNOCK_PX, SINKING_KNOCK_PX = 1.5, 5.0
PRINTED_SLACK_MM = 4.0


@dataclass(frozen=True)
class Placement:
    """Where camera and bed stand in one frame."""

    camera: Camera
    offset_mm: Array
    """Shape (3,): the bed in the machine."""
    sigma_px: float
    time: LayerTime | None
    knocked_px: float
    """How far the picture has jumped because the camera was moved; 0 where it was not."""
    over: bool
    """Whether the toolpath is at its end and the machine has stopped printing."""
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
        self._printed_mm: float | None = None
        if solid is not None:
            y = np.concatenate([ring[:, 1] for rings in solid.rings_mm for ring in rings])
            self._printed_mm = float(np.ptp(y))
            self._depth_mm = min(self._depth_mm, self._printed_mm + TRAVEL_SLACK_MM)
        self._before: Grey | None = None
        self._markers: list[Marker] = []
        self._travel_mm = 0.0
        self._span_mm: tuple[float, float] | None = None
        self._placed = 0
        self._turn_px = np.zeros(2)
        self._last: tuple[Placement, npt.NDArray[np.float32] | None] | None = None
        self._base_px = 0.0
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
            edges = bed_edges(grey, self._setup)
            self._camera = better_camera(self._camera, self._setup, edges)
            self._camera = self._with_bed_markers(grey)
            self._room = Room(self._camera, grey, flat, self._moving())
        marked = self._room_markers(grey)
        turn = self._room.find(flat, marked)
        camera = self._camera if turn is None else turned(self._camera, turn.vector)
        sigma = 0.3 if turn is None else max(turn.sigma_px, 0.02)
        shift = np.zeros(2) if turn is None else turn.vector[:2] * self._camera.focal_px
        jump = float(np.hypot(*(shift - self._turn_px)))
        lost = turn is None and not self._room.plain
        knocked_px = 0.0
        travel: tuple[float, float] | None = None
        if lost and self._last is None:
            return "the room behind the printer can't be recognised in this picture"
        if self._last is not None and (lost or jump > KNOCK_PX):
            anew = self._found_anew(picture, flat, time)
            if isinstance(anew, str):
                return anew
            pose, travel = anew
            before = self._last[0].camera
            jump = self._apart_px(pose.camera, before)
            # A sinking bed looks like a camera that rises a little, so there a knock must be clear.
            clear_px = SINKING_KNOCK_PX if self._setup.bed_motion == "bed-z" else KNOCK_PX
            if jump > clear_px:
                knocked_px = jump
                camera, shift = pose.camera, np.zeros(2)
                sigma = 0.02
                self._base_px = float(np.hypot(self._base_px, max(pose.sigma_px, POSE_PX)))
                self._camera = camera
                self._room = Room(camera, grey, flat, self._moving())
                self._markers = []
                self._room_markers(grey)
            else:
                # Only the light has changed, or something stands before the room.
                camera, shift, sigma, travel = before, self._turn_px, 0.3, None
        self._turn_px = shift
        sigma = float(np.hypot(sigma, self._base_px))
        offset = np.zeros(3)
        if self._bed_moves:
            found = travel or self._bed_travel(camera, picture, time, first)
            if isinstance(found, str):
                return found
            travel_mm, sigma_mm = found
            offset = travel_mm * self.bed.axis
            self._travel_mm = travel_mm
            middle = np.array([[self._setup.bed_mm[0] / 2, self._setup.bed_mm[1] / 2, 0.0]])
            scale = float(np.linalg.norm(camera.jacobian(middle + offset)[0] @ self.bed.axis))
            sigma = float(np.hypot(sigma, sigma_mm * scale))
            if self._setup.bed_motion == "bed-z" and self._clock and not first:
                self._clock.learn_height(elapsed_s, travel_mm, max(0.1, sigma_mm))
                time = self._time_of_sink(travel_mm, time)
        self._before = picture
        self._placed += 1
        over = self._is_over(elapsed_s)
        bed_px = self.bed.pixels(camera, offset)
        return Placement(camera, offset, sigma, time, knocked_px, over, bed_px, picture)

    def _with_bed_markers(self, grey: Grey) -> Camera:
        if not self._setup.bed_markers:
            return self._camera
        sunk = self._setup.bed_points_z_mm if self._setup.bed_motion == "bed-z" else 0.0
        seen = find_markers(grey.astype(np.uint8))
        offset = sunk * np.array([0.0, 0.0, -1.0])
        return camera_with_markers(self._camera, seen, self._setup.bed_markers, offset)

    def _room_markers(self, grey: Grey) -> tuple[Array, Array] | None:
        """Corners of the markers in the room, as they were first seen and as they are now."""
        if not self._setup.room_markers:
            return None
        now = find_markers(grey.astype(np.uint8))
        if not self._markers:
            self._markers = now
        return room_pairs(self._markers, now)

    def _is_over(self, elapsed_s: float) -> bool:
        """Whether printing has ended: by the clock for certain, or by the clock and a bed that
        stands where nothing is printed."""
        if self._clock is None:
            return False
        if self._clock.surely_over(elapsed_s):
            return True
        if self._printed_mm is None or not self._bed_moves or self._setup.bed_motion != "bed-y":
            return False
        low, high = self._span_mm or (self._travel_mm, self._travel_mm)
        low, high = min(low, self._travel_mm), max(high, self._travel_mm)
        outside = high - low > self._printed_mm + PRINTED_SLACK_MM
        if outside and self._placed > 4:
            return self._clock.perhaps_over(elapsed_s)
        # Before the first layers a bed may stand anywhere.
        self._span_mm = (low, high) if self._placed > 4 and not outside else self._span_mm
        return False

    def _found_anew(
        self, picture: Grey, flat: npt.NDArray[np.uint8], time: LayerTime | None
    ) -> tuple[Pose, tuple[float, float] | None] | str:
        """Pose of a camera that was moved, and where the bed stands, by the bed's own picture."""
        assert self._room is not None
        before = self._bed_before()
        assert self._last is not None
        starts = [self._last[0].camera]
        wide = self._room.search(flat)
        if wide is not None:
            starts.append(turned(self._camera, wide))
        found: list[tuple[Pose, tuple[float, float] | None]] = []
        for start in starts:
            travel: tuple[float, float] | None = None
            if self._setup.bed_motion == "bed-z" and time is not None:
                # Sinking and a camera that rises look alike: here the clock has the say.
                travel = time.z_mm, max(0.1, time.sigma_mm)
            elif self._bed_moves:
                slid = self._bed_travel(start, picture, time, False)
                if isinstance(slid, str):
                    continue
                travel = slid
            offset = np.zeros(3) if travel is None else travel[0] * self.bed.axis
            middle = np.array([self._setup.bed_mm[0] / 2, self._setup.bed_mm[1] / 2, 0.0]) + offset
            for guess in (start, *coarse_poses(start, before, picture, offset)):
                pose = pose_anew(guess, before, picture, offset, middle)
                if pose is not None and pose.score > CLEAR:
                    return pose, travel
                if pose is not None:
                    found.append((pose, travel))
        best = max(found, key=lambda one: one[0].score, default=None)
        if best is not None and best[0].score > SAME_BED:
            alike = [self._apart_px(best[0].camera, other.camera) < 1.0 for other, _ in found]
            if sum(alike) >= ALIKE:
                return best
        return "camera or lamp have changed, and the bed can't be recognised in this picture"

    def _apart_px(self, one: Camera, other: Camera) -> float:
        """How far apart two cameras see the bed's corners, on average."""
        w, d = self._setup.bed_mm
        box = np.array([[0, 0, 0], [w, 0, 0], [w, d, 0], [0, d, 0.0]])
        return float(np.mean(np.hypot(*(one.project(box) - other.project(box)).T)))

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
        if not sinking and self._placed > 4 and (found is None or found.score < USUAL_SCORE):
            depth = self._setup.bed_mm[1]
            far = self.bed.locate(camera, picture, still, (-depth, depth), start)
            found = max(found, far, key=lambda f: f.score if f is not None else 0.0)
        if found is None or found.score < 0.3:
            return "the bed can't be recognised in this picture"
        return found.offset_mm, found.sigma_mm

    def learn(self, placement: Placement, seen: npt.NDArray[np.float32] | None) -> None:
        """Teach the bed's picture by a placed frame; ``seen`` is the slab map of the part."""
        self._last = placement, seen
        if not self._bed_moves:
            return
        flat = self.bed.flat(placement.flat, placement.bed_px)
        usable = np.ones(flat.shape, dtype=bool)
        if seen is not None:
            part = cv2.dilate((seen >= 0).astype(np.uint8), np.ones((7, 7), np.uint8))
            usable = ~(self.bed.flat(part, placement.bed_px) > 0)
        self.bed.learn(flat, usable)

    def _bed_before(self) -> BedLook:
        """How the bed looked in the last placed frame."""
        assert self._last is not None
        placement, seen = self._last
        # Just past its edges the room shows, which does not move with the bed's plane.
        flat, size = self.bed.points_mm[:, :2], np.array(self.bed.size_mm)
        on_bed = ((flat > -EDGE_MM) & (flat < size + EDGE_MM)).all(axis=1)
        open_places = self.bed.away.ravel() & on_bed
        if seen is not None:
            height, width = seen.shape
            at = np.clip(np.round(placement.bed_px), 0, [width - 1, height - 1]).astype(int)
            open_places = open_places & (seen[at[:, 1], at[:, 0]] < 0)
        return bed_look(
            placement.flat,
            placement.bed_px,
            self.bed.points_mm,
            open_places,
            placement.offset_mm,
        )

    def expected(self, placement: Placement, layer: int) -> npt.NDArray[np.float32] | None:
        """Slab map of the part when ``layer`` (an index) is done."""
        if self._solid is None:
            return None
        return slab_map(placement.camera, self._solid, layer, placement.offset_mm)

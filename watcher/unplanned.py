"""From a placed frame to readings for a print whose toolpath nobody has at hand.

Only what the picture itself shows can be measured: how far corners have risen against the early
edge, strands beside the part and a part that has moved. How high the part should be, whether it
grows and whether its layers stand in line, only a toolpath says.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import cv2
import numpy as np
import numpy.typing as npt

from watcher.advice.sentence import NO_TOOLPATH
from watcher.look import Looked, strands_on_bed
from watcher.measure.displacement import (
    LEAST_AGREEMENT,
    Motion,
    common_motion,
    lost_part,
    rigid_columns,
)
from watcher.measure.edges import (
    HALF_PX,
    REACH_PX,
    STEP_PX,
    Memory,
    agreement_of,
    extent_mask,
    read_profiles,
    shifts_against,
)
from watcher.measure.field import Field, neighbours, scatter_along, vote
from watcher.measure.lift import (
    LIFTS_FROM,
    REACHES_MM,
    USUAL_REACH,
    fit_lifts,
    lift_columns,
    side_disagreement,
)
from watcher.measure.picture import noise_of
from watcher.measure.strands import StrandMap
from watcher.records import Array, Outline, Picture, Reading
from watcher.scene.camera import Camera
from watcher.scene.place import Placement, Placer
from watcher.scene.region import (
    ROW_PX,
    ROWS,
    Region,
    WallPlaces,
    drawn_region,
    found_region,
    region_corners,
    wall_places,
)
from watcher.scene.solid import Corner

Grey = npt.NDArray[np.float32]
Bools = npt.NDArray[np.bool_]

FIRST_PICTURES = 12
"""The region is found in so many pictures, for in each the head hides something else."""
LOOSE_MM = 1.0
FOLLOWED_MM = 0.5
GROWTH_MM, STILL_MM = 0.3, 0.4
"""How far a growing wall is thought to carry the upper rows along, and from where on a lift
can't be told from it."""
MOST_GROWTH_MM = 0.8
GROWN_MM = 0.4
"""A layer or two that have grown meanwhile look like a motion away from the camera."""
CLEAR_PX = 1.5
LEAST_AWAY = 8
POSE_PX = 0.25
MOST_SIGMA_MM = 0.6
TALLEST_MM = 60.0
"""What lies behind the part may be hidden by it up to this height; strands are not looked for."""

NameCorners = Callable[[Camera, list[Corner]], list[str]]


class Unplanned:
    """Measures the part in frame after frame against its own early picture."""

    def __init__(
        self, placer: Placer, part_px: tuple[tuple[float, float], ...], name_corners: NameCorners
    ) -> None:
        """Wait for the first frame.

        Args:
            placer: places the frames.
            part_px: the part's region as drawn in the first frame, or nothing: then it is found.
            name_corners: gives corners their names.

        """
        self._placer = placer
        self._part_px = np.array(part_px, dtype=np.float64).reshape(-1, 2)
        self._name_corners = name_corners
        self._flats: list[npt.NDArray[np.float32]] = []
        self._why = "the part's region is still being looked for"
        self.region: Region | None = None
        self.corners: list[Corner] = []
        self.names: list[str] = []
        self._memory = Memory()
        self._lift_mm = np.zeros(0)
        self._grown_mm = np.zeros(ROWS)
        """How far each row has been carried up by the walls' growing."""
        self._strands = StrandMap(placer.bed.shape, placer.bed.step_mm)
        self._shift_mm = np.zeros(2)
        self._turn_deg = 0.0
        self._last_motion: Array | None = None

    @property
    def middle_mm(self) -> Array:
        """Middle of the part, or of the bed while it is unknown: shape (2,)."""
        if self.region is None:
            return np.array(self._placer.bed.size_mm) / 2
        return self.region.middle_mm

    def unseen(self, why: str) -> list[Reading]:
        """Readings of every watched corner that say why none was seen, and what is off."""
        readings = self._hidden(why)
        if not readings:
            readings = [Reading("corner-lift", "part", None, None, None, "mm", self._why)]
        return [*readings, *self._off()]

    def _off(self) -> list[Reading]:
        return [
            Reading("no-growth", "top", None, None, None, "mm", NO_TOOLPATH),
            Reading("layer-step", "upper layers", None, None, None, "mm", NO_TOOLPATH),
        ]

    def measure(self, placement: Placement, bgr: Picture, grey: Grey) -> Looked:
        """Measure one frame.

        Args:
            placement: where camera and bed stand.
            bgr: shape (H, W, 3).
            grey: the same, shape (H, W).

        """
        if self.region is None:
            self._seek(placement, bgr)
        if self.region is None:
            self._placer.learn(placement, None)
            return Looked(tuple(self.unseen(self._why)), (), 0.0)
        part = self._part_mask(placement)
        self._placer.learn(placement, np.where(part, 0.0, -1.0).astype(np.float32))
        places = wall_places(placement.camera, self.region, placement.offset_mm)
        readings, share, outlines = self._edges(placement, places, grey)
        strands, lines = self._look_for_strands(placement, bgr, part)
        outline = np.column_stack([self.region.ring_mm, np.zeros(len(self.region.ring_mm))])
        drawn = placement.camera.project(outline + placement.offset_mm)
        closed = np.asarray(np.round(np.vstack([drawn, drawn[:1]]), 1), dtype=np.float64)
        outlines += [Outline("region", "part", closed), *lines]
        return Looked((*readings, *strands, *self._off()), tuple(outlines), share)

    # -- where the part stands ----------------------------------------------------------------

    def _seek(self, placement: Placement, bgr: Picture) -> None:
        if len(self._part_px) >= 3:
            self._settle(
                placement, drawn_region(placement.camera, self._part_px, placement.offset_mm)
            )
            return
        bed = self._placer.bed
        self._flats.append(
            np.dstack([bed.flat(bgr[..., c], placement.bed_px) for c in range(3)]).astype(
                np.float32
            )
        )
        if len(self._flats) < FIRST_PICTURES:
            return
        found = found_region(self._flats, bed.size_mm, bed.MARGIN_MM)
        # Forget all but the newest half, so that a part that was too low is looked for again.
        self._flats = self._flats[FIRST_PICTURES // 2 :]
        if isinstance(found, str):
            self._why = found
        else:
            self._flats = []
            self._settle(placement, found)

    def _settle(self, placement: Placement, region: Region) -> None:
        self.region = region
        self.corners = region_corners(placement.camera, region, placement.offset_mm)
        self.names = self._name_corners(placement.camera, self.corners)
        self._lift_mm = np.zeros(len(self.corners))
        if not self.corners:
            self._why = "the part's region has no sharp corner on the camera's side"

    def _part_mask(self, placement: Placement) -> Bools:
        """Pixels that the part may cover: its region and what stands up from it."""
        assert self.region is not None
        width, height = placement.camera.size_px
        mask = np.zeros((height, width), dtype=np.uint8)
        ring = self.region.ring_mm
        both = [
            placement.camera.project(
                np.column_stack([ring, np.full(len(ring), z)]) + placement.offset_mm
            )
            for z in (0.0, TALLEST_MM)
        ]
        for i in range(len(ring)):
            j = (i + 1) % len(ring)
            quad = np.array([both[0][i], both[0][j], both[1][j], both[1][i]], dtype=np.float32)
            cv2.fillConvexPoly(mask, np.round(cv2.convexHull(quad)).astype(np.int32), 1)
        for line in both:
            cv2.fillPoly(mask, [np.round(line).astype(np.int32)], 1)
        return mask > 0

    # -- edges ----------------------------------------------------------------------------------

    def _geometry(self, placement: Placement, places: WallPlaces) -> tuple[Field, Array]:
        camera, offset = placement.camera, placement.offset_mm
        point = places.point_mm + offset
        per_point = camera.jacobian(point)
        flat = np.column_stack([places.tangent, np.zeros(len(point))])
        along = np.einsum("nij,nj->ni", per_point, flat)
        along /= np.hypot(*along.T)[:, None] + 1e-9
        normal = np.column_stack([along[:, 1], -along[:, 0]])
        normal *= np.where(normal[:, 1] > 0, -1.0, 1.0)[:, None]
        count = len(point)
        shape = Field(
            places.point_mm,
            camera.project(point),
            normal,
            np.einsum("ni,nij->nj", normal, per_point),
            places.row > 0,
            # A lifted corner shades its own gap: the line on the bed stays where it was.
            places.row == 0,
            np.zeros(count),
            np.full(count, np.inf),
        )
        return shape, along

    def _edges(
        self, placement: Placement, places: WallPlaces, grey: Grey
    ) -> tuple[list[Reading], float, list[Outline]]:
        shape, along = self._geometry(placement, places)
        soft = cv2.GaussianBlur(grey, (0, 0), 0.8).astype(np.float32)
        corners = [c.place_mm for c in self.corners]
        columns = lift_columns(shape, corners, np.full(len(corners), REACHES_MM[USUAL_REACH]))
        rigid = rigid_columns(shape.point_mm, shape.per_mm, self.middle_mm)
        motion_now = np.array([*self._shift_mm, self._turn_deg])
        grown = shape.per_mm[:, 2] * self._grown_mm[places.row]
        predicted = rigid @ motion_now + columns @ self._lift_mm + grown
        rows = self._memory.rows(places.key)
        # A row on the wall must not see that line, or it would be held by it.
        below = np.where(
            places.row > 0, np.minimum(places.row * ROW_PX - CLEAR_PX, HALF_PX), HALF_PX
        )
        extent = extent_mask(below, np.full(len(rows), HALF_PX))
        where = shape.pixel + shape.normal * predicted[:, None]
        profiles = read_profiles(soft, where, shape.normal, HALF_PX + REACH_PX)
        shifts = shifts_against(
            self._memory.template[rows],
            self._memory.mask(rows, extent),
            profiles,
            neighbours(shape.pixel, places.row, along),
            max(0.35 * noise_of(grey), 0.3),
        )
        like = (
            (self._memory.count[rows] >= 1)
            & (shifts.agreement > 0.6)
            & (shifts.gain > 0.6)
            & (shifts.gain < 1.7)
            & np.isfinite(shifts.sigma_px)
        )
        able = self._memory.count[rows] >= Memory.TRUSTED
        trusted = like & able
        scatter = scatter_along(shape.pixel, places.row, along, shifts.value_px, trusted)
        rough = np.where(np.isfinite(scatter), scatter, 0.3)
        sigma = 2.2 * np.sqrt(shifts.sigma_px**2 + rough**2 + 0.03**2)
        old = self._memory.count[rows] >= 5
        motion = common_motion(
            shifts.score[old], STEP_PX, rigid[old], motion_now, shifts.contrast[old], turns=True
        )
        if motion is None or not motion.clear(LOOSE_MM):
            self._follow_growth(shape, places, shifts.value_px, trusted)
        grown = shape.per_mm[:, 2] * self._grown_mm[places.row]
        measured = replace(
            shape,
            shift_px=np.where(trusted, shifts.value_px + predicted - grown, 0.0),
            sigma_px=np.where(trusted, sigma, np.inf),
        )
        share = float(trusted.sum() / able.sum()) if able.sum() >= 20 else 0.0
        if (motion is None or motion.agreement < LEAST_AGREEMENT) and share < 0.3:
            motion = self._search(placement, places, soft, old, extent) or motion
        readings = self._lifts(measured, columns, placement)
        readings.append(self._motion_reading(motion))
        predicted = rigid @ [*self._shift_mm, self._turn_deg] + columns @ self._lift_mm + grown
        where = shape.pixel + shape.normal * predicted[:, None]
        fresh = read_profiles(soft, where, shape.normal, HALF_PX)
        # What was found well away from where it is believed to be would only smear the template.
        pick = np.flatnonzero(~(like & (np.abs(shifts.value_px) > 1.5)))
        settled = np.ones(len(pick), dtype=bool)
        self._memory.learn(rows[pick], fresh[pick], extent[pick], like[pick], settled)
        found_px = shape.pixel + shape.normal * (measured.shift_px + grown)[:, None]
        foot = trusted & (places.row == 0)
        lines = [Outline("measured", "part", np.round(found_px[foot], 1))] if foot.any() else []
        return readings, share, lines

    def _search(
        self, placement: Placement, places: WallPlaces, soft: Grey, old: Bools, extent: Bools
    ) -> Motion | None:
        """Look for a part that is not where it was, within 25 mm and 20 degrees."""
        pick = np.flatnonzero(old)
        if len(pick) < 40:
            return None
        pick = pick[np.linspace(0, len(pick) - 1, 60).astype(int)]
        shape, _ = self._geometry(placement, places)
        rows = self._memory.rows(places.key)[pick]
        mask = self._memory.mask(rows, extent[pick])
        raised = shape.point_mm[pick] + np.column_stack(
            [np.zeros((len(pick), 2)), self._grown_mm[places.row[pick]]]
        )

        def agree(trials: Array) -> Array:
            turn = np.radians(trials[:, 2])[:, None]
            arm = raised[:, :2] - self.middle_mm
            x = np.cos(turn) * arm[:, 0] - np.sin(turn) * arm[:, 1] + self.middle_mm[0]
            y = np.sin(turn) * arm[:, 0] + np.cos(turn) * arm[:, 1] + self.middle_mm[1]
            z = np.broadcast_to(raised[:, 2], x.shape)
            moved = np.stack([x + trials[:, :1], y + trials[:, 1:2], z], axis=2)
            pixel = placement.camera.project(moved.reshape(-1, 3) + placement.offset_mm)
            normal = np.tile(shape.normal[pick], (len(trials), 1))
            profiles = read_profiles(soft, pixel, normal, HALF_PX)
            profiles = profiles.reshape(len(trials), len(pick), -1)
            found = vote(agreement_of(self._memory.template[rows], mask, profiles))
            return np.asarray(found.mean(axis=1), dtype=np.float64)

        here = np.array([*self._shift_mm, self._turn_deg])
        line, angle = np.arange(-25.0, 25.1, 2.5), np.arange(-20.0, 20.1, 5.0)
        around = here + np.array([(x, y, a) for a in angle for x in line for y in line])
        coarse = np.concatenate([agree(block) for block in np.array_split(around, 8)])
        fine_line, fine_angle = np.arange(-2.0, 2.1, 0.5), np.arange(-4.0, 4.1, 2.0)
        near = np.array([(x, y, a) for a in fine_angle for x in fine_line for y in fine_line])
        fine = np.concatenate([here[None], around[int(np.argmax(coarse))] + near])
        found = lost_part(agree(fine), fine)
        if found is None:
            return None
        where, agreement, margin = found
        return Motion(where[:2], float(where[2]), 0.5, agreement, margin)

    def _follow_growth(
        self, shape: Field, places: WallPlaces, value_px: Array, trusted: Bools
    ) -> None:
        """Let each row rise with a rim that still grows; a lift is what one corner does alone."""
        away = np.ones(len(value_px), dtype=bool)
        for corner in self.corners:
            flat = shape.point_mm[:, :2] - np.array(corner.place_mm[:2])
            away &= np.hypot(*flat.T) > REACHES_MM[USUAL_REACH]
        for row in range(1, ROWS):
            here = trusted & (places.row == row) & (np.abs(shape.per_mm[:, 2]) > 0.3)
            use = here & away if (here & away).sum() >= LEAST_AWAY else here
            if use.sum() >= LEAST_AWAY:
                step = float(np.median(value_px[use] / shape.per_mm[use, 2]))
                self._grown_mm[row] += float(np.clip(step, -MOST_GROWTH_MM, MOST_GROWTH_MM))

    def _lifts(self, measured: Field, columns: Array, placement: Placement) -> list[Reading]:
        found = measured.found
        if not self.corners:
            return [Reading("corner-lift", "part", None, None, None, "mm", self._why)]
        if int(found.sum()) < 12:
            return self._hidden("the part is hidden or not yet tall enough")
        lifts = fit_lifts(measured, columns, placement.sigma_px, (0.0, GROWTH_MM), POSE_PX)
        one_each = slice(LIFTS_FROM, LIFTS_FROM + len(self.corners))
        values, sigma = lifts.value[one_each], lifts.sigma()[one_each]
        if abs(float(lifts.value[2])) > STILL_MM:
            return self._hidden("the walls above the bed still change")
        readings = []
        for k, (corner, name) in enumerate(zip(self.corners, self.names, strict=True)):
            value = float(values[k])
            apart = side_disagreement(measured, columns, lifts, k)
            below = max(0.0, -value - float(sigma[k]))
            error = float(np.sqrt(sigma[k] ** 2 + apart**2 + below**2))
            near = np.abs(columns[:, k]) > 0.15 * np.abs(measured.per_mm[:, 2]) + 1e-6
            seen = int((near & found).sum())
            if error > MOST_SIGMA_MM or seen < 5 or seen < 0.2 * near.sum():
                why = "hidden or without contrast"
                readings.append(
                    Reading("corner-lift", name, corner.place_mm, None, None, "mm", why)
                )
                continue
            readings.append(Reading("corner-lift", name, corner.place_mm, value, error, "mm"))
            self._follow(k, value, error)
        return readings

    def _hidden(self, why: str) -> list[Reading]:
        return [
            Reading("corner-lift", name, corner.place_mm, None, None, "mm", why)
            for corner, name in zip(self.corners, self.names, strict=True)
        ]

    def _follow(self, k: int, value: float, error: float) -> None:
        """Predict the next frame from a lift that is clear; on less a template would walk away."""
        lift = self._lift_mm
        if value < (0.15 if lift[k] > 0 else 0.3) + error:
            lift[k] *= 0.5 if lift[k] > 0.05 else 0.0
            return
        gain = 1 / (1 + (error / 0.1) ** 2)
        lift[k] = float(np.clip(lift[k] + np.clip(gain * (value - lift[k]), -0.3, 0.5), 0.0, 12.0))

    def _motion_reading(self, motion: Motion | None) -> Reading:
        where = (float(self.middle_mm[0]), float(self.middle_mm[1]), 0.0)
        if motion is None or motion.agreement < LEAST_AGREEMENT:
            why = "too little of the part is seen"
            return Reading("detached", "part", where, None, None, "mm", why)
        clear = motion.clear(LOOSE_MM)
        before = self._last_motion
        self._last_motion = motion.shift_mm if clear else None
        if clear and before is not None and float(np.hypot(*(motion.shift_mm - before))) < 2.0:
            self._shift_mm, self._turn_deg = motion.shift_mm, motion.turn_deg
        size = float(np.hypot(*self._shift_mm))
        error = float(np.hypot(motion.sigma_mm, GROWN_MM))
        return Reading("detached", "part", where, size, error, "mm")

    # -- strands ----------------------------------------------------------------------------------

    def _look_for_strands(
        self, placement: Placement, bgr: Picture, part: Bools
    ) -> tuple[list[Reading], list[Outline]]:
        assert self.region is not None
        bed, grid = self._placer.bed, placement.bed_px
        places = bed.points_mm.reshape(*bed.shape, 3)
        corner = places[0, 0, :2]
        printed = np.zeros(bed.shape, dtype=np.uint8)
        cells = np.round((self.region.ring_mm - corner) / bed.step_mm).astype(np.int32)
        cv2.fillPoly(printed, [cells], 1)
        far = cv2.distanceTransform(1 - printed, cv2.DIST_L2, 5) * bed.step_mm
        size = np.array(bed.size_mm)
        on_bed = ((places[..., :2] > 2) & (places[..., :2] < size - 2)).all(axis=2)
        return strands_on_bed(
            self._strands,
            bgr,
            grid.reshape(*bed.shape, 2),
            places,
            (far > 4.0) & (far < 60) & on_bed,
            part,
        )

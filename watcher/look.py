"""From a placed frame to readings: wires scene and measure for one run."""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import cv2
import numpy as np
import numpy.typing as npt

from watcher.measure.displacement import (
    LEAST_AGREEMENT,
    Motion,
    agreement_at,
    common_motion,
    lost_part,
    rigid_columns,
)
from watcher.measure.edges import (
    HALF_PX,
    REACH_PX,
    STEP_PX,
    Memory,
    Shifts,
    agreement_of,
    extent_mask,
    read_profiles,
    shifts_against,
)
from watcher.measure.field import Field, neighbours, scatter_along, vote
from watcher.measure.growth import Growth, growth_over_clock
from watcher.measure.lift import (
    LIFTS_FROM,
    REACHES_MM,
    USUAL_REACH,
    distance_mm,
    fit_lifts,
    lift_columns,
    reach_costs,
    side_disagreement,
)
from watcher.measure.picture import noise_of
from watcher.measure.strands import StrandMap, strand_signal
from watcher.records import Array, FaultKind, Outline, Picture, Reading
from watcher.scene.expected import FOOT, RIM, UPRIGHT, Stations, stations_at
from watcher.scene.place import Placement, Placer
from watcher.scene.solid import Corner, Solid

Grey = npt.NDArray[np.float32]
Bools = npt.NDArray[np.bool_]

LOOSE_MM, STEPPED_MM = 0.8, 0.5
"""Motions of the part and of its upper layers that are followed once they are clear."""
STEPPED_SHARE = 0.4
FOLLOWED_MM = 0.5
PENDING_MM = 0.35
NEAR_MM = 30.0
"""Edges this near to a corner are drawn as the corner's own."""
FAR_PX = 3.0
SHARED_PX = 0.2
"""Scatter along an edge above which its places err together rather than one by one."""
MISSING_MM = -1.5
"""Where so much of the part is missing, its edges are not the toolpath's any more."""
MOST_SIGMA_MM = 0.6
"""A lift that is known no better than this counts as not seen."""


@dataclass
class PartState:
    """What is believed of the part; predictions for the next frame start from it."""

    lift_mm: Array
    reach: npt.NDArray[np.int64]
    reach_cost: Array
    growth_mm: float = 0.0
    shift_mm: Array = field(default_factory=lambda: np.zeros(2))
    turn_deg: float = 0.0


@dataclass(frozen=True)
class Looked:
    """What one frame showed of the part."""

    readings: tuple[Reading, ...]
    outlines: tuple[Outline, ...]
    found_share: float


@dataclass(frozen=True)
class _Shown:
    """One frame's edges and the picture to read them from."""

    placement: Placement
    soft: Grey
    shape: Field
    rows: npt.NDArray[np.int64]
    """Shape (n,): where the memory keeps each edge."""
    extent: Bools


class Look:
    """Measures the part in frame after frame against toolpath and its own past."""

    def __init__(
        self, solid: Solid, corners: list[Corner], names: list[str], placer: Placer, parked: bool
    ) -> None:
        self._solid = solid
        self.corners = corners
        self.names = names
        self._placer = placer
        self._parked = parked
        self._memory = Memory()
        count = len(corners)
        self.state = PartState(
            np.zeros(count),
            np.full(count, USUAL_REACH),
            np.zeros((count, len(REACHES_MM))),
        )
        foot = np.concatenate(solid.rings_mm[solid.foot_index])
        self.middle_mm = (foot.min(axis=0) + foot.max(axis=0)) / 2
        self._strands = StrandMap(placer.bed.shape, placer.bed.step_mm)
        self._region = self._strand_region()
        self.loose = False
        self._raised = np.zeros(count)
        self._odd_growth = 0.0
        self._last_motion: dict[str, Array | None] = {}

    # -- geometry of the frame ---------------------------------------------------------------

    def _geometry(
        self, placement: Placement, stations: Stations, layer: int
    ) -> tuple[Field, Array, Bools, Array]:
        """Where each station should be, across which line it is read and how far."""
        camera, offset = placement.camera, placement.offset_mm
        solid = self._solid
        pixel = camera.project(stations.point_mm + offset)
        per_point = camera.jacobian(stations.point_mm + offset)
        along = np.einsum("nij,nj->ni", per_point, stations.along)
        along /= np.hypot(*along.T)[:, None] + 1e-9
        normal = np.column_stack([along[:, 1], -along[:, 0]])
        normal *= np.where(normal[:, 1] > 0, -1.0, 1.0)[:, None]
        per_mm = np.einsum("ni,nij->nj", normal, per_point)
        tangent = solid.tangent[stations.track]
        outward = np.column_stack([tangent[:, 1], -tangent[:, 0]])
        eye = camera.position_mm - offset
        facing = np.einsum("ni,ni->n", outward, eye[:2] - stations.point_mm[:, :2]) > 0
        begin = solid.first[stations.track]
        bottom = np.where(begin > solid.foot_index, solid.z_mm[np.maximum(begin - 1, 0)], 0.0)
        top = solid.z_mm[np.minimum(solid.last[stations.track], layer)]
        wall_px = (top - bottom) * np.abs(per_mm[:, 2]) - 1.0
        short = np.minimum(wall_px, HALF_PX)
        below = np.where((stations.kind == RIM) & facing, short, HALF_PX)
        # Behind a far edge lies the bed with the part's own growing shadow: little of it counts.
        above = np.where(stations.kind == FOOT, short, HALF_PX)
        above = np.where((stations.kind == RIM) & ~facing, FAR_PX, above)
        extent = extent_mask(below, above)
        wide = np.minimum(below, above)
        nothing = np.zeros(len(pixel))
        shape = Field(
            stations.point_mm,
            pixel,
            normal,
            per_mm,
            stations.growing,
            stations.kind == FOOT,
            nothing,
            np.full(len(pixel), np.inf),
            np.where((stations.kind == RIM) & stations.growing, _straight(tangent), -1),
        )
        return shape, along, extent, wide

    def _predicted(self, shape: Field, columns: Array) -> Array:
        """Displacement that the present beliefs give, px along the normal: shape (n,)."""
        state = self.state
        arm = shape.point_mm[:, :2] - self.middle_mm
        turn = np.radians(state.turn_deg)
        moved = np.column_stack(
            [
                state.shift_mm[0] + np.cos(turn) * arm[:, 0] - np.sin(turn) * arm[:, 1] - arm[:, 0],
                state.shift_mm[1] + np.sin(turn) * arm[:, 0] + np.cos(turn) * arm[:, 1] - arm[:, 1],
            ]
        )
        total = np.einsum("nj,nj->n", shape.per_mm[:, :2], moved)
        total += shape.growing * (shape.per_mm[:, 2] * state.growth_mm)
        # An edge that still grows is drawn anew each layer: small lifts of it are not followed, or
        # noise would carry its template away for good.
        plain = np.where(state.lift_mm > FOLLOWED_MM, state.lift_mm, 0.0)
        lifted = np.where(shape.growing, columns @ plain, columns @ state.lift_mm)
        return np.asarray(total + lifted, dtype=np.float64)

    # -- one frame ----------------------------------------------------------------------------

    def measure(self, placement: Placement, bgr: Picture, grey: Grey, layer: int) -> Looked:
        """Measure one frame.

        Args:
            placement: where camera and bed stand.
            bgr: shape (H, W, 3).
            grey: the same, shape (H, W).
            layer: index of the layer that is done, or being printed.

        """
        assert placement.time is not None
        solid = self._solid
        noise = noise_of(grey)
        seen = self._placer.expected(placement, layer)
        assert seen is not None
        self._placer.learn(placement, seen)
        stations = stations_at(placement.camera, solid, layer, placement.offset_mm, seen)
        shape, along, extent, room_px = self._geometry(placement, stations, layer)
        wide = room_px > 2.5
        places = [c.place_mm for c in self.corners]
        reaches = np.array([REACHES_MM[i] for i in self.state.reach])
        columns = lift_columns(shape, places, reaches)
        predicted = self._predicted(shape, columns)
        soft = cv2.GaussianBlur(grey, (0, 0), 0.8).astype(np.float32)
        expected_px = shape.pixel + shape.normal * predicted[:, None]
        profiles = read_profiles(soft, expected_px, shape.normal, HALF_PX + REACH_PX)
        rows = self._memory.rows(stations.key)
        shown = _Shown(placement, soft, shape, rows, extent)
        near = neighbours(shape.pixel, stations.kind, along)
        shifts = shifts_against(
            self._memory.template[rows],
            self._memory.mask(rows, extent),
            profiles,
            near,
            max(0.35 * noise, 0.3),
        )
        known = (self._memory.count[rows] >= 1) & wide
        like = (
            known
            & (shifts.agreement > 0.6)
            & (shifts.gain > 0.6)
            & (shifts.gain < 1.7)
            & np.isfinite(shifts.sigma_px)
        )
        trusted = like & (self._memory.count[rows] >= Memory.TRUSTED)
        # Five neighbours share each reading; a lens leaves some hundredths of a pixel.
        scatter = scatter_along(shape.pixel, stations.kind, along, shifts.value_px, trusted)
        rough = np.where(np.isfinite(scatter), scatter, 0.3)
        sigma = 2.2 * np.sqrt(shifts.sigma_px**2 + rough**2 + 0.03**2)
        # Wrong matches come by the stretch, so they do not average out along the edge.
        sigma *= np.sqrt(1 + (rough / SHARED_PX) ** 2)
        measured = replace(
            shape,
            shift_px=np.where(trusted, shifts.value_px + predicted, 0.0),
            sigma_px=np.where(trusted, sigma, np.inf),
        )
        able = wide & (self._memory.count[rows] >= Memory.TRUSTED)
        share = float(trusted.sum() / able.sum()) if able.sum() >= 20 else 0.0
        # Joint motions only from edges with room on both sides that have been seen for a while.
        old = able & (room_px >= FAR_PX) & (self._memory.count[rows] >= 5)
        growing = old & stations.growing
        tall = growth_over_clock(
            shifts.score[growing],
            STEP_PX,
            (shape.per_mm[:, 2] * self.state.growth_mm)[growing],
            shape.per_mm[growing, 2],
            shifts.contrast[growing],
            self.state.growth_mm,
        )
        standing = old & ~stations.growing
        motion, step = self._motions(shape, shifts, standing, growing, stations.kind == UPRIGHT)
        if step is not None and tall is not None and step.agreement < 1.25 * tall.agreement:
            step = replace(step, margin=0.0)
        if step is not None and tall is not None and step.clear(STEPPED_MM, STEPPED_SHARE):
            tall = None
        if motion is not None and motion.agreement < LEAST_AGREEMENT and share < 0.3:
            motion = self._search(shown, old) or motion
        if self.loose and motion is not None:
            self._doubt(shown, old)
        readings = self._fits(measured, places, columns, placement, layer, tall)
        readings += self._motion_readings(motion, step)
        strands, outlines = self._look_for_strands(placement, bgr, seen)
        readings += strands
        found_px = shape.pixel + shape.normal * measured.shift_px[:, None]
        outlines += self._drawn(stations, shape, found_px, measured.found)
        # Learn in the frame of what is now believed.
        again = self._predicted(shape, columns)
        where = shape.pixel + shape.normal * again[:, None]
        fresh = read_profiles(soft, where, shape.normal, HALF_PX)
        # What was found well away from where it is believed to be would only smear the template.
        # Nor is an edge learnt that still grows beside a corner whose lift is not yet clear.
        pending = (self._raised > PENDING_MM) & (self.state.lift_mm <= FOLLOWED_MM)
        share_here = np.abs(columns) > 0.1 * np.abs(shape.per_mm[:, 2:])
        unclear = stations.growing & (share_here & pending).any(axis=1)
        strange = like & (np.abs(shifts.value_px) > 1.5)
        pick = np.flatnonzero(wide & ~strange & ~unclear)
        self._memory.learn(
            rows[pick], fresh[pick], extent[pick], like[pick], ~stations.growing[pick]
        )
        return Looked(tuple(readings), tuple(outlines), share)

    def unseen(self, why: str) -> list[Reading]:
        """Readings of every watched corner that say why none was seen."""
        return [
            Reading(_lift_kind(corner), name, corner.place_mm, None, None, "mm", why)
            for corner, name in zip(self.corners, self.names, strict=True)
        ]

    def _fits(
        self,
        measured: Field,
        places: list[tuple[float, float, float]],
        columns: Array,
        placement: Placement,
        layer: int,
        growth: Growth | None,
    ) -> list[Reading]:
        assert placement.time is not None
        readings: list[Reading] = []
        use = measured.found
        height = float(self._solid.z_mm[layer] - (self._solid.z_mm[layer - 1] if layer else 0.0))
        slack = float(np.hypot(placement.time.sigma_mm, 0.0 if self._parked else 0.5 * height))
        state = self.state
        if int(use.sum()) < 12:
            why = "the part is hidden or not yet tall enough"
            return [*self.unseen(why), Reading("no-growth", "top", None, None, None, "mm", why)]
        # Past the last layer nothing grows any more, and nothing should.
        over = layer >= len(self._solid.z_mm) - 1
        seen_growing = (
            growth is not None
            and not over
            and growth.agreement > LEAST_AGREEMENT
            and growth.sigma_mm < 0.4
        )
        odd = False
        unseen = "the toolpath is at its end" if over else "the growing edge is hidden"
        if growth is not None and seen_growing:
            error = float(np.hypot(growth.sigma_mm, slack))
            readings.append(Reading("no-growth", "top", None, growth.height_mm, error, "mm"))
            odd = abs(growth.height_mm) > 3 * growth.sigma_mm + 0.3 + slack
            again = odd and abs(growth.height_mm - self._odd_growth) < 0.8
            self._odd_growth = growth.height_mm if odd else 0.0
            state.growth_mm = growth.height_mm if again else 0.5 * state.growth_mm
        else:
            readings.append(Reading("no-growth", "top", None, None, None, "mm", unseen))
        if state.growth_mm < MISSING_MM:
            why = "the toolpath has gone on without the part"
            return [*readings, *self.unseen(why)]
        about = (growth.height_mm, 0.2) if growth is not None and odd else (0.0, max(0.05, slack))
        z = float(self._solid.z_mm[layer])
        pose = min(0.1 + 0.06 * z, 1.0)
        lifts = fit_lifts(measured, columns, placement.sigma_px, about, pose)
        one_each = slice(LIFTS_FROM, LIFTS_FROM + len(places))
        values = lifts.value[one_each]
        sigma = lifts.sigma()[one_each]
        self._learn_reach(measured, columns, places, values, placement.sigma_px, about, pose)
        missing = self.unseen("hidden or without contrast")
        for k, (corner, name) in enumerate(zip(self.corners, self.names, strict=True)):
            apart = side_disagreement(measured, columns, lifts, k)
            value = float(values[k])
            # No corner lies below the bed: what it reads below is error.
            below = max(0.0, -value - float(sigma[k]))
            error = float(np.sqrt(sigma[k] ** 2 + apart**2 + below**2))
            near = np.abs(columns[:, k]) > 0.15 * np.abs(measured.per_mm[:, 2]) + 1e-6
            found = int((near & use).sum())
            if error > MOST_SIGMA_MM or found < 5 or found < 0.25 * near.sum():
                readings.append(missing[k])
                continue
            readings.append(Reading(_lift_kind(corner), name, corner.place_mm, value, error, "mm"))
            self._raised[k] = value
            if not self.loose:
                self._follow_lift(k, value, error)
        return readings

    def _follow_lift(self, k: int, value: float, error: float) -> None:
        """Predict the next frame from this lift, once it is more than noise.

        A template that is learnt at every small reading would walk away with the noise, so until
        a lift is clear the corner is taken to lie flat.
        """
        lift = self.state.lift_mm
        clear = 0.15 if lift[k] > 0 else 0.3
        if value < clear + error:
            lift[k] *= 0.5 if lift[k] > 0.05 else 0.0
            return
        gain = 1 / (1 + (error / 0.1) ** 2)
        lift[k] = float(np.clip(lift[k] + np.clip(gain * (value - lift[k]), -0.3, 0.5), 0.0, 12.0))

    def _learn_reach(
        self,
        measured: Field,
        columns: Array,
        places: list[tuple[float, float, float]],
        lifts: Array,
        registration_px: float,
        growth: tuple[float, float],
        pose_px: float,
    ) -> None:
        """Let the corner that has lifted most show how far inward its lift reaches."""
        if len(lifts) == 0:
            return
        most = int(np.argmax(np.minimum(lifts, self.state.lift_mm + 0.3)))
        if min(lifts[most], self.state.lift_mm[most]) < 0.5:
            return
        costs = reach_costs(measured, columns, places, most, registration_px, growth, pose_px)
        total = 0.95 * self.state.reach_cost[most] + costs
        self.state.reach_cost[most] = total
        if float(np.median(total)) > 10.0:
            self.state.reach[most] = int(np.argmin(total))

    # -- motion -------------------------------------------------------------------------------

    def _motions(
        self, shape: Field, shifts: Shifts, standing: Bools, growing: Bools, upright: Bools
    ) -> tuple[Motion | None, Motion | None]:
        """Motion of what stands on the bed, and of the layer being printed against it."""
        columns = rigid_columns(shape.point_mm, shape.per_mm, self.middle_mm)
        state = self.state
        whole = np.array([*state.shift_mm, state.turn_deg])
        every = old = standing | growing
        motion = common_motion(
            shifts.score[every],
            STEP_PX,
            columns[every],
            whole,
            shifts.contrast[every],
            turns=True,
        )
        if motion is not None and motion.clear(LOOSE_MM) and standing.sum() >= 20:
            # What stands must have moved too, or only the newest layers have.
            change = np.array([*motion.shift_mm, motion.turn_deg]) - whole
            table, design = shifts.score[standing], columns[standing]
            there = agreement_at(table, STEP_PX, design, change)
            if there < 1.5 * agreement_at(table, STEP_PX, design, np.zeros(3)):
                motion = replace(motion, margin=0.0)
        step: Motion | None = None
        if motion is None or not motion.clear(LOOSE_MM):
            top = float(shape.point_mm[:, 2].max()) if len(shape.point_mm) else 0.0
            for depth_mm in (2.5, 8.0):
                upper = growing | (old & upright & (shape.point_mm[:, 2] > top - depth_mm))
                found = common_motion(
                    shifts.score[upper],
                    STEP_PX,
                    columns[upper],
                    np.zeros(3),
                    shifts.contrast[upper],
                    turns=False,
                )
                if found is not None and (step is None or found.margin > step.margin):
                    step = found
        return motion, step

    def _doubt(self, shown: _Shown, old: Bools) -> None:
        """Take back that the part is loose where the picture agrees better without."""
        state = self.state
        trials = np.array([[*state.shift_mm, state.turn_deg], [0.0, 0.0, 0.0]])
        moved, still = self._agreements(shown, np.flatnonzero(old), trials)
        if still > LEAST_AGREEMENT and still > 1.3 * moved:
            state.shift_mm, state.turn_deg, self.loose = np.zeros(2), 0.0, False

    def _agreements(self, shown: _Shown, pick: npt.NDArray[np.int64], trials: Array) -> Array:
        """Share of some stations that agree with each of h motions: shape (h,)."""
        mask = self._memory.mask(shown.rows[pick], shown.extent[pick])
        template = self._memory.template[shown.rows[pick]]
        result = np.zeros(len(trials))
        for start in range(0, len(trials), 500):
            block = trials[start : start + 500]
            pixel, normal = self._moved(shown.placement, shown.shape, pick, block)
            profiles = read_profiles(
                shown.soft, pixel.reshape(-1, 2), normal.reshape(-1, 2), HALF_PX
            ).reshape(len(block), len(pick), -1)
            found = vote(agreement_of(template, mask, profiles))
            result[start : start + 500] = found.mean(axis=1)
        return result

    def _search(self, shown: _Shown, old: Bools) -> Motion | None:
        """Look for a part that is not where it was, within 25 mm and 20 degrees."""
        pick = np.flatnonzero(old)
        if len(pick) < 60:
            return None
        pick = pick[np.linspace(0, len(pick) - 1, min(60, len(pick))).astype(int)]
        state = self.state
        here = np.array([*state.shift_mm, state.turn_deg])
        line, angle = np.arange(-25.0, 25.1, 2.5), np.arange(-20.0, 20.1, 5.0)
        around = np.array([(x, y, a) for a in angle for x in line for y in line])
        trials = here + np.concatenate([np.zeros((1, 3)), around])

        def agree(some: Array) -> Array:
            return self._agreements(shown, pick, some)

        coarse = agree(trials)
        best = trials[int(np.argmax(coarse))]
        fine_line, fine_angle = np.arange(-2.0, 2.1, 0.5), np.arange(-4.0, 4.1, 2.0)
        near = np.array([(x, y, a) for a in fine_angle for x in fine_line for y in fine_line])
        fine = np.concatenate([here[None], best + near])
        found = lost_part(agree(fine), fine)
        if found is None:
            return None
        where, agreement, margin = found
        return Motion(where[:2], float(where[2]), 0.5, agreement, margin)

    def _moved(
        self, placement: Placement, shape: Field, pick: npt.NDArray[np.int64], motions: Array
    ) -> tuple[Array, Array]:
        """Pixels and normals of some stations after each of h motions: (h, n, 2) twice."""
        turn = np.radians(motions[:, 2])[:, None]
        arm = shape.point_mm[pick, :2] - self.middle_mm
        x = np.cos(turn) * arm[:, 0] - np.sin(turn) * arm[:, 1] + self.middle_mm[0]
        y = np.sin(turn) * arm[:, 0] + np.cos(turn) * arm[:, 1] + self.middle_mm[1]
        z = np.broadcast_to(shape.point_mm[pick, 2], x.shape)
        points = np.stack([x + motions[:, :1], y + motions[:, 1:2], z], axis=2)
        pixel = placement.camera.project(points.reshape(-1, 3) + placement.offset_mm)
        normal = np.broadcast_to(shape.normal[pick], (len(motions), len(pick), 2))
        return pixel.reshape(len(motions), len(pick), 2), np.ascontiguousarray(normal)

    def _motion_readings(self, motion: Motion | None, step: Motion | None) -> list[Reading]:
        """Readings of both motions; clear ones are followed from here on.

        Following on less would let the templates walk away with their own noise.
        """
        state = self.state
        readings: list[Reading] = []
        kinds: tuple[tuple[FaultKind, str, Motion | None, float, float], ...] = (
            ("detached", "part", motion, LOOSE_MM, 0.6),
            ("layer-step", "upper layers", step, STEPPED_MM, STEPPED_SHARE),
        )
        for kind, place, found, least, share in kinds:
            before = self._last_motion.get(kind)
            clear = found is not None and found.clear(least, share)
            self._last_motion[kind] = found.shift_mm if found is not None and clear else None
            steady = clear and found is not None and _alike(before, found.shift_mm)
            if steady and found is not None and kind == "detached":
                state.shift_mm, state.turn_deg = found.shift_mm, found.turn_deg
                self.loose = True
            readings.append(self._motion_reading(kind, place, found, steady))
        return readings

    def _motion_reading(
        self, kind: FaultKind, place: str, motion: Motion | None, steady: bool
    ) -> Reading:
        where = (float(self.middle_mm[0]), float(self.middle_mm[1]), 0.0)
        if motion is None or motion.agreement < LEAST_AGREEMENT:
            return Reading(kind, place, where, None, None, "mm", "too little of the part is seen")
        believed = float(np.hypot(*self.state.shift_mm)) if kind == "detached" else 0.0
        size = motion.size_mm if steady else believed
        return Reading(kind, place, where, size, max(0.2, motion.sigma_mm), "mm")

    # -- strands ------------------------------------------------------------------------------

    def _strand_region(self) -> Bools:
        """Places of the bed within 60 mm of the part, not under anything that is printed."""
        bed = self._placer.bed
        grid = bed.points_mm.reshape(*bed.shape, 3)
        printed = np.zeros(bed.shape, dtype=np.uint8)
        corner = grid[0, 0, :2]
        for rings in (
            self._solid.rings_mm[:: max(1, len(self._solid.rings_mm) // 40)]
            + self._solid.rings_mm[:2]
        ):
            for ring in rings:
                cells = np.round((ring - corner) / bed.step_mm).astype(np.int32)
                cv2.fillPoly(printed, [cells], 1)
        far = cv2.distanceTransform((printed == 0).astype(np.uint8), cv2.DIST_L2, 5) * bed.step_mm
        w, d = bed.size_mm
        on_bed = (
            (grid[..., 0] > 2)
            & (grid[..., 0] < w - 2)
            & (grid[..., 1] > 2)
            & (grid[..., 1] < d - 2)
        )
        return np.asarray((far > 2.5) & (far < 60) & on_bed)

    def _look_for_strands(
        self, placement: Placement, bgr: Picture, seen: npt.NDArray[np.float32]
    ) -> tuple[list[Reading], list[Outline]]:
        bed = self._placer.bed
        grid = placement.bed_px
        inside = self._region.ravel()
        height, width = seen.shape
        low = np.clip(np.floor(grid[inside].min(axis=0)).astype(int) - 8, 0, None)
        high = np.minimum(np.ceil(grid[inside].max(axis=0)).astype(int) + 9, [width, height])
        part = cv2.dilate((seen >= 0).astype(np.uint8), np.ones((11, 11), np.uint8))
        box = (slice(low[1], high[1]), slice(low[0], high[0]))
        among = np.zeros((height, width), dtype=np.uint8)
        cells = np.round(grid[inside]).astype(int)
        cells = cells[(cells >= 0).all(axis=1) & (cells < [width, height]).all(axis=1)]
        among[cells[:, 1], cells[:, 0]] = 1
        among[part > 0] = 0
        signal = np.zeros((height, width), dtype=np.float32)
        signal[box] = cv2.dilate(strand_signal(bgr[box], among[box] > 0), np.ones((2, 2), np.uint8))
        flat = bed.flat(signal, grid)
        hidden = bed.flat(part, grid) > 0
        length, area = self._strands.add(flat, self._region & ~hidden)
        outlines: list[Outline] = []
        standing = self._strands.standing.ravel()
        if standing.any():
            pieces, _ = cv2.findContours(
                self._strands.standing.astype(np.uint8),
                cv2.RETR_EXTERNAL,
                cv2.CHAIN_APPROX_NONE,
            )
            for piece in pieces:
                cells = piece[:, 0, 1] * bed.shape[1] + piece[:, 0, 0]
                outlines.append(Outline("strand", "bed", np.round(grid[cells], 1)))
        place = None
        if standing.any():
            middle = np.median(bed.points_mm[standing], axis=0)
            place = (float(middle[0]), float(middle[1]), 0.0)
        if area < 0.1 * float(self._region.sum()) * bed.step_mm**2:
            return [
                Reading(
                    "spaghetti", "bed", None, None, None, "mm", "the bed round the part is hidden"
                )
            ], outlines
        return [Reading("spaghetti", "bed", place, length, 4.0 + 0.1 * length, "mm")], outlines

    # -- pictures -----------------------------------------------------------------------------

    def _drawn(
        self, stations: Stations, shape: Field, found_px: Array, found: Bools
    ) -> list[Outline]:
        """Expected and measured edges as lines, each measured one named after its corner."""
        outlines: list[Outline] = []
        name = np.full(len(found), len(self.names))
        if self.corners and len(found):
            far = np.stack([distance_mm(shape.point_mm, c.place_mm) for c in self.corners])
            name = np.where(far.min(axis=0) < NEAR_MM, far.argmin(axis=0), name)
        for kind in (RIM, FOOT, UPRIGHT):
            chosen = np.flatnonzero(stations.kind == kind)
            for line in _lines(shape.pixel[chosen], np.zeros(len(chosen))):
                outlines.append(Outline("expected", "part", np.round(shape.pixel[chosen[line]], 1)))
            seen = chosen[found[chosen]]
            for line in _lines(shape.pixel[seen], name[seen]):
                places = [*self.names, "part"]
                place = places[int(name[seen[line[0]]])]
                outlines.append(Outline("measured", place, np.round(found_px[seen[line]], 1)))
        return outlines


def _lift_kind(corner: Corner) -> FaultKind:
    return "overhang-curl" if corner.overhang else "corner-lift"


def _alike(before: Array | None, now: Array) -> bool:
    """Whether two motions found in frames one after the other are the same or its going on."""
    if before is None:
        return False
    one, two = float(np.hypot(*before)), float(np.hypot(*now))
    return float(before @ now) > 0.8 * one * two and abs(two - one) < 5.0


def _straight(tangent: Array) -> npt.NDArray[np.int64]:
    """Number of the direction in which an outline runs, twelve to the turn: shape (n,)."""
    angle = np.degrees(np.arctan2(tangent[:, 1], tangent[:, 0]))
    return np.asarray(np.round(angle / 30.0).astype(np.int64) % 12)


def _lines(pixel: Array, group: Array) -> list[npt.NDArray[np.int64]]:
    """Cut places that follow one another into lines: indices, new where they jump or change."""
    if len(pixel) == 0:
        return []
    jump = np.hypot(*np.diff(pixel, axis=0).T) > 8.0
    cuts = np.flatnonzero(jump | (np.diff(group) != 0)) + 1
    return [line for line in np.split(np.arange(len(pixel)), cuts) if len(line) > 1]

"""From a placed frame to readings: wires scene and measure for one run."""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import cv2
import numpy as np
import numpy.typing as npt

from watcher.measure.displacement import Motion, fit_motion
from watcher.measure.edges import (
    HALF_PX,
    REACH_PX,
    STEP_PX,
    Memory,
    extent_mask,
    read_profiles,
    shifts_against,
)
from watcher.measure.field import Field, neighbours
from watcher.measure.growth import Growth, growth_over_clock
from watcher.measure.lift import LIFTS_FROM, REACHES_MM, USUAL_REACH, fit_lifts, lift_columns, reach_costs, smooth_columns
from watcher.measure.picture import noise_of
from watcher.measure.strands import StrandMap, strand_signal
from watcher.records import Array, FaultKind, Outline, Picture, Reading
from watcher.scene.expected import FOOT, RIM, UPRIGHT, Stations, stations_at
from watcher.scene.place import Placement, Placer
from watcher.scene.solid import Corner, Solid

Grey = npt.NDArray[np.float32]
Bools = npt.NDArray[np.bool_]

FAR_PX = 3.0
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
    step_mm: Array = field(default_factory=lambda: np.zeros(2))


@dataclass(frozen=True)
class Looked:
    """What one frame showed of the part."""

    readings: tuple[Reading, ...]
    outlines: tuple[Outline, ...]
    growth_mm: float | None
    found_share: float


class Look:
    """Measures the part in frame after frame against toolpath and its own past."""

    def __init__(self, solid: Solid, corners: list[Corner], names: list[str], placer: Placer, parked: bool) -> None:
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
        self._motions: list[Array] = []
        self._steps: list[Array] = []
        self.loose = False
        self._odd_growth = 0.0

    # -- geometry of the frame ---------------------------------------------------------------

    def _geometry(self, placement: Placement, stations: Stations, layer: int) -> tuple[Field, Array, Bools, Bools]:
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
        wide = (below > 1.2) & (above > 1.2)
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
        total += shape.growing * (
            shape.per_mm[:, 2] * state.growth_mm + shape.per_mm[:, :2] @ state.step_mm
        )
        return total + columns @ state.lift_mm

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
        shape, along, extent, wide = self._geometry(placement, stations, layer)
        places = [c.place_mm for c in self.corners]
        reaches = np.array([REACHES_MM[i] for i in self.state.reach])
        columns = lift_columns(shape, places, reaches)
        predicted = self._predicted(shape, columns)
        soft = cv2.GaussianBlur(grey, (0, 0), 0.8)
        expected_px = shape.pixel + shape.normal * predicted[:, None]
        profiles = read_profiles(soft, expected_px, shape.normal, HALF_PX + REACH_PX)
        rows = self._memory.rows(stations.key)
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
        # Five neighbours share each reading; a lens and a rough wall leave some hundredths of a px.
        sigma = 2.0 * np.hypot(shifts.sigma_px, 0.03)
        measured = replace(
            shape,
            shift_px=np.where(trusted, shifts.value_px + predicted, 0.0),
            sigma_px=np.where(trusted, sigma, np.inf),
        )
        able = wide & (self._memory.count[rows] >= Memory.TRUSTED)
        share = float(trusted.sum() / able.sum()) if able.sum() >= 20 else 0.0
        growing = able & stations.growing & (shifts.agreement > -1)
        tall = growth_over_clock(
            shifts.score[growing],
            STEP_PX,
            (shape.per_mm[:, 2] * self.state.growth_mm)[growing],
            shape.per_mm[growing, 2],
            shifts.contrast[growing],
        )
        readings, growth = self._fits(measured, places, columns, placement, layer, tall)
        strands, outlines = self._look_for_strands(placement, bgr, seen)
        readings += strands
        found_px = shape.pixel + shape.normal * measured.shift_px[:, None]
        outlines += self._drawn(stations, shape, found_px, measured.found)
        # Learn in the frame of what is now believed.
        again = self._predicted(shape, lift_columns(shape, places, reaches))
        where = shape.pixel + shape.normal * again[:, None]
        fresh = read_profiles(soft, where, shape.normal, HALF_PX)
        pick = np.flatnonzero(wide)
        self._memory.learn(
            rows[pick], fresh[pick], extent[pick], like[pick], ~stations.growing[pick]
        )
        return Looked(tuple(readings), tuple(outlines), growth, share)

    def _fits(
        self, measured: Field, places: list[tuple[float, float, float]], columns: Array, placement: Placement, layer: int, growth: Growth | None
    ) -> tuple[list[Reading], float | None]:
        assert placement.time is not None
        readings: list[Reading] = []
        use = measured.found
        height = float(self._solid.z_mm[layer] - (self._solid.z_mm[layer - 1] if layer else 0.0))
        slack = float(np.hypot(placement.time.sigma_mm, 0.0 if self._parked else 0.5 * height))
        state = self.state
        if int(use.sum()) < 12:
            why = "the part is hidden or not yet tall enough"
            for corner, name in zip(self.corners, self.names, strict=True):
                readings.append(_unseen(corner, name, why))
            readings.append(Reading("detached", "part", None, None, None, "mm", why))
            readings.append(Reading("layer-step", "upper layers", None, None, None, "mm", why))
            readings.append(Reading("no-growth", "top", None, None, None, "mm", why))
            return readings, None
        seen_growing = growth is not None and growth.agreement > 0.45 and growth.sigma_mm < 0.6
        odd = False
        if growth is not None and seen_growing:
            error = float(np.hypot(growth.sigma_mm, slack))
            readings.append(Reading("no-growth", "top", None, growth.height_mm, error, "mm"))
            odd = abs(growth.height_mm) > 3 * growth.sigma_mm + 0.3 + slack
            again = odd and abs(growth.height_mm - self._odd_growth) < 0.8
            self._odd_growth = growth.height_mm if odd else 0.0
            state.growth_mm = growth.height_mm if again else 0.5 * state.growth_mm
        else:
            readings.append(
                Reading("no-growth", "top", None, None, None, "mm", "the growing edge is hidden")
            )
        about = (growth.height_mm, 0.2) if growth is not None and odd else (0.0, max(0.05, slack))
        z = float(self._solid.z_mm[layer])
        pose = min(0.1 + 0.03 * z, 0.6)
        lifts = fit_lifts(measured, columns, placement.sigma_px, about, pose)
        values = lifts.value[LIFTS_FROM:]
        sigma = lifts.sigma()[LIFTS_FROM:]
        self._learn_reach(measured, columns, places, values, placement.sigma_px, about, pose)
        # The whole part, and its upper layers, against the bed.
        nuisance = np.column_stack(
            [measured.normal, measured.per_mm[:, 2] * measured.growing, smooth_columns(measured), columns]
        )
        shift = max(placement.sigma_px, 0.05)
        pinned = np.concatenate(
            [[shift, shift, max(0.3, slack)], np.full(6, pose), np.full(len(places), 0.5)]
        )
        less = replace(measured, shift_px=measured.shift_px - columns @ state.lift_mm)
        motion = fit_motion(less, np.ones(len(use)), self.middle_mm, nuisance, pinned, turns=True)
        readings.append(self._steady(motion, self._motions, "detached", "part"))
        standing = int((use & ~measured.growing & ~measured.foot).sum())
        step = None
        if standing > 40:
            step = fit_motion(
                less, measured.growing.astype(float), self.middle_mm, nuisance, pinned, turns=False
            )
        readings.append(self._steady(step, self._steps, "layer-step", "upper layers"))
        loose = self._believe(motion, step)
        for k, (corner, name) in enumerate(zip(self.corners, self.names, strict=True)):
            value, error = float(values[k]), float(sigma[k])
            near = np.abs(columns[:, k]) > 0.15 * np.abs(measured.per_mm[:, 2]) + 1e-6
            found = int((near & use).sum())
            if error > MOST_SIGMA_MM or found < 5 or found < 0.25 * near.sum():
                readings.append(_unseen(corner, name, "hidden or without contrast"))
                continue
            kind: FaultKind = "overhang-curl" if corner.overhang else "corner-lift"
            readings.append(Reading(kind, name, corner.place_mm, value, error, "mm"))
            if not loose:
                self._follow_lift(k, value, error)
        return readings, growth.height_mm if growth is not None and seen_growing else None

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
        most = int(np.argmax(lifts))
        if lifts[most] < 0.5:
            return
        costs = reach_costs(measured, columns, places, most, registration_px, growth, pose_px)
        total = 0.95 * self.state.reach_cost[most] + costs
        self.state.reach_cost[most] = total
        if float(np.median(total)) > 10.0:
            self.state.reach[most] = int(np.argmin(total))

    def _steady(
        self, motion: Motion | None, recent: list[Array], kind: FaultKind, place: str
    ) -> Reading:
        """Reading of a motion: the mean vector of three frames, so that what has no steady
        direction cancels."""
        where = (float(self.middle_mm[0]), float(self.middle_mm[1]), 0.0)
        if motion is None:
            recent.clear()
            return Reading(kind, place, where, None, None, "mm", "too little of the part is seen")
        recent.append(motion.shift_mm)
        del recent[:-3]
        if len(recent) < 3:
            return Reading(kind, place, where, None, None, "mm", "too little of the part is seen")
        mean = np.mean(recent, axis=0)
        spread = float(np.sqrt(np.mean(np.sum((np.array(recent) - mean) ** 2, axis=1)) / 2))
        sigma = max(0.05, motion.sigma_mm, spread)
        return Reading(kind, place, where, float(np.hypot(*mean)), sigma, "mm")

    def _believe(self, motion: Motion | None, step: Motion | None) -> bool:
        """Follow a motion of the part that two frames running agree on; true when it is loose.

        Following on less would let the template walk away with its own noise.
        """
        state = self.state
        if _clear(motion, 1.0) and _agree(self._motions):
            assert motion is not None
            state.shift_mm = state.shift_mm + 0.7 * (motion.shift_mm - state.shift_mm)
            state.turn_deg += 0.7 * (motion.turn_deg - state.turn_deg)
            self.loose = True
        if not self.loose and _clear(step, 0.6) and _agree(self._steps):
            assert step is not None
            state.step_mm = state.step_mm + 0.5 * (step.shift_mm - state.step_mm)
        return self.loose

    # -- strands ------------------------------------------------------------------------------

    def _strand_region(self) -> Bools:
        """Places of the bed within 60 mm of the part, not under anything that is printed."""
        bed = self._placer.bed
        grid = bed.points_mm.reshape(*bed.shape, 3)
        printed = np.zeros(bed.shape, dtype=np.uint8)
        corner = grid[0, 0, :2]
        for rings in self._solid.rings_mm[:: max(1, len(self._solid.rings_mm) // 40)] + self._solid.rings_mm[:2]:
            for ring in rings:
                cells = np.round((ring - corner) / bed.step_mm).astype(np.int32)
                cv2.fillPoly(printed, [cells], 1)
        far = cv2.distanceTransform((printed == 0).astype(np.uint8), cv2.DIST_L2, 5) * bed.step_mm
        w, d = bed.size_mm
        on_bed = (grid[..., 0] > 2) & (grid[..., 0] < w - 2) & (grid[..., 1] > 2) & (grid[..., 1] < d - 2)
        return np.asarray((far > 2.5) & (far < 60) & on_bed)

    def _look_for_strands(
        self, placement: Placement, bgr: Picture, seen: npt.NDArray[np.float32]
    ) -> tuple[list[Reading], list[Outline]]:
        bed = self._placer.bed
        camera, offset = placement.camera, placement.offset_mm
        grid = camera.project(bed.points_mm + offset)
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
        flat = bed.flat(camera, signal, offset)
        hidden = bed.flat(camera, part, offset) > 0
        length, area = self._strands.add(flat, self._region & ~hidden)
        outlines: list[Outline] = []
        standing = self._strands.standing.ravel()
        if standing.any():
            outlines.append(Outline("strand", "bed", np.round(grid[standing], 1)))
        place = None
        if standing.any():
            middle = np.median(bed.points_mm[standing], axis=0)
            place = (float(middle[0]), float(middle[1]), 0.0)
        if area < 0.1 * float(self._region.sum()) * bed.step_mm**2:
            return [Reading("spaghetti", "bed", None, None, None, "mm", "the bed round the part is hidden")], outlines
        return [Reading("spaghetti", "bed", place, length, 4.0 + 0.1 * length, "mm")], outlines

    # -- pictures -----------------------------------------------------------------------------

    def _drawn(self, stations: Stations, shape: Field, found_px: Array, found: Bools) -> list[Outline]:
        outlines = []
        for kind, name in ((RIM, "rim"), (FOOT, "foot"), (UPRIGHT, "upright")):
            chosen = stations.kind == kind
            if chosen.any():
                outlines.append(Outline("expected", name, np.round(shape.pixel[chosen], 1)))
            if (chosen & found).any():
                outlines.append(Outline("measured", name, np.round(found_px[chosen & found], 1)))
        return outlines


def _unseen(corner: Corner, name: str, why: str) -> Reading:
    kind: FaultKind = "overhang-curl" if corner.overhang else "corner-lift"
    return Reading(kind, name, corner.place_mm, None, None, "mm", why)


def _clear(motion: Motion | None, least_mm: float) -> bool:
    """Whether a motion is large and explains most of what is seen."""
    return motion is not None and motion.size_mm > max(least_mm, 1.7 * motion.sigma_mm)


def _agree(recent: list[Array]) -> bool:
    """Whether the last two motions point the same way."""
    if len(recent) < 2:
        return False
    one, two = recent[-2], recent[-1]
    return float(np.hypot(*(two - one))) < 0.5 * float(np.hypot(*two)) + 0.5

"""From a placed frame to readings: wires scene and measure for one run."""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import cv2
import numpy as np
import numpy.typing as npt
from scipy.spatial import cKDTree

from watcher.measure.displacement import (
    LEAST_AGREEMENT,
    Drift,
    Motion,
    agreement_at,
    chamfer,
    common_motion,
    layer_step,
    lost_part,
    outline_maps,
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
from watcher.measure.field import Field, Fit, neighbours, scatter_along, vote, votes_at
from watcher.measure.growth import Growth, growth_over_clock
from watcher.measure.lift import (
    LIFTS_FROM,
    OVERHANG_REACH,
    REACHES_MM,
    USUAL_REACH,
    distance_mm,
    edge_curl,
    fit_lifts,
    lift_columns,
    lift_design,
    reach_costs,
    side_disagreement,
)
from watcher.measure.picture import noise_of
from watcher.measure.strands import StrandMap, seen_strands
from watcher.overlay.record import Found, Measured, Tip
from watcher.records import Array, FaultKind, Outline, Picture, Reading
from watcher.scene.expected import FOOT, LEDGE, RIM, UPRIGHT, Stations, stations_at
from watcher.scene.place import Placement, Placer
from watcher.scene.solid import Corner, Solid

Grey = npt.NDArray[np.float32]
Bools = npt.NDArray[np.bool_]

LOOSE_MM, TALL_MM = 0.8, 0.5
"""A motion that is followed once it is clear; a height that is more than the clock's error."""
SURE_AGREEMENT = 0.42
"""Share of the edges that must agree with a motion before it counts against lying still."""
FEWEST_STANDING = 20
"""So many edges below the layer being printed tell whether the whole part has moved."""
FOLLOWED_MM = 0.5
PENDING_MM = 0.35
NEAR_MM = 30.0
"""Edges this near to a corner are drawn as the corner's own."""
FAR_PX = 3.0
SHARED_PX = 0.2
"""Scatter along an edge above which its places err together rather than one by one."""
SHEET_PX = 2.0
"""A wall that shows no more than this is a sheet."""
SUNK_PX, JUMP_PX, JUMP_UNSEEN_PX = 2.0, 4.0, 0.3
"""How far an edge may seem to sink, to jump up, and how much farther for each picture missed."""
NEVER = 1000.0
"""Frames since a corner was seen that nobody has seen yet."""
KNOWN_FRAMES = 3
"""So long a reading of an overhang's corner says how its other edges lie."""
LENDER_FRAMES, FEWEST_LENDERS = 5, 5
"""Pictures after which a place's look may stand for its edge, and how many such places it takes."""
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


@dataclass(frozen=True)
class _Newest:
    """What the last frame left behind, for :meth:`Look.measured`."""

    placement: Placement
    layer: int
    seen: npt.NDArray[np.float32]
    stations: Stations
    field: Field
    columns: Array
    able: Bools
    readings: tuple[Reading, ...]


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
        self._over_air = np.array([corner.overhang for corner in corners], dtype=bool)
        self.state = PartState(
            np.zeros(count),
            np.where(self._over_air, OVERHANG_REACH, USUAL_REACH),
            np.zeros((count, len(REACHES_MM))),
        )
        foot = np.concatenate(solid.rings_mm[solid.foot_index])
        self.middle_mm = (foot.min(axis=0) + foot.max(axis=0)) / 2
        self._region = self._strand_region()
        rows, columns = (np.flatnonzero(self._region.any(axis=a)) for a in (1, 0))
        self._around = tuple(
            slice(int(used[0]), int(used[-1]) + 1) if len(used) else slice(0, 0)
            for used in (rows, columns)
        )
        """Rows and columns of the bed's grid that hold the strands' region."""
        self._strands = StrandMap(self._region[self._around].shape, placer.bed.step_mm)
        self.loose = False
        self._raised = np.zeros(count)
        self._unseen = np.where(self._over_air, NEVER, 0.0)
        self._odd_growth = 0.0
        self._drift = Drift()
        self._stepped = Drift(least_margin=0.2, sure_margin=0.3, still_mm=0.2)
        self._lift_fit: Fit | None = None
        self._newest: _Newest | None = None

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
        # A brim, a first layer alone or a wall seen end-on is a sheet: rim and foot are one edge.
        whole_px = (solid.z_mm[solid.last[stations.track]] - bottom) * np.abs(per_mm[:, 2])
        sheet = np.where(stations.growing, whole_px, wall_px + 1.0) < SHEET_PX
        below = np.where((stations.kind == RIM) & facing & ~sheet, short, HALF_PX)
        # Behind a far edge lies the bed with the part's own growing shadow: little of it counts.
        lower = (stations.kind == FOOT) | (stations.kind == LEDGE)
        above = np.where(lower, short, HALF_PX)
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

    def _templates(
        self,
        stations: Stations,
        shape: Field,
        rows: npt.NDArray[np.int64],
        extent: Bools,
        columns: Array,
    ) -> tuple[Array, Bools, Bools]:
        """What each station should look like, which samples count, and which looks are lent.

        The rim of an overhang has no past on the bed: where it curls it does so from its first
        layers on, and never looks flat. It is compared with what the same straight edge looks like
        farther away.
        """
        template = self._memory.template[rows]
        mask = self._memory.mask(rows, extent)
        lent = np.zeros(len(rows), dtype=bool)
        if not self._over_air.any() or shape.edge is None:
            return template, mask, lent
        near = (np.abs(columns[:, self._over_air]) > 0.02 * np.abs(shape.per_mm[:, 2:])).any(axis=1)
        rim = shape.edge >= 0
        known = self._memory.count[rows] >= LENDER_FRAMES
        for edge in np.unique(shape.edge[rim & near]):
            here = rim & (shape.edge == edge)
            lender = np.flatnonzero(here & ~near & known)
            poor = np.flatnonzero(here & near)
            if len(lender) < FEWEST_LENDERS:
                continue
            looks = template[lender] - template[lender].mean(axis=1, keepdims=True)
            seen = mask[lender].mean(axis=0) > 0.5
            template[poor] = np.median(looks, axis=0)
            mask[poor] = extent[poor] & seen
            lent[poor] = True
        return template, mask, lent

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
        return np.asarray(total + self._lifted(shape, columns), dtype=np.float64)

    def _lifted(self, shape: Field, columns: Array) -> Array:
        """The lifts' part of that displacement, px: shape (n,)."""
        # An edge that still grows is drawn anew each layer: small lifts of it are not followed, or
        # noise would carry its template away for good.
        lift = self.state.lift_mm
        plain = np.where(lift > FOLLOWED_MM, lift, 0.0)
        return np.asarray(np.where(shape.growing, columns @ plain, columns @ lift))

    def _impossible(
        self, shape: Field, columns: Array, shift_px: Array, growth: Growth | None
    ) -> Bools:
        """Matches that no lift explains: shape (n,).

        Nothing sinks into the bed and nothing jumps up by millimetres between two pictures; such a
        match is another line, of a shadow or of the wall's foot.
        """
        lifted = self._lifted(shape, columns)
        late = 0.0 if growth is None else growth.height_mm - self.state.growth_mm
        rise = shift_px + lifted - shape.growing * shape.per_mm[:, 2] * late
        touched = np.abs(columns) > 0.1 * np.abs(shape.per_mm[:, 2:]) + 1e-6
        unseen = (touched * self._unseen).max(axis=1) if columns.shape[1] else np.zeros(len(rise))
        return np.asarray((rise < -SUNK_PX) | (rise - lifted > JUMP_PX + JUMP_UNSEEN_PX * unseen))

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
        template, mask, lent = self._templates(stations, shape, rows, extent, columns)
        shifts = shifts_against(
            template,
            mask,
            profiles,
            near,
            max(0.35 * noise, 0.3),
        )
        known = ((self._memory.count[rows] >= 1) | lent) & wide
        like = (
            known
            & (shifts.agreement > 0.6)
            & (shifts.gain > 0.6)
            & (shifts.gain < 1.7)
            & np.isfinite(shifts.sigma_px)
        )
        # A growing edge that passes through an older edge's profile would be taken for its motion.
        crowded = _crowded(shape.pixel, shape.normal, stations.growing)
        trusted = like & ((self._memory.count[rows] >= Memory.TRUSTED) | lent) & ~crowded
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
        old = able & ~lent & (room_px >= FAR_PX) & (self._memory.count[rows] >= 5)
        growing = old & stations.growing
        tall = growth_over_clock(
            shifts.score[growing],
            STEP_PX,
            (shape.per_mm[:, 2] * self.state.growth_mm)[growing],
            shape.per_mm[growing, 2],
            shifts.contrast[growing],
            self.state.growth_mm,
        )
        wrong = self._impossible(shape, columns, shifts.value_px, tall)
        measured = replace(measured, sigma_px=np.where(wrong, np.inf, measured.sigma_px))
        standing = old & ~stations.growing
        tangent = self._solid.tangent[stations.track]
        motion, step = self._motions(shape, shifts, tangent, standing, growing)
        if step is not None and tall is not None and abs(tall.height_mm) > TALL_MM:
            # Layers that stand lower or higher as a whole are no step aside.
            step = replace(step, margin=min(step.margin, step.agreement - tall.agreement))
        if motion is not None and motion.clear(LOOSE_MM):
            bent = self._agree_lifted(measured, columns, predicted, shifts, placement, old)
            motion = replace(motion, margin=min(motion.margin, motion.agreement - bent))
        if motion is not None and motion.agreement < LEAST_AGREEMENT and share < 0.3:
            motion = self._search(shown, old) or motion
        if self.loose and motion is not None:
            self._doubt(shown, old)
        readings = self._fits(measured, places, columns, placement, layer, tall, able | lent)
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
        # What is first seen beside an overhang's corner is learnt as it lies only where it lies.
        unknown = self._over_air & ((self._unseen > KNOWN_FRAMES) | (self._raised > PENDING_MM))
        unclear |= ~stations.growing & (share_here & unknown).any(axis=1)
        strange = like & (np.abs(shifts.value_px) > 1.5)
        pick = np.flatnonzero(wide & ~strange & ~unclear & ~crowded)
        self._memory.learn(
            rows[pick], fresh[pick], extent[pick], like[pick], ~stations.growing[pick]
        )
        self._newest = _Newest(
            placement, layer, seen, stations, measured, columns, able, tuple(readings)
        )
        return Looked(tuple(readings), tuple(outlines), share)

    def measured(self) -> Measured | None:
        """The newest measured frame place by place, to be drawn; None before the first."""
        now = self._newest
        if now is None:
            return None
        field = now.field
        aside, lifted = np.zeros(len(field.pixel)), np.full(len(field.pixel), np.nan)
        if self._lift_fit is not None:
            share = lift_design(field, now.columns) * self._lift_fit.value
            one_each = slice(LIFTS_FROM, LIFTS_FROM + len(self.corners))
            lifted = share[:, one_each].sum(axis=1)
            aside = share.sum(axis=1) - lifted
        edge = np.full(len(field.pixel), -1, dtype=np.int64)
        count = 0
        for kind in (RIM, FOOT, UPRIGHT):
            chosen = np.flatnonzero(now.stations.kind == kind)
            for line in _lines(field.pixel[chosen], np.zeros(len(chosen))):
                edge[chosen[line]] = count
                count += 1
        return Measured(
            expected_px=field.pixel,
            normal=field.normal,
            shift_px=np.where(field.found, field.shift_px, np.nan),
            sigma_px=field.sigma_px,
            aside_px=aside,
            lifted_px=lifted,
            hidden=now.able & ~field.found,
            edge=edge,
            rings_px=_borders(now.seen >= 0),
            region_px=self._region_px(now.placement),
            tips=self._tips(now),
            found=self._found(now),
        )

    def _region_px(self, placement: Placement) -> tuple[Array, ...]:
        grid = placement.bed_px.reshape(*self._placer.bed.shape, 2)
        return tuple(
            grid[cells[:, 1].astype(int), cells[:, 0].astype(int)]
            for cells in _borders(self._region)
        )

    def _tips(self, now: _Newest) -> tuple[Tip, ...]:
        lifts = {r.place: r for r in now.readings if r.kind in ("corner-lift", "overhang-curl")}
        tips = []
        for corner, name in zip(self.corners, self.names, strict=True):
            reading = lifts[name]
            place = np.array([corner.place_mm]) + now.placement.offset_mm
            pixel = now.placement.camera.project(place)[0]
            tips.append(Tip(name, pixel, reading.value, reading.sigma, reading.unseen))
        return tuple(tips)

    def _found(self, now: _Newest) -> tuple[Found, ...]:
        """Part or top layer at the places where readings say that they are."""
        z = float(self._solid.z_mm[now.layer])
        rings = self._solid.rings_mm[now.layer]
        middle = np.array([[*self.middle_mm, z]])
        camera, offset = now.placement.camera, now.placement.offset_mm

        def at(shift: Array, turn_deg: float = 0.0) -> tuple[tuple[Array, ...], Array]:
            turn = np.radians(turn_deg)
            spin = np.array([[np.cos(turn), np.sin(turn)], [-np.sin(turn), np.cos(turn)]])
            lines = []
            for ring in rings:
                flat = (ring - self.middle_mm) @ spin + self.middle_mm
                there = np.column_stack([flat, np.full(len(flat), z)]) + shift + offset
                lines.append(camera.project(there))
            return tuple(lines), camera.project(middle + shift + offset)[0]

        start = camera.project(middle + offset)[0]
        found = []
        for reading in now.readings:
            shift: Array | None = None
            turn = 0.0
            if reading.value is None:
                continue
            if reading.kind == "no-growth":
                shift = np.array([0.0, 0.0, reading.value])
            elif reading.kind in ("detached", "layer-step"):
                level = (self._drift if reading.kind == "detached" else self._stepped).level
                shift, turn = np.array([*level[:2], 0.0]), float(level[2])
            if shift is not None:
                lines, end = at(shift, turn)
                found.append(Found(reading.kind, lines, start, end))
        return tuple(found)

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
        able: Bools,
    ) -> list[Reading]:
        assert placement.time is not None
        readings: list[Reading] = []
        use = measured.found
        height = float(self._solid.z_mm[layer] - (self._solid.z_mm[layer - 1] if layer else 0.0))
        slack = float(np.hypot(placement.time.sigma_mm, 0.0 if self._parked else 0.5 * height))
        state = self.state
        self._lift_fit = None
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
            x, y = (float(v) for v in self.middle_mm)
            top = (x, y, float(self._solid.z_mm[layer]))
            readings.append(Reading("no-growth", "top", top, growth.height_mm, error, "mm"))
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
        self._lift_fit = lifts
        one_each = slice(LIFTS_FROM, LIFTS_FROM + len(places))
        values = lifts.value[one_each]
        sigma = lifts.sigma()[one_each]
        self._learn_reach(measured, columns, places, values, placement.sigma_px, about, pose)
        missing = self.unseen("hidden or without contrast")
        self._unseen += 1
        for k, (corner, name) in enumerate(zip(self.corners, self.names, strict=True)):
            apart = side_disagreement(measured, columns, lifts, k)
            value, own = float(values[k]), float(sigma[k])
            if corner.overhang:
                curl = edge_curl(measured, columns, lifts, k, corner.place_mm)
                if curl is not None and curl.tip_sigma_mm < own:
                    value, own = curl.tip_mm, curl.tip_sigma_mm
            # No corner lies below the bed: what it reads below is error.
            below = max(0.0, -value - own)
            error = float(np.sqrt(own**2 + apart**2 + below**2))
            near = np.abs(columns[:, k]) > 0.15 * np.abs(measured.per_mm[:, 2]) + 1e-6
            found = int((near & use).sum())
            # An overhang's edges are many and come late: those not known yet are not hidden.
            could = near & able if corner.overhang else near
            if error > MOST_SIGMA_MM or found < 5 or found < 0.25 * could.sum():
                readings.append(missing[k])
                continue
            readings.append(Reading(_lift_kind(corner), name, corner.place_mm, value, error, "mm"))
            self._raised[k] = value
            self._unseen[k] = 0
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
        self, shape: Field, shifts: Shifts, tangent: Array, standing: Bools, growing: Bools
    ) -> tuple[Motion | None, Motion | None]:
        """Motion of what stands on the bed, and of the layer being printed against it."""
        columns = rigid_columns(shape.point_mm, shape.per_mm, self.middle_mm)
        state = self.state
        whole = np.array([*state.shift_mm, state.turn_deg])
        every = standing | growing
        motion = common_motion(
            shifts.score[every],
            STEP_PX,
            columns[every],
            whole,
            shifts.contrast[every],
            turns=True,
        )
        if motion is not None and motion.clear(LOOSE_MM) and standing.sum() >= FEWEST_STANDING:
            # What stands must have moved too, or only the newest layers have.
            change = np.array([*motion.shift_mm, motion.turn_deg]) - whole
            table, design = shifts.score[standing], columns[standing]
            there = agreement_at(table, STEP_PX, design, change)
            if there < 1.5 * agreement_at(table, STEP_PX, design, np.zeros(3)):
                motion = replace(motion, margin=0.0)
        step: Motion | None = None
        if motion is None or not motion.clear(LOOSE_MM):
            outward = np.column_stack([tangent[:, 1], -tangent[:, 0]])
            step = layer_step(
                shifts.score[growing],
                STEP_PX,
                columns[growing],
                outward[growing],
                shifts.contrast[growing],
            )
        if step is not None and standing.sum() >= FEWEST_STANDING:
            # Where what stands below has gone along, the whole part moves.
            table, design = shifts.score[standing], columns[standing]
            along = agreement_at(table, STEP_PX, design, np.array([*step.shift_mm, 0.0]))
            if along > agreement_at(table, STEP_PX, design, np.zeros(3)):
                step = replace(step, margin=0.0)
        return motion, step

    def _agree_lifted(
        self,
        measured: Field,
        columns: Array,
        predicted: Array,
        shifts: Shifts,
        placement: Placement,
        old: Bools,
    ) -> float:
        """Share of the edges that agree with lifted corners of a part that stays where it is."""
        if int(measured.found.sum()) < 12:
            return 0.0
        lifts = fit_lifts(measured, columns, placement.sigma_px, (0.0, 1.0), 1.0)
        corners = slice(LIFTS_FROM, LIFTS_FROM + columns.shape[1])
        rise = measured.per_mm[:, 2] * measured.growing * lifts.value[2]
        bent = columns @ lifts.value[corners] + rise - predicted
        return float(votes_at(shifts.score[old], STEP_PX, bent[old, None]).mean())

    def _doubt(self, shown: _Shown, old: Bools) -> None:
        """Take back that the part is loose where the picture agrees better without."""
        state = self.state
        trials = np.array([[*state.shift_mm, state.turn_deg], [0.0, 0.0, 0.0]])
        moved, still = self._agreements(shown, np.flatnonzero(old), trials)
        if still > LEAST_AGREEMENT and still > 1.3 * moved:
            state.shift_mm, state.turn_deg, self.loose = np.zeros(2), 0.0, False
            self._drift = Drift()

    def _agreements(self, shown: _Shown, pick: npt.NDArray[np.int64], trials: Array) -> Array:
        """Share of some stations that agree with each of h motions: shape (h,)."""
        mask = self._memory.mask(shown.rows[pick], shown.extent[pick])
        template = self._memory.template[shown.rows[pick]]
        result = np.zeros(len(trials))
        most = max(1, 30000 // max(1, len(pick)))
        for start in range(0, len(trials), most):
            block = trials[start : start + most]
            pixel, normal = self._moved(shown.placement, shown.shape, pick, block)
            profiles = read_profiles(
                shown.soft, pixel.reshape(-1, 2), normal.reshape(-1, 2), HALF_PX
            ).reshape(len(block), len(pick), -1)
            found = vote(agreement_of(template, mask, profiles))
            result[start : start + most] = found.mean(axis=1)
        return result

    def _search(self, shown: _Shown, old: Bools) -> Motion | None:
        """Look for a part that is not where it was, within 36 mm and 24 degrees.

        Where the outlines lie on outlines of the picture is tried with the edges' own looks.
        """
        pick = np.flatnonzero(old)
        if len(pick) < 60:
            return None
        pick = pick[np.linspace(0, len(pick) - 1, min(80, len(pick))).astype(int)]
        state = self.state
        here = np.array([*state.shift_mm, state.turn_deg])
        line, angle = np.arange(-36.0, 36.1, 1.5), np.arange(-24.0, 24.1, 4.0)
        trials = here + np.array([(x, y, a) for a in angle for x in line for y in line])
        maps = outline_maps(shown.soft)
        near = np.zeros(len(trials))
        for start in range(0, len(trials), 2000):
            pixel, normal = self._moved(
                shown.placement, shown.shape, pick, trials[start : start + 2000]
            )
            near[start : start + 2000] = chamfer(maps, pixel, normal)
        best: list[Array] = []
        for i in np.argsort(-near):
            apart = [np.abs((trials[i] - b) / np.array([2.0, 2.0, 5.0])).max() for b in best]
            if not apart or min(apart) > 1:
                best.append(trials[i])
            if len(best) == 8:
                break
        fine_line, fine_angle = np.arange(-1.5, 1.6, 0.5), np.arange(-4.0, 4.1, 2.0)
        around = np.array([(x, y, a) for a in fine_angle for x in fine_line for y in fine_line])
        fine = np.concatenate([here[None], *(b + around for b in best)])
        found = lost_part(self._agreements(shown, pick, fine), fine)
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
        # Seen from above-front a turn of the part turns its outlines the other way in the picture.
        c, w = np.cos(turn)[..., 0], np.sin(turn)[..., 0]
        n = shape.normal[pick]
        normal = np.stack(
            [
                c[:, None] * n[:, 0] + w[:, None] * n[:, 1],
                -w[:, None] * n[:, 0] + c[:, None] * n[:, 1],
            ],
            axis=2,
        )
        return pixel.reshape(len(motions), len(pick), 2), np.ascontiguousarray(normal)

    def _motion_readings(self, motion: Motion | None, step: Motion | None) -> list[Reading]:
        """Readings of both motions; a part that has clearly moved is followed from here on.

        Following on less would let the templates walk away with their own noise.
        """
        state = self.state
        where = (float(self.middle_mm[0]), float(self.middle_mm[1]), 0.0)
        why = "too little of the part is seen"
        readings: list[Reading] = []
        if motion is None or motion.agreement < LEAST_AGREEMENT:
            readings.append(Reading("detached", "part", where, None, None, "mm", why))
        else:
            drift = self._drift
            sure = motion.agreement > SURE_AGREEMENT or motion.margin < drift.least_margin
            if self.loose or sure:
                drift.update(motion, self.loose)
            if drift.clear(LOOSE_MM):
                state.shift_mm, state.turn_deg = drift.level[:2].copy(), float(drift.level[2])
                self.loose = True
            readings.append(Reading("detached", "part", where, drift.size_mm, drift.sigma_mm, "mm"))
        if step is None or step.agreement < LEAST_AGREEMENT:
            readings.append(Reading("layer-step", "upper layers", where, None, None, "mm", why))
            return readings
        if step.agreement > SURE_AGREEMENT:
            self._stepped.update(step, False)
        size, sigma = self._stepped.size_mm, self._stepped.sigma_mm
        readings.append(Reading("layer-step", "upper layers", where, size, sigma, "mm"))
        return readings

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
        return strands_on_bed(
            self._strands,
            bgr,
            placement.bed_px.reshape(*bed.shape, 2)[self._around],
            bed.points_mm.reshape(*bed.shape, 3)[self._around],
            self._region[self._around],
            seen >= 0,
        )

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
        for kind in (RIM, FOOT, UPRIGHT, LEDGE):
            chosen = np.flatnonzero(stations.kind == kind)
            for line in _lines(shape.pixel[chosen], np.zeros(len(chosen))):
                outlines.append(Outline("expected", "part", np.round(shape.pixel[chosen[line]], 1)))
            seen = chosen[found[chosen]]
            for line in _lines(shape.pixel[seen], name[seen]):
                places = [*self.names, "part"]
                place = places[int(name[seen[line[0]]])]
                outlines.append(Outline("measured", place, np.round(found_px[seen[line]], 1)))
        return outlines


def strands_on_bed(
    strands: StrandMap,
    bgr: Picture,
    grid_px: Array,
    grid_mm: Array,
    region: Bools,
    part: Bools,
) -> tuple[list[Reading], list[Outline]]:
    """Strands on the bed in one frame.

    Args:
        strands: what has been seen so far.
        bgr: shape (H, W, 3).
        grid_px: shape (R, C, 2), where the bed's grid falls in the picture.
        grid_mm: shape (R, C, 3), the same places on the bed.
        region: shape (R, C), places to look at.
        part: shape (H, W), pixels that the part covers.

    Returns:
        One reading, and the strands as outlines.

    """
    length, area = strands.add(seen_strands(bgr, grid_px, region, part), region)
    standing = strands.standing
    pieces, _ = cv2.findContours(
        standing.astype(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE
    )
    outlines = [
        Outline("strand", "bed", np.round(grid_px[piece[:, 0, 1], piece[:, 0, 0]], 1))
        for piece in pieces
    ]
    place = None
    if standing.any():
        middle = np.median(grid_mm[standing], axis=0)
        place = (float(middle[0]), float(middle[1]), 0.0)
    step_mm = float(np.hypot(*(grid_mm[0, 1] - grid_mm[0, 0])[:2]))
    if area < 0.1 * float(region.sum()) * step_mm**2:
        why = "the bed round the part is hidden"
        return [Reading("spaghetti", "bed", None, None, None, "mm", why)], outlines
    return [Reading("spaghetti", "bed", place, length, 4.0 + 0.1 * length, "mm")], outlines


def _lift_kind(corner: Corner) -> FaultKind:
    return "overhang-curl" if corner.overhang else "corner-lift"


def _crowded(pixel: Array, normal: Array, growing: Bools) -> Bools:
    """Finished edges across whose profile a growing one runs: shape (n,)."""
    if not growing.any() or growing.all():
        return np.zeros(len(pixel), dtype=bool)
    others = pixel[growing]
    _, near = cKDTree(others).query(pixel, k=min(6, len(others)), distance_upper_bound=HALF_PX + 2)
    near = np.asarray(near).reshape(len(pixel), -1)
    there = near < len(others)
    offset = others[np.where(there, near, 0)] - pixel[:, None]
    across = np.abs(np.einsum("nkj,nj->nk", offset, normal))
    aside = np.abs(offset[..., 0] * normal[:, None, 1] - offset[..., 1] * normal[:, None, 0])
    return np.asarray((there & (across < HALF_PX + 1) & (aside < 3.0)).any(axis=1) & ~growing)


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


def _borders(mask: Bools) -> tuple[Array, ...]:
    """Outer and inner borders of what is set: closed lines of places (x, y), shape (k, 2)."""
    rings, _ = cv2.findContours(mask.astype(np.uint8), cv2.RETR_CCOMP, cv2.CHAIN_APPROX_NONE)
    return tuple(
        cv2.approxPolyDP(ring, 0.8, True)[:, 0].astype(np.float64)
        for ring in rings
        if len(ring) > 8
    )

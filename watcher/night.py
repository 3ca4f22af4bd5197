"""One run from frames to advice, without files, clocks or network."""

from __future__ import annotations

import cv2
import numpy as np
import numpy.typing as npt

from watcher.look import Look
from watcher.measure.picture import blinded
from watcher.overlay.record import Measured
from watcher.records import (
    Answer,
    FaultKind,
    Frame,
    Moment,
    Outline,
    Seen,
    Setup,
    Sight,
    Toolpath,
    View,
    Weights,
)
from watcher.scene.camera import camera_from_points
from watcher.scene.clock import LayerClock
from watcher.scene.expected import corner_names
from watcher.scene.place import Placement, Placer
from watcher.scene.solid import corners_of, solid_from_toolpath
from watcher.trouble import BadSetup
from watcher.unplanned import Unplanned
from watcher.weigh import Weigh

OVER = "the print is over"


class Night:
    """Watches one run. Give it every frame in order."""

    def __init__(
        self, setup: Setup, toolpath: Toolpath | None, weights: Weights | None = None
    ) -> None:
        """Prepare a run. Without a toolpath all is watched that needs none.

        Raises:
            BadSetup: where no camera fits the bed points.
            BadToolpath: where the toolpath has no outline.

        """
        self._setup = setup
        self._look: Look | Unplanned
        places: dict[FaultKind, int] = {}
        if toolpath is None:
            self._clock: LayerClock | None = None
            self._placer = Placer(setup, None, None)
            self._look = Unplanned(self._placer, setup.part_px, corner_names)
        else:
            solid = solid_from_toolpath(toolpath)
            corners = corners_of(solid, toolpath)
            self._clock = LayerClock(toolpath, setup.head_parked_for_frames)
            self._placer = Placer(setup, solid, self._clock)
            names = corner_names(camera_from_points(setup), corners)
            self._look = Look(solid, corners, names, self._placer, setup.head_parked_for_frames)
            places["corner-lift"] = sum(not corner.overhang for corner in corners)
            places["overhang-curl"] = sum(corner.overhang for corner in corners)
        self._weigh = Weigh(toolpath, weights or Weights(), places)
        self._layer = int(self._clock is not None)
        self._blind = True
        self._over = False

    def hear(self, answer: Answer) -> None:
        """Take in what a person said about the print; it counts from the next frame on."""
        self._weigh.hear(answer)

    def see(self, frame: Frame) -> Seen:
        """Judge one frame.

        Args:
            frame: must have the size that the setup names.

        Raises:
            BadSetup: where it has another size.

        """
        height, width = frame.bgr.shape[:2]
        if (width, height) != self._setup.frame_size:
            raise BadSetup(
                f"Frame {frame.name} is {width} x {height} pixels, the setup says "
                f"{self._setup.frame_size[0]} x {self._setup.frame_size[1]}.",
                "Set the camera to the size of the setup, or click the bed points again.",
            )
        grey = cv2.cvtColor(frame.bgr, cv2.COLOR_BGR2GRAY).astype(np.float32)
        why = blinded(grey)
        placed = why if why else self._placer.place(grey, frame.elapsed_s)
        if isinstance(placed, str):
            return self._not_seen(frame, placed)
        return self._seen(frame, placed, grey)

    def measured(self) -> Measured | None:
        """Place by place what was measured in the newest frame; None where it was not placed."""
        if self._blind or self._over or not isinstance(self._look, Look):
            return None
        return self._look.measured()

    def _seen(self, frame: Frame, placed: Placement, grey: npt.NDArray[np.float32]) -> Seen:
        layer = self._layer = placed.time.layer if placed.time is not None else 0
        self._blind = False
        view = View(True, placed.sigma_px, layer, self._mm_per_px(placed))
        if placed.over or self._over:
            return self._done(frame, view)
        if isinstance(self._look, Look):
            looked = self._look.measure(placed, frame.bgr, grey, layer - 1)
        else:
            looked = self._look.measure(placed, frame.bgr, grey)
        told = self._moved(frame, placed)
        notes = {
            "found_share": looked.found_share,
            "bed_offset_mm": float(placed.offset_mm @ np.array([0.0, 1.0, -1.0])),
            "knocked": float(placed.knocked_px > 0),
        }
        if self._clock is not None:
            notes["pace"] = self._clock.pace
        sight = Sight(
            frame.index, frame.name, frame.elapsed_s, layer, looked.readings, looked.found_share
        )
        return self._weighed(sight, view, looked.outlines, notes, told)

    def _moved(self, frame: Frame, placed: Placement) -> tuple[Moment, ...]:
        """A knock is worth a mark in the time-lapse, for the picture jumps there."""
        if placed.knocked_px == 0:
            return ()
        told = (
            f"The camera was moved, by about {placed.knocked_px:.0f} pixels of the picture; it was "
            "found again by the bed and the watch goes on."
        )
        return (Moment(frame.index, frame.name, frame.elapsed_s, "cannot-see", "carry on", told),)

    def _done(self, frame: Frame, view: View) -> Seen:
        """A frame after the last layer: a bed that drives out or a part that pops off as it cools
        is no fault, so nothing is judged any more."""
        marks: tuple[Moment, ...] = ()
        if not self._over:
            told = "The print is over; what follows is kept but not judged."
            marks = (
                Moment(frame.index, frame.name, frame.elapsed_s, "cannot-see", "carry on", told),
            )
        self._over = True
        readings = tuple(self._look.unseen(OVER))
        sight = Sight(frame.index, frame.name, frame.elapsed_s, self._layer, readings, over=True)
        return self._weighed(sight, view, (), {"over": 1.0}, marks)

    def _mm_per_px(self, placed: Placement) -> float:
        middle = np.array([[*self._look.middle_mm, 0.0]]) + placed.offset_mm
        scale = float(np.linalg.norm(placed.camera.jacobian(middle)[0][:, 0]))
        return 1.0 / max(scale, 1e-6)

    def _not_seen(self, frame: Frame, why: str) -> Seen:
        self._blind = True
        if self._over:
            why = OVER
        view = View(False, float("inf"), self._layer, float("nan"), why)
        readings = tuple(self._look.unseen(why))
        sight = Sight(
            frame.index,
            frame.name,
            frame.elapsed_s,
            self._layer,
            readings,
            blind=why,
            over=self._over,
        )
        return self._weighed(sight, view, (), {"over": 1.0} if self._over else {})

    def _weighed(
        self,
        sight: Sight,
        view: View,
        outlines: tuple[Outline, ...],
        notes: dict[str, float],
        marks: tuple[Moment, ...] = (),
    ) -> Seen:
        weighed = self._weigh.weigh(sight)
        return Seen(
            view,
            weighed.readings,
            weighed.suspicions,
            weighed.advice,
            marks + weighed.moments,
            outlines,
            notes,
            sight.readings,
        )

"""Small records to keep, and a picture."""

from __future__ import annotations

from collections.abc import Callable

import cv2
import numpy as np
import pytest

from watcher.records import (
    Advice,
    BedPoint,
    Frame,
    Layer,
    Moment,
    Outline,
    Reading,
    Seen,
    Setup,
    Suspicion,
    Toolpath,
    View,
)


@pytest.fixture
def setup() -> Setup:
    return Setup(
        frame_size=(64, 48),
        bed_mm=(220.0, 200.0),
        bed_motion="bed-z",
        head_parked_for_frames=True,
        bed_points=tuple(
            BedPoint((x / 4, y / 5), (x, y))
            for x, y in [(0.0, 0.0), (220.0, 0.0), (220.0, 200.0), (0.0, 200.0)]
        ),
        bed_points_z_mm=1.5,
    )


@pytest.fixture
def toolpath() -> Toolpath:
    ring = np.array([[0.0, 0.0], [10.0, 0.0], [10.0, 5.0]])
    return Toolpath(
        layers=tuple(Layer(n, 0.2 * n, 0.2, (ring,), 60.0 * n, 60.0, 12.0) for n in (1, 2, 3)),
        filament_mm=36.0,
        duration_s=180.0,
        line_width_mm=0.45,
    )


@pytest.fixture
def picture() -> Callable[[int], tuple[Frame, bytes]]:
    def make(number: int) -> tuple[Frame, bytes]:
        bgr = np.full((48, 64, 3), number % 250, dtype=np.uint8)
        jpeg = cv2.imencode(".jpg", bgr)[1].tobytes()
        return Frame(number, f"{number + 1:05}.jpg", 30.0 * number, bgr, 1.7e9 + 30 * number), jpeg

    return make


@pytest.fixture
def told() -> Callable[[int], Seen]:
    """What a made-up frame told: one corner lifts by 0.1 mm a frame, one is hidden."""

    def make(number: int) -> Seen:
        lift = 0.1 * number
        return Seen(
            view=View(True, 0.07, number + 1, 0.31),
            readings=(
                Reading("corner-lift", "right corner", (9.0, 1.0, 0.2), lift, 0.1, "mm"),
                Reading(
                    "corner-lift",
                    "left corner",
                    (1.0, 1.0, 0.2),
                    None,
                    None,
                    "mm",
                    "hidden by the head",
                ),
            ),
            suspicions=(
                Suspicion("corner-lift", "right corner", None, lift, 5.0, 2, lift, 0.1, "mm"),
            ),
            advice=Advice("carry on", "Nothing lifts.")
            if number < 10
            else Advice(
                "stop",
                "The right corner lifts.",
                "corner-lift",
                "right corner",
                (9.0, 1.0, 0.2),
                1.0,
                0.1,
                "mm",
                60.0,
            ),
            moments=(Moment(2, "00003.jpg", 60.0, "corner-lift", "stop", "Here it began."),)
            if number == 10
            else (),
            outlines=(Outline("measured", "right corner", np.array([[1.0, 2.0], [3.25, 4.5]])),),
            notes={"gain": 1.01},
        )

    return make

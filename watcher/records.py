"""What the rooms hand each other: frozen dataclasses with their units in the names.

Data flows one way:
``Frame`` -> ``View`` -> ``Reading`` -> ``Suspicion`` -> ``Advice`` and ``Moment``.
Coordinates: bed millimetres (x right, y back, z up, origin at the bed's front left corner) and
picture pixels (x right, y down, (0, 0) at the centre of the top left pixel).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[np.float64]
Picture = npt.NDArray[np.uint8]

BedMotion = Literal["bed-y", "bed-z", "fixed"]
FaultKind = Literal[
    "corner-lift",
    "overhang-curl",
    "spaghetti",
    "detached",
    "layer-step",
    "no-growth",
    "cannot-see",
]
Level = Literal["carry on", "have a look", "stop"]


@dataclass(frozen=True)
class Frame:
    """One picture as it came from the camera."""

    index: int
    """Counts from 0 in the order in which the run took its pictures."""
    name: str
    """File name within the run, for instance ``00001.jpg``."""
    elapsed_s: float
    """Seconds since the print began."""
    bgr: Picture
    """Shape (H, W, 3), uint8, blue-green-red."""
    utc_s: float | None = None
    """Seconds since 1970 in UTC when the picture was taken, where known."""


@dataclass(frozen=True)
class Layer:
    """One layer of the toolpath."""

    number: int
    """Counts from 1."""
    z_mm: float
    """Height of the nozzle while it is printed, which is the top of the layer."""
    height_mm: float
    rings_mm: tuple[Array, ...]
    """Closed rings of shape (n, 2), the last point not repeated; outer rings run
    counter-clockwise, holes clockwise. Half a line width is included."""
    start_s: float
    """Nominal seconds from the start of the program."""
    duration_s: float
    filament_mm: float
    """Length of filament that this layer takes."""


@dataclass(frozen=True)
class Toolpath:
    """A print as its G-code describes it."""

    layers: tuple[Layer, ...]
    filament_mm: float
    duration_s: float
    """Nominal seconds for the whole program, heating and waiting left out."""
    line_width_mm: float


@dataclass(frozen=True)
class BedPoint:
    """One point that the user clicked: where a place on the bed stands in the first frame."""

    pixel: tuple[float, float]
    bed_mm: tuple[float, float]


@dataclass(frozen=True)
class BedMarker:
    """A printed marker that lies on the bed, its top edge away from the bed's front."""

    number: int
    bed_mm: tuple[float, float]
    """Where its front left corner lies."""
    side_mm: float
    """Length of its black square."""


@dataclass(frozen=True)
class Setup:
    """What the user says once about camera and machine."""

    frame_size: tuple[int, int]
    """Width and height in pixels."""
    bed_mm: tuple[float, float]
    bed_motion: BedMotion
    head_parked_for_frames: bool
    bed_points: tuple[BedPoint, ...]
    bed_points_z_mm: float = 0.0
    """How far the bed had sunk when the points were clicked (``bed-z``)."""
    part_px: tuple[tuple[float, float], ...] = ()
    """Region of the part as drawn in the first frame; only used where there is no toolpath."""
    bed_markers: tuple[BedMarker, ...] = ()
    room_markers: bool = False
    """Whether printed markers are fixed in the room."""


@dataclass(frozen=True)
class Reading:
    """One measured value at one watched place in one frame, or the reason why there is none."""

    kind: FaultKind
    place: str
    """Short name that stays the same over the run, for instance ``front right corner``."""
    place_mm: tuple[float, float, float] | None
    value: float | None
    sigma: float | None
    unit: str
    unseen: str = ""
    """Why nothing was measured (``hidden by the head``); empty when ``value`` is given."""


@dataclass(frozen=True)
class Sight:
    """What one frame showed, without its picture: enough to judge it again."""

    index: int
    name: str
    elapsed_s: float
    layer: int
    readings: tuple[Reading, ...]
    """As measured, before any zero was taken off."""
    found_share: float = 0.0
    """Share of the part's known edges that were found, 0 to 1."""
    blind: str = ""
    """Why the frame showed nothing at all."""
    over: bool = False
    """Whether the print is over, so that nothing is judged any more."""


@dataclass(frozen=True)
class Outline:
    """A line to draw over the picture, in pixels of the frame."""

    role: Literal["expected", "measured", "region", "strand"]
    place: str
    points_px: Array
    """Shape (n, 2)."""


@dataclass(frozen=True)
class View:
    """Where bed and part stand in one frame."""

    registered: bool
    sigma_px: float
    """Standard deviation of the registration; infinite where ``registered`` is false."""
    layer: int
    """Layer being printed by the layer clock."""
    mm_per_px: float
    reason: str = ""
    """Why the frame could not be registered."""


@dataclass(frozen=True)
class Prices:
    """What things are worth to the user, in whatever currency; ``None`` where it was not said."""

    filament_per_kg: float | None = None
    machine_hour: float | None = None
    part: float | None = None
    """What a finished part is worth beyond its own filament and hours."""
    collision: float | None = None
    """What it costs when the head runs into the part: a nozzle, a bed, a morning's repair."""
    collision_ratio: float = 10.0
    """Lift over layer height at which a collision is as likely as not (common practice, no
    source: a nozzle clears a few layers' curl and no more)."""
    filament_diameter_mm: float = 1.75
    filament_density_g_cm3: float = 1.24
    """Of polylactide, from memory; nylons are near 1.1, polyesters near 1.27."""


@dataclass(frozen=True)
class Weights:
    """How the user wants advice to be weighed."""

    false_stops_per_100_nights: float = 1.0
    failing_nights_per_100: float = 10.0
    """How many of the user's nights fail: common practice, no source, until own nights are
    counted."""
    prices: Prices = Prices()


@dataclass(frozen=True)
class Stake:
    """What stopping now and carrying on may cost. Money is ``None`` where a price is missing."""

    spent_g: float
    spent_m: float
    spent_s: float
    to_come_g: float
    to_come_m: float
    to_come_s: float
    spent_money: float | None
    to_come_money: float | None
    part_money: float
    collision_money: float
    collision_chance: float
    """Chance of a collision if the print fails and goes on, by lift over layer height."""
    chance: float
    """Chance that the print is failing."""
    break_even: float | None
    """Chance of failing from which on stopping loses less than carrying on."""
    loss_stop: float | None
    """Expected loss of stopping now."""
    loss_carry_on: float | None
    """Expected loss of carrying on."""


Said = Literal["still fine", "it is failing", "stopped"]


@dataclass(frozen=True)
class Answer:
    """What a person said about a run, and the advice that it answers."""

    said: Said
    utc_s: float
    kind: FaultKind | None = None
    place: str = ""


@dataclass(frozen=True)
class Suspicion:
    """Evidence for one kind of fault at one place, accumulated over frames."""

    kind: FaultKind
    place: str
    place_mm: tuple[float, float, float] | None
    strength: float
    """Accumulated evidence; advice says stop where it passes ``threshold``."""
    threshold: float
    began_index: int
    """Index of the frame in which the fault is thought to have begun."""
    amount: float
    sigma: float
    unit: str
    per_hour: float | None = None
    """Growth of the amount since it began, where that is known."""
    chance: float | None = None
    """Chance that this is a fault and not the measuring error, 0 to 1."""


@dataclass(frozen=True)
class Advice:
    """What a person should do now, and why."""

    level: Level
    sentence: str
    kind: FaultKind | None = None
    place: str = ""
    place_mm: tuple[float, float, float] | None = None
    amount: float | None = None
    sigma: float | None = None
    unit: str = ""
    since_s: float | None = None
    """Elapsed seconds at which the fault is thought to have begun."""
    per_hour: float | None = None
    """Growth of the amount, units per hour."""
    at_end: float | None = None
    """Amount to expect at the end of the print if it goes on like this."""
    chance: float | None = None
    """Chance that the print is failing, 0 to 1."""
    unseen: tuple[str, ...] = ()
    """Watched places that could not be seen."""
    stake: Stake | None = None


@dataclass(frozen=True)
class Moment:
    """A frame worth jumping to in the time-lapse."""

    index: int
    name: str
    elapsed_s: float
    kind: FaultKind
    level: Level
    sentence: str


@dataclass(frozen=True)
class Seen:
    """Everything that one frame told: what ``night.Night.see`` returns."""

    view: View
    readings: tuple[Reading, ...]
    suspicions: tuple[Suspicion, ...]
    advice: Advice
    """The advice that holds after this frame; a *stop* stays."""
    moments: tuple[Moment, ...] = ()
    """New flagged moments; may point back to an earlier frame."""
    outlines: tuple[Outline, ...] = ()
    notes: Mapping[str, float] = field(default_factory=dict)
    """Extra figures for the record, by name with the unit in it."""
    measured: tuple[Reading, ...] = ()
    """What was measured, before the evidence took zeros off and smoothed: one for each of
    ``readings``. From these the frame can be judged again without its picture."""

"""What the store gives back: frozen dataclasses for the page and the command line."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from watcher.records import (
    Advice,
    Answer,
    FaultKind,
    Moment,
    Said,
    Setup,
    Toolpath,
    View,
    Weights,
)

Ending = Literal["finished", "left early"]
"""How a run was ended in order: its pictures ran out, or a person closed it."""

Truth = Literal["", "true fault", "false alarm"]
"""What a person found a flagged moment to be; empty where nobody said."""

State = Literal["watching", "finished", "left early", "interrupted"]
"""``watching`` while its writer lives; ``interrupted`` where the writer died without an end."""


@dataclass(frozen=True)
class ToolpathFacts:
    """What a run keeps of its toolpath."""

    layers: int
    height_mm: float
    filament_mm: float
    duration_s: float
    line_width_mm: float


@dataclass(frozen=True)
class Lift:
    """A corner lift."""

    place: str
    value_mm: float
    sigma_mm: float


@dataclass(frozen=True)
class RunLabel:
    """What tells the runs of one printer from those of others."""

    name: str
    source: str
    setup: Setup
    watch: str = ""


@dataclass(frozen=True)
class Run:
    """One watched print."""

    id: int
    name: str
    source: str
    started_utc_s: float
    """Seconds since 1970 in UTC."""
    ended_utc_s: float | None
    state: State
    setup: Setup
    toolpath: ToolpathFacts | None
    frames: int
    """Pictures kept."""
    skipped: int
    """Pictures that came but could not be used."""
    elapsed_s: float
    """Elapsed seconds of the newest picture; 0 where there is none."""
    newest_frame: str | None
    """Name of the newest picture."""
    advice: Advice | None
    """Advice after the newest judged picture."""
    moments: int
    biggest_lift: Lift | None
    """The greatest lift among those of at least three sigma, so that noise doesn't win."""
    watch: str = ""
    """Name of the watch, where there are several."""
    deleted_utc_s: float | None = None
    """When a person deleted it; ``None`` where nobody did."""


@dataclass(frozen=True)
class Listed:
    """One run as a list of many shows it: what can be read of all of them at once."""

    id: int
    name: str
    source: str
    watch: str
    started_utc_s: float
    state: State
    deleted_utc_s: float | None
    frame_size: tuple[int, int]
    """Width and height in pixels."""
    elapsed_s: float
    newest_frame: str | None
    advice: Advice | None
    """Advice after the newest judged picture: level, sentence, kind and place only."""
    kinds: frozenset[FaultKind]
    """Of the flagged moments and of the advice."""
    biggest_lift: Lift | None
    said: Said | None
    """The last answer of a person."""
    stopped_utc_s: float | None
    """When a person said that the print was stopped."""
    pace: float | None
    """Real over nominal time, as the newest judged frame knew it."""
    outcome: str
    """As a person judged the part, ``good`` or ``failed``; empty where nobody did."""
    material: str
    notes: str
    spool_id: int | None


@dataclass(frozen=True)
class Removed:
    """A deleted run that was removed for good."""

    run_id: int
    name: str
    freed: int
    """Bytes of its pictures."""


@dataclass(frozen=True)
class KeptFrame:
    """One picture of a run and where bed and part stood in it."""

    number: int
    """``Frame.index``."""
    name: str
    elapsed_s: float
    utc_s: float | None
    size: tuple[int, int]
    """Width and height in pixels."""
    view: View | None
    """``None`` until the picture was judged."""


@dataclass(frozen=True)
class Series:
    """One kind of reading at one place over a run; the lists run side by side."""

    kind: FaultKind
    place: str
    place_mm: tuple[float, float, float] | None
    unit: str
    numbers: list[int]
    """Frame numbers, rising."""
    values: list[float | None]
    sigmas: list[float | None]
    unseen: list[str]
    """Why there is no value; empty where there is one."""


@dataclass(frozen=True)
class AdviceFrom:
    """Advice that holds from frame ``number`` on, until the next one."""

    number: int
    advice: Advice


@dataclass(frozen=True)
class KeptMoment:
    """A flagged moment and the frame after whose judging it was flagged."""

    id: int
    moment: Moment
    noticed: int
    truth: Truth = ""
    cause: str = ""
    """In a person's words."""


@dataclass(frozen=True)
class ReelFrame:
    """One picture of a run as the time-lapse needs it."""

    number: int
    name: str
    elapsed_s: float
    utc_s: float | None
    thinned: bool
    """Whether its file was deleted for want of room."""
    layer: int | None
    """``None`` until the picture was judged."""
    registered: bool
    sigma_px: float | None
    reason: str
    bed_offset_mm: float | None
    """How far the bed had moved along its axis from where the setup has it; ``None`` where that
    is not known."""


@dataclass(frozen=True)
class Skipped:
    """A picture that could not be used."""

    name: str
    why: str


@dataclass(frozen=True)
class KeptAnswer:
    """What a person said of a run."""

    id: int
    answer: Answer
    heard: int | None
    """Number of the first frame that was judged with it; ``None`` where it came afterwards."""


@dataclass(frozen=True)
class Plan:
    """What a run was judged by."""

    toolpath: Toolpath | None
    """Its layers without their outlines; ``None`` where none was given."""
    weights: Weights

"""What was measured in one frame, place by place: built only when somebody wants to draw it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from watcher.records import Array, FaultKind

Bools = npt.NDArray[np.bool_]


@dataclass(frozen=True)
class Tip:
    """A watched corner in the picture."""

    place: str
    pixel: Array
    """Shape (2,): where the toolpath puts the corner's tip at this layer."""
    value_mm: float | None
    sigma_mm: float | None
    unseen: str = ""


@dataclass(frozen=True)
class Found:
    """The part, or a layer of it, where it was measured to be instead of where it should be."""

    kind: FaultKind
    rings_px: tuple[Array, ...]
    """Closed lines, shape (n, 2) each, the first point not repeated."""
    from_px: Array
    to_px: Array
    """Shape (2,) each: where the middle should be and where it is."""


@dataclass(frozen=True)
class Measured:
    """One frame's measured edges, n places, in pixels of the frame."""

    expected_px: Array
    """Shape (n, 2), where the toolpath puts each watched place of an edge."""
    normal: Array
    """Shape (n, 2), unit vectors across the edge, upwards in the picture."""
    shift_px: Array
    """Shape (n,), displacement along the normal; nan where none was measured."""
    sigma_px: Array
    """Shape (n,); infinite where none was measured."""
    aside_px: Array
    """Shape (n,): what of it the fit puts down to camera, clock and light."""
    lifted_px: Array
    """Shape (n,): what of it the fit puts down to lifts; nan where no lift could be fitted."""
    hidden: Bools
    """Shape (n,): known places that should be seen and are not."""
    edge: npt.NDArray[np.int64]
    """Shape (n,): neighbours on one edge share a number."""
    rings_px: tuple[Array, ...]
    """Outline of the part as the toolpath has it at this layer: closed lines, shape (k, 2)."""
    region_px: tuple[Array, ...]
    """Borders of what is watched for strands: closed lines."""
    tips: tuple[Tip, ...]
    found: tuple[Found, ...] = ()

    @property
    def seen(self) -> Bools:
        """Places that were measured, shape (n,)."""
        return np.isfinite(self.shift_px) & np.isfinite(self.sigma_px)

"""Motion of the whole part, or of its upper layers, against the bed."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from watcher.measure.field import Field, fit
from watcher.records import Array


@dataclass(frozen=True)
class Motion:
    """A rigid motion in the plane of the bed."""

    shift_mm: Array
    """Shape (2,): x and y at the part's middle."""
    turn_deg: float
    covariance: Array
    """Shape (3, 3), of x, y (mm) and turn (degrees)."""
    gain: float
    """How much better the picture is explained with it than without (robust chi square)."""
    places: int

    @property
    def size_mm(self) -> float:
        """Length of the shift."""
        return float(np.hypot(*self.shift_mm))

    @property
    def sigma_mm(self) -> float:
        """Standard deviation of the length of the shift.

        Never less than what the gain in fit supports: a true motion makes most places fit that
        did not fit before, noise and a wandering shadow improve only a few.
        """
        size = self.size_mm
        unit = self.shift_mm / size if size > 1e-9 else np.array([1.0, 0.0])
        formal = float(np.sqrt(unit @ self.covariance[:2, :2] @ unit))
        return max(formal, size / np.sqrt(max(0.5 * self.gain / max(self.places, 1), 1e-3)))


def rigid_columns(field: Field, middle_mm: Array) -> Array:
    """Design columns for x (px/mm), y (px/mm) and turn (px/degree): shape (n, 3)."""
    arm = field.point_mm[:, :2] - middle_mm
    per_degree = np.radians(1.0) * (
        -arm[:, 1] * field.per_mm[:, 0] + arm[:, 0] * field.per_mm[:, 1]
    )
    return np.column_stack([field.per_mm[:, :2], per_degree])


def fit_motion(
    field: Field,
    moving: Array,
    middle_mm: Array,
    known: Array,
    known_sigma: Array,
    turns: bool,
) -> Motion | None:
    """Rigid motion of the places in ``moving`` that the displacements show.

    Args:
        field: the displacements.
        moving: shape (n,), bool: the places that move together.
        middle_mm: shape (2,), about which the turn is counted.
        known: shape (n, q): columns of nuisances (registration, growth, lifts), px per unit.
        known_sigma: shape (q,): their standard deviations.
        turns: whether the part may turn, or only shift (a layer step).

    Returns:
        None where fewer than 12 moving places were measured.

    """
    use = field.found
    if int((use & moving.astype(bool)).sum()) < 12:
        return None
    columns = rigid_columns(field, middle_mm) * moving[:, None]
    if not turns:
        columns = columns[:, :2]
    design = np.column_stack([columns, known])[use]
    count = columns.shape[1]
    wide = np.concatenate([np.full(2, 5.0), np.full(count - 2, 5.0), known_sigma])
    with_it = fit(design, field.shift_px[use], field.sigma_px[use], wide)
    without = fit(design[:, count:], field.shift_px[use], field.sigma_px[use], known_sigma)
    covariance = np.zeros((3, 3))
    covariance[:count, :count] = with_it.covariance[:count, :count]
    return Motion(
        with_it.value[:2],
        float(with_it.value[2]) if turns else 0.0,
        covariance,
        without.cost - with_it.cost,
        int((use & moving.astype(bool)).sum()),
    )

"""Sub-pixel displacement of the part's edges against their own earlier picture.

Across every watched place of an edge a short profile of brightness is read. It is compared by
normalised cross-correlation with the mean of the same place's earlier profiles, which makes the
result indifferent to gain and offset of the light; a parabola through the peak gives the
fraction of a pixel. The error follows from the profile's slope and the noise left over, as in the
Cramer-Rao bound for the position of a known edge in white noise.

A profile may be masked: of a wall that is still growing only the stretch that belongs to the edge
itself counts, or the wall's growing would be taken for the edge's motion.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt

from watcher.records import Array

STEP_PX = 0.5
HALF_PX = 4.5
REACH_PX = 6.0
SAMPLES = round(2 * HALF_PX / STEP_PX) + 1
LAGS = round(2 * REACH_PX / STEP_PX) + 1

Bools = npt.NDArray[np.bool_]
Ints = npt.NDArray[np.int64]


@dataclass(frozen=True)
class Shifts:
    """Displacement of n places along their normals."""

    value_px: Array
    """Shape (n,)."""
    sigma_px: Array
    """Shape (n,); infinite where nothing was found."""
    agreement: Array
    """Shape (n,): normalised correlation at the peak, 1 is perfect."""
    gain: Array
    """Shape (n,): contrast now over contrast of the template."""
    score: Array
    """Shape (n, LAGS): correlation at every displacement tried."""
    contrast: Array
    """Shape (n,): contrast of the template, grey levels."""


def read_profiles(
    picture: npt.NDArray[np.float32], pixel: Array, normal: Array, half_px: float
) -> Array:
    """Brightness across an edge.

    Args:
        picture: shape (H, W), grey.
        pixel: shape (n, 2), where the edge is expected.
        normal: shape (n, 2), unit vectors across it.
        half_px: how far to read on both sides.

    Returns:
        Shape (n, m), m samples ``STEP_PX`` apart; nan outside the picture. Three parallel
        readings a pixel apart are averaged.

    """
    count = round(2 * half_px / STEP_PX) + 1
    if len(pixel) == 0:
        return np.zeros((0, count))
    reach = (np.arange(count) - (count - 1) / 2) * STEP_PX
    along = np.column_stack([-normal[:, 1], normal[:, 0]])
    total = np.zeros((len(pixel), count))
    for side in (-1.0, 0.0, 1.0):
        x = (pixel[:, :1] + side * along[:, :1] + reach * normal[:, :1]).astype(np.float32)
        y = (pixel[:, 1:] + side * along[:, 1:] + reach * normal[:, 1:]).astype(np.float32)
        total += cv2.remap(
            picture,
            x,
            y,
            cv2.INTER_LINEAR,
            borderMode=cv2.BORDER_CONSTANT,
            borderValue=float("nan"),
        )
    return total / 3.0


def extent_mask(below_px: Array, above_px: Array) -> Bools:
    """Which samples of a profile belong to the edge: shape (n,) twice to (n, SAMPLES).

    Args:
        below_px: how far the near surface reaches against the normal.
        above_px: how far it reaches along the normal.

    """
    reach = (np.arange(SAMPLES) - (SAMPLES - 1) / 2) * STEP_PX
    return (reach >= -below_px[:, None]) & (reach <= above_px[:, None])


def shifts_against(
    template: Array, mask: Bools, profiles: Array, spread: Ints, noise: float
) -> Shifts:
    """How far each profile is displaced against its template.

    Args:
        template: shape (n, SAMPLES), the earlier mean.
        mask: shape (n, SAMPLES), the samples of the template that count.
        profiles: shape (n, SAMPLES + LAGS - 1), centred on the same places.
        spread: shape (n, k), for each place the k places (itself among them) along the same
            edge whose correlation is averaged with its own; -1 for none.
        noise: standard deviation of one profile sample's noise, grey levels.

    Returns:
        Displacement towards the normal, in px.

    """
    n = len(template)
    if n == 0:
        nothing = np.zeros(0)
        return Shifts(nothing, nothing, nothing, nothing, np.zeros((0, LAGS)), nothing)
    weight = mask.astype(np.float64)
    count = weight.sum(axis=1)
    safe = np.maximum(count, 1.0)
    flat = (template - np.sum(weight * template, axis=1, keepdims=True) / safe[:, None]) * weight
    length = np.sqrt(np.sum(flat**2, axis=1))
    windows = np.lib.stride_tricks.sliding_window_view(np.nan_to_num(profiles), SAMPLES, axis=1)
    gone = ~np.isfinite(profiles).all(axis=1)
    total = np.einsum("nlm,nm->nl", windows, weight)
    square = np.einsum("nlm,nlm,nm->nl", windows, windows, weight)
    size = np.sqrt(np.maximum(square - total**2 / safe[:, None], 0.0))
    product = np.einsum("nlm,nm->nl", windows, flat)
    floor = noise * np.sqrt(count) * 0.5 + 1e-6
    score = product / ((size + floor[:, None]) * (length + floor)[:, None])
    vote = np.where(gone | (count < 6), 0.0, length**2) + 1e-9
    there = spread >= 0
    index = np.where(there, spread, 0)
    share = np.where(there, vote[index], 0.0)
    mean = np.einsum("nk,nkl->nl", share, score[index]) / share.sum(axis=1)[:, None]
    # A place moves little from frame to frame; of two like edges the nearer one is meant.
    lag_px = (np.arange(LAGS) - (LAGS - 1) / 2) * STEP_PX
    best = np.argmax(mean - 0.01 * lag_px**2, axis=1)
    row = np.arange(n)
    # Liking the nearer edge chooses the peak; where on it the edge stands, correlation says alone.
    for _ in range(6):
        low, high = np.maximum(best - 1, 0), np.minimum(best + 1, LAGS - 1)
        here, less, more = mean[row, best], mean[row, low], mean[row, high]
        best = np.where((more > here) & (more >= less), high, np.where(less > here, low, best))
    inside = (best > 0) & (best < LAGS - 1)
    c = np.clip(best, 1, LAGS - 2)
    left, middle, right = mean[row, c - 1], mean[row, c], mean[row, c + 1]
    curve = left - 2 * middle + right
    fraction = np.where(
        np.abs(curve) > 1e-12, 0.5 * (left - right) / np.where(curve == 0, 1, curve), 0.0
    )
    value = (c + np.clip(fraction, -0.6, 0.6) - (LAGS - 1) / 2) * STEP_PX
    slope = np.gradient(template, STEP_PX, axis=1) * weight
    energy = np.sum(np.where(there[..., None], slope[index] ** 2, 0.0), axis=(1, 2))
    # The floor keeps noise from agreeing; it is no misfit, so it stays out of the error.
    like = np.clip(product[row, c] / np.maximum(size[row, c] * length, 1e-9), 0, 1)
    leftover = size[row, c] ** 2 * (1 - like**2) / safe
    variance = np.maximum(noise**2, leftover)
    # The picture is smoothed, so samples half a pixel apart are not independent: hence the 4.
    sigma = np.sqrt(4.0 * variance / np.maximum(energy, 1e-12))
    good = inside & (middle > 0.3) & ~gone & (count >= 6)
    gain = (size[row, c] + floor) / (length + floor)
    return Shifts(
        value,
        np.where(good, sigma, np.inf),
        middle,
        gain,
        mean,
        np.where(count >= 6, length / np.sqrt(safe), 0),
    )


class Memory:
    """What each place of the edges has looked like so far, in its own moving frame.

    A place is believed once three pictures of it agree; a picture that does not look like a
    believed place is taken as hidden and teaches nothing.
    """

    TRUSTED = 3
    LONGEST = 30
    PATIENCE = 12
    """A believed place that looks otherwise so often in a row has changed: it is learnt anew."""

    def __init__(self) -> None:
        self._row: dict[int, int] = {}
        self.template = np.zeros((256, SAMPLES))
        self.samples = np.zeros((256, SAMPLES))
        self.count = np.zeros(256, dtype=np.int64)
        self._misses = np.zeros(256, dtype=np.int64)

    def rows(self, keys: Ints) -> Ints:
        """Row of each key, new rows made as needed."""
        out = np.empty(len(keys), dtype=np.int64)
        for i, key in enumerate(keys.tolist()):
            row = self._row.get(key)
            if row is None:
                row = len(self._row)
                self._row[key] = row
                if row >= len(self.count):
                    self.template = np.concatenate([self.template, np.zeros_like(self.template)])
                    self.samples = np.concatenate([self.samples, np.zeros_like(self.samples)])
                    self.count = np.concatenate([self.count, np.zeros_like(self.count)])
                    self._misses = np.concatenate([self._misses, np.zeros_like(self._misses)])
            out[i] = row
        return out

    def mask(self, rows: Ints, extent: Bools) -> Bools:
        """Samples that count now and were seen before."""
        return extent & (self.samples[rows] >= 1)

    def learn(
        self, rows: Ints, profiles: Array, extent: Bools, like: Bools, settled: Bools
    ) -> None:
        """Take new profiles in.

        Args:
            rows: shape (n,).
            profiles: shape (n, SAMPLES), read where the edge was found.
            extent: shape (n, SAMPLES), samples that belong to the edge.
            like: shape (n,), whether the profile looks like the template.
            settled: shape (n,), places that change no more and keep what they have learnt.

        """
        sound = np.isfinite(profiles).all(axis=1)
        # Places that share a row teach it one after another: the k-th of each row goes in round k.
        order = np.argsort(rows[sound], kind="stable")
        pick = np.flatnonzero(sound)[order]
        if len(pick) == 0:
            return
        start = np.flatnonzero(np.diff(rows[pick], prepend=rows[pick[0]] - 1))
        turn = np.arange(len(pick)) - np.repeat(start, np.diff(np.append(start, len(pick))))
        for k in range(int(turn.max()) + 1):
            now = pick[turn == k]
            self._take(rows[now], profiles[now], extent[now], like[now], settled[now])

    def _take(
        self, rows: Ints, profiles: Array, extent: Bools, like: Bools, settled: Bools
    ) -> None:
        """Take one profile in for each of different rows."""
        odd, other = rows[~like], profiles[~like]
        self._misses[odd] += 1
        patience = np.where(self.count[odd] >= self.TRUSTED, self.PATIENCE, self.count[odd])
        anew = (self._misses[odd] > patience) | (self.count[odd] == 0)
        self.template[odd[anew]] = other[anew]
        self.samples[odd[anew]] = extent[~like][anew]
        self.count[odd[anew]] = 1
        self._misses[odd[anew]] = 0

        known, fresh, part = rows[like], profiles[like], extent[like]
        self._misses[known] = 0
        self.count[known] += 1
        self.samples[known] += part
        samples, template = self.samples[known], self.template[known]
        longest = np.where(settled[like], 100, self.LONGEST)[:, None]
        rate = part / np.minimum(np.maximum(samples, 1), longest)
        # Light changes are taken out before the mean, so that steps in it stay sharp.
        both = (part & (samples > 1)).astype(np.float64)
        count = np.maximum(both.sum(axis=1, keepdims=True), 1.0)
        mean_a = (both * template).sum(axis=1, keepdims=True) / count
        mean_b = (both * fresh).sum(axis=1, keepdims=True) / count
        spread_a = np.sqrt((both * (template - mean_a) ** 2).sum(axis=1, keepdims=True) / count)
        spread_b = np.sqrt((both * (fresh - mean_b) ** 2).sum(axis=1, keepdims=True) / count)
        gain = np.clip(spread_a / np.maximum(spread_b, 1e-6), 0.6, 1.6)
        enough = both.sum(axis=1, keepdims=True) >= 6
        fitted = np.where(enough, (fresh - mean_b) * gain + mean_a, fresh)
        self.template[known] = template + rate * (fitted - template)


def agreement_of(template: Array, mask: Bools, profiles: Array) -> Array:
    """Normalised correlation of profiles with their templates, without any shift.

    Args:
        template: shape (n, SAMPLES).
        mask: shape (n, SAMPLES).
        profiles: shape (h, n, SAMPLES).

    Returns:
        Shape (h, n).

    """
    weight = mask.astype(np.float64)
    count = np.maximum(weight.sum(axis=1), 1.0)
    flat = (template - (weight * template).sum(axis=1, keepdims=True) / count[:, None]) * weight
    length = np.sqrt((flat**2).sum(axis=1))
    values = np.nan_to_num(profiles)
    total = np.einsum("hnm,nm->hn", values, weight)
    square = np.einsum("hnm,hnm,nm->hn", values, values, weight)
    size = np.sqrt(np.maximum(square - total**2 / count, 0.0))
    return np.asarray(np.einsum("hnm,nm->hn", values, flat) / ((size + 1.0) * (length + 1.0)))

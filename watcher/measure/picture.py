"""The picture itself: noise, brightness, sharpness."""

from __future__ import annotations

import cv2
import numpy as np
import numpy.typing as npt

Grey = npt.NDArray[np.float32]

SMALLEST_PX = 16
"""Width and height below which there is no room for the places that are looked for."""

THINNED_PX = 150


def noise_of(grey: Grey) -> float:
    """Standard deviation of a pixel's noise, grey levels.

    Median of the second difference's absolute value (Immerkaer 1996's mask, with the median in
    place of the mean so that edges don't count).
    """
    if min(grey.shape) < 3:
        return 0.0
    mask = np.array([[1, -2, 1], [-2, 4, -2], [1, -2, 1]], dtype=np.float32)
    rough = cv2.filter2D(grey, cv2.CV_32F, mask)[::2, ::2]
    return float(np.median(np.abs(rough)) / 0.6745 / 6.0)


def sharpness_of(grey: Grey, noise: float) -> float:
    """Steepest slopes of the picture over its noise: 99th percentile of the gradient."""
    if min(grey.shape) < 3:
        return 0.0
    soft = cv2.GaussianBlur(grey, (0, 0), 1.0)[::2, ::2]
    slope = np.hypot(cv2.Sobel(soft, cv2.CV_32F, 1, 0), cv2.Sobel(soft, cv2.CV_32F, 0, 1)) / 8
    return float(np.percentile(slope, 99) / max(noise, 0.5))


def blinded(grey: Grey) -> str:
    """Why nothing can be seen in this picture, or an empty string."""
    if min(grey.shape) < SMALLEST_PX:
        return "the picture is too small"
    # Every few pixels tell as much: of no picture fewer than a few thousand.
    every = max(1, min(grey.shape) // THINNED_PX)
    dark, bright = (float(v) for v in np.percentile(grey[::every, ::every], [1, 99]))
    if bright < 12:
        return "the picture is black"
    if dark > 243:
        return "the picture is white"
    if bright - dark < 8:
        return "the picture is blank"
    return ""

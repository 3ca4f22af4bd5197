"""From a clean rendering to what a cheap webcam saves: lens, blur, exposure, noise, JPEG."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np


@dataclass(frozen=True)
class Camera:
    """Where the camera stands (world mm, x right, y back, z up) and what lens it has."""

    eye: tuple[float, float, float]
    target: tuple[float, float, float]
    hfov_deg: float = 55.0
    size: tuple[int, int] = (800, 600)
    k1: float = -0.06
    roll_deg: float = 0.0

    def focal_px(self) -> float:
        return self.size[0] / 2 / float(np.tan(np.radians(self.hfov_deg) / 2))

    def drawn_size(self) -> tuple[int, int]:
        """Width and height of the straight rendering that the bent picture is taken from."""
        corner = np.array([self.size]) / 2 / self.focal_px()
        r_d = float(np.linalg.norm(corner))
        grow = max(1.0, float(straight(np.array([r_d]), self.k1)[0]) / r_d)
        return tuple(2 * round(s * grow / 2 + 3) for s in self.size)

    def matrix(self) -> np.ndarray:
        f = self.focal_px()
        return np.array([[f, 0, (self.size[0] - 1) / 2], [0, f, (self.size[1] - 1) / 2], [0, 0, 1]])

    def axes(self) -> np.ndarray:
        """Rows: the camera's right, down and forward in world axes."""
        fwd = np.array(self.target, float) - self.eye
        fwd /= np.linalg.norm(fwd)
        right = np.cross(fwd, (0, 0, 1.0))
        right /= np.linalg.norm(right)
        down = np.cross(fwd, right)
        c, s = np.cos(np.radians(self.roll_deg)), np.sin(np.radians(self.roll_deg))
        return np.array([c * right + s * down, c * down - s * right, fwd])

    def project(self, world: np.ndarray) -> np.ndarray:
        """World points (n, 3) to pixels (n, 2), distortion x(1 + k1 r2) included."""
        p = (np.asarray(world, float) - self.eye) @ self.axes().T
        xy = p[:, :2] / p[:, 2:]
        xy = xy * (1 + self.k1 * (xy**2).sum(axis=1, keepdims=True))
        m = self.matrix()
        return xy * m[0, 0] + m[:2, 2]


@dataclass(frozen=True)
class Look:
    """The camera's own faults for one frame."""

    gain: float = 1.0
    white_balance: tuple[float, float, float] = (1.0, 1.0, 1.0)
    """Blue, green, red."""
    noise: float = 3.0
    """Standard deviation in grey levels of mid grey."""
    blur_px: float = 0.7
    vignette: float = 0.3
    steam: float = 0.0
    lift_black: float = 6.0
    quality: int = 85


def straight(r_d: np.ndarray, k1: float) -> np.ndarray:
    """Undistorted radius for a distorted one, by fixed-point iteration of r(1 + k1 r2) = r_d."""
    r = r_d.copy()
    for _ in range(15):
        r = r_d / (1 + k1 * r**2)
    return r


def bend(picture: np.ndarray, camera: Camera) -> np.ndarray:
    """Resample an overscanned rendering through the lens's distortion."""
    w, h = camera.size
    big_h, big_w = picture.shape[:2]
    m = camera.matrix()
    u, v = np.meshgrid(np.arange(w, dtype=float), np.arange(h, dtype=float))
    x, y = (u - m[0, 2]) / m[0, 0], (v - m[1, 2]) / m[0, 0]
    r_d = np.hypot(x, y)
    r = straight(r_d, camera.k1)
    scale = np.divide(r, r_d, out=np.ones_like(r), where=r_d > 0)
    map_x = x * scale * m[0, 0] + (big_w - 1) / 2
    map_y = y * scale * m[0, 0] + (big_h - 1) / 2
    return cv2.remap(
        picture,
        map_x.astype(np.float32),
        map_y.astype(np.float32),
        cv2.INTER_CUBIC,
        borderMode=cv2.BORDER_REPLICATE,
    )


def take(picture: np.ndarray, camera: Camera, look: Look, rng: np.random.Generator) -> np.ndarray:
    """One 8-bit BGR picture (h, w, 3) from a rendering (float, 0 to 1, display values)."""
    img = np.clip(bend(picture.astype(np.float32), camera), 0, 1)
    light = img**2.2 * look.gain * np.array(look.white_balance, np.float32)
    h, w = light.shape[:2]
    v, u = np.mgrid[:h, :w].astype(np.float32)
    r2 = ((u - w / 2) ** 2 + (v - h / 2) ** 2) / (w * w / 4 + h * h / 4)
    light *= (1 - look.vignette * r2)[..., None]
    if look.steam > 0:
        veil = cv2.GaussianBlur(light, (0, 0), 14)
        cloud = cv2.GaussianBlur(rng.normal(0, 1, (h, w)).astype(np.float32), (0, 0), 60)
        cloud = np.clip(0.75 + 0.25 * cloud / (cloud.std() + 1e-6), 0, 1)[..., None] * look.steam
        light = light * (1 - cloud) + (0.8 * veil + 0.04) * cloud
    light = cv2.GaussianBlur(light, (0, 0), look.blur_px)
    shot = rng.normal(0, 1, light.shape).astype(np.float32)
    # neighbouring pixels share some noise, as after a cheap camera's colour filter
    shot = 0.8 * shot + 0.9 * cv2.GaussianBlur(shot, (0, 0), 0.8)
    grey = np.clip(light, 0, 1) ** (1 / 2.2) * 255
    grey = grey * (1 - look.lift_black / 255) + look.lift_black
    grey += shot * look.noise * (0.6 + 0.4 * np.sqrt(np.clip(grey, 0, 255) / 128))
    return np.clip(np.rint(grey), 0, 255).astype(np.uint8)

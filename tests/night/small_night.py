"""A small night drawn with flat colours: a box grows on a textured bed, one corner may lift.

Everything is known: the camera, the box, the lift. The upper edges and the lower edges climb with
the bend of a strip (a parabola from the line where it still sticks); below the lifted wall the gap
lies in its own shadow. Invented data.
"""

import cv2
import numpy as np

from watcher.records import BedPoint, Frame, Layer, Setup, Toolpath
from watcher.scene.camera import Camera
from watcher.scene.moved import nudged

SIZE = (480, 360)
BED = (160.0, 140.0)
BOX = np.array([[45, 40], [115, 40], [115, 95], [45, 95]], float)
LAYER_MM, LAYER_S, PACE = 0.25, 60.0, 1.04
LAYERS_A_FRAME = 2
FINER = 3
REACH_MM = 30.0
SIDES = ((70, 66, 66), (105, 110, 150), (60, 62, 70), (85, 92, 128))
"""Colours of front, right, back and left wall, blue-green-red."""
TOP = (120, 128, 178)
SHADOW = (25, 25, 25)


def night_camera():
    eye, target = np.array([125.0, -150.0, 150.0]), np.array([78.0, 65.0, 5.0])
    forward = (target - eye) / np.linalg.norm(target - eye)
    right = np.cross(forward, [0, 0, 1.0])
    right /= np.linalg.norm(right)
    rotation = np.stack([right, np.cross(forward, right), forward])
    return Camera(
        560.0,
        0.0,
        cv2.Rodrigues(rotation)[0].ravel(),
        -rotation @ eye,
        ((SIZE[0] - 1) / 2, (SIZE[1] - 1) / 2),
        SIZE,
    )


def night_setup(camera):
    """Corners of the bed, clicked to whole pixels."""
    corners = np.array([[0, 0], [BED[0], 0], [BED[0], BED[1]], [0, BED[1]]])
    pixels = np.round(camera.project(np.column_stack([corners, np.zeros(4)])))
    points = tuple(
        BedPoint(tuple(map(float, p)), tuple(map(float, c)))
        for p, c in zip(pixels, corners, strict=True)
    )
    return Setup(SIZE, BED, "bed-y", True, points)


def night_toolpath(layers=100):
    """The box, a minute a layer."""
    return Toolpath(
        tuple(
            Layer(i + 1, LAYER_MM * (i + 1), LAYER_MM, (BOX,), i * LAYER_S, LAYER_S, 300.0)
            for i in range(layers)
        ),
        300.0 * layers,
        LAYER_S * layers,
        0.45,
    )


def patchwork(shape, count, rng, dark, light):
    """Boxes and discs on an even ground, as printed marks, clips and things on a shelf are."""
    picture = np.full((*shape, 3), rng.uniform(dark, light, 3), np.float32)
    for _ in range(count):
        x, y = rng.uniform([0, 0], shape[::-1])
        w, h = rng.uniform(0.02, 0.12, 2) * min(shape)
        colour = rng.uniform(dark, light, 3).tolist()
        if rng.random() < 0.5:
            corners = cv2.boxPoints(((x, y), (w, h), float(rng.uniform(0, 90))))
            cv2.fillConvexPoly(picture, np.round(corners).astype(np.int32), colour)
        else:
            cv2.circle(picture, (int(x), int(y)), int(w / 2) + 1, colour, -1)
    return cv2.GaussianBlur(picture, (0, 0), 1.0)


class SmallNight:
    """Draws the frames of one night."""

    def __init__(self, lifts, corner=1, *, slides=None, knocks=None, layers=100, seed=1):
        """What happens, frame by frame.

        Args:
            lifts: mm at the tip of corner number ``corner`` of the box, shape (n,).
            corner: counted from the front left one, counter-clockwise.
            slides: mm by which the box has slid in x and y, shape (n, 2).
            knocks: rad by which the camera has been turned and mm by which it has been shifted,
                about and along its own axes, shape (n, 6).
            layers: after so many the print ends.
            seed: of everything that chance decides.

        """
        self.lifts = np.asarray(lifts, float)
        self.corner = corner
        count = len(self.lifts)
        self.slides = np.zeros((count, 2)) if slides is None else np.asarray(slides, float)
        self.knocks = np.zeros((count, 6)) if knocks is None else np.asarray(knocks, float)
        self.camera = night_camera()
        self.setup = night_setup(self.camera)
        self.layers = layers
        self.toolpath = night_toolpath(layers)
        self._rng = np.random.default_rng(seed)
        self._room = patchwork((SIZE[1] * 2, SIZE[0] * 2), 160, self._rng, 40, 170)
        self._bed = patchwork((int(BED[1] * 4), int(BED[0] * 4)), 60, self._rng, 75, 105)

    def _rise(self, xy, lift):
        away = np.hypot(*(xy - BOX[self.corner]).T)
        return lift * np.clip(1 - away / REACH_MM, 0, None) ** 2

    def _fill(self, canvas, camera, points, colour):
        pixels = (camera.project(points) + 0.5) * FINER - 0.5
        cv2.fillPoly(canvas, [np.round(pixels * 16).astype(np.int32)], colour, cv2.LINE_8, 4)

    def draw(self, camera, height_mm, lift_mm, slide_mm):
        """The clean picture, shape (H, W, 3), float32."""
        width, height = SIZE[0] * FINER, SIZE[1] * FINER
        finer = np.array([[FINER, 0, (FINER - 1) / 2], [0, FINER, (FINER - 1) / 2], [0, 0, 1.0]])
        now, _ = cv2.Rodrigues(camera.rotation_vector)
        before, _ = cv2.Rodrigues(self.camera.rotation_vector)
        # The far room only turns; its picture is kept twice as fine as the frame.
        turn = camera.matrix @ now @ before.T @ np.linalg.inv(camera.matrix)
        canvas = cv2.warpPerspective(
            self._room, finer @ turn @ np.diag([0.5, 0.5, 1.0]), (width, height)
        )
        plane = camera.matrix @ np.column_stack([now[:, :2], camera.translation_mm])
        quarter = np.array([[0.25, 0, 0.125], [0, 0.25, 0.125], [0, 0, 1.0]])
        cv2.warpPerspective(
            self._bed,
            finer @ plane @ quarter,
            (width, height),
            dst=canvas,
            borderMode=cv2.BORDER_TRANSPARENT,
        )
        eye = camera.position_mm[:2]
        rim = []
        for i, colour in enumerate(SIDES):
            a, b = BOX[i], BOX[(i + 1) % 4]
            xy = a + np.linspace(0, 1, 60)[:, None] * (b - a)
            rise = self._rise(xy, lift_mm)
            xy = xy + slide_mm
            ground = np.column_stack([xy, np.zeros(60)])
            low = np.column_stack([xy, rise])
            high = np.column_stack([xy, rise + height_mm])
            rim.append(high)
            outwards = np.array([b[1] - a[1], a[0] - b[0]])
            if outwards @ (eye - a - slide_mm) > 0:
                self._fill(canvas, camera, np.vstack([ground, low[::-1]]), SHADOW)
                self._fill(canvas, camera, np.vstack([low, high[::-1]]), colour)
        self._fill(canvas, camera, np.vstack(rim), TOP)
        return cv2.resize(canvas, SIZE, interpolation=cv2.INTER_AREA)

    def frames(self):
        """Frames at layer changes, the head parked aside; light flickers, the camera shakes."""
        for i, lift in enumerate(self.lifts):
            layers = LAYERS_A_FRAME * (i + 1)
            shake = self._rng.normal(scale=0.3 / self.camera.focal_px, size=3) if i else np.zeros(3)
            camera = nudged(self.camera, self.knocks[i] + np.append(shake, np.zeros(3)))
            picture = self.draw(camera, min(layers, self.layers) * LAYER_MM, lift, self.slides[i])
            picture = cv2.GaussianBlur(picture, (0, 0), 0.6)
            picture = picture * (1 + 0.03 * np.sin(i)) + 2 * np.cos(2 * i)
            picture = picture + self._rng.normal(scale=1.5, size=picture.shape)
            bgr = np.clip(np.round(picture), 0, 255).astype(np.uint8)
            yield Frame(i, f"{i:05d}.jpg", layers * LAYER_S * PACE, bgr)

"""Make recorded nights: ``python make.py NAME [NAME ...] --out DIR``. See README.md."""

from __future__ import annotations

import argparse
import dataclasses
import json
import os
import sys
import tempfile
import time
from pathlib import Path

import cv2
import numpy as np
from chance import chance_night
from faults import displaced, strand
from nights import Night, all_nights
from part import Builder, Toolpath, laid_region, read_path
from parts import slice_part
from photograph import Camera, Look, take
from scene import Moment, Stage, to_world


@dataclasses.dataclass(frozen=True)
class Shot:
    """One frame's plan: when it is taken and where the machine stands then."""

    name: str
    layer: int
    elapsed_s: float
    nominal_s: float
    nozzle_mm: tuple[float, float, float]
    bed_y_mm: float


def plan(night: Night, path: Toolpath) -> list[Shot]:
    """When each frame is taken: at a layer change if parked, else somewhere within the layer."""
    rng = np.random.default_rng((night.seed, 1))
    shots: list[Shot] = []
    late = 0.0
    for i, layer in enumerate(night.layers):
        first, last = path.spans[layer - 1]
        start, end = path.moves[first].start_s, path.moves[last].end_s
        at = end if night.parked else start + rng.uniform(0.03, 0.97) * (end - start)
        (x, y, z), _ = path.at(at)
        bed_y = y
        if i and layer == night.layers[i - 1]:
            # the print has ended: the head has climbed and gone aside, the bed has come forward
            late += 90.0
            end, z = path.moves[-1].end_s, path.moves[-1].b[2]
            at, (x, y), bed_y = end + late, night.end_mm, night.end_mm[1]
        elif night.parked:
            (x, y), bed_y = night.park_mm, night.park_mm[1]
        # the machine lags by a constant share and stops a little at each layer change
        elapsed = at * night.slow + 0.3 * layer
        shots.append(Shot(f"{i + 1:05d}.jpg", layer, elapsed, at, (x, y, z), bed_y))
    return shots


def camera_at(night: Night, number: int) -> Camera:
    """The camera as it stands in frame ``number`` (from 1), knocks included."""
    cam = night.camera
    for k, n in enumerate(n for n in night.nuisances if n.what == "knock"):
        if number >= n.first:
            rng = np.random.default_rng((night.seed, 21, k))
            eye = np.array(cam.eye) + n.amount * rng.uniform(3, 6, 3) * rng.choice([-1, 1], 3)
            target = np.array(cam.target) + n.amount * rng.uniform(3, 7, 3) * rng.choice([-1, 1], 3)
            cam = dataclasses.replace(
                cam,
                eye=tuple(eye),
                target=tuple(target),
                roll_deg=cam.roll_deg + n.amount * rng.uniform(-0.8, 0.8),
            )
    return cam


def share_of(night: Night, what: str, number: int) -> float:
    """How far a nuisance has come in a frame: 0 outside it, else rising from above 0 to 1."""
    for n in night.nuisances:
        if n.what == what and n.first <= number <= n.last:
            last = min(n.last, len(night.layers))
            return n.amount * (number - n.first + 1) / (last - n.first + 1)
    return 0.0


def wander(night: Night) -> tuple[np.ndarray, np.ndarray]:
    """Slow exposure (n,) and white balance (n, 3) of every frame, and the lamp's flicker in it."""
    rng = np.random.default_rng((night.seed, 2))
    n = len(night.layers)

    def walk() -> np.ndarray:
        out, x = [], 0.0
        for _ in range(n):
            x = 0.9 * x + rng.normal(0, 0.44)
            out.append(x)
        return np.array(out)

    gain = np.exp(night.wander * walk()) * np.exp(rng.normal(0, night.flicker, n))
    balance = np.array(night.tint) * np.exp(
        0.4 * night.wander * np.stack([walk(), 0.2 * walk(), walk()], 1)
    )
    return gain, balance


def intruders(night: Night, stage: Stage, cam: Camera, number: int) -> None:
    """Insect, cable and hand, placed between the camera and the bed."""
    right, down, fwd = cam.axes()
    eye = np.array(cam.eye)
    away = float(np.linalg.norm(np.array(cam.target) - eye))
    at = share_of(night, "insect", number)
    if at:
        rng = np.random.default_rng((night.seed, 5, number))
        u, v = -0.3 + 0.6 * at, rng.uniform(-0.15, 0.15)
        p = eye + 0.75 * away * (fwd + u * right + v * down)
        stage.add_lump(
            tuple(p), (4.5, 2.5, 2.2), "room", seed=number, rough=0.1, colour=(0.01, 0.01, 0.01)
        )
    at = share_of(night, "cable", number)
    if at:
        s = np.linspace(-0.9, 0.9, 40)
        sag = -0.28 + 0.35 * at + 0.25 * s**2
        p = eye + 0.6 * away * (fwd + s[:, None] * right + (sag - 0.1)[:, None] * down)
        stage.add_tube(p, 2.4, "room", (0.015, 0.015, 0.015))
    at = share_of(night, "hand", number)
    if at:
        skin = (0.42, 0.22, 0.15)
        tip = eye + 0.85 * away * (fwd + 0.05 * right + 0.02 * down)
        root = eye + 0.45 * away * (fwd + 0.75 * right + 0.65 * down)
        tip = root + (tip - root) * (0.6 + 0.4 * at)
        stage.add_tube(root + np.linspace(0, 0.7, 8)[:, None] * (tip - root), 27, "room", skin)
        palm = root + 0.75 * (tip - root)
        stage.add_lump(tuple(palm), (40, 34, 22), "room", seed=4, rough=0.05, colour=skin)
        for k in range(4):
            off = (k - 1.5) * 17 * right + (k - 1.5) * 4 * down
            reach = palm + off + np.linspace(0, 1, 6)[:, None] * (tip - palm + off)
            stage.add_tube(reach, 8.5, "room", skin)


def loose_threads(night: Night, stage: Stage, builder: Builder, shot: Shot) -> None:
    """Strands, the heap at the nozzle, the blob it carries and thin innocent wisps."""
    fault, path = night.fault, builder.path
    count = fault.strands(shot.layer)
    for k in range(count):
        layer = shot.layer - (count - 1 - k) // max(1, fault.strands_a_layer)
        rng = np.random.default_rng((night.seed, 6, k))
        first, last = path.spans[min(layer, len(path.spans)) - 1]
        m = path.moves[rng.integers(first, last + 1)]
        stage.add_tube(strand(night.seed, k, m.b, fault.strand_spread_mm), rng.uniform(0.22, 0.36))
    if count and not night.parked:
        for k in range(3):
            hang = strand(night.seed, 10_000 + 7 * shot.layer + k, (0, 0, 2.0), 14)
            hang[:, 2] = np.linspace(0.5, -min(8.0, shot.nozzle_mm[2] - 0.3), len(hang))
            stage.add_tube(hang - [*hang[0, :2], 0], 0.25, "head")
    if fault.blob_from is not None and shot.layer > fault.blob_from:
        r = min(11.0, 2.5 * (shot.layer - fault.blob_from) ** 0.5)
        stage.add_lump((1.0, -1.0, 1.0 + 0.35 * r), (r, 0.9 * r, 0.7 * r), "head", seed=night.seed)
    if night.wisps and shot.layer > 3:
        region = builder.regions[shot.layer - 1]
        rng = np.random.default_rng((night.seed, 8))
        rings = [np.asarray(g.exterior.coords) for g in getattr(region, "geoms", [region])]
        for _ in range(night.wisps):
            a, b = (rings[i][rng.integers(len(rings[i]))] for i in rng.integers(0, len(rings), 2))
            z = rng.uniform(0.4, 1.0) * shot.nozzle_mm[2]
            s = np.linspace(0, 1, 12)[:, None]
            line = np.column_stack([a + s * (b - a), z - 2.0 * np.sin(np.pi * s[:, 0])])
            if z > 4 and 5 < np.linalg.norm(b - a) < 60:
                stage.add_tube(line, 0.07)


def render(night: Night, folder: Path, samples: int, threads: int) -> None:
    """Make one night's folder; frames that are there already are kept."""
    (folder / "frames").mkdir(parents=True, exist_ok=True)
    gcode = slice_part(night.regions, night.layer_mm)
    (folder / "part.gcode").write_text(gcode)
    path = read_path(gcode)
    builder = Builder(path, night.layer_mm)
    shots = plan(night, path)
    fault = night.fault
    centre = np.asarray(builder.regions[0].centroid.coords[0])

    (folder / "frames.csv").write_text(
        "file,elapsed_s\n" + "".join(f"{s.name},{s.elapsed_s:.1f}\n" for s in shots)
    )
    (folder / "setup.json").write_text(json.dumps(setup_of(night, shots[0]), indent=1))
    rows = [fault.truth(s.layer, s.layer * night.layer_mm, s.name) for s in shots]
    (folder / "truth.json").write_text(
        json.dumps(
            {
                "night": night.name,
                "kind": night.kind,
                "filament_mm": round(sum(m.filament_mm for m in path.moves), 1),
                "total_layers": len(path.z_mm),
                "layer_mm": night.layer_mm,
                "first_failed_frame": next((r["file"] for r in rows if r["failed"]), None),
                "frames": rows,
            },
            indent=1,
        )
    )

    gain, balance = wander(night)
    stage = Stage(night.printer, night.camera, night.layer_mm, samples=samples, threads=threads)
    begun_at = time.monotonic()
    with tempfile.TemporaryDirectory() as tmp:
        for i, shot in enumerate(shots):
            out = folder / "frames" / shot.name
            if out.exists():
                continue
            cam = camera_at(night, i + 1)
            off = share_of(night, "lamp-off", i + 1) > 0
            dawn = share_of(night, "dawn", i + 1)
            stage.look_from(cam)
            stage.arrange(
                Moment(
                    shot.nozzle_mm,
                    shot.bed_y_mm,
                    lamp=0.0 if off else 1.0,
                    ambient=0.35 if off else 1.0,
                    dawn=dawn,
                )
            )
            built = fault.built(shot.layer)
            begun, whole = None, built
            if built == shot.layer and not (night.parked or night.whole_layers):
                whole = built - 1
                _, at = path.at(shot.nominal_s)
                first = path.spans[shot.layer - 1][0]
                begun = laid_region(path.moves[first : at + 1], night.layer_mm)
            if whole or (begun is not None and not begun.is_empty):
                mesh = builder.mesh(whole, begun)
                pts = displaced(mesh.points, mesh.layer, fault, shot.layer, tuple(centre))
                stage.add_part(mesh, pts)
            loose_threads(night, stage, builder, shot)
            intruders(night, stage, cam, i + 1)
            file = str(Path(tmp) / "frame.png")
            quiet_draw(stage, file)
            picture = cv2.imread(file, cv2.IMREAD_UNCHANGED)[..., :3].astype(np.float32) / 65535
            # the camera answers dark and dawn with gain, and gain brings noise
            auto = (3.4 if off else 1.0) / (1 + 0.6 * dawn)
            look = Look(
                gain=float(gain[i]) * auto * night.exposure,
                white_balance=tuple(balance[i]),
                noise=night.noise * (2.0 if off else 1.0),
                blur_px=night.blur_px,
                steam=share_of(night, "steam", i + 1),
                quality=night.quality,
            )
            done = take(picture, cam, look, np.random.default_rng((night.seed, 9, i)))
            part_file = out.with_suffix(".part.jpg")
            cv2.imwrite(str(part_file), done, [cv2.IMWRITE_JPEG_QUALITY, look.quality])
            part_file.replace(out)
            print(
                f"\r{night.name}: frame {i + 1} of {len(shots)}, "
                f"{time.monotonic() - begun_at:.0f} s",
                end="",
                flush=True,
            )
    print()


def setup_of(night: Night, shot: Shot) -> dict[str, object]:
    """setup.json: the bed's corners as a person clicked them in the first frame."""
    w, d = night.printer.bed_mm
    corners = np.array([[0, 0, 0], [w, 0, 0], [w, d, 0], [0, d, 0]], float)
    world = to_world(corners, night.printer, shot.bed_y_mm, shot.nozzle_mm[2])
    rng = np.random.default_rng((night.seed, 4))
    clicked = night.camera.project(world) + rng.normal(0, 0.8, (4, 2))
    sunk = round(shot.nozzle_mm[2], 3) if night.printer.bed_motion == "bed-z" else 0.0
    return {
        "frame_size": list(night.camera.size),
        "bed_mm": [w, d],
        "bed_motion": night.printer.bed_motion,
        "head_parked_for_frames": night.parked,
        "bed_points": [
            {"pixel": [round(float(u), 1), round(float(v), 1)], "bed_mm": [c[0], c[1]]}
            for (u, v), c in zip(clicked, corners.tolist(), strict=True)
        ],
        "bed_points_z_mm": sunk,
    }


def quiet_draw(stage: Stage, file: str) -> None:
    """Render without the engine's own chatter on standard output."""
    sys.stdout.flush()
    kept, null = os.dup(1), os.open(os.devnull, os.O_WRONLY)
    os.dup2(null, 1)
    try:
        stage.draw(file)
    finally:
        os.dup2(kept, 1)
        os.close(kept)
        os.close(null)


def main() -> int:
    known = all_nights()
    ap = argparse.ArgumentParser(description="Make recorded nights with known truth.")
    ap.add_argument("nights", nargs="*", metavar="NAME", help="nights to make; none: list them")
    ap.add_argument(
        "--chance", type=int, nargs="+", default=[], metavar="NUMBER", help="nights by chance"
    )
    ap.add_argument("--all", action="store_true", help="make every night")
    ap.add_argument("--out", type=Path, default=Path("nights"), help="folder for the nights")
    ap.add_argument("--samples", type=int, default=4, help="rays a pixel (default 4)")
    ap.add_argument("--threads", type=int, default=2, help="threads (default 2)")
    a = ap.parse_args()
    wrong = [n for n in a.nights if n not in known]
    if wrong:
        print(
            f"No night is called {wrong[0]}. Run make.py without names for the list.",
            file=sys.stderr,
        )
        return 2
    by_chance = {n.name: n for n in map(chance_night, a.chance)}
    names = [*(known if a.all else a.nights), *by_chance]
    if not names:
        for n in known.values():
            print(f"{n.name:26} {n.kind:10} {len(n.layers):3} frames  {n.shows}")
    for name in names:
        render((known | by_chance)[name], a.out / name, a.samples, a.threads)
    return 0


if __name__ == "__main__":
    sys.exit(main())

"""The printer and its room as a ray-traced scene: frame, bed, head, lamp, clutter, intruders.

One Blender unit is one millimetre. World: x right, y back, z up. With ``bed-y`` the nozzle
works at world y = 0 and the bed's top is z = 0; with ``bed-z`` the nozzle's tip is at z = 0, the
bed sinks and its middle is the origin; a ``fixed`` bed stays at z = 0 and the head climbs.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import bpy
import numpy as np
from mathutils import Matrix
from part import Mesh
from photograph import Camera

Colour = tuple[float, float, float]


@dataclass(frozen=True)
class Printer:
    """What the machine and its room look like. Colours are linear RGB, 0 to 1."""

    bed_mm: tuple[float, float] = (220.0, 220.0)
    bed_motion: str = "bed-y"
    bed_colour: Colour = (0.05, 0.05, 0.055)
    bed_style: str = "grain"
    """grain, grid, cloudy, glass or plain."""
    bed_rough: float = 0.6
    part_colour: Colour = (0.7, 0.2, 0.05)
    part_rough: float = 0.45
    frame_colour: Colour = (0.5, 0.5, 0.52)
    frame_metal: float = 0.6
    head_colour: Colour = (0.07, 0.07, 0.07)
    head_mm: tuple[float, float, float] = (52.0, 50.0, 70.0)
    duct_left: bool = True
    wall_colour: Colour = (0.06, 0.06, 0.07)
    side_colour: Colour = (0.45, 0.5, 0.6)
    floor_colour: Colour = (0.05, 0.05, 0.06)
    clips: int = 2
    clutter: int = 5
    lamp_at: tuple[float, float, float] = (-260.0, -320.0, 620.0)
    lamp_size: float = 260.0
    lamp_power: float = 1.0
    lamp_colour: Colour = (1.0, 0.97, 0.92)
    ambient: float = 0.3
    seed: int = 1


@dataclass(frozen=True)
class Moment:
    """Where everything stands in one frame."""

    nozzle_mm: tuple[float, float, float]
    """Bed coordinates of the nozzle."""
    bed_y_mm: float
    """``bed-y``: the bed coordinate that stands under the nozzle's line."""
    lamp: float = 1.0
    ambient: float = 1.0
    dawn: float = 0.0


def to_world(bed: np.ndarray, printer: Printer, bed_y_mm: float, sunk_mm: float) -> np.ndarray:
    """Bed points (n, 3) in mm to world mm."""
    w, d = printer.bed_mm
    if printer.bed_motion == "bed-y":
        return bed + np.array([-w / 2, -bed_y_mm, 0.0])
    sunk = sunk_mm if printer.bed_motion == "bed-z" else 0.0
    return bed + np.array([-w / 2, -d / 2, -sunk])


# ---- building blocks -----------------------------------------------------------------------


def _material(
    name: str,
    colour: Colour,
    rough: float = 0.6,
    *,
    metal: float = 0.0,
    bump: float = 0.0,
    scale: float = 1.0,
    lines: float = 0.0,
) -> bpy.types.Material:
    m = bpy.data.materials.new(name)
    m.use_nodes = True
    nodes, links = m.node_tree.nodes, m.node_tree.links
    shader = nodes["Principled BSDF"]
    shader.inputs["Base Color"].default_value = (*colour, 1)
    shader.inputs["Roughness"].default_value = rough
    shader.inputs["Metallic"].default_value = metal
    if not bump and not lines:
        return m
    where = nodes.new("ShaderNodeTexCoord")
    relief = nodes.new("ShaderNodeBump")
    if lines:
        # layer lines: a wave along z with the layer height as its period
        wave = nodes.new("ShaderNodeTexWave")
        wave.bands_direction = "Z"
        wave.inputs["Scale"].default_value = 0.314 / lines
        wave.inputs["Distortion"].default_value = 0.3
        links.new(where.outputs["Object"], wave.inputs["Vector"])
        links.new(wave.outputs["Fac"], relief.inputs["Height"])
        relief.inputs["Strength"].default_value = 0.1
        relief.inputs["Distance"].default_value = 0.1
    else:
        noise = nodes.new("ShaderNodeTexNoise")
        noise.inputs["Scale"].default_value = scale
        links.new(where.outputs["Object"], noise.inputs["Vector"])
        links.new(noise.outputs["Fac"], relief.inputs["Height"])
        relief.inputs["Strength"].default_value = bump
    links.new(relief.outputs["Normal"], shader.inputs["Normal"])
    return m


def _box(
    name: str,
    size: tuple[float, float, float],
    at: tuple[float, float, float],
    material: bpy.types.Material,
    bevel: float = 0.8,
) -> bpy.types.Object:
    x, y, z = (s / 2 for s in size)
    v = [(i * x, j * y, k * z) for k in (-1, 1) for j in (-1, 1) for i in (-1, 1)]
    f = [(0, 2, 3, 1), (4, 5, 7, 6), (0, 1, 5, 4), (2, 6, 7, 3), (0, 4, 6, 2), (1, 3, 7, 5)]
    mesh = bpy.data.meshes.new(name)
    mesh.from_pydata(v, [], f)
    mesh.materials.append(material)
    ob = bpy.data.objects.new(name, mesh)
    ob.location = at
    if bevel:
        mod = ob.modifiers.new("bevel", "BEVEL")
        mod.width, mod.segments = bevel, 2
    bpy.context.collection.objects.link(ob)
    return ob


def _round(
    name: str,
    radius: float,
    top: float,
    *,
    height: float,
    at: tuple[float, float, float],
    material: bpy.types.Material,
) -> bpy.types.Object:
    """A cone frustum with its lower end, of ``radius``, at ``at``."""
    n = 24
    a = np.linspace(0, 2 * math.pi, n, endpoint=False)
    ring = np.column_stack([np.cos(a), np.sin(a)])
    v = [(*(radius * p), 0.0) for p in ring] + [(*(top * p), height) for p in ring]
    f = [(i, (i + 1) % n, n + (i + 1) % n, n + i) for i in range(n)]
    f += [tuple(range(n - 1, -1, -1)), tuple(range(n, 2 * n))]
    mesh = bpy.data.meshes.new(name)
    mesh.from_pydata(v, [], f)
    mesh.materials.append(material)
    ob = bpy.data.objects.new(name, mesh)
    ob.location = at
    bpy.context.collection.objects.link(ob)
    return ob


def _bed_picture(printer: Printer) -> bpy.types.Image:
    """The bed's surface as a texture, 4 texels a mm."""
    rng = np.random.default_rng((printer.seed, 7))
    w, d = (int(4 * s) for s in printer.bed_mm)
    img = np.ones((d, w, 3), np.float32) * np.array(printer.bed_colour, np.float32)

    def cloud(cells: int) -> np.ndarray:
        coarse = rng.normal(0, 1, (cells + 3, cells + 3))
        y, x = np.mgrid[0 : cells : d * 1j, 0 : cells : w * 1j]
        i, j = y.astype(int), x.astype(int)
        fy, fx = (y - i) ** 2 * (3 - 2 * (y - i)), (x - j) ** 2 * (3 - 2 * (x - j))
        low = coarse[i, j] * (1 - fx) + coarse[i, j + 1] * fx
        high = coarse[i + 1, j] * (1 - fx) + coarse[i + 1, j + 1] * fx
        return low * (1 - fy) + high * fy

    shade = 1 + 0.03 * cloud(5)
    if printer.bed_style == "grain":
        shade = shade + 0.10 * cloud(200) + 0.16 * rng.normal(0, 1, (d, w))
    elif printer.bed_style == "cloudy":
        shade = shade + 0.10 * cloud(9) + 0.05 * cloud(40)
    elif printer.bed_style == "glass":
        shade = shade + 0.02 * cloud(60)
    else:
        shade = shade + 0.04 * rng.normal(0, 1, (d, w))
    img *= np.clip(shade, 0.2, 2)[..., None]
    if printer.bed_style == "grid":
        pale = img * 0.55 + 0.2
        for s in range(0, max(w, d), 80):
            for lo in (s, s + 1):
                if 0 < lo < w:
                    img[:, lo] = pale[:, lo]
                if 0 < lo < d:
                    img[lo] = pale[lo]
    for _ in range(12):
        # old scratches and dull spots where earlier parts lay
        x, y, turn = rng.uniform(0, w), rng.uniform(0, d), rng.uniform(0, math.pi)
        along = np.arange(0, rng.uniform(20, 200))
        i = np.clip((y + along * math.sin(turn)).astype(int), 0, d - 1)
        j = np.clip((x + along * math.cos(turn)).astype(int), 0, w - 1)
        img[i, j] *= rng.uniform(0.8, 1.25)
    out = bpy.data.images.new("bed", w, d, float_buffer=True)
    out.colorspace_settings.name = "Non-Color"
    rgba = np.dstack([np.clip(img, 0, 1), np.ones((d, w))])
    out.pixels.foreach_set(rgba.astype(np.float32).ravel())
    return out


def _bed_material(printer: Printer) -> bpy.types.Material:
    m = _material(
        "bed",
        printer.bed_colour,
        printer.bed_rough,
        bump=0.15 if printer.bed_style == "grain" else 0.0,
        scale=1.2,
    )
    nodes, links = m.node_tree.nodes, m.node_tree.links
    where = nodes.new("ShaderNodeTexCoord")
    picture = nodes.new("ShaderNodeTexImage")
    picture.image = _bed_picture(printer)
    picture.extension = "EXTEND"
    shift = nodes.new("ShaderNodeMapping")
    shift.inputs["Scale"].default_value = (1 / printer.bed_mm[0], 1 / printer.bed_mm[1], 1)
    shift.inputs["Location"].default_value = (0.5, 0.5, 0)
    links.new(where.outputs["Object"], shift.inputs["Vector"])
    links.new(shift.outputs["Vector"], picture.inputs["Vector"])
    links.new(picture.outputs["Color"], nodes["Principled BSDF"].inputs["Base Color"])
    return m


class Stage:
    """The built scene. ``arrange`` moves it, ``draw`` renders it."""

    def __init__(
        self, printer: Printer, camera: Camera, layer_mm: float, *, samples: int, threads: int
    ) -> None:
        self.printer = printer
        bpy.ops.wm.read_factory_settings(use_empty=True)
        self.scene = bpy.context.scene
        self._engine(camera, samples, threads)
        self.part_material = _material(
            "part", printer.part_colour, printer.part_rough, lines=2 * layer_mm
        )
        self._bed()
        self._gantry()
        self._head()
        self._room()
        self._lights()
        self.loose: list[bpy.types.Object] = []
        self.look_from(camera)

    def _engine(self, camera: Camera, samples: int, threads: int) -> None:
        r = self.scene.render
        r.engine = "CYCLES"
        c = self.scene.cycles
        c.device, c.samples, c.use_denoising = "CPU", samples, True
        c.denoiser = "OPENIMAGEDENOISE"
        # few rays and the quick filter: the camera's own noise hides what is left
        c.denoising_input_passes, c.denoising_prefilter = "RGB_ALBEDO", "NONE"
        c.denoising_quality = "FAST"
        c.max_bounces, c.diffuse_bounces, c.glossy_bounces = 2, 1, 1
        c.use_adaptive_sampling = c.use_light_tree = False
        c.caustics_reflective = c.caustics_refractive = False
        r.threads_mode, r.threads = "FIXED", threads
        r.use_persistent_data = True
        r.resolution_x, r.resolution_y = camera.drawn_size()
        r.resolution_percentage = 100
        r.image_settings.file_format = "PNG"
        r.image_settings.color_depth = "16"
        self.scene.view_settings.view_transform = "AgX"
        self.camera = bpy.data.objects.new("camera", bpy.data.cameras.new("camera"))
        self.camera.data.clip_start, self.camera.data.clip_end = 5, 6000
        bpy.context.collection.objects.link(self.camera)
        self.scene.camera = self.camera

    def look_from(self, camera: Camera) -> None:
        """Point the camera; the picture keeps its size."""
        right, down, fwd = camera.axes()
        m = Matrix.Identity(4)
        for i in range(3):
            m[i][0], m[i][1], m[i][2] = right[i], -down[i], -fwd[i]
            m[i][3] = camera.eye[i]
        self.camera.matrix_world = m
        data = self.camera.data
        data.sensor_fit, data.sensor_width = "HORIZONTAL", 36.0
        data.lens = 36.0 * camera.focal_px() / self.scene.render.resolution_x

    def _bed(self) -> None:
        p = self.printer
        w, d = p.bed_mm
        self.bed = bpy.data.objects.new("bed origin", None)
        bpy.context.collection.objects.link(self.bed)
        dark = _material("under", (0.02, 0.02, 0.022), 0.5, metal=0.3)
        grey = _material("clip", (0.12, 0.12, 0.13), 0.35, metal=0.7)
        things = [
            _box("plate", (w, d, 3), (w / 2, d / 2, -1.5), _bed_material(p), 0.3),
            _box("carriage", (w - 4, d - 4, 5), (w / 2, d / 2, -5.6), dark),
        ]
        for i in range(p.clips):
            x = w * (i + 0.75) / (p.clips + 0.5)
            things.append(_box("clip", (13, 9, 7), (x, 1.5, -1.2), grey))
        for ob in things:
            ob.parent = self.bed

    def _gantry(self) -> None:
        p = self.printer
        steel = _material("frame", p.frame_colour, 0.4, metal=p.frame_metal, bump=0.05, scale=0.3)
        w = p.bed_mm[0]
        self.beam = _box("beam", (w + 170, 22, 24), (0, 0, 0), steel)
        y = 42.0 if p.bed_motion == "bed-y" else 40.0
        for x in (-w / 2 - 62, w / 2 + 62):
            _box("upright", (24, 30, 620), (x, y, 190), steel)

    def _head(self) -> None:
        p = self.printer
        w, d, h = p.head_mm
        self.head = bpy.data.objects.new("head", None)
        bpy.context.collection.objects.link(self.head)
        skin = _material("head", p.head_colour, 0.5, bump=0.05, scale=0.5)
        dark = _material("duct", tuple(0.6 * c for c in p.head_colour), 0.5)
        brass = _material("nozzle", (0.5, 0.32, 0.1), 0.35, metal=0.9)
        side = -1 if p.duct_left else 1
        things = [
            _box("case", p.head_mm, (0, 0, 13 + h / 2), skin, 2.0),
            _box("block", (20, 16, 9), (0, 0, 8.6), dark, 0.5),
            _round("nozzle", 0.5, 3.2, height=4.5, at=(0, 0, 0), material=brass),
            _box("fan duct", (14, 20, 26), (side * (w / 2 + 2), -d / 4, 19), dark, 1.0),
        ]
        for ob in things:
            ob.parent = self.head

    def _room(self) -> None:
        p = self.printer
        rng = np.random.default_rng((p.seed, 3))
        floor = -70.0 if p.bed_motion == "bed-y" else -130.0
        stone = _material("floor", p.floor_colour, 0.7, bump=0.2, scale=0.02)
        wall = _material("wall", p.wall_colour, 0.8, bump=0.15, scale=0.03)
        pale = _material("side", p.side_colour, 0.8, bump=0.05, scale=0.05)
        _box("floor", (2600, 2600, 20), (0, 300, floor - 10), stone, 0)
        w, d = p.bed_mm
        back = d + 190 + rng.uniform(0, 60)
        _box("panel", (w * 2.0, 10, 900), (rng.uniform(-30, 30), back, 350), wall, 0)
        _box("wall", (3000, 10, 1600), (0, back + 60, 700), pale, 0)
        for k in range(p.clutter):
            size = rng.uniform((25, 25, 40), (60, 60, 170))
            hue = rng.uniform(0.05, 0.75, 3)
            m = _material(f"box {k}", tuple(hue), 0.6, bump=0.05, scale=0.3)
            x = rng.uniform(-w * 1.05, w * 1.05)
            at = (x, rng.uniform(d + 30, back - 40), floor + size[2] / 2)
            _box("clutter", tuple(size), at, m)

    def _lights(self) -> None:
        p = self.printer
        data = bpy.data.lights.new("lamp", "AREA")
        data.shape, data.size, data.size_y = "RECTANGLE", p.lamp_size, p.lamp_size * 0.6
        data.color = p.lamp_colour
        self.lamp = bpy.data.objects.new("lamp", data)
        self._aim(self.lamp, p.lamp_at, (0, 0, 0))
        sun = bpy.data.lights.new("window", "AREA")
        sun.size, sun.color = 500, (0.75, 0.85, 1.0)
        self.window = bpy.data.objects.new("window", sun)
        self._aim(self.window, (900, -500, 500), (0, 0, 0))
        for ob in (self.lamp, self.window):
            bpy.context.collection.objects.link(ob)
        world = bpy.data.worlds.new("room")
        world.use_nodes = True
        self.scene.world = world
        self.air = world.node_tree.nodes["Background"].inputs
        self.air["Color"].default_value = (0.72, 0.84, 1.0, 1)

    @staticmethod
    def _aim(
        ob: bpy.types.Object, at: tuple[float, float, float], to: tuple[float, float, float]
    ) -> None:
        fwd = np.array(to, float) - at
        fwd /= np.linalg.norm(fwd)
        right = np.cross(fwd, (0, 0, 1.0))
        right /= np.linalg.norm(right)
        up = np.cross(right, fwd)
        ob.matrix_world = Matrix(
            [
                [*r]
                for r in np.vstack(
                    [np.column_stack([right, up, -fwd, np.array(at, float)]), [0, 0, 0, 1]]
                )
            ]
        )

    # ---- one frame -------------------------------------------------------------------------

    def arrange(self, m: Moment) -> None:
        """Put bed, head, gantry and lights where they are at one moment; loose things go."""
        p = self.printer
        for ob in self.loose:
            data = ob.data
            bpy.data.objects.remove(ob)
            (bpy.data.meshes if isinstance(data, bpy.types.Mesh) else bpy.data.curves).remove(data)
        self.loose = []
        sunk = m.nozzle_mm[2]
        origin = to_world(np.zeros((1, 3)), p, m.bed_y_mm, sunk)[0]
        self.bed.location = origin
        x, y, z = to_world(np.array([m.nozzle_mm]), p, m.bed_y_mm, sunk)[0]
        if p.bed_motion == "bed-y":
            y = 0.0
        self.head.location = (x, y, z)
        self.beam.location = (0, y + p.head_mm[1] / 2 + 11, z + 48)
        self.lamp.data.energy = 7.0e6 * p.lamp_power * max(1e-4, m.lamp)
        self.window.data.energy = 2.0e7 * m.dawn
        self.air["Strength"].default_value = p.ambient * m.ambient + 0.5 * m.dawn

    def add_part(self, mesh: Mesh, points: np.ndarray) -> None:
        """The part, its points (n, 3) already where the fault took them (bed mm)."""
        faces = bpy.data.meshes.new("part")
        faces.vertices.add(len(points))
        faces.vertices.foreach_set("co", points.astype(np.float32).ravel())
        loops = np.concatenate([mesh.quads.ravel(), mesh.triangles.ravel()]).astype(np.int32)
        faces.loops.add(len(loops))
        faces.loops.foreach_set("vertex_index", loops)
        nq, nt = len(mesh.quads), len(mesh.triangles)
        starts = np.concatenate([4 * np.arange(nq), 4 * nq + 3 * np.arange(nt)]).astype(np.int32)
        faces.polygons.add(nq + nt)
        faces.polygons.foreach_set("loop_start", starts)
        faces.update(calc_edges=True)
        faces.shade_flat()
        faces.materials.append(self.part_material)
        self._keep(bpy.data.objects.new("part", faces), self.bed)

    def add_tube(
        self, points: np.ndarray, radius: float, parent: str = "bed", colour: Colour | None = None
    ) -> None:
        """A round thread along points (n, 3): loose filament, a wisp, a cable, an arm."""
        c = bpy.data.curves.new("thread", "CURVE")
        c.dimensions, c.bevel_depth, c.bevel_resolution, c.use_fill_caps = "3D", radius, 2, True
        s = c.splines.new("POLY")
        s.points.add(len(points) - 1)
        s.points.foreach_set(
            "co", np.column_stack([points, np.ones(len(points))]).astype(np.float32).ravel()
        )
        c.materials.append(self.part_material if colour is None else self._paint(colour))
        owner = {"bed": self.bed, "head": self.head, "room": None}[parent]
        self._keep(bpy.data.objects.new("thread", c), owner)

    def add_lump(
        self,
        at: tuple[float, float, float],
        size: tuple[float, float, float],
        parent: str,
        *,
        seed: int,
        rough: float = 0.15,
        colour: Colour | None = None,
    ) -> None:
        """A bumpy ellipsoid: a blob on the nozzle, an insect, a fist."""
        rng = np.random.default_rng((seed, 11))
        a, b = np.meshgrid(
            np.linspace(0, 2 * math.pi, 25)[:-1], np.linspace(0.05, math.pi - 0.05, 13)
        )
        way = np.stack([np.cos(a) * np.sin(b), np.sin(a) * np.sin(b), np.cos(b)], -1).reshape(-1, 3)
        k = rng.normal(0, 2.2, (6, 3))
        bumps = np.sin(way @ k.T + rng.uniform(0, 6, 6)).mean(axis=1)
        v = way * (1 + rough * 2 * bumps[:, None]) * np.array(size) + np.array(at)
        i = np.arange(12 * 24).reshape(12, 24)
        j = np.roll(i, -1, axis=1)
        faces = np.stack([i, j, j + 24, i + 24], -1).reshape(-1, 4).tolist()
        mesh = bpy.data.meshes.new("lump")
        mesh.from_pydata(v.tolist(), [], [*faces, list(range(23, -1, -1)), list(range(288, 312))])
        mesh.polygons.foreach_set("use_smooth", [True] * len(mesh.polygons))
        mesh.materials.append(self.part_material if colour is None else self._paint(colour))
        self._keep(
            bpy.data.objects.new("lump", mesh),
            {"bed": self.bed, "head": self.head, "room": None}[parent],
        )

    @staticmethod
    def _paint(colour: Colour) -> bpy.types.Material:
        name = f"paint {colour}"
        return bpy.data.materials.get(name) or _material(name, colour, 0.6)

    def _keep(self, ob: bpy.types.Object, owner: bpy.types.Object | None) -> None:
        ob.parent = owner
        bpy.context.collection.objects.link(ob)
        self.loose.append(ob)

    def draw(self, file: str) -> None:
        """Render to a 16-bit PNG."""
        self.scene.render.filepath = file
        bpy.ops.render.render(write_still=True)

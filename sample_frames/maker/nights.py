"""The named nights: what is printed, on which machine, seen how, and what goes wrong."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import parts
from faults import Fault, Lift, Slide, Step
from photograph import Camera
from scene import Printer


@dataclass(frozen=True)
class Nuisance:
    """Something innocent from frame ``first`` to ``last`` (both counted from 1, inclusive).

    knock, dawn, lamp-off, insect, cable, hand, steam; ``amount`` scales it.
    """

    what: str
    first: int
    last: int = 10**6
    amount: float = 1.0


@dataclass(frozen=True)
class Night:
    """Everything that make.py needs to produce one folder."""

    name: str
    kind: str
    shows: str
    regions: parts.Regions
    printer: Printer
    camera: Camera
    fault: Fault = field(default_factory=Fault)
    nuisances: tuple[Nuisance, ...] = ()
    layer_mm: float = 0.25
    every: int = 1
    parked: bool = False
    park_mm: tuple[float, float] = (0.0, 170.0)
    slow: float = 1.05
    noise: float = 3.4
    blur_px: float = 0.7
    flicker: float = 0.03
    wander: float = 0.05
    """Standard deviation of the slow exposure wander, relative."""
    wisps: int = 0
    exposure: float = 1.25
    tint: tuple[float, float, float] = (1.12, 1.0, 0.94)
    """The camera's usual colour error: gain of blue, green, red."""
    whole_layers: bool = True
    """False: the layer being printed shows only what is laid so far (not with a parked head)."""
    after: int = 0
    """Frames taken once the print has ended, 90 s apart."""
    end_mm: tuple[float, float] = (0.0, 200.0)
    """Where the head, and a bed that slides, stand then."""
    quality: int = 85
    seed: int = 1

    @property
    def layers(self) -> list[int]:
        """The layer of each frame, counted from 1; the last one again after the print's end."""
        count = len(self.regions)
        return [*range(1, count + 1, self.every), *[count] * self.after]


def corner_of(regions: parts.Regions, layer: int, x: float, y: float) -> tuple[float, float]:
    """The vertex of a layer's outer outline that is nearest to (x, y)."""
    ring = np.asarray(parts.polygons(regions[layer - 1])[0].exterior.coords)
    best = ring[np.argmin(np.hypot(ring[:, 0] - x, ring[:, 1] - y))]
    return (round(float(best[0]), 3), round(float(best[1]), 3))


def _gusset_step() -> Night:
    regions = parts.placed(parts.gusset(78, 52, 12, 48, 6.0), 112, 102, -14)
    return Night(
        "vent-gusset-step",
        "shift",
        "gusset bracket, green on a black grained bed, bed-y, any moment; layers lie 2.6 mm aside "
        "from layer 23 on",
        regions,
        Printer(
            bed_colour=(0.03, 0.03, 0.032),
            part_colour=(0.08, 0.42, 0.12),
            seed=11,
            frame_colour=(0.45, 0.45, 0.47),
        ),
        Camera((70, -400, 250), (0, -10, 10), 50, k1=-0.07),
        Fault(steps=(Step(23, 2.4, -1.0),)),
        seed=11,
        slow=1.045,
        whole_layers=False,
    )


def _flange() -> Night:
    base = parts.flange_post(44, 56, 26, 50, reach=18, flare=1)
    regions = parts.placed(parts.with_supports(base, (22, 40), 54, 26, 0.9), 108, 112, 12)
    tip = corner_of(regions, 50, 150, 90)
    return Night(
        "vent-flange-curl",
        "overhang",
        "post with a supported flange, white on a bronze bed, bed-z; the flange's front corner "
        "curls up from layer 29",
        regions,
        Printer(
            bed_motion="bed-z",
            bed_colour=(0.34, 0.2, 0.06),
            part_colour=(0.72, 0.72, 0.7),
            seed=12,
            clutter=6,
            side_colour=(0.4, 0.42, 0.4),
        ),
        Camera((-210, -330, 190), (5, -5, -10), 46, k1=-0.05),
        Fault(lifts=(Lift(tip, 29, 0.14, 2.6, 17, z_mm=6.5, from_layer=27),)),
        seed=12,
        slow=1.06,
    )


def _runout() -> Night:
    regions = parts.placed(parts.tray(74, 54, 5, 90, 4.0), 104, 108, 20)
    return Night(
        "vent-tray-runout",
        "runout",
        "small tray, red on grey glass, bed-y, parked; the filament ends at layer 43",
        regions,
        Printer(
            bed_colour=(0.22, 0.24, 0.25),
            bed_style="glass",
            bed_rough=0.25,
            part_colour=(0.5, 0.05, 0.04),
            seed=13,
            lamp_at=(280, -300, 560),
        ),
        Camera((-60, -380, 300), (0, -40, 10), 48, k1=-0.08),
        Fault(no_growth_from=43),
        parked=True,
        park_mm=(0, 165),
        every=2,
        seed=13,
        slow=1.03,
        layer_mm=0.3,
    )


def _black_bracket() -> Night:
    regions = parts.placed(parts.bracket(92, 58, 14, 56, 5.0), 114, 104, 16)
    tip = corner_of(regions, 1, 168, 84)
    return Night(
        "black-bracket-lift",
        "warp",
        "black bracket on a black grained bed, bed-y, any moment; the front right corner lifts",
        regions,
        Printer(
            bed_colour=(0.035, 0.035, 0.04),
            part_colour=(0.016, 0.016, 0.018),
            part_rough=0.35,
            seed=21,
            lamp_at=(-300, -200, 560),
        ),
        Camera((60, -390, 235), (5, -15, 5), 48, k1=-0.09),
        Fault(lifts=(Lift(tip, 16, 0.075, 2.8, 34),)),
        seed=21,
        slow=1.062,
        exposure=1.5,
    )


def _round_plate() -> Night:
    regions = parts.placed(parts.rounded_plate(96, 60, 9, 10, 52), 108, 110, -24)
    tip = corner_of(regions, 1, 60, 100)
    return Night(
        "round-plate-lift",
        "warp",
        "grey plate with round corners on a blue bed with a grid, bed-y, parked on the right; "
        "the left end's front corner lifts slowly",
        regions,
        Printer(
            bed_colour=(0.02, 0.12, 0.35),
            bed_style="grid",
            part_colour=(0.3, 0.31, 0.32),
            seed=22,
            duct_left=False,
            head_colour=(0.2, 0.03, 0.03),
            lamp_at=(250, -350, 600),
        ),
        Camera((-80, -400, 265), (-5, -60, 10), 47, (1024, 576), k1=-0.05),
        Fault(lifts=(Lift(tip, 12, 0.045, 4.0, 45),)),
        parked=True,
        park_mm=(215, 175),
        seed=22,
        slow=1.035,
    )


def _tall_tray() -> Night:
    regions = parts.placed(parts.tray(92, 66, 5, 120, 3.6), 106, 108, 17)
    tip = corner_of(regions, 1, 68, 62)
    return Night(
        "tall-tray-lift",
        "warp",
        "orange tray with tall walls on cloudy glass, bed-z, any moment; the front left corner "
        "lifts and the walls above it are laid level",
        regions,
        Printer(
            bed_motion="bed-z",
            bed_colour=(0.2, 0.22, 0.24),
            bed_style="cloudy",
            bed_rough=0.2,
            part_colour=(0.75, 0.2, 0.02),
            seed=23,
        ),
        Camera((-190, -380, 190), (0, -10, -15), 44, k1=-0.06),
        Fault(lifts=(Lift(tip, 30, 0.03, 2.4, 38, levelled=True),)),
        every=2,
        seed=23,
        slow=1.055,
        whole_layers=False,
    )


def _two_corners() -> Night:
    base = parts.with_brim(parts.placed(parts.gusset(100, 64, 10, 52, 5.0), 110, 108, -8), 5)
    tips = [corner_of(base, 2, 55, 84), corner_of(base, 2, 157, 70)]
    return Night(
        "two-corner-lift",
        "warp",
        "white gusset bracket with a brim on a bronze grained bed, bed-y, any moment; both front "
        "corners lift, one twice as fast",
        base,
        Printer(
            bed_colour=(0.3, 0.18, 0.07),
            part_colour=(0.7, 0.7, 0.68),
            seed=24,
            frame_colour=(0.03, 0.03, 0.03),
            frame_metal=0.2,
            head_colour=(0.25, 0.25, 0.26),
        ),
        Camera((20, -420, 290), (0, -20, 5), 48, (1024, 576), k1=-0.08),
        Fault(lifts=(Lift(tips[0], 14, 0.06, 2.2, 40), Lift(tips[1], 22, 0.03, 1.0, 25))),
        seed=24,
        slow=1.04,
    )


def _posts() -> Night:
    base = parts.placed(parts.posts(70, 50, 6, 88, 11), 110, 108, 10)
    base = parts.with_skirt(parts.with_purge(base, 12, 20, 160, 0.45), 5, 0.45)
    return Night(
        "posts-wisps",
        "good",
        "four posts on a plate with skirt, purge line and thin wisps of stringing, bed-z, any "
        "moment; exposure wanders; nothing is wrong",
        base,
        Printer(
            bed_motion="bed-z",
            bed_colour=(0.05, 0.05, 0.055),
            part_colour=(0.1, 0.25, 0.6),
            seed=31,
            lamp_at=(-150, -350, 600),
        ),
        Camera((-150, -370, 210), (0, 0, -10), 44, k1=-0.05),
        every=2,
        seed=31,
        slow=1.07,
        wisps=14,
        wander=0.12,
        flicker=0.06,
        nuisances=(Nuisance("insect", 30, 34),),
    )


def _knock_dawn() -> Night:
    regions = parts.placed(parts.bracket(84, 56, 10, 54, 6.0), 112, 106, 28)
    return Night(
        "bracket-knock-dawn",
        "good",
        "yellow bracket on a dark grey bed, bed-y, parked; the camera is knocked at frame 24, "
        "dawn comes at frame 38; nothing is wrong",
        regions,
        Printer(
            bed_colour=(0.07, 0.07, 0.075),
            bed_style="plain",
            part_colour=(0.65, 0.45, 0.03),
            seed=32,
        ),
        Camera((90, -390, 260), (0, -45, 10), 46, (1024, 576), k1=-0.07),
        parked=True,
        park_mm=(0, 165),
        seed=32,
        slow=1.05,
        nuisances=(Nuisance("knock", 24), Nuisance("dawn", 38)),
    )


def _lamp_off() -> Night:
    regions = parts.with_brim(parts.placed(parts.clip(78, 56, 60, 7.0), 112, 112, 14), 4)
    return Night(
        "clip-lamp-off",
        "good",
        "pipe clip with a brim, violet on a grey grained bed, bed-y, any moment; the lamp goes "
        "off for frames 20 to 38, a cable hangs in at 42 to 47, a hand at 52 and 53, steam at "
        "56 to 59; nothing is wrong",
        regions,
        Printer(
            bed_colour=(0.16, 0.16, 0.165),
            part_colour=(0.25, 0.08, 0.4),
            seed=33,
            lamp_at=(320, -150, 520),
        ),
        Camera((-40, -410, 240), (0, -15, 5), 46, k1=-0.06),
        seed=33,
        slow=1.025,
        flicker=0.08,
        nuisances=(
            Nuisance("lamp-off", 20, 38),
            Nuisance("cable", 42, 47),
            Nuisance("hand", 52, 53),
            Nuisance("steam", 56, 59, 0.6),
        ),
    )


def _dark_spaghetti() -> Night:
    regions = parts.placed(parts.bracket(70, 50, 10, 52, 5.0), 106, 112, -20)
    return Night(
        "dark-spaghetti",
        "spaghetti",
        "dark grey bracket on a black grained bed, bed-y, any moment; loose strands from layer 22",
        regions,
        Printer(
            bed_colour=(0.03, 0.03, 0.033),
            part_colour=(0.09, 0.09, 0.1),
            seed=41,
            lamp_at=(-280, -300, 560),
        ),
        Camera((-70, -400, 250), (0, -10, 5), 47, k1=-0.08),
        Fault(strands_from=22),
        seed=41,
        slow=1.05,
        exposure=1.4,
    )


def _tip_over() -> Night:
    regions = parts.placed(parts.flange_post(30, 34, 200, 104, reach=0, flare=1), 112, 108, 25)
    return Night(
        "post-tips-over",
        "detach",
        "tall block, green on a pale grey glass bed, bed-z, any moment; it tips over at layer 57, "
        "strands follow",
        regions,
        Printer(
            bed_motion="bed-z",
            bed_colour=(0.3, 0.31, 0.32),
            bed_style="glass",
            bed_rough=0.2,
            part_colour=(0.12, 0.4, 0.08),
            seed=42,
        ),
        Camera((170, -380, 200), (0, 0, -15), 45, k1=-0.07),
        Fault(slide=Slide(57, 6, 14, -6, 12, tip_deg=90, tip_toward_deg=25, still_grows=2)),
        every=2,
        seed=42,
        slow=1.06,
    )


def _slow_slide() -> Night:
    regions = parts.placed(parts.rounded_plate(76, 50, 6, 9, 54), 104, 104, 32)
    return Night(
        "plate-slow-slide",
        "detach",
        "black plate on a bronze bed, bed-y, any moment; from layer 20 it creeps 9 mm aside over "
        "24 layers and turns by 7 degrees",
        regions,
        Printer(bed_colour=(0.33, 0.2, 0.07), part_colour=(0.02, 0.02, 0.022), seed=43),
        Camera((50, -420, 240), (0, -15, 5), 46, k1=-0.05),
        Fault(slide=Slide(20, 24, 7.5, 5, -7, still_grows=14)),
        seed=43,
        slow=1.045,
    )


def _breaks_loose() -> Night:
    regions = parts.placed(parts.rounded_plate(76, 50, 6, 9, 44), 108, 106, -18)
    return Night(
        "plate-breaks-loose",
        "detach",
        "grey plate on a dark bed, bed-y, head parked aside; at layer 31 it breaks loose and lies "
        "6 mm aside, turned by 8 degrees",
        regions,
        Printer(bed_colour=(0.05, 0.055, 0.06), part_colour=(0.5, 0.48, 0.45), seed=44),
        Camera((45, -350, 225), (0, -45, 5), 44, k1=-0.05),
        Fault(slide=Slide(30, 1, -5.5, -3, 8)),
        every=2,
        parked=True,
        park_mm=(0, 170),
        seed=44,
        noise=2.6,
    )


def _blob() -> Night:
    regions = parts.placed(parts.tray(66, 52, 5, 100, 4.0), 110, 110, -12)
    return Night(
        "tray-blob",
        "spaghetti",
        "white tray on a dark blue bed, bed-z, any moment; from layer 41 a blob grows round the "
        "nozzle and sheds a few strands",
        regions,
        Printer(
            bed_motion="bed-z",
            bed_colour=(0.02, 0.05, 0.14),
            bed_style="grid",
            part_colour=(0.68, 0.68, 0.66),
            seed=44,
        ),
        Camera((-170, -360, 210), (0, -5, -10), 44, k1=-0.06),
        Fault(strands_from=41, strands_a_layer=1, strand_spread_mm=30, blob_from=41),
        every=2,
        seed=44,
        slow=1.05,
        whole_layers=False,
    )


def _edge_curl() -> Night:
    regions = parts.placed(parts.flange_post(40, 60, 18, 50, reach=22, flare=16), 106, 108, -10)
    a, b = corner_of(regions, 50, 144, 72), corner_of(regions, 50, 154, 131)
    return Night(
        "chamfer-edge-curl",
        "overhang",
        "block with a steep unsupported chamfer, red on a grey bed, bed-y, any moment; the whole "
        "overhanging edge curls up from layer 35",
        regions,
        Printer(
            bed_colour=(0.13, 0.13, 0.135),
            part_colour=(0.5, 0.06, 0.04),
            seed=45,
            lamp_at=(260, -300, 560),
        ),
        Camera((150, -390, 210), (0, -10, 5), 46, k1=-0.06),
        Fault(lifts=(Lift(a, 35, 0.17, 2.2, 16, z_mm=8.25, from_layer=20, edge_to_mm=b),)),
        seed=45,
        slow=1.05,
    )


def _small_step() -> Night:
    regions = parts.placed(parts.tray(80, 60, 5, 96, 4.0), 108, 106, 9)
    return Night(
        "tray-small-step",
        "shift",
        "pale blue tray on black glass, bed-z, any moment; layers lie 1.5 mm aside from 55 on",
        regions,
        Printer(
            bed_motion="bed-z",
            bed_colour=(0.02, 0.02, 0.022),
            bed_style="glass",
            bed_rough=0.25,
            part_colour=(0.3, 0.45, 0.6),
            seed=46,
        ),
        Camera((180, -360, 200), (0, 0, -10), 43, k1=-0.08),
        Fault(steps=(Step(55, 1.4, 0.5),)),
        every=2,
        seed=46,
        slow=1.06,
    )


def _vase_runout() -> Night:
    regions = parts.placed(parts.vase([24, 30, 26, 15, 18], 5, 150, 2.0), 110, 110, 0)
    return Night(
        "vase-runout",
        "runout",
        "white vessel on a green bed, bed-y, any moment, small picture; no growth from layer 91; "
        "the lamp flickers",
        regions,
        Printer(bed_colour=(0.04, 0.14, 0.07), part_colour=(0.7, 0.69, 0.66), seed=47),
        Camera((-60, -400, 230), (0, -10, 15), 46, (640, 480), k1=-0.05),
        Fault(no_growth_from=91),
        every=3,
        seed=47,
        slow=1.03,
        flicker=0.08,
    )


def _knocked_lift() -> Night:
    base = parts.placed(parts.tray(88, 60, 14, 56, 5.0), 112, 110, 40)
    tip = corner_of(base, 1, 98, 60)
    return Night(
        "knocked-tray-lift",
        "warp",
        "green tray on a white bed, bed-y, parked; knock at frame 18, the front corner lifts "
        "from layer 20, dawn at frame 40",
        base,
        Printer(
            bed_colour=(0.55, 0.55, 0.53),
            bed_style="plain",
            part_colour=(0.05, 0.3, 0.1),
            seed=48,
            bed_mm=(235, 235),
        ),
        Camera((70, -400, 270), (0, -60, 10), 46, k1=-0.1),
        Fault(lifts=(Lift(tip, 20, 0.05, 3.0, 30),)),
        parked=True,
        park_mm=(0, 180),
        seed=48,
        slow=1.06,
        exposure=1.0,
        nuisances=(Nuisance("knock", 18), Nuisance("dawn", 40)),
    )


def _white_small_lift() -> Night:
    base = parts.placed(parts.bracket(86, 60, 12, 52, 5.0), 108, 108, -18)
    tip = corner_of(base, 1, 58, 92)
    return Night(
        "white-small-lift",
        "warp",
        "white bracket on a pale bed, bed-z, parked; the front left corner lifts by 0.8 mm at most",
        base,
        Printer(
            bed_motion="bed-z",
            bed_colour=(0.42, 0.43, 0.44),
            bed_style="cloudy",
            part_colour=(0.7, 0.7, 0.69),
            seed=51,
            frame_colour=(0.04, 0.04, 0.045),
            frame_metal=0.1,
        ),
        Camera((-120, -350, 210), (0, -5, -10), 42, k1=-0.07),
        Fault(lifts=(Lift(tip, 14, 0.03, 0.8, 22),)),
        parked=True,
        park_mm=(215, 205),
        seed=51,
        slow=1.05,
        exposure=1.0,
    )


def _black_glass_lift() -> Night:
    base = parts.placed(parts.rounded_plate(90, 58, 4, 9, 50), 112, 112, 12)
    tip = corner_of(base, 1, 160, 94)
    return Night(
        "black-glass-lift",
        "warp",
        "black plate on black glass, bed-z, any moment, large picture; the right end's front "
        "corner lifts, a small picture shake at frame 30",
        base,
        Printer(
            bed_motion="bed-z",
            bed_colour=(0.02, 0.02, 0.022),
            bed_style="glass",
            bed_rough=0.18,
            part_colour=(0.03, 0.03, 0.033),
            part_rough=0.5,
            seed=52,
        ),
        Camera((160, -360, 230), (0, -5, -10), 46, (1280, 720), k1=-0.07),
        Fault(lifts=(Lift(tip, 15, 0.07, 2.4, 30),)),
        seed=52,
        slow=1.04,
        exposure=1.6,
        nuisances=(Nuisance("knock", 30, amount=0.3),),
    )


def _print_ends() -> Night:
    base = parts.with_skirt(parts.placed(parts.gusset(74, 52, 10, 44, 5.0), 110, 108, 8), 6, 0.45)
    return Night(
        "gusset-print-ends",
        "good",
        "gusset bracket with a skirt, orange on a blue-grey bed, bed-y, any moment; the print "
        "ends at frame 44 and eight more frames follow; nothing is wrong",
        base,
        Printer(bed_colour=(0.1, 0.13, 0.17), part_colour=(0.75, 0.22, 0.03), seed=53),
        Camera((40, -410, 250), (0, -15, 5), 47, k1=-0.07),
        seed=53,
        slow=1.07,
        after=8,
        whole_layers=False,
    )


def _fixed_bed() -> Night:
    base = parts.placed(parts.vase([26, 22, 24, 30, 27], 5, 150, 2.0), 90, 90, 0)
    return Night(
        "vase-fixed-bed",
        "good",
        "dark vessel on a bed that stands still while the head climbs, any moment; dawn from "
        "frame 34; nothing is wrong",
        base,
        Printer(
            bed_mm=(180, 180),
            bed_motion="fixed",
            bed_colour=(0.25, 0.25, 0.26),
            bed_style="cloudy",
            part_colour=(0.05, 0.02, 0.06),
            part_rough=0.25,
            seed=54,
        ),
        Camera((-110, -330, 220), (0, 0, 10), 44, k1=-0.06),
        every=3,
        seed=54,
        slow=1.05,
        nuisances=(Nuisance("dawn", 34),),
    )


def _close_lift() -> Night:
    base = parts.placed(parts.gusset(88, 60, 12, 60, 5.0), 112, 100, 10)
    tip = corner_of(base, 1, 62, 63)
    return Night(
        "close-gusset-lift",
        "warp",
        "dark grey gusset bracket on a black grained bed seen from close by, two bed corners "
        "outside the picture, bed-y, parked; the front left corner lifts",
        base,
        Printer(
            bed_colour=(0.04, 0.04, 0.045),
            part_colour=(0.05, 0.05, 0.055),
            seed=55,
            side_colour=(0.5, 0.55, 0.65),
        ),
        Camera((-30, -330, 215), (0, -45, 15), 50, (1024, 576), k1=-0.06),
        Fault(lifts=(Lift(tip, 18, 0.065, 3.2, 36),)),
        parked=True,
        park_mm=(0, 165),
        seed=55,
        slow=1.055,
        exposure=1.4,
    )


def _close_curl() -> Night:
    base = parts.placed(parts.flange_post(46, 58, 22, 52, reach=20, flare=14), 104, 104, 6)
    tip = corner_of(base, 52, 150, 74)
    return Night(
        "dark-chamfer-curl",
        "overhang",
        "black block with a steep chamfer on a yellow bed, bed-y, parked; the overhang's front "
        "corner curls up from layer 36",
        base,
        Printer(
            bed_colour=(0.55, 0.33, 0.05),
            bed_style="plain",
            part_colour=(0.02, 0.02, 0.022),
            seed=56,
            lamp_at=(240, -330, 580),
        ),
        Camera((90, -350, 200), (0, -50, 10), 44, k1=-0.05),
        Fault(lifts=(Lift(tip, 36, 0.12, 2.0, 18, z_mm=8.75, from_layer=24),)),
        parked=True,
        park_mm=(0, 165),
        seed=56,
        slow=1.04,
    )


def _flat_flange() -> Night:
    base = parts.flange_post(46, 54, 24, 50, reach=20, flare=1)
    regions = parts.placed(parts.with_supports(base, (24, 44), 52, 24, 0.9), 106, 110, -15)
    return Night(
        "flange-stays-flat",
        "good",
        "post with a supported flange, blue on a grey bed, bed-y, any moment; nothing curls",
        regions,
        Printer(
            bed_colour=(0.2, 0.2, 0.21),
            part_colour=(0.03, 0.09, 0.3),
            seed=71,
            clutter=4,
            lamp_at=(-250, -320, 560),
        ),
        Camera((150, -370, 200), (5, -10, 0), 46, k1=-0.05),
        Fault(),
        seed=71,
        slow=1.05,
    )


def _flat_chamfer() -> Night:
    base = parts.placed(parts.flange_post(42, 58, 20, 50, reach=20, flare=14), 108, 106, 14)
    return Night(
        "chamfer-stays-flat",
        "good",
        "pale grey block with a steep chamfer on a black bed, bed-z, any moment; nothing curls",
        base,
        Printer(
            bed_motion="bed-z",
            bed_colour=(0.02, 0.02, 0.022),
            part_colour=(0.5, 0.5, 0.48),
            seed=72,
            lamp_at=(250, -300, 560),
        ),
        Camera((-160, -360, 210), (0, -10, 0), 46, k1=-0.06),
        Fault(),
        seed=72,
        slow=1.04,
    )


def _bracket_step() -> Night:
    base = parts.placed(parts.bracket(80, 56, 8, 56, 8.0), 110, 108, -25)
    return Night(
        "bracket-step",
        "shift",
        "grey bracket on a green bed, bed-y, parked; layers lie 1.9 mm aside from layer 34 on",
        base,
        Printer(bed_colour=(0.04, 0.14, 0.07), part_colour=(0.28, 0.28, 0.29), seed=57),
        Camera((-60, -370, 230), (0, -55, 10), 44, k1=-0.08),
        Fault(steps=(Step(34, -1.7, 0.9),)),
        parked=True,
        park_mm=(215, 165),
        seed=57,
        slow=1.065,
    )


def _posts_clog() -> Night:
    base = parts.placed(parts.posts(72, 54, 6, 92, 12), 108, 110, -12)
    return Night(
        "posts-clog",
        "runout",
        "four posts, black on cloudy glass, bed-z, any moment; nothing grows from layer 51, a "
        "hand reaches in at frame 14",
        base,
        Printer(
            bed_motion="bed-z",
            bed_colour=(0.24, 0.27, 0.3),
            bed_style="cloudy",
            part_colour=(0.02, 0.02, 0.022),
            seed=58,
        ),
        Camera((150, -360, 210), (0, 0, -10), 44, k1=-0.05),
        Fault(no_growth_from=51),
        every=2,
        seed=58,
        slow=1.05,
        nuisances=(Nuisance("hand", 14, 15),),
    )


def _bracket(name: str, kind: str, shows: str, fault: Fault, seed: int) -> Night:
    """The two nights of the project's own samples: a greenhouse vent's bracket, clearly seen."""
    return Night(
        name,
        kind,
        shows,
        _vent_bracket(),
        Printer(
            bed_colour=(0.05, 0.055, 0.06),
            part_colour=(0.1, 0.38, 0.13),
            seed=seed,
            lamp_at=(-220, -340, 600),
        ),
        Camera((40, -350, 225), (0, -55, 5), 44, k1=-0.06),
        fault,
        parked=True,
        park_mm=(0, 170),
        seed=seed,
        slow=1.05,
        noise=2.4,
        quality=80,
    )


def _vent_bracket() -> parts.Regions:
    return parts.placed(parts.bracket(94, 58, 14, 64, 5.0), 112, 104, -11)


def _sample_lift() -> Night:
    tip = corner_of(_vent_bracket(), 1, 154, 66)
    return _bracket(
        "sample-lift",
        "warp",
        "vent bracket, green on dark grey; a corner lifts",
        Fault(lifts=(Lift(tip, 20, 0.07, 3.0, 32),)),
        61,
    )


def _sample_clean() -> Night:
    return _bracket("sample-clean", "good", "the same vent bracket; nothing is wrong", Fault(), 62)


def all_nights() -> dict[str, Night]:
    """Every night by its name."""
    makers = (
        _gusset_step,
        _flange,
        _runout,
        _black_bracket,
        _round_plate,
        _tall_tray,
        _two_corners,
        _posts,
        _knock_dawn,
        _lamp_off,
        _dark_spaghetti,
        _tip_over,
        _slow_slide,
        _breaks_loose,
        _blob,
        _edge_curl,
        _small_step,
        _vase_runout,
        _knocked_lift,
        _white_small_lift,
        _black_glass_lift,
        _print_ends,
        _fixed_bed,
        _close_lift,
        _close_curl,
        _flat_flange,
        _flat_chamfer,
        _bracket_step,
        _posts_clog,
        _sample_lift,
        _sample_clean,
    )
    return {n.name: n for n in (make() for make in makers)}

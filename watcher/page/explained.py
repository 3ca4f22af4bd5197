"""View: what is watched for, each kind with a picture of what is measured."""

from __future__ import annotations

from dataclasses import dataclass

from flask import Blueprint, render_template

views = Blueprint("explained", __name__)


@dataclass(frozen=True)
class Kind:
    """One kind of fault, or the want of a view, for people."""

    title: str
    picture: str
    """File below ``static/help``."""
    size: tuple[int, int]
    """Its width and height in px, so that the page does not jump while it loads."""
    shown: str
    """What the picture shows, for those who can't see it."""
    happens: str
    measured: str
    missed: str


KINDS = (
    Kind(
        "Corner lift",
        "corner-lift.webp",
        (900, 630),
        "A green bracket. The dots of its front edge rise in a curve towards the front right "
        "corner, which is marked 2 mm and more; the other three corners are marked about 0 mm.",
        "The part shrinks as it cools, and a corner comes off the bed, a little more with every "
        "layer.",
        "The height of each corner above the bed in millimetres, with its error: every visible "
        "edge near the corner is compared with what it looked like before, and a curve of "
        "constant bend is laid through what has moved.",
        "A corner that the head, the part itself or darkness hides is not measured, and the page "
        "says so; a lift below about 0.2 mm can't be told from noise, nor one whose upper layers "
        "are laid level again.",
    ),
    Kind(
        "Curled overhang",
        "overhang-curl.webp",
        (900, 586),
        "A white part whose flange hangs over. A corner of the flange, 6 mm above the bed, is "
        "marked as risen; the corners behind the head are marked as hidden.",
        "The edge of an overhang bends upwards while it is still soft, until the nozzle strikes "
        "it.",
        "The rise of the edge's tip in millimetres with its error, and the height at which the "
        "overhang lies.",
        "It is the kind that is measured least surely so far: it is told late, or not at all, "
        "above all on dark parts and where the overhang turns away from the camera.",
    ),
    Kind(
        "Strands",
        "strands.webp",
        (900, 597),
        "A plate on a bed. Yellow lines follow the loose filament that lies beside it.",
        "The nozzle prints into the air, and the filament falls on the bed in loose strands.",
        "The length in millimetres of thin lines on the bed that stay for several pictures, lie "
        "where the toolpath puts nothing, and were not there before.",
        "Strands on top of the part or behind it are not seen, dark ones on a dark bed late; thin "
        "hairs between two towers do not count.",
    ),
    Kind(
        "Part come loose",
        "come-loose.webp",
        (900, 602),
        "A plate on a bed. Its outline by the toolpath is dashed; the outline that was measured "
        "lies beside it, turned.",
        "The part breaks off the bed, and the nozzle pushes it about.",
        "How far the part has moved and turned, in millimetres and degrees: the motion that most "
        "of its edges agree with.",
        "A part that creeps slowly may be taken for something else first; one that is knocked "
        "over or out of the picture is told by the strands that follow.",
    ),
    Kind(
        "Layer step",
        "layer-step.webp",
        (900, 624),
        "A bracket. The outline of its upper layers is drawn to the left of where the lower ones "
        "stand.",
        "The machine loses steps, and from one layer on everything is printed aside.",
        "How far the upper layers stand aside from the lower ones, in millimetres.",
        "A step towards the camera or away from it is seen less well than one across; one below "
        "half a millimetre is not told.",
    ),
    Kind(
        "No growth",
        "no-growth.webp",
        (900, 664),
        "A tray. The outline that the toolpath expects lies above the tray's real top, which is "
        "drawn 5 mm lower.",
        "The filament has run out or the nozzle is clogged: the head climbs on, and nothing is "
        "laid.",
        "The height of the part's top over or under the height that the toolpath has reached by "
        "the clock.",
        "It takes several layers until the gap stands out from the clock's own error, more where "
        "layers are thin.",
    ),
    Kind(
        "Hidden",
        "hidden.webp",
        (900, 573),
        "The head stands before a part. Two corners are marked as hidden, black dots run along "
        "the edges that can't be seen.",
        "The head, a hand or steam stands before the part, or the light goes out.",
        "Every watched place is either measured or called hidden, picture by picture; what is "
        "hidden is never reckoned as good.",
        "A fault that begins behind the head is told once the head has gone; the far side of the "
        "part is never seen by one camera.",
    ),
)


@views.get("/help")
def help_page() -> str:
    """Each kind in three sentences with its picture, and what must not be trusted."""
    return render_template("help.html", kinds=KINDS)

"""Writes the time-lapse as a film: H.264 in MP4, in the pixel format that telephones decode."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path

import av
import cv2
import numpy as np
from av.error import FFmpegError
from av.video.reformatter import ColorRange, Colorspace, Interpolation, VideoReformatter

from watcher.export.kept_run import (
    NOT_JUDGED,
    NOTHING_YET,
    KeptRun,
    drawn,
    picture_of,
    seen_in,
    title_of,
)
from watcher.export.pace import showings
from watcher.export.whole import written_whole
from watcher.overlay.drawn import STRIP, draw
from watcher.records import Advice, Outline, Picture, Reading, Seen, View
from watcher.store import Store
from watcher.trouble import BadExport

LONGEST_SIDE = 1920
"""Larger pictures are scaled down, for not every telephone decodes more."""
QUALITY = "21"
"""Constant rate factor of the encoder: edges stay sharp, a night stays below 100 MB."""
KEY_S = 2
"""A key frame at least so often, for jumping about."""

Progress = Callable[[int, int], None]
"""Told how many of how many pictures are done."""


@dataclass(frozen=True)
class Film:
    """What was written."""

    frames: int
    seconds: float
    left_out: tuple[str, ...]
    """Names of pictures whose files are gone or broken."""


def write_film(
    path: Path,
    store: Store,
    kept: KeptRun,
    *,
    per_second: int,
    lines: bool,
    progress: Progress,
) -> Film:
    """Write a run's time-lapse.

    Args:
        path: of the MP4 file.
        store: that keeps the run.
        kept: the run.
        per_second: frames of the film in a second.
        lines: whether to draw the kept lines over the pictures and the advice below.
        progress: told of every picture.

    Raises:
        BadExport: where no picture can be used, the encoder fails, or the file can't be written.

    """
    flagged = {kept_moment.moment.index for kept_moment in kept.moments}
    places = {i for i, frame in enumerate(kept.frames) if frame.number in flagged}
    times = showings(len(kept.frames), places, per_second)
    wide = max(frame.size[0] for frame in kept.frames)
    high = max(frame.size[1] for frame in kept.frames)
    size = _drawn_size(kept, (wide, high)) if lines else (wide, high)
    size = _even(size)
    left_out: list[str] = []

    def shots() -> Iterator[tuple[Picture, int]]:
        seens = seen_in(store, kept, kept.frames) if lines else None
        for done, (frame, count) in enumerate(zip(kept.frames, times, strict=True), 1):
            seen = next(seens) if seens else None
            bgr = picture_of(store, kept, frame)
            if bgr is None:
                left_out.append(frame.name)
            else:
                yield (bgr if seen is None else drawn(bgr, frame, seen)), count
            progress(done, len(times))

    with written_whole(path) as beside:
        frames = encode(beside, shots(), size, per_second)
        if not frames:
            raise BadExport(
                f"None of the {len(kept.frames)} pictures of run {kept.run.id} can be read.",
                "Restore them from a copy of the data folder.",
            )
    return Film(frames, frames / per_second, tuple(left_out))


def encode(
    path: Path, shots: Iterable[tuple[Picture, int]], size: tuple[int, int], per_second: int
) -> int:
    """Encode pictures as H.264 (ITU-T H.264, ISO/IEC 14496-10) in an MP4 file.

    Args:
        path: of the file; its name needs no ending.
        shots: pictures of shape (H, W, 3), blue-green-red, each with the number of frames that
            show it. They are fitted into the film's size.
        size: width and height of the film in pixels, both even.
        per_second: frames in a second.

    Returns:
        How many frames were written.

    Raises:
        BadExport: where the encoder fails or is missing.

    """
    frames = 0
    try:
        # The index stands in front, so that the film plays before it is loaded whole.
        with av.open(f"file:{path}", "w", "mp4", options={"movflags": "+faststart"}) as container:
            options = {"crf": QUALITY, "preset": "veryfast"}
            stream = container.add_stream("libx264", per_second, options=options)
            stream.width, stream.height = size
            stream.pix_fmt = "yuv420p"
            stream.time_base = Fraction(1, per_second)
            coder = stream.codec_context
            coder.gop_size = KEY_S * per_second
            # Rec. ITU-T BT.709, as is said in the file, or colours depend on the player's guess.
            coder.colorspace = coder.color_primaries = coder.color_trc = Colorspace.ITU709
            coder.color_range = ColorRange.MPEG
            turn = VideoReformatter()
            for picture, count in shots:
                fitted = av.VideoFrame.from_ndarray(fit(picture, size), format="bgr24")
                frame = turn.reformat(
                    fitted,
                    format="yuv420p",
                    dst_colorspace=Colorspace.ITU709,
                    dst_color_range=ColorRange.MPEG,
                    # Without it, values are cut off and the film gets darker.
                    interpolation=Interpolation.BICUBIC | Interpolation.ACCURATE_RND,
                )
                frame.time_base = Fraction(1, per_second)
                for _ in range(count):
                    frame.pts = frames
                    container.mux(stream.encode(frame))
                    frames += 1
            container.mux(stream.encode(None))
    except FFmpegError as error:
        raise BadExport(
            f"The film can't be written ({error.strerror}).",
            "See that its folder has room and may be written.",
        ) from error
    return frames


def fit(picture: Picture, size: tuple[int, int]) -> Picture:
    """Scale a picture of shape (H, W, 3) into width and height; what is over stays dark."""
    width, height = size
    scale = min(width / picture.shape[1], height / picture.shape[0], 1.0)
    if scale < 1.0:
        inner = (max(1, int(picture.shape[1] * scale)), max(1, int(picture.shape[0] * scale)))
        picture = np.asarray(cv2.resize(picture, inner, interpolation=cv2.INTER_AREA), np.uint8)
    sheet = np.full((height, width, 3), STRIP, np.uint8)
    sheet[: picture.shape[0], : picture.shape[1]] = picture
    return sheet


def _even(size: tuple[int, int]) -> tuple[int, int]:
    """Width and height that 4:2:0 sampling can take, the longer side no more than its limit."""
    scale = min(1.0, LONGEST_SIDE / max(size))
    width, height = (2 * -(-round(side * scale) // 2) for side in size)
    return width, height


def _drawn_size(kept: KeptRun, size: tuple[int, int]) -> tuple[int, int]:
    """Width and height that hold every drawn picture: the words below differ in length.

    Found by drawing all that may be said, with every line in its legend, under a slip of a picture.
    """
    width, height = size
    slip = np.zeros((2, width, 3), np.uint8)
    every = tuple(
        Outline(role, "", np.zeros((2, 2))) for role in ("region", "expected", "measured", "strand")
    )
    strands = Reading("spaghetti", "", None, 99999.9, 9999.9, "mm")
    title = max((title_of(frame) for frame in kept.frames), key=len)
    sentences = {each.advice.sentence for each in kept.advice} | {NOTHING_YET}
    reasons = {frame.view.reason if frame.view else NOT_JUDGED for frame in kept.frames}
    told = [("", sentence) for sentence in sentences] + [(reason, "") for reason in reasons]
    below = wide = 0
    for reason, sentence in told:
        view = View(not reason, 0.0, 0, 0.0, reason)
        seen = Seen(view, (strands,), (), Advice("stop", sentence), (), every)
        sheet = draw(slip, None, seen, title, close=False)
        wide = sheet.shape[1]
        below = max(below, sheet.shape[0] - round(2 * wide / width))
    return wide, round(height * wide / width) + below

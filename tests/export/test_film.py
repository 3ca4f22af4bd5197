"""The film, read back by the library that wrote it, by ffprobe, and by a browser."""

import base64
import json
import shutil
import subprocess

import av
import made_up
import numpy as np
import pytest
from made_up import COUNT, ONSET, STOP, shade
from stand_ins import picture

from watcher.export.film import LONGEST_SIDE, encode, fit, write_film
from watcher.export.kept_run import read_run
from watcher.export.pace import showings
from watcher.store import Store
from watcher.trouble import BadExport

PACE = 10


@pytest.fixture(scope="module")
def film(folder, tmp_path_factory):
    path = tmp_path_factory.mktemp("film") / "night.mp4"
    with Store.open(folder, write=False) as store:
        write_film(
            path,
            store,
            read_run(store, 1),
            per_second=PACE,
            lines=False,
            progress=lambda done, total: None,
        )
    return path


def greys(path):
    with av.open(str(path)) as opened:
        return [
            frame.to_ndarray(format="rgb24")[10:50, 10:80].mean()
            for frame in opened.decode(video=0)
        ]


def facts(path):
    """What ffprobe says of the only stream, and of the file."""
    if not shutil.which("ffprobe"):
        pytest.skip("ffprobe is not installed")
    asked = ["-count_frames", "-show_streams", "-show_format", "-of", "json", str(path)]
    told = subprocess.run(["ffprobe", "-v", "error", *asked], capture_output=True, check=True)
    assert told.stderr == b""
    said = json.loads(told.stdout)
    (stream,) = said["streams"]
    return stream, said["format"]


def test_every_picture_is_there_as_often_as_the_pace_says(film):
    times = showings(COUNT, [ONSET, STOP], PACE)
    wanted = np.repeat([shade(n) for n in range(COUNT)], times)
    np.testing.assert_allclose(greys(film), wanted, atol=2.5)


def test_it_is_h264_for_telephones_with_the_duration_that_was_asked_for(film):
    frames = sum(showings(COUNT, [ONSET, STOP], PACE))
    with av.open(str(film)) as opened:
        (stream,) = opened.streams
        assert stream.codec_context.name == "h264"
        assert stream.codec_context.pix_fmt == "yuv420p"
        assert stream.average_rate == PACE
        assert stream.frames == frames
        assert float(stream.duration * stream.time_base) == pytest.approx(frames / PACE)


def test_ffprobe_agrees(film):
    stream, container = facts(film)
    frames = sum(showings(COUNT, [ONSET, STOP], PACE))
    assert stream["codec_name"] == "h264"
    assert stream["pix_fmt"] == "yuv420p"
    assert stream["codec_tag_string"] == "avc1"
    assert (stream["color_range"], stream["color_space"]) == ("tv", "bt709")
    assert (stream["width"], stream["height"]) == (96, 64)
    assert stream["avg_frame_rate"] == f"{PACE}/1"
    assert int(stream["nb_read_frames"]) == frames
    assert float(container["duration"]) == pytest.approx(frames / PACE, abs=1e-3)
    assert "mp4" in container["format_name"]


def test_its_index_stands_in_front(film):
    """ISO/IEC 14496-12: boxes of four bytes of length and four of name, one behind the other."""
    data, place, boxes = film.read_bytes(), 0, []
    while place < len(data):
        size = int.from_bytes(data[place : place + 4], "big")
        boxes.append(data[place + 4 : place + 8])
        place += size
    assert place == len(data)
    assert boxes.index(b"moov") < boxes.index(b"mdat")


def test_a_browser_plays_it_in_the_right_colours(browser, tmp_path):
    path = tmp_path / "colours.mp4"
    colours = [(200, 40, 40), (40, 200, 40), (40, 40, 200)]
    shots = [(np.full((64, 96, 3), colour[::-1], np.uint8), 5) for colour in colours]
    assert encode(path, shots, (96, 64), 5) == 15
    page = browser.new_page()
    address = "data:video/mp4;base64," + base64.b64encode(path.read_bytes()).decode()
    page.set_content("<video muted preload=auto></video>")
    told = page.evaluate(
        """async address => {
          const video = document.querySelector('video');
          const heard = name => new Promise((done, fail) => {
            video.addEventListener(name, done, {once: true});
            video.addEventListener('error', () => fail(new Error(video.error.message)));
          });
          const loaded = heard('canplaythrough');
          video.src = address;
          await loaded;
          const canvas = Object.assign(document.createElement('canvas'), {width: 96, height: 64});
          const colours = [];
          for (const time of [0.5, 1.5, 2.5]) {
            const there = heard('seeked');
            video.currentTime = time;
            await there;
            const pen = canvas.getContext('2d');
            pen.drawImage(video, 0, 0);
            colours.push([...pen.getImageData(48, 32, 1, 1).data].slice(0, 3));
          }
          const ended = heard('ended');
          await video.play();
          await ended;
          return [video.readyState, video.duration, video.videoWidth, video.videoHeight, colours];
        }""",
        address,
    )
    page.close()
    state, seconds, *size, shown = told
    assert state >= 2
    assert seconds == pytest.approx(3.0, abs=0.01)
    assert size == [96, 64]
    np.testing.assert_allclose(shown, colours, atol=12)


def test_lines_and_advice_are_drawn_over_it(store, kept, tmp_path, progress):
    path = tmp_path / "drawn.mp4"
    film = write_film(path, store, kept, per_second=PACE, lines=True, progress=progress)
    with av.open(str(path)) as opened:
        frames = [f.to_ndarray(format="rgb24") for f in opened.decode(video=0)]
    assert len(frames) == film.frames == sum(showings(COUNT, [ONSET, STOP], PACE))
    width = frames[0].shape[1]
    scale = width / made_up.SIZE[0]
    assert width >= 1200
    # The measured edge runs from (20, 30) to (70, 30) of the picture, white with a dark border.
    strip = frames[0][int(25 * scale) : int(36 * scale), int(45 * scale)].astype(int).mean(axis=1)
    assert strip.max() > 200
    assert strip.min() < 15
    # Words stand below, others when the advice is another one.
    high = int(made_up.SIZE[1] * scale)
    first, last = frames[0][high:], frames[-30][high:]
    assert np.ptp(first) > 150
    assert np.abs(first.astype(int) - last).mean() > 1


def test_the_words_below_are_never_cut(store, kept, tmp_path, monkeypatch, progress):
    sizes = set()

    def note(picture, size):
        sizes.add((picture.shape[1], picture.shape[0], *size))
        return fit(picture, size)

    monkeypatch.setattr("watcher.export.film.fit", note)
    path = tmp_path / "a.mp4"
    write_film(path, store, kept, per_second=5, lines=True, progress=progress)
    assert len(sizes) > 1, "the drawn pictures differ in height"
    assert all(w <= width and h <= height for w, h, width, height in sizes)


def test_pictures_that_are_gone_or_broken_are_left_out_and_named(tmp_path, progress):
    with Store.open(tmp_path / "kept", write=True) as store:
        made_up.fill(store, 5)
        store.frame_path(1, made_up.name(1)).unlink()
        store.frame_path(1, made_up.name(3)).write_bytes(b"no picture")
        told = write_film(
            tmp_path / "a.mp4",
            store,
            read_run(store, 1),
            per_second=5,
            lines=False,
            progress=progress,
        )
    assert told.left_out == (made_up.name(1), made_up.name(3))
    np.testing.assert_allclose(greys(tmp_path / "a.mp4"), [shade(0), shade(2), shade(4)], atol=2.5)


def test_without_one_usable_picture_nothing_is_written(tmp_path, progress):
    out = tmp_path / "out"
    out.mkdir()
    with Store.open(tmp_path / "kept", write=True) as store:
        made_up.fill(store, 3)
        for number in range(3):
            store.frame_path(1, made_up.name(number)).write_bytes(b"")
        with pytest.raises(BadExport, match="None of the 3 pictures of run 1 can be read"):
            write_film(
                out / "a.mp4",
                store,
                read_run(store, 1),
                per_second=5,
                lines=True,
                progress=progress,
            )
    assert not list(out.iterdir())


def test_a_film_that_was_there_stays_when_the_new_one_breaks_off(store, kept, tmp_path):
    path = tmp_path / "a.mp4"
    path.write_bytes(b"the old one")

    def interrupted(done, total):
        if done == 5:
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        write_film(path, store, kept, per_second=5, lines=False, progress=interrupted)
    assert path.read_bytes() == b"the old one"
    assert list(tmp_path.iterdir()) == [path]


def test_progress_is_told_for_every_picture(store, kept, tmp_path):
    told = []
    write_film(
        tmp_path / "a.mp4",
        store,
        kept,
        per_second=5,
        lines=False,
        progress=lambda done, total: told.append((done, total)),
    )
    assert told == [(n, COUNT) for n in range(1, COUNT + 1)]


def test_a_large_picture_is_scaled_down_whole(tmp_path):
    large = picture(200, (4000, 3000))
    shown = fit(large, (LONGEST_SIDE, 1440))
    assert shown.shape == (1440, LONGEST_SIDE, 3)
    assert shown.min() > 190


def test_an_encoder_that_fails_is_told_in_a_sentence(tmp_path):
    with pytest.raises(BadExport, match="The film can't be written"):
        encode(tmp_path / "no" / "folder.mp4", [(picture(9), 1)], (96, 64), 5)

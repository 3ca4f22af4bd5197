"""The page's way to set a printer up, beside a running watch and with a configuration."""

import http.cookiejar
import json
import re
import time
import urllib.parse
import urllib.request

import pytest
from stage import Stage
from stand_ins import http_server, jpeg, reply

from watcher.cli import _page
from watcher.config import read_config


class Visitor:
    """A browser without scripts."""

    def __init__(self, base):
        self._base = base.rstrip("/")
        jar = urllib.request.HTTPCookieProcessor(http.cookiejar.CookieJar())
        self._opener = urllib.request.build_opener(jar)

    def get(self, path):
        with self._opener.open(self._base + path, timeout=10) as answer:
            return answer.read()

    def post(self, path, **form):
        text = self.get("/printers").decode()
        form["csrf_token"] = re.search(r'name="csrf_token" value="([^"]+)"', text)[1]
        body = urllib.parse.urlencode(form).encode()
        with self._opener.open(self._base + path, body, timeout=20) as answer:
            return json.load(answer)


def key_of(visitor):
    (key,) = re.findall(r"/printers/([^/\"]+)/view", visitor.get("/printers").decode())
    return key


@pytest.mark.parametrize("camera", ["stream", "still"])
def test_beside_a_watch_its_newest_picture_is_shown_and_the_camera_left_alone(
    watcher, night, free_port, camera
):
    frames = [path.read_bytes() for path in sorted((night / "frames").iterdir())]
    seen, asked = [], []

    def look(shown):
        if shown != 3:
            return
        visitor = Visitor(f"http://127.0.0.1:{free_port}")
        key = key_of(visitor)
        before = len(asked)
        until = time.monotonic() + 20
        found = visitor.post(f"/api/printers/{key}/look")
        while "running watch" not in found.get("words", "") and time.monotonic() < until:
            # The first sign of life comes from a thread of its own.
            time.sleep(0.1)
            before = len(asked)
            found = visitor.post(f"/api/printers/{key}/look")
        seen.append((found, visitor.get(found["address"]), len(asked) - before))

    stage = Stage(frames, [100.0 * n for n in range(1, 8)], look)
    watcher.clock = stage

    def answer(handler):
        asked.append(1)
        getattr(stage, camera)(handler)

    with http_server(answer) as url:
        result = watcher(
            "watch",
            *("--source", url.replace("//", "//me:s3cret@"), "--port", free_port),
            *("--setup", night / "setup.json", "--toolpath", night / "part.gcode"),
        )
    assert result.exit_code == 0, result.output
    ((found, picture, asked_again),) = seen
    assert found["words"] == "the newest picture of the running watch"
    assert picture == frames[3]
    assert asked_again == 0
    assert found["camera"] == url
    assert "s3cret" not in json.dumps(found)


def test_with_a_configuration_its_cameras_are_looked_through(tmp_path, night, data):
    with http_server(lambda handler: reply(handler, jpeg(120))) as url:
        (tmp_path / "workshop.toml").write_text(
            f'[[printer]]\nname = "bench"\nsource = "{url.replace("//", "//me:s3cret@")}/shot"\n'
            f'setup = "{night / "setup.json"}"\ntoolpath = "{night / "part.gcode"}"\n'
        )
        config = read_config(tmp_path / "workshop.toml")
        data.mkdir()
        with _page(data, "127.0.0.1", 0, printers=config.printers) as address:
            visitor = Visitor(address)
            key = key_of(visitor)
            found = visitor.post(f"/api/printers/{key}/look")
            assert found["camera"] == f"{url}/shot"
            assert visitor.get(found["address"]) == jpeg(120)
            refused = visitor.post(f"/api/printers/{key}/look", address=str(night / "frames"))
            assert "From the page only a camera's number" in refused["trouble"]
            # What was refused is not remembered.
            assert visitor.post(f"/api/printers/{key}/look")["camera"] == f"{url}/shot"

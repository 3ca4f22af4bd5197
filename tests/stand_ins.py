"""Stand-ins that several rooms' tests share: pictures, a clock, a judge and a web server."""

import contextlib
import threading
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer

import cv2
import numpy as np

from watcher.records import Advice, Moment, Reading, Seen, View

SIZE = (96, 64)


def picture(shade, size=SIZE):
    """A flat picture whose grey tells which one it is."""
    return np.full((size[1], size[0], 3), shade, np.uint8)


def jpeg(shade, size=SIZE):
    return cv2.imencode(".jpg", picture(shade, size))[1].tobytes()


def shade_of(item):
    return round(float(item.bgr.mean()))


class FakeClock:
    """A clock that only runs while something waits; ``on_wait`` is called at each wait."""

    def __init__(self, on_wait=None):
        self.now_s = 0.0
        self.waits = []
        self._on_wait = on_wait

    def elapsed_s(self):
        return self.now_s

    def utc_s(self):
        return 1_700_000_000 + self.now_s

    def wait(self, seconds):
        self.waits.append(seconds)
        self.now_s += seconds
        if self._on_wait is not None:
            self._on_wait(len(self.waits))


class ShadeJudge:
    """Reads 0.01 mm of lift from each step of grey, and advises to stop from 2 mm on."""

    def __init__(self):
        self.frames = []
        self.heard = []
        self._stopped = None

    def hear(self, answer):
        self.heard.append(answer)

    def see(self, frame):
        self.frames.append((frame.index, frame.name, frame.elapsed_s))
        lift = shade_of(frame) / 100
        place, at = "right corner", (160.0, 60.0, 0.0)
        readings = (
            Reading("corner-lift", place, at, lift, 0.05, "mm"),
            Reading("corner-lift", "left corner", (60.0, 60.0, 0.0), None, None, "mm", "hidden"),
        )
        moments = ()
        if lift >= 2 and self._stopped is None:
            sentence = f"Stop the print: the {place} has lifted {lift:.1f} mm."
            self._stopped = Advice(
                "stop", sentence, "corner-lift", place, at, lift, 0.05, "mm", frame.elapsed_s
            )
            moments = (
                Moment(frame.index, frame.name, frame.elapsed_s, "corner-lift", "stop", sentence),
            )
        advice = self._stopped or Advice("carry on", "Carry on: nothing lifts.")
        return Seen(View(True, 0.1, frame.index + 1, 0.3), readings, (), advice, moments)


@contextlib.contextmanager
def http_server(answer, port=0):
    """Serve HTTP with a function ``answer(handler)`` for each GET; gives the base address."""

    class Handler(BaseHTTPRequestHandler):
        def do_GET(self):
            answer(self)

        def log_message(self, *args):
            pass

    class Server(ThreadingHTTPServer):
        def handle_error(self, request, client_address):
            """A watch that hangs up in the middle of a picture is no fault of the server."""

    server = Server(("127.0.0.1", port), Handler)
    server.daemon_threads = True
    thread = threading.Thread(target=server.serve_forever, args=(0.02,), daemon=True)
    thread.start()
    try:
        yield f"http://127.0.0.1:{server.server_port}"
    finally:
        server.shutdown()
        server.server_close()
        thread.join()


def reply(handler, body, kind="image/jpeg", status=200):
    """Answer with a whole body."""
    handler.send_response(status)
    handler.send_header("Content-Type", kind)
    handler.send_header("Content-Length", str(len(body)))
    handler.end_headers()
    handler.wfile.write(body)


def begin_stream(handler, boundary="part"):
    handler.send_response(200)
    handler.send_header("Content-Type", f"multipart/x-mixed-replace; boundary={boundary}")
    handler.end_headers()


def send_part(handler, body, boundary="part", length=True):
    """Send one picture of a stream."""
    head = f"--{boundary}\r\nContent-Type: image/jpeg\r\n"
    if length:
        head += f"Content-Length: {len(body)}\r\n"
    handler.wfile.write(head.encode() + b"\r\n" + body + b"\r\n")
    handler.wfile.flush()

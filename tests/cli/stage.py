"""A recorded night played as a camera would send it, on the night's own clock."""

import threading
import urllib.request

from stand_ins import begin_stream, reply, send_part


class Stage:
    """A clock whose time goes from frame to frame, and the cameras that show the frame.

    Each ``wait`` of the watch brings the next frame; after the last it interrupts as Ctrl-C does.
    """

    def __init__(self, jpegs, times_s, on_frame=lambda n: None):
        self._jpegs, self._times_s, self._on_frame = jpegs, times_s, on_frame
        self._shown = 0
        self._ready = threading.Semaphore(1)

    # The clock

    def elapsed_s(self):
        return self._times_s[self._shown]

    def utc_s(self):
        return 1_700_000_000 + self.elapsed_s()

    def wait(self, seconds):
        self._on_frame(self._shown)
        if self._shown + 1 == len(self._jpegs):
            raise KeyboardInterrupt
        self._shown += 1
        self._ready.release()

    # The cameras

    def stream(self, handler):
        begin_stream(handler)
        for jpeg in self._jpegs:
            self._ready.acquire()
            send_part(handler, jpeg)
        self._ready.acquire(timeout=10)

    def still(self, handler):
        reply(handler, self._jpegs[self._shown])


def read_page(port, path="/"):
    with urllib.request.urlopen(f"http://127.0.0.1:{port}{path}", timeout=10) as answer:
        return answer.read().decode()

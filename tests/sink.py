"""A web server that remembers what it was sent."""

import contextlib
import threading
from dataclasses import dataclass
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer


@dataclass
class Got:
    """One request."""

    method: str
    path: str
    headers: dict
    body: bytes


@contextlib.contextmanager
def sink(status=200, before=lambda: None):
    """Gives its port and the list of what it got; ``before`` is called ahead of each answer."""
    got = []

    class Handler(BaseHTTPRequestHandler):
        def _take(self):
            length = int(self.headers.get("Content-Length") or 0)
            body = self.rfile.read(length)
            got.append(Got(self.command, self.path, dict(self.headers), body))
            before()
            with contextlib.suppress(OSError):
                self.send_response(status)
                self.send_header("Content-Length", "0")
                self.end_headers()

        do_GET = do_POST = do_PUT = do_DELETE = _take

        def log_message(self, *args):
            pass

    server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
    server.daemon_threads = True
    thread = threading.Thread(target=server.serve_forever, args=(0.02,), daemon=True)
    thread.start()
    try:
        yield server.server_port, got
    finally:
        server.shutdown()
        server.server_close()
        thread.join()

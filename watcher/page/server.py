"""Serving the page with waitress."""

from __future__ import annotations

import logging
import threading
from typing import Any

from flask import Flask
from waitress import wasyncore
from waitress.server import create_server

from watcher.trouble import Trouble

_PATIENCE_S = 5.0
LARGEST_REQUEST = 8 * 2**20 + 64 * 1024
"""As large as a picture or a program that is handed in to set a printer up; the guards of the page
allow that to one view and 16 kB to all others. What comes is kept on disk, not in memory."""
LARGEST_HEAD = 32 * 1024
IDLE_S = 60


class Server:
    """A bound server: ``run`` blocks until ``close`` is called, from another thread if need be."""

    def __init__(self, server: Any, sockets: dict[int, Any], host: str) -> None:
        self._server = server
        self._sockets = sockets
        self._begun = threading.Event()
        self._ended = threading.Event()
        shown = f"[{host}]" if ":" in host else host
        self.url = f"http://{shown}:{server.effective_port}/"

    def run(self) -> None:
        """Answer requests until closed."""
        self._begun.set()
        try:
            self._server.run()
        finally:
            self._ended.set()

    def close(self) -> None:
        """Stop answering and let the port go. May be called more than once."""
        # First the workers: one that is still answering would miss the sockets that are taken away.
        self._server.task_dispatcher.shutdown()
        if self._begun.is_set() and not self._ended.is_set():
            # The loop waits on the sockets in its own thread, so it must let them go itself.
            pulled = threading.Event()

            def let_go() -> None:
                # A loop that is awake already may come here while the trigger is still written to.
                pulled.wait(_PATIENCE_S)
                self._let_go()

            self._server.trigger.pull_trigger(let_go)
            pulled.set()
            self._ended.wait(_PATIENCE_S)
        else:
            self._let_go()

    def _let_go(self) -> None:
        wasyncore.close_all(self._sockets)


def listen(app: Flask, host: str, port: int) -> Server:
    """Bind host and port (0: any free one). Raises ``Trouble`` where that can't be had."""
    # A browser that asks for many pictures at once has them wait a moment: no cause to warn.
    logging.getLogger("waitress.queue").setLevel(logging.ERROR)
    sockets: dict[int, Any] = {}
    try:
        server = create_server(
            app,
            map=sockets,
            host=host,
            port=port,
            threads=8,
            ident=None,
            max_request_body_size=LARGEST_REQUEST,
            max_request_header_size=LARGEST_HEAD,
            channel_timeout=IDLE_S,
        )
    except (OSError, ValueError) as error:
        raise Trouble(
            f"The page can't listen on {host} port {port} ({error}).",
            "Close the other program there, or choose another port.",
        ) from error
    return Server(server, sockets, host)

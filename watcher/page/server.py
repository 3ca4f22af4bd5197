"""Serving the page with waitress."""

from __future__ import annotations

from typing import Any

from flask import Flask
from waitress.server import create_server

from watcher.trouble import Trouble


class Server:
    """A bound server: ``run`` blocks until ``close`` is called, from another thread if need be."""

    def __init__(self, server: Any, host: str) -> None:
        self._server = server
        shown = f"[{host}]" if ":" in host else host
        self.url = f"http://{shown}:{server.effective_port}/"

    def run(self) -> None:
        """Answer requests until closed."""
        self._server.run()

    def close(self) -> None:
        """Stop answering and let the port go."""
        # First the workers: one that is still answering would miss the sockets that close takes.
        self._server.task_dispatcher.shutdown()
        self._server.close()


def listen(app: Flask, host: str, port: int) -> Server:
    """Bind host and port (0: any free one). Raises ``Trouble`` where that can't be had."""
    try:
        server = create_server(app, host=host, port=port, threads=8, ident=None)
    except (OSError, ValueError) as error:
        raise Trouble(
            f"The page can't listen on {host} port {port} ({error}).",
            "Close the other program there, or choose another port.",
        ) from error
    return Server(server, host)


def serve(app: Flask, host: str, port: int) -> None:
    """Serve the page until interrupted."""
    server = listen(app, host, port)
    try:
        server.run()
    finally:
        server.close()

"""A page over made-up runs, served for a browser, and a browser that notes what goes wrong."""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path

import artificial
import long_night
import pytest
from axe_playwright_python.sync_playwright import Axe

from watcher.page import create_app, listen

SIZES = {"phone": (390, 844), "desk": (1440, 900)}


@pytest.fixture(scope="session")
def folder(tmp_path_factory) -> Path:
    """A data folder with the runs of ``artificial.fill``; tests must not change it."""
    path: Path = tmp_path_factory.mktemp("data")
    artificial.fill(path)
    return path


@pytest.fixture(scope="session")
def long_folder(tmp_path_factory) -> Path:
    """A data folder with one night of 3,600 pictures; tests must not change it."""
    path: Path = tmp_path_factory.mktemp("long")
    long_night.fill(path)
    return path


@pytest.fixture
def serve() -> Iterator[Callable[[Path], str]]:
    """Serves data folders and gives their addresses."""
    servers = []

    def start(data: Path) -> str:
        server = listen(create_app(data), "127.0.0.1", 0)
        servers.append(server)
        threading.Thread(target=server.run, daemon=True).start()
        return server.url

    yield start
    for server in servers:
        server.close()


@dataclass
class Watched:
    """A browser's page, and everything that it should not have done."""

    page: object
    wrongs: list[str] = field(default_factory=list)


@pytest.fixture(params=SIZES)
def watched(browser, request, serve) -> Iterator[Watched]:
    """A fresh page at both sizes; at the end it must have done nothing wrong.

    It asks for ``serve`` so that the page is closed before its server goes.
    """
    width, height = SIZES[request.param]
    context = browser.new_context(
        viewport={"width": width, "height": height}, has_touch=request.param == "phone"
    )
    page = context.new_page()
    told = Watched(page)
    page.on("pageerror", lambda error: told.wrongs.append(f"error: {error}"))
    page.on(
        "console",
        lambda message: (
            told.wrongs.append(f"console {message.type}: {message.text}")
            if message.type == "error"
            else None
        ),
    )
    page.on(
        "request",
        lambda asked: (
            told.wrongs.append(f"asked {asked.url}")
            if not asked.url.startswith("http://127.0.0.1:")
            else None
        ),
    )
    yield told
    context.close()
    assert told.wrongs == []


RULES = {"runOnly": ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"]}


@pytest.fixture(scope="session")
def barriers() -> Callable[[object], list[str]]:
    """What axe-core finds on a browser's page against WCAG 2.2 AA, a line each."""
    axe = Axe()

    def found(page: object) -> list[str]:
        return [
            f"{wrong['id']}: {wrong['help']}: {node['target']} {node['html'][:200]}"
            for wrong in axe.run(page, options=RULES).response["violations"]
            for node in wrong["nodes"]
        ]

    return found

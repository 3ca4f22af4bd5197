"""What several commands share: where the data lies, and reading a toolpath with progress."""

from __future__ import annotations

import sys
from collections.abc import Callable
from functools import partial
from pathlib import Path
from typing import Any, TypeVar

import click
import platformdirs

from watcher.records import Toolpath
from watcher.toolpath import read_settings, read_toolpath
from watcher.trouble import BadToolpath

CHUNK = 2**20
SLOW_READ = 4 * CHUNK
"""A toolpath larger than this takes long enough to show progress."""

Command = TypeVar("Command", bound=Callable[..., Any])


def data_option(command: Command) -> Command:
    """The option that names the data folder."""
    return click.option(
        "--data",
        metavar="DIR",
        type=click.Path(path_type=Path),
        default=lambda: platformdirs.user_data_path("watcher", appauthor=False),
        help="Folder that keeps the runs; without it, this user's data folder.",
    )(command)


def load_toolpath(path: Path) -> Toolpath:
    """Read a G-code file, with a bar where it is large. Raises ``BadToolpath``."""
    try:
        size = path.stat().st_size
        with path.open("rb") as file:
            chunks = iter(partial(file.read, CHUNK), b"")
            if size < SLOW_READ:
                return read_toolpath(chunks)
            with click.progressbar(
                length=size, label="Reading the toolpath", file=sys.stderr
            ) as bar:
                return read_toolpath(chunks, progress=lambda done: bar.update(done - bar.pos))
    except FileNotFoundError:
        raise BadToolpath(f"There is no G-code file {path}.", "Check --toolpath.") from None
    except OSError as error:
        raise BadToolpath(f"{path} can't be read ({error.strerror}).", "Check it.") from None
    except BadToolpath as trouble:
        raise BadToolpath(f"{path.name}: {trouble}") from trouble


def settings_of(path: Path | None) -> dict[str, str]:
    """The settings that a G-code file carries as comments; none without a file."""
    if path is None:
        return {}
    with path.open("rb") as file:
        return read_settings(file)

"""Replays nights through the real command and keeps what it said."""

from __future__ import annotations

import argparse
import json
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from pathlib import Path
from typing import Any

START = "from watcher.cli import main; main()"


def arguments(what: str | None) -> argparse.ArgumentParser:
    """What every script over nights takes."""
    parser = argparse.ArgumentParser(
        description=what, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("nights", nargs="+", type=Path, help="folders with frames and truth.json")
    parser.add_argument(
        "--answers",
        type=Path,
        metavar="DIR",
        help="keep the replays' JSON here, and take it from here where it already is",
    )
    return parser


def answers(
    nights: list[Path], keep: Path | None
) -> Iterator[tuple[str, dict[str, Any], dict[str, Any]]]:
    """Name, truth and what the replay said of each night, one after the other.

    The night is replayed from a folder without its truth. Ends the program with status 2 where a
    folder holds no night with truth, or a replay fails.
    """
    for night in nights:
        if not (night / "truth.json").is_file():
            sys.exit(_refuse(f"{night} holds no truth.json."))
    with tempfile.TemporaryDirectory() as scratch:
        folder = keep or Path(scratch)
        folder.mkdir(parents=True, exist_ok=True)
        for i, night in enumerate(nights):
            print(f"{i + 1} of {len(nights)}: {night.name}", file=sys.stderr)
            out = folder / f"{night.name}.json"
            if not out.exists():
                _replay(night.resolve(), out, Path(scratch) / f"night-{i}")
            truth = json.loads((night / "truth.json").read_text())
            yield night.name, truth, json.loads(out.read_text())


def _replay(night: Path, out: Path, scratch: Path) -> None:
    blind = scratch / night.name
    blind.mkdir(parents=True)
    for path in night.iterdir():
        if path.name != "truth.json":
            (blind / path.name).symlink_to(path)
    command = [sys.executable, "-c", START, "replay", str(blind)]
    command += ["--json", str(out.resolve()), "--data", str(scratch / "data")]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    if done.returncode:
        sys.exit(_refuse(f"The replay of {night} failed: {done.stderr.strip()[-300:]}"))


def _refuse(sentence: str) -> int:
    print(sentence, file=sys.stderr)
    return 2

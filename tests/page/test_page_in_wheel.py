"""The built wheel holds every room and serves the page without the checkout."""

from __future__ import annotations

import importlib.metadata
import os
import shutil
import subprocess
import sys
import zipfile
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]

ASK = """
import re, sys
from pathlib import Path
import watcher.page
site = Path(sys.argv[1])
assert Path(watcher.page.__file__).is_relative_to(site), watcher.page.__file__
client = watcher.page.create_app(Path(sys.argv[2])).test_client()
page = client.get("/run/1").get_data(as_text=True)
for address in re.findall(r'(?:href|src)="(/static/[^"]+)"', page):
    assert client.get(address).status_code == 200, address
print("The right corner has lifted" in page)
"""


@pytest.fixture(scope="module")
def wheel(tmp_path_factory) -> Path:
    needed = 77
    if int(importlib.metadata.version("setuptools").split(".")[0]) < needed:
        pytest.skip(f"building a wheel without the network needs setuptools {needed} or newer")
    copy = tmp_path_factory.mktemp("checkout")
    skipped = shutil.ignore_patterns("__pycache__", "*.egg-info")
    for name in ("watcher", "web", "sample_frames"):
        shutil.copytree(ROOT / name, copy / name, ignore=skipped)
    shutil.copy(ROOT / "pyproject.toml", copy)
    for name in ("README.md", "LICENSE"):
        (copy / name).write_text("Named in pyproject.toml; what it says doesn't matter here.\n")
    out = tmp_path_factory.mktemp("wheel")
    build = ["-m", "pip", "wheel", "--quiet", "--no-deps", "--no-build-isolation", "--wheel-dir"]
    subprocess.run([sys.executable, *build, str(out), str(copy)], check=True)
    (path,) = out.glob("*.whl")
    return path


def test_it_holds_every_room_and_every_file_of_the_page(wheel):
    held = {Path(name) for name in zipfile.ZipFile(wheel).namelist()}
    rooms = {p.relative_to(ROOT) for p in (ROOT / "watcher").rglob("*.py")}
    files = {
        Path("watcher") / p.relative_to(ROOT)
        for p in (ROOT / "web").rglob("*")
        if p.is_file() and "__pycache__" not in p.parts
    }
    assert rooms | files <= held
    assert Path("watcher/export/report.html") in held


def test_it_serves_the_page(wheel, tmp_path, folder):
    with zipfile.ZipFile(wheel) as packed:
        packed.extractall(tmp_path / "site")
    told = subprocess.run(
        [sys.executable, "-c", ASK, str(tmp_path / "site"), str(folder)],
        env=os.environ | {"PYTHONPATH": str(tmp_path / "site")},
        cwd=tmp_path,
        capture_output=True,
        text=True,
        check=True,
    )
    assert told.stdout.strip() == "True"

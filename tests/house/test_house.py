"""One test of the house itself: its plan, its purity and what may lie in it."""

import ast
import re
import shlex
import subprocess

import pytest
from plan import FLOOR_OF, HOUSE, PACKAGE, PURE, files_of, impurities, module_of, wrong_ways

from watcher.cli import main
from watcher.config import read_config
from watcher.settings import read_setup
from watcher.weights import read_weights

MODULES = sorted(PACKAGE.rglob("*.py"))
TOP_LEVEL = re.compile(
    r"README\.md|DEVELOPERS\.md|LICENSE|pyproject\.toml|\.[^/]+(/.*)?"
    r"|(watcher|tests|sample_frames|web)/.*"
)


def parse(path):
    return ast.parse(path.read_text(encoding="utf-8"))


@pytest.mark.parametrize("path", MODULES, ids=module_of)
def test_imports_only_go_down(path):
    assert not wrong_ways(parse(path), module_of(path), path.name == "__init__.py")


@pytest.mark.parametrize(
    "path",
    [path for room in PURE for path in files_of(room) if path.exists()],
    ids=module_of,
)
def test_pure_rooms_touch_no_file_clock_web_or_chance(path):
    assert not impurities(parse(path), module_of(path))


def test_every_room_has_its_floor():
    rooms = {path.stem for path in PACKAGE.iterdir() if path.suffix == ".py" or path.is_dir()}
    assert rooms - {"__init__", "__pycache__"} <= set(FLOOR_OF)


@pytest.mark.parametrize(
    ("module", "code"),
    [
        ("watcher.measure.lift", "from watcher.scene import camera"),
        ("watcher.measure.lift", "from watcher import night"),
        ("watcher.toolpath.read", "import watcher.settings"),
        ("watcher.records", "def f():\n    from watcher.store import Store"),
        ("watcher.page.app", "from watcher.night import Night"),
        ("watcher.page.app", "from ..run import run_night"),
        ("watcher.account", "from .cli import main"),
    ],
)
def test_the_check_finds_imports_that_go_up_or_across(module, code):
    assert wrong_ways(ast.parse(code), module)


@pytest.mark.parametrize(
    "code",
    [
        "import os",
        "from pathlib import Path",
        "import urllib.request",
        "def f():\n    import threading",
        "import time as t",
        "import cv2\ncv2.imread('a.jpg')",
        "from cv2 import imread",
        "import numpy as np\nx = np.random.normal(3)",
        "import numpy as np\nx = np.random.default_rng().normal(3)",
        "import numpy\nx = numpy.random.rand()",
        "from numpy.random import default_rng",
        "import numpy as np\nx = np.load('a.npy')",
        "import skimage.io",
        "open('a')",
        "print('a')",
    ],
)
def test_the_check_finds_what_is_impure(code):
    assert impurities(ast.parse(code), "watcher.measure.lift")


@pytest.mark.parametrize(
    "code",
    [
        "import numpy as np\ndef f(rng: np.random.Generator): return rng.normal()",
        "import cv2\ncv2.remap\nimport numpy as np\nnp.linalg.norm",
        "from watcher.records import Frame",
        "import scipy.optimize, math, itertools",
    ],
)
def test_the_check_lets_pure_code_pass(code):
    assert not impurities(ast.parse(code), "watcher.measure.lift")
    assert not wrong_ways(ast.parse(code), "watcher.measure.lift")


def committed():
    """Files under version control, by their path in the house."""
    try:
        listed = subprocess.run(
            ["git", "ls-files", "-z"], cwd=HOUSE, capture_output=True, text=True, check=True
        )
    except (OSError, subprocess.CalledProcessError):
        pytest.skip("this copy is not under version control")
    return [name for name in listed.stdout.split("\0") if name]


def test_nothing_lies_outside_the_agreed_top_level():
    assert [name for name in committed() if not TOP_LEVEL.fullmatch(name)] == []


def test_sample_nights_stay_small():
    sizes = [(HOUSE / name).stat().st_size for name in committed() if name.startswith("sample")]
    assert sum(sizes) <= 12 * 2**20


def test_no_path_of_one_machine_is_written_down():
    """A home folder in code or words works for one person only."""
    homes = re.compile(r"(?<![\w.])/(home|root|work|Users)/[\w.]")
    texts = (".py", ".md", ".toml", ".yaml", ".yml", ".html", ".js", ".css", ".csv", ".json")
    found = [
        name
        for name in committed()
        if name.endswith(texts)
        and (HOUSE / name).exists()
        and homes.search((HOUSE / name).read_text(encoding="utf-8"))
    ]
    assert found == []


def test_what_ci_runs_is_the_readmes_second_command():
    commands = re.findall(r"^python3 -m venv .*$", (HOUSE / "README.md").read_text(), re.MULTILINE)
    assert len(commands) == 2
    assert (HOUSE / ".ci" / "run").read_text().splitlines()[-1] == commands[1]


def test_readmes_setup_and_commands_are_taken(tmp_path):
    """The example of setup.json is a good one, and each command line parses."""
    text = (HOUSE / "README.md").read_text()
    (example,) = re.findall(r"```json\n(.*?)```", text, re.DOTALL)
    (tmp_path / "setup.json").write_text(example)
    assert len(read_setup(tmp_path / "setup.json").bed_points) == 4
    settings, _ = re.findall(r"```toml\n(.*?)```", text, re.DOTALL)
    (tmp_path / "mine.toml").write_text(settings)
    assert read_weights(tmp_path / "mine.toml").prices.machine_hour == 0.6
    lines = re.findall(r"^watcher (\w+) ?(.*)$", text, re.MULTILINE)
    around = {"before", "chamber", "compare", "cost", "note", "spool"}
    told = {"watch", "replay", "runs", "page", "tend", "config", "alarm", "service"}
    told |= around | {"passphrase", "share", "answer", "rejudge", "export"}
    assert {name for name, _ in lines} == told
    for name, rest in lines:
        command = main.commands[name]
        command.make_context(name, shlex.split(rest.partition(" > ")[0]))


def test_readmes_configuration_is_taken(tmp_path):
    text = (HOUSE / "README.md").read_text()
    (setup,) = re.findall(r"```json\n(.*?)```", text, re.DOTALL)
    _, config = re.findall(r"```toml\n(.*?)```", text, re.DOTALL)
    for name in ("left.json", "right.json"):
        (tmp_path / name).write_text(setup)
    (tmp_path / "right.gcode").write_text("G1 X0\n")
    (tmp_path / "jobs").mkdir()
    (tmp_path / "workshop.toml").write_text(config)
    left, right = read_config(tmp_path / "workshop.toml").printers
    assert left.stop.dry_run
    assert right.layers


def test_every_fault_in_the_table_names_a_test_that_is_there():
    text = (HOUSE / "DEVELOPERS.md").read_text()
    rows = re.findall(r"^\| .* \| `(\w+/test_\w+)` (\w+) \|$", text, re.MULTILINE)
    assert len(rows) >= 20
    for file, test in rows:
        names = {
            node.name
            for node in ast.walk(parse(HOUSE / "tests" / f"{file}.py"))
            if isinstance(node, ast.FunctionDef)
        }
        assert f"test_{test}" in names, (file, test)

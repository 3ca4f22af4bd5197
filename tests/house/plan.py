"""The plan of the house: who may import whom, and what the pure rooms must not touch."""

import ast
from pathlib import Path

HOUSE = Path(__file__).resolve().parents[2]
PACKAGE = HOUSE / "watcher"

# From the top down: a room may import rooms on lower lines, never one on its own line.
FLOORS = (
    ("__main__",),
    ("cli",),
    ("account", "desk", "pictured", "tend", "export"),
    ("typed",),
    ("page", "night", "run", "rejudge", "bedside"),
    ("unplanned", "glance"),
    ("look", "weigh", "config"),
    ("before", "after", "conditions"),
    (
        "sources",
        "store",
        "alarms",
        "stopping",
        "advice",
        "evidence",
        "measure",
        "overlay",
        "scene",
        "settings",
        "weights",
    ),
    ("toolpath",),
    ("records", "trouble", "carried", "service"),
)
FLOOR_OF = {room: floor for floor, rooms in enumerate(FLOORS) for room in rooms}

PURE = (
    *("toolpath", "scene", "measure", "overlay", "evidence", "advice"),
    *("look", "weigh", "unplanned", "night", "records", "trouble"),
)

# Web, database, process, thread, file, clock and chance, by the module that brings them.
IMPURE_MODULES = {
    *("flask", "werkzeug", "jinja2", "waitress", "http", "urllib", "socket", "ssl", "socketserver"),
    *("sqlite3", "sqlite_utils"),
    *("subprocess", "multiprocessing", "os", "sys", "signal", "platform", "platformdirs", "click"),
    *("threading", "concurrent", "asyncio", "queue"),
    *("io", "pathlib", "shutil", "tempfile", "glob", "fileinput", "csv", "pickle", "shelve"),
    *("time", "datetime", "zoneinfo", "calendar"),
    *("random", "secrets", "uuid"),
}
# Files, windows, cameras and chance, hidden inside the libraries for numbers and pictures.
IMPURE_CALLS = (
    "cv2.imread",
    "cv2.imreadmulti",
    "cv2.imwrite",
    "cv2.imshow",
    "cv2.waitKey",
    "cv2.VideoCapture",
    "cv2.VideoWriter",
    "cv2.FileStorage",
    "cv2.setRNGSeed",
    "cv2.randu",
    "cv2.randn",
    "np.load",
    "np.save",
    "np.savez",
    "np.savetxt",
    "np.loadtxt",
    "np.genfromtxt",
    "np.fromfile",
    "np.memmap",
    "np.random",
    "skimage.io",
    "skimage.data",
    "scipy.io",
)
HARMLESS = ("np.random.Generator",)
IMPURE_BUILTINS = frozenset({"open", "input", "print", "exec", "eval", "__import__", "breakpoint"})


def room_of(module):
    """``watcher.store.disk`` lies in the room ``store``; the package itself in none."""
    parts = module.split(".")
    return parts[1] if len(parts) > 1 else None


def module_of(path):
    parts = path.relative_to(HOUSE).with_suffix("").parts
    return ".".join(parts[:-1] if parts[-1] == "__init__" else parts)


def files_of(room):
    folder = PACKAGE / room
    return sorted(folder.rglob("*.py")) if folder.is_dir() else [PACKAGE / f"{room}.py"]


def imports(tree, module, is_package=False):
    """Full names of all that a module imports, wherever in it."""
    found = set()
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            found |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            base = node.module or ""
            if node.level:
                parts = module.split(".")
                parts = parts[: len(parts) - node.level + is_package]
                base = ".".join([*parts, base] if base else parts)
            found.add(base)
            found |= {f"{base}.{alias.name}" for alias in node.names}
    return found


def wrong_ways(tree, module, is_package=False):
    """Imports that go up or across the house."""
    room = room_of(module)
    wrong = set()
    for name in imports(tree, module, is_package):
        other = room_of(name) if name.split(".")[0] == "watcher" else None
        if room is None or other is None or other == room or other not in FLOOR_OF:
            continue
        if FLOOR_OF[other] <= FLOOR_OF[room]:
            wrong.add(f"{module} imports {other}")
    return wrong


def impurities(tree, module):
    """What a pure module uses of files, clocks, chance and the like."""
    found = {
        f"{module} imports {name}"
        for name in imports(tree, module)
        if name.split(".")[0] in IMPURE_MODULES or _banned(name.replace("numpy", "np", 1))
    }
    reader = _Names()
    reader.visit(tree)
    found |= {f"{module} uses {name}" for name in reader.names if _banned(name)}
    return found


def _banned(name):
    name = name.replace("numpy.", "np.", 1) if name.startswith("numpy.") else name
    return name in IMPURE_BUILTINS or (
        name not in HARMLESS
        and any(name == call or name.startswith(f"{call}.") for call in IMPURE_CALLS)
    )


class _Names(ast.NodeVisitor):
    """Gathers dotted names as they are written, whole chains only."""

    def __init__(self):
        self.names = set()

    def visit_Attribute(self, node):
        text = ast.unparse(node)
        if all(part.isidentifier() for part in text.split(".")):
            self.names.add(text)
        else:
            self.generic_visit(node)

    def visit_Name(self, node):
        self.names.add(node.id)

"""The judge's whole state as bytes, so that a killed watch goes on where it was.

The bytes are a pickle, compressed. They are only ever read from the user's own data folder; even
so nothing but the project's own records and numpy's arrays is let in.
"""

from __future__ import annotations

import io
import pickle
import zlib
from importlib.metadata import version
from typing import Any, TypeVar

_HEAD = f"watcher judge {version('watcher')}\n".encode()
"""Another version's judge may have other parts."""
_PLAIN = {
    "builtins": {"list", "set", "dict", "tuple", "frozenset", "bytearray", "complex", "slice"},
    "collections": {"deque", "OrderedDict", "defaultdict"},
    "numpy": {"ndarray", "dtype"},
    "numpy._core.multiarray": {"_reconstruct", "scalar"},
    "numpy._core.numeric": {"_frombuffer"},
    "numpy.core.multiarray": {"_reconstruct", "scalar"},
    "numpy.core.numeric": {"_frombuffer"},
}

State = TypeVar("State")


class _Own(pickle.Unpickler):
    """Refuses every class and function that a judge is not made of."""

    def __init__(self, data: bytes, kind: type) -> None:
        super().__init__(io.BytesIO(data))
        self._kind = kind

    def find_class(self, module: str, name: str) -> Any:
        if name in _PLAIN.get(module, ()):
            return super().find_class(module, name)
        if (module, name) == (self._kind.__module__, self._kind.__qualname__):
            return self._kind
        if module.startswith("watcher.") and "." not in name:
            found = super().find_class(module, name)
            if isinstance(found, type):
                return found
        raise pickle.UnpicklingError(f"{module}.{name} is no part of a judge")


def packed(judge: object) -> bytes:
    """The judge as bytes; about 2 MB for pictures of 800 by 600."""
    return _HEAD + zlib.compress(pickle.dumps(judge, protocol=5), 1)


def unpacked(data: bytes, kind: type[State]) -> State | None:
    """The judge again, or ``None`` where the bytes are of another version or damaged: then it has
    to see the kept pictures once more."""
    if not data.startswith(_HEAD):
        return None
    try:
        judge = _Own(zlib.decompress(data[len(_HEAD) :]), kind).load()
    # A pickle of changed classes can fail in any way at all, and each of them means the same.
    except Exception:
        return None
    return judge if isinstance(judge, kind) else None

"""Which software this is, down to the bytes: two that agree here give the same numbers.

A version number stays while a program is worked on, and a cluster's machines may hold other
libraries; neither may pass unseen where numbers are compared.
"""

import hashlib
from functools import cache
from importlib.metadata import version
from pathlib import Path
from typing import Final

_LIBRARIES: Final = ("numpy", "scipy", "opencv-python-headless", "musculoskeletal-models")


@cache
def digest() -> str:
    """Return the first 12 hex digits of a hash over this package's sources and its libraries."""
    sums = hashlib.sha256()
    for path in sorted(Path(__file__).parent.glob("*.py")):
        sums.update(path.name.encode() + b"\0")
        sums.update(hashlib.sha256(path.read_bytes()).digest())
    for name in _LIBRARIES:
        sums.update(f"{name} {version(name)}\n".encode())
    return sums.hexdigest()[:12]

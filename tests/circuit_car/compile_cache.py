"""Where numba keeps compiled code: a folder named after the sources it was compiled from.

Numba looks only at the file of the function it caches, not at the functions that one calls, so an
edit of a called module would otherwise go on running the old machine code.
"""

from __future__ import annotations

import hashlib
from pathlib import Path

from numba import config

COMPILED = (
    "axle.py",
    "car.py",
    "control.py",
    "driveline.py",
    "driven_axles.py",
    "driver.py",
    "friction.py",
    "halfshafts.py",
    "heat.py",
    "integrate.py",
    "running.py",
    "tyre.py",
    "wheels.py",
)


def use_cache_of_these_sources() -> None:
    """Point numba's cache at a folder that changes whenever a compiled module changes."""
    here = Path(__file__).parent
    digest = hashlib.sha256(b"".join((here / name).read_bytes() for name in COMPILED))
    config.CACHE_DIR = str(here / "__pycache__" / f"numba-{digest.hexdigest()[:12]}")

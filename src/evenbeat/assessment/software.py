"""The versions that a result was computed with."""

from __future__ import annotations

import platform
from importlib.metadata import version

PACKAGES = ("evenbeat", "numpy", "scipy")


def software_versions() -> dict[str, str]:
    """Return name to version of Python and of the packages that numbers depend on."""
    return {"python": platform.python_version(), **{package: version(package) for package in PACKAGES}}

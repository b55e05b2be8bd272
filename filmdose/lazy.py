"""Names of a package that are imported when they are first used."""

from __future__ import annotations

import importlib
import sys
from collections.abc import Callable, Mapping
from typing import Any

__all__ = ["lazy_names"]


def lazy_names(
    package: str, homes: Mapping[str, tuple[str, ...]], submodules: tuple[str, ...] = ()
) -> tuple[Callable[[str], Any], Callable[[], list[str]]]:
    """The ``__getattr__`` and ``__dir__`` of a package.

    Parameters
    ----------
    package
        ``__name__`` of the package.
    homes
        The public names of every submodule; with a dot in front it stands beside the package.
    submodules
        Submodules that are public themselves.
    """

    names = {name: home for home, held in homes.items() for name in held}

    def find(name: str) -> Any:
        if name in names:
            value = getattr(importlib.import_module(f".{names[name]}", package), name)
        elif name in submodules:
            value = importlib.import_module(f"{package}.{name}")
        else:
            raise AttributeError(f"module {package!r} has no attribute {name!r}")
        setattr(sys.modules[package], name, value)
        return value

    return find, lambda: sorted({*names, *submodules})

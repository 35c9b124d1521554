"""Modules that are loaded at their first use: a command that needs none of them starts the sooner."""

from __future__ import annotations

import sys
from importlib.util import LazyLoader, find_spec, module_from_spec
from types import ModuleType

__all__ = ["lazy_import"]


def lazy_import(name: str) -> ModuleType:
    """The module of this name, loaded when something in it is first asked for.

    As the documentation of importlib shows it ("Implementing lazy imports"). Raises ModuleNotFoundError at once
    if there is none.
    """
    if name in sys.modules:
        return sys.modules[name]
    spec = find_spec(name)
    if spec is None or spec.loader is None:
        raise ModuleNotFoundError(f"No module named {name!r}", name=name)
    spec.loader = loader = LazyLoader(spec.loader)
    sys.modules[name] = module = module_from_spec(spec)
    loader.exec_module(module)
    return module

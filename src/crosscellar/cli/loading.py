"""How a command's process loads the packages that it needs: of scipy's functions those it calls."""

from __future__ import annotations

import sys
from collections.abc import Sequence
from importlib import import_module
from importlib.machinery import ModuleSpec, PathFinder, SourceFileLoader
from types import ModuleType
from typing import Any, Final

__all__ = ["special_functions_when_asked"]

_PACKAGE: Final = "scipy.special"
#: Where the package has its compiled functions, and the plain ones that are made of them.
_PARTS: Final = ("_ufuncs", "_basic")


def special_functions_when_asked() -> None:
    """Nothing; from now on this process loads of scipy.special what is asked of it.

    The functions that are asked for are those of scipy.special, the same objects: found in the modules where
    it keeps them. Whatever these do not have, the whole package is loaded for. Its start took a tenth of a
    second, a sixth of a short command: for arrays of other packages it loads every part of numpy, and it
    writes the documentation of its functions anew.
    """
    sys.meta_path.insert(0, _Finder)


class _Finder:
    """Finds scipy.special, as any package is found, and has its start put off."""

    @staticmethod
    def find_spec(
        name: str, path: Sequence[str] | None = None, target: ModuleType | None = None
    ) -> ModuleSpec | None:
        if name != _PACKAGE:
            return None
        spec = PathFinder.find_spec(name, path, target)
        if spec is not None and isinstance(spec.loader, SourceFileLoader):
            spec.loader = _PutOff(spec.loader.name, spec.loader.path)
        return spec


class _PutOff(SourceFileLoader):
    """Runs the package when it is asked for more than its compiled functions."""

    def exec_module(self, module: ModuleType) -> None:
        module.__class__ = _NotYetWhole

    def exec_now(self, module: ModuleType) -> None:
        module.__class__ = ModuleType
        super().exec_module(module)


class _NotYetWhole(ModuleType):
    """The package before it has run."""

    __loader__: _PutOff

    def __getattr__(self, name: str) -> Any:
        if name.startswith("_") and not name.startswith("__"):
            # One of its own modules, which is loaded where this is said.
            raise AttributeError(f"module {self.__name__!r} has no attribute {name!r}")
        for part in _PARTS:
            try:
                functions = import_module(f"{_PACKAGE}.{part}")
            except ImportError:
                break
            if name in getattr(functions, "__all__", ()):
                found = getattr(functions, name)
                # Found at once from now on.
                setattr(self, name, found)
                return found
        self.__loader__.exec_now(self)
        return getattr(self, name)

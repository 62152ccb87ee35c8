"""A module that is loaded from changed code instead of its file."""

import importlib.abc
import importlib.util
from collections.abc import Mapping
from importlib.machinery import ModuleSpec
from pathlib import Path
from types import CodeType, ModuleType
from typing import Any


class Changed(importlib.abc.MetaPathFinder, importlib.abc.Loader):
    """Finds one module as the given code; given: names that it finds besides."""

    def __init__(self, name: str, code: CodeType, path: Path, given: Mapping[str, Any] | None = None) -> None:
        self.name, self.code, self.path, self.given = name, code, path, dict(given or {})

    def find_spec(self, fullname: str, path: object = None, target: object = None) -> ModuleSpec | None:
        if fullname != self.name:
            return None
        return importlib.util.spec_from_file_location(fullname, self.path, loader=self)  # type: ignore[arg-type]

    def exec_module(self, module: ModuleType) -> None:
        module.__dict__.update(self.given)
        exec(self.code, module.__dict__)

"""Reference libraries that answers are held against: development requirements, never the product's."""

from __future__ import annotations

import importlib
import os
from typing import Any

import pytest


def reference(name: str) -> Any:
    """The module. In continuous integration a missing one is a failure, elsewhere a skip."""
    return importlib.import_module(name) if os.environ.get("CI") else pytest.importorskip(name)

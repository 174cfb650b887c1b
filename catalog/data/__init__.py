"""Facts of labels and waters that come with the package, as tables."""

from __future__ import annotations

import tomllib
from functools import cache
from importlib import resources
from typing import Any


@cache
def table(name: str) -> dict[str, Any]:
    """The table NAME.toml of this folder."""
    return tomllib.loads(resources.files(__name__).joinpath(f"{name}.toml").read_text("utf-8"))

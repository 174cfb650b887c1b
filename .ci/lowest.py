"""The lowest version of every direct dependency that pyproject.toml allows, as constraints for pip.

    python .ci/lowest.py >lowest.txt && pip install -c lowest.txt ".[postgresql,xlsx,web]"

Tools of the tests alone (pytest and the like) are not among them: no user has them.
"""

from __future__ import annotations

import re
import tomllib
from pathlib import Path

#: Extras that users install.
EXTRAS = ("postgresql", "xlsx", "web")


def lowest() -> list[str]:
    """Lines such as "numpy==1.26". Raises: ValueError: a dependency states no lowest version."""
    project = tomllib.loads((Path(__file__).parent.parent / "pyproject.toml").read_text("utf-8"))["project"]
    wanted = list(project["dependencies"])
    for extra in EXTRAS:
        wanted += project["optional-dependencies"][extra]
    lines = []
    for one in wanted:
        found = re.fullmatch(r"([\w.-]+)(?:\[[\w,-]+\])?>=([\w.]+)", one)
        if found is None:
            raise ValueError(f'{one!r} in pyproject.toml states no lowest version; write "name>=version"')
        lines.append(f"{found[1]}=={found[2]}")
    return lines


if __name__ == "__main__":
    print("\n".join(lowest()))

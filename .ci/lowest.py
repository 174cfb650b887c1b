"""The lowest version of every direct dependency that pyproject.toml allows, as constraints for pip.

    python .ci/lowest.py >lowest.txt && pip install -c lowest.txt ".[postgresql,xlsx,web,jobs]"
    python .ci/lowest.py --extras       the extras that users install, parted by commas

Tools of the tests alone (pytest and the like) are not among them: no user has them.
"""

from __future__ import annotations

import re
import sys
import tomllib
from pathlib import Path
from typing import Any

#: Extras that users do not install.
OURS = {"test", "dev", "ci"}


def lowest(project: dict[str, Any], extras: list[str]) -> list[str]:
    """Lines such as "numpy==1.26". Raises: ValueError: a dependency states no lowest version."""
    wanted = list(project["dependencies"])
    for extra in extras:
        wanted += project["optional-dependencies"][extra]
    lines = []
    for one in wanted:
        found = re.fullmatch(r"([\w.-]+)(?:\[[\w,-]+\])?>=([\w.]+)", one)
        if found is None:
            raise ValueError(f'{one!r} in pyproject.toml states no lowest version; write "name>=version"')
        lines.append(f"{found[1]}=={found[2]}")
    return lines


def main() -> None:
    """Print the constraints, or the extras."""
    file = Path(__file__).parent.parent / "pyproject.toml"
    project = tomllib.loads(file.read_text("utf-8"))["project"]
    extras = [name for name in project["optional-dependencies"] if name not in OURS]
    print(",".join(extras) if "--extras" in sys.argv else "\n".join(lowest(project, extras)))


if __name__ == "__main__":
    main()

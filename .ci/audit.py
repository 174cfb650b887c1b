"""Known faults of what is installed: asks the advisory service of pip-audit, and says so where it answers nothing.

    python .ci/audit.py PATH_OF_SITE_PACKAGES

Exit code 1 where a package has a known fault. Where no package could be looked up, as without a network, the audit is
skipped, in a line that says so, and the exit code is 0.
"""

from __future__ import annotations

import json
import subprocess
import sys
from typing import Any

#: Longest wait for the service [s].
PATIENCE_S = 120


def main() -> int:
    """Print what was found."""
    command = [sys.executable, "-m", "pip_audit", "--path", sys.argv[1], "--format", "json", "--timeout", "10"]
    try:
        done = subprocess.run(command, capture_output=True, text=True, timeout=PATIENCE_S, check=False)
        found: list[dict[str, Any]] = json.loads(done.stdout)["dependencies"]
    except (subprocess.TimeoutExpired, ValueError, KeyError):
        print("skipped: the advisory service cannot be reached, nothing was audited")
        return 0
    asked = [one for one in found if "skip_reason" not in one]
    if not asked:
        print(f"skipped: the advisory service knows none of {len(found)} packages here, nothing was audited")
        return 0
    faulty = [(one, fault) for one in asked for fault in one["vulns"]]
    for one, fault in faulty:
        mended = ", ".join(fault["fix_versions"]) or "nothing"
        print(f"{one['name']} {one['version']}: {fault['id']}, mended in {mended}")
    print(f"{len(asked)} of {len(found)} packages audited, {len(faulty)} known faults")
    return 1 if faulty else 0


if __name__ == "__main__":
    sys.exit(main())

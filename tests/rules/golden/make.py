"""Answer the kept pours anew and keep what is answered now, on purpose:

    python tests/rules/golden/make.py [NAME ...]

Each file here holds a pour and the verdict that programs got for it. A change of what is answered fails
tests/rules/test_contract.py; where it is wanted, this writes the new verdicts (look at the difference before they are
kept, and say in CHANGELOG.md what a user notices). A new file needs only its pour: {"pour": {...}}. Verdicts of an
earlier schema stay as they are.
"""

from __future__ import annotations

import json
import sys
from pathlib import Path

from pourcheck import Catalog, check

HERE = Path(__file__).parent


def main() -> None:
    """Write the verdicts of the files named, or of all of the present schema."""
    with Catalog.open("sqlite://") as catalog:
        for file in sorted(HERE.glob("2-*.json")):
            if sys.argv[1:] and file.stem not in sys.argv[1:]:
                continue
            pour = json.loads(file.read_text("utf-8"))["pour"]
            verdict = json.loads(check(pour, catalog).to_json())
            kept = json.dumps({"pour": pour, "verdict": verdict}, indent=1, ensure_ascii=True)
            file.write_text(kept + "\n", "utf-8")
            print(f"{file.stem}: {verdict['verdict']}")


if __name__ == "__main__":
    main()

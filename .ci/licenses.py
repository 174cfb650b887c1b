"""Licenses of what a user installs along with the package: each must be one that asks for no more than its notice.

    python .ci/licenses.py

Run with the Python of an environment into which `pourcheck[postgresql,xlsx,web,jobs]` is installed and nothing else;
reads the metadata of every distribution there. Exit code 1 for a license that is not known to be permissive.
"""

from __future__ import annotations

import re
import sys
from importlib.metadata import Distribution, distributions

#: Words of permissive licenses, as metadata, classifiers and license expressions write them.
PERMISSIVE = re.compile(
    r"\b(MIT|BSD|Apache|PSF|Python Software Foundation|ISC|0BSD|MIT-CMU|HPND|Unlicense|Zlib|CC0|BSD-[23]-Clause)\b",
    re.IGNORECASE,
)
#: Words of licenses that ask for more.
OTHERS = re.compile(r"\b(A?GPL|GNU|Affero|SSPL|BUSL|EUPL|Commons Clause|proprietary)", re.IGNORECASE)
#: Licenses that ask for their own changes back and for nothing of what uses them; named, so that none is added unseen.
WEAK = {
    "psycopg": "LGPL-3.0: linked, not changed; only in the extra postgresql",
    "psycopg-binary": "LGPL-3.0: linked, not changed; only in the extra postgresql",
    "certifi": "MPL-2.0: not changed",
}
#: What comes with every environment.
TOOLS = {"pip", "setuptools", "wheel"}


def license_of(one: Distribution) -> str:
    """What a distribution says of its license, on one line; "" where it says nothing."""
    said = one.metadata.get("License-Expression") or ""
    classes = [line.rpartition(" :: ")[2] for line in one.metadata.get_all("Classifier", []) if "License ::" in line]
    plain = (one.metadata.get("License") or "").strip().partition("\n")[0]
    return said or "; ".join(classes) or plain[:80]


def main() -> int:
    """Print name, version and license of each."""
    bad = []
    for one in sorted(distributions(), key=lambda one: one.metadata["Name"].lower()):
        name = one.metadata["Name"]
        if name.lower() in TOOLS:
            continue
        told = license_of(one)
        sound = bool(PERMISSIVE.search(told)) and not OTHERS.search(told)
        why = "" if sound else WEAK.get(name.lower(), "")
        print(f"{name:<22} {one.version:<14} {told}{f' ({why})' if why else ''}")
        if not sound and not why:
            bad.append(name)
    if bad:
        print(f"not known to be permissive: {', '.join(bad)}")
    return 1 if bad else 0


if __name__ == "__main__":
    sys.exit(main())

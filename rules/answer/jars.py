"""Jar tests beside the prediction: whether they show what is predicted. They decide nothing."""

from __future__ import annotations

from collections.abc import Sequence

from ...catalog import JarTest
from .verdict import Finding, JarSeen

#: Seen in a jar, and no trouble by itself.
_NO_TROUBLE = frozenset({"clear", "color"})
#: Where a jar tells of what a rule speaks of: it is a small bucket.
_IN_A_BUCKET = frozenset({"bucket", "label"})


def jars_seen(jars: Sequence[JarTest], findings: Sequence[Finding]) -> tuple[JarSeen, ...]:
    """Each jar test, and whether it agrees with what is predicted for the bucket.

    Trouble is predicted where a rule of the bucket or of the label stops, none where all of them are silent; what lies
    between is contradicted by no jar.
    """
    levels = {finding.level for finding in findings if finding.where in _IN_A_BUCKET} - {"note"}
    predicted = True if "stop" in levels else None if levels else False
    return tuple(
        JarSeen(
            id=jar.id,
            made_on=jar.made_on,
            by=jar.by,
            products=tuple(f"{part.amount} {part.name}" for part in jar.product),
            water=jar.water or None,
            seen=jar.seen,
            note=jar.note,
            trouble=(trouble := bool(set(jar.seen) - _NO_TROUBLE)),
            agrees=None if predicted is None else trouble == predicted,
        )
        for jar in jars
    )

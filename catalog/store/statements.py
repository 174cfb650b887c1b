"""The statements that read the catalog, in SQL that SQLite and PostgreSQL share; "?" stands for a value."""

from __future__ import annotations

from typing import Final

#: What a record is read by, in this order: id, number, layer, retired, document.
_STANDING: Final = (
    "SELECT record.id, record.number, record.layer, record.retired, revision.document FROM record "
    "JOIN revision ON revision.kind = record.kind AND revision.id = record.id AND revision.number = record.number "
)
_REVISION: Final = (
    "SELECT revision.number, revision.at, revision.author, revision.why, revision.source, revision.layer, "
    "revision.retired, revision.restores, revision.document FROM revision "
)

META: Final = "SELECT key, value FROM catalog_meta"
CHANGES: Final = "SELECT value FROM catalog_meta WHERE key = 'changes'"

#: kind, folded name
OWNER: Final = "SELECT id FROM record_name WHERE kind = ? AND folded = ?"
#: kind, and as many folded names as there are marks
OWNERS: Final = "SELECT folded, id FROM record_name WHERE kind = ? AND folded IN ({marks})"
#: kind, id
STANDING: Final = _STANDING + "WHERE record.kind = ? AND record.id = ?"
#: kind
ALL_STANDING: Final = _STANDING + "WHERE record.kind = ? AND NOT record.retired ORDER BY record.id"
#: true
MATERIALS: Final = (
    _STANDING + "JOIN product_index AS i ON i.kind = record.kind AND i.id = record.id "
    "WHERE i.material = ? AND NOT record.retired ORDER BY record.id"
)
SALTS: Final = (
    _STANDING + "JOIN product_index AS i ON i.kind = record.kind AND i.id = record.id "
    "WHERE i.salt = ? AND NOT record.retired ORDER BY record.id"
)
#: n, p2o5, k2o, folded grade: what bears a grade, as its grade or in a name
BEAR_GRADE: Final = (
    "SELECT id FROM product_index WHERE n = ? AND p2o5 = ? AND k2o = ? "
    "UNION SELECT id FROM record_name WHERE kind = 'product' AND folded = ? ORDER BY id"
)
#: how many at most
SOME_PRODUCTS: Final = "SELECT id FROM product_index LIMIT ?"
#: kind
IDS: Final = "SELECT id FROM record WHERE kind = ? AND NOT retired ORDER BY id"
OVERRIDDEN: Final = "SELECT kind, id FROM record WHERE layer = 'own' AND seed IS NOT NULL ORDER BY kind, id"
EVERYTHING: Final = (
    "SELECT record.kind, record.id, record.number, revision.document FROM record "
    "JOIN revision ON revision.kind = record.kind AND revision.id = record.id AND revision.number = record.number "
    "ORDER BY record.kind, record.id"
)
#: kind, id
HISTORY: Final = _REVISION + "WHERE kind = ? AND id = ? ORDER BY number"
#: kind, id, number
REVISION: Final = _REVISION + "WHERE kind = ? AND id = ? AND number = ?"

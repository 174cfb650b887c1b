"""The published JSON Schemas: of what is asked, and of what is answered."""

from __future__ import annotations

from typing import Any

from pydantic import TypeAdapter

from ...catalog import Product, WaterTest
from ..ask.pour import Pour
from ..families.registry import rules
from .fault import Fault
from .verdict import Acids, Remedies, Splits, Swaps, Verdict
from .versions import VERSIONS, Kind

DRAFT = "https://json-schema.org/draft/2020-12/schema"
#: What is read, and what is written, as types.
_READ: dict[Kind, Any] = {"pour": Pour, "product": Product, "water": WaterTest}
_WRITTEN: dict[Kind, Any] = {
    "verdict": Verdict,
    "fault": Fault,
    "swaps": Swaps,
    "splits": Splits,
    "remedies": Remedies,
    "acids": Acids,
}


def schema_of(kind: Kind) -> dict[str, Any]:
    """The JSON Schema (draft 2020-12) of a kind of document; its `$id` is a URN with the version.

    A schema of what is written allows keys that it does not list, as a later release may add some; the names of rules
    are those of this release.

    >>> schema_of("verdict")["$id"], schema_of("pour")["$id"]
    ('urn:pourcheck:schema:verdict:2', 'urn:pourcheck:schema:pour:1')
    """
    if kind in _READ:
        made = TypeAdapter(_READ[kind]).json_schema(mode="validation")
    else:
        made = with_rule_names(_open(TypeAdapter(_WRITTEN[kind]).json_schema(mode="serialization")))
    return {"$schema": DRAFT, "$id": f"urn:pourcheck:schema:{kind}:{VERSIONS[kind]}", **_told(made)}


def with_rule_names(schema: dict[str, Any], inside: str = "$defs") -> dict[str, Any]:
    """A schema with the names of all rules where it speaks of one. inside: where it keeps its parts."""
    parts = schema.get(inside, {})
    if "RuleName" not in parts:
        return schema
    named = {**parts["RuleName"], "enum": sorted(rule.name for rule in rules())}
    return {**schema, inside: {**parts, "RuleName": named}}


def _open(part: Any) -> Any:
    """A schema that does not refuse keys which it does not list."""
    if isinstance(part, dict):
        kept = {key: value for key, value in part.items() if not (key == "additionalProperties" and value is False)}
        return {key: _open(value) for key, value in kept.items()}
    return [_open(one) for one in part] if isinstance(part, list) else part


def _told(part: Any) -> Any:
    """A schema whose descriptions end before their examples in Python."""
    if isinstance(part, dict):
        return {
            key: value.partition(">>>")[0].strip() if key == "description" and isinstance(value, str) else _told(value)
            for key, value in part.items()
        }
    return [_told(one) for one in part] if isinstance(part, list) else part

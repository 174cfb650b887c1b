"""What programs may rely on: the published schemas, and verdicts that were answered before."""

from __future__ import annotations

import json
from collections.abc import Callable
from typing import Any, get_args

import pytest
from jsonschema import Draft202012Validator

from pourcheck import Catalog, Fault, InputError, check, check_each, split, swap
from pourcheck.rules.answer.schemas import schema_of
from pourcheck.rules.answer.versions import VERSIONS, Kind
from pourcheck.rules.families.registry import rules

KINDS: tuple[Kind, ...] = get_args(Kind)


def pour(*products: str, **changed: Any) -> dict[str, Any]:
    """Products of half a pound in a known water."""
    told = [{"name": name, "amount": "8 oz"} for name in products or ("urea",)]
    return {
        "product": told,
        "bucket": {"volume": "5 gal"},
        "water": {"name": "ridge-well"},
        "injection": {"ratio": "1:100"},
        **changed,
    }


def faults(kind: Kind, data: object) -> list[str]:
    """What the schema of a kind has against a document."""
    # As text and back, as a program gets it.
    return [one.message for one in Draft202012Validator(schema_of(kind)).iter_errors(json.loads(json.dumps(data)))]


# --- schemas --------------------------------------------------------------------------------------


@pytest.mark.parametrize("kind", KINDS)
def test_schemas_are_schemas(call: Callable[..., Any], kind: Kind) -> None:
    """Each printed schema is one of its draft, is named with its version, and stands on its own."""
    schema = json.loads(call("schema", kind).out)
    assert schema == schema_of(kind)
    assert schema["$schema"] == "https://json-schema.org/draft/2020-12/schema"
    assert schema["$id"] == f"urn:pourcheck:schema:{kind}:{VERSIONS[kind]}"
    Draft202012Validator.check_schema(schema)
    text = json.dumps(schema)
    assert ">>>" not in text
    referred = {word.split('"')[0] for word in text.split('"$ref": "')[1:]}
    assert referred <= {f"#/$defs/{name}" for name in schema.get("$defs", {})}


def test_the_version_stands_in_the_verdict_and_its_schema(catalog: Catalog) -> None:
    assert json.loads(check(pour(), catalog, depth="verdict").to_json())["schema"] == "pourcheck.verdict/2"
    assert schema_of("verdict")["properties"]["schema"]["const"] == "pourcheck.verdict/2"


@pytest.mark.parametrize("kind", ["verdict", "swaps", "splits"])
def test_a_finding_is_of_a_rule_that_there_is(kind: Kind) -> None:
    assert schema_of(kind)["$defs"]["RuleName"]["enum"] == sorted(rule.name for rule in rules())


SOFT = {"name": "brook-well"}
MANY = pour("calcium nitrate", "technical MAP", "magnesium sulfate", water=SOFT)


def test_what_is_answered_is_of_its_schema(catalog: Catalog) -> None:
    whole = check(MANY, catalog).model_dump(mode="json", by_alias=True)
    assert whole["splits"]
    swaps = [one.model_dump(mode="json") for one in swap(pour("technical MAP"), catalog)]
    splits = split(MANY, catalog).model_dump(mode="json")
    (fault,) = check_each([pour("uera")], catalog)
    told: list[tuple[Kind, Any]] = [("verdict", whole), ("swaps", swaps), ("splits", splits)]
    for kind, data in [*told, ("fault", fault.model_dump())]:
        assert data
        assert faults(kind, data) == []


@pytest.mark.parametrize(
    ("kind", "path", "wrong"),
    [
        ("verdict", ("schema",), "pourcheck.verdict/3"),
        ("verdict", ("verdict",), "fine"),
        ("verdict", ("findings", 0, "rule"), "fire"),
        ("verdict", ("findings", 0, "level"), 3),
        ("verdict", ("line", "ph", "value"), "7"),
        ("swaps", (0, "rules"), ["fire"]),
        ("splits", ("offered", 0, "buckets", 0, "rules"), ["fire"]),
        ("fault", ("code",), "odd"),
        ("pour", ("bucket", "volume"), [5]),
        ("pour", ("prodct",), []),
        ("product", ("form",), "gas"),
        ("water", ("ph",), []),
    ],
)
def test_a_schema_refuses_what_is_not_of_its_kind(
    catalog: Catalog, kind: Kind, path: tuple[str | int, ...], wrong: object
) -> None:
    documents: dict[Kind, Callable[[], Any]] = {
        "verdict": lambda: check(pour("technical MAP"), catalog, depth="numbers").model_dump(
            mode="json", by_alias=True
        ),
        "swaps": lambda: [one.model_dump(mode="json") for one in swap(pour("technical MAP"), catalog)],
        "splits": lambda: split(MANY, catalog).model_dump(mode="json"),
        "fault": lambda: Fault.of(InputError("is missing", where="bucket", mend="add it")).model_dump(),
        "pour": pour,
        "product": lambda: catalog.product("urea").model_dump(mode="json"),
        "water": lambda: catalog.water("ridge-well").model_dump(mode="json", exclude_none=True),
    }
    data = documents[kind]()
    assert faults(kind, data) == []
    place = data
    for step in path[:-1]:
        place = place[step]
    place[path[-1]] = wrong
    assert faults(kind, data) != []


def test_a_reader_of_today_may_get_a_key_of_tomorrow(catalog: Catalog) -> None:
    """A schema of answers allows keys that a later release adds; one of questions finds misspelled ones."""
    told = check(pour(), catalog, depth="numbers").model_dump(mode="json", by_alias=True)
    told["new"] = told["bucket"]["new"] = told["findings"][0]["new"] = 1
    assert faults("verdict", told) == []
    assert faults("pour", {**pour(), "new": 1}) != []

"""What programs may rely on: the published schemas, and verdicts that were answered before."""

from __future__ import annotations

import json
import tomllib
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any, get_args

import pytest
from jsonschema import Draft202012Validator

from pourcheck import Catalog, Fault, InputError, acid, check, check_each, remedy, split, swap
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


@pytest.mark.parametrize("kind", ["verdict", "swaps", "splits", "remedies", "acids"])
def test_a_finding_is_of_a_rule_that_there_is(kind: Kind) -> None:
    assert schema_of(kind)["$defs"]["RuleName"]["enum"] == sorted(rule.name for rule in rules())


SOFT = {"name": "brook-well"}
MANY = pour("calcium nitrate", "technical MAP", "magnesium sulfate", water=SOFT)


def test_what_is_answered_is_of_its_schema(catalog: Catalog) -> None:
    whole = check(MANY, catalog).model_dump(mode="json", by_alias=True)
    assert whole["splits"]
    swaps = swap(pour("technical MAP"), catalog).model_dump(mode="json")
    splits = split(MANY, catalog).model_dump(mode="json")
    (fault,) = check_each([pour("uera")], catalog)
    remedies = remedy(pour("technical MAP"), catalog).model_dump(mode="json")
    acids = acid(pour("urea"), catalog).model_dump(mode="json")
    told: list[tuple[Kind, Any]] = [("verdict", whole), ("swaps", swaps), ("splits", splits), ("remedies", remedies)]
    for kind, data in [*told, ("acids", acids), ("fault", fault.model_dump())]:
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
        ("swaps", ("offered", 0, "rules"), ["fire"]),
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
        "swaps": lambda: swap(pour("technical MAP"), catalog).model_dump(mode="json"),
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


# --- answers of before ----------------------------------------------------------------------------

GOLDEN = Path(__file__).parent / "golden"
#: A number may differ by this share, or by this much, before the answer counts as another.
SHARE, LEAST = 0.02, 0.003
#: Rows of a list are the same row where these say the same; rows of other lists are told apart by their place.
KEYS = {
    "findings": ("rule",),
    "solids": ("solid",),
    "edges": ("input",),
    "decided_by": ("input",),
    "turns": ("input",),
    "assumed": ("input", "why", "about"),
    "used": ("kind", "id", "name"),
    "labels": ("product",),
}
#: Lists that may hold other rows, as what is offered and what is said may get better; their rows have the same keys.
FREE = {"swaps", "splits", "remedies", "do", "cures", "sources"}
#: Text that may be worded otherwise.
WORDED = {"summary", "message", "happens", "version", "revision", "find_out", "worse_if", "better_if", "model", "order"}


def kept(name: str) -> dict[str, Any]:
    """A pour and the verdict that programs got for it."""
    found = json.loads((GOLDEN / f"{name}.json").read_text("utf-8"))
    assert isinstance(found, dict)
    return found


def broken(old: Any, new: Any, path: str = "") -> Iterator[str]:
    """Where a reader of the old answer would go wrong with the new one."""
    key = path.rpartition(".")[2].partition("[")[0]
    if old is None or new is None or type(old) is not type(new):
        # Null only stays null, and a number that is whole may be written with or without a point.
        if old is not new and not ({type(old), type(new)} <= {int, float} and differs(old, new) is None):
            yield f"{path}: was {old!r}, is {new!r}"
    elif isinstance(old, dict):
        yield from (f"{path}.{name}: is gone" for name in old.keys() - new.keys())
        for name in old.keys() & new.keys():
            yield from broken(old[name], new[name], f"{path}.{name}")
    elif isinstance(old, list):
        yield from rows_broken(old, new, path, key)
    elif isinstance(old, str):
        if key not in WORDED and old != new:
            yield f"{path}: was {old!r}, is {new!r}"
    elif (told := differs(old, new)) is not None:
        yield f"{path}: {told}"


def rows_broken(old: list[Any], new: list[Any], path: str, key: str) -> Iterator[str]:
    """The same of the rows of a list."""
    if key in FREE:
        if bool(old) != bool(new):
            yield f"{path}: had {len(old)} rows, has {len(new)}"
        elif old and isinstance(old[0], dict):
            yield from (f"{path}[].{name}: is gone" for name in old[0].keys() - new[0].keys())
    elif key in KEYS:
        by_key = {tuple(str(row[name]) for name in KEYS[key]): row for row in new}
        for row in old:
            which = tuple(str(row[name]) for name in KEYS[key])
            if which not in by_key:
                yield f"{path}[{which}]: is gone"
            else:
                yield from broken(row, by_key[which], f"{path}[{which}]")
        had = {tuple(str(row[name]) for name in KEYS[key]) for row in old}
        yield from (f"{path}[{which}]: is new" for which in by_key.keys() - had)
    elif len(old) != len(new):
        yield f"{path}: had {len(old)} rows, has {len(new)}"
    else:
        for i, (one, other) in enumerate(zip(old, new, strict=True)):
            yield from broken(one, other, f"{path}[{i}]")


def differs(old: Any, new: Any) -> str | None:
    """How two numbers differ by more than counts; None where they do not."""
    if isinstance(old, bool) or abs(old - new) <= max(SHARE * abs(old), LEAST):
        return None if not isinstance(old, bool) or old is new else f"was {old}, is {new}"
    return f"was {old}, is {new}"


@pytest.mark.quick
@pytest.mark.parametrize("name", sorted(file.stem for file in GOLDEN.glob("2-*.json")))
def test_an_answer_of_before_is_still_given(catalog: Catalog, name: str) -> None:
    """Every key that a reader of schema 2 may rely on is there, of the same type and meaning; numbers are the same but
    for a fiftieth. Where another answer is wanted, tests/rules/golden/make.py keeps it."""
    before = kept(name)
    now = json.loads(check(before["pour"], catalog).to_json())
    assert list(broken(before["verdict"], now)) == []
    # It may lack what was added since.
    assert [one for one in faults("verdict", before["verdict"]) if "is a required property" not in one] == []


def filled(data: Any, path: str = "") -> Iterator[str]:
    """Where a document holds something, rows and free names left out of the path."""
    if isinstance(data, dict):
        for name, value in data.items():
            yield from filled(value, f"{path}.{name}" if path else name)
    elif isinstance(data, list):
        for value in data:
            yield from filled(value, path)
    elif data not in (None, ""):
        yield path


def test_the_kept_answers_show_every_part_of_a_verdict() -> None:
    """Among them every key of a verdict holds something, but those that need a jar test or a policy of its own."""
    told = {path.partition(".")[0] for name in GOLDEN.glob("2-*.json") for path in filled(kept(name.stem)["verdict"])}
    assert set(schema_of("verdict")["properties"]) - told == {"jars", "lowered_by"}


@pytest.mark.parametrize(
    ("change", "told"),
    [
        (lambda v: v.pop("region"), ".region: is gone"),
        (lambda v: v.update(verdict="clear"), ".verdict: was 'stop', is 'clear'"),
        (lambda v: v["findings"].pop(), "is gone"),
        (lambda v: v["line"]["ph"].update(value=1.0), ".line.ph.value: was"),
        (lambda v: v["line"].update(ph=7.0), ".line.ph: was"),
        (lambda v: v.update(bucket=None), ".bucket: was"),
        (lambda v: v["edges"][0].update(unit="L"), ".unit: was"),
        (lambda v: v.update(swaps=[]), ".swaps: had"),
        (lambda v: v["bucket"].update(within_validity=0), ".bucket.within_validity: was"),
        (lambda v: v["findings"].append({**v["findings"][0], "rule": "fire"}), "is new"),
    ],
)
def test_a_change_that_breaks_a_reader_is_seen(change: Callable[[dict[str, Any]], object], told: str) -> None:
    """What the comparison above is for; more keys and other words break nobody."""
    before, now = kept("2-stop-phosphate")["verdict"], kept("2-stop-phosphate")["verdict"]
    now["new"] = now["findings"][0]["new"] = 1
    now["summary"] = "Said otherwise."
    assert list(broken(before, now)) == []
    change(now)
    assert [line for line in broken(before, now) if told in line] != []


#: Tables of schema 1 whose keys are names of something.
NAMED = {"because", "clogging", "ions_mg_per_l", "low", "high", "measured_from", "numbers", "ions"}


def places(data: Any, path: str = "", named: bool = False) -> Iterator[tuple[str, Any]]:
    """Every end of a document, with `*` for names and `[]` for rows."""
    if isinstance(data, dict) and data and not {"value", "unit"} <= data.keys():
        for name, value in data.items():
            step = "*" if named else name
            yield from places(value, f"{path}.{step}" if path else step, not named and name in NAMED)
    elif isinstance(data, list):
        for value in data:
            yield from places(value, f"{path}[]")
    elif not isinstance(data, dict) or data:
        yield path, data


def test_a_reader_of_schema_1_is_told_where_each_key_went() -> None:
    """Of every key of the kept answers of schema 1 the successor in schema 2 is named, is there, and a number with a
    unit in its name is a table with that unit."""
    went = tomllib.loads((GOLDEN / "from_1_to_2.toml").read_text("utf-8"))
    first = {path.replace("line.", "bucket.", 1) if path.startswith("line.") else path: value
             for name in ("1-stop", "1-unknown") for path, value in places(kept(name)["verdict"])}  # fmt: skip
    assert set(first) <= set(went)
    second: dict[str, list[Any]] = {}
    for file in GOLDEN.glob("2-*.json"):
        for path, value in places(kept(file.stem)["verdict"]):
            second.setdefault(path, []).append(value)
    for old, new in went.items():
        if new:
            assert new in second or any(path.startswith(f"{new}.") for path in second), f"{old} -> {new}"
        if new.startswith("bucket.") and old.endswith(("_c", "_per_kg", "_per_cm", "_per_l", "_l")):
            assert all(one is None or one["unit"] for one in second[new]), f"{old} -> {new}"
    assert {kept(name)["verdict"]["schema"] for name in ("1-stop", "1-unknown")} == {"pourcheck.verdict/1"}

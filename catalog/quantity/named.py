"""Plain numbers under names that state their unit: calcium_mg_per_l = 95."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from typing import TYPE_CHECKING, Any

from ..errors import InputError

if TYPE_CHECKING:
    pass


#: Endings of field names that state the unit of a plain number, longest first.
NAMED_UNITS = {
    "_mg_per_l_caco3": "mg/L CaCO3",
    "_mg_per_l_hco3": "mg/L HCO3",
    "_l_per_hour": "L/hour",
    "_l_per_min": "L/min",
    "_gal_per_min": "gal/min",
    "_gal_per_hour": "gal/hour",
    "_mmol_per_l": "mmol/L",
    "_meq_per_l": "meq/L",
    "_mg_per_l": "mg/L",
    "_kg_per_l": "kg/L",
    "_ms_per_cm": "mS/cm",
    "_us_per_cm": "uS/cm",
    "_ds_per_m": "dS/m",
    "_per_ml": "per mL",
    "_fl_oz": "fl oz",
    "_gal": "gal",
    "_min": "min",
    "_kg": "kg",
    "_lb": "lb",
    "_oz": "oz",
    "_mm": "mm",
    "_in": "in",
    "_ft": "ft",
    "_ml": "mL",
    "_g": "g",
    "_l": "L",
    "_c": "degC",
    "_f": "degF",
    "_m": "m",
}


def named_quantities(data: object, fields: Collection[str]) -> object:
    """Plain numbers whose field name states the unit, as text: calcium_mg_per_l = 95 -> calcium = "95 mg/L".

    fields: names that the caller knows; anything else is left as it is.
    Raises: InputError: the same quantity is given twice.
    """
    if not isinstance(data, Mapping):
        return data
    out: dict[object, object] = {}
    for key, value in data.items():
        new_key, new_value = key, value
        if isinstance(key, str) and key not in fields and _plain(value):
            for ending, unit in NAMED_UNITS.items():
                if key.endswith(ending) and key.removesuffix(ending) in fields:
                    new_key, new_value = key.removesuffix(ending), f"{value!r} {unit}"
                    break
        if new_key in out:
            raise InputError(f"{new_key} is given twice", where=str(key), mend="keep one of them")
        out[new_key] = new_value
    return out


def _plain(value: object) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool)


def named_quantities_in_schema(schema: dict[str, Any]) -> None:
    """Adds the names that `named_quantities` reads to a JSON Schema, in place."""
    text = [
        name
        for name, field in schema.get("properties", {}).items()
        if "string" in str(field) and name not in {"id", "name", "notes", "source", "tested_on"}
    ]
    endings = "|".join(ending.removeprefix("_") for ending in NAMED_UNITS)
    schema["patternProperties"] = {f"^({'|'.join(text)})_({endings})$": {"type": "number"}}
    needed = [name for name in schema.get("required", []) if name in text and name != "grade"]
    if needed:
        schema["required"] = [name for name in schema["required"] if name not in needed]
        schema["allOf"] = [
            {"anyOf": [{"required": [name + ending]} for ending in ("", *NAMED_UNITS)]} for name in needed
        ]

"""A dump of varied verdicts as JSON, to hold one state of the project against another.

`python tests/evidence/verdict_dump.py --out before.json`, change something, dump again, and
`python tests/evidence/verdict_dump.py --compare before.json after.json`: every verdict and every rule's level is the
same or is named, numbers agree within `--within` (1e-6 relative).

The pours are made up, of generic materials and of the invented region's wells; they are no reference.
"""

from __future__ import annotations

import argparse
import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from pourcheck import Catalog, check

DAY = "2026-06-01"
HARD, SOFT, IRON = "ridge-well", "brook-well", "bog-well"
STRIP = {"ph": 7.4, "hardness": "90 mg/L CaCO3", "alkalinity": "80 mg/L CaCO3"}
GRAINS = {"ph": 7.4, "hardness": "12 mg/L CaCO3", "alkalinity": "20 mg/L CaCO3"}
FULL = {
    "ph": "7.2 to 7.8", "alkalinity": "150 mg/L CaCO3", "calcium": "60 to 80 mg/L", "magnesium": "10 mg/L",
    "sodium": "10 mg/L", "chloride": "30 mg/L", "sulfate": "30 mg/L", "iron": "<0.05 mg/L", "manganese": "0.01 mg/L",
    "silica": "10 mg/L", "temperature": "14 degC",
}  # fmt: skip
LIME = {"ph": 8.1, "calcium": "105 mg/L", "alkalinity": "5.5 meq/L", "temperature": "15 degC"}
TWENTY = {
    "name": "twenty", "amount": "1 lb", "grade": "20-20-20", "form": "dry",
    "derived_from": ["urea", "ammonium phosphate", "potassium nitrate", "potassium phosphate", "boric acid",
                     "iron EDTA"],
}  # fmt: skip
JUG = {"name": "jug", "amount": "1 lb", "grade": "12-4-8"}
ODD = {"name": "feed", "amount": "1 lb", "grade": "0-52-34", "guaranteed": {"p2o5": 22.7},
       "derived_from": ["monopotassium phosphate"]}  # fmt: skip
LIQUID = {"name": "corner feed", "amount": "8 fl oz", "grade": "10-0-10", "density": "10.2 lb/gal", "form": "liquid",
          "derived_from": ["urea", "potassium chloride"]}  # fmt: skip
DRIP = {"emitter_flow": "1 L/hour", "emitter_spacing": "8 in", "lateral_length": "150 ft", "inside_diameter": "16 mm",
        "laterals": 6}  # fmt: skip

#: name -> products, then what differs from 5 gal, 1:100 and the soft well.
POURS: dict[str, tuple[list[str | dict[str, Any]], dict[str, Any]]] = {
    "urea soft": (["urea=4 oz"], {}),
    "urea hard": (["urea=2 lb"], {"water": HARD}),
    "MAP hard": (["technical MAP=1 lb"], {"water": HARD}),
    "MAP soft": (["technical MAP=1 lb"], {}),
    "MAP no water": (["technical MAP=1 lb"], {"water": None}),
    "MAP strip": (["technical MAP=8 oz"], {"water": STRIP}),
    "MAP iron well": (["technical MAP=4 oz"], {"water": IRON}),
    "MAP ranges": (["technical MAP=4 oz"], {"water": FULL}),
    "DAP soft": (["technical DAP=2 lb"], {}),
    "MKP hard": (["MKP=8 oz"], {"water": HARD}),
    "calcium nitrate hard": (["calcium nitrate=2 lb"], {"water": HARD}),
    "calcium nitrate limy": (["calcium nitrate=2 lb"], {"water": LIME, "injection": {"ratio": "1:64"}}),
    "calcium and Epsom": (["calcium nitrate=2 lb", "magnesium sulfate=2 lb"], {}),
    "calcium and Epsom a little": (["calcium nitrate=2 oz", "magnesium sulfate=2 oz"], {}),
    "calcium and MKP": (["calcium nitrate=8 oz", "MKP=8 oz"], {}),
    "Epsom and MAP": (["magnesium sulfate=1 lb", "technical MAP=1 lb"], {}),
    "Epsom and DAP": (["magnesium sulfate=1 lb", "technical DAP=1 lb"], {}),
    "potassium nitrate cold": (["potassium nitrate=7 lb"], {"bucket": {"volume": "5 gal", "temperature": "10 degC"}}),
    "potassium nitrate raised": (
        ["potassium nitrate=4 lb"], {"bucket": {"volume": "5 gal", "temperature": "10 degC"}},
    ),
    "potassium nitrate metric": (["potassium nitrate=3 kg"], {"bucket": {"volume": "20 L", "temperature": "20 degC"}}),
    "potassium sulfate": (["potassium sulfate=3 lb"], {}),
    "potassium sulfate hot": (["potassium sulfate=5 lb"], {"bucket": {"volume": "5 gal", "temperature": "50 degC"}}),
    "chloride and sulfate": (["potassium chloride=3 lb", "ammonium sulfate=3 lb"], {}),
    "ammonium sulfate hard": (["ammonium sulfate=2 lb"], {"water": HARD}),
    "two nitrates": (["potassium nitrate=5 lb", "ammonium nitrate=5 lb"], {}),
    "potassium carbonate hard": (["potassium carbonate=2 oz"], {"water": HARD}),
    "potassium bicarbonate and acid": (["potassium bicarbonate=8 oz", "phosphoric acid 75%=8 fl oz"], {}),
    "phosphoric acid hard": (["phosphoric acid 75%=4 fl oz"], {"water": HARD}),
    "nitric acid": (["nitric acid=12 fl oz"], {"water": HARD}),
    "sulfuric acid": (["sulfuric acid=1 qt"], {"water": HARD}),
    "urea and nitric acid": (["urea=1 lb", "nitric acid=4 fl oz"], {}),
    "bleach alone": (["sodium hypochlorite=4 fl oz"], {}),
    "bleach and acid": (["sodium hypochlorite=4 fl oz", "phosphoric acid 75%=4 fl oz"], {}),
    "bleach and ammonium": (["sodium hypochlorite=4 fl oz", "ammonium sulfate=4 oz"], {}),
    "chlorinated site": (["ammonium nitrate=1 lb"], {"site": {"chlorination": True}}),
    "thiosulfate and acid": (["ammonium thiosulfate=1 qt", "phosphoric acid 75%=8 fl oz"], {}),
    "aqua ammonia": (["aqua ammonia=1 qt"], {"water": HARD}),
    "UAN hard": (["UAN 32=1 gal"], {"water": HARD}),
    "UAN and calcium": (["UAN 32=1 qt", "calcium nitrate=2 lb"], {"water": HARD}),
    "10-34-0 hard": (["10-34-0=1 pint"], {"water": HARD}),
    "10-34-0 and zinc": (["10-34-0=1 pint", "zinc sulfate=2 oz"], {}),
    "zinc sulfate hard": (["zinc sulfate=4 oz"], {"water": HARD}),
    "zinc sulfate and MAP": (["zinc sulfate=2 oz", "technical MAP=8 oz"], {}),
    "iron sulfate": (["iron sulfate=4 oz"], {"water": HARD}),
    "iron DTPA and MKP": (["iron DTPA=1 oz", "MKP=1 lb"], {}),
    "iron EDTA in acid": (["iron EDTA=1 oz", "phosphoric acid 75%=1 pint"], {}),
    "silicate and calcium": (["potassium silicate=4 fl oz", "calcium nitrate=4 oz"], {}),
    "molybdate": (["ammonium molybdate=0.1 oz", "calcium nitrate=1 lb"], {}),
    "borax": (["borax=4 oz"], {}),
    "gypsum": (["gypsum=1 oz"], {"water": HARD}),
    "field calcium nitrate": (["calcium nitrate, field grade=1 lb"], {}),
    "fish": (["fish hydrolysate=1 qt"], {"site": {"filter_mesh": 150}}),
    "twenty": ([TWENTY], {"water": HARD}),
    "jug without sources": ([JUG], {"water": HARD}),
    "label that does not add up": ([ODD], {}),
    "corner feed": ([LIQUID], {"water": STRIP}),
    "region": (["technical MAP=2 oz", "calcium nitrate=1 oz"], {"water": HARD, "region": "aldervane"}),
    "region lowered": (["potassium carbonate=3 oz"], {"water": HARD, "region": "aldervane"}),
    "grains": (["technical MAP=2 oz"], {"water": GRAINS}),
    "seven": (
        [f"{n}=3 oz" for n in ("urea", "calcium nitrate", "magnesium sulfate", "technical MAP", "potassium chloride",
                               "boric acid", "ammonium sulfate")],
        {"water": HARD, "bucket": {"water": "5 gal"}, "injection": {"suction": "2.4 gph", "flow": "4 gpm"},
         "soil": {"phosphorus": "high", "crop": "tomato"},
         "site": {"backflow_preventer": False, "chlorination": True, "filter_mesh": 40, "fittings": ["brass"]},
         "drip": DRIP},
    ),
    "timed": (["urea=1 lb", "potassium chloride=1 lb"],
              {"drip": DRIP, "water": FULL, "injection": {"ratio": "1:80 to 1:120", "inject": "30 min",
                                                          "flush": "5 min", "line_temperature": "30 degC"}}),
}  # fmt: skip


def pour_of(name: str) -> dict[str, Any]:
    """A row of POURS as plain data of the pour schema."""
    products, changed = POURS[name]
    lines = [
        dict(zip(("name", "amount"), p.rsplit("=", 1), strict=True)) if isinstance(p, str) else p for p in products
    ]
    data: dict[str, Any] = {
        "product": lines, "bucket": {"volume": "5 gal"}, "injection": {"ratio": "1:100"}, "water": SOFT,
        "poured_on": DAY, **changed,
    }  # fmt: skip
    if data["water"] is None:
        del data["water"]
    elif isinstance(data["water"], str):
        data["water"] = {"name": data["water"]}
    return data


def differences(before: object, after: object, within: float, path: str = "") -> Iterator[str]:
    """Where two dumps differ, a line each; numbers by their relative difference."""
    if isinstance(before, dict) and isinstance(after, dict):
        for key in sorted(before.keys() | after.keys()):
            if key not in after or key not in before:
                yield f"{path}/{key}: only {'before' if key in before else 'after'}"
            else:
                yield from differences(before[key], after[key], within, f"{path}/{key}")
    elif isinstance(before, list) and isinstance(after, list) and len(before) == len(after):
        for i, (one, other) in enumerate(zip(before, after, strict=True)):
            yield from differences(one, other, within, f"{path}/{i}")
    elif isinstance(before, float | int) and isinstance(after, float | int) and not isinstance(before, bool):
        if abs(before - after) > within * max(abs(before), abs(after), 1e-9):
            yield f"{path}: {before:g} -> {after:g}"
    elif before != after:
        yield f"{path}: {before!r} -> {after!r}"


def main() -> None:
    """Dump, or compare two dumps."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--out", type=Path, help="where the dump goes")
    parser.add_argument("--compare", nargs=2, type=Path, metavar=("BEFORE", "AFTER"))
    parser.add_argument("--within", type=float, default=1e-6, help="relative difference of numbers that is none")
    parser.add_argument("--only", default="", help="pours whose name holds this")
    asked = parser.parse_args()
    if asked.compare:
        before, after = (json.loads(path.read_text("utf-8")) for path in asked.compare)
        found = list(differences(before, after, asked.within))
        print("\n".join(found) if found else "no difference")
        raise SystemExit(bool(found))
    dump = {}
    with Catalog.open("sqlite://") as catalog:
        for name in POURS:
            if asked.only in name:
                pour = pour_of(name)
                try:
                    dump[name] = json.loads(check(pour, catalog).to_json())
                except Exception as error:
                    dump[name] = {"fault": f"{type(error).__name__}: {error}"}
    text = json.dumps(dump, indent=1, sort_keys=True)
    if asked.out:
        asked.out.write_text(text + "\n", "utf-8")
    else:
        print(text)


if __name__ == "__main__":
    main()

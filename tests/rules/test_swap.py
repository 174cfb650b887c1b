"""Swaps: amounts by hand, the choice against every blend that there is, each asked again."""

from __future__ import annotations

import json
from collections.abc import Callable
from itertools import combinations
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from scipy.optimize import linprog

from pourcheck import Catalog, InputError, check, swap
from pourcheck.catalog import Listing, RegionRecord
from pourcheck.catalog.quantity.measure import read_amount
from pourcheck.rules.answer.verdict import Swaps
from pourcheck.rules.instead import swap as module

OZ_PER_LB = 16.0
WORDS = ("--bucket", "5 gal", "--water", "ridge-well", "--inject", "1:100")


def pour(*items: str, water: str = "ridge-well", **more: Any) -> dict[str, Any]:
    """Products in 5 gal of a well."""
    return {
        "product": [dict(zip(("name", "amount"), item.split("="), strict=True)) for item in items],
        "bucket": {"volume": "5 gal", "temperature": "60 degF"},
        "water": {"name": water},
        "injection": {"ratio": "1:100", "injector": "measured", "line_temperature": "20 degC"},
        "site": {"backflow_preventer": True},
        **more,
    }


def amounts(found: Swaps, which: int = 0) -> dict[str, str]:
    """Of an offer, by product."""
    return {one.id: one.amount for one in found.offered[which].products}


# Molar masses are those of IUPAC (N 14.007, K 39.098, O 15.999, H 1.008, C 12.011, Cl 35.45): urea holds 46.65 % N,
# potassium nitrate 13.85 % N and 46.58 % K2O; the seeds' products are those salts but for what stands beside them.
@pytest.mark.parametrize(
    ("item", "options", "expected"),
    [
        # 1 lb of ammonium sulfate of 21.2 % N: 3.39 oz N, over 0.4665.
        ("ammonium sulfate=1 lb", {"without": ["sulfate"]}, {"urea": 3.39 / 0.4665}),
        # 1 lb of 12-61-0 of 12.18 % N (NH4H2PO4, 115.03 g/mol): 1.95 oz N, over 0.4665.
        ("technical MAP=1 lb", {}, {"urea": 1.95 / 0.4665}),
        # 2 lb of 0-52-34, 34.61 % K2O: 11.08 oz K2O, over the 51.89 % of a grade of potassium sulfate (96 % K2SO4).
        ("MKP=2 lb", {"water": "brook-well"}, {"potassium-sulfate": 11.08 / 0.5189}),
        # 4 oz of iron sulfate (FeSO4.7H2O, 278.0 g/mol, 20.09 % Fe) is given for its iron: 0.804 oz Fe, over the
        # 13.26 % of NaFeEDTA.3H2O (421.1 g/mol).
        ("iron sulfate=4 oz", {"without": ["sulfate"]}, {"iron-edta": 0.804 / 0.1326}),
        # 2 lb of 20-20-20: 6.4 oz N and as much K2O: potash over 0.4658, and what nitrogen that leaves over 0.4665.
        (
            "alder-twenty-20-20-20=2 lb",
            {},
            {"potassium-nitrate": 6.4 / 0.4658, "urea": (6.4 - 6.4 / 0.4658 * 0.1385) / 0.4665},
        ),
    ],
)
def test_amounts_by_hand(catalog: Catalog, item: str, options: dict[str, Any], expected: dict[str, float]) -> None:
    asked = pour(item, water=options.get("water", "ridge-well"))
    found = amounts(swap(asked, catalog, without=options.get("without", ["phosphorus"])))
    assert found.keys() == expected.keys()
    for name, ounces in expected.items():
        assert read_amount(found[name]).low / 0.028349523 == pytest.approx(ounces, rel=0.02)


@pytest.mark.parametrize(
    ("items", "options"),
    [
        (["technical MAP=1 lb"], {}),
        (["MKP=1 lb", "urea=1 lb"], {}),
        (["alder-twenty-20-20-20=2 lb", "potassium nitrate=8 oz"], {}),
        (["potassium chloride=1 kg"], {"without": ["chloride"]}),
        (["magnesium sulfate=1 lb"], {"without": ["sulfate"]}),
        (["calcium nitrate=2 lb"], {"without": ["calcium"]}),
        (["UAN 32=1 qt"], {"without": ["urea"]}),
        (["technical MAP=4 oz", "urea=1 lb"], {"replaces": ["all"]}),
    ],
)
def test_each_offer_keeps_what_it_says(catalog: Catalog, items: list[str], options: dict[str, Any]) -> None:
    """Asked again as it is written it has the verdict that it is offered with; nutrients are within 3 %; what is left
    out is not in it."""
    asked = pour(*items)
    found = swap(asked, catalog, **options)
    assert found.offered
    assert found.proven
    stays = [line for line in asked["product"] if catalog.product(line["name"]).name not in set(found.replaces)]
    keys = {"phosphorus": "p2o5", "chloride": "cl", "sulfate": "s", "calcium": "ca", "urea": "n_urea"}
    for offer in found.offered:
        lines = [{"name": one.id, "amount": one.amount} for one in offer.products]
        again = check({**asked, "product": [*stays, *lines]}, catalog, depth="verdict")
        assert (again.verdict, offer.verdict in {"clear", "caution"}) == (offer.verdict, True)
        assert all(abs(share) <= 3.0 for share in offer.off_percent.values())
        for word in found.without:
            assert offer.brings.get(keys[word]) is None or offer.brings[keys[word]].after_kg == 0.0
        assert offer.off_percent.keys() <= set(found.keeps)


def test_forms_of_nitrogen_and_what_is_lost_are_named(catalog: Catalog, call: Callable[..., Any]) -> None:
    """Ammonium sulfate against urea: all nitrogen changes its form, and 24 % sulfur are lost (114.9 g in a pound:
    32.06 in 132.14 g/mol)."""
    (best, *_) = swap(pour("ammonium sulfate=1 lb"), catalog, without=["sulfate"]).offered
    assert best.brings["n_ammonium"].after_kg == best.brings["n_urea"].before_kg == best.brings["s"].after_kg == 0.0
    assert best.brings["s"].before_kg == pytest.approx(0.4536 * 32.06 / 132.14, rel=0.02)
    told = " ".join(call("swap", "ammonium sulfate=1 lb", *WORDS, "--without", "sulfate").out.split())
    assert "nitrogen as urea instead of ammonium; without its sulfur" in told


def test_one_strength_of_a_solution_is_enough(catalog: Catalog) -> None:
    """UAN-28, 30 and 32 are one solution in more or less water."""
    found = swap(pour("technical MAP=1 lb", water="brook-well"), catalog)
    assert sum(one.id.startswith("uan-") for offer in found.offered for one in offer.products) == 1


def test_too_little_to_measure(call: Callable[..., Any]) -> None:
    told = call("swap", "technical MAP=0.5 g", "--bucket", "500 mL", "--water", "ridge-well", "--inject", "1:100").out
    assert " ".join(told.split()).startswith("No swap: it is too little nitrogen to measure out another source of it.")


def test_phosphorus_that_is_not_left_out_is_kept(catalog: Catalog) -> None:
    """In soft water, where phosphate may go through."""
    found = swap(pour("alder-bloom-9-45-15=4 oz", water="brook-well"), catalog, without=["urea"], replaces=["all"])
    assert found.keeps == ("n", "p2o5", "k2o")
    assert found.offered
    assert abs(found.offered[0].off_percent["p2o5"]) <= 3.0


def test_regulated_goods_come_last(catalog: Catalog) -> None:
    """Solid ammonium nitrate, with its note, though it is the lightest bag without urea."""
    salts = ["urea", "calcium", "sulfate", "chloride", "sodium", "magnesium", "potassium"]
    found = swap(pour("urea=1 lb", water="brook-well"), catalog, without=salts)
    ids = [[one.id for one in offer.products] for offer in found.offered]
    assert ids[0] == ["ammonium-nitrate-solution"]
    assert ids[-1] == ["ammonium-nitrate"]
    assert "regulated" in found.offered[-1].products[0].regulated


@pytest.mark.parametrize(
    ("items", "options", "expected"),
    [
        (["urea=1 lb"], {}, "No swap: nothing in the pour holds phosphorus."),
        (["technical MAP=1 lb", "gypsum=2 lb"], {}, "No swap helps: what stays in the pour is trouble by itself ("),
        (["zinc sulfate=1 lb"], {"without": ["zinc", "sulfate"]}, "No swap: without zinc and sulfate, nothing is left"),
        # Sources of phosphorus are no sources of calcium, and phosphoric acid is none of anything else.
        (["triple superphosphate=1 lb"], {}, "No swap: without phosphorus, nothing is left of triple superphosphate "),
        (["rock phosphate=1 lb"], {}, "No swap: without phosphorus, nothing is left of rock phosphate "),
        (["phosphoric acid 75%=1 pint"], {}, "No swap: without phosphorus, nothing is left of phosphoric acid 75 % "),
        # Every source of phosphate stops in this water.
        (["MKP=2 lb"], {"without": ["chloride"], "replaces": ["all"]}, "No swap passes; "),
    ],
)
def test_what_stands_in_the_way_is_said(
    catalog: Catalog, call: Callable[..., Any], items: list[str], options: dict[str, Any], expected: str
) -> None:
    found = swap(pour(*items), catalog, **options)
    assert found.offered == ()
    words = [f"--without={word}" for word in options.get("without", ())]
    words += [f"--replace={word}" for word in options.get("replaces", ())]
    told = call("swap", *items, *WORDS, *words)
    assert told.code == 0
    assert " ".join(told.out.split()).startswith(expected)


@pytest.mark.parametrize(
    ("options", "expected"),
    [
        ({"without": ["sunshine"]}, 'without: "sunshine" is nothing that products are known to be free of; '),
        ({"without": []}, "without: nothing is to be left out; name "),
        ({"replaces": ["gypsum"]}, 'replaces: "gypsum" is not in the pour; it holds urea'),
    ],
)
def test_what_makes_no_sense(catalog: Catalog, options: dict[str, Any], expected: str) -> None:
    with pytest.raises(InputError) as error:
        swap(pour("urea=1 lb"), catalog, **options)
    assert str(error.value).startswith(expected)


def test_prices_of_a_list_decide_between_equals(tmp_path: Path) -> None:
    """Two invented products of one analysis: the cheaper one is first, with its cost."""
    place = str(tmp_path / "catalog.sqlite3")
    with Catalog.open(place, new=True) as catalog:
        urea = catalog.product("urea").model_dump(exclude={"id", "name", "aliases"})
        catalog.save(RegionRecord(id="nearvane", name="Nearvane (invented)"))
        for name, price in (("Prill One", "30 / 50 lb"), ("Prill Two", "20 / 50 lb")):
            product = type(catalog.product("urea")).model_validate(
                {**urea, "id": name.lower().replace(" ", "-"), "name": f"{name} (invented)"}
            )
            catalog.save(product)
            catalog.save(Listing(region="nearvane", product=product.id, sold_here=True, price=price))
        found = swap(pour("technical MAP=1 lb", region="nearvane"), catalog)
    assert [next(iter(one.products)).id for one in found.offered[:2]] == ["prill-two", "prill-one"]
    # 1.95 oz N of 1 lb are 4.18 oz of urea: 4.2 / 16 / 50 of 20.
    assert found.offered[0].cost == pytest.approx(4.2 / OZ_PER_LB / 50 * 20, abs=0.01)


@pytest.mark.parametrize("price", ["20", "20 / bag", "dear / 50 lb", "-1 / 50 lb", "nan / 50 lb"])
def test_what_is_no_price(price: str) -> None:
    with pytest.raises(ValueError, match=r"is not a number for an amount; write 24\.50 / 50 lb"):
        Listing(region="nearvane", product="urea", price=price)


# --- the choice against all blends ----------------------------------------------------------------


@pytest.mark.parametrize("seed", range(6))
def test_no_blend_is_better(seed: int) -> None:
    """What the program chooses, against a linear program of scipy over each set of up to three of nine products."""
    rng = np.random.default_rng([11, seed])
    count, kept = 9, int(rng.integers(1, 3))
    candidates = [
        module._Candidate(
            product=None,  # type: ignore[arg-type]
            percent=tuple(float(x) for x in rng.choice([0.0, *rng.uniform(6.0, 46.0, 3)], size=kept) + 1e-9),
            made_of=None,  # type: ignore[arg-type]
            particles=float(rng.uniform(5.0, 25.0)),
            sold=bool(rng.random() < 0.5),
            regulated="yes" if rng.random() < 0.2 else "",
            cost_per_kg=float(rng.uniform(0.2, 2.0)),
        )
        for _ in range(count)
    ]
    candidates = [one for one in candidates if max(one.percent) > 5.0]
    need = rng.uniform(0.05, 0.5, kept)
    chooser = module._Chooser(candidates, need)
    best = chooser.best()
    found = [cost for size in (1, 2, 3) for cost in cheapest(chooser, candidates, need, size)]
    if best is None:
        assert found == []
        return
    there = best > 0.0
    own = min(cheapest(chooser, candidates, need, int(there.sum()), tuple(np.flatnonzero(there).tolist())))
    assert own == pytest.approx(min(found), rel=1e-6, abs=1e-6)


def cheapest(
    chooser: Any, candidates: list[Any], need: Any, size: int, only: tuple[int, ...] | None = None
) -> list[float]:
    """The least cost of each set of so many products that fits, by steps of the tolerance."""
    found = []
    tolerance = np.maximum(module.WITHIN_SHARE * need, module.LITTLE * need.sum())
    for chosen in combinations(range(len(candidates)), size) if only is None else [only]:
        table = np.array([candidates[j].percent for j in chosen]).T / 100.0 * chooser.most[list(chosen)]
        fixed = module._BAG * size
        fixed += module._NOT_SOLD * any(not candidates[j].sold for j in chosen)
        fixed += module._REGULATED * any(bool(candidates[j].regulated) for j in chosen)
        least = module.LEAST_SHARE * need.sum() / table.sum(axis=0)
        for step in range(1, module.STEPS + 1):
            off = tolerance[:, None]
            answer = linprog(
                np.append(chooser.cost[list(chosen)], module._OFF),
                np.vstack([np.hstack([table, -off]), np.hstack([-table, -off])]),
                np.concatenate([need, -need]),
                bounds=[*((float(low), 1.0) for low in least), (0.0, step / module.STEPS)],
            )
            if answer.status == 0:
                found.append(answer.fun + fixed + module._STEP * step)
    return found


def test_on_the_command_line(call: Callable[..., Any]) -> None:
    told = call("swap", "technical MAP=1 lb", *WORDS)
    assert told.out.startswith(
        "Instead of monoammonium phosphate, technical, without phosphorus, for the same\nnitrogen:"
    )
    assert "No blend of up to three products of the catalog fits better than the first." in told.out
    data = json.loads(call("swap", "technical MAP=1 lb", *WORDS, "--json").out)
    assert data["offered"][0]["products"][0]["amount"] == "4.2 oz"


def test_among_equals_the_dry_one_is_first(catalog: Catalog) -> None:
    """Potassium chloride and potassium acetate bring one other ion with each potassium: the same salt and bags."""
    _, chloride, acetate = swap(pour("MKP=1 lb"), catalog).offered
    assert [one.products[0].id for one in (chloride, acetate)] == ["potassium-chloride", "potassium-acetate"]
    assert chloride.salt == pytest.approx(acetate.salt, rel=0.01)

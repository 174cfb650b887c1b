"""Commands that look things up in the catalog: find, show, well check."""

from __future__ import annotations

import json
from datetime import date
from typing import TYPE_CHECKING, Annotated

import typer

from ...catalog import Catalog, InputError, UnknownName, WaterTest, slug
from ...catalog.text import escaped, quoted
from .options import AsJson, Database, New, Well, water_items
from .output import page, say

if TYPE_CHECKING:
    from ..policy.region import Region


def find(
    query: Annotated[
        list[str] | None,
        typer.Argument(help='A name (typing errors allowed), a grade "10-0-10", a nutrient, "no phosphorus".'),
    ] = None,
    without: Annotated[
        list[str] | None, typer.Option("--without", help="A nutrient or ion to leave out; may be repeated.")
    ] = None,
    made_of: Annotated[str, typer.Option("--made-of", help="A material that the label names.")] = "",
    on_list: Annotated[str, typer.Option("--on-list", help="Only what is on the list of this region.")] = "",
    state: Annotated[str, typer.Option("--state", help="Only what stands on a list as draft, reviewed, ...")] = "",
    sold_here: Annotated[bool, typer.Option("--sold-here", help="Only what a list marks as sold there.")] = False,
    limit: Annotated[int, typer.Option("--limit", min=1, max=500, help="How many at most.")] = 10,
    as_json: AsJson = False,
    db: Database = None,
    new: New = False,
) -> None:
    """Find products by name, grade or nutrient, or without one; what is not for drip comes last."""
    words = " ".join(query or ())
    if not (query or without or made_of or on_list or state or sold_here):
        raise InputError("names nothing to find", mend='write a name, a grade or a nutrient, or "no phosphorus"')
    with Catalog.open(db, new=new) as catalog:
        matches = catalog.find(
            words, limit, without or (), made_of=made_of, region=slug(on_list), state=state, sold_here=sold_here
        )
    if as_json:
        from ..serve.rows import FoundProduct

        rows = [FoundProduct.of(one).model_dump(mode="json") for one in matches]
        say(json.dumps(rows, indent=2))
    elif matches:
        from ..present.terminal import print_matches

        page(lambda out: print_matches(matches, out))
    if not matches:
        if not as_json:
            besides = [f"without {one}" for one in without or ()] + [f"made of {made_of}"] * bool(made_of)
            besides += [f"on the list of {on_list}"] * bool(on_list) + [state] * bool(state)
            besides += ["sold there"] * sold_here
            asked = " ".join([*words.split(), *besides])
            say(f"Nothing in the catalog is like {quoted(asked, 44)}.")
        raise typer.Exit(1)


def show(
    name: Annotated[list[str], typer.Argument(help="Name, id or alias of a product, or a well.")],
    as_json: AsJson = False,
    db: Database = None,
    new: New = False,
) -> None:
    """Show a product or a well with every number and its source."""
    words = " ".join(name)
    from ..present.terminal import print_product

    with Catalog.open(db, new=new) as catalog:
        try:
            product = catalog.product(words)
        except UnknownName as unknown:
            try:
                water = catalog.water(words)
            except UnknownName:
                raise unknown from None
            if as_json:
                say(escaped(water.model_dump_json(indent=2, exclude_none=True)))
            else:
                show_water(water, None, as_json)
            return
        if as_json:
            say(escaped(product.model_dump_json(indent=2)))
        else:
            page(lambda out: print_product(product, catalog, out))


def show_water(water: WaterTest, region: Region | None, as_json: bool) -> None:
    """Print a water test and what it is by itself."""
    from ..answer.water import oddities, water_state
    from ..policy import default_unknowns
    from ..present.terminal import print_water

    usual = default_unknowns() if region is None else region.unknowns()
    state, odd = water_state(water, usual), oddities(water, usual)
    if as_json:
        test = water.model_dump(exclude_none=True)
        say(json.dumps({"test": test, "by_itself": state.model_dump(), "odd": odd}, indent=2))
    else:
        page(lambda out: print_water(water, state, odd, out))


def well_check(
    water: Well,
    region: Annotated[
        str | None, typer.Option("--region", help="Whose ranges to take for what was not tested.")
    ] = None,
    as_json: AsJson = False,
    db: Database = None,
    new: New = False,
) -> None:
    """Clogging class, hardness and charge balance of a water, and units that were perhaps misread."""
    from ...catalog.store.parse import parse
    from ..ask.pour import WaterInPour
    from ..ask.question import water_of
    from ..policy.region import region_of

    given = parse(WaterInPour, water_items(water), "water")
    with Catalog.open(db, new=new) as catalog:
        found = water_of(given, catalog, date.today())
        policy = region_of(region, catalog)
    assert found is not None
    show_water(found, policy, as_json)

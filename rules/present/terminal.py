"""The catalog and the rules as plain text for a terminal of 80 columns."""

from __future__ import annotations

import textwrap
from collections.abc import Mapping, Sequence

from rich.console import Console
from rich.text import Text

from ...catalog import Catalog, Match, Product, WaterTest
from ...catalog.drip import no_fertilizer, not_for_drip
from ...catalog.label.composition import composition, sources_on_label
from ...catalog.nutrients import NUTRIENTS
from ...catalog.product import NUMBERS
from ...catalog.species import SPECIES
from ...catalog.water.analysis import CONCENTRATION_ITEMS, OTHER_ITEMS
from ..answer.verdict import WaterState
from ..judge.rule import Rule
from .page import Page
from .words import source_words

#: What is said of a source that was not read in print.
_SEEN = {"no": " (not checked against print)", "partly": " (read in part)"}


def print_matches(matches: Sequence[Match], out: Console) -> None:
    """What `find` found, best first, with what is to be said of each below it."""
    page = Page(out)
    name_width = min(34, out.width - 36)
    for match in matches:
        product, room = match.product, out.width - name_width - 18
        page.out.print(
            Text.assemble(
                (f"{textwrap.shorten(product.name, name_width - 1, placeholder='..'):<{name_width}}", "bold"),
                f"{product.grade or '-':<11}{product.form:<7}",
                match.why if len(match.why) <= room else f"{match.why[: room - 2]}..",
            )
        )
        if told := "; ".join(filter(None, [drip_words(match.not_for_drip, match.no_fertilizer), *match.not_known])):
            page.line(told, 4)


def drip_words(reason: str, no_feed: str) -> str:
    """That a product is not for drip, or no fertilizer; "" where it is both."""
    told = [f"not for drip ({reason})" if reason else "", f"no fertilizer ({no_feed})" if no_feed else ""]
    return ", ".join(filter(None, told))


def print_product(product: Product, catalog: Catalog, out: Console) -> None:
    """A product with every number and its source."""
    page = Page(out)
    out.print(Text(product.name, style="bold"))
    kind = "invented demo product" if product.invented else product.kind
    page.line(f"{product.id}: {kind}, {product.form}, dissolving: {product.dissolving.replace('-', ' ')}")
    if product.aliases:
        page.line(f"also: {', '.join(product.aliases)}", 0, 2)
    if product.hazards:
        page.line(f"hazards: {', '.join(product.hazards)}")
    told = drip_words(not_for_drip(product, sources_on_label(product, catalog.product)), no_fertilizer(product))
    if told:
        page.line(told)
    if product.notes:
        page.line(product.notes)
    used: dict[str, int] = {}

    def mark(source: str) -> str:
        return f"[{used.setdefault(source, len(used) + 1)}]"

    page.head("Analysis, percent by mass")
    if product.grade:
        page.line(f"grade N-P2O5-K2O  {product.grade}", 2)
    for key, number in product.guaranteed.items():
        page.line(f"{NUTRIENTS[key].label:<28}{number.value:g} {mark(number.source)}", 2, 2)
    for key, number in product.at_most.items():
        page.line(f"{NUTRIENTS[key].label:<28}at most {number.value:g} {mark(number.source)}", 2, 2)
    if product.chelating_agent:
        page.line(f"{'chelating agent':<28}{product.chelating_agent}", 2, 2)
    for part in product.content:
        share = part.mass_fraction
        page.line(f"{part.formula}: {100 * share.value:.4g} % of the mass {mark(share.source)} {share.note}", 2, 4)
    if product.content:
        page.line(
            "from the formula: "
            + ", ".join(
                f"{NUTRIENTS[key].label} {value:.4g}"
                for key in NUTRIENTS
                if (value := product.percent(key) or 0) > 0.005
            ),
            2,
            4,
        )
    if product.derived_from:
        page.line(f"derived from: {', '.join(product.derived_from)}", 2, 4)
    known = composition(product, catalog.product, catalog.materials())
    for gap in (*known.gaps, *known.faults):
        page.line(f"not known: {gap}", 2, 4)
    if known.mixtures:
        page.head("Dissolves to, mol per kg product")
        for name, (low, best, high) in known.bounds_mol_per_kg.items():
            if max(abs(low), abs(high)) < 1e-9:
                continue
            span = "" if high - low < 0.005 * max(abs(high), abs(low)) else f"   {low:.4g} to {high:.4g}"
            page.line(f"{SPECIES[name].spoken:<34}{best:.4g}{span}", 2)
    if known.mixtures and product.derived_from:
        made = ", ".join(f"{100 * s:.3g} % {m}" for m, s in known.mixtures[0].sources.items())
        page.line(f"made of, at best: {made}", 2, 4)
    if product.density:
        d = product.density
        at = "" if d.temperature_c is None else f" at {d.temperature_c:.0f} degC"
        page.head("Density")
        page.line(f"{d.kg_per_l:.3f} kg/L ({d.kg_per_l * 8.345404:.2f} lb/gal){at} {mark(d.source)}", 2)
    if product.solubility:
        page.head("Solubility, g per 100 g water")
        for point in product.solubility:
            page.line(
                f"{point.temperature_c:>3.0f} degC  {point.g_per_100_g_water:g}  as {point.formula} "
                f"{mark(point.source)}",
                2,
            )
    if product.numbers:
        page.head("Other numbers")
        for key, number in product.numbers.items():
            note = f" ({number.note})" if number.note else ""
            page.line(f"{key.replace('_', ' ')} {number.value:g} {NUMBERS[key]} {mark(number.source)}{note}", 2, 4)
    sources = catalog.sources()
    if used:
        page.head("Sources")
        for key, number_of in used.items():
            source = sources.get(key)
            text = f"{source.citation}{_SEEN.get(source.seen, '')}" if source else key
            page.line(f"[{number_of}] {text}", 2, 4)


def print_water(water: WaterTest, state: WaterState, slips: Sequence[str], out: Console) -> None:
    """A water test, what it is by itself, and what is odd about it."""
    page = Page(out)
    out.print(Text(water.name or water.id or "water test", style="bold"))
    about = "invented demo well" if water.invented else "well" if water.id else ""
    page.line(". ".join(filter(None, [": ".join(filter(None, [water.id, about])), water.notes])))
    page.line(f"{'':<20}{'as tested':<26}emitter-clogging class")
    rows: Mapping[str, object] = {
        "ph": water.ph,
        **{item: getattr(water, item) for item in (*CONCENTRATION_ITEMS, *OTHER_ITEMS)},
        "tested_on": water.tested_on,
        "softened": water.softened,
    }
    for key, value in rows.items():
        if value is not None:
            shown = {"ph": "pH", "ec": "EC"}.get(key, key.replace("_", " "))
            page.line(f"{shown:<20}{value!s:<26}{state.clogging.get(key, '')}".rstrip(), 0, 20)
    page.head("By itself")
    if state.worst is None:
        page.line("no item with a clogging class was tested", 2)
    else:
        page.line(f"{'clogging':<24}{state.worst} (worst of the items above)", 2)
    if state.hardness is not None:
        page.line(f"{'hardness':<24}{state.hardness_mg_per_l_caco3:.0f} mg/L CaCO3, {state.hardness}", 2)
    if state.above_2_5_meq_per_l:
        names = ", ".join(state.above_2_5_meq_per_l)
        page.line(f"{'above 2.5 meq/L':<24}{names}: can make solids with some fertilizers", 2, 24)
    if state.charge_off_percent is not None:
        page.line(f"{'cations over anions':<24}{state.charge_off_percent:+.1f} %", 2)
    for slip in slips:
        page.line(f"! {slip}", 2, 2)


def print_rules(rules: Sequence[Rule], out: Console) -> None:
    """All rules, one line each, by family."""
    page = Page(out)
    family = ""
    for rule in rules:
        if rule.family != family:
            family = rule.family
            page.head(family)
        page.line(f"{rule.name:<34}{rule.asks}", 2, 34)


def print_rule(rule: Rule, out: Console) -> None:
    """One rule in full."""
    page = Page(out)
    out.print(Text(rule.name, style="bold"))
    page.line(f"family: {rule.family}; can say: {', '.join(level.name.lower() for level in rule.levels)}")
    page.line(rule.asks)
    for head, text in (("In plain words", rule.plain), ("Chemistry", rule.chemistry), ("Cure", rule.cure)):
        page.head(head)
        page.line(text, 2)
    page.head("Sources")
    for source in rule.sources:
        page.line(f"- {source_words(source)}", 2, 2)

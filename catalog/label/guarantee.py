"""What a guaranteed analysis says, and does not: every nutrient as a range, and labels that contradict themselves."""

from __future__ import annotations

from collections.abc import Mapping
from decimal import Decimal

import numpy as np

from ..data import table
from ..nutrients import NUTRIENTS
from ..product import Product
from ..species import molar_mass_g_per_mol

#: Forms of nitrogen that a label may split the total into.
NITROGEN_FORMS = ("n_nitrate", "n_ammonium", "n_urea")
PRIMARY = ("n", "p2o5", "k2o")
#: Nutrients that may be in a product without being claimed: what comes with the nitrogen, phosphate and potash.
COMES_ALONG = ("ca", "mg", "s", "cl", "na")
#: A zero in the grade claims none; what impurities bring is this much at most [percent] (design choice).
TRACE_PERCENT = 0.05
#: A form of nitrogen may be there by this much beyond what the label splits out [percent] (design choice: the least
#: investigational allowance of nitrogen).
_FORM_SLACK_PERCENT = 0.49

Range = tuple[float, float]


def label_percents(product: Product) -> dict[str, float]:
    """Every nutrient that the label states, percent: the grade, then the guarantees."""
    stated: dict[str, float] = {}
    if product.grade_percent is not None:
        stated.update(zip(PRIMARY, product.grade_percent, strict=True))
    stated.update({key: number.value for key, number in product.guaranteed.items()})
    return stated


def _last_place(percent: float) -> float:
    """One unit of the last place that a percentage is written with: 20 -> 1, 0.05 -> 0.01."""
    exponent = Decimal(repr(percent)).normalize().as_tuple().exponent
    return 1.0 if not isinstance(exponent, int) or exponent >= 0 else float(10.0**exponent)


def investigational_allowance(nutrient: str, percent: float) -> float:
    """How far below its guarantee a sample may be found [percent]; source: data/allowances.toml."""
    allowances = table("allowances")
    column = "n" if nutrient in NITROGEN_FORMS else nutrient
    if column in PRIMARY:
        primary = allowances["primary"]
        return float(np.interp(percent, primary["guarantee"], primary[column]))
    row = allowances["other"][column]
    return float(min(1.0, row["unit"] + row["share"] * percent))


def guaranteed_range(nutrient: str, percent: float) -> Range:
    """What may be in the bottle of a nutrient that is guaranteed at `percent`: lowest and highest percent."""
    primary = nutrient in PRIMARY or nutrient in NITROGEN_FORMS
    row = table("allowances")["primary"] if primary else table("allowances")["other"][nutrient]
    most = (percent + _last_place(percent)) * (1.0 + row["overrun_share"])
    if nutrient in NITROGEN_FORMS:
        # Forms are rounded and declared each by itself.
        most = max(most, percent + _FORM_SLACK_PERCENT)
    return max(0.0, percent - investigational_allowance(nutrient, percent)), most


def ranges(product: Product) -> dict[str, Range]:
    """Lowest and highest percent of each nutrient that the label fixes, as a guarantee, a declared maximum, or by
    not claiming it. A nutrient that is left out may be there in any amount.

    A zero claims none: TRACE_PERCENT at most where the label does not say what it is made of, and what rounds down to
    zero where it names sources, which may hold it.
    """
    stated = label_percents(product)
    found = {key: guaranteed_range(key, value) for key, value in stated.items()}
    if not product.derived_from:
        found.update({key: (0.0, TRACE_PERCENT) for key, value in stated.items() if value == 0.0})
    if stated:
        # What stands in no grade and no guarantee is not claimed; forms of nitrogen claim nitrogen.
        claimed = {*stated, *(["n"] if any(stated.get(key) for key in NITROGEN_FORMS) else [])}
        found.update({key: (0.0, TRACE_PERCENT) for key in PRIMARY if key not in claimed})
    forms = [key for key in NITROGEN_FORMS if stated.get(key)]
    if forms:
        total = found.get("n", (0.0, sum(guaranteed_range(key, stated[key])[1] for key in forms)))
        left = stated["n"] - sum(stated[key] for key in forms) if "n" in stated else 0.0
        allowed = investigational_allowance("n", stated["n"]) if "n" in stated else 0.0
        rest = (0.0, total[1] if left > allowed else _FORM_SLACK_PERCENT)
        found.update({key: rest for key in NITROGEN_FORMS if key not in stated})
        found.setdefault("n", total)
    for key, row in table("allowances")["other"].items():
        if key not in found and key not in COMES_ALONG:
            found[key] = (0.0, float(row["claim"]))
    for key, most in product.at_most.items():
        low, high = found.get(key, (0.0, 100.0))
        found[key] = (min(low, most.value), min(high, most.value))
    return found


#: Element written where the label's basis is the oxide, or the other way: nutrient -> (element, oxide, its name).
_OXIDES = {
    "p2o5": ("P", "P2O5", 2.0),
    "k2o": ("K", "K2O", 2.0),
    "ca": ("Ca", "CaO", 1.0),
    "mg": ("Mg", "MgO", 1.0),
    "s": ("S", "SO3", 1.0),
}


def other_basis(nutrient: str, percent: float) -> tuple[float, str, str] | None:
    """What a percentage would be on the label's basis if it was written on the other one: the number, how it is
    written, and how it should be; None for a nutrient that has one basis."""
    if nutrient not in _OXIDES:
        return None
    element, oxide, atoms = _OXIDES[nutrient]
    share = atoms * molar_mass_g_per_mol(element) / molar_mass_g_per_mol(oxide)
    if NUTRIENTS[nutrient].basis == oxide:
        return percent / share, element, oxide
    return percent * share, oxide, element


def contradictions(product: Product) -> list[str]:
    """What a label says against itself, each with what to look at; empty when it does not."""
    stated, found = label_percents(product), []
    grade = dict(zip(PRIMARY, product.grade_percent, strict=True)) if product.grade_percent else {}
    for key, of_grade in grade.items():
        guaranteed = product.guaranteed.get(key)
        if guaranteed is None:
            continue
        off = guaranteed.value - of_grade
        if not -investigational_allowance(key, of_grade) <= off <= 1.0:
            name, basis = NUTRIENTS[key].label, other_basis(key, guaranteed.value)
            words = f"its grade says {of_grade:g} % {name} and its guarantee {guaranteed.value:g} %"
            if basis is not None and abs(basis[0] - of_grade) <= 0.03 * of_grade + 0.1:
                words += f" ({guaranteed.value:g} % is {of_grade:g} % {basis[2]} written as {basis[1]})"
            found.append(words)
    forms = {key: stated[key] for key in NITROGEN_FORMS if key in stated}
    if forms and "n" in stated:
        total, parts = stated["n"], sum(forms.values())
        allowed = investigational_allowance("n", total)
        words = " + ".join(f"{value:g} % {NUTRIENTS[key].label.lower()}" for key, value in forms.items())
        if parts > total + max(allowed, 1.0):
            found.append(f"{words} make {parts:g} %, more than its total nitrogen of {total:g} %")
        elif len(forms) == len(NITROGEN_FORMS) and parts < total - max(allowed, 1.0):
            found.append(f"{words} make {parts:g} %, less than its total nitrogen of {total:g} %")
    if (total := _mass_percent(stated)) > 100.0:
        found.append(f"what it guarantees weighs {total:.0f} % of it")
    return found


def _mass_percent(stated: Mapping[str, float]) -> float:
    """Least mass that the stated nutrients have [percent]: all as elements, which leaves out what they are bound to."""
    forms = sum(stated.get(key, 0.0) for key in NITROGEN_FORMS)
    rest = 0.0
    for key, value in stated.items():
        if key not in (*NITROGEN_FORMS, "n"):
            element, oxide, atoms = _OXIDES[key] if key in {"p2o5", "k2o"} else ("", "", 0.0)
            share = atoms * molar_mass_g_per_mol(element) / molar_mass_g_per_mol(oxide) if element else 1.0
            rest += share * value
    return max(stated.get("n", 0.0), forms) + rest

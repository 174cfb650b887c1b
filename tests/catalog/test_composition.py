"""From the label to what dissolves: exact formulas, solved derived-from lists, bounds that hold, gaps and faults.

The outside truth of a mixture is what was put into it: labels are made from known mixtures as makers make them, and
the answer must hold what was put in.
"""

from __future__ import annotations

import tomllib
from collections.abc import Iterable
from dataclasses import dataclass
from importlib import resources
from itertools import combinations
from math import floor
from typing import Any

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from scipy.optimize import linprog

from pourcheck import Catalog, UnknownName
from pourcheck.catalog import Product, Sourced
from pourcheck.catalog.label.composition import Composition, composition, sources_on_label
from pourcheck.catalog.label.directions import DIRECTIONS
from pourcheck.catalog.label.guarantee import TRACE_PERCENT
from pourcheck.catalog.nutrients import NUTRIENTS, percent_from_species
from pourcheck.catalog.species import SPECIES, species_molar_mass_g_per_mol
from pourcheck.catalog.store import seeds

Floats = NDArray[np.float64]
MATERIALS = {product.id: product for product in seeds.seed_products() if product.content}
SOLUBLE = sorted(id for id, product in MATERIALS.items() if product.dissolving == "complete")
#: What products are made of here: bleach is no fertilizer.
MADE_OF = [id for id in SOLUBLE if "hypochlorite" not in MATERIALS[id].hazards]
SHELF = tuple(MATERIALS[id] for id in SOLUBLE)


def resolve(name: str) -> Product:
    """Materials by id only."""
    if name not in MATERIALS:
        raise UnknownName("product", name, ["urea"])
    return MATERIALS[name]


def label(
    *derived_from: str,
    grade: str = "",
    form: str = "liquid",
    facts: dict[str, Any] | None = None,
    **percent: float,
) -> Product:
    """A product of which only the label is known. facts: further fields, numbers as they are."""
    more = dict(facts or {})
    for table in ("at_most", "numbers"):
        if table in more:
            more[table] = {k: Sourced(value=v, source="label") for k, v in more[table].items()}
    if "density" in more:
        more["density"] = {"kg_per_l": more["density"], "source": "label"}
    return Product.model_validate(
        {
            "id": "bottle",
            "name": "bottle",
            "form": form,
            "grade": grade,
            "derived_from": derived_from,
            "guaranteed": {k: Sourced(value=v, source="label") for k, v in percent.items()},
            **more,
        }
    )


def mass_kg_per_kg(species_mol_per_kg: dict[str, float]) -> float:
    """Mass of the species, protons that are taken up counted negative."""
    grams = sum(species_molar_mass_g_per_mol(s) * n for s, n in species_mol_per_kg.items())
    return grams / 1000


def only(known: Composition) -> dict[str, float]:
    """Species of a composition that has one mixture and no gap."""
    assert known.exact
    assert known.gaps == ()
    return known.mixtures[0].species_mol_per_kg


# --- known formulas -------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("expected", "material"),
    # 1000 g over the molar mass of IUPAC weights, times the ions of the formula; computed.
    [
        ({"K+": 1000 / 101.10, "NO3-": 1000 / 101.10}, "potassium-nitrate"),
        ({"urea": 1000 / 60.056}, "urea"),
        ({"NH4+": 2000 / 132.14, "SO4-2": 1000 / 132.14}, "ammonium-sulfate"),
        (
            {"Mg+2": 1000 / 246.47, "SO4-2": 1000 / 246.47, "H2O": 7000 / 246.47},
            "magnesium-sulfate",
        ),
        (
            {"K+": 1000 / 136.09, "PO4-3": 1000 / 136.09, "H+": 2000 / 136.09},
            "monopotassium-phosphate",
        ),
        ({"H+": 3 * 750 / 97.994, "PO4-3": 750 / 97.994}, "phosphoric-acid-75"),
        ({"NH4+": 1000 / 17.031 * 0.2432, "H+": -1000 / 17.031 * 0.2432}, "aqua-ammonia"),
    ],
)
def test_materials_are_exact(expected: dict[str, float], material: str) -> None:
    """A material of known formula is one mixture without a gap, in mol per kg."""
    got = only(composition(MATERIALS[material], resolve))
    assert expected == pytest.approx(got, rel=3e-4)


@pytest.mark.parametrize("material", SOLUBLE)
def test_a_material_is_its_own_source(material: str) -> None:
    """A material's species weigh no more than it does."""
    known = composition(MATERIALS[material], resolve)
    assert known.mixtures[0].sources == {material: 1.0}
    assert mass_kg_per_kg(only(known)) <= 1.0005


# --- labels that say enough -----------------------------------------------------------------------


@pytest.mark.parametrize(
    ("expected", "product"),
    [
        # By hand: 20 % K2O / 46.58 % in KNO3; 20 % P2O5 / 61.70 % in NH4H2PO4; the nitrogen left
        # over from urea of 46.65 %. IUPAC weights; computed.
        (
            {"urea": 0.2166, "monoammonium-phosphate": 0.3241, "potassium-nitrate": 0.4294},
            "alder-twenty-20-20-20",
        ),
        # 10 % K2O / 63.18 % in KCl; 10 % N / 46.65 % in urea.
        ({"urea": 0.2144, "potassium-chloride": 0.1583}, "alder-clear-10-0-10"),
        # 18 % P2O5 / 54.31 % in the acid of 75 %; 6 % N / 46.65 %; 3 % K2O / 63.18 %.
        (
            {"phosphoric-acid-75": 0.3314, "urea": 0.1286, "potassium-chloride": 0.0475},
            "alder-low-6-18-3",
        ),
    ],
)
def test_seed_products_are_solved(
    catalog: Catalog,
    expected: dict[str, float],
    product: str,
) -> None:
    """Shares of the sources are those of a hand calculation, within 1 percent."""
    known = composition(catalog.product(product), catalog.product)
    assert known.exact
    assert expected == pytest.approx(known.mixtures[0].sources, rel=0.01)


def test_the_order_of_the_sources_does_not_matter() -> None:
    """The same sources in another order are the same mixture."""
    names = ("urea", "monoammonium-phosphate", "potassium-nitrate")
    forwards = only(composition(label(*names, grade="20-20-20"), resolve))
    backwards = only(composition(label(*names[::-1], grade="20-20-20"), resolve))
    assert forwards == pytest.approx(backwards, rel=1e-6)


def test_guarantees_are_enough() -> None:
    """A label without a grade is solved from its guaranteed nutrients."""
    expected = {"H3BO3": 10 / 10.81}  # IUPAC; computed
    got = only(composition(label("boric-acid", b=1.0), resolve))
    assert expected == pytest.approx(got, rel=1e-3)


# --- labels that leave a choice -------------------------------------------------------------------


def spread(known: Composition, species: str) -> tuple[float, float, float]:
    """Lowest, best estimate and highest of a species [mol/kg]."""
    return known.bounds_mol_per_kg.get(species, (0.0, 0.0, 0.0))


def test_three_sources_and_two_numbers() -> None:
    """20-0-20 from urea, potassium chloride and potassium nitrate: from no chloride to no nitrate, all between.

    By hand, at the very numbers of the label: all potassium from KCl (0.3166 of it, urea 0.4288), or all from KNO3
    (0.4294 of it, urea 0.3012). IUPAC weights; computed. What the label leaves open besides lies around these.
    """
    chloride, nitrate = 0.3166 * 1000 / 74.55, 0.4294 * 1000 / 101.10
    product = label("urea", "potassium-chloride", "potassium-nitrate", grade="20-0-20")
    known = composition(product, resolve)
    assert known.gaps == known.faults == ()
    assert not known.exact
    assert spread(known, "Cl-")[0] == pytest.approx(0.0, abs=1e-9)
    assert spread(known, "NO3-")[0] == pytest.approx(0.0, abs=1e-9)
    assert chloride <= spread(known, "Cl-")[2] <= 1.12 * chloride
    assert nitrate <= spread(known, "NO3-")[2] <= 1.12 * nitrate
    assert 0.88 * 0.3012 <= min(m.sources["urea"] for m in known.mixtures) <= 0.3012
    assert 0.4288 <= max(m.sources["urea"] for m in known.mixtures) <= 1.12 * 0.4288


def test_the_bag_holds_no_more_than_itself() -> None:
    """Where the sources would fill more than the bag, that ends the choice.

    One number, 30 % N, from urea (46.65 %) and ammonium sulfate (21.20 %): all urea, 0.643 of the bag, or a full bag
    of both: u + a = 1 and 46.65 u + 21.20 a = 30, so u = 0.346. Computed. With the lowest nitrogen that the label
    allows (0.86 percent less, from memory: AAPFCO, table of investigational allowances) u = 0.312.
    """
    known = composition(label("urea", "ammonium-sulfate", n=30.0), resolve)
    least, most = (f(m.sources["urea"] for m in known.mixtures) for f in (min, max))
    assert least == pytest.approx(0.312, abs=3e-3)
    assert 0.643 <= most <= 1.1 * 0.643
    assert all(sum(m.sources.values()) <= 1.003 for m in known.mixtures)


def test_the_best_estimate_comes_first_and_lies_within() -> None:
    """The first mixture makes the label's numbers where its sources fix them, and lies within the bounds."""
    known = composition(label("urea", "potassium-chloride", grade="10-0-10"), resolve)
    made = known.mixtures[0].species_mol_per_kg
    assert percent_from_species("n", made) == pytest.approx(10.0, rel=1e-3)
    assert percent_from_species("k2o", made) == pytest.approx(10.0, rel=1e-3)
    for low, best, high in known.bounds_mol_per_kg.values():
        assert low <= best <= high


# --- labels that do not add up, or do not say enough ----------------------------------------------


@pytest.mark.parametrize(
    ("says", "product"),
    [
        # By hand: what each source holds of each nutrient, IUPAC weights.
        ("no source on its label holds Total nitrogen (N), of which it guarantees 30 %",
         label("potassium-chloride", grade="30-0-0")),
        ("no source on its label holds Available phosphate (P2O5), of which it guarantees 30 %",
         label("urea", "potassium-chloride", grade="10-30-10")),
        ("no source on its label holds Iron (Fe), of which it guarantees 2 %", label("urea", n=10.0, fe=2.0)),
        # (60.6 - 1.02..0.88) / 46.65: 128 % with the allowance of 32 and more, 0.88 percent; from memory: AAPFCO
        ("128 % of the mass", label("urea", n=60.6)),
        ("no source on its label holds Calcium (Ca), of which it guarantees 8 %", label("urea", n=10.0, ca=8.0)),
    ],
    ids=lambda value: value if isinstance(value, str) else "",
)  # fmt: skip
def test_labels_that_do_not_add_up(says: str, product: Product) -> None:
    """A label that its sources cannot make has a fault that says which number, never silence."""
    known = composition(product, resolve)
    assert not known.exact
    assert says in "; ".join(known.faults)
    assert known.gaps == ()


@pytest.mark.parametrize(
    ("says", "product"),
    [
        ("53 % of its mass is not explained by its sources", label("urea", grade="20-0-0", form="dry")),
        ("states no analysis", label("urea")),
        ("names no sources", label(grade="10-0-10")),
        ('its source "unobtainium" is not in the catalog (urea?)', label("unobtainium", grade="10-0-10")),
    ],
    ids=lambda value: value if isinstance(value, str) else "",
)
def test_labels_that_do_not_say_enough(says: str, product: Product) -> None:
    """What is not known is a gap, not a fault. Urea of 46.65 % N: 21 % of it with rounding and 5 % more fill 0.4716
    of a bag of 20-0-0; computed."""
    known = composition(product, resolve)
    assert not known.exact
    assert says in "; ".join(known.gaps)
    assert known.faults == ()


def test_water_fills_a_liquid() -> None:
    """What the sources of a liquid do not explain is water, not a gap."""
    assert composition(label("urea", grade="5-0-0"), resolve).exact


def test_an_unknown_source_among_known_ones() -> None:
    """The known sources are still solved; the gap stays."""
    known = composition(label("urea", "unobtainium", grade="10-0-0"), resolve)
    assert known.gaps == ('its source "unobtainium" is not in the catalog (urea?)',)
    expected = {"urea": 10 / 46.65}
    assert expected == pytest.approx(known.mixtures[0].sources, rel=1e-3)
    assert not known.exact


def test_an_unknown_source_like_nothing() -> None:
    """A source that is like nothing in the catalog is named without a guess."""

    def nowhere(name: str) -> Product:
        raise UnknownName("product", name, [])

    known = composition(label("####", grade="1-0-0"), nowhere)
    assert known.gaps == ('its source "####" is not in the catalog',)


def test_sources_that_do_not_dissolve(catalog: Catalog) -> None:
    """Insoluble sources bring no ions; what is left of the label is a fault."""
    known = composition(label("dolomite", "urea", n=10.0, ca=8.0), catalog.product)
    assert not known.exact
    assert "no source on its label holds Calcium" in "; ".join(known.faults)
    none = composition(label("dolomite", ca=8.0), catalog.product)
    assert none.mixtures == ()
    assert none.gaps


def test_a_source_that_is_named_twice() -> None:
    """A source named twice on the label is one source."""
    assert composition(label("urea", "urea", grade="10-0-0"), resolve).exact


# --- any mixture ----------------------------------------------------------------------------------


@st.composite
def mixtures(draw: st.DrawFn, most: int) -> dict[str, float]:
    """Shares of some seed materials, together not more than the whole."""
    names = draw(st.lists(st.sampled_from(SOLUBLE), min_size=1, max_size=most, unique=True))
    parts = [draw(st.floats(min_value=0.05, max_value=1.0)) for _ in names]
    filled = draw(st.floats(min_value=0.3, max_value=1.0))
    return {n: filled * part / sum(parts) for n, part in zip(names, parts, strict=True)}


def species_of(shares: dict[str, float]) -> dict[str, float]:
    """What a mixture of materials dissolves to [mol/kg]."""
    total: dict[str, float] = {}
    for name, share in shares.items():
        for species, moles in MATERIALS[name].species_mol_per_kg().items():
            total[species] = total.get(species, 0.0) + share * moles
    return total


def analysis_of(shares: dict[str, float], keys: tuple[str, ...]) -> dict[str, float]:
    """The label that a mixture would carry, unrounded."""
    species = species_of(shares)
    return {key: percent_from_species(key, species) for key in keys}


def independent(names: list[str]) -> bool:
    """True when no other shares of the same materials give the same analysis."""
    table = np.array([[MATERIALS[n].percent(key) or 0.0 for n in names] for key in NUTRIENTS])
    return bool(np.linalg.cond(table) < 1e4)


def assert_sound(known: Composition) -> None:
    """Every mixture is electrically neutral and weighs no more than the product."""
    for mixture in known.mixtures:
        charge = sum(SPECIES[name].charge * moles for name, moles in mixture.species_mol_per_kg.items())
        assert charge == pytest.approx(0.0, abs=1e-7)
        assert mass_kg_per_kg(mixture.species_mol_per_kg) <= 1.003
        assert sum(mixture.sources.values()) <= 1.0021


@given(mixtures(5))
@settings(max_examples=80, deadline=None, derandomize=True)
def test_a_full_label_gives_the_mixture_back(shares: dict[str, float]) -> None:
    """From a full analysis the species come back within 1 percent where only one mixture fits."""
    assume(independent(list(shares)))
    stated: Any = analysis_of(shares, tuple(NUTRIENTS))
    product = label(*shares, **stated)
    expected = species_of(shares)
    known = composition(product, resolve)
    got = only(known)
    for species, moles in expected.items():
        assert moles == pytest.approx(got[species], rel=0.01, abs=1e-4), species
    assert_sound(known)


@given(
    st.lists(st.sampled_from(SOLUBLE), min_size=1, max_size=5, unique=True),
    st.tuples(*[st.floats(min_value=0, max_value=33)] * 3),
)
@settings(max_examples=60, deadline=None, derandomize=True)
def test_any_label_has_an_answer(names: list[str], grade: tuple[float, float, float]) -> None:
    """Any grade with any sources is solved, or has a gap or a fault; no more than the bag dissolves."""
    n, p, k = (round(value, 1) for value in grade)
    known = composition(label(*names, grade=f"{n}-{p}-{k}"), resolve)
    assert known.mixtures or known.gaps or known.faults
    for mixture in known.mixtures:
        assert all(np.isfinite(list(mixture.species_mol_per_kg.values())))
        assert all(share > 0 for share in mixture.sources.values())
    if not known.faults:
        assert_sound(known)


# --- a maker's label holds what was put in --------------------------------------------------------

PRIMARY = ("n", "p2o5", "k2o")
FORMS = ("n_nitrate", "n_ammonium", "n_urea")
MINOR = ("b", "cu", "fe", "mn", "mo", "zn")
#: Least percent that labels state (from memory: uniform state rules for plant nutrients besides N, P and K).
LEAST_STATED = {"ca": 1.0, "mg": 0.5, "s": 1.0, "cl": 0.1, "na": 0.1, "b": 0.02, "cu": 0.05, "fe": 0.1, "mn": 0.05,
                "mo": 0.0005, "zn": 0.05}  # fmt: skip
#: Makers fill up to this much more than they guarantee (common practice, no source).
MOST_OVERRUN = 0.04
#: A minor nutrient of which a label has this much is claimed, whatever else is left out (common practice, no source).
ALWAYS_CLAIMED_PERCENT = 1.9


@dataclass(frozen=True)
class Made:
    """A mixture and the label that its maker prints. shares: kg of each material per kg; stated: percent."""

    form: str
    shares: dict[str, float]
    grade: tuple[int, int, int]
    stated: dict[str, float]
    density_kg_per_l: float | None

    @property
    def true_percent(self) -> dict[str, float]:
        """What is really in it."""
        return analysis_of(self.shares, (*PRIMARY, *FORMS, *LEAST_STATED))

    def product(self, *, listed: bool) -> Product:
        """The product as its label has it, with its derived-from line or without."""
        facts = {} if self.density_kg_per_l is None else {"density": self.density_kg_per_l}
        stated: Any = self.stated
        grade = "-".join(map(str, self.grade)) if any(self.grade) else ""
        return label(*(self.shares if listed else ()), grade=grade, form=self.form, facts=facts, **stated)


def rounded_down(value: float, digits: int) -> float:
    """A guarantee: never more than the value."""
    return floor(value * 10.0**digits + 1e-9) / 10.0**digits


@st.composite
def made(draw: st.DrawFn, *, claims_minors: bool) -> Made:
    """Up to five materials, filled in as a maker does, and their label."""
    form = draw(st.sampled_from(["dry", "liquid"]))
    names = [id for id in MADE_OF if form == "liquid" or MATERIALS[id].form == "dry"]
    chosen = draw(st.lists(st.sampled_from(names), min_size=1, max_size=5, unique=True))
    parts = [draw(st.floats(0.02, 1.0)) for _ in chosen]
    filled = draw(st.floats(0.92, 1.0) if form == "dry" else st.floats(0.2, 1.0))
    shares = {name: filled * part / sum(parts) for name, part in zip(chosen, parts, strict=True)}
    true = analysis_of(shares, (*PRIMARY, *FORMS, *LEAST_STATED))
    kept = {key: percent * (1.0 - draw(st.floats(0.0, MOST_OVERRUN))) for key, percent in true.items() if percent}
    for key in FORMS:
        if true[key]:
            kept[key] = true[key] * kept["n"] / true["n"]
    digits = draw(st.sampled_from([1, 2]))
    stated = {}
    if draw(st.booleans()):
        stated = {key: rounded_down(kept[key], digits) for key in FORMS if key in kept}
    for key, least in LEAST_STATED.items():
        must = key in MINOR and (claims_minors or kept.get(key, 0.0) > ALWAYS_CLAIMED_PERCENT)
        if kept.get(key, 0.0) >= least and (must or draw(st.booleans())):
            stated[key] = rounded_down(kept[key], 4 if key == "mo" else 2 if least < 0.1 else digits)
    grade = tuple(int(rounded_down(kept.get(key, 0.0), 0)) for key in PRIMARY)
    density = None
    if form == "liquid" and draw(st.booleans()):
        liters = 1.0 - sum(shares.values())
        for name, share in shares.items():
            known = MATERIALS[name].density
            # What dissolved salts take up, roughly (common practice, no source).
            liters += share * (1.0 / known.kg_per_l if known else draw(st.floats(0.3, 0.7)))
        density = round(1.0 / liters, 2)
        assume(0.5 < density < 3.0)
    return Made(form, shares, (grade[0], grade[1], grade[2]), {k: v for k, v in stated.items() if v > 0}, density)


def outside(known: Composition, truth: dict[str, float]) -> dict[str, tuple[float, float, float]]:
    """Species of which the truth lies outside the bounds: lowest, truth, highest. Water is left out: only what the
    ions come with, and the bucket is filled up with it."""
    found = {}
    for name, moles in truth.items():
        low, _, high = spread(known, name)
        slack = 1e-6 * abs(moles) + 1e-7
        if name != "H2O" and not low - slack <= moles <= high + slack:
            found[name] = (low, moles, high)
    return found


@given(made(claims_minors=False))
@settings(max_examples=100, deadline=None, derandomize=True)
def test_a_label_with_its_sources_holds_what_was_put_in(case: Made) -> None:
    """The true amount of every species lies within the bounds, and the label is not said to contradict itself."""
    assume(any(case.grade) or case.stated)
    known = composition(case.product(listed=True), resolve)
    assert outside(known, species_of(case.shares)) == {}
    assert known.faults == ()
    assert known.gaps == ()
    assert_sound(known)


@given(made(claims_minors=True))
@settings(max_examples=60, deadline=None, derandomize=True)
def test_a_label_without_sources_holds_what_was_put_in(case: Made) -> None:
    """The same over all materials that could make the grade, where the minor nutrients are claimed."""
    assume(any(case.grade) or case.stated)
    true = case.true_percent
    # Without sources a zero in the grade is read as none: design choice, see label.ranges.
    assume(all(printed or true[key] <= TRACE_PERCENT for key, printed in zip(PRIMARY, case.grade, strict=True)))
    assume(all(key in case.stated for key in MINOR if true[key] > 1e-5))
    known = composition(case.product(listed=False), resolve, SHELF)
    assert outside(known, species_of(case.shares)) == {}
    assert known.faults == ()
    assert not known.listed
    assert known.gaps == ("its label names no sources (derived from)",)
    assert_sound(known)


def maker(form: str, grade: tuple[int, int, int], shares: dict[str, float], **stated: float) -> Made:
    """A mixture with its label, written out."""
    return Made(form, shares, grade, stated, None)


def test_a_nutrient_of_less_than_one_percent_is_zero_in_the_grade() -> None:
    """1.8 % monopotassium phosphate on the derived-from line: 0.94 % P2O5, which a grade rounds down to 0."""
    shares = {"potassium-nitrate": 0.66, "urea": 0.32, "monopotassium-phosphate": 0.018}
    case = maker("dry", (23, 0, 31), shares, n_nitrate=9.0, n_urea=14.7)
    known = composition(case.product(listed=True), resolve)
    assert outside(known, species_of(shares)) == {}


def test_the_overrun_is_on_what_was_rounded_down() -> None:
    """2.07 % N, 4 % more than the 1.99 % that are rounded down to a grade of 1."""
    shares = {"urea": 0.0207 / 0.4665, "potassium-chloride": 0.1}
    case = maker("liquid", (1, 0, 6), shares)
    assert 0.96 * case.true_percent["n"] < 2.0
    known = composition(case.product(listed=True), resolve)
    assert outside(known, species_of(shares)) == {}


def test_a_small_number_may_be_rounded_down_by_its_last_place() -> None:
    """0.19 % chlorine, written with one digit as 0.1 %; magnesium chloride hexahydrate is 34.9 % Cl."""
    shares = {"urea": 0.2, "magnesium-chloride": 0.00545}
    case = maker("liquid", (9, 0, 0), shares, cl=0.1)
    assert 0.18 < case.true_percent["cl"] < 0.195
    known = composition(case.product(listed=True), resolve)
    assert outside(known, species_of(shares)) == {}


def test_a_form_of_nitrogen_below_the_last_place_is_left_out() -> None:
    """Calcium nitrate brings a little ammonium, 0.07 % here, which a label of one digit leaves out."""
    shares = {"urea": 0.06, "calcium-nitrate": 0.065}
    case = maker("liquid", (3, 0, 0), shares, n_nitrate=0.9, n_urea=2.7)
    known = composition(case.product(listed=False), resolve, SHELF)
    assert outside(known, species_of(shares)) == {}


# --- the bounds are attained ----------------------------------------------------------------------

#: Bounds of the label by hand, percent: (lowest, highest) of each nutrient. Lowest: less the allowance (from memory:
#: AAPFCO, investigational allowances); highest: a unit of the last place and 5 % more (primary; common practice).
ROOMS: list[tuple[str, Product, dict[str, tuple[float, float]]]] = [
    (
        "20-0-20 of three",
        label("urea", "potassium-chloride", "potassium-nitrate", grade="20-0-20"),
        {"n": (20 - 0.73, 22.0), "k2o": (20 - 1.08, 22.0), "p2o5": (0.0, 0.05)},
    ),
    (
        "10-0-10 of three",
        label("urea", "potassium-chloride", "potassium-nitrate", grade="10-0-10"),
        {"n": (10 - 0.58, 11.5), "k2o": (10 - 0.70, 11.5), "p2o5": (0.0, 0.05)},
    ),
    (
        "30 N of two",
        label("urea", "ammonium-sulfate", n=30.0),
        {"n": (30 - 0.86, 32.5), "p2o5": (0.0, 0.05), "k2o": (0.0, 0.05)},
    ),
    (
        "12-12-12 of four",
        label("urea", "monoammonium-phosphate", "monopotassium-phosphate", "potassium-nitrate", grade="12-12-12"),
        {"n": (12 - 0.61, 13.6), "p2o5": (12 - 0.69, 13.6), "k2o": (12 - 0.79, 13.6)},
    ),
]


def room_of(product: Product, percent: dict[str, tuple[float, float]]) -> tuple[Floats, Floats]:
    """The room of source shares as upper x <= limit, written out: ranges of the label, nothing below zero, and no
    more than the bag (0.2 % for rounding)."""
    sources = [MATERIALS[name] for name in product.derived_from]
    rows: list[list[float]] = [[1.0] * len(sources), *(-np.eye(len(sources))).tolist()]
    limit = [1.002, *[0.0] * len(sources)]
    for key, (low, high) in percent.items():
        analysis = [percent_from_species(key, m.species_mol_per_kg()) for m in sources]
        rows += [analysis, [-value for value in analysis]]
        limit += [high, -low]
    return np.array(rows), np.array(limit)


def wander(upper: Floats, limit: Floats, rng: np.random.Generator, steps: int) -> Floats:
    """Random points of a room: from a point inside along random lines, mostly to where the room ends, (steps, size)."""
    size = upper.shape[1]
    norms = np.linalg.norm(upper, axis=1)
    inner = linprog([0.0] * size + [-1.0], A_ub=np.column_stack([upper, norms]), b_ub=limit).x
    here, found = inner[:size], []
    middle = here
    for step in range(steps):
        line = rng.normal(size=size)
        slopes, left = upper @ line, limit - upper @ here
        ends = left / np.where(slopes == 0.0, 1e-300, slopes)
        far, near = np.min(ends[slopes > 0]), np.max(ends[slopes < 0])
        found += [here + far * line, here + near * line]
        here = here + rng.uniform(near, far) * line
        if step % 50 == 49:
            here = middle
    return np.array(found)


def corners(upper: Floats, limit: Floats) -> Floats:
    """All corners of a room, by solving every square choice of its limits, (corners, size)."""
    size, found = upper.shape[1], []
    for chosen in combinations(range(len(upper)), size):
        square = upper[list(chosen)]
        if abs(np.linalg.det(square)) > 1e-9:
            point = np.linalg.solve(square, limit[list(chosen)])
            if np.all(upper @ point <= limit + 1e-9):
                found.append(point)
    return np.array(found)


@pytest.mark.parametrize(("product", "percent"), [row[1:] for row in ROOMS], ids=[row[0] for row in ROOMS])
def test_the_bounds_are_attained_and_never_exceeded(product: Product, percent: dict[str, tuple[float, float]]) -> None:
    """Points drawn at random in the room by hand never leave the bounds; its corners come within 2 % of their ends."""
    known = composition(product, resolve)
    upper, limit = room_of(product, percent)
    inside, ends = wander(upper, limit, np.random.default_rng(1), 10_000), corners(upper, limit)
    names = sorted({name for m in product.derived_from for name in MATERIALS[m].species_mol_per_kg()} - {"H2O"})
    for name in names:
        content = np.array([MATERIALS[m].species_mol_per_kg().get(name, 0.0) for m in product.derived_from])
        low, _, high = spread(known, name)
        values = np.concatenate([inside @ content, ends @ content])
        assert low - 1e-6 <= np.min(values), name
        assert np.max(values) <= high + 1e-6, name
        assert np.max(ends @ content) >= 0.98 * high, name
        assert np.min(ends @ content) <= low + 0.02 * (high - low), name


def test_each_direction_is_gone_furthest_by_its_own_mixture() -> None:
    """No other mixture of a composition holds more in one of DIRECTIONS, species in shares of the most any source
    holds."""
    for _, product, _ in ROOMS:
        known = composition(product, resolve)
        sources = [MATERIALS[m].species_mol_per_kg() for m in product.derived_from]
        scale = {name: max(abs(s.get(name, 0.0)) for s in sources) for name in SPECIES}
        for i, direction in enumerate(DIRECTIONS):
            reach = [
                sum(w * m.species_mol_per_kg.get(s, 0.0) / scale[s] for s, w in direction.parts.items() if scale[s])
                for m in known.mixtures
            ]
            assert reach[known.towards(i)] == pytest.approx(max(reach), abs=1e-5), direction.name


# --- what else is declared tightens ---------------------------------------------------------------


def never_wider(plain: Composition, told: Composition) -> None:
    """No bound of the one that says more reaches beyond the other's."""
    assert told.mixtures
    for name, (low, _, high) in told.bounds_mol_per_kg.items():
        if name == "H2O":
            continue
        assert spread(plain, name)[0] - 1e-6 <= low, name
        assert high <= spread(plain, name)[2] + 1e-6, name


CHOICES = {
    "10-0-10": label("urea", "potassium-chloride", "potassium-nitrate", grade="10-0-10"),
    "6-6-6 any base": label(
        "urea", "phosphoric-acid-75", "potassium-hydroxide-solution", "monopotassium-phosphate", "potassium-chloride",
        grade="6-6-6",
    ),
    "no sources": label(grade="10-0-10"),
    "no sources, iron": label(grade="6-0-6", fe=0.5),
    "no sources, nitrogen": label(grade="10-0-0"),
}  # fmt: skip


@pytest.mark.parametrize(
    ("which", "facts", "species", "narrowed_to"),
    [
        # Free of chloride: at most 0.5 % Cl is 5 / 35.45 mol/kg, and the potash must then be nitrate: (93 - 6.6) / 47.1
        ("10-0-10", {"at_most": {"cl": 0.5}}, "Cl-", (0.0, 0.1411)),
        ("10-0-10", {"at_most": {"cl": 0.5}}, "NO3-", (1.83, 2.5)),
        # Light: what makes it heavy, such as sulfate, is less.
        ("no sources", {"density": 1.13}, "SO4-2", None),
        ("no sources", {"at_most": {"cl": 0.5}}, "Cl-", (0.0, 0.1411)),
        # Nearly neutral: no free phosphoric acid; strongly acid: no free potash.
        ("6-6-6 any base", {"numbers": {"solution_ph": 7.0}}, "H+", None),
        ("6-6-6 any base", {"numbers": {"solution_ph": 2.0}}, "H+", None),
        ("no sources, nitrogen", {"numbers": {"solution_ph": 7.0}}, "H+", None),
        ("no sources, nitrogen", {"numbers": {"solution_ph": 2.0}}, "H+", None),
        # Iron as DTPA: 5 to 7.05 g iron / 55.845 g/mol, and no free iron.
        ("no sources, iron", {"chelating_agent": "DTPA"}, "FeEddha-", (0.0, 0.0)),
    ],
)
def test_what_is_declared_never_widens_and_narrows(
    which: str, facts: dict[str, Any], species: str, narrowed_to: tuple[float, float] | None
) -> None:
    """Chloride at most, density, pH and chelating agent leave no bound wider and one narrower, as a hand calculation
    has it where one is given (IUPAC weights; computed)."""
    plain = CHOICES[which]
    percent: Any = {k: number.value for k, number in plain.guaranteed.items()}
    told = label(*plain.derived_from, grade=plain.grade, form=plain.form, facts=facts, **percent)
    before, after = composition(plain, resolve, SHELF), composition(told, resolve, SHELF)
    never_wider(before, after)
    low, _, high = spread(before, species)
    new_low, _, new_high = spread(after, species)
    assert new_high - new_low < 0.97 * (high - low)
    if narrowed_to is not None:
        assert narrowed_to[0] <= new_low + 1e-6
        assert new_high <= narrowed_to[1] + 1e-4


@given(
    st.lists(st.sampled_from(MADE_OF), min_size=2, max_size=4, unique=True),
    st.lists(st.floats(0.05, 1.0), min_size=4, max_size=4),
    st.sampled_from(["cl", "s", "na"]),
    st.floats(0.0, 2.0),
)
@settings(max_examples=40, deadline=None, derandomize=True)
def test_a_declared_maximum_never_widens(names: list[str], parts: list[float], key: str, more: float) -> None:
    """A true declaration of a maximum leaves no bound wider, and no more of it than declared."""
    shares = {n: 0.4 * part / sum(parts[: len(names)]) for n, part in zip(names, parts, strict=False)}
    true = analysis_of(shares, (*PRIMARY, key))
    assume(any(true[k] >= 1.0 for k in PRIMARY))
    grade = "-".join(str(int(true[k])) for k in PRIMARY)
    most = round(true[key] + more + 0.01, 2)
    plain = composition(label(*shares, grade=grade), resolve)
    told = composition(label(*shares, grade=grade, facts={"at_most": {key: most}}), resolve)
    assert told.faults == plain.faults
    never_wider(plain, told)
    for mixture in told.mixtures:
        assert percent_from_species(key, mixture.species_mol_per_kg) <= most + 1e-6


def metals(species: Iterable[str]) -> set[str]:
    """Species of iron among them."""
    return {name for name in species if name.startswith("Fe")}


@pytest.mark.parametrize(("agent", "iron"), [("EDTA", {"Fe+3"}), ("DTPA", {"FeDtpa-2"}), ("EDDHA", {"FeEddha-"})])
def test_a_chelate_without_its_agent_takes_the_declared_one(catalog: Catalog, agent: str, iron: set[str]) -> None:
    """ "Iron chelate" with the agent that the label declares elsewhere, as labels do (common practice, no source)."""
    product = label("urea", "iron chelate", grade="5-0-0", facts={"chelating_agent": agent}, fe=0.5)
    known = composition(product, catalog.product)
    assert known.faults == known.gaps == ()
    assert metals(known.mixtures[0].species_mol_per_kg) == iron


def test_facts_that_do_not_fit_give_way_to_the_guarantees() -> None:
    """A density that no mixture of the sources has does not change what is in it, and is told."""
    plain = composition(label("urea", grade="20-0-0"), resolve)
    told = composition(label("urea", grade="20-0-0", facts={"density": 1.9}), resolve)
    assert told.faults == ("its density of 1.9 kg/L is not what its guarantees and sources make",)
    assert not told.exact
    assert told.bounds_mol_per_kg == plain.bounds_mol_per_kg


@pytest.mark.parametrize(
    ("fits", "density"),
    # Urea of 20-0-0, 0.413 to 0.473 of a kg (46.65 % N, IUPAC weights; range of the guarantee as above), takes up 0.20
    # to 0.78 L/kg (from memory: apparent volumes of fertilizer salts), the water 1 L/kg: 0.622 to 0.909 L. Both ends
    # of the density give or take 1.5 %: 1.084 to 1.632. A solution of 43 % urea has 1.12 (from memory: CRC Handbook).
    [(False, 1.07), (True, 1.10), (True, 1.12), (True, 1.60), (False, 1.66)],
)
def test_a_density_is_a_fault_only_beyond_what_the_sources_make(fits: bool, density: float) -> None:
    """A density on both sides of the least and the most that a mixture has."""
    known = composition(label("urea", grade="20-0-0", facts={"density": density}), resolve)
    said = f"its density of {density:.3g} kg/L is not what its guarantees and sources make"
    assert known.faults == (() if fits else (said,))


@pytest.mark.parametrize(
    ("fits", "material", "grade", "ph"),
    # Solutions of 1 % have pH 4.5 of KH2PO4 and 8 of (NH4)2HPO4 (from memory: CRC Handbook). Beyond that: HPO4 of
    # 1.4 % (0.1 mol/kg of acid or alkali in 7.35 mol/kg, as impurity) is at pH 7.20 - 1.85 = 5.35, H3PO4 of 1.4 % at
    # 2.15 + 1.85 = 4.0 (textbook constants, from memory), each 2.0 further: 2.0 and 7.35. By hand.
    [
        (True, "monopotassium-phosphate", "0-52-34", 4.5),
        (True, "monopotassium-phosphate", "0-52-34", 2.2),
        (True, "monopotassium-phosphate", "0-52-34", 7.2),
        (False, "monopotassium-phosphate", "0-52-34", 1.8),
        (False, "monopotassium-phosphate", "0-52-34", 7.6),
        (True, "diammonium-phosphate", "21-53-0", 8.0),
        (False, "diammonium-phosphate", "21-53-0", 4.5),
        (True, "monoammonium-phosphate", "12-61-0", 4.5),
        (False, "monoammonium-phosphate", "12-61-0", 8.0),
    ],
)
def test_a_ph_is_a_fault_only_beyond_what_the_sources_make(fits: bool, material: str, grade: str, ph: float) -> None:
    """A declared pH of 2 more or less than that of the mixture is in order, more is told."""
    known = composition(label(material, grade=grade, form="dry", facts={"numbers": {"solution_ph": ph}}), resolve)
    said = f"its pH of {ph:g} is not what its guarantees and sources make"
    assert known.faults == (() if fits else (said,))


def test_a_ph_says_nothing_where_a_source_is_not_told() -> None:
    """Silicate holds its protons in ways that are not followed (condensed silicates): a pH, right or wrong, is no
    fault then and limits nothing."""
    plain = label("urea", "potassium-silicate", grade="5-0-5")
    for ph in (2.0, 7.0, 11.0):
        told = label("urea", "potassium-silicate", grade="5-0-5", facts={"numbers": {"solution_ph": ph}})
        assert composition(told, resolve).faults == ()
        assert composition(told, resolve).bounds_mol_per_kg == composition(plain, resolve).bounds_mol_per_kg


def test_a_declared_residue_does_not_dissolve() -> None:
    """Of a product that leaves half of its mass undissolved no more than half dissolves (0.2 % for rounding): urea of
    46.65 % N (IUPAC weights) then makes 23.4 % at the most, and 22 (less 0.75 allowance, from memory: AAPFCO) at
    the least."""
    half = {"numbers": {"insolubles": 50.0}}
    known = composition(label("urea", grade="22-0-0", form="dry", facts=half), resolve)
    assert known.faults == ()
    shares = [sum(mixture.sources.values()) for mixture in known.mixtures]
    assert max(shares) <= 0.5021
    assert min(shares) >= (22 - 0.76) / 46.65
    assert composition(label("urea", grade="30-0-0", form="dry"), resolve).faults == ()
    assert composition(label("urea", grade="30-0-0", form="dry", facts=half), resolve).faults != ()


# --- names that stand for several materials -------------------------------------------------------

GENERIC = tomllib.loads(resources.files("pourcheck.catalog").joinpath("data/generic_sources.toml").read_text("utf-8"))
#: Salts that a generic name can mean (their chemical names): name -> formulas of the chief salt of each material.
MEANS = {
    "ammonium phosphate": {"NH4H2PO4", "(NH4)2HPO4"},
    "potassium phosphate": {"KH2PO4", "K2HPO4"},
}


@pytest.mark.parametrize("name", sorted(GENERIC))
def test_a_generic_name_stands_for_materials_of_the_catalog(catalog: Catalog, name: str) -> None:
    """All that a name on a label can mean is known and dissolves to something."""
    product = label(name, grade="1-1-1")
    found = sources_on_label(product, catalog.product)
    assert len(found) == len(GENERIC[name]) == len({material.id for material in found})
    assert all(material.content for material in found)


@pytest.mark.parametrize("name", sorted(MEANS))
def test_a_generic_name_stands_for_every_salt_of_that_name(catalog: Catalog, name: str) -> None:
    """The salts that the name can mean in chemistry, each by its formula; the plural is the same name."""
    for spelling in (name, name + "s", name.upper()):
        found = sources_on_label(label(spelling, grade="1-1-1"), catalog.product)
        chief = [max(m.content, key=lambda part: part.mass_fraction.value).formula for m in found]
        assert set(chief) == MEANS[name], spelling


def test_ammonium_phosphate_is_followed_over_both_salts(catalog: Catalog) -> None:
    """20-20-20 of urea, ammonium phosphate and potassium nitrate: all phosphate as the acid salt, all as the other.

    By hand, at the numbers of the label: 20 % P2O5 are 2.818 mol/kg of phosphate (P2O5 141.94), with 2 acid hydrogens
    each in NH4H2PO4, and 1 in (NH4)2HPO4.
    """
    phosphate = 2 * 200 / 141.94
    known = composition(label("urea", "ammonium phosphate", "potassium-nitrate", grade="20-20-20"), catalog.product)
    assert known.faults == known.gaps == ()
    assert not known.exact
    ratios = [m.species_mol_per_kg["H+"] / m.species_mol_per_kg["PO4-3"] for m in known.mixtures]
    assert min(ratios) == pytest.approx(1.0, abs=1e-3)
    assert max(ratios) == pytest.approx(2.0, abs=1e-3)
    low, _, high = spread(known, "PO4-3")
    assert 0.95 * phosphate <= low <= phosphate <= high <= 1.12 * phosphate
    for salt in ("monoammonium-phosphate", "diammonium-phosphate"):
        alone = composition(label("urea", salt, "potassium-nitrate", grade="20-20-20"), catalog.product)
        for name, moles in alone.mixtures[0].species_mol_per_kg.items():
            if name != "H2O":
                assert spread(known, name)[0] - 1e-6 <= moles <= spread(known, name)[2] + 1e-6, (salt, name)


def test_iron_chelate_is_followed_over_all_agents(catalog: Catalog) -> None:
    """Without a declared agent iron may be on any of the three (0.5 % Fe is 0.0895 mol/kg; IUPAC weights)."""
    known = composition(label("urea", "iron chelate", grade="5-0-0", fe=0.5), catalog.product)
    assert known.faults == known.gaps == ()
    for name in ("Fe+3", "FeDtpa-2", "FeEddha-"):
        assert spread(known, name)[0] == pytest.approx(0.0, abs=1e-9)
        assert 0.0895 <= spread(known, name)[2] <= 1.2 * 1.4 * 0.0895  # a last place and twice the usual overrun


# --- sources that are not known -------------------------------------------------------------------


@pytest.mark.parametrize(
    "product",
    [
        # each is a contradiction without the unknown source, which may bring what is missing
        label("urea", "unobtainium", grade="10-5-0"),
        label("urea", "unobtainium", grade="30-0-0", n_nitrate=10.0, n_urea=20.0),
        label("potassium-chloride", "unobtainium", grade="0-0-10", ca=5.0),
        label("monoammonium-phosphate", "unobtainium", grade="20-30-0"),
        label("urea", "unobtainium", grade="10-0-0", form="dry"),
        label("urea", "unobtainium", grade="10-0-0", facts={"numbers": {"solution_ph": 2.0}}),
        label("urea", "unobtainium", grade="10-0-0", facts={"density": 1.5}),
        label("urea", "unobtainium", grade="20-0-0", facts={"density": 1.12}),
    ],
    ids=lambda product: f"{product.grade} {' '.join(product.derived_from)}",
)
def test_an_unknown_source_leaves_room(product: Product) -> None:
    """What the known sources bring may be nothing, and that they do not make the label is no contradiction."""
    known = composition(product, resolve)
    assert known.faults == ()
    assert known.gaps == ('its source "unobtainium" is not in the catalog (urea?)',)
    assert known.mixtures
    for name, (low, _, _) in known.bounds_mol_per_kg.items():
        assert low <= 1e-9, name


def test_an_unknown_source_does_not_hide_a_label_against_itself() -> None:
    """Forms of nitrogen of more than the total contradict themselves whatever the source brings."""
    known = composition(label("urea", "unobtainium", grade="10-0-0", n_urea=12.0), resolve)
    assert "more than its total nitrogen of 10 %" in "; ".join(known.faults)


# --- labels without sources -----------------------------------------------------------------------


def test_a_label_without_sources_is_made_of_what_dissolves(catalog: Catalog) -> None:
    """No mixture of a label without sources holds a field grade or what stays behind."""
    shelf = [product for product in catalog.products() if product.kind == "material"]
    left = {material.id for material in shelf if material.dissolving != "complete"}
    assert {"potassium-chloride-red", "monoammonium-phosphate-granular"} <= left
    for grade in ("10-0-10", "12-48-0", "0-0-60", "20-20-20"):
        for form in ("dry", "liquid"):
            known = composition(label(grade=grade, form=form), catalog.product, shelf)
            assert len(known.mixtures) > 1
            assert not left & {name for mixture in known.mixtures for name in mixture.sources}


# --- what a composition says of itself ------------------------------------------------------------


def test_fixed_exact_and_listed() -> None:
    """Fixed: the label and its sources leave one answer. Exact: and nothing speaks against it. Listed: has sources."""
    one = composition(label("urea", "potassium-chloride", grade="10-0-10"), resolve)
    assert (one.fixed, one.exact, one.listed) == (True, True, True)
    many = composition(label("urea", "potassium-chloride", "potassium-nitrate", grade="10-0-10"), resolve)
    assert (many.fixed, many.exact, many.listed) == (False, False, True)
    gap = composition(label("urea", "unobtainium", grade="10-0-0"), resolve)
    assert (gap.fixed, gap.exact, gap.listed) == (True, False, True)
    unlisted = composition(label(grade="10-0-10"), resolve, SHELF)
    assert (unlisted.exact, unlisted.listed) == (False, False)
    assert len(unlisted.mixtures) > 2


def test_no_materials_that_make_a_grade() -> None:
    """No mixture holds 60 % nitrogen (urea 46.6; ammonium nitrate 35; computed), which is told, not made up."""
    known = composition(label(grade="60-0-0"), resolve, SHELF)
    assert "no materials of the catalog make its grade" in known.gaps
    assert not known.exact

"""From the label to what dissolves: exact formulas, solved derived-from lists, corners, gaps."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from pourcheck import Catalog, UnknownName
from pourcheck.catalog import Product, Sourced, seeds
from pourcheck.catalog.composition import Composition, composition
from pourcheck.catalog.nutrients import NUTRIENTS, percent_from_species
from pourcheck.catalog.species import species_molar_mass_g_per_mol

MATERIALS = {product.id: product for product in seeds.seed_products() if product.content}
SOLUBLE = sorted(id for id, product in MATERIALS.items() if product.dissolving == "complete")


def resolve(name: str) -> Product:
    """Materials by id only."""
    if name not in MATERIALS:
        raise UnknownName("product", name, ["urea"])
    return MATERIALS[name]


def label(
    *derived_from: str,
    grade: str = "",
    form: str = "liquid",
    **percent: float,
) -> Product:
    """A product of which only the label is known."""
    return Product.model_validate(
        {
            "id": "bottle",
            "name": "bottle",
            "form": form,
            "grade": grade,
            "derived_from": derived_from,
            "guaranteed": {k: Sourced(value=v, source="label") for k, v in percent.items()},
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
            "tarn-twenty-20-20-20",
        ),
        # 10 % K2O / 63.18 % in KCl; 10 % N / 46.65 % in urea.
        ({"urea": 0.2144, "potassium-chloride": 0.1583}, "tarn-clear-10-0-10"),
        # 18 % P2O5 / 54.31 % in the acid of 75 %; 6 % N / 46.65 %; 3 % K2O / 63.18 %.
        (
            {"phosphoric-acid-75": 0.3314, "urea": 0.1286, "potassium-chloride": 0.0475},
            "tarn-low-6-18-3",
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


def test_three_sources_and_two_numbers() -> None:
    """20-0-20 from urea, potassium chloride and potassium nitrate: two corners, all else between.

    By hand: all potassium from KCl (0.3166 of it, urea 0.4288), or all from KNO3 (0.4294 of it,
    urea 0.3012). IUPAC weights; computed.
    """
    all_chloride = {"urea": 0.4288, "potassium-chloride": 0.3166}
    all_nitrate = {"urea": 0.3012, "potassium-nitrate": 0.4294}
    product = label("urea", "potassium-chloride", "potassium-nitrate", grade="20-0-20")
    known = composition(product, resolve)
    corners = sorted((m.sources for m in known.mixtures), key=lambda s: s.get("urea", 0.0))
    assert known.gaps == ()
    assert not known.exact
    assert len(corners) == 2
    assert all_nitrate == pytest.approx(corners[0], rel=2e-3)
    assert all_chloride == pytest.approx(corners[1], rel=2e-3)
    for share in np.linspace(0, 0.4294, 8):
        chloride = (20 - 46.58 * share) / 63.18 * 1000 / 74.55
        values = [mixture.species_mol_per_kg.get("Cl-", 0.0) for mixture in known.mixtures]
        assert min(values) - 0.01 <= chloride <= max(values) + 0.01


def test_the_bag_holds_no_more_than_itself() -> None:
    """Where the sources would fill more than the bag, that ends the choice.

    One number, 30 % N, from urea (46.65 %) and ammonium sulfate (21.20 %): all urea, 0.643 of the
    bag, or a full bag of both: u + a = 1 and 46.65 u + 21.20 a = 30, so u = 0.346. Computed.
    """
    known = composition(label("urea", "ammonium-sulfate", n=30.0), resolve)
    expected = [0.346, 0.643]
    assert expected == pytest.approx(sorted(m.sources["urea"] for m in known.mixtures), abs=2e-3)


# --- labels that do not add up --------------------------------------------------------------------


@pytest.mark.parametrize(
    ("says", "product"),
    [
        ("make 0 % Total nitrogen", label("potassium-chloride", grade="30-0-0")),
        ("the label says 30 %", label("urea", "potassium-chloride", grade="10-30-10")),
        ("make 0 % Iron", label("urea", n=10.0, fe=2.0)),
        ("130 % of the mass", label("urea", n=60.6)),
        ("not explained", label("urea", grade="20-0-0", form="dry")),
        ("states no analysis", label("urea")),
        ("names no sources", label(grade="10-0-10")),
        ("None of nothing", label("unobtainium", grade="10-0-10")),
    ],
    ids=lambda value: value if isinstance(value, str) else "",
)
def test_labels_that_do_not_add_up(says: str, product: Product) -> None:
    """A label that its sources cannot make has a gap that says which number, never silence."""
    known = composition(product, resolve)
    assert not known.exact
    if says == "None of nothing":
        says = 'its source "unobtainium" is not in the catalog (urea?)'
    assert says in "; ".join(known.gaps)


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
    """Insoluble sources bring no ions; what is left of the label is a gap."""
    known = composition(label("dolomite", "urea", n=10.0, ca=8.0), catalog.product)
    assert not known.exact
    assert "make 0 % Calcium" in "; ".join(known.gaps)
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


@given(mixtures(5))
@settings(max_examples=120, deadline=None, derandomize=True)
def test_a_full_label_gives_the_mixture_back(shares: dict[str, float]) -> None:
    """From a full analysis the species come back within 1 percent where only one mixture fits."""
    assume(independent(list(shares)))
    product = label(*shares, **analysis_of(shares, tuple(NUTRIENTS)))
    expected = species_of(shares)
    got = only(composition(product, resolve))
    for species, moles in expected.items():
        assert moles == pytest.approx(got[species], rel=0.01, abs=1e-4), species
    assert mass_kg_per_kg(got) <= 1.005


@given(mixtures(5))
@settings(max_examples=120, deadline=None, derandomize=True)
def test_a_short_label_brackets_the_mixture(shares: dict[str, float]) -> None:
    """From N, P2O5 and K2O alone, the corners hold the true amount of every species between."""
    stated = analysis_of(shares, ("n", "p2o5", "k2o"))
    known = composition(label(*shares, **stated), resolve)
    assert known.gaps == ()
    for species, moles in species_of(shares).items():
        values = [mixture.species_mol_per_kg.get(species, 0.0) for mixture in known.mixtures]
        slack = 1e-3 + 0.002 * abs(moles)
        assert min(values) - slack <= moles <= max(values) + slack, species
    for mixture in known.mixtures:
        assert sum(mixture.sources.values()) <= 1 + 1e-6
        assert mass_kg_per_kg(mixture.species_mol_per_kg) <= 1.0005


@given(
    st.lists(st.sampled_from(SOLUBLE), min_size=1, max_size=5, unique=True),
    st.tuples(*[st.floats(min_value=0, max_value=33)] * 3),
)
@settings(max_examples=80, deadline=None, derandomize=True)
def test_any_label_has_an_answer(names: list[str], grade: tuple[float, float, float]) -> None:
    """Any grade with any sources is solved or has a gap; no more than the bag dissolves."""
    n, p, k = (round(value, 1) for value in grade)
    known = composition(label(*names, grade=f"{n}-{p}-{k}"), resolve)
    assert known.mixtures or known.gaps
    for mixture in known.mixtures:
        assert all(np.isfinite(list(mixture.species_mol_per_kg.values())))
        assert all(share > 0 for share in mixture.sources.values())
        if not known.gaps:
            assert mass_kg_per_kg(mixture.species_mol_per_kg) <= 1.02

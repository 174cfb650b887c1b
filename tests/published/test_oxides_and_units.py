"""Label arithmetic against outside numbers: oxides, hardness, alkalinity, ppm, pounds per gallon.

Each row carries its number in the list of worked examples (W..), its source, and `seen`: "yes" was
read in that source, "computed" follows from definitions and IUPAC weights, "from memory" was
recalled and not looked up again. Expected values and tolerances are those of the list.
"""

from __future__ import annotations

from collections.abc import Callable

import pytest

from pourcheck.catalog import Catalog, Content, Product, Sourced
from pourcheck.catalog.quantity import concentration, units
from pourcheck.catalog.species import molar_mass_g_per_mol

IUPAC = "IUPAC atomic weights; computed"
LABEL_PAGE = "lawn-label explainer page; seen: yes"
HARDNESS_PAGE = "water hardness standards page; seen: yes"
FORUM = "aquarium forum post; seen: yes"
EXTENSION = "UMass Extension greenhouse fact sheet; seen: yes"
SPES = "Virginia Cooperative Extension SPES-199NP, table 1; seen: yes"

# Molar masses [g/mol] as the list of worked examples prints them; IUPAC, computed.
P, CACO3, HCO3, SO4 = 30.974, 100.087, 61.016, 96.056
K2O, TWO_K = 94.196, 78.197


def pure(formula: str, dissolves_to: dict[str, float]) -> Product:
    """A material that is nothing but one chemical."""
    share = Sourced(value=1.0, source="definition")
    part = Content(formula=formula, mass_fraction=share, dissolves_to=dissolves_to)
    return Product(id="pure", name="pure", form="dry", content=(part,))


def bag(grade: str) -> Product:
    """A product of which only the grade is known."""
    return Product(id="bag", name="bag", form="dry", grade=grade)


def percent(product: Product, nutrient: str) -> float:
    """Percent of a nutrient that must be known."""
    found = product.percent(nutrient)
    assert found is not None
    return found


# --- oxides ---------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("expected", "tolerance", "source"),
    [
        pytest.param(0.44, 0.005, LABEL_PAGE, id="W01"),
        pytest.param(0.4364, 0.0002, IUPAC, id="W03"),
    ],
)
def test_phosphate_to_phosphorus(expected: float, tolerance: float, source: str) -> None:
    """P is 0.4364 of P2O5; labels round it to 0.44."""
    oxide = pure("P2O5", {"PO4-3": 2, "H+": 6, "H2O": -3})
    phosphorus_percent = oxide.species_mol_per_kg()["PO4-3"] * P / 10
    assert percent(oxide, "p2o5") == pytest.approx(100)
    assert expected == pytest.approx(phosphorus_percent / 100, abs=tolerance), source


@pytest.mark.parametrize(
    ("expected", "tolerance", "source"),
    [
        pytest.param(0.83, 0.005, LABEL_PAGE, id="W02"),
        pytest.param(0.8301, 0.0002, IUPAC, id="W04"),
    ],
)
def test_potash_to_potassium(expected: float, tolerance: float, source: str) -> None:
    """K is 0.8301 of K2O; labels round it to 0.83."""
    oxide = pure("K2O", {"K+": 2, "H+": -2, "H2O": 1})
    potassium_percent = oxide.species_mol_per_kg()["K+"] * TWO_K / 2 / 10
    assert percent(oxide, "k2o") == pytest.approx(100)
    assert expected == pytest.approx(potassium_percent / 100, abs=tolerance), source


@pytest.mark.parametrize(
    ("expected", "tolerance", "oxide", "dissolves_to", "nutrient"),
    [
        pytest.param(0.603, 0.0003, "MgO", {"Mg+2": 1, "H+": -2, "H2O": 1}, "mg", id="W06"),
        pytest.param(0.7147, 0.0003, "CaO", {"Ca+2": 1, "H+": -2, "H2O": 1}, "ca", id="W07"),
        pytest.param(0.4005, 0.0003, "SO3", {"SO4-2": 1, "H+": 2, "H2O": -1}, "s", id="W08"),
    ],
)
def test_other_oxides_to_elements(
    expected: float, tolerance: float, oxide: str, dissolves_to: dict[str, float], nutrient: str
) -> None:
    """Ca, Mg and S are guaranteed as elements: share of the element in MgO, CaO, SO3 (IUPAC)."""
    share = percent(pure(oxide, dissolves_to), nutrient) / 100
    assert expected == pytest.approx(share, abs=tolerance)


@pytest.mark.parametrize("nutrient", ["n", "p2o5", "k2o"])
def test_a_bag_of_10_10_10(nutrient: str) -> None:
    """A 50 lb bag of 10-10-10 holds 5 lb of each (W05, lawn-label explainer page; seen: yes)."""
    pounds = units.mass_kg("50 lb", None) / units.mass_kg("1 lb", None)
    expected = 5
    assert expected == pytest.approx(pounds * percent(bag("10-10-10"), nutrient) / 100)


# --- hardness and alkalinity ----------------------------------------------------------------------


def caco3_mg_per_l(item: str, text: str) -> float:
    """Hardness [mol/L], or alkalinity [mol of charge/L], as mg/L CaCO3."""
    per_mol = CACO3 / (2 if item == "alkalinity" else 1)
    return concentration.concentration_mol_per_l(item, text) * per_mol * 1000


@pytest.mark.parametrize(
    ("expected", "tolerance", "amount", "unit", "source"),
    [
        pytest.param(17.1, 0.05, "1 gpg", "1 ppm CaCO3", HARDNESS_PAGE, id="W09"),
        pytest.param(0.958, 0.005, "1 gpg", "1 dH", HARDNESS_PAGE, id="W10"),
        pytest.param(1.71, 0.01, "1 gpg", "1 fH", HARDNESS_PAGE, id="W11"),
        pytest.param(1.2, 0.01, "1 gpg", "1 Clark", HARDNESS_PAGE, id="W12"),
        pytest.param(0.056, 0.001, "1 ppm CaCO3", "1 dH", HARDNESS_PAGE, id="W13"),
        pytest.param(
            10.526,
            0.01,
            "180 ppm CaCO3",
            "1 gpg",
            "web conversion page; seen: yes",
            id="W14",
            marks=pytest.mark.xfail(
                strict=True,
                reason="the page divides by a rounded 17.1; by definition (64.79891 mg in "
                "3.785411784 L) 180 ppm are 10.515 gpg, 0.011 away where 0.01 is allowed",
            ),
        ),
        pytest.param(171, 1, "10 gpg", "1 ppm CaCO3", "dealer page; seen: yes", id="W15"),
        pytest.param(17.85, 0.02, "1 dH", "1 ppm CaCO3", FORUM, id="W16"),
        pytest.param(5.61, 0.01, "1 mmol/L", "1 dH", FORUM, id="W17"),
        pytest.param(50.04, 0.05, "1 meq/L", "1 ppm CaCO3", IUPAC, id="W19"),
    ],
)
@pytest.mark.parametrize("item", ["calcium", "hardness"])
def test_hardness_units(
    item: str,
    expected: float,
    tolerance: float,
    amount: str,
    unit: str,
    source: str,
) -> None:
    """An amount in another unit of hardness, for hardness itself and for calcium hardness."""
    counted = caco3_mg_per_l(item, amount) / caco3_mg_per_l(item, unit)
    assert expected == pytest.approx(counted, abs=tolerance), source


@pytest.mark.parametrize(("expected", "item"), [(2.497, "calcium"), (4.115, "magnesium")])
def test_hardness_from_calcium_and_magnesium(expected: float, item: str) -> None:
    """Hardness = 2.497 Ca + 4.115 Mg, mg/L, within 0.005 (W18, standards page; seen: yes)."""
    assert expected == pytest.approx(caco3_mg_per_l(item, "1 mg/L"), abs=0.005)


def test_alkalinity_as_bicarbonate() -> None:
    """100 ppm CaCO3 of alkalinity are 121.9 mg/L HCO3, within 0.3 (W20, IUPAC; computed)."""
    mol_of_charge = concentration.concentration_mol_per_l("alkalinity", "100 ppm CaCO3")
    expected = 121.9
    assert expected == pytest.approx(mol_of_charge * HCO3 * 1000, abs=0.3)
    as_bicarbonate = concentration.concentration_mol_per_l("bicarbonate", "121.9 mg/L HCO3")
    assert mol_of_charge == pytest.approx(as_bicarbonate, rel=0.3 / 121.9)


@pytest.mark.parametrize(
    ("expected_meq", "tolerance", "item", "text", "charge"),
    [
        # Limits from a hard-water note, which prints 3, 2.5, 2.5 meq/L; IUPAC weights, computed.
        pytest.param(2.99, 0.02, "calcium", "60 mg/L", 2, id="W21"),
        pytest.param(2.47, 0.02, "magnesium", "30 mg/L", 2, id="W22"),
        pytest.param(2.46, 0.02, "bicarbonate", "150 mg/L", 1, id="W23"),
    ],
)
def test_mg_per_l_to_meq_per_l(
    expected_meq: float,
    tolerance: float,
    item: str,
    text: str,
    charge: int,
) -> None:
    """Limits printed in mg/L, in milliequivalents."""
    got = concentration.concentration_mol_per_l(item, text) * charge * 1000
    assert expected_meq == pytest.approx(got, abs=tolerance)
    same = concentration.concentration_mol_per_l(item, f"{expected_meq} meq/L")
    assert same * charge * 1000 == pytest.approx(expected_meq)


def test_sulfate_meq_to_mg() -> None:
    """2.5 meq/L of sulfate are 120 mg/L, within 1 (W24, IUPAC; computed)."""
    mol_per_l = concentration.concentration_mol_per_l("sulfate", "2.5 meq/L")
    expected = 120
    assert expected == pytest.approx(mol_per_l * SO4 * 1000, abs=1)


def test_alkalinity_by_titration() -> None:
    """18 mL of 0.01 M H2SO4 into 50 mL: 360 mg/L CaCO3, within 0.5.

    W25, conversion page of an instrument supplier; seen: yes.
    """
    meq_per_l = 18 * 0.01 * 2 / 50 * 1000
    expected = 360
    assert expected == pytest.approx(caco3_mg_per_l("alkalinity", f"{meq_per_l} meq/L"), abs=0.5)


# --- ppm in the feed ------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("expected_oz", "tolerance", "grade", "source"),
    [
        pytest.param(13.5, 0.15, "20-20-20", EXTENSION, id="W26"),  # exact 13.35
        pytest.param(18, 0.25, "15-15-15", EXTENSION, id="W27"),  # exact 17.80
    ],
)
def test_ounces_for_200_ppm_nitrogen(
    expected_oz: float,
    tolerance: float,
    grade: str,
    source: str,
) -> None:
    """Ounces in 100 US gal for 200 ppm N, where ppm means mg/L."""
    nitrogen_kg = 200e-6 * units.volume_l("100 gal")
    ounces = nitrogen_kg / (percent(bag(grade), "n") / 100) / units.mass_kg("1 oz", None)
    assert expected_oz == pytest.approx(ounces, abs=tolerance), source


@pytest.mark.parametrize(
    ("expected_ppm", "tolerance", "grade", "source"),
    [
        # exact 11.23
        pytest.param(11.25, 0.05, "15-0-0", "greenhouse handbook copy; seen: yes", id="W28"),
        pytest.param(74.89, 0.05, "100-0-0", "28.3495 g / 378.541 L; computed", id="W29"),
    ],
)
def test_one_ounce_in_100_gallons(
    expected_ppm: float,
    tolerance: float,
    grade: str,
    source: str,
) -> None:
    """ppm N from 1 oz of a product in 100 US gal."""
    nitrogen_mg = units.mass_kg("1 oz", None) * percent(bag(grade), "n") / 100 * 1e6
    ppm = nitrogen_mg / units.volume_l("100 gal")
    assert expected_ppm == pytest.approx(ppm, abs=tolerance), source


def test_one_pound_in_100_gallons() -> None:
    """1 lb in 100 US gal is 1.1983 g/L, within 0.001 (W30, 453.592/378.541; computed)."""
    grams = units.mass_kg("1 lb", None) * 1000
    expected = 1.1983
    assert expected == pytest.approx(grams / units.volume_l("100 gal"), abs=0.001)


# --- pounds of nitrogen in a gallon of liquid -----------------------------------------------------

LB_PER_KG, L_PER_GAL = 1 / 0.45359237, 3.785411784


@pytest.mark.parametrize(
    ("expected_lb", "tolerance", "product", "source"),
    [
        pytest.param(2.99, 0.01, "UAN-28", SPES, id="W31"),  # at 60 degF
        pytest.param(3.27, 0.01, "UAN-30", SPES, id="W33"),  # at 60 degF
        # 3.546 at 60 degF; the article rounds. The catalog's density is of 64 degF.
        pytest.param(3.5, 0.06, "UAN-32", "science explainer page; seen: yes", id="W34"),
    ],
)
def test_nitrogen_per_gallon_of_a_seed_liquid(
    catalog: Catalog, expected_lb: float, tolerance: float, product: str, source: str
) -> None:
    """Pounds of N in a gallon, from the catalog's density and formula."""
    liquid = catalog.product(product)
    assert liquid.density is not None
    kg = units.mass_kg("1 gal", liquid.density.kg_per_l) * percent(liquid, "n") / 100
    assert expected_lb == pytest.approx(kg * LB_PER_KG, abs=tolerance), source


def test_nitrogen_per_gallon_when_warm() -> None:
    """UAN-28 at 90 degF, 10.58 lb/gal: 2.96 lb N per gallon, within 0.01.

    W32, Virginia Cooperative Extension SPES-199NP, table 1; seen: yes.
    """
    gallon_kg = units.mass_kg("1 gal", units.density_kg_per_l("10.58 lb/gal"))
    nitrogen_kg = gallon_kg * percent(bag("28-0-0"), "n") / 100
    expected = 2.96
    assert expected == pytest.approx(nitrogen_kg * LB_PER_KG, abs=0.01)


@pytest.mark.parametrize(
    ("expected_lb_per_gal", "tolerance", "product", "source"),
    [
        # SPES-199NP prints 10.67 and 10.90 lb/gal at 60 degF; the explainer page 11.08 for UAN-32.
        (10.67, 0.01, "UAN-28", SPES),
        (10.90, 0.01, "UAN-30", SPES),
        (11.08, 0.05, "UAN-32", "science explainer page; seen: yes"),
    ],
)
def test_densities_in_pounds_per_gallon(
    catalog: Catalog, expected_lb_per_gal: float, tolerance: float, product: str, source: str
) -> None:
    """Density of the seed liquids as the pages print it."""
    density = catalog.product(product).density
    assert density is not None
    got = density.kg_per_l * LB_PER_KG * L_PER_GAL
    assert expected_lb_per_gal == pytest.approx(got, abs=tolerance), source


# --- molar masses ---------------------------------------------------------------------------------

#: Standard atomic weights of IUPAC/CIAAW, from memory: interval where nature varies, else the
#: abridged value with one unit of its last digit on either side.
ATOMIC_WEIGHTS = {
    "H": (1.00784, 1.00811),
    "B": (10.806, 10.821),
    "C": (12.0096, 12.0116),
    "N": (14.00643, 14.00728),
    "O": (15.99903, 15.99977),
    "F": (18.997, 18.999),
    "Na": (22.989, 22.991),
    "Mg": (24.304, 24.307),
    "Si": (28.084, 28.086),
    "P": (30.973, 30.975),
    "S": (32.059, 32.076),
    "Cl": (35.446, 35.457),
    "K": (39.097, 39.099),
    "Ca": (40.074, 40.082),
    "Mn": (54.937, 54.939),
    "Fe": (55.843, 55.847),
    "Cu": (63.543, 63.549),
    "Zn": (65.36, 65.40),
    "Mo": (95.94, 95.96),
}


@pytest.mark.parametrize("element", ATOMIC_WEIGHTS)
def test_atomic_weights(element: str) -> None:
    """Every element of the catalog lies within its IUPAC standard atomic weight (from memory)."""
    low, high = ATOMIC_WEIGHTS[element]
    assert low <= molar_mass_g_per_mol(element) <= high


@pytest.mark.parametrize(
    ("expected", "formula"),
    # CRC Handbook of Chemistry and Physics, from memory; printed to 0.01.
    [
        (60.06, "CO(NH2)2"),
        (80.04, "NH4NO3"),
        (101.10, "KNO3"),
        (74.55, "KCl"),
        (100.09, "CaCO3"),
        (164.09, "Ca(NO3)2"),
        (236.15, "Ca(NO3)2.4H2O"),
        (172.17, "CaSO4.2H2O"),
        (120.37, "MgSO4"),
        (246.47, "MgSO4.7H2O"),
        (256.41, "Mg(NO3)2.6H2O"),
        (132.14, "(NH4)2SO4"),
        (174.26, "K2SO4"),
        (115.03, "NH4H2PO4"),
        (132.06, "(NH4)2HPO4"),
        (136.09, "KH2PO4"),
        (97.99, "H3PO4"),
        (98.08, "H2SO4"),
        (61.83, "H3BO3"),
        (381.37, "Na2B4O7.10H2O"),
        (278.01, "FeSO4.7H2O"),
        (249.69, "CuSO4.5H2O"),
        (141.94, "P2O5"),
        (94.20, "K2O"),
    ],
)
def test_molar_masses(expected: float, formula: str) -> None:
    """Molar mass of common fertilizer salts within 0.03 g/mol of the handbook."""
    assert expected == pytest.approx(molar_mass_g_per_mol(formula), abs=0.03)


# --- units by definition --------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("exact", "got"),
    [
        # International yard and pound agreement 1959; NIST Handbook 44, appendix C; from memory.
        pytest.param(0.45359237, lambda: units.mass_kg("1 lb", None), id="pound"),
        pytest.param(0.45359237 / 16, lambda: units.mass_kg("1 oz", None), id="ounce"),
        pytest.param(3.785411784, lambda: units.volume_l("1 gal"), id="US gallon, 231 in3"),
        pytest.param(3.785411784 / 4, lambda: units.volume_l("1 qt"), id="US quart"),
        pytest.param(3.785411784 / 8, lambda: units.volume_l("1 pt"), id="US pint"),
        pytest.param(0.0295735295625, lambda: units.volume_l("1 fl oz"), id="US fluid ounce"),
        pytest.param(4.54609, lambda: units.volume_l("1 imp gal"), id="imperial gallon"),
        pytest.param(0.3048, lambda: units.length_m("1 ft"), id="foot"),
        pytest.param(0.0254, lambda: units.length_m("1 in"), id="inch"),
        pytest.param(3.785411784, lambda: units.flow_l_per_min("1 gpm"), id="gallon per minute"),
        pytest.param(3.785411784 / 60, lambda: units.flow_l_per_min("1 gph"), id="gallon per hour"),
        pytest.param(0, lambda: units.temperature_c("32 degF"), id="ice point"),
        pytest.param(100, lambda: units.temperature_c("212 degF"), id="boiling point"),
        pytest.param(0, lambda: units.temperature_c("273.15 K"), id="zero Celsius in kelvin"),
        pytest.param(
            4.5359237 / 3.785411784,
            lambda: units.density_kg_per_l("10 lb/gal"),
            id="pound per gallon",
        ),
    ],
)
def test_units_by_definition(exact: float, got: Callable[[], float]) -> None:
    """Customary units are the exact multiples that law defines."""
    assert exact == pytest.approx(got(), rel=1e-12, abs=1e-9)

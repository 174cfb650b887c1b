"""What a label says: guarantees as ranges, and labels that contradict themselves."""

from __future__ import annotations

from math import floor
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pourcheck import Catalog, UnknownName
from pourcheck.catalog import Product, Sourced
from pourcheck.catalog.label.composition import composition
from pourcheck.catalog.label.guarantee import (
    NITROGEN_FORMS,
    contradictions,
    guaranteed_range,
    investigational_allowance,
    label_percents,
    other_basis,
    ranges,
)
from pourcheck.catalog.nutrients import NUTRIENTS
from pourcheck.catalog.store import seeds

SEEDS = {product.id: product for product in seeds.seed_products()}
KNOWN = [product for product in SEEDS.values() if product.content]
DEMO = [product for product in SEEDS.values() if product.kind == "product"]


def resolve(name: str) -> Product:
    """Materials by id only."""
    if name not in SEEDS:
        raise UnknownName("product", name, [])
    return SEEDS[name]


def label(*derived_from: str, grade: str = "", form: str = "liquid", **percent: float) -> Product:
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


def percents(stated: dict[str, float]) -> Any:
    """Guarantees as named arguments."""
    return stated


def rounded_down(value: float, digits: int) -> float:
    """A guarantee: never more than the value."""
    return floor(value * 10.0**digits + 1e-9) / 10.0**digits


# --- allowances -----------------------------------------------------------------------------------

#: From memory: AAPFCO, Official Publication, table of investigational allowances: guarantee, then N, P2O5, K2O [%].
PRIMARY_ALLOWANCES = [
    (2, 0.49, 0.67, 0.41),  # "4 or less"
    (4, 0.49, 0.67, 0.41),
    (5, 0.51, 0.67, 0.43),
    (8, 0.55, 0.68, 0.60),
    (10, 0.58, 0.69, 0.70),
    (12, 0.61, 0.69, 0.79),
    (16, 0.67, 0.70, 0.94),
    (20, 0.73, 0.72, 1.08),
    (24, 0.78, 0.73, 1.21),
    (30, 0.86, 0.75, 1.39),
    (32, 0.88, 0.76, 1.44),
    (46, 0.88, 0.76, 1.44),  # "32 or more"
]
#: From memory, the same: a unit and a share of the guarantee, 1 percent at most.
OTHER_ALLOWANCES = [
    ("ca", 6.0, 0.2 + 0.3),
    ("mg", 2.0, 0.2 + 0.1),
    ("s", 10.0, 0.2 + 0.5),
    ("s", 26.0, 1.0),
    ("ca", 19.0, 1.0),
    ("b", 0.02, 0.003 + 0.003),
    ("cl", 1.0, 0.005 + 0.1),
    ("cu", 0.05, 0.005 + 0.005),
    ("fe", 0.1, 0.005 + 0.01),
    ("mn", 0.05, 0.005 + 0.005),
    ("mo", 0.0005, 0.0001 + 0.00015),
    ("na", 0.5, 0.005 + 0.05),
    ("zn", 0.05, 0.005 + 0.005),
]


@pytest.mark.parametrize(("guarantee", "n", "p2o5", "k2o"), PRIMARY_ALLOWANCES)
def test_allowances_of_the_primary_nutrients(guarantee: float, n: float, p2o5: float, k2o: float) -> None:
    """Tabulated points; the forms of nitrogen as nitrogen."""
    assert investigational_allowance("n", guarantee) == pytest.approx(n)
    assert investigational_allowance("p2o5", guarantee) == pytest.approx(p2o5)
    assert investigational_allowance("k2o", guarantee) == pytest.approx(k2o)
    for form in NITROGEN_FORMS:
        assert investigational_allowance(form, guarantee) == pytest.approx(n)


@pytest.mark.parametrize(("nutrient", "guarantee", "expected"), OTHER_ALLOWANCES)
def test_allowances_of_the_other_nutrients(nutrient: str, guarantee: float, expected: float) -> None:
    """A unit plus a share, 1 percent at most."""
    assert investigational_allowance(nutrient, guarantee) == pytest.approx(expected)


@given(st.sampled_from(sorted(NUTRIENTS)), st.floats(0.0, 100.0), st.floats(0.0, 100.0))
@settings(max_examples=200, deadline=None, derandomize=True)
def test_allowances_grow_with_the_guarantee(nutrient: str, one: float, other: float) -> None:
    """The more is guaranteed, the more it may be off, and never by more than 1.5 percent."""
    low, high = sorted((one, other))
    assert 0.0 < investigational_allowance(nutrient, low) <= investigational_allowance(nutrient, high) < 1.5


# --- a guarantee is a range -----------------------------------------------------------------------


@pytest.mark.parametrize(
    ("nutrient", "percent", "low", "least_high", "most_high"),
    # Lowest: the allowance (from memory: AAPFCO). Highest: between what is rounded off and 4 % more of that, and the
    # same with twice the usual overrun (common practice, no source).
    [
        ("n", 20.0, 20 - 0.73, 21 * 1.04, 21 * 1.08),
        ("k2o", 10.0, 10 - 0.70, 11 * 1.04, 11 * 1.08),
        ("n_urea", 10.1, 10.1 - 0.5815, 10.2 * 1.04, 10.2 * 1.08),
        ("s", 13.6, 13.6 - 0.88, 13.7 * 1.04, 13.7 * 1.2),
        ("fe", 0.25, 0.25 - 0.03, 0.26 * 1.04, 0.26 * 1.4),
        ("b", 0.02, 0.02 - 0.006, 0.03 * 1.04, 0.03 * 1.4),
    ],
)
def test_a_guarantee_is_a_range(nutrient: str, percent: float, low: float, least_high: float, most_high: float) -> None:
    """From the allowance below to what rounding and overrun hide above."""
    got = guaranteed_range(nutrient, percent)
    assert got[0] == pytest.approx(low, abs=0.005)
    assert least_high <= got[1] <= most_high


@given(st.sampled_from(sorted(NUTRIENTS)), st.floats(0.0, 60.0))
@settings(max_examples=200, deadline=None, derandomize=True)
def test_what_is_guaranteed_lies_in_its_range(nutrient: str, percent: float) -> None:
    """The number of the label itself is always possible, and nothing below zero."""
    low, high = guaranteed_range(nutrient, percent)
    assert 0.0 <= low <= percent <= high


def test_a_grade_covers_what_a_maker_rounds_down() -> None:
    """Every whole percent to 60: 4 % over what is rounded down, on the ceiling just below the next whole one.

    That a maker fills up to 4 % more than the guarantee is common practice, no source.
    """
    short = [n for n in range(1, 61) for k in ("n", "p2o5", "k2o") if guaranteed_range(k, n)[1] < 0.9999 * (n + 1)]
    assert short == []


def test_a_grade_covers_the_overrun_of_what_it_rounds_down() -> None:
    """The same with the 4 % of overrun on top of what is rounded down, from zero on."""
    short = [n for n in range(61) for k in ("n", "p2o5", "k2o") if guaranteed_range(k, n)[1] < 0.9999 * (n + 1) / 0.96]
    assert short == []


def test_what_is_not_stated() -> None:
    """A grade claims the three; sulfur, chlorine, calcium and magnesium may come along; minor nutrients are claimed."""
    found = ranges(label(grade="10-0-10"))
    assert found["p2o5"][1] < 0.1
    assert not {"s", "cl", "ca", "mg", "na"} & found.keys()
    # From memory: AAPFCO, least percentages that are claimed.
    least = {"b": 0.02, "cu": 0.05, "fe": 0.10, "mn": 0.05, "mo": 0.0005, "zn": 0.05}
    assert {key: found[key][1] for key in least} == pytest.approx(least)
    assert all(found[key][0] == 0.0 for key in least)


def test_nitrogen_forms_that_do_not_make_the_total_leave_room() -> None:
    """Urea 6 % of 10 % nitrogen: the rest may be anything. Urea 10 % of 10 %: the rest is what a sample may be off by.

    From memory: AAPFCO, table of investigational allowances: 0.49 % of nitrogen at the least, 0.58 % at 10 %.
    """
    assert ranges(label(grade="10-0-0", n_urea=6.0))["n_nitrate"][1] > 4.0
    assert ranges(label(grade="10-0-0", n_urea=9.4))["n_nitrate"][1] > 4.0
    assert ranges(label(grade="10-0-0", n_urea=9.5))["n_nitrate"] == (0.0, 0.49)
    assert ranges(label(grade="10-0-0", n_urea=10.0))["n_nitrate"] == (0.0, 0.49)
    assert ranges(label(n_urea=10.0))["n_ammonium"] == (0.0, 0.49)


@pytest.mark.parametrize("form", NITROGEN_FORMS)
@pytest.mark.parametrize("percent", [0.1, 1.0, 3.0, 9.0, 15.0])
def test_a_form_of_nitrogen_has_the_room_of_its_allowance(form: str, percent: float) -> None:
    """Above a form lies no less than the least allowance of nitrogen, 0.49 % (from memory: AAPFCO), and no more than
    that or twice the usual overrun on a unit of its last place (common practice, no source)."""
    low, high = guaranteed_range(form, percent)
    assert low == pytest.approx(max(0.0, percent - investigational_allowance("n", percent)))
    last_place = 1.0 if percent >= 1.0 else 0.1
    assert percent + 0.49 <= high <= max(percent + 0.49 + 1e-9, (percent + last_place) * 1.08)


@pytest.mark.parametrize(("grade", "hidden"), [("10-0-10", "p2o5"), ("0-20-20", "n"), ("10-10-0", "k2o")])
def test_a_zero_in_a_grade(grade: str, hidden: str) -> None:
    """With sources on the label a zero hides what rounds down to it and the overrun on that: 1 x 1.04 and no more than
    twice as much overrun (common practice, no source). Without, it is none, but for a trace."""
    listed, unlisted = ranges(label("urea", grade=grade))[hidden], ranges(label(grade=grade))[hidden]
    assert listed[0] == unlisted[0] == 0.0
    assert 1.04 <= listed[1] <= 1.08
    assert 0.0 < unlisted[1] <= 0.1


def test_a_declared_maximum_is_the_upper_end() -> None:
    """Chloride at most 0.5 %, whatever else is said of it."""
    product = label(grade="10-0-10").model_copy(update={"at_most": {"cl": Sourced(value=0.5, source="label")}})
    assert ranges(product)["cl"] == (0.0, 0.5)


# --- contradictions -------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("words", "product"),
    [
        # forms of nitrogen against the total; sums by hand
        (("make 12 %", "more than its total nitrogen of 10 %"), label("urea", grade="10-0-0", n_urea=12.0)),
        (("make 24 %", "more than its total nitrogen of 20 %"),
         label("urea", grade="20-0-0", n_nitrate=6.0, n_ammonium=6.0, n_urea=12.0)),
        (("make 15 %", "less than its total nitrogen of 20 %"),
         label("urea", grade="20-0-0", n_nitrate=5.0, n_ammonium=5.0, n_urea=5.0)),
        (("nitrate nitrogen", "urea nitrogen", "make 26 %"), label(grade="20-5-5", n_nitrate=13.0, n_urea=13.0)),
        # more than the whole
        # 46 N + 13.09 P (30 x 0.4364) + 16.60 K (20 x 0.8301) + 30 S = 105.7; as elements, IUPAC weights
        (("weighs 106 %",), label("urea", grade="46-30-20", s=30.0)),
        (("weighs 110 %",), label("calcium-nitrate", grade="15-0-0", ca=95.0)),
        # grade against guarantee
        (("grade says 10 % Total nitrogen (N)", "guarantee 15 %"), label("urea", grade="10-0-0", n=15.0)),
        (("grade says 10 % Soluble potash (K2O)", "guarantee 6 %"),
         label("potassium-chloride", grade="0-0-10", k2o=6.0)),
        # grade against guarantee, as the element: 10 * 0.8301 (K in K2O), 20 * 0.4364 (P in P2O5); IUPAC weights
        (("10 % Soluble potash", "8.3 % is 10 % K2O written as K"),
         label("potassium-chloride", grade="0-0-10", k2o=8.3)),
        (("20 % Available phosphate", "8.73 % is 20 % P2O5 written as P"),
         label("monoammonium-phosphate", grade="4-20-0", p2o5=8.73)),
        # no source for it
        (("no source on its label holds Iron (Fe), of which it guarantees 1 %",),
         label("urea", grade="10-0-0", fe=1.0)),
        (("no source on its label holds Calcium (Ca), of which it guarantees 5 %",),
         label("urea", grade="10-0-0", ca=5.0)),
        (("no source on its label holds Available phosphate (P2O5), of which it guarantees 8 %",),
         label("urea", "potassium-nitrate", grade="10-8-10")),
        (("no source on its label holds Nitrate nitrogen, of which it guarantees 5 %",),
         label("urea", grade="10-0-0", n_nitrate=5.0, n_urea=5.0)),
        # the element where the label's basis is the oxide, and the other way: 61.70 % P2O5 is 26.93 % P in NH4H2PO4,
        # 46.58 % K2O is 38.67 % K in KNO3, 16.26 % MgO is 9.86 % Mg and 12.9 % S is 32.5 % SO3 in MgSO4.7H2O
        (("26 % is P", "that is 59.6 % P2O5"), label("monoammonium-phosphate", form="dry", n=12.0, p2o5=26.0)),
        (("38 % is K", "that is 45.8 % K2O"), label("potassium-nitrate", form="dry", n=13.0, k2o=38.0)),
        (("is P ", " and ", "is K "), label("monopotassium-phosphate", form="dry", p2o5=22.0, k2o=28.0)),
        (("16 % is MgO", "that is 9.65 % Mg"), label("magnesium-sulfate", form="dry", mg=16.0, s=12.0)),
        (("32 % is SO3", "that is 12.8 % S"), label("magnesium-sulfate", form="dry", mg=9.5, s=32.0)),
        # 15.5-0-0 with 26 % CaO, which is 18.6 % Ca
        (("26 % is CaO", "that is 18.6 % Ca"), label("calcium-nitrate", form="dry", n=15.4, ca=26.0)),
        # sources too weak: KCl of 63.2 % K2O and urea of 46.6 % N do not make 30-0-30 (64.3 + 47.5 = 112 %)
        (("of the mass",), label("urea", "potassium-chloride", form="dry", grade="30-0-30")),
        # nitrogen and phosphate of one source in a ratio that it does not have: MAP has 12.2 N to 61.7 P2O5
        (("its sources make",), label("monoammonium-phosphate", form="dry", grade="20-30-0")),
    ],
    ids=lambda value: value[-1][:40] if isinstance(value, tuple) else "",
)  # fmt: skip
def test_labels_that_contradict_themselves(words: tuple[str, ...], product: Product) -> None:
    """A fault that says which numbers, in the words of a label; never silence, never exact."""
    known = composition(product, resolve)
    told = "; ".join(known.faults)
    for word in words:
        assert word.lower() in told.lower(), told
    assert not known.exact


@pytest.mark.parametrize(
    ("weighs", "product"),
    # Sums as elements by hand: N + 0.4364 P2O5 + 0.8301 K2O + the rest (IUPAC weights). As oxides the first would
    # weigh 110 and 134 %.
    [
        ("", label(grade="0-0-62", cl=47.5)),  # potassium chloride: 51.5 + 47.5 = 99.0
        ("", label(grade="10-50-40", s=34.5)),  # 10 + 21.8 + 33.2 + 34.5 = 99.5
        ("", label(grade="15-0-0", ca=84.9)),  # 99.9
        ("100 %", label(grade="15-0-0", ca=85.2)),  # 100.2
        ("101 %", label(grade="0-0-62", cl=49.7)),  # 51.5 + 49.7 = 101.2
        ("", label(grade="30-0-0", n_nitrate=15.0, n_urea=15.0, s=69.9)),  # the forms are the total: 99.9
        ("100 %", label(grade="30-0-0", n_nitrate=15.0, n_urea=15.0, s=70.3)),
    ],
    ids=str,
)
def test_what_is_guaranteed_weighs_no_more_than_the_product(weighs: str, product: Product) -> None:
    """Everything as elements, on both sides of 100 %."""
    found = [words for words in contradictions(product) if "weighs" in words]
    assert found == ([f"what it guarantees weighs {weighs} of it"] if weighs else [])


def products_of_themselves(product: Product, stated: dict[str, float], grade: str) -> Product:
    """A material as somebody sells it under its own label, derived from itself."""
    kept: dict[str, Any] = {"density": product.density, "numbers": product.numbers, "form": product.form}
    made = label(product.id, grade=grade, **percents(stated))
    return made.model_copy(update=kept)


#: Materials of which a declared number is not what their formula makes, with what is said of it.
FALSE_FAULTS: dict[str, str] = {}


def marked(product: Product, known_faults: dict[str, str]) -> Any:
    """A row of a table, marked where its fault is known."""
    why = known_faults.get(product.id)
    marks = [pytest.mark.xfail(strict=True, raises=AssertionError, reason=why)] if why else []
    return pytest.param(product, id=product.id, marks=marks)


@pytest.mark.parametrize("product", [marked(p, FALSE_FAULTS) for p in KNOWN if label_percents(p)])
def test_a_material_under_its_own_label_has_no_fault(product: Product) -> None:
    """The grade and guarantees that the trade prints for a material, derived from itself."""
    stated = {key: number.value for key, number in product.guaranteed.items()}
    known = composition(products_of_themselves(product, stated, product.grade), resolve)
    assert known.faults == ()
    assert known.gaps == ()


@pytest.mark.parametrize("product", [marked(p, FALSE_FAULTS) for p in KNOWN])
def test_a_material_rounded_down_has_no_fault(product: Product) -> None:
    """What a material's formula holds (IUPAC weights), rounded down as on a label, derived from itself."""
    digits = {"mo": 4, **dict.fromkeys(("b", "cu", "fe", "mn", "zn"), 2)}
    stated = {key: rounded_down(product.percent(key) or 0.0, digits.get(key, 1)) for key in NUTRIENTS}
    grade = "-".join(str(int(stated.pop(key))) for key in ("n", "p2o5", "k2o"))
    stated = {key: value for key, value in stated.items() if value > 0}
    if grade == "0-0-0" and not stated:
        pytest.skip("holds none of what labels state")
    known = composition(products_of_themselves(product, stated, grade if grade != "0-0-0" else ""), resolve)
    assert known.faults == ()
    assert known.gaps == ()


@pytest.mark.parametrize("product", DEMO, ids=lambda product: product.id)
def test_demo_products_have_no_fault(catalog: Catalog, product: Product) -> None:
    """The invented products are labeled as they are made."""
    assert composition(product, catalog.product).faults == ()


@pytest.mark.parametrize(
    "product",
    # Labels as they are printed; their sources make them, by hand with IUPAC weights.
    [
        # urea 0.2166 + MAP 0.3241 + KNO3 0.4294
        label("urea", "monoammonium-phosphate", "potassium-nitrate", grade="20-20-20", form="dry", n_nitrate=5.9,
              n_ammonium=3.9, n_urea=10.1),
        # grade rounded down from the guarantee
        label("urea", grade="10-0-0", n=10.6),
        # MAP 12.2-61.7-0
        label("monoammonium-phosphate", grade="12-61-0", form="dry", n_ammonium=12.0),
        # MKP 0-52.2-34.6
        label("monopotassium-phosphate", grade="0-52-34", form="dry"),
        # KNO3 13.9-0-46.6, sold as 13.7-0-46.3
        label("potassium-nitrate", grade="13.7-0-46.3", form="dry"),
        # K2SO4 54.05 % K2O, 18.4 % S
        label("potassium-sulfate", grade="0-0-50", form="dry", s=17.0),
        # MgSO4.7H2O 9.86 % Mg, 13.0 % S
        label("magnesium-sulfate", form="dry", mg=9.8, s=12.9),
        # nitrogen by form only
        label("urea", "ammonium-nitrate", n_nitrate=8.0, n_ammonium=8.0, n_urea=16.0),
        # two forms that do not make the total: the third follows
        label("uan-32", grade="32-0-0", n_nitrate=7.7, n_urea=16.3),
        # minor nutrients as chelates
        label("urea", "iron-edta", "zinc-edta", grade="5-0-0", fe=0.5, zn=0.25),
    ],
    ids=lambda product: f"{product.grade} {' '.join(product.derived_from)}",
)  # fmt: skip
def test_labels_that_are_right_have_no_fault(product: Product) -> None:
    """No fault is found where there is none."""
    known = composition(product, resolve)
    assert known.faults == ()
    assert known.gaps == ()


@given(
    st.tuples(*[st.floats(0.0, 15.0)] * 3),
    st.lists(st.floats(-0.3, 0.0), min_size=3, max_size=3),
)
@settings(max_examples=100, deadline=None, derandomize=True)
def test_forms_that_make_the_total_are_no_contradiction(forms: tuple[float, ...], off: list[float]) -> None:
    """Forms that add up to the total, each rounded or a little low, are no contradiction."""
    total = sum(forms)
    stated = {key: round(max(0.0, n + d), 1) for key, n, d in zip(NITROGEN_FORMS, forms, off, strict=True)}
    assert contradictions(label(grade=f"{int(total)}-0-0", **percents(stated))) == []


@pytest.mark.parametrize(
    ("nutrient", "percent", "other", "written"),
    # IUPAC weights: P2O5 141.943, P 30.974; K2O 94.195, K 39.098; CaO 56.077, Ca 40.078; MgO 40.304, Mg 24.305;
    # SO3 80.06, S 32.06
    [
        ("p2o5", 10.0, 22.914, "P"),
        ("k2o", 10.0, 12.046, "K"),
        ("ca", 10.0, 7.147, "CaO"),
        ("mg", 10.0, 6.030, "MgO"),
        ("s", 10.0, 4.004, "SO3"),
    ],
)
def test_the_other_basis(nutrient: str, percent: float, other: float, written: str) -> None:
    """A number on the other basis, with how it is written."""
    found = other_basis(nutrient, percent)
    assert found is not None
    assert found[0] == pytest.approx(other, rel=1e-3)
    assert found[1] == written
    assert other_basis("n", 10.0) is None

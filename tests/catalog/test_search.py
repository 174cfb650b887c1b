"""Finding products: typing errors, grades, nutrients."""

from __future__ import annotations

import pytest

from pourcheck import Catalog, InputError, Product, UnknownName
from pourcheck.catalog.species import elements_of
from pourcheck.catalog.store.free_of import split_query
from pourcheck.catalog.store.search import find


def ids(catalog: Catalog, query: str, limit: int = 10) -> list[str]:
    """What is found, best first."""
    return [match.product.id for match in catalog.find(query, limit)]


@pytest.mark.parametrize(
    ("expected", "query"),
    # Typing errors as they happen: a letter lost, doubled, swapped, or written as it is said.
    [
        ("calcium-nitrate", "calcum nitrate"),
        ("calcium-nitrate", "calcuim nitrate"),
        ("potassium-nitrate", "potasium nitrat"),
        ("ammonium-sulfate", "amonium sulphate"),
        ("magnesium-sulfate", "epsom slat"),
        ("monoammonium-phosphate", "monoamonium phosphate"),
        ("monopotassium-phosphate", "monopotasium phosphate"),
        ("uan-32", "urea amonium nitrate"),
        ("phosphoric-acid-75", "phosforic acid 75"),
        ("sulfuric-acid", "sulfuric acd"),
        ("sodium-hypochlorite", "bleech"),
        ("zinc-sulfate", "zink sulfate"),
        ("copper-sulfate", "coper sulfate"),
        ("manganese-sulfate", "mangnese sulfate"),
        ("sodium-molybdate", "sodium molibdate"),
        ("potassium-thiosulfate", "potasium thiosulfate"),
        ("gypsum", "gypsm"),
        ("seaweed-extract", "seaweed extrat"),
        ("alder-twenty-20-20-20", "alder twnety"),
    ],
)
def test_typing_errors_are_forgiven(catalog: Catalog, expected: str, query: str) -> None:
    """The product that is meant comes first."""
    assert expected == ids(catalog, query)[0]


@pytest.mark.parametrize(
    ("expected", "query"),
    [
        ("calcium-nitrate", "calcium nitrate"),
        ("calcium-nitrate", "  CALCIUM   Nitrate "),
        ("monopotassium-phosphate", "mkp"),
        ("potassium-nitrate", "KNO3"),
        ("ammonium-polyphosphate-10-34-0", "10-34-0"),
        ("uan-28", "28-0-0"),
        ("magnesium-sulfate", "Epsom salts"),
        ("elemental-sulfur", "sulfur"),
        ("alder-clear-10-0-10", "alder-clear-10-0-10"),
    ],
)
def test_an_exact_name_comes_first(catalog: Catalog, expected: str, query: str) -> None:
    """An id, name or alias that is written exactly is the first hit, for the reason of its name."""
    best = catalog.find(query)[0]
    assert expected == best.product.id
    assert best.why == "name"
    assert best.score == 100


def test_an_exact_name_comes_once(catalog: Catalog) -> None:
    """No product is found twice, by name and by grade."""
    for query in ("10-34-0", "urea", "28-0-0", "calcium"):
        found = ids(catalog, query, 500)
        assert len(found) == len(set(found))


@pytest.mark.parametrize(
    ("expected", "grade"),
    [
        ("alder-twenty-20-20-20", "20-20-20"),
        ("alder-clear-10-0-10", "10-0-10"),
        ("urea", "46-0-0"),
        ("urea", " 46-0-0 "),
        ("urea", "46.0-0-0.0"),
    ],
)
def test_an_equal_grade_comes_first(catalog: Catalog, expected: str, grade: str) -> None:
    """A grade finds the product of that grade first."""
    assert expected == ids(catalog, grade)[0]


def test_near_grades_follow(catalog: Catalog) -> None:
    """After equal grades come near ones, nearest first, none more than 12 percent off in all."""
    wanted = (10, 0, 10)
    off = []
    for match in catalog.find("10-0-10", 500):
        assert match.product.grade_percent is not None
        grade = match.product.grade_percent
        off.append(sum(abs(a - b) for a, b in zip(grade, wanted, strict=True)))
    assert off[0] == 0
    assert len(off) > 3
    assert off == sorted(off)
    assert off[-1] <= 12


def test_a_grade_that_is_far_from_all(catalog: Catalog) -> None:
    """A grade that nothing is near to finds nothing."""
    assert ids(catalog, "5-5-80") == []


def test_a_grade_that_cannot_be(catalog: Catalog) -> None:
    """A grade of more than 100 percent finds nothing."""
    assert ids(catalog, "90-90-90") == []


@pytest.mark.parametrize(
    ("expected", "query", "key"),
    [
        # Common practice, no source: what is richest in each.
        ("urea", "nitrogen", "n"),
        ("superphosphoric-acid", "phosphate", "p2o5"),
        ("disodium-octaborate", "boron", "b"),
        ("calcium-chloride", "calcium", "ca"),
        ("magnesium-sulfate-monohydrate", "magnesium", "mg"),
    ],
)
def test_a_nutrient_finds_the_richest(
    catalog: Catalog,
    expected: str,
    query: str,
    key: str,
) -> None:
    """A nutrient lists what holds it, the richest first, with its percentage; what is not for drip comes last."""
    found = catalog.find(query, 500)
    assert expected == found[0].product.id
    for_drip = [not match.not_for_drip and not match.no_fertilizer for match in found]
    assert for_drip == sorted(for_drip, reverse=True)
    for side in (True, False):
        shares = [match.product.percent(key) or 0.0 for match, fit in zip(found, for_drip, strict=True) if fit is side]
        assert shares == sorted(shares, reverse=True)
        assert all(share > 0 for share in shares)
    assert all("%" in match.why for match in found)
    holders = [p for p in catalog.products() if (p.percent(key) or 0.0) > 0.1]
    assert {p.id for p in holders} <= {match.product.id for match in found}


def test_potash_is_a_name_and_a_nutrient(catalog: Catalog) -> None:
    """ "Potash" finds the carbonate that was called so, then everything with potassium."""
    assert ids(catalog, "potash")[0] == "potassium-carbonate"
    assert "potassium-chloride" in ids(catalog, "potash", 3)


@pytest.mark.parametrize("limit", [1, 2, 5, 500])
def test_the_limit(catalog: Catalog, limit: int) -> None:
    """No more than the limit, and the same order as without one."""
    everything = ids(catalog, "nitrate", 500)
    assert everything[:limit] == ids(catalog, "nitrate", limit)


@pytest.mark.parametrize("query", ["", "   ", "zzzzqqqq", "####", "※", "1:100", "\x00", "ωψχ"])
def test_nothing_is_found(catalog: Catalog, query: str) -> None:
    """What is like nothing finds nothing, quietly."""
    assert ids(catalog, query) == []


def test_a_long_query(catalog: Catalog) -> None:
    """A long text is no error."""
    catalog.find("calcium nitrate " * 500)


def test_scores_fall(catalog: Catalog) -> None:
    """Hits by name come in order of their score, none above 100; those that are not for drip behind."""
    scores = [match.score for match in catalog.find("potasium", 500) if not match.not_for_drip]
    assert scores == sorted(scores, reverse=True)
    assert max(scores) <= 100


def test_finding_in_a_list_of_ones_own() -> None:
    """Any list of products can be searched."""
    mine = Product(id="mine", name="Mine", form="dry", aliases=("the blue bag",))
    assert [match.product for match in find([mine], "blue bag")] == [mine]
    assert find([], "blue bag") == []


@pytest.mark.parametrize(
    ("said", "product_id"),
    [
        ("46-0-0", "urea"),
        ("13-0-46", "potassium-nitrate"),
        ("13-0-44", "potassium-nitrate"),
        ("12-61-0", "monoammonium-phosphate"),
        ("0-52-34", "monopotassium-phosphate"),
        ("21-0-0", "ammonium-sulfate"),
        ("34-0-0", "ammonium-nitrate"),
        ("CAN-17", "calcium-ammonium-nitrate-solution"),
        ("KTS", "potassium-thiosulfate"),
        ("CaTS", "calcium-thiosulfate"),
        ("ATS", "ammonium-thiosulfate"),
        ("SOP", "potassium-sulfate"),
        ("KCl", "potassium-chloride"),
        ("Epsom", "magnesium-sulfate"),
        ("humic", "humic-acid"),
        ("household bleach", "household-bleach"),
        ("vinegar", "acetic-acid-5"),
    ],
)
def test_names_of_the_trade(catalog: Catalog, said: str, product_id: str) -> None:
    """Grades of straights, and short names (common practice, no source)."""
    assert catalog.product(said).id == product_id


def test_a_grade_that_several_materials_bear_is_none_of_them(catalog: Catalog) -> None:
    """0-0-50 is potassium sulfate, soluble or granular: the answer depends on which."""
    with pytest.raises(UnknownName) as unknown:
        catalog.product("0-0-50")
    assert {"potassium sulfate", "potassium sulfate, granular"} <= set(unknown.value.nearest)


#: What people write, and the first of what is offered for it; None: nothing is.
NEAREST: dict[str, str | None] = {
    # misspelled
    "sea weed": "seaweed extract",
    "calcium nitrat": "calcium nitrate",
    "calcum nitrate": "calcium nitrate",
    "potasium nitrate": "potassium nitrate",
    "amonium nitrate": "ammonium nitrate",
    "amonium sulphate": "ammonium sulfate",
    "magnesium sulfat": "magnesium sulfate",
    "epson salt": "magnesium sulfate",
    "epsom slat": "magnesium sulfate",
    "uria": "urea",
    "MKPP": "monopotassium phosphate",
    "SOPP": "potassium sulfate",
    "KTSS": "potassium thiosulfate",
    "uan32": "UAN-32",
    "nitrat of soda": "sodium nitrate",
    "superphosfate": "ordinary superphosphate",
    "copper sulfat": "copper sulfate",
    "iron chelate": "iron DTPA",
    "fsh emulsion": "fish hydrolysate",
    "sulfur dust": "elemental sulfur",
    "thiosulfat": "calcium thiosulfate",
    "potasium hydroxyde": "potassium hydroxide solution",
    "bleech": None,
    "viniger": None,
    # acid by name, and mild
    "humic acit": "humic acid",
    "humate": "humic acid",
    "fulvic": "humic acid",
    "boric": "boric acid",
    "borik acid": "boric acid",
    "amino acid": None,
    # what only an acid, a lye, an oxidizer is called
    "citric": "citric acid",
    "nitric": "nitric acid",
    "sulphuric": "sulfuric acid",
    "muriatic": "hydrochloric acid",
    "phosphoric": "phosphoric acid 75 %",
    "fosforic acid": "phosphoric acid 75 %",
    "lye": "potassium hydroxide solution",
    "caustic": "potassium hydroxide solution",
    "peroxide": "hydrogen peroxide",
    # harmless, and not in the catalog
    "baking soda": None,
    "citrate": "calcium nitrate",
    "hydrochlorid": None,
    "sugar": None,
    "molasses": None,
    "manure": None,
    "guano": None,
    "blood meal": None,
    "feather meal": None,
    "kelp meal": None,
    "compost tea": None,
    "worm castings": None,
    "wood ash": None,
    "table salt": None,
    "lemon juice": None,
    "water": None,
    "detergent": None,
    "silica": None,
    "trace elements": None,
    "micro nutrients": None,
    "azomite": None,
    "ph down": None,
    "acidifier": None,
    "battery acid": None,
    # parts of names
    "muriate": "potassium chloride, red granular",
    "bone": "bone meal",
    "lime": "dolomite",
    "starter": "starter solution 7-21-7",
    "calcium ammonium": "calcium ammonium nitrate solution",
    "hydrogen": "hydrogen peroxide",
}


@pytest.mark.parametrize("said", NEAREST)
def test_the_nearest_names(catalog: Catalog, said: str) -> None:
    """What is meant comes first, or nothing is offered. Common practice, no source."""
    with pytest.raises(UnknownName) as unknown:
        catalog.product(said)
    assert next(iter(unknown.value.nearest), None) == NEAREST[said]


def test_who_writes_acid_is_offered_acids(catalog: Catalog) -> None:
    """Mild ones and strong ones, and nothing else."""
    with pytest.raises(UnknownName) as unknown:
        catalog.product("acid")
    assert unknown.value.nearest
    assert all("acid" in name for name in unknown.value.nearest)


#: Words that tell of an acid, a lye or an oxidizer; safety data sheets, from memory.
WARNING = ("acid", "ric", "atic", "nitric", "lye", "caustic", "hydroxyde", "peroxide", "hydrogen")


@pytest.mark.parametrize(
    "said",
    [
        *(said for said in NEAREST if not said.endswith(WARNING) and not said.startswith("acid")),
        *("ammonia", "ammonium", "phosphor", "phosphat", "sulfate", "nitrate", "carbonate", "chlorid", "potassium"),
    ],
)
def test_a_harmless_word_never_points_to_an_acid(catalog: Catalog, said: str) -> None:
    """Nor to a lye, a bleach or what gives off ammonia, in any place of what is offered."""
    with pytest.raises(UnknownName) as unknown:
        catalog.product(said)
    for name in unknown.value.nearest:
        assert not {"acid", "alkali", "hypochlorite", "ammonia-gas"} & set(catalog.product(name).hazards), name


@pytest.mark.parametrize("said", ["muriatic", "phosphoric", "sulphuric", "nitric", "chlorine", "lye", "battery acid"])
def test_a_warning_word_never_points_to_something_harmless(catalog: Catalog, said: str) -> None:
    """Muriatic acid is not muriate of potash."""
    with pytest.raises(UnknownName) as unknown:
        catalog.product(said)
    for name in unknown.value.nearest:
        assert catalog.product(name).hazards, name


# --- without something, and what is not for drip --------------------------------------------------


@pytest.mark.parametrize(
    ("query", "words", "left"),
    [
        ("no phosphorus", "", ["phosphorus"]),
        ("No Phosphorus", "", ["phosphorus"]),
        ("chloride free", "", ["chloride"]),
        ("chloride-free potash", "potash", ["chloride"]),
        ("nitrogen without phosphorus", "nitrogen", ["phosphorus"]),
        ("without phosphorous", "", ["phosphorus"]),
        ("nitrogen, no phosphorus or chloride", "nitrogen", ["phosphorus", "chloride"]),
        ("potash without sodium, boron and sulfate", "potash", ["sodium", "boron", "sulfate"]),
        ("boron free no sodium magnesium", "magnesium", ["boron", "sodium"]),
        ("free of ammonium", "", ["ammonium"]),
        ("no P", "", ["phosphate"]),
        ("calcium with no sulphur", "calcium", ["sulphur"]),
        ("urea", "urea", []),
        ("nothing fancy", "nothing fancy", []),
        ("Alder Low 6-18-3", "alder low 6-18-3", []),
        ("low biuret urea", "low biuret urea", []),
    ],
)
def test_what_is_to_be_left_out(query: str, words: str, left: list[str]) -> None:
    """ "No", "without", "free of" before it, "free" behind it, among other words."""
    rest, found = split_query(query)
    assert (rest, [one.spoken for one in found]) == (words, left)


@pytest.mark.parametrize("query", ["no acid", "without dust", "smell free", "low phosphorus", "low in sodium"])
def test_what_cannot_be_left_out(catalog: Catalog, query: str) -> None:
    """What products are not known by, and words that name no limit, are refused, and never taken for a name."""
    with pytest.raises(InputError):
        catalog.find(query)


@pytest.mark.parametrize(
    ("query", "without", "element"),
    [
        ("no phosphorus", (), "P"),
        ("", ("phosphorus",), "P"),
        ("nitrogen", ("phosphorus",), "P"),
        ("chloride free", (), "Cl"),
        ("potash", ("chloride",), "Cl"),
        ("no sodium", (), "Na"),
        ("boron-free", (), "B"),
        ("no calcium", (), "Ca"),
        ("no sulfate", (), "S"),
        ("no nitrogen", ("potassium",), "K"),
    ],
)
def test_nothing_that_holds_it_is_listed(catalog: Catalog, query: str, without: tuple[str, ...], element: str) -> None:
    """Whatever is listed has no atom of it in its formulas and the formulas of the materials on its label, or says that
    it is not known; every material whose formulas lack it is listed where nothing else is asked."""
    found = {match.product.id: match for match in catalog.find(query, 500, without)}
    assert found
    for match in found.values():
        made_of = [match.product] if match.product.content else [catalog.product(n) for n in match.product.derived_from]
        known = bool(made_of) and all(material.content for material in made_of)
        holds = any(element in elements_of(part.formula) for material in made_of for part in material.content)
        assert not holds or match.not_known, match.product.id
        assert known or match.not_known, match.product.id
    if query and not without:
        lacking = {
            p.id
            for p in catalog.materials()
            if p.content and not any(element in elements_of(c.formula) for c in p.content)
        }
        assert lacking <= found.keys()


def test_without_more_than_one(catalog: Catalog) -> None:
    """Nitrogen without phosphorus and ammonium: urea and potassium nitrate, no ammonium nitrate, no MAP."""
    found = {match.product.id for match in catalog.find("nitrogen", 500, ["phosphorus", "ammonium"])}
    assert {"urea", "potassium-nitrate", "magnesium-nitrate"} <= found
    assert not {"ammonium-nitrate", "monoammonium-phosphate", "uan-32"} & found


def test_what_may_hold_it_comes_behind(catalog: Catalog) -> None:
    """A label that names no sources, and a material of no formula, say so and follow what is known."""
    found = catalog.find("no phosphorus", 500)
    doubt = [bool(match.not_known) for match in found if not match.not_for_drip and not match.no_fertilizer]
    assert doubt == sorted(doubt)
    unknown = next(match for match in found if match.product.id == "seaweed-extract")
    assert unknown.not_known == ("phosphorus: not known",)
    unlisted = Product(id="mine", name="Mine", form="liquid", grade="10-0-10")
    assert find([unlisted], "no chloride")[0].not_known == ("chloride: not known",)


@pytest.mark.parametrize(
    ("product_id", "reason"),
    # Handbook and trade notes of the rules insoluble-source, slow-release-source and particles-in-product.
    [
        ("ground-limestone", "does not dissolve"),
        ("rock-phosphate", "does not dissolve"),
        ("elemental-sulfur", "does not dissolve"),
        ("sulfur-coated-urea", "slow-release grains"),
        ("triple-superphosphate", "leaves particles"),
        ("potassium-chloride-red", "leaves particles"),
        ("gypsum", "a suspension of particles"),
        ("urea", ""),
        ("potassium-nitrate", ""),
        ("phosphoric-acid-75", ""),
    ],
)
def test_not_for_drip(catalog: Catalog, product_id: str, reason: str) -> None:
    """What leaves solids is marked, wherever it is found."""
    assert catalog.find(product_id)[0].not_for_drip == reason


def test_a_product_of_what_does_not_dissolve_is_not_for_drip() -> None:
    """The mark follows the label's sources."""
    lime = Product(id="lime", name="lime", form="dry", kind="material", dissolving="insoluble")
    mixed = Product(id="mixed", name="Mixed", form="dry", grade="5-0-0", derived_from=("lime",))
    assert find([lime, mixed], "Mixed")[0].not_for_drip == "holds lime: does not dissolve"


@pytest.mark.parametrize(
    ("product_id", "feeds"),
    [("household-bleach", False), ("hydrogen-peroxide", False), ("acetic-acid-5", False), ("nitric-acid", True)],
)
def test_what_only_cleans_is_no_fertilizer(catalog: Catalog, product_id: str, feeds: bool) -> None:
    """Bleach, peroxide and vinegar are marked; an acid that feeds is not."""
    assert bool(catalog.find(product_id)[0].no_fertilizer) is not feeds

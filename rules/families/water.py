"""Rules of the water by itself: what it carries, and whether its test can be trusted."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import date

import numpy as np

from ...catalog.quantity.named import NAMED_UNITS
from ...catalog.quantity.table import (
    ALKALINITY,
    BACTERIA,
    CALCIUM,
    HARDNESS,
    IRON,
    LINE_TEMPERATURE,
    MANGANESE,
    PH,
    QUANTITIES,
    SULFIDE,
    SUSPENDED_SOLIDS,
    Quantity,
)
from ...catalog.species import molar_mass_g_per_mol
from ...catalog.water.bounds import ec_agreement
from ...catalog.water.quality import (
    charge_balance,
    class_limits,
    hardness_may_be_grains,
    misreadings,
    softened_or_grains,
)
from ..case.case import Case
from ..judge.forming import IRON_MODERATE_MG_PER_L, IRON_SEVERE_MG_PER_L
from ..judge.rule import Level, Outcome, Rule, same
from ..judge.turns import HEAT, Turns
from ..policy import usual_mg_per_l
from .line import LIME_CLOUDS_SI, LIME_OVER_SI, LIME_SCALES_SI

_NOT_TESTED = (
    f"Iron in the water: not tested. From {IRON_SEVERE_MG_PER_L:g} mg/L it closes emitters, whatever is poured."
)


def _iron(case: Case) -> Outcome | None:
    iron = case.of(IRON)
    ochre = iron * molar_mass_g_per_mol("Fe(OH)3") / molar_mass_g_per_mol("Fe")
    phosphate = case.brings("PO4-3")
    # Not tested, and nothing in the pour makes iron worse: the water's own matter, and never clear.
    own = ~(phosphate | case.brings("OCl-", "CO3-2") | case.alkaline)
    if case.question.stated(IRON):
        own[:] = False
    if own.all():
        return Outcome(
            same(case, Level.CAUTION),
            lambda _: _NOT_TESTED,
            numbers={"moderate_from_mg_per_l": IRON_MODERATE_MG_PER_L, "severe_from_mg_per_l": IRON_SEVERE_MG_PER_L},
            do=("Find out: iron test strip, or iron on a lab water test.",),
        )
    level = np.where(own, int(Level.CAUTION), int(Level.NONE))
    level[~own & (iron >= IRON_MODERATE_MG_PER_L)] = Level.CAUTION
    level[~own & (iron >= IRON_SEVERE_MG_PER_L)] = Level.STOP
    if not level.any():
        return None

    def message(n: Mapping[str, float]) -> str:
        if own[int(n["row"])]:
            return _NOT_TESTED
        kind = "severe" if n["water_iron_mg_per_l"] >= IRON_SEVERE_MG_PER_L else "moderate"
        tail = " Phosphate makes iron phosphate of it at once." if phosphate[int(n["row"])] else ""
        return (
            f"Iron in the water, {n['water_iron_mg_per_l']:.2g} mg/L ({kind} clogging class): air turns it to "
            f"{n['ochre_mg_per_l']:.2g} mg/L of ochre, and slime feeds on it.{tail}"
        )

    mixed = case.line.before_solids
    return Outcome(
        level,
        message,
        numbers={
            "water_iron_mg_per_l": iron,
            "ochre_mg_per_l": ochre,
            "siderite_saturation_index": mixed.si("Siderite"),
            "vivianite_saturation_index": mixed.si("Vivianite"),
        },
        do=(
            "Take the iron out first: aerate and settle, or oxidize and filter; ask an adviser.",
            *(("Keep phosphate out of this water.",) if phosphate.any() else ()),
        ),
        severity=iron,
    )


IRON_IN_WATER = Rule(
    name="iron-in-water",
    family="line",
    may_be_lowered=True,
    swap_helps=True,
    levels=(Level.STOP, Level.CAUTION),
    asks="Does the water carry iron?",
    headline="Iron in the water {will} turn to rust and slime and block emitters.",
    brief="iron in the water",
    plain="Iron in well water is clear until it meets air; then it is rust, and slime grows on it.",
    chemistry="Fe2+ oxidizes to Fe(OH)3; with phosphate to strengite or vivianite. Classes of water: 0.1 and 1.5 mg/L.",
    cure="Remove iron before the drip.",
    sources=(
        "Bucks, Nakayama and Gilbert 1979 classes, as reprinted",
        "Rottenberg, interaction among fertilizers: iron in water with phosphate makes solids",
    ),
    check=_iron,
)


@dataclass(frozen=True)
class _Class:
    """An item of a water test that has clogging classes: its name, what it does, what to do."""

    quantity: Quantity
    spoken: str
    what: str
    do: str


_MANGANESE = _Class(
    MANGANESE,
    "Manganese",
    "it turns to black slime and scale, more slowly than iron",
    "Oxidize and filter; chlorine alone does not do it. Ask an adviser.",
)
_SULFIDE = _Class(
    SULFIDE,
    "Hydrogen sulfide",
    "sulfur bacteria make white threads of it",
    "Aerate before the drip, and keep the line clean of slime.",
)
_SOLIDS = _Class(
    SUSPENDED_SOLIDS,
    "Suspended solids",
    "they settle in laterals and emitters",
    "Settle and filter before the drip.",
)
_BACTERIA = _Class(
    BACTERIA,
    "Bacteria",
    "they grow to slime, and feed makes them grow faster",
    "Treat the line as the emitter's maker says, as a cycle of its own, never with feed.",
)


def _by_class(entry: _Class) -> Callable[[Case], Outcome | None]:
    """A check of one item of the water test against its clogging classes; not tested: a note."""

    limits = class_limits()[entry.quantity.name]
    ending = next(ending for ending, unit in NAMED_UNITS.items() if unit == limits.unit)
    key = f"in_water{ending}"

    def run(case: Case) -> Outcome | None:
        value = case.of(entry.quantity)
        if value is None or not case.question.stated(entry.quantity):
            return Outcome(
                same(case, Level.NOTE),
                lambda _: (
                    f"{entry.spoken} in the water: not tested (trouble from {limits.moderate_from:g} {limits.unit})."
                ),
                do=(f"Ask for it on the next water test ({limits.unit}).",),
            )
        level = np.where(value >= limits.moderate_from, int(Level.CAUTION), int(Level.NONE))
        level[value >= limits.severe_from] = Level.STOP
        if not level.any():
            return None

        def message(n: Mapping[str, float]) -> str:
            kind = "severe" if n[key] >= limits.severe_from else "moderate"
            return f"{entry.spoken} in the water, {n[key]:.3g} {limits.unit} ({kind} clogging class): {entry.what}."

        return Outcome(
            level,
            message,
            numbers={
                key: value,
                f"moderate_from{ending}": limits.moderate_from,
                f"severe_from{ending}": limits.severe_from,
            },
            do=(entry.do,),
        )

    return run


MANGANESE_IN_WATER = Rule(
    name="manganese-in-water",
    family="line",
    may_be_lowered=True,
    levels=(Level.STOP, Level.CAUTION, Level.NOTE),
    asks="Does the water carry manganese?",
    headline="Manganese in the water {will} leave black deposits in the emitters.",
    brief="manganese in the water",
    plain="Manganese makes black deposits, slower than iron and harder to clean.",
    chemistry="Mn2+ oxidizes to MnO2, helped by bacteria. Classes of water: 0.1 and 1.5 mg/L.",
    cure="Remove it before the drip.",
    sources=("Bucks, Nakayama and Gilbert 1979 classes, as reprinted",),
    check=_by_class(_MANGANESE),
)


SULFIDE_IN_WATER = Rule(
    name="sulfide-in-water",
    family="line",
    may_be_lowered=True,
    levels=(Level.STOP, Level.CAUTION, Level.NOTE),
    asks="Does the water smell of hydrogen sulfide?",
    headline="Sulfide in the water {will} feed slime that blocks emitters.",
    brief="sulfide in the water",
    plain="Rotten-egg water feeds sulfur bacteria, whose threads close emitters.",
    chemistry="H2S oxidizes to sulfur by bacteria. Classes of water: 0.5 and 2 mg/L; later reprints begin at 0.2.",
    cure="Aerate.",
    sources=(
        "Bucks, Nakayama and Gilbert 1979 classes, as reprinted",
        "from memory: US extension reprints begin the moderate class at 0.2 mg/L",
    ),
    check=_by_class(_SULFIDE),
)


SOLIDS_IN_WATER = Rule(
    name="solids-in-water",
    family="line",
    may_be_lowered=True,
    levels=(Level.STOP, Level.CAUTION, Level.NOTE),
    asks="Does the water carry silt or sand?",
    headline="Silt or sand in the water {will} settle and block emitters.",
    brief="silt or sand in the water",
    plain="Silt passes a coarse filter and settles where the water is slow.",
    chemistry="Suspended solids, classes 50 and 100 mg/L.",
    cure="Settling and a finer filter.",
    sources=("Bucks, Nakayama and Gilbert 1979 classes, as reprinted",),
    check=_by_class(_SOLIDS),
)


BACTERIA_IN_WATER = Rule(
    name="bacteria-in-water",
    family="line",
    may_be_lowered=True,
    levels=(Level.STOP, Level.CAUTION, Level.NOTE),
    asks="Does the water carry many bacteria?",
    headline="Bacteria in the water {will} make slime that blocks emitters.",
    brief="bacteria in the water",
    plain="Bacteria make slime, and slime glues silt and lime scale together.",
    chemistry="Classes of water: 10,000 and 50,000 per mL.",
    cure="A treatment of its own.",
    sources=("Bucks, Nakayama and Gilbert 1979 classes, as reprinted",),
    check=_by_class(_BACTERIA),
)


def _scales_by_itself(case: Case) -> Outcome | None:
    """Lime of the water alone, whatever is poured."""
    si = case.water_in_line.before_solids.si("Calcite")
    level = np.where(si > LIME_OVER_SI, int(Level.NOTE), int(Level.NONE))
    level[si > LIME_SCALES_SI] = Level.CAUTION
    if not level.any():
        return None
    return Outcome(
        level,
        lambda n: (
            f"The water leaves lime scale by itself, whatever is poured (calcite index "
            f"{n['water_alone_saturation_index']:+.2f} at {n['line_temperature_c']:.0f} degC)."
            + (" It clouds as it runs: no water for drip without treatment." if _clouds(n) else "")
        ),
        numbers={"water_alone_saturation_index": si, "line_temperature_c": case.line_temperature_c},
        do=("Shade or bury the tube; ask an adviser about a licensed acid treatment of this water.",),
        severity=si,
    )


def _clouds(n: Mapping[str, float]) -> bool:
    return n["water_alone_saturation_index"] > LIME_CLOUDS_SI


WATER_SCALES_BY_ITSELF = Rule(
    name="water-scales-by-itself",
    family="water",
    may_be_lowered=True,
    levels=(Level.CAUTION, Level.NOTE),
    asks="Does the water leave lime scale by itself, at the temperature of the line?",
    headline="The water leaves lime scale in a warm line even without feed.",
    brief="lime scale from the water itself",
    plain="Hard, alkaline water leaves lime scale in warm drip lines with no feed in it at all.",
    chemistry="Calcite index of the plain water, closed to air, at the line's temperature. From 0.3 it builds up in emitters.",
    cure="Shade, flush, or a licensed acid treatment.",
    sources=("minteq.v4.dat (NIST 46)", "from memory: Langelier index classes; 0.3 for drip: design choice"),
    turns=Turns(worse=(CALCIUM, ALKALINITY, PH), either={(LINE_TEMPERATURE,): HEAT}),
    check=_scales_by_itself,
)


#: A test that is off by more than this [percent] cannot be used; by more than the first, only with care.
_OFF_CAUTION, _OFF_UNKNOWN = 10.0, 25.0


def _balance(case: Case) -> Outcome | None:
    water = case.question.water
    ranges = usual_mg_per_l(case.question.usual)
    found = charge_balance(water, ranges) if water is not None else None
    if water is None or found is None or abs(found.off_percent) <= found.allowed_percent:
        return None
    off = abs(found.off_percent)
    level = Level.UNKNOWN if off > _OFF_UNKNOWN else Level.CAUTION if off > _OFF_CAUTION else Level.NOTE
    more, less = ("cations", "anions") if found.off_percent > 0 else ("anions", "cations")
    slips = misreadings(water, ranges) if level > Level.NOTE else []
    guess = "".join(f" {slip.words[0].upper()}{slip.words[1:]}." for slip in slips[:1])
    # What is not tested stands at the end of its range that helps.
    sides = {"cations": found.cations_meq_per_l, "anions": found.anions_meq_per_l}

    def message(n: Mapping[str, float]) -> str:
        return (
            f"The water test does not balance: {n['more_meq_per_l']:.3g} meq/L of {more} against "
            f"{n['less_meq_per_l']:.3g} of {less}, {n['off_percent']:.0f} % apart (a good test: "
            f"{n['allowed_percent']:.0f} %).{guess}"
        )

    return Outcome(
        same(case, level),
        message,
        numbers={
            "more_meq_per_l": sides[more][0],
            "less_meq_per_l": sides[less][1],
            "off_percent": off,
            "allowed_percent": found.allowed_percent,
        },
        do=(
            "Read the units of the water test again, line by line: CaCO3 or the ion, mg/L or grains or meq/L.",
            "Or have it tested again.",
        ),
    )


WATER_TEST_DOES_NOT_BALANCE = Rule(
    name="water-test-does-not-balance",
    family="water",
    may_be_lowered=True,
    levels=(Level.UNKNOWN, Level.CAUTION, Level.NOTE),
    asks="Do the charges of the water test balance?",
    headline="The water test does not add up: a number or a unit in it is wrong.",
    brief="a water test that does not add up",
    plain="Every water holds as much plus as minus. A test that does not has a line on the wrong unit or a wrong number, "
    "and then the answer here is about another water.",
    chemistry="Cations against anions in meq/L, alkalinity as anion; what was not tested stands where it helps most within "
    "its range. Above 10 % a caution, above 25 % nothing is said about this water. Usual slips of one unit are tried, and "
    "the one that balances is named.",
    cure="The units, or a new test.",
    sources=(
        "from memory: Standard Methods for the Examination of Water and Wastewater, 1030 E: 0.2 meq/L, 2 %, 5 % by sum",
        "common practice, no source: 10 % for a test that can be used at all; 25 %: design choice",
    ),
    check=_balance,
)


#: EC that is off by more than this many times what the ions of the test make speaks of another water (design choice).
_EC_OFF_UNKNOWN = 2.0


def _ec(case: Case) -> Outcome | None:
    water = case.question.water
    found = ec_agreement(water) if water is not None else None
    if found is None or found.times_off == 1.0:
        return None
    high = found.times_off > 1.0
    off = max(found.times_off, 1.0 / found.times_off)
    cause = "an ion that was not tested, or a unit" if high else "a unit or a number that is too high"

    def message(n: Mapping[str, float]) -> str:
        return (
            f"The EC of the water test is {n['ec_ms_per_cm']:.3g} mS/cm; the ions that were tested make "
            f"{'at most' if high else 'at least'} {n['of_ions_ms_per_cm']:.3g}. Look for {cause}."
        )

    return Outcome(
        same(case, Level.UNKNOWN if off > _EC_OFF_UNKNOWN else Level.CAUTION),
        message,
        numbers={
            "ec_ms_per_cm": found.stated[1] if not high else found.stated[0],
            "of_ions_ms_per_cm": found.expected[1] if high else found.expected[0],
        },
        do=(
            "Read the units of the water test again, line by line, and that of the EC: mS/cm or uS/cm.",
            "Have the ions that are missing tested: sulfate, chloride, sodium, potassium, nitrate."
            if high
            else "Or have it tested again.",
        ),
    )


EC_DOES_NOT_FIT_TEST = Rule(
    name="ec-does-not-fit-test",
    family="water",
    may_be_lowered=True,
    levels=(Level.UNKNOWN, Level.CAUTION),
    asks="Is the EC of the water what its ions make?",
    headline="The water test and its EC do not fit: one of them is wrong.",
    brief="a water test at odds with its EC",
    plain="EC counts everything that is dissolved. More than the tested ions make tells of ions that nobody tested; less "
    "tells of a number or a unit that is too high.",
    chemistry="Each ion adds its conductivity in thin solution at most; what ions take from each other grows with the root "
    "of the EC, most where calcium and magnesium meet sulfate. Items that were not tested count as far as charges allow. "
    "Beyond 5 mS/cm nothing is said.",
    cure="The units, the ions that are missing, or a new test.",
    sources=(
        "from memory: CRC Handbook of Chemistry and Physics, equivalent conductivity of ions",
        "PHREEQC (phreeqc.dat): conductance of salts of waters up to 5 mS/cm",
        "common practice, no source: meters within 5 %; twice: design choice",
    ),
    check=_ec,
)


def _grains(case: Case) -> Outcome | None:
    water = case.question.water
    grains = hardness_may_be_grains(water) if water is not None else None
    if water is None or grains is None:
        return None
    odd = softened_or_grains(water)
    return Outcome(
        same(case, Level.CAUTION if odd else Level.NOTE),
        lambda n: (
            ("So little hardness with so much alkalinity is" if odd else "So little hardness may be")
            + " softened water, or grains per gallon that were read as mg/L "
            f"(it would be {n['if_grains_mg_per_l_caco3']:.0f} mg/L CaCO3); both were looked at."
        ),
        numbers={"if_grains_mg_per_l_caco3": grains},
        do=(
            "Find out: the unit on the strip or report; write gpg for grains.",
            "If the water is softened, say so (softened = true) or give its sodium.",
        ),
    )


HARDNESS_MAY_BE_GRAINS = Rule(
    name="hardness-may-be-grains",
    family="water",
    may_be_lowered=True,
    levels=(Level.CAUTION, Level.NOTE),
    asks="Was hardness in grains per gallon taken for mg/L?",
    headline="Hardness may be in grains per gallon: the water may be hard.",
    brief="hardness perhaps in grains",
    plain="Strips print grains per gallon: 12 grains are 205 mg/L. Read as 12 mg/L, a hard well looks soft.",
    chemistry="Alkalinity of ground water comes with calcium and magnesium; more than three times the hardness is sodium, "
    "from a softener or from sodium bicarbonate rock. Where a low hardness was typed in mg/L without sodium, the pour is "
    "swept over both units, and is unknown where they differ.",
    cure="The unit, a sodium test, or the word that there is a softener.",
    sources=(
        "US grain per US gallon: 17.1 mg/L, by definition",
        "from memory: softeners trade calcium for sodium; limits of the rule: design choice",
    ),
    check=_grains,
)


#: A well changes slowly, with drought and pumping (common practice, no source).
_OLD_YEARS = 3.0


def _old(case: Case) -> Outcome | None:
    water = case.question.water
    if water is None or water.tested_on is None:
        return None
    stated = case.question.day_stated
    years = (case.question.day - date.fromisoformat(water.tested_on)).days / 365.25
    if years < 0.0 and stated:
        return Outcome(
            same(case, Level.NOTE),
            lambda _: f"The water test is dated {water.tested_on}, after the day of this pour.",
            do=("Check the date.",),
        )
    if years <= _OLD_YEARS:
        return None
    return Outcome(
        same(case, Level.NOTE),
        lambda n: f"The water test is {_aged(n['years'], stated)} old; wells change with drought and pumping.",
        numbers={"years": years},
        do=("Test the water again, at the end of a dry summer.",),
    )


def _aged(years: float, stated: bool) -> str:
    return f"{years:.0f} years" if stated else f"at least {int(years)} years"


WATER_TEST_OLD = Rule(
    name="water-test-old",
    family="water",
    may_be_lowered=True,
    levels=(Level.NOTE,),
    asks="Is the water test of an age to be trusted?",
    headline="The water test is old, and wells change.",
    brief="an old water test",
    plain="Wells change with drought, pumping and the season.",
    chemistry="Calcium, alkalinity and iron drift; a test at the end of a dry summer shows the worst.",
    cure="A new test every few years.",
    sources=("common practice, no source",),
    check=_old,
)


def _incomplete(case: Case) -> Outcome | None:
    water = case.question.water
    missing = [
        quantity.name
        for quantity in QUANTITIES.values()
        if quantity.asked_for
        and not case.question.stated(quantity)
        and not (quantity is CALCIUM and case.question.stated(HARDNESS))
    ]
    if water is None:
        missing = []
    elif not missing:
        return None
    names = ", ".join("pH" if name == "ph" else name for name in missing)
    what = f"The water test leaves out {names}" if missing else "No water test"
    return Outcome(
        same(case, Level.NOTE),
        lambda _: f"{what}: what is not tested is swept over its range, never taken as harmless.",
        do=("Ask the lab for an irrigation water test with calcium, magnesium, alkalinity, pH, sulfate and iron.",),
    )


WATER_TEST_INCOMPLETE = Rule(
    name="water-test-incomplete",
    family="water",
    may_be_lowered=True,
    levels=(Level.NOTE,),
    asks="Does the water test hold what an answer needs?",
    headline="The water test leaves out what matters for this pour.",
    brief="an incomplete water test",
    plain="What was not tested is not harmless; it is only not known.",
    chemistry="Each item left out is swept over its usual range; what decides is named in the answer.",
    cure="An irrigation water test.",
    sources=(
        "design choice; Trade notes: bicarbonate, calcium and pH come first, then iron, manganese, sulfide, bacteria",
    ),
    check=_incomplete,
)


RULES = (
    IRON_IN_WATER,
    MANGANESE_IN_WATER,
    SULFIDE_IN_WATER,
    SOLIDS_IN_WATER,
    BACTERIA_IN_WATER,
    WATER_SCALES_BY_ITSELF,
    WATER_TEST_DOES_NOT_BALANCE,
    EC_DOES_NOT_FIT_TEST,
    HARDNESS_MAY_BE_GRAINS,
    WATER_TEST_OLD,
    WATER_TEST_INCOMPLETE,
)

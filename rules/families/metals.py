"""Rules of iron, manganese, zinc and copper: phosphates, hydroxides, and the chelates that hold them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np

from ...catalog.quantity.table import (
    ALKALINITY,
    AMOUNT_FACTOR,
    BUCKET_TEMPERATURE,
    CALCIUM,
    INJECTION_RATIO,
    LINE_TEMPERATURE,
    PH,
)
from ...catalog.species import SPECIES
from ..case.case import Case, Mask, Place
from ..chemistry.constants import Floats
from ..chemistry.phases import phases
from ..judge.advice import FLUSH, JAR_TEST, TWO_BUCKETS
from ..judge.forming import (
    IRON_MODERATE_MG_PER_L,
    IRON_SEVERE_MG_PER_L,
    Alone,
    alone,
    stop_mg_per_l,
)
from ..judge.rule import Level, Levels, Outcome, Rule, taken, worst_of
from ..judge.turns import BUFFERS, HEAT, OTHER_SOLIDS, OWN_PH, SLIGHTLY, Turns

#: What the metals make with phosphate, and with the hydroxide and carbonate of the water: species -> phases.
_PHOSPHATES = {
    "Zn+2": ("Hopeite",),
    "Mn+2": ("Mn3PO42_3H2O",),
    "Fe+2": ("Vivianite",),
    "Cu+2": ("Cu3PO42_3H2O",),
    "Fe+3": ("Strengite",),
}
_ALKALINE = {
    "Zn+2": ("Zn(OH)2_am", "Hydrozincite", "Smithsonite"),
    "Cu+2": ("CuOH2", "Malachite"),
    "Mn+2": ("Pyrochroite", "Rhodochrosite"),
    "Fe+2": ("Siderite",),
}
#: A metal phosphate is worth a word from this much on [mg/L]; a hydroxide or carbonate, of which every well leaves a
#: trace, from this share of what stops.
_PHOSPHATE_HAZE_MG_PER_L = 1.0
_ALKALINE_HAZE = 0.5
#: Below this pH of the line its iron(II) takes longer to rust than the line to run (from memory: Stumm and Lee 1961).
IRON_RUSTS_PH = 5.0
#: Polyphosphate holds this many moles of trace metal per mole of pyrophosphate: 2 % zinc in 10-34-0 (common
#: practice, no source); the model has no constants for it.
_HELD_BY_POLYPHOSPHATE = 0.18
_METALS = ("Zn+2", "Cu+2", "Mn+2", "Fe+2", "Fe+3")
#: Metal that the products may bring beyond their EDTA and still count as chelated: the last digits of a label [mol/mol].
_BEYOND_EDTA = 0.02


def _chelated(case: Case) -> Mask:
    """Where the products bring EDTA for all of their metals, (B,)."""
    metals = np.sum(case.product_mol[:, [case.constants.master(name) for name in _METALS]], axis=1)
    edta = case.product_mol[:, case.constants.master("Edta-4")]
    return np.asarray((edta > 0.0) & (metals <= (1.0 + _BEYOND_EDTA) * edta))


def _held_by_polyphosphate(case: Case, level: Levels) -> Levels:
    """Levels where polyphosphate is there to hold the metals: no more than doubt, and a caution where it holds them
    in practice."""
    poly = case.in_bucket_mol_per_kg("P2O7-4")
    metals = case.in_bucket_mol_per_kg(*_METALS)
    level = np.where((poly > 0.0) & (metals <= poly), np.minimum(level, int(Level.UNKNOWN)), level)
    return np.where(
        (poly > 0.0) & (metals <= _HELD_BY_POLYPHOSPHATE * poly), np.minimum(level, int(Level.CAUTION)), level
    )


def _solids(
    case: Case, where: Place, table: Mapping[str, tuple[str, ...]], haze_mg_per_l: Floats | float
) -> list[Alone]:
    """The solids that the products' metals can make there, each by itself.

    The chelate's own equilibrium says how much metal is free. Growers keep chelates with phosphate in one tank, and a
    chelate lets go slowly: what it can hold is a caution, but for a hydroxide, which forms at once.
    """
    of = {name: species for species, names in table.items() if case.has(species) for name in names}
    found = []
    for one in alone(case, where, tuple(of), haze_mg_per_l=haze_mg_per_l):
        level = np.where(case.brings(of[one.phase]), one.level, int(Level.NONE))
        if table is _PHOSPHATES or phases()[one.phase].pace == "days":
            level = np.where(_chelated(case), np.minimum(level, int(Level.CAUTION)), level)
        found.append(replace(one, level=_held_by_polyphosphate(case, level)))
    return found


#: A solid and where it forms.
_Found = tuple[Place, Alone]


class _Worst:
    """The solid to speak of in each scenario: of the highest level, then the most of it in stop amounts."""

    def __init__(self, case: Case, found: Sequence[_Found]) -> None:
        self._found = found
        self.level = np.max([one.level for _, one in found], axis=0)
        amounts = [one.mg_per_l / stop_mg_per_l(case, where) for where, one in found]
        self._which = worst_of([one.level for _, one in found], amounts)
        self.severity = np.max(amounts, axis=0)
        self.numbers = {
            "saturation_index": taken(self._which, [one.si for _, one in found]),
            "precipitated_mg_per_l": taken(self._which, [one.mg_per_l for _, one in found]),
        }

    def at(self, row: float) -> _Found:
        """The solid of a scenario."""
        return self._found[int(self._which[int(row)])]

    def words(self, n: Mapping[str, float]) -> str:
        """What forms of it."""
        where, solid = self.at(n["row"])
        level, amount = Level(int(n["level"])), _shown(n["precipitated_mg_per_l"])
        spoken, index = phases()[solid.phase].spoken, f"saturation index {n['saturation_index']:+.1f}"
        if level == Level.STOP:
            return f"{amount} mg/L of {spoken} forms in the {where} ({index})."
        tail = {
            Level.UNKNOWN: "published constants, time and air leave it open.",
            Level.CAUTION: "only traces, or slow, or kept dissolved in practice.",
        }.get(level, "")
        return f"up to {amount} mg/L of {spoken} may form in the {where} ({index}); {tail}"


def _shown(mg_per_l: float) -> str:
    return f"{mg_per_l:.0f}" if mg_per_l >= 10.0 else f"{mg_per_l:.1f}"


def _metal_meets_phosphate(case: Case) -> Outcome | None:
    return _phosphate(case, "bucket")


METAL_MEETS_PHOSPHATE = Rule(
    name="metal-meets-phosphate",
    family="bucket",
    may_be_lowered=True,
    swap_helps=True,
    levels=(Level.STOP, Level.UNKNOWN, Level.CAUTION),
    asks="Does an unchelated zinc, manganese, iron or copper meet phosphate?",
    headline="Metal phosphate {will} form in the bucket: the trace metal is lost.",
    brief="metal phosphate in the bucket",
    plain="Zinc, manganese, iron and copper sulfates drop out with phosphate.",
    chemistry="Hopeite, hydrated manganese phosphate, vivianite, strengite, copper phosphate, each by itself in "
    "equilibrium; what is 1 mg/L in the line counts. Published constants differ by 1 to 5 log units, and the answer "
    "is left open within that. MnHPO4 as printed would stop every nutrient solution and is set aside.",
    cure="Two buckets, or chelates.",
    sources=(
        "minteq.v4.dat (NIST 46), sit.dat and the spread between shipped databases",
        "Agronomy page on fertilizer mixes: unchelated micronutrients not with phosphates",
        "common practice: two-tank feeds hold 50 mg/L of manganese with phosphate; no source",
    ),
    turns=Turns(
        better=(INJECTION_RATIO,),
        either={
            (AMOUNT_FACTOR,): OWN_PH,
            (ALKALINITY, PH): OTHER_SOLIDS,
            (CALCIUM,): "it competes for the chelate, and for the phosphate",
            (BUCKET_TEMPERATURE,): HEAT,
        },
    ),
    needs=(("PO4-3", "P2O7-4"), _METALS),
    by_solution=True,
    check=_metal_meets_phosphate,
)


def _metal_meets_phosphate_in_line(case: Case) -> Outcome | None:
    return _phosphate(case, "line")


METAL_MEETS_PHOSPHATE_IN_LINE = Rule(
    name="metal-meets-phosphate-in-line",
    family="line",
    may_be_lowered=True,
    levels=(Level.STOP, Level.UNKNOWN, Level.CAUTION),
    asks="Does zinc, manganese, iron or copper meet phosphate in the line, where acid no longer holds them?",
    headline="Metal phosphate {will} form in the drip line and block emitters.",
    brief="metal phosphate in the line",
    plain="An acid bucket holds zinc and phosphate together; in the line the water takes the acid away and both drop out.",
    chemistry="Hopeite, hydrated manganese phosphate, vivianite, strengite, copper phosphate, each by itself in "
    "equilibrium, from 1 mg/L on; published constants differ by 1 to 5 log units, and the answer is left open within that.",
    cure="Another day, or chelates.",
    sources=(
        "minteq.v4.dat (NIST 46), sit.dat and the spread between shipped databases",
        "Agronomy page on fertilizer mixes: unchelated micronutrients not with phosphates",
    ),
    turns=Turns(
        worse=(BUCKET_TEMPERATURE,),
        better=(CALCIUM,),
        either={
            (AMOUNT_FACTOR, INJECTION_RATIO): OWN_PH,
            (PH,): OTHER_SOLIDS,
            (ALKALINITY,): BUFFERS,
            (LINE_TEMPERATURE,): HEAT,
        },
    ),
    needs=(("PO4-3", "P2O7-4"), _METALS),
    by_solution=True,
    check=_metal_meets_phosphate_in_line,
)


def _phosphate(case: Case, where: Place) -> Outcome | None:
    if not case.has("PO4-3", "P2O7-4") or not case.has(*_METALS):
        return None
    worst = _Worst(case, [(where, one) for one in _solids(case, where, _PHOSPHATES, _PHOSPHATE_HAZE_MG_PER_L)])
    if not worst.level.any():
        return None
    return Outcome(
        worst.level,
        lambda n: f"A trace metal meets phosphate: {worst.words(n)}",
        numbers=worst.numbers | {f"{where}_ph": case.solution(where).before_solids.ph},
        do=(
            TWO_BUCKETS if where == "bucket" else "Give the metal on another day than the phosphate, and flush.",
            "Or take the metal as a chelate (EDTA, DTPA) that suits the pH.",
        ),
        severity=worst.severity,
    )


def _metal_hydroxide(case: Case) -> Outcome | None:
    if not case.has(*_ALKALINE):
        return None
    places: tuple[Place, Place] = ("bucket", "line")
    found: list[_Found] = []
    for where in places:
        haze = _ALKALINE_HAZE * stop_mg_per_l(case, where)
        found += [(where, one) for one in _solids(case, where, _ALKALINE, haze)]
    worst = _Worst(case, found)
    line_ph = case.line.before_solids.ph
    # Air turns all of the iron(II) to rust, as fast as the water is alkaline.
    iron = case.product_mol[:, case.constants.master("Fe+2")] / case.bucket_water_kg
    rust_mg_per_l = np.where(_chelated(case), 0.0, iron / (1.0 + case.injection_ratio) * 55_845.0)
    rusts = np.where(rust_mg_per_l > IRON_MODERATE_MG_PER_L, int(Level.CAUTION), int(Level.NONE))
    rusts[(rust_mg_per_l > IRON_SEVERE_MG_PER_L) & (line_ph > IRON_RUSTS_PH)] = Level.STOP
    level = np.maximum(worst.level, rusts)
    if not level.any():
        return None
    rust_is_worse = (rusts >= worst.level) & (rusts > Level.NONE)
    numbers = {"line_ph": line_ph, "bucket_ph": case.bucket.before_solids.ph}
    numbers["iron_in_line_mg_per_l"] = np.where(rust_is_worse, rust_mg_per_l, np.nan)
    numbers |= {name: np.where(rust_is_worse, np.nan, values) for name, values in worst.numbers.items()}

    def message(n: Mapping[str, float]) -> str:
        ph = f"at line pH {n['line_ph']:.1f}, bucket pH {n['bucket_ph']:.1f}"
        if rust_is_worse[int(n["row"])]:
            does = "turns" if n["level"] == Level.STOP else "can turn"
            return (
                f"Iron(II) {ph}: {_shown(n['iron_in_line_mg_per_l'])} mg/L of iron in the line {does} to rust in air."
            )
        _, solid = worst.at(n["row"])
        metal = SPECIES[next(name for name, solids in _ALKALINE.items() if solid.phase in solids)].spoken
        return f"{metal[0].upper()}{metal[1:]} {ph}: {worst.words(n)}"

    return Outcome(
        level,
        message,
        numbers=numbers,
        do=("Take the metal as a chelate that suits the pH, or spray it on the leaf.", JAR_TEST),
        severity=np.maximum(worst.severity, rust_mg_per_l / IRON_SEVERE_MG_PER_L),
    )


METAL_HYDROXIDE = Rule(
    name="metal-hydroxide",
    family="bucket",
    may_be_lowered=True,
    levels=(Level.STOP, Level.UNKNOWN, Level.CAUTION),
    asks="Does an unchelated iron, manganese, zinc or copper meet alkaline water?",
    headline="Metal sludge {will} form in this water and block filter and emitters.",
    brief="metal sludge",
    plain="Sulfates of iron, zinc, copper and manganese turn to rust or sludge in hard, alkaline water.",
    chemistry="Hydroxides and carbonates of zinc, copper, manganese and iron(II), each by itself in equilibrium; what is 1 "
    "mg/L in the line counts. Hydroxides form at once; carbonates are slow and a caution near saturation, a stop from ten "
    "times over on, basic zinc carbonate and malachite where their fresh solids are over too. Iron(II) oxidizes, so all of "
    "it counts, by the classes of iron in water (0.1 and 1.5 mg/L), above pH 5.",
    cure="Chelates, or leaf sprays.",
    sources=(
        "minteq.v4.dat (NIST 46) and the spread between shipped databases",
        "Bucks, Nakayama and Gilbert 1979 classes, as reprinted; materials table: iron sulfate rusts in stock (from memory)",
    ),
    turns=Turns(
        either={
            (AMOUNT_FACTOR, INJECTION_RATIO): OWN_PH,
            (PH,): "zinc and copper dissolve again in strong alkali",
            (ALKALINITY,): BUFFERS,
            (CALCIUM,): "it lets go of chelates, and takes carbonate away",
            (LINE_TEMPERATURE, BUCKET_TEMPERATURE): HEAT,
        }
    ),
    needs=(tuple(_ALKALINE),),
    by_solution=True,
    check=_metal_hydroxide,
)


#: Upper pH limit of a chelate: the lowest that any writer gives.
_CHELATES = {"FeDtpa-2": ("iron DTPA", 6.5), "FeEddha-": ("iron EDDHA", 8.5)}
_EDTA_IRON_LIMIT_PH = 6.0
_EDTA_HIGH_PH = 9.0


def _chelate(case: Case) -> Outcome | None:
    line_ph = case.line.before_solids.ph
    level = np.full(case.size, int(Level.NONE))
    over: list[tuple[str, float, Mask]] = []

    def look(spoken: str, there: Mask, limit: float) -> None:
        past = there & (line_ph > limit)
        if past.any():
            over.append((spoken, limit, past))
            level[past] = Level.CAUTION

    for species, (spoken, limit) in _CHELATES.items():
        look(spoken, case.brings(species), limit)
    edta = case.brings("Edta-4")
    with_iron = edta & case.brings("Fe+3", "Fe+2")
    look("iron EDTA", with_iron, _EDTA_IRON_LIMIT_PH)
    look("EDTA chelate of zinc, manganese or copper", edta & ~with_iron, _EDTA_HIGH_PH)
    if not over:
        return None
    iron = any(spoken.startswith("iron") for spoken, *_ in over)

    def message(n: Mapping[str, float]) -> str:
        here = [(spoken, limit) for spoken, limit, past in over if past[int(n["row"])]]
        names = " and ".join(f"{spoken} (to pH {limit:g})" for spoken, limit in here)
        rusts = any(spoken.startswith("iron") for spoken, _ in here)
        drops = "Iron that it lets go drops as rust." if rusts else "What it lets go drops as hydroxide."
        return f"{names}: the line has pH {n['line_ph']:.1f}. {drops}"

    limits = np.min([np.where(past, limit, np.inf) for _, limit, past in over], axis=0)
    return Outcome(
        level,
        message,
        numbers={"line_ph": line_ph, "limit_ph": limits},
        do=(
            *(
                ("Take iron EDDHA above pH 6.5 (and never in an acid bucket), or spray the iron on the leaf.",)
                if iron
                else ()
            ),
            FLUSH,
        ),
        severity=line_ph,
    )


CHELATE_OUTSIDE_ITS_PH = Rule(
    name="chelate-outside-its-ph",
    family="line",
    may_be_lowered=True,
    levels=(Level.CAUTION,),
    asks="Is a chelate outside the pH at which it holds?",
    headline="The chelate {will} let its metal go at the pH of the line.",
    brief="a chelate outside its pH",
    plain="Each chelate lets its metal go above a pH of its own.",
    chemistry="Iron EDTA to 6, iron DTPA to 6.5, iron EDDHA to 8.5: the lowest limits in print; EDTA of the other metals to 9 (from memory). "
    "Calcium and zinc compete. Kinetics: a limit is used.",
    cure="The chelate that suits the pH.",
    sources=(
        "Dutch horticultural supplier note: EDTA 3-6, DTPA 3-6.5",
        "Turkish chelate maker page: EDDHA to 8.5",
    ),
    turns=Turns(
        worse=(PH, BUCKET_TEMPERATURE),
        better=(LINE_TEMPERATURE,),
        either={(AMOUNT_FACTOR, INJECTION_RATIO): OWN_PH, (ALKALINITY,): BUFFERS, (CALCIUM,): SLIGHTLY},
    ),
    needs=(("Edta-4", *_CHELATES),),
    check=_chelate,
)


#: EDTA itself precipitates from acid: about 0.5 g/L (from memory: CRC), known to a factor of two [mol/kg].
_EDTA_ACID_MOL_PER_KG, _EDTA_ACID_FACTOR = 1.7e-3, 2.0
#: Acid takes the iron from these below the first pH perhaps, below the second for sure.
_ACID_LIMITS = {"FeDtpa-2": ("iron DTPA", 3.0, 1.5), "FeEddha-": ("iron EDDHA", 4.0, 3.0)}
#: Protons that a chelate brings itself, at most [mol/mol]: sodium hydrogen iron DTPA brings one.
_OWN_PROTONS = 1.5
#: EDTA is made for pH 3 and up; below the first pH it is a caution, below the second open, whatever the constants say.
_EDTA_MADE_FROM_PH, _EDTA_OPEN_PH = 3.0, 1.0


def _chelate_in_acid(case: Case) -> Outcome | None:
    bucket = case.bucket.before_solids
    level = np.full(case.size, int(Level.NONE))
    named: list[tuple[str, Mask]] = []
    free_acid = np.zeros(case.size)
    edta = case.brings("Edta-4")
    if edta.any():
        free_acid = np.where(edta, bucket.molality[:, bucket.constants.species.index("H4(Edta)")], 0.0)
        limit = _EDTA_ACID_MOL_PER_KG
        level[edta & (bucket.ph < _EDTA_MADE_FROM_PH)] = Level.CAUTION
        level[edta & (bucket.ph < _EDTA_OPEN_PH)] = Level.UNKNOWN
        level[edta & (free_acid > limit / _EDTA_ACID_FACTOR)] = Level.UNKNOWN
        level[edta & (free_acid > limit * _EDTA_ACID_FACTOR)] = Level.STOP
        named.append(("EDTA chelate", level > Level.NONE))
    # A chelate's own proton does not break it: acid has to come from elsewhere.
    chelate = np.sum(case.product_mol[:, [case.constants.master(name) for name in _ACID_LIMITS]], axis=1)
    soured = case.product_mol[:, case.constants.master("H+")] > _OWN_PROTONS * chelate
    for species, (spoken, perhaps, surely) in _ACID_LIMITS.items():
        there = case.brings(species) & soured
        open_ = there & (bucket.ph < perhaps)
        level[open_] = np.maximum(level[open_], int(Level.UNKNOWN))
        level[there & (bucket.ph < surely)] = Level.STOP
        named.append((spoken, open_))
    if not level.any():
        return None

    def message(n: Mapping[str, float]) -> str:
        names = ", ".join(name for name, there in named if there[int(n["row"])])
        start = f"{names} in acid of pH {n['bucket_ph']:.1f}"
        if n["level"] == Level.CAUTION:
            return f"{start}: made for pH 3 and up; use it up the same day."
        free = 292_000 * n["edta_acid_mol_per_kg"]
        tail = f", and {free:.3g} mg/L of EDTA is free" if free > 10.0 else ""
        return f"{start}: acid takes the metal from the chelate{tail}; the chelate itself can settle."

    return Outcome(
        level,
        message,
        numbers={"bucket_ph": bucket.ph, "edta_acid_mol_per_kg": free_acid},
        do=(TWO_BUCKETS, "Give the acid on another day than the chelate."),
        severity=-bucket.ph,
    )


CHELATE_BREAKS_IN_ACID = Rule(
    name="chelate-breaks-in-acid",
    family="bucket",
    may_be_lowered=True,
    levels=(Level.STOP, Level.UNKNOWN, Level.CAUTION),
    asks="Does strong acid in the bucket take the metal from its chelate?",
    headline="Acid {will} break the chelate, and what is left settles in the bucket.",
    brief="a chelate broken by acid",
    plain="Acid pulls the chelate off the metal; the chelating agent itself is hardly soluble and settles.",
    chemistry="EDTA by speciation: H4EDTA dissolves to some 0.5 g/L, known to a factor of two; below pH 3, for which it is not "
    "made, a caution, below 1 open. DTPA is open below pH 3 and lost below 1.5, EDDHA below 4 and 3: limits, since there are no constants in the model.",
    cure="Acid and chelate on different days.",
    sources=(
        "minteq.v4.dat (NIST 46) for EDTA; solubility of the acid: CRC Handbook (from memory)",
        "Dutch horticultural supplier note: EDTA 3-6, DTPA 3-6.5",
        "UK soluble-fertilizer supplier note: EDDHA from about 4",
    ),
    turns=Turns(worse=(AMOUNT_FACTOR,), better=(ALKALINITY, PH), either={(BUCKET_TEMPERATURE,): SLIGHTLY}),
    needs=(("Edta-4", *_ACID_LIMITS),),
    check=_chelate_in_acid,
)


RULES = (
    METAL_MEETS_PHOSPHATE,
    METAL_MEETS_PHOSPHATE_IN_LINE,
    METAL_HYDROXIDE,
    CHELATE_OUTSIDE_ITS_PH,
    CHELATE_BREAKS_IN_ACID,
)

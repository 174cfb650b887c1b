"""Rules of iron, manganese, zinc and copper: phosphates, hydroxides, and the chelates that hold them."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from ...catalog.species import SPECIES
from ..case.case import Case, Place
from ..chemistry.constants import Floats
from ..chemistry.phases import phases
from ..judge.advice import FLUSH, JAR_TEST, TWO_BUCKETS
from ..judge.forming import (
    IRON_MODERATE_MG_PER_L,
    IRON_SEVERE_MG_PER_L,
    band_si,
    solid_levels,
    stop_mg_per_l,
)
from ..judge.rule import Level, Levels, Outcome, Rule

#: Metal phosphates by the species of the metal; ranges of their constants are in phases.toml.
_METAL_PHOSPHATES = {"Zn+2": "Hopeite", "Fe+2": "Vivianite", "Cu+2": "Cu3PO42_3H2O", "Fe+3": "Strengite"}
#: Polyphosphate holds this many moles of trace metal per mole of pyrophosphate: 2 % zinc in 10-34-0 (common
#: practice, no source); the model has no constants for it.
_HELD_BY_POLYPHOSPHATE = 0.18
_METALS = ("Zn+2", "Cu+2", "Mn+2", "Fe+2", "Fe+3")


def _held(case: Case, level: Levels) -> Levels:
    """Levels where polyphosphate is there to hold the metals: no more than doubt, and a caution where it holds them
    in practice."""
    poly = case.in_bucket_mol_per_kg("P2O7-4")
    metals = case.in_bucket_mol_per_kg(*_METALS)
    level = np.where((poly > 0.0) & (metals <= poly), np.minimum(level, int(Level.UNKNOWN)), level)
    return np.where(
        (poly > 0.0) & (metals <= _HELD_BY_POLYPHOSPHATE * poly), np.minimum(level, int(Level.CAUTION)), level
    )


def _metal_meets_phosphate(case: Case) -> Outcome | None:
    return _phosphate(case, "bucket")


METAL_MEETS_PHOSPHATE = Rule(
    name="metal-meets-phosphate",
    family="bucket",
    may_be_lowered=True,
    swap_helps=True,
    levels=(Level.STOP, Level.UNKNOWN, Level.CAUTION),
    asks="Does an unchelated zinc, iron or copper meet phosphate?",
    headline="Metal phosphate {will} form in the bucket: the trace metal is lost.",
    brief="metal phosphate in the bucket",
    plain="Zinc, iron and copper sulfates drop out with phosphate.",
    chemistry="Hopeite, vivianite, strengite, copper phosphate; published constants differ by 1 to 3 log units, and the "
    "answer is left open within that.",
    cure="Two buckets, or chelates.",
    sources=(
        "minteq.v4.dat (NIST 46) and the spread between shipped databases",
        "Trade notes: unchelated metals",
    ),
    check=_metal_meets_phosphate,
)


def _metal_meets_phosphate_in_line(case: Case) -> Outcome | None:
    return _phosphate(case, "line")


METAL_MEETS_PHOSPHATE_IN_LINE = Rule(
    name="metal-meets-phosphate-in-line",
    family="line",
    may_be_lowered=True,
    levels=(Level.STOP, Level.UNKNOWN, Level.CAUTION),
    asks="Does zinc, iron or copper meet phosphate in the line, where acid no longer holds them?",
    headline="Metal phosphate {will} form in the drip line and block emitters.",
    brief="metal phosphate in the line",
    plain="An acid bucket holds zinc and phosphate together; in the line the water takes the acid away and both drop out.",
    chemistry="Hopeite, vivianite, strengite, copper phosphate; published constants differ by 1 to 3 log units, and the "
    "answer is left open within that.",
    cure="Another day, or chelates.",
    sources=(
        "minteq.v4.dat (NIST 46) and the spread between shipped databases",
        "Trade notes: unchelated metals",
    ),
    check=_metal_meets_phosphate_in_line,
)


def _phosphate(case: Case, where: Place) -> Outcome | None:
    if not case.has("PO4-3", "P2O7-4") or not case.has(*_METALS):
        return None
    mixed = case.solution(where).before_solids
    found: list[tuple[Levels, Floats, str, str]] = []  # level, severity, name of the number, words
    for species, phase in _METAL_PHOSPHATES.items():
        if not case.has(species):
            continue
        band = band_si(case, phase) if where == "bucket" else 0.0
        level = solid_levels(case, where, phase, haze_mg_per_l=1.0, band=band)
        if species == "Fe+3" and not case.unchelated("Fe+3"):
            # Growers keep iron chelates with phosphate in one tank; the index leaves it open over two units.
            level = np.minimum(level, int(Level.CAUTION))
        found.append((_held(case, level), mixed.si(phase), "saturation_index", phases()[phase].spoken))
    if case.unchelated("Mn+2") and where == "bucket":
        # Constants of manganese phosphates in print would stop every mix or none; pH is what is left.
        level = np.where(mixed.ph > 5.0, int(Level.CAUTION), int(Level.NONE))
        level[mixed.ph > 6.0] = Level.UNKNOWN
        level[~(case.brings("Mn+2") & case.brings("PO4-3"))] = Level.NONE
        found.append((_held(case, level), mixed.ph, "bucket_ph", "manganese phosphate"))
    if not found or not any(np.any(level) for level, *_ in found):
        return None
    _, severity, number, spoken = max(found, key=lambda one: (int(np.max(one[0])), float(np.max(one[1]))))

    def message(n: Mapping[str, float]) -> str:
        shown = f"saturation index {n[number]:+.1f}" if number == "saturation_index" else f"bucket pH {n[number]:.1f}"
        sure = {Level.STOP: ".", Level.CAUTION: "; only traces, or kept dissolved in practice."}.get(
            Level(int(n["level"])), "; published constants differ too much to decide."
        )
        return f"A trace metal meets phosphate in the {where}: {spoken} ({shown}){sure}"

    return Outcome(
        np.max([level for level, *_ in found], axis=0),
        message,
        numbers={number: severity, f"{where}_ph": mixed.ph},
        do=(
            TWO_BUCKETS if where == "bucket" else "Give the metal on another day than the phosphate, and flush.",
            "Or take the metal as a chelate (EDTA, DTPA) that suits the pH.",
        ),
        severity=severity,
    )


#: Above this index a solid that takes days near saturation forms at once (common practice, no source).
FAR_OVER_SI = 2.0
#: Hydroxides and carbonates of trace metals: species -> phases.
_METAL_SOLIDS = {
    "Zn+2": ("Zn(OH)2_am", "Smithsonite"),
    "Cu+2": ("CuOH2", "Malachite"),
    "Mn+2": ("Pyrochroite", "Rhodochrosite"),
}


def _unchelated_share(case: Case, species: str) -> Floats:
    """Share of a metal that EDTA cannot hold at most, (B,)."""
    total = case.in_bucket_mol_per_kg(species)
    free = case.in_bucket_mol_per_kg(*_METALS) - case.in_bucket_mol_per_kg("Edta-4")
    return np.clip(free / np.maximum(total, 1e-30), 0.0, 1.0)


def _metal_hydroxide(case: Case) -> Outcome | None:
    level = np.full(case.size, int(Level.NONE))
    line_ph = case.line.before_solids.ph
    named = []
    worst = np.full(case.size, -np.inf)  # no index where iron is the only metal
    for species, solids in _METAL_SOLIDS.items():
        if not case.has(species):
            continue
        share = _unchelated_share(case, species)
        held = case.in_bucket_mol_per_kg("Edta-4") >= case.in_bucket_mol_per_kg(species)
        for phase in solids:
            entry = phases()[phase]
            slow = entry.pace == "days"
            places: tuple[Place, Place] = ("line", "bucket")
            for where in places:
                si = case.solution(where).before_solids.si(phase)
                # A chelated metal that is over saturation all the same has been let go by its chelate.
                amount = case.most_mg_per_l(where, phase) * np.where(si > 0.0, np.maximum(share, 0.05), share)
                enough = amount > stop_mg_per_l(case, where)
                trouble = (si > entry.surely_below_si) & enough
                level[trouble] = np.maximum(level[trouble], int(Level.CAUTION if slow else Level.UNKNOWN))
                # A hundred times over saturation, what is called slow is not.
                sure_si = FAR_OVER_SI if slow else entry.surely_above_si
                # What its chelate can hold comes out only as fast as it lets go.
                level[(si > sure_si) & enough & ~(held & slow)] = Level.STOP
                worst = np.maximum(worst, si)
                if np.any(trouble):
                    named.append(species)
    if case.unchelated("Fe+2"):
        masters = case.constants.masters
        iron = case.product_mol[:, masters.index("Fe+2")] / case.bucket_water_kg
        in_line = iron / (1.0 + case.injection_ratio) * 55_845.0
        level[in_line > IRON_MODERATE_MG_PER_L] = np.maximum(
            level[in_line > IRON_MODERATE_MG_PER_L], int(Level.CAUTION)
        )
        level[(in_line > IRON_SEVERE_MG_PER_L) & (line_ph > 5.0)] = Level.STOP
        named.append("Fe+2")
    if not np.any(level):
        return None
    spoken = ", ".join(dict.fromkeys(SPECIES[name].spoken for name in named))

    rust = " (iron: rust, once air gets at it)" if "Fe+2" in named else ""

    def message(n: Mapping[str, float]) -> str:
        does = {Level.STOP: "settles", Level.UNKNOWN: "may settle"}.get(Level(int(n["level"])), "can settle in time")
        return (
            f"{spoken[0].upper()}{spoken[1:]} at line pH {n['line_ph']:.1f}, bucket pH {n['bucket_ph']:.1f}: hydroxide or "
            f"carbonate{rust} {does}."
        )

    return Outcome(
        level,
        message,
        numbers={"line_ph": line_ph, "bucket_ph": case.bucket.before_solids.ph, "saturation_index": worst},
        do=("Take the metal as a chelate that suits the pH, or spray it on the leaf.", JAR_TEST),
        severity=line_ph,
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
    chemistry="Hydroxides of zinc, copper and manganese by saturation index within 0.5; their carbonates are slow and a "
    "caution, and a stop a hundred times over saturation; iron(II) oxidizes, so all of it counts, by the classes of iron in water (0.1 and 1.5 mg/L), above pH 5.",
    cure="Chelates, or leaf sprays.",
    sources=(
        "minteq.v4.dat (NIST 46)",
        "Bucks, Nakayama and Gilbert 1979 classes, as reprinted; materials table: iron sulfate rusts in stock (from memory)",
    ),
    check=_metal_hydroxide,
)


#: Upper pH limit of a chelate: the lowest that any writer gives.
_CHELATES = {"FeDtpa-2": ("iron DTPA", 6.5), "FeEddha-": ("iron EDDHA", 8.5)}
_EDTA_IRON_LIMIT_PH = 6.0
_EDTA_HIGH_PH = 9.0


def _chelate(case: Case) -> Outcome | None:
    line_ph = case.line.before_solids.ph
    level = np.full(case.size, int(Level.NONE))
    over: list[tuple[str, float]] = []
    iron = False

    def look(spoken: str, there: np.ndarray, limit: float) -> None:
        nonlocal iron
        past = there & (line_ph > limit)
        if np.any(past):
            over.append((spoken, limit))
            level[past] = Level.CAUTION
            iron = iron or spoken.startswith("iron")

    for species, (spoken, limit) in _CHELATES.items():
        look(spoken, case.brings(species), limit)
    edta = case.brings("Edta-4")
    with_iron = edta & case.brings("Fe+3", "Fe+2")
    look("iron EDTA", with_iron, _EDTA_IRON_LIMIT_PH)
    look("EDTA chelate of zinc, manganese or copper", edta & ~with_iron, _EDTA_HIGH_PH)
    if not over:
        return None
    names = " and ".join(f"{spoken} (to pH {limit:g})" for spoken, limit in over)
    drops = "Iron that it lets go drops as rust." if iron else "What it lets go drops as hydroxide."
    return Outcome(
        level,
        lambda n: f"{names}: the line has pH {n['line_ph']:.1f}. {drops}",
        numbers={"line_ph": line_ph, "limit_ph": min(limit for _, limit in over)},
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
    check=_chelate,
)


#: EDTA itself comes out of acid: about 0.5 g/L (from memory: CRC), known to a factor of two [mol/kg].
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
    named: list[str] = []
    free_acid = np.zeros(case.size)
    edta = case.brings("Edta-4")
    if np.any(edta):
        free_acid = bucket.molality[:, bucket.constants.species.index("H4(Edta)")]
        limit = _EDTA_ACID_MOL_PER_KG
        level[edta & (bucket.ph < _EDTA_MADE_FROM_PH)] = Level.CAUTION
        level[edta & (bucket.ph < _EDTA_OPEN_PH)] = Level.UNKNOWN
        level[edta & (free_acid > limit / _EDTA_ACID_FACTOR)] = Level.UNKNOWN
        level[edta & (free_acid > limit * _EDTA_ACID_FACTOR)] = Level.STOP
        if np.any(level):
            named.append("EDTA chelate")
    # A chelate's own proton does not break it: acid has to come from elsewhere.
    chelate = np.sum(case.product_mol[:, [case.constants.master(name) for name in _ACID_LIMITS]], axis=1)
    soured = case.product_mol[:, case.constants.master("H+")] > _OWN_PROTONS * chelate
    for species, (spoken, perhaps, surely) in _ACID_LIMITS.items():
        there = case.brings(species) & soured
        open_ = there & (bucket.ph < perhaps)
        level[open_] = np.maximum(level[open_], int(Level.UNKNOWN))
        level[there & (bucket.ph < surely)] = Level.STOP
        if np.any(open_):
            named.append(spoken)
    if not np.any(level):
        return None

    def message(n: Mapping[str, float]) -> str:
        start = f"{', '.join(named)} in acid of pH {n['bucket_ph']:.1f}"
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
    check=_chelate_in_acid,
)


RULES = (
    METAL_MEETS_PHOSPHATE,
    METAL_MEETS_PHOSPHATE_IN_LINE,
    METAL_HYDROXIDE,
    CHELATE_OUTSIDE_ITS_PH,
    CHELATE_BREAKS_IN_ACID,
)

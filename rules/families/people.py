"""Rules that keep people safe. Wording is the usual caution; label, code and licensed practice rule."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from ...catalog.quantity.table import ALKALINITY, AMMONIUM, AMOUNT_FACTOR, BUCKET_TEMPERATURE, CALCIUM, PH, SULFIDE
from ..ask.question import Poured
from ..case.case import Case
from ..chemistry.constants import Floats
from ..judge.advice import DEFER, IF_MIXED, PROTECT
from ..judge.rule import Level, Outcome, Rule, same
from ..judge.turns import BUFFERS, OWN_PH, Turns


def _names(case: Case, *hazards: str) -> list[str]:
    return [p.product.name for p in case.poured if p.hazards & set(hazards)]


def _and(names: list[str]) -> str:
    return " and ".join(names)


def _bleach(case: Case) -> list[str]:
    """Bleaches of the pour, each with its strength as far as it is known."""
    found = []
    for item in case.poured:
        mixtures = item.composition.mixtures
        if "hypochlorite" in item.hazards or any(m.species_mol_per_kg.get("OCl-") for m in mixtures):
            part = next((c for c in item.product.content if "OCl" in c.formula), None)
            strength = f"{100.0 * part.mass_fraction.value:.3g} % {part.formula}" if part else "strength not known"
            found.append(f"{item.product.name} ({strength})")
    return found


#: Above this pH hypochlorite is mostly ClO-; below it chlorine begins to leave (pKa 7.5).
_BLEACH_PH = 7.0


def _chlorine_gas(case: Case) -> Outcome | None:
    acid = _names(case, "acid")
    if bleach := _bleach(case):
        bucket_ph = case.bucket.before_solids.ph
        level = np.where(bucket_ph < _BLEACH_PH, int(Level.STOP), int(Level.NONE))
        # What is not known to be harmless with bleach is not poured with it.
        strange = [i.product.name for i in case.poured if not i.well_known and "hypochlorite" not in i.hazards]
        if acid or strange:
            level[:] = Level.STOP
        if not level.any():
            return None
        what = _and(acid) if acid else "what makes this bucket acid"

        def message(n: Mapping[str, float]) -> str:
            if strange and not acid and n["bucket_ph"] >= _BLEACH_PH:
                return (
                    f"{_and(bleach)} meets {_and(strange)}, whose label does not tell what is in it: with acid, ammonium "
                    "or urea it gives off toxic gas, which can kill."
                )
            return (
                f"{_and(bleach)} with {what} (bucket pH {n['bucket_ph']:.1f}) gives off chlorine, a toxic gas that can "
                "kill."
            )

        return Outcome(
            level,
            message,
            numbers={"bucket_ph": bucket_ph},
            do=(
                IF_MIXED,
                "Never let them meet: not in a bucket, not in a measuring cup, not in storage.",
                "If both are used on one system, inject at separate points and at separate times.",
                DEFER,
            ),
            severity=-bucket_ph,
        )
    if not acid or not case.question.pour.site.chlorination:
        return None
    return Outcome(
        same(case, Level.CAUTION),
        lambda _: f"{_and(acid)} goes into a system that is also chlorinated.",
        do=("Stop chlorination, flush, and inject the acid at a point of its own.", DEFER),
    )


CHLORINE_GAS = Rule(
    name="chlorine-gas",
    family="people",
    may_be_lowered=False,
    sets_gas_free=True,
    levels=(Level.STOP, Level.CAUTION),
    asks="Does hypochlorite (bleach, chlorine treatment) meet an acid, or a label that does not tell what is in it?",
    headline="Chlorine, a toxic gas that can kill, {will} rise from the bucket.",
    milder="Chlorine gas can form: this acid enters a chlorinated system.",
    brief="chlorine gas",
    plain="Bleach and any acid make chlorine gas at once. It has killed people in closed sheds.",
    chemistry="OCl- + 2 H+ + Cl- -> Cl2 + H2O: dissolved chlorine below about pH 4 at equilibrium, and where acid meets bleach "
    "at any pH of the mix; the rule stops below 7, on the safe side. "
    "Urea phosphate, urea-sulfuric and phosphoric acid count as acids.",
    cure="Keep them apart in bucket, injector and store; separate injection points and times.",
    sources=(
        "from memory: safety data sheets and extension manuals (conservative)",
        "Drip chlorination guide of a growers association: run chlorine as its own cycle, not with feed",
    ),
    turns=Turns(
        better=(PH,),
        either={
            (
                AMOUNT_FACTOR,
                CALCIUM,
                ALKALINITY,
                BUCKET_TEMPERATURE,
            ): "bleach is alkaline itself, and outweighs the acid of the water where there is enough of it"
        },
    ),
    check=_chlorine_gas,
)


#: Ammonium of the water from which on it upsets a chlorine treatment [mg/L]: a mg of ammonia-nitrogen takes up some
#: 8 mg of chlorine (from memory: breakpoint chlorination, 7.6 by weight).
_AMMONIUM_MATTERS_MG_PER_L = 0.5


def _chloramine(case: Case) -> Outcome | None:
    bleach = _bleach(case)
    if not (bleach or case.question.pour.site.chlorination):
        return None
    fed = case.brings("NH4+", "urea", "S2O3-2")
    # Names tell of ammonia where no label does.
    fed = fed | np.full(case.size, bool(_names(case, "ammonia-gas", "sulfite-gas")))
    in_water = case.of(AMMONIUM)
    well = np.zeros(case.size, dtype=bool) if in_water is None else in_water >= _AMMONIUM_MATTERS_MG_PER_L
    level = np.where(fed, int(Level.STOP if bleach else Level.CAUTION), int(Level.NONE))
    level[well] = np.maximum(level[well], int(Level.CAUTION))
    if not level.any():
        return None
    with_ = _and(bleach) if bleach else "Chlorine in the system"

    def message(n: Mapping[str, float]) -> str:
        if not fed[int(n["row"])]:
            return (
                f"{with_} meets the ammonium of the water ({n['water_ammonium_mg_per_l']:.2g} mg/L): chloramines form, the "
                "chlorine is used up, and the dose misses its mark."
            )
        return (
            f"{with_} meets ammonium, urea or thiosulfate: toxic, choking chloramines form and the chlorine is used up."
        )

    return Outcome(
        level,
        message,
        numbers={} if in_water is None else {"water_ammonium_mg_per_l": in_water},
        do=(
            *((IF_MIXED,) if bleach else ()),
            "Run chlorine as a treatment of its own, never with feed; flush between the two.",
            DEFER,
        ),
    )


CHLORAMINE = Rule(
    name="chloramine",
    family="people",
    may_be_lowered=False,
    sets_gas_free=True,
    levels=(Level.STOP, Level.CAUTION),
    asks="Does hypochlorite meet ammonium, urea or thiosulfate, of the pour or of the water?",
    headline="Chlorine {will} react with this pour and make toxic, choking gas.",
    brief="choking chloramine gas",
    plain="Chlorine with ammonium or urea makes choking chloramines, and the chlorine no longer cleans.",
    chemistry="HOCl + NH4+ -> NH2Cl + H3O+, on to NHCl2 and NCl3 in strong or acid mixes; thiosulfate reduces "
    "hypochlorite with much heat.",
    cure="Chlorinate as a cycle of its own and flush before feeding.",
    sources=("from memory: safety data sheets and extension manuals (conservative)",),
    check=_chloramine,
)


def _bleach_with_feed(case: Case) -> Outcome | None:
    bleach = bool(_bleach(case))
    if not bleach and not case.question.pour.site.chlorination:
        return None
    attack = case.brings("Edta-4", "FeDtpa-2", "FeEddha-", "Fe+2", "Mn+2", "CH3COO-")
    if not bleach and attack.any():
        return Outcome(
            np.where(attack, int(Level.CAUTION), int(Level.NONE)),
            lambda _: (
                "The system is chlorinated, and chlorine destroys chelates and turns iron and manganese to sludge."
            ),
            do=("Stop chlorination and flush before you feed; start it again after the flush.", DEFER),
        )
    if len(case.poured) < 2 or not bleach:
        return None
    return Outcome(
        np.where(attack, int(Level.STOP), int(Level.CAUTION)),
        lambda n: (
            "Bleach destroys chelates and turns iron and manganese to rust and black sludge."
            if attack[int(n["row"])]
            else "Bleach in one bucket with feed: chlorination is a treatment of its own."
        ),
        do=("Run chlorine by itself, and flush before and after.", DEFER),
    )


BLEACH_WITH_FEED = Rule(
    name="bleach-with-feed",
    family="people",
    may_be_lowered=False,
    levels=(Level.STOP, Level.CAUTION),
    asks="Is bleach in one bucket with a feed?",
    headline="Bleach {will} spoil the feed and leave sludge that blocks emitters.",
    brief="bleach with feed",
    plain="Bleach destroys chelates and turns iron and manganese to sludge. Chlorination is a treatment of its own.",
    chemistry="OCl- oxidizes EDTA, DTPA, EDDHA, Fe(II) and Mn(II); MnO2 and Fe(OH)3 form at once.",
    cure="Chlorine alone, then flush.",
    sources=("Drip chlorination guide of a growers association: run chlorine as its own cycle, not with feed",),
    check=_bleach_with_feed,
)


#: Urea nitrate in its own saturated solution: some 10 g per 100 g water (from memory), which with the acid constant
#: of urea's ion makes a product of that ion and nitrate of 0.25; twice as much salt makes 0.9 [(mol/kg)^2].
_UREA_NITRATE_MAYBE, _UREA_NITRATE_SURELY = 0.25, 0.9
#: Acid constant of protonated urea, pKa 0.1 (from memory: CRC).
_UREA_KA = 10.0**-0.1


def _protonated_urea(urea: Floats, acid: Floats) -> Floats:
    """Protonated urea [mol/kg] from total urea and free acid before it takes any up, (B,)."""
    b = urea + acid + _UREA_KA
    return np.asarray(0.5 * (b - np.sqrt(np.maximum(b * b - 4.0 * urea * acid, 0.0))))


def _urea_nitrate(case: Case) -> Outcome | None:
    urea, nitrate = case.in_bucket_mol_per_kg("urea"), case.in_bucket_mol_per_kg("NO3-")
    mixed = case.bucket.before_solids
    acid = mixed.molality[:, mixed.constants.species.index("H+")]
    product = _protonated_urea(urea, acid) * nitrate
    level = np.where(product > _UREA_NITRATE_MAYBE, int(Level.UNKNOWN), int(Level.NONE))
    level[product > _UREA_NITRATE_SURELY] = Level.STOP
    both = case.brings("urea") & case.brings("NO3-")
    named = any("nitric-acid" in {i.product.id, *(s.id for s in i.sources_of_label)} for i in case.poured)
    if named:
        level[:] = Level.STOP  # at any strength: what is thin today is strong tomorrow
    level[~both] = Level.NONE
    if not level.any():
        return None

    def message(n: Mapping[str, float]) -> str:
        if named and n["ion_product"] <= _UREA_NITRATE_MAYBE:
            return "Urea with nitric acid: stronger mixes crystallize as urea nitrate, which explodes when dry: never together."
        return (
            "Urea with nitric acid, or with much nitrate in strong acid: urea nitrate crystallizes (ion product "
            f"{n['ion_product']:.2g}, from 0.25 on); dry it explodes."
        )

    return Outcome(
        level,
        message,
        numbers={"bucket_ph": mixed.ph, "ion_product": product},
        do=("Keep urea and UAN away from nitric acid, in bucket and in store.", DEFER),
        severity=product,
    )


UREA_NITRATE = Rule(
    name="urea-nitrate",
    family="people",
    may_be_lowered=False,
    levels=(Level.STOP, Level.UNKNOWN),
    asks="Does urea meet nitric acid, or nitrate in strong acid?",
    headline="Urea nitrate, an explosive when dry, {will} form in the bucket.",
    brief="explosive urea nitrate",
    plain="Urea and nitric acid make crystals that are an explosive when dry.",
    chemistry="CO(NH2)2H+ + NO3- -> CO(NH2)2.HNO3. Free acid shared with urea by its acid constant (pKa 0.1); the ion product of "
    "protonated urea and nitrate against that of the salt in its own saturated solution, 0.25 to 0.9.",
    cure="Never together.",
    sources=(
        "from memory: safety data sheets and extension manuals (conservative)",
        "from memory: CRC Handbook: urea nitrate about 10 g per 100 g water; pKa of protonated urea 0.1",
    ),
    turns=Turns(worse=(AMOUNT_FACTOR,), better=(ALKALINITY, PH)),
    needs=(("urea",), ("NO3-",)),
    check=_urea_nitrate,
)


def _ammonia(case: Case) -> Outcome | None:
    mixed = case.bucket.before_solids
    ammonia = mixed.molality[:, mixed.constants.species.index("NH3")]
    level = np.where(ammonia > 0.02, int(Level.CAUTION), int(Level.NONE))
    level[ammonia > 0.1] = Level.STOP
    level[~case.brings("NH4+")] = Level.NONE
    if len(case.poured) == 1:
        level = np.where(mixed.ph > 10.0, level, np.minimum(level, int(Level.CAUTION)))
    if not level.any():
        return None
    return Outcome(
        level,
        lambda n: (
            f"Ammonia leaves the bucket: {17.0 * n['ammonia_mol_per_kg']:.2g} g/L is free at pH {n['bucket_ph']:.1f}."
        ),
        numbers={"ammonia_mol_per_kg": ammonia, "bucket_ph": mixed.ph},
        do=("Keep ammonium feeds from hydroxide, carbonate, silicate and lime; do not breathe over it.", DEFER),
        severity=ammonia,
    )


AMMONIA_ESCAPES = Rule(
    name="ammonia-escapes",
    family="people",
    may_be_lowered=False,
    levels=(Level.STOP, Level.CAUTION),
    asks="Is the bucket so alkaline that ammonium leaves as ammonia?",
    headline="Choking ammonia gas {will} rise from the bucket.",
    brief="ammonia gas",
    plain="Ammonium with hydroxide, carbonate or lime gives off choking ammonia.",
    chemistry="NH4+ = NH3 + H+, pKa 9.25 at 25 degC; free ammonia from 0.02 mol/kg above pH 8.5 is a caution, from 0.1 above pH 9 a stop (design choice).",
    cure="Keep alkali from ammonium.",
    sources=("lecture notes on mixing: ammonium with lime, hydroxide or carbonate releases ammonia",),
    turns=Turns(
        worse=(PH, BUCKET_TEMPERATURE), better=(CALCIUM,), either={(ALKALINITY,): BUFFERS, (AMOUNT_FACTOR,): OWN_PH}
    ),
    needs=(("NH4+",),),
    check=_ammonia,
)


#: Heat of an acid with an alkali, for each mole of protons [kJ/mol] (from memory: strong acid with strong base).
_NEUTRALIZES_KJ_PER_MOL = 57.0
#: From this rise on it is told, from this on it is a stop [degC] (design choice).
_WARM_C, _HOT_C = 10.0, 25.0
#: Share of the bucket's water that an acid or alkali without a heat on record may be before it is called open.
_UNTOLD_SHARE = 0.2


def _too_hot(case: Case) -> Outcome | None:
    acids = [item for item in case.poured if "acid" in item.hazards]
    alkalis = [item for item in case.poured if "alkali" in item.hazards]
    untold = [i for i in case.poured if i.hazards & {"acid", "alkali"} and _concentrated(i) and not _heat_known(i)]
    if not (acids and alkalis) and not untold and float(case.most_warming_c.max()) <= _WARM_C:
        return None
    rise = case.warming_c
    if acids and alkalis:
        rise = rise + _NEUTRALIZES_KJ_PER_MOL * case.neutralized_mol / case.heat_capacity_kj_per_k
    level = np.where(rise > _WARM_C, int(Level.CAUTION), int(Level.NONE))
    share = np.zeros(case.size)
    if untold:
        share = sum((item.kg(case.columns) for item in untold), share) / case.bucket_water_kg
        level[share > _UNTOLD_SHARE] = Level.CAUTION
    level[rise > _HOT_C] = Level.STOP
    if not level.any():
        return None
    names = ", ".join(item.product.name for item in untold)

    def message(n: Mapping[str, float]) -> str:
        if n["warming_c"] > _WARM_C:
            return f"Mixing this heats the bucket by about {n['warming_c']:.0f} degC: it may spit, and plastic softens."
        return f"Diluting {names} sets heat free, and how much is not on record: it may spit."

    return Outcome(
        level,
        message,
        numbers={"warming_c": rise, "share_without_heat_on_record": share},
        do=("Take less acid or alkali, or far more water; add it slowly to cold water, never water to it.", DEFER),
        severity=rise,
    )


BUCKET_TOO_HOT = Rule(
    name="bucket-too-hot",
    family="people",
    may_be_lowered=False,
    levels=(Level.STOP, Level.CAUTION),
    asks="Does diluting acid or alkali heat the bucket?",
    headline="The bucket {will} get hot enough to spit and to soften plastic.",
    brief="a bucket that heats up",
    plain="A gallon of strong acid boils the water it is poured into.",
    chemistry="Heat of dilution of each liquid, where on record, over the heat capacity of the water; 10 and 25 degC: design choice.",
    cure="Less of it, more water, slowly.",
    sources=(
        "CRC enthalpies of solution; copy of a university acid table: concentrated acid and water give off great heat",
    ),
    turns=Turns(worse=(AMOUNT_FACTOR,)),
    check=_too_hot,
)


#: Protons that a concentrated acid gives, or an alkali takes, at least [mol/kg].
_CONCENTRATED_MOL_PER_KG = 5.0


def _concentrated(item: Poured) -> bool:
    """True for an acid or alkali as it is bought, not for a mild salt."""
    protons = [abs(mixture.species_mol_per_kg.get("H+", 0.0)) for mixture in item.composition.mixtures]
    return item.product.form == "liquid" and max(protons, default=0.0) > _CONCENTRATED_MOL_PER_KG


def _heat_known(item: Poured) -> bool:
    """True when the heat of every sharp source of a product is on record."""
    sources = [item.product, *item.sources_of_label]
    return all("heat_of_solution" in s.numbers for s in sources if set(s.hazards) & {"acid", "alkali"} and s.content)


def _acid_to_water(case: Case) -> Outcome | None:
    acid = _names(case, "acid")
    if not acid:
        return None
    return Outcome(
        same(case, Level.NOTE),
        lambda _: f"{_and(acid)}: pour acid slowly into water, never water into acid. {PROTECT}",
        do=("Fill the bucket first.", DEFER),
    )


ACID_TO_WATER = Rule(
    name="acid-to-water",
    family="people",
    may_be_lowered=False,
    levels=(Level.NOTE,),
    asks="Is an acid poured?",
    headline="Acid burns and spits: pour it into water, never water into it.",
    brief="acid burns",
    plain="Acid goes into water. Water poured into acid boils and spits.",
    chemistry="The heat of dilution is set free where the two meet; in a large volume of water it is carried off.",
    cure="Fill the bucket with water first, then add the acid slowly.",
    sources=("Spanish agronomy page on fertilizer compatibility: pour acid slowly into water",),
    check=_acid_to_water,
)


def _caustic(case: Case) -> Outcome | None:
    bleach = _names(case, "hypochlorite")
    alkali = [name for name in _names(case, "alkali", "ammonia-gas") if name not in bleach]
    if not alkali and not bleach:
        return None
    told = [
        f"{_and(names)}: {what}."
        for names, what in (
            (alkali, "alkaline, hard on skin and eyes; with ammonium feeds it gives off ammonia"),
            (bleach, "burns skin and eyes; with acid, ammonium or urea it gives off toxic gas"),
        )
        if names
    ]
    return Outcome(
        same(case, Level.NOTE),
        lambda _: f"{' '.join(told)} {PROTECT}",
        do=("Add it slowly to cold water.", DEFER),
    )


CAUSTIC = Rule(
    name="caustic",
    family="people",
    may_be_lowered=False,
    levels=(Level.NOTE,),
    asks="Is a strong base or bleach poured?",
    headline="An alkaline product: it burns skin and eyes.",
    brief="alkali burns",
    plain="Hydroxide, carbonate, silicate, aqua ammonia and bleach burn skin and eyes; alkali drives ammonia out of feeds.",
    chemistry="Above about pH 9 ammonium turns to ammonia gas (pKa 9.25 at 25 degC).",
    cure="Protect eyes and hands; keep from ammonium feeds.",
    sources=("lecture notes on mixing: ammonium with lime, hydroxide or carbonate releases ammonia",),
    check=_caustic,
)


#: What burns with an oxidizer when dry, by words on name and label.
_BURNS = ("elemental sulfur", "molasses", "compost", "humate", "leonardite", "kelp", "oil")


def _oxidizer(case: Case) -> Outcome | None:
    # A nitrate that is dissolved already feeds no fire; nitric acid does.
    oxidizers = [
        item.product.name
        for item in case.poured
        if "oxidizer" in (item.hazards if item.product.form == "dry" else item.product.hazards)
    ]
    dry_bleach = [i.product.name for i in case.poured if "hypochlorite" in i.hazards and i.product.form == "dry"]
    names = list(dict.fromkeys([*oxidizers, *dry_bleach]))
    if not names:
        return None
    others = [item for item in case.poured if item.product.name not in names]
    burns = [
        item.product.name
        for item in others
        if any(word in " ".join([item.product.name, *item.product.derived_from]).lower() for word in _BURNS)
    ]
    if dry_bleach:
        # Dry hypochlorite takes fire with ammonium salts, urea and organic matter.
        burns = [item.product.name for item in others]
    are = "is an oxidizer" if len(names) == 1 else "are oxidizers"
    level = Level.CAUTION if burns else Level.NOTE
    return Outcome(
        same(case, level),
        lambda _: (
            f"{_and(names)} {are}: "
            + (
                f"dry, never let it meet {_and(burns)}, nor a spill of it."
                if burns
                else "keep it from all that burns; wipe up spills before they dry."
            )
        ),
        do=("Store oxidizers away from fuel, oil, sulfur, urea and organic dust; no smoking.", DEFER),
    )


OXIDIZER = Rule(
    name="oxidizer",
    family="people",
    may_be_lowered=False,
    levels=(Level.CAUTION, Level.NOTE),
    asks="Does a nitrate or another oxidizer meet what burns?",
    headline="Dried or spilled, this feeds a fire: keep it from what burns.",
    brief="an oxidizer near what burns",
    plain="Nitrates make a fire fiercer; with sulfur, oil or organic dust they can burn or explode when dry.",
    chemistry="Ammonium, potassium and calcium nitrate and nitric acid are oxidizers; dissolved salts feed no "
    "fire, spilt and dried they do; nitric acid burns skin and gives off toxic fumes besides.",
    cure="Apart in store; clean up spills before they dry.",
    sources=("from memory: safety data sheets: nitrates kept from fuel, oil, sulfur and organic matter",),
    check=_oxidizer,
)


def _strong_acids(case: Case) -> Outcome | None:
    strong = [item for item in case.poured if "acid" in item.hazards and _concentrated(item)]
    if len({item.product.id for item in strong}) < 2:
        return None
    names = [item.product.name for item in strong]

    def holds(item: Poured, species: str) -> bool:
        return any(mixture.species_mol_per_kg.get(species, 0.0) > 1.0 for mixture in item.composition.mixtures)

    fumes = any(holds(item, "NO3-") for item in strong) and any(holds(item, "Cl-") for item in strong)
    return Outcome(
        same(case, Level.STOP if fumes else Level.CAUTION),
        lambda _: (
            f"{_and(names)} together give off chlorine and nitrosyl chloride, toxic gases, and corrode most metals."
            if fumes
            else f"{_and(names)} in one bucket: strong acids together spit and heat more than each alone."
        ),
        do=(
            *((IF_MIXED,) if fumes else ()),
            "One acid at a time, each into its own full bucket of water.",
            PROTECT,
            DEFER,
        ),
    )


STRONG_ACIDS_TOGETHER = Rule(
    name="strong-acids-together",
    family="people",
    may_be_lowered=False,
    sets_gas_free=True,
    levels=(Level.STOP, Level.CAUTION),
    asks="Do two strong acids go into one bucket?",
    headline="Toxic gas {will} rise from these acids together.",
    milder="Strong acids together spit and heat more than each alone.",
    brief="strong acids together",
    plain="Nitric with hydrochloric acid gives off toxic fumes, and any two strong acids heat and spit.",
    chemistry="HNO3 + 3 HCl -> NOCl + Cl2 + 2 H2O in strong mixes. Liquids that give 5 mol/kg of protons or more count.",
    cure="One acid at a time.",
    sources=("from memory: safety data sheets: nitric acid kept from hydrochloric acid and chlorides",),
    check=_strong_acids,
)


#: Sulfide of the water from which on acid sets some of it free, and much [mg/L S]: the clogging classes of Bucks,
#: Nakayama and Gilbert 1979 as reprinted; their use here is a design choice.
SULFIDE_SOME_MG_PER_L, _SULFIDE_MUCH_MG_PER_L = 0.5, 2.0


def _acid_meets_sulfide(case: Case) -> Outcome | None:
    sulfide, acid = case.of(SULFIDE), _names(case, "acid")
    if sulfide is None or not acid:
        return None
    level = np.where(sulfide >= SULFIDE_SOME_MG_PER_L, int(Level.CAUTION), int(Level.NONE))
    level[sulfide >= _SULFIDE_MUCH_MG_PER_L] = Level.STOP
    if not level.any():
        return None
    return Outcome(
        level,
        lambda n: (
            f"{_and(acid)} in water with {n['water_sulfide_mg_per_l']:.2g} mg/L of sulfide sets hydrogen sulfide free, a "
            "toxic gas; the nose stops smelling it when it is strong."
        ),
        numbers={"water_sulfide_mg_per_l": sulfide},
        do=(IF_MIXED, "Fill the bucket with other water, or aerate this one first; never in a closed shed.", DEFER),
        severity=sulfide,
    )


ACID_MEETS_SULFIDE = Rule(
    name="acid-meets-sulfide",
    family="people",
    may_be_lowered=False,
    sets_gas_free=True,
    levels=(Level.STOP, Level.CAUTION),
    asks="Does acid go into water with hydrogen sulfide?",
    headline="Acid {will} free hydrogen sulfide, a deadly gas, from this water.",
    brief="hydrogen sulfide gas",
    plain="Rotten-egg water gives off its gas when acid goes in. The gas is toxic, in a closed shed it kills.",
    chemistry="HS- + H+ -> H2S, pKa 7.0; below pH 6 nearly all of it is the gas. The limits are the clogging classes.",
    cure="Other water, or aerate it first, out of doors.",
    sources=(
        "from memory: safety data sheets: hydrogen sulfide, pKa 7.0",
        "Bucks, Nakayama and Gilbert 1979 classes, as reprinted, as limits: design choice",
    ),
    check=_acid_meets_sulfide,
)


def _lifting(case: Case) -> Outcome:
    full_kg = case.poured_water_kg + sum(p.heaviest_kg for p in case.poured)
    return Outcome(
        same(case, Level.NOTE),
        lambda n: (
            f"The full bucket weighs about {n['full_bucket_kg']:.0f} kg "
            f"({n['full_bucket_kg'] * 2.20462:.0f} lb)."
            + (" Mix it where it stays." if n["full_bucket_kg"] > 15 else "")
        ),
        numbers={"full_bucket_kg": full_kg},
        do=("Read the label of every product before you pour.",),
    )


LIFTING_AND_LABEL = Rule(
    name="lifting-and-label",
    family="people",
    may_be_lowered=False,
    levels=(Level.NOTE,),
    asks="How heavy is the full bucket?",
    headline="The full bucket is heavy: mix it where it stays.",
    brief="a heavy bucket",
    plain="A full 5 gallon bucket weighs over 40 lb; a splash of stock in the eye is worse than a slow mix.",
    chemistry="Mass of water plus what is dissolved.",
    cure="Mix where the injector stands; two people, or two half buckets.",
    sources=("common practice, no source",),
    check=_lifting,
)


RULES = (
    CHLORINE_GAS,
    CHLORAMINE,
    BLEACH_WITH_FEED,
    UREA_NITRATE,
    STRONG_ACIDS_TOGETHER,
    ACID_MEETS_SULFIDE,
    AMMONIA_ESCAPES,
    BUCKET_TOO_HOT,
    ACID_TO_WATER,
    CAUSTIC,
    OXIDIZER,
    LIFTING_AND_LABEL,
)

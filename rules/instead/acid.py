"""Acid demand: how much of an acid brings the line of a pour, or water alone, to a pH."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from ...catalog import Catalog, InputError, Product
from ...catalog.text import quoted
from ..answer.assess import one_thread
from ..answer.numbers import number, tidy
from ..answer.verdict import Number
from ..ask.pour import Pour, PouredProduct
from ..ask.question import Question, ask, displaced_l, displaced_l_per_kg
from ..ask.salts import WATER_KG_PER_MOL
from ..case.case import Case
from ..chemistry.constants import Floats
from ..chemistry.speciate import equilibrate
from ..chemistry.titrate import titrate
from ..explore.scenarios import scenarios

#: pH that a line is brought to where none is named (design choice: most carbonate scale and phosphates stay dissolved,
#: and pipes and crops do not suffer).
TARGET_PH = 6.5
#: Lines of irrigation water are brought to no other pH (design choice; the lowest in print that was read is 4.5, of
#: citrus in Florida: UF/IFAS FAWN, citrus microirrigation maintenance, appendix A-2).
LEAST_TARGET_PH, MOST_TARGET_PH = 4.0, 8.5
#: What an acid adds beside acidity, as labels name it.
_ADDED = ("n", "p2o5", "s", "cl")
#: A fill's place in a pour that only names the acid; its amount is what is looked for.
_TOKEN_AMOUNT = {"dry": "1 g", "liquid": "1 mL"}


@dataclass(frozen=True)
class AcidDemand:
    """How much of an acid brings the line to `target_ph`, each number at the best estimate of what is not known and
    from its least to its most over all scenarios; nought where the pH is low enough without.

    fill_kg, fill_l: in a fill of the bucket, beside what is poured (no volume of a dry acid). per_1000_l_kg,
    per_1000_l_l: in 1,000 L of the line's water (in liters the same number as gallons in 1,000 gallons). hour_kg,
    hour_l: in an hour of injection; None where the flow is not stated and does not follow from the drip.
    line_adds_mg_per_l, fill_adds_g: nitrogen (N), phosphate (P2O5), sulfur (S) and chlorine (Cl) that it adds to the
    line and in a fill, by nutrient, those that it has.
    ph_without: of the line without the acid; ph_with: of the line with fill_kg at its best estimate, whatever the
    unknowns are; both closed to the air, before anything settles.
    percent_of_stock: volume of the acid in that of the stock. times_weaker: 1 where the bucket can hold the most of it;
    else how many times less of everything goes into a fill, at as many times fewer parts of water.
    unsolved: scenarios of which the line could not be solved, which the ranges leave out.
    """

    acid: Product
    target_ph: float
    fill_kg: Number
    fill_l: Number | None
    per_1000_l_kg: Number
    per_1000_l_l: Number | None
    hour_kg: Number | None
    hour_l: Number | None
    line_adds_mg_per_l: Mapping[str, Number]
    fill_adds_g: Mapping[str, Number]
    ph_without: Number
    ph_with: Number
    percent_of_stock: Number
    times_weaker: float
    unsolved: int

    @property
    def needed(self) -> bool:
        """False where the line is at the target without acid, whatever the unknowns are."""
        return self.fill_kg.high > 0.0

    def line(self, kg: float | None = None) -> PouredProduct:
        """The acid as a line of the pour: so much of it in a fill, its best estimate where no amount is given.

        Raises: InputError: none of it.
        """
        amount = self.fill_kg.value if kg is None else kg
        if amount <= 0.0:
            raise InputError(f"no {self.acid.name} is needed", where="acid", mend="leave the pour as it is")
        return PouredProduct.model_validate({"name": self.acid.id, "amount": f"{amount!r} kg"})


def acid_demand(question: Question, acid: Product, target_ph: float = TARGET_PH) -> AcidDemand:
    """How much of an acid, beside what is poured, brings the line of a question to a pH.

    From the speciation that a check makes, closed to the air, over the scenarios of a check: no rule of thumb. Whether
    the acid may be there at all is not asked: the pour with `AcidDemand.line()` in it is to be checked.
    Raises: InputError: the product is no acid of known content and strength, or too weak; the target is no pH of
        irrigation; what is poured, or the water, leaves the line unknown.

    >>> from pourcheck import Catalog
    >>> with Catalog.open("sqlite://") as catalog:
    ...     question = water_alone({"bucket": {"volume": "5 gal"}, "injection": {"ratio": "1:100"},
    ...                             "water": {"name": "ridge-well"}}, catalog, catalog.product("sulfuric acid"))
    ...     demand = acid_demand(question, catalog.product("sulfuric acid"))
    >>> [round(one.value, 2) for one in (demand.ph_without, demand.ph_with, demand.fill_l)]
    [7.5, 6.5, 0.08]
    """
    (demand,) = acid_demands(question, (acid,), target_ph)
    if demand is None:
        raise InputError(
            f"{quoted(acid.name)} is too weak to bring this line to pH {target_ph:g}",
            where="acid",
            mend="take a stronger acid, or a higher pH",
        )
    return demand


def acid_demands(
    question: Question, acids: Sequence[Product], target_ph: float = TARGET_PH, *, case: Case | None = None
) -> tuple[AcidDemand | None, ...]:
    """The same for several acids at once, each by itself; None for one that is too weak. case: the scenarios of the
    question, where they are there already.

    Raises: InputError: as `acid_demand`.
    """
    for acid in acids:
        _must_be_acid(acid)
    must_be_target(target_ph)
    for item in question.poured:
        if not item.composition.mixtures:
            raise InputError(
                f"it is not known what {quoted(item.product.name)} brings to the line",
                where="product",
                mend="add its derived-from list to the catalog, or leave it out",
            )
    with one_thread():
        return _Line(case or Case(question, scenarios(question))).demands(acids, target_ph)


def water_alone(setting: Mapping[str, object], catalog: Catalog, acid: Product) -> Question:
    """The question of a pour without any product, for acid that is injected by itself.

    setting: the pour's plain data without products. Raises: InputError: the setting is not sound.
    """
    if setting.get("product"):
        raise InputError("names products", where="product", mend="ask for the acid of this pour instead")
    line = {"name": acid.id, "amount": _TOKEN_AMOUNT[acid.form]}
    question = ask(Pour.parse({**setting, "product": [line]}), catalog)
    return replace(question, poured=(), jars=())


def must_be_target(target_ph: float) -> None:
    """Raises: InputError: no pH that irrigation water is brought to."""
    if not LEAST_TARGET_PH <= target_ph <= MOST_TARGET_PH:
        raise InputError(
            f"pH {target_ph:g} is none that irrigation water is brought to",
            where="target_ph",
            mend=f"take one from {LEAST_TARGET_PH:g} to {MOST_TARGET_PH:g}",
        )


def _must_be_acid(acid: Product) -> None:
    """Raises: InputError: not an acid whose amount can be computed."""

    def refused(what: str, mend: str) -> InputError:
        return InputError(f"{quoted(acid.name)} {what}", where="acid", mend=mend)

    if "acid" not in acid.hazards:
        raise refused("is not listed as an acid", "take an acid, or add acid to its hazards")
    if not acid.content:
        raise refused(
            "cannot be dosed: what it dissolves to is not on record",
            "take sulfuric, nitric or phosphoric acid, or add its formula and strength; of organic acids the model "
            "holds acetic acid alone",
        )
    if acid.species_mol_per_kg().get("H+", 0.0) <= 0.0:
        raise refused("brings no acid by its formula", "check its content")
    if acid.form == "liquid" and acid.density is None:
        raise refused("is a liquid of unknown density", "add the density from its label")


class _Line:
    """The lines of a question's scenarios, which acid goes into."""

    def __init__(self, case: Case) -> None:
        self.case, self.question = case, case.question
        self.water = case.water.totals_mol_per_kg
        #: Irrigation water and line water that a fill makes [L, kg], (B,).
        self.irrigated_l = case.bucket_volume_l * case.injection_ratio
        self.line_kg = case.bucket_water_kg + self.irrigated_l
        if not np.all(np.isfinite(case.line_totals[0])):
            raise InputError(
                "cannot be: its pH and alkalinity do not go together", where="water", mend="check both and their units"
            )

    def brought_by(self, acid: Product) -> tuple[Floats, Floats]:
        """What a kg of acid in the bucket brings to the line beside the water that it displaces: moles of each
        master (B, N), and water [kg] (B,)."""
        masters = self.case.constants.masters
        moles, water_kg = np.zeros(len(masters)), max(0.0, 1.0 - sum(part.mass_fraction.value for part in acid.content))
        for name, amount in acid.species_mol_per_kg().items():
            if name == "H2O":
                water_kg += amount * WATER_KG_PER_MOL
            else:
                moles[masters.index(name)] += amount
        displaced = np.full(self.case.size, displaced_l_per_kg(acid))
        if not self.question.filled_up:
            # The stock grows by it, and with the stock the water that it is injected into.
            displaced *= -self.case.injection_ratio
        return moles - displaced[:, None] * self.water, water_kg - displaced

    def demands(self, acids: Sequence[Product], target_ph: float) -> tuple[AcidDemand | None, ...]:
        """As `acid_demands`: every acid in every scenario in one batch."""
        totals, celsius, shape = self.case.line_totals, self.case.line_temperature_c, (len(acids), self.case.size)
        brought = [self.brought_by(acid) for acid in acids]
        moles, water_kg = (np.concatenate(parts) for parts in zip(*brought, strict=True))
        lines, at_c, line_kg = (
            np.tile(totals, (len(acids), 1)),
            np.tile(celsius, len(acids)),
            np.tile(self.line_kg, len(acids)),
        )
        per_kg = titrate(lines, at_c, moles, np.full(len(lines), target_ph), acid_water_kg=water_kg)
        fill_kg = (per_kg * line_kg).reshape(shape)
        # Where the amount of the best estimate leads to in the other scenarios.
        poured = np.repeat(np.where(np.isfinite(fill_kg[:, 0]), fill_kg[:, 0], 0.0), self.case.size) / line_kg
        mixed = (lines + poured[:, None] * moles) / (1.0 + poured * water_kg)[:, None]
        ph = equilibrate(np.vstack([totals, mixed]), np.concatenate([celsius, at_c])).ph
        without, with_it = ph[: self.case.size], ph[self.case.size :].reshape(shape)
        return tuple(
            None if np.any(np.isinf(kg)) else self._demand(acid, target_ph, kg, without, ph_with)
            for acid, kg, ph_with in zip(acids, fill_kg, with_it, strict=True)
        )

    def _demand(self, acid: Product, target_ph: float, kg: Floats, ph_without: Floats, ph_with: Floats) -> AcidDemand:
        question, liters = self.question, displaced_l_per_kg(acid)
        liquid = acid.form == "liquid"
        stock_l = self.case.bucket_volume_l if question.filled_up else self.case.bucket_volume_l + kg * liters
        per_l = kg / (stock_l * (1.0 + self.case.injection_ratio))
        fill, per_1000_l, hour = number(kg, "kg"), number(1000.0 * per_l, "kg"), self._hour_kg(per_l)
        has = {key: acid.percent(key) or 0.0 for key in _ADDED}
        return AcidDemand(
            acid=acid,
            target_ph=target_ph,
            fill_kg=fill,
            fill_l=_times(fill, liters, "L") if liquid else None,
            per_1000_l_kg=per_1000_l,
            per_1000_l_l=_times(per_1000_l, liters, "L") if liquid else None,
            hour_kg=hour,
            hour_l=_times(hour, liters, "L/h") if liquid and hour is not None else None,
            line_adds_mg_per_l={key: number(1e4 * of * per_l, "mg/L") for key, of in has.items() if of},
            fill_adds_g={key: _times(fill, 10.0 * of, "g") for key, of in has.items() if of},
            ph_without=number(ph_without, "pH"),
            ph_with=number(ph_with, "pH"),
            percent_of_stock=number(100.0 * kg * liters / stock_l, "%"),
            times_weaker=max(1.0, (fill.high * liters + displaced_l(question.poured)) / question.room_l),
            unsolved=int(np.count_nonzero(np.isnan(kg))),
        )

    def _hour_kg(self, per_l: Floats) -> Number | None:
        """Of acid in an hour, by what it is in a liter of the line: of the flow that is stated, with the stock in it,
        else of what the drip's emitters put out."""
        plan = self.question.plan
        if plan.flow_l_per_min is not None:
            dose = number(60.0 * per_l * (1.0 + 1.0 / self.case.injection_ratio), "kg")
            least, most = plan.flow_l_per_min
            ends = (0.5 * (least + most) * dose.value, least * dose.low, most * dose.high)
            return Number(**dict(zip(("value", "low", "high"), map(tidy, ends), strict=True)), unit="kg/h")
        if plan.drip_flow_l_per_min is not None:
            return number(60.0 * per_l * plan.drip_flow_l_per_min, "kg/h")
        return None


def _times(one: Number, factor: float, unit: str) -> Number:
    """A number times a factor, in the unit that this leads to."""
    return number(factor * np.array([one.value, one.low, one.high]), unit)

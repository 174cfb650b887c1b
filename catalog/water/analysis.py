"""Water tests: what a lab or a test strip says of a well, in the units that they print."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date
from typing import Annotated, Any, Self

from pydantic import ConfigDict, Field, model_validator

from ..once import once_for_each
from ..product import LONGEST_NAME, Record
from ..quantity.concentration import READINGS, mol_per_mg
from ..quantity.measure import Conductivity, Count, Measure, Ph, Solids, Temperature, concentration_of
from ..quantity.named import named_quantities, named_quantities_in_schema
from ..quantity.table import ALKALINITY, BICARBONATE, QUANTITIES

#: Items of a water test that are concentrations, in the order in which they are shown.
CONCENTRATION_ITEMS: tuple[str, ...] = tuple(name for name in QUANTITIES if name in READINGS)
#: Items that are not concentrations of a dissolved species.
OTHER_ITEMS = ("temperature", "suspended_solids", "dissolved_solids", "ec", "bacteria")
#: What labs call items: another name -> ours.
OTHER_NAMES = {
    "conductivity": "ec",
    "electrical_conductivity": "ec",
    "specific_conductance": "ec",
    "tds": "dissolved_solids",
    "total_dissolved_solids": "dissolved_solids",
}


#: In which a diluted water states an item.
_UNIT_OF = {name: QUANTITIES[name].unit for name in QUANTITIES} | {"dissolved_solids": "mg/L", "ec": "mS/cm"}


class WaterTest(Record):
    """A water test; every item may be missing, and a missing item is swept, never taken as zero.

    Concentrations are text with a unit ("95 mg/L", "210 mg/L CaCO3", "12 gpg", "3 meq/L"), or a range of it
    ("80 to 120 mg/L", "95 +/- 5 mg/L", "<0.05 mg/L"). Hardness stands for calcium and magnesium that were not split.

    >>> from pourcheck import WaterTest
    >>> well = WaterTest.model_validate({"ph": 7.6, "calcium": "80 to 120 mg/L"})
    >>> [round(1000 * end, 2) for end in well.ranges_mol_per_l()["calcium"]]
    [2.0, 2.99]
    """

    id: str = Field(default="", max_length=LONGEST_NAME)
    name: str = Field(default="", max_length=LONGEST_NAME)
    invented: bool = False
    notes: str = ""
    source: str = ""
    tested_on: str | None = None
    ph: Ph | None = Field(default=None, description='7.6, or a range such as "7.2 to 7.8"')
    calcium: Annotated[Measure, concentration_of("calcium")] | None = None
    magnesium: Annotated[Measure, concentration_of("magnesium")] | None = None
    hardness: Annotated[Measure, concentration_of("hardness")] | None = None
    alkalinity: Annotated[Measure, concentration_of("alkalinity")] | None = None
    bicarbonate: Annotated[Measure, concentration_of("bicarbonate")] | None = None
    sodium: Annotated[Measure, concentration_of("sodium")] | None = None
    potassium: Annotated[Measure, concentration_of("potassium")] | None = None
    chloride: Annotated[Measure, concentration_of("chloride")] | None = None
    sulfate: Annotated[Measure, concentration_of("sulfate")] | None = None
    ammonium: Annotated[Measure, concentration_of("ammonium")] | None = None
    nitrate: Annotated[Measure, concentration_of("nitrate")] | None = None
    phosphate: Annotated[Measure, concentration_of("phosphate")] | None = None
    iron: Annotated[Measure, concentration_of("iron")] | None = None
    manganese: Annotated[Measure, concentration_of("manganese")] | None = None
    sulfide: Annotated[Measure, concentration_of("sulfide")] | None = None
    boron: Annotated[Measure, concentration_of("boron")] | None = None
    silica: Annotated[Measure, concentration_of("silica")] | None = None
    fluoride: Annotated[Measure, concentration_of("fluoride")] | None = None
    temperature: Temperature | None = None
    suspended_solids: Solids | None = None
    dissolved_solids: Solids | None = Field(default=None, description="total: the residue, or what a TDS meter shows")
    ec: Conductivity | None = Field(default=None, description="electrical conductivity at 25 degC")
    bacteria: Count | None = None
    softened: bool | None = Field(default=None, description="true: behind a softener, which trades calcium for sodium")

    model_config = ConfigDict(json_schema_extra=named_quantities_in_schema)

    @model_validator(mode="before")
    @classmethod
    def _other_names(cls, data: Any) -> Any:
        """Items under other names that labs print."""
        if not isinstance(data, Mapping):
            return data
        out: dict[Any, Any] = {}
        for name, value in data.items():
            known = OTHER_NAMES.get(name, name) if isinstance(name, str) else name
            if known in out:
                raise ValueError(f"{known} is given twice, under two names; keep one of them")
            out[known] = value
        return out

    @model_validator(mode="before")
    @classmethod
    def _named_units(cls, data: Any) -> Any:
        return named_quantities(data, cls.model_fields)

    @model_validator(mode="after")
    def _makes_sense(self) -> Self:
        if self.tested_on is not None:
            try:
                date.fromisoformat(self.tested_on)
            except ValueError:
                raise ValueError("tested_on is not a day; write 2026-03-31") from None
        if self.alkalinity is not None and self.bicarbonate is not None:
            raise ValueError("alkalinity and bicarbonate are both given; give one of them")
        return self

    def stated(self, item: str) -> Measure | None:
        """An item as it was stated; None where it was not measured."""
        found = getattr(self, item)
        assert found is None or isinstance(found, Measure)
        return found

    @property
    def ph_range(self) -> tuple[float, float] | None:
        """Lowest and highest pH, the same twice where it is one number; None where it was not measured."""
        return None if self.ph is None else self.ph.span

    def other_range(self, item: str) -> tuple[float, float] | None:
        """Lowest and highest of suspended or dissolved solids [mg/L], EC [mS/cm], bacteria [1/mL] or temperature
        [degC]; None where it was not measured."""
        found = self.stated(item)
        return None if found is None else found.span

    def other(self, item: str) -> float | None:
        """The higher end of `other_range`."""
        found = self.other_range(item)
        return None if found is None else found[1]

    @once_for_each(most=64)
    def ranges_mol_per_l(self) -> Mapping[str, tuple[float, float]]:
        """Lowest and highest of each measured item [mol/L], the same twice where it is one number; alkalinity in mol
        of charge per liter, bicarbonate read as such."""
        return {
            ALKALINITY.name if item == BICARBONATE.name else item: measure.span
            for item in CONCENTRATION_ITEMS
            if (measure := self.stated(item)) is not None
        }

    def diluted(self, share: float) -> dict[str, str]:
        """Items of this water once it makes up only this share of it and the rest is pure, as a test states them: what
        is dissolved, suspended and alive in it; not pH and temperature, which do not mix by shares.

        >>> WaterTest.model_validate({"ph": 7.6, "calcium": "95 mg/L", "iron": "<0.4 mg/L"}).diluted(0.25)
        {'calcium': '23.75 mg/L', 'iron': '0 to 0.1 mg/L'}
        """
        found = {}
        for item in (*CONCENTRATION_ITEMS, *(name for name in OTHER_ITEMS if name != "temperature")):
            if (measure := self.stated(item)) is not None:
                per = mol_per_mg(item) if item in READINGS else 1.0
                ends = dict.fromkeys(f"{share * end / per:.6g}" for end in measure.span)
                found[item] = f"{' to '.join(ends)} {_UNIT_OF[item]}"
        return found

    def concentrations_mol_per_l(self) -> dict[str, float]:
        """Each measured item [mol/L], the middle of a range; alkalinity in mol of charge per liter."""
        return {item: 0.5 * (low + high) for item, (low, high) in self.ranges_mol_per_l().items()}

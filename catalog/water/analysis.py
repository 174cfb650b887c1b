"""Water tests: what a lab or a test strip says of a well, in the units that they print."""

from __future__ import annotations

from datetime import date
from functools import partial
from typing import Any, Self

from pydantic import ConfigDict, Field, model_validator

from ..data import table
from ..errors import InputError
from ..product import Record
from ..quantity.units import (
    READINGS,
    concentration_mol_per_l,
    count_per_ml,
    mol_per_mg,
    named_quantities,
    named_quantities_in_schema,
    read_span,
    solids_mg_per_l,
    span,
    temperature_c,
)

#: Items of a water test that are concentrations, in the order in which they are shown.
CONCENTRATION_ITEMS: tuple[str, ...] = tuple(READINGS)


#: Items that are not concentrations of a dissolved species, and how each is read.
OTHER_ITEMS = {
    "temperature": temperature_c,
    "suspended_solids": solids_mg_per_l,
    "dissolved_solids": solids_mg_per_l,
    "bacteria": count_per_ml,
}


class WaterTest(Record):
    """A water test; every item may be missing, and a missing item is swept, never taken as zero.

    Concentrations are text with a unit ("95 mg/L", "210 mg/L CaCO3", "12 gpg", "3 meq/L"), or a range of it
    ("80 to 120 mg/L", "95 +/- 5 mg/L", "<0.05 mg/L"). Hardness stands for calcium and magnesium that were not split.
    """

    id: str = ""
    name: str = ""
    invented: bool = False
    notes: str = ""
    source: str = ""
    tested_on: str | None = None
    ph: float | str | None = Field(default=None, description='7.6, or a range such as "7.2 to 7.8"')
    calcium: str | None = None
    magnesium: str | None = None
    hardness: str | None = None
    alkalinity: str | None = None
    bicarbonate: str | None = None
    sodium: str | None = None
    potassium: str | None = None
    chloride: str | None = None
    sulfate: str | None = None
    nitrate: str | None = None
    phosphate: str | None = None
    iron: str | None = None
    manganese: str | None = None
    sulfide: str | None = None
    boron: str | None = None
    silica: str | None = None
    fluoride: str | None = None
    temperature: str | None = None
    suspended_solids: str | None = None
    dissolved_solids: str | None = None
    bacteria: str | None = None
    softened: bool | None = Field(default=None, description="true: behind a softener, which trades calcium for sodium")

    model_config = ConfigDict(json_schema_extra=named_quantities_in_schema)

    @model_validator(mode="before")
    @classmethod
    def _named_units(cls, data: Any) -> Any:
        return named_quantities(data, cls.model_fields)

    @model_validator(mode="after")
    def _readable(self) -> Self:
        self.ranges_mol_per_l()
        _ = self.ph_range
        for item, read in OTHER_ITEMS.items():
            text = getattr(self, item)
            if text is not None:
                read_span(text, read, item)
        if self.tested_on is not None:
            try:
                date.fromisoformat(self.tested_on)
            except ValueError:
                raise ValueError("tested_on is not a day; write 2026-03-31") from None
        if self.alkalinity is not None and self.bicarbonate is not None:
            raise ValueError("alkalinity and bicarbonate are both given; give one of them")
        return self

    @property
    def ph_range(self) -> tuple[float, float] | None:
        """Lowest and highest pH, the same twice where it is one number; None where it was not measured."""
        if self.ph is None:
            return None
        low, high = span(str(self.ph), "ph")
        try:
            ends = float(low), float(high)
        except ValueError:
            raise InputError(f'"{self.ph}" is not a pH', where="ph", mend='write 7.6 or "7.2 to 7.8"') from None
        if not 3.0 <= ends[0] <= ends[1] <= 11.0:
            raise InputError(
                f"{self.ph} is not a pH of irrigation water (3 to 11)", where="ph", mend="check the number"
            )
        return ends

    def other_range(self, item: str) -> tuple[float, float] | None:
        """Lowest and highest of suspended or dissolved solids [mg/L], bacteria [1/mL] or temperature [degC]; None where
        it was not measured."""
        text = getattr(self, item)
        return None if text is None else read_span(text, OTHER_ITEMS[item], item)

    def other(self, item: str) -> float | None:
        """The higher end of `other_range`."""
        found = self.other_range(item)
        return None if found is None else found[1]

    def ranges_mol_per_l(self) -> dict[str, tuple[float, float]]:
        """Lowest and highest of each measured item [mol/L], the same twice where it is one number; alkalinity in mol
        of charge per liter, bicarbonate read as such."""
        found: dict[str, tuple[float, float]] = {}
        for item in CONCENTRATION_ITEMS:
            text = getattr(self, item)
            if text is not None:
                key = "alkalinity" if item == "bicarbonate" else item
                low, high = read_span(text, partial(concentration_mol_per_l, item), item)
                if high > table("water_classes")["most_mg_per_l"][item] * mol_per_mg(item):
                    raise InputError(
                        f'"{text}" is more than any irrigation water holds', where=item, mend="check the unit"
                    )
                found[key] = low, high
        return found

    def concentrations_mol_per_l(self) -> dict[str, float]:
        """Each measured item [mol/L], the middle of a range; alkalinity in mol of charge per liter."""
        return {item: 0.5 * (low + high) for item, (low, high) in self.ranges_mol_per_l().items()}

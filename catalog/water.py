"""Water tests: what a lab or a test strip says of a well, in the units that they print."""

from __future__ import annotations

from datetime import date
from typing import Any, Self

from pydantic import ConfigDict, Field, model_validator

from .product import Record
from .units import (
    READINGS,
    concentration_mol_per_l,
    count_per_ml,
    named_quantities,
    named_quantities_in_schema,
    solids_mg_per_l,
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

    Concentrations are text with a unit ("95 mg/L", "210 mg/L CaCO3", "12 gpg", "3 meq/L").
    Hardness stands for calcium and magnesium that were not split.
    """

    id: str = ""
    name: str = ""
    invented: bool = False
    notes: str = ""
    source: str = ""
    tested_on: str | None = None
    ph: float | None = Field(default=None, ge=3.0, le=11.0)
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

    model_config = ConfigDict(json_schema_extra=named_quantities_in_schema)

    @model_validator(mode="before")
    @classmethod
    def _named_units(cls, data: Any) -> Any:
        return named_quantities(data, cls.model_fields)

    @model_validator(mode="after")
    def _readable(self) -> Self:
        self.concentrations_mol_per_l()
        for item, read in OTHER_ITEMS.items():
            text = getattr(self, item)
            if text is not None:
                read(text, item)
        if self.tested_on is not None:
            try:
                date.fromisoformat(self.tested_on)
            except ValueError:
                raise ValueError("tested_on is not a day; write 2026-03-31") from None
        if self.alkalinity is not None and self.bicarbonate is not None:
            raise ValueError("alkalinity and bicarbonate are both given; give one of them")
        return self

    def other(self, item: str) -> float | None:
        """Suspended or dissolved solids [mg/L], bacteria [1/mL] or temperature [degC], where known."""
        text = getattr(self, item)
        return None if text is None else OTHER_ITEMS[item](text, item)

    def concentrations_mol_per_l(self) -> dict[str, float]:
        """Each measured item [mol/L]; alkalinity in mol of charge per litre, bicarbonate read as such."""
        found: dict[str, float] = {}
        for item in CONCENTRATION_ITEMS:
            text = getattr(self, item)
            if text is not None:
                key = "alkalinity" if item == "bicarbonate" else item
                found[key] = concentration_mol_per_l(item, text, item)
        return found

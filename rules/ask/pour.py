"""A pour: products and amounts, bucket, water, injection, and what is known of the site.

Every quantity is text with a unit, or a plain number under a name that states the unit (`volume_l = 19`); it is read
here, once, and kept with the user's own unit (`catalog.quantity.measure`).
"""

from __future__ import annotations

import json
import tomllib
from collections.abc import Mapping
from datetime import date
from os import PathLike
from pathlib import Path
from typing import Annotated, Any, Literal, Self

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, ValidationError, field_validator, model_validator

from ...catalog import InputError, Product, Sourced, WaterTest, slug
from ...catalog.door import refuse_hidden
from ...catalog.nutrients import NUTRIENTS, nutrient_named
from ...catalog.product import LONGEST_NAME, ChelatingAgent, Dissolving, Form, Hazard, Name
from ...catalog.product import Density as KnownDensity
from ...catalog.quantity import named
from ...catalog.quantity.measure import (
    Amount,
    Density,
    Flow,
    FlowRange,
    Length,
    Measure,
    Ratio,
    Temperature,
    Time,
    Volume,
)
from ...catalog.store.parse import input_error, keys_once
from ...catalog.text import quoted
from ..policy import InjectorError, injector_error

Phosphorus = Literal["high", "medium", "low"]
Injector = Literal["venturi", "pump", "measured"]
#: Other spellings that are read.
_ALSO_SPELLED = {"galvanised": "galvanized", "aluminium": "aluminum"}


def _american(name: object) -> object:
    return _ALSO_SPELLED.get(name, name) if isinstance(name, str) else name


Fitting = Annotated[
    Literal["plastic", "brass", "bronze", "copper", "galvanized", "steel", "stainless", "aluminum", "concrete"],
    BeforeValidator(_american),
]
ShortText = Annotated[str, Field(max_length=LONGEST_NAME)]
INLINE_SOURCE = "stated-in-the-pour"
#: What "free of chloride" leaves (from memory: below 0.5 percent in the trade; European law calls up to 3 percent
#: low in chloride).
CHLORIDE_FREE_PERCENT = 0.5


class Part(BaseModel):
    """Base of the pour's tables: unknown fields and hidden characters in texts are refused, unit-named plain numbers
    are read."""

    model_config = ConfigDict(extra="forbid", frozen=True, json_schema_extra=named.named_quantities_in_schema)

    @model_validator(mode="before")
    @classmethod
    def _named_units(cls, data: Any) -> Any:
        refuse_hidden(data)
        return named.named_quantities(data, cls.model_fields)


class PouredProduct(Part):
    """A product and how much of it: by its name in the catalog, or described inline by its label."""

    name: Name = Field(min_length=1, description="name, id or alias in the catalog, or any name if inline")
    amount: Amount = Field(description='mass or volume, such as "2 lb" or "8 fl oz"')
    grade: str | None = Field(default=None, description="inline: N-P2O5-K2O of the label")
    form: Form | None = Field(default=None, description='inline: "dry" or "liquid"')
    guaranteed: dict[str, float] | None = Field(default=None, description="inline: percent per nutrient")
    derived_from: tuple[ShortText, ...] | None = Field(default=None, description="inline: sources on the label")
    density: Density | None = Field(default=None, description='inline: such as "10.2 lb/gal"')
    at_most: dict[str, float] | None = Field(default=None, description="inline: declared maximums, percent")
    chloride_free: bool | None = Field(default=None, description="inline: the label says free of chloride")
    chelating_agent: ChelatingAgent | None = Field(default=None, description="inline: named on the label")
    dissolving: Dissolving | None = Field(default=None, description='inline: "complete" where the label says soluble')
    solution_ph: float | None = Field(
        default=None, ge=0, le=14, description="inline: pH that label or data sheet state"
    )
    insolubles: float | None = Field(default=None, ge=0, le=100, description="inline: insoluble residue, percent")
    hazards: tuple[Hazard, ...] | None = Field(default=None, description="inline: such as acid")

    @field_validator("guaranteed", "at_most")
    @classmethod
    def _nutrients(cls, value: dict[str, float] | None) -> dict[str, float] | None:
        if value is None:
            return None
        known: dict[str, float] = {}
        for name, percent in value.items():
            key = nutrient_named(name)
            if key is None:
                raise ValueError(f"nutrient {quoted(name)} is not known; known: {', '.join(NUTRIENTS)}")
            known[key] = percent
        return known

    @property
    def inline(self) -> bool:
        """True when the product is described here instead of named from the catalog."""
        return any(v is not None for v in (self.grade, self.guaranteed, self.derived_from))

    @model_validator(mode="after")
    def _facts_need_a_label(self) -> Self:
        facts = ("at_most", "chloride_free", "chelating_agent", "dissolving", "solution_ph", "insolubles", "hazards")
        given = [name for name in facts if getattr(self, name) is not None]
        if given and not self.inline:
            raise ValueError(f"{given[0]} is for a product described here; add its grade, or leave it to the catalog")
        return self

    def described(self) -> Product:
        """The product that an inline description stands for. Raises: InputError."""
        # Who states a density, or measures by volume and does not say that it is dry, has a liquid.
        by_volume = self.amount.kind == "volume" or (self.amount.either_ounce and self.density is not None)
        liquid = self.form == "liquid" or (self.form is None and by_volume)
        density = None
        if self.density is not None:
            density = KnownDensity(kg_per_l=self.density.low, source=INLINE_SOURCE)
        at_most = dict(self.at_most or {})
        if self.chloride_free:
            at_most.setdefault("cl", CHLORIDE_FREE_PERCENT)
        numbers = {"solution_ph": self.solution_ph, "insolubles": self.insolubles}
        try:
            return Product(
                id=slug(self.name) or "product",
                name=self.name,
                form="liquid" if liquid else "dry",
                grade=self.grade or "",
                guaranteed={
                    key: Sourced(value=value, source=INLINE_SOURCE) for key, value in (self.guaranteed or {}).items()
                },
                at_most={key: Sourced(value=value, source=INLINE_SOURCE) for key, value in at_most.items()},
                derived_from=self.derived_from or (),
                chelating_agent=self.chelating_agent,
                dissolving=self.dissolving or "complete",
                hazards=self.hazards or (),
                numbers={
                    key: Sourced(value=value, source=INLINE_SOURCE)
                    for key, value in numbers.items()
                    if value is not None
                },
                density=density,
            )
        except ValidationError as error:
            raise input_error(error, self.name) from None


class Bucket(Part):
    """The stock bucket."""

    volume: Volume | None = Field(default=None, description='made-up volume: filled up to it, such as "5 gal"')
    water: Volume | None = Field(
        default=None, description="instead of the volume: water that the products are added to"
    )
    temperature: Temperature | None = Field(default=None, description="of the water before dissolving")

    @model_validator(mode="after")
    def _one_measure(self) -> Self:
        if (self.volume is None) == (self.water is None):
            raise ValueError("give the volume that the bucket is filled up to, or the water that the products go into")
        return self

    @property
    def measure(self) -> Measure:
        """The volume as it was stated, whichever of the two it is."""
        measure = self.volume or self.water
        assert measure is not None, "one of them is stated"
        return measure


class Injection(Part):
    """How the stock meets the water: a ratio, or a suction rate with the flow of the water."""

    ratio: Ratio | None = Field(default=None, description='stock to water, such as "1:100" or "1:80 to 1:120"')
    injector: Injector | None = Field(
        default=None,
        description='what draws the stock: the ratio of a "venturi" is swept by 25 %, of a "pump" by 10 %, a '
        '"measured" one is taken as it is; not stated: as a venturi',
    )
    suction: FlowRange | None = None
    flow: FlowRange | None = None
    fill: Time | None = Field(default=None, description="until the drip is full and at pressure, before injecting")
    inject: Time | None = None
    flush: Time | None = None
    line_temperature: Temperature | None = None

    @model_validator(mode="before")
    @classmethod
    def _older_names(cls, data: Any) -> Any:
        """`charge` is what `fill` was called before; `ratio_read` said only whether the ratio was measured."""
        if not isinstance(data, Mapping):
            return data
        data = dict(data)
        match data.pop("ratio_read", None):
            case None | "dial":
                pass
            case "measured" if data.get("injector", "measured") == "measured":
                data["injector"] = "measured"
            case "measured":
                raise ValueError("injector and ratio_read differ; keep the injector")
            case other:
                raise ValueError(f'ratio_read is {quoted(str(other))}; write instead: injector = "measured"')
        old = {
            name: name.replace("charge", "fill", 1)
            for name in data
            if isinstance(name, str) and name.startswith("charge")
        }
        if any(new in data for new in old.values()):
            raise ValueError("fill is given twice, as charge too; keep one of them")
        return {old.get(name, name): value for name, value in data.items()}

    @model_validator(mode="after")
    def _one_way(self) -> Self:
        if self.ratio is not None and (self.suction is not None or self.flow is not None):
            raise ValueError("ratio is given and so is suction or flow; give the ratio, or the other two")
        if (self.suction is None) != (self.flow is None):
            raise ValueError("suction and flow go together; give both, or the ratio")
        return self

    @property
    def off_by(self) -> InjectorError | None:
        """How far the true ratio may be from a stated one; None where it was measured, is a range, or not stated."""
        if self.ratio is None or self.injector == "measured" or self.ratio.low != self.ratio.high:
            return None
        return injector_error(self.injector or "venturi")

    def parts_of_water_range(self) -> tuple[float, float] | None:
        """Parts of water per part of stock, least and most (the same twice for one number); None where not stated."""
        if self.ratio is not None:
            return self.ratio.span
        if self.suction is None or self.flow is None:
            return None
        parts = self.flow.low / self.suction.high, self.flow.high / self.suction.low
        if not 1 <= parts[0] <= parts[1] <= 10_000:
            raise InputError(
                f"flow over suction is {parts[0]:.3g}, not an injection ratio",
                where="injection",
                mend="check both rates",
            )
        return parts


class Drip(Part):
    """The drip system, as far as it is known."""

    emitter_flow: Flow | None = None
    emitter_spacing: Length | None = None
    lateral_length: Length | None = None
    inside_diameter: Length | None = None
    laterals: int | None = Field(default=None, ge=1)
    main_volume: Volume | None = None
    main_length: Length | None = None
    main_diameter: Length | None = None
    travel: Time | None = Field(
        default=None, description="measured from injector to last emitter, with dye or EC meter"
    )


class Soil(Part):
    """What a soil test says of phosphorus, as a class, and what grows there."""

    phosphorus: Phosphorus | None = None
    crop: ShortText | None = Field(default=None, description="for the salt it bears, such as strawberry")


class Site(Part):
    """Equipment at the injector."""

    backflow_preventer: bool | None = None
    chlorination: bool | None = None
    acid_flush: bool | None = Field(default=None, description="true: the line is cleaned with acid, no crop is watered")
    filter_mesh: int | None = Field(default=None, ge=1, le=1000)
    filter: bool | None = Field(default=None, description="is there one after the injector?")
    fittings: tuple[Fitting, ...] | None = Field(default=None, description="what the stock runs through")


class WaterInPour(WaterTest):
    """A well named from the catalog, or a water test written here; both: the items here replace. test_of: the day of
    the well's test that is meant, where it is not the newest."""

    test_of: str | None = Field(default=None, description="day of the well's test, 2026-03-31; else its newest")

    @model_validator(mode="after")
    def _a_test_of_a_well(self) -> Self:
        if self.test_of is not None:
            try:
                date.fromisoformat(self.test_of)
            except ValueError:
                raise ValueError("test_of is not a day; write 2026-03-31") from None
            if not (self.name or self.id):
                raise ValueError("test_of is given without a well; name the well")
        return self


class Pour(Part):
    """Everything a check is asked about.

    >>> from pourcheck import Pour
    >>> pour = Pour.parse({"product": [{"name": "urea", "amount": "2 lb"}], "bucket": {"volume": "5 gal"}})
    >>> round(pour.product[0].amount.low, 4), pour.bucket.measure.unit
    (0.9072, 'L')
    """

    product: tuple[PouredProduct, ...] = Field(min_length=1)
    bucket: Bucket
    water: WaterInPour | None = None
    injection: Injection = Injection()
    drip: Drip | None = None
    soil: Soil = Soil()
    site: Site = Site()
    region: str | None = None
    poured_on: str | None = Field(
        default=None,
        description="day of the pour, 2026-05-12; where left out, any day from the release of the program on",
    )

    @model_validator(mode="after")
    def _a_day(self) -> Self:
        try:
            _ = self.day
        except ValueError:
            raise ValueError("poured_on is not a day; write 2026-05-12") from None
        return self

    @property
    def day(self) -> date | None:
        """Day of the pour; None where it is not stated."""
        return None if self.poured_on is None else date.fromisoformat(self.poured_on)

    @classmethod
    def parse(cls, data: Pour | Mapping[str, Any], where: str = "pour") -> Pour:
        """A pour from plain data, or the pour that it is. Raises: InputError: place, field, how to mend it."""
        if isinstance(data, cls):
            return data
        if not isinstance(data, Mapping):
            raise InputError(
                f"is a {type(data).__name__} and no pour", where=where, mend="give a Pour, or its fields in a mapping"
            )
        if "products" in data and "product" not in data:
            raise InputError("products is not a field that is known here", where=where, mend="write product")
        try:
            return cls.model_validate(dict(data))
        except ValidationError as error:
            raise input_error(error, where) from None
        except InputError as error:
            raise error.at(where) from None

    @classmethod
    def read(cls, text: str, where: str = "pour") -> Pour:
        """A pour from TOML or JSON text. Raises: InputError."""
        text = text.removeprefix("\ufeff")
        is_json = text.lstrip().startswith("{")
        try:
            data = json.loads(text, object_pairs_hook=keys_once) if is_json else tomllib.loads(text)
        except InputError as error:
            raise error.at(where) from None
        except (json.JSONDecodeError, tomllib.TOMLDecodeError) as error:
            raise InputError(f"cannot be read: {error}", where=where, mend="mend the TOML or JSON") from None
        except RecursionError:
            raise InputError("is nested too deeply", where=where, mend="write a plain pour") from None
        except ValueError:
            raise InputError("holds a number that is too large", where=where, mend="write a real amount") from None
        if not isinstance(data, dict):
            raise InputError("is not a table", where=where, mend="write fields with values")
        return cls.parse(data, where)

    @classmethod
    def load(cls, path: str | PathLike[str]) -> Pour:
        """A pour from a file. Raises: InputError: it cannot be read, or what is wrong in it."""
        try:
            text = Path(path).read_text("utf-8-sig")
        except OSError as error:
            raise InputError(
                f"cannot be read ({error.strerror})", where=str(path), mend="check the file name"
            ) from None
        except UnicodeDecodeError:
            raise InputError("is not UTF-8 text", where=str(path), mend="save it as UTF-8") from None
        return cls.read(text, str(path))

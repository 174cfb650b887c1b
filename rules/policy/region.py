"""A region's policy: its ranges, its levels of rules, phosphorus by default. Packaged, or in a file of the user's."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from functools import cache, lru_cache
from importlib import resources
from pathlib import Path
from typing import Any, Literal, Self, get_args

from pydantic import BaseModel, ConfigDict, Field, model_validator

from ...catalog import Catalog, InputError, RegionRecord, UnknownName, policies_are_checked_by, slug
from ...catalog.door import refuse_hidden
from ...catalog.once import once_for_each
from ...catalog.product import LONGEST_NAME, fold
from ...catalog.quantity.table import QUANTITIES
from ...catalog.store.parse import parse, read_toml
from ...catalog.text import quoted
from . import Unknown, default_unknowns

LevelWord = Literal["note", "caution", "unknown", "stop"]
#: Least first.
LEVEL_WORDS: tuple[LevelWord, ...] = get_args(LevelWord)


class _Part(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)

    @model_validator(mode="before")
    @classmethod
    def _nothing_hidden(cls, data: Any) -> Any:
        refuse_hidden(data)
        return data


class RegionalRange(_Part):
    """A range that replaces the default one, in its unit (see default.toml)."""

    low: float = Field(allow_inf_nan=False)
    high: float = Field(allow_inf_nan=False)
    source: str = Field(min_length=1)
    find_out: str | None = None

    @model_validator(mode="after")
    def _forwards(self) -> Self:
        if not self.low < self.high:
            raise ValueError(f"low {self.low:g} is not below high {self.high:g}; turn them round")
        return self


class RegionalLevel(_Part):
    """A rule at another level: at_most lowers it, at_least raises it; reason: told with every finding that it
    changes."""

    reason: str = Field(min_length=1)
    at_most: LevelWord | None = None
    at_least: LevelWord | None = None

    @model_validator(mode="after")
    def _one_side_at_least(self) -> Self:
        if self.at_most is None and self.at_least is None:
            raise ValueError("neither at_least nor at_most is given; write one of them")
        if self.at_most and self.at_least and LEVEL_WORDS.index(self.at_most) < LEVEL_WORDS.index(self.at_least):
            raise ValueError(f"at_most {self.at_most} is below at_least {self.at_least}; turn them round")
        return self


class RegionalPhosphorus(_Part):
    """Phosphorus where no soil test is stated: none of it, or as poured."""

    default: Literal["none", "as poured"]
    source: str = Field(min_length=1)


class Region(_Part):
    """A region's policy."""

    name: str = Field(min_length=1, max_length=LONGEST_NAME)
    unknown: dict[str, RegionalRange] = Field(default_factory=dict)
    phosphorus: RegionalPhosphorus | None = None
    level: dict[str, RegionalLevel] = Field(default_factory=dict)

    @model_validator(mode="after")
    def _known(self) -> Self:
        if strange := sorted(self.unknown.keys() - default_unknowns().keys()):
            raise ValueError(f"{quoted(strange[0])} has no range to replace; known: {', '.join(default_unknowns())}")
        for name, row in self.unknown.items():
            quantity = QUANTITIES[name]
            if not quantity.least <= row.low < row.high <= quantity.most:
                raise ValueError(
                    f"{quantity.spoken} of {row.low:g} to {row.high:g} is out of bounds; "
                    f"write a range within {quantity.least:g} to {quantity.most:g} {quantity.unit}"
                )
        return self

    @once_for_each(most=16)
    def unknowns(self) -> Mapping[str, Unknown]:
        """Ranges by the name of what is not known: the region's own, else the default ones."""
        found = dict(default_unknowns())
        for name, row in self.unknown.items():
            found[name] = replace(
                found[name],
                low=row.low,
                high=row.high,
                source=row.source,
                find_out=row.find_out or "",
            )
        return found

    @property
    def no_phosphorus(self) -> bool:
        """True where none is given unless a soil test asks for it."""
        return self.phosphorus is not None and self.phosphorus.default == "none"


def policy_checked(policy: Mapping[str, Any]) -> Region:
    """The policy of a region that the catalog keeps. Raises: InputError: what is wrong in it."""
    return parse(Region, {"name": "region", **policy}, "policy")


#: The catalog keeps policies and knows no rule; here it is known what one may say.
policies_are_checked_by(policy_checked)

#: Where no region is named.
NOWHERE = Region(name="no region")


@cache
def packaged() -> tuple[str, ...]:
    """Ids of the regions that come with the package."""
    folder = resources.files(__package__ or "").joinpath("regions")
    return tuple(sorted(file.name.removesuffix(".toml") for file in folder.iterdir() if file.name.endswith(".toml")))


def region_named(name: str | None) -> Region:
    """The policy of a region by its name, or by a file of its own (ending in .toml).

    Raises: InputError: there is none, or what is wrong in the file.
    """
    if name is None:
        return NOWHERE
    if name.endswith(".toml"):
        path = Path(name)
        try:
            found = path.is_file()
        except OSError:  # a name that is too long for a file
            found = False
        if not found:
            raise InputError(f"{quoted(name)} is no file", where="region", mend="check the file name")
        return parse(Region, read_toml(path), name)
    if slug(name) not in packaged():
        raise InputError(
            f"region {quoted(name)} is not known",
            where="region",
            mend=f"leave it out, name a file of its own, or write {', '.join(packaged())}",
        )
    return _packaged(slug(name))


def region_of(name: str | None, catalog: Catalog) -> Region:
    """The policy of a region as the catalog keeps it; else as `region_named`. Raises: InputError: there is none."""
    if name is not None and not name.endswith(".toml") and (owner := catalog.owners("region", [name]).get(fold(name))):
        try:
            record = catalog.record("region", owner)
        except UnknownName:  # retired: the one that came with the program holds again
            if slug(name) not in packaged():
                raise
        else:
            assert isinstance(record, RegionRecord)
            return parse(Region, {**record.policy, "name": record.name}, f"region {record.id}")
    return region_named(name)


@lru_cache(maxsize=16)
def _packaged(name: str) -> Region:
    file = resources.files(__package__ or "").joinpath("regions").joinpath(f"{name}.toml")
    return parse(Region, read_toml(file), file.name)

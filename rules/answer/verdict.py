"""What a check answers: the verdict, findings, numbers, margin, swaps and assumptions."""

from __future__ import annotations

from typing import Literal

from pydantic import BaseModel, ConfigDict, Field

SCHEMA = "pourcheck.verdict/1"

Answer = Literal["clear", "caution", "unknown", "stop"]
FindingLevel = Literal["note", "caution", "unknown", "stop"]
Where = Literal["label", "bucket", "line", "water", "equipment", "soil", "people"]


class Result(BaseModel):
    """Base of a verdict's tables."""

    model_config = ConfigDict(extra="forbid", frozen=True)


class Finding(Result):
    """One rule's finding. because: the numbers behind it, unit in the name; `_low`/`_high` where the
    number differs over what is not known; `_turns_at` where the verdict turns. turned: where a region's policy has the
    rule at another level, from which to which, by whom and why."""

    rule: str
    level: FindingLevel
    where: Where
    message: str
    because: dict[str, float] = Field(default_factory=dict)
    do: tuple[str, ...] = ()
    sources: tuple[str, ...] = ()
    turned: str | None = None


class Decider(Result):
    """Something that is not known and that an unknown verdict turns on.

    turns_at: its value at which the verdict turns with the rest at its best estimate, low to high over the rest of
    what is not known; null where it is no number, or decides only together with something else. trouble: on which side
    of it; told: in words, for what is no number, what decides; explains: the share of the disagreement that it explains
    by itself; find_out: the cheapest way to learn it."""

    input: str
    unit: str
    turns_at: float | None
    low: float | None
    high: float | None
    trouble: Literal["above", "below"] | None
    told: str = ""
    explains: float
    find_out: str


class SolidState(Result):
    """A solid in bucket or line. saturation_index: before anything comes out; precipitated_mg_per_l:
    at equilibrium, null for solids that are too slow to be let form; onset: saturation index at which
    it starts; low, high: the same numbers where swept."""

    solid: str
    saturation_index: float
    precipitated_mg_per_l: float | None
    onset: float
    low: dict[str, float] = Field(default_factory=dict)
    high: dict[str, float] = Field(default_factory=dict)


class SolutionState(Result):
    """Bucket or line at the best estimate of what is not known; low, high: the range where swept.

    within_validity: false where the solution is stronger than the activity model is good for; the
    numbers are then estimates and the rules widen their bands. Of the bucket also: ph_in_air, after
    its carbon dioxide has settled with the air; density and volume of the made-up stock, and the water
    poured in for it (less than the volume where the bucket is filled up to it). ec_ms_per_cm of a bucket
    is good to about 20 %.
    """

    temperature_c: float
    ph: float
    ionic_strength_mol_per_kg: float
    ec_ms_per_cm: float | None
    ions_mg_per_l: dict[str, float]
    solids: tuple[SolidState, ...]
    model: str
    within_validity: bool
    ph_in_air: float | None = None
    density_kg_per_l: float | None = None
    volume_l: float | None = None
    water_poured_l: float | None = None
    low: dict[str, float] = Field(default_factory=dict)
    high: dict[str, float] = Field(default_factory=dict)


class Bounds(Result):
    """An amount that a label leaves open: at least, best estimate, at most."""

    low: float
    best: float
    high: float


class LabelContent(Result):
    """What a product that is known by its label dissolves to. sources_listed: false without a derived-from line, when
    the bounds are over all materials that could make its grade; mol_per_kg: of each species, per kg of product;
    not_known, contradictions: in words."""

    product: str
    sources_listed: bool
    mol_per_kg: dict[str, Bounds]
    not_known: tuple[str, ...] = ()
    contradictions: tuple[str, ...] = ()


class WaterState(Result):
    """The water by itself. clogging: emitter-clogging class of each item that was tested; worst: of them, null where
    none was; above_2_5_meq_per_l: items that make solids with some fertilizers; charge_off_percent: cations over
    anions, null where too little was tested."""

    clogging: dict[str, Literal["slight", "moderate", "severe"]]
    worst: Literal["slight", "moderate", "severe"] | None
    hardness_mg_per_l_caco3: float | None
    hardness: str | None
    above_2_5_meq_per_l: tuple[str, ...]
    charge_off_percent: float | None


class SwapProduct(Result):
    """A product of a swap and how much of it."""

    name: str
    amount: str
    kg: float


class Swap(Result):
    """Products without phosphorus for the same nitrogen and potassium, checked in the same pour."""

    replaces: tuple[str, ...]
    products: tuple[SwapProduct, ...]
    nitrogen_kg: float
    potash_kg: float
    verdict: Answer
    summary: str


class Margin(Result):
    """Value at which the verdict turns, each with the rest as stated; null where no value turns it.

    A verdict of clear or caution turns where it would become stop or unknown; stop turns where it
    would no longer be stop. All null for an unknown verdict: its findings say where it turns.
    """

    amount_factor: float | None = None
    injection_ratio: float | None = None
    water_calcium_mg_per_l: float | None = None
    water_hardness_mg_per_l_caco3: float | None = Field(default=None, description="where calcium was not told apart")
    water_alkalinity_mg_per_l_caco3: float | None = None
    water_ph: float | None = None
    temperature_c: float | None = Field(default=None, description="of the line")
    bucket_temperature_c: float | None = None
    measured_from: dict[str, float] = Field(
        default_factory=dict, description="the value of each number in the pour as it is, by the same names"
    )


class Verdict(Result):
    """The answer to a pour."""

    schema_: str = Field(default=SCHEMA, alias="schema", serialization_alias="schema")
    verdict: Answer
    summary: str
    findings: tuple[Finding, ...]
    labels: tuple[LabelContent, ...] = ()
    water: WaterState | None = None
    bucket: SolutionState | None
    line: SolutionState | None
    decided_by: tuple[Decider, ...] = ()
    margin: Margin
    swaps: tuple[Swap, ...]
    assumed: tuple[str, ...]

    model_config = ConfigDict(extra="forbid", frozen=True, populate_by_name=True)

    def to_json(self) -> str:
        """The verdict as JSON text of the published schema."""
        return self.model_dump_json(by_alias=True, indent=2)

    def exit_code(self, fail_on: Answer = "unknown") -> int:
        """0 or 1: 1 for a verdict as bad as `fail_on` or worse (stop > unknown > caution > clear)."""
        order = ("clear", "caution", "unknown", "stop")
        return int(order.index(self.verdict) >= order.index(fail_on))

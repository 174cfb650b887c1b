"""What a check answers, as data: the verdict, findings, numbers, edges, swaps and assumptions.

Sentences stand only in `summary`, `message` and `do`; they are made from the rest in `present.words`.
"""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Any, Literal

from pydantic import BaseModel, ConfigDict, Field
from typing_extensions import TypeAliasType

from ...catalog.text import escaped
from ..ask.assumed import Assumed
from ..judge.rule import Family
from .versions import VERSIONS

if TYPE_CHECKING:
    import pint

SCHEMA = f"pourcheck.verdict/{VERSIONS['verdict']}"

#: A rule's name; the published schema lists them all (`answer.schemas`).
RuleName = TypeAliasType("RuleName", str)
Answer = Literal["clear", "caution", "unknown", "stop"]
#: How much of an answer is worked out: see `check`.
Depth = Literal["verdict", "numbers", "edges"]
FindingLevel = Literal["note", "caution", "unknown", "stop"]
#: Verdicts from the mildest on.
SEVERITY: tuple[Answer, ...] = ("clear", "caution", "unknown", "stop")


class Result(BaseModel):
    """Base of a verdict's tables."""

    model_config = ConfigDict(extra="forbid", frozen=True)


#: Units of numbers that pint knows by the same name.
_OF_PINT = ("mg/L", "mol/kg", "mS/cm", "degC", "kg/L", "g/L", "L", "kg", "atm", "%", "L/L", "years", "mol/L")


class Number(Result):
    """A number at the best estimate of what is not known, with its lowest and highest over all scenarios (the same
    where it does not depend on them); unit "" where it has none."""

    value: float
    low: float
    high: float
    unit: str

    @property
    def varies(self) -> bool:
        """True where it is not the same in all scenarios."""
        return self.low != self.high

    @property
    def quantity(self) -> pint.Quantity[float]:
        """The value as a quantity of pint, for programs that compute on; pH and counts have no dimension.

        >>> print(Number(value=12.5, low=12.5, high=12.5, unit="mg/L").quantity)
        12.5 milligram / liter
        """
        import pint

        unit = self.unit if self.unit in _OF_PINT else ""
        made: pint.Quantity[float] = pint.application_registry.Quantity(self.value, unit)
        return made


class Decision(Result):
    """Something that is not known and that an answer turns on.

    turns_at: its value at which the answer turns with the rest at its best estimate, low to high over the rest of
    what is not known; null where it is no number, or decides only together with something else. worse_when: on which
    side of it; worse_if, better_if: for what is no number, what makes the answer worse or better, "" where nothing
    was found; explains: the share of the disagreement that it explains by itself; find_out: the cheapest way to learn
    it."""

    input: str
    unit: str
    turns_at: float | None
    low: float | None
    high: float | None
    worse_when: Literal["above", "below"] | None
    worse_if: str = ""
    better_if: str = ""
    explains: float
    find_out: str


class Finding(Result):
    """One rule's finding.

    level: as it counts, after a region's policy; own_level, lowered_by, raised_by, reason: where that policy changed
    it, from which, by whom and why. scenarios: whether it holds for all that is possible or for some of it.
    happens, cures: the rule's own sentence of what happens in the scenario shown, and its own steps; numbers: those
    behind it. turns: what it turns on by itself. message, do: the whole of it in words. headline: what forms, where and
    what it does, in one line; brief: the same in a few words; neither is in the JSON, whose
    summary is the worst one's headline.
    """

    rule: RuleName
    level: FindingLevel
    own_level: FindingLevel | None = None
    lowered_by: str | None = None
    raised_by: str | None = None
    reason: str | None = None
    where: Family
    headline: str = Field(default="", exclude=True)
    brief: str = Field(default="", exclude=True)
    scenarios: Literal["all", "some"]
    happens: str
    message: str = ""
    numbers: dict[str, Number] = Field(default_factory=dict)
    turns: tuple[Decision, ...] = ()
    cures: tuple[str, ...] = ()
    do: tuple[str, ...] = ()
    sources: tuple[str, ...] = ()


class SolidState(Result):
    """A solid in bucket or line. saturation_index: before anything precipitates; precipitated: [mg/L] at equilibrium,
    null for solids that are too slow to be let form; onset: saturation index at which it starts."""

    solid: str
    saturation_index: Number
    precipitated: Number | None
    onset: float


class SolutionState(Result):
    """Bucket or line.

    within_validity: false where the solution is stronger than the activity model is good for; the
    numbers are then estimates and the rules widen their bands. Of the bucket also: ph_in_air, after
    its carbon dioxide has settled with the air; density and volume of the made-up stock, and the water
    poured in for it (less than the volume where the bucket is filled up to it). ec of a bucket is good to about 20 %.
    """

    temperature: Number
    ph: Number
    ionic_strength: Number
    ec: Number | None
    ions: dict[str, Number]
    solids: tuple[SolidState, ...]
    model: str
    within_validity: bool
    ph_in_air: Number | None = None
    density: Number | None = None
    volume: Number | None = None
    water_poured: Number | None = None


class LabelContent(Result):
    """What a product that is known by its label dissolves to. sources_listed: false without a derived-from line, when
    the bounds are over all materials that could make its grade; species: of each, per kg of product;
    not_known, contradictions: in words."""

    product: str
    sources_listed: bool
    species: dict[str, Number]
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
    """A product of a swap and how much of it: in the user's system of units, and [kg]; regulated: what is to be known
    of its sale, "" where it is sold freely."""

    id: str
    name: str
    amount: str
    kg: float
    regulated: str = ""


class Brought(Result):
    """How much of a nutrient [kg] what is replaced brings, and what replaces it."""

    before_kg: float
    after_kg: float


class Swap(Result):
    """Products for the same nitrogen and potassium without what is to be left out, checked in the same pour. rules:
    that speak of it, worst first, without notes; sold_here: all of its products are sold in the region of the pour;
    off_percent: how far each nutrient that is kept is off; brings: nutrients by key, where before and after differ or
    are kept, with the forms of nitrogen; salt: dissolved particles of it over those of what it replaces, null where
    that brings none; cost: of it, by the prices of the region's list, null where one is missing."""

    replaces: tuple[str, ...]
    products: tuple[SwapProduct, ...]
    nitrogen_kg: float
    potash_kg: float
    verdict: Answer
    rules: tuple[RuleName, ...]
    sold_here: bool = False
    off_percent: dict[str, float] = Field(default_factory=dict)
    brings: dict[str, Brought] = Field(default_factory=dict)
    salt: float | None = None
    cost: float | None = None

    @property
    def regulated(self) -> bool:
        """True where one of its products is."""
        return any(product.regulated for product in self.products)


class Swaps(Result):
    """What `swap` finds. without: what is left out; replaces: the products that hold it, none where nothing needs to
    be replaced; keeps: the nutrients that are to stay the same, by key; offered: the best first; proven: whether no
    blend of up to three products that fits is better than the first of them, or, where none is offered, whether there
    is none (one that only adds a product to another that was looked at counts as that one); looked_at: how many blends
    were checked; nearest: where nothing is offered, the one that comes
    nearest; rest: rules that stop or doubt what stays in the pour by itself, so that no swap helps."""

    without: tuple[str, ...]
    replaces: tuple[str, ...]
    keeps: tuple[str, ...] = ()
    offered: tuple[Swap, ...] = ()
    proven: bool = False
    looked_at: int = 0
    nearest: Swap | None = None
    rest: tuple[RuleName, ...] = ()


class SplitBucket(Result):
    """A bucket of a split. products: with their amounts; places: in the pour, from 0; amounts: of each; portions: as
    many buckets of it; rules: that speak of it, the worst first, without notes; order: in which they are mixed, ""
    where it does not matter."""

    products: tuple[str, ...]
    places: tuple[int, ...] = ()
    amounts: tuple[str, ...] = ()
    portions: int
    verdict: Answer
    rules: tuple[RuleName, ...]
    order: str = ""


class Split(Result):
    """A pour in several buckets of its size, one after the other, the line flushed in between. count: of buckets;
    verdict: the worst of them; never_together: products that endanger people together, for different days."""

    buckets: tuple[SplitBucket, ...]
    count: int
    verdict: Answer
    never_together: tuple[tuple[str, str], ...] = ()


class Splits(Result):
    """What `split` finds. needed: false where the pour may stay in one bucket; offered: of the fewest buckets, the best
    first; alone: what no number of buckets helps, since it is trouble by itself."""

    needed: bool
    offered: tuple[Split, ...]
    alone: tuple[SplitBucket, ...]


RemedyKind = Literal[
    "settings",
    "warmer-bucket",
    "cooler-bucket",
    "weaker-ratio",
    "stronger-ratio",
    "cooler-line",
    "warmer-line",
    "less",
    "bigger-bucket",
    "leave-out",
    "split",
    "swap",
    "rain-water",
    "acid",
    "phosphorus-as-acid",
]


class AcidDose(Result):
    """An acid of a remedy. amount: in a fill of the bucket, in the user's own units; kg_per_hour: of injection, null
    where neither flow nor drip is stated; liters_per_1000_l: of the line's water (gallons per 1,000 gallons), null of a
    dry acid; ph_without, ph: of the line without it and with it; adds_mg_per_l: nutrients that it adds to the line, by
    key; percent_of_stock: its volume in that of the stock."""

    id: str
    name: str
    amount: str
    kg_per_hour: Number | None
    liters_per_1000_l: Number | None
    ph_without: Number
    ph: Number
    adds_mg_per_l: dict[str, Number]
    percent_of_stock: Number


class AcidOffer(Result):
    """An acid that brings the line to a pH, in the bucket of a pour or by itself. dose: how much; change: the tables of
    the pour that are other ones with it; verdict: of the pour with it, asked as any is; rules: that speak of it, the
    worst first, without notes."""

    dose: AcidDose
    change: dict[str, Any]
    verdict: Answer
    rules: tuple[RuleName, ...]


class Acids(Result):
    """What `acid` finds. target_ph: of the line; ph: of the line without acid, null where none was looked at; offered:
    acids, the better verdict first; none where the line is there already (needed false), or refused: why no acid may
    be in this bucket, "" where one may: "chlorinated", "sulfide" (of the water), "not known", or the name of the
    product that acid must not meet."""

    target_ph: float
    ph: Number | None
    needed: bool
    offered: tuple[AcidOffer, ...]
    refused: str = ""


class RemedyBucket(Result):
    """A bucket of a remedy. products: with their amounts; change: the tables of the pour that are other ones in it, as
    the pour schema has them; portions: as many buckets of it; verdict: of the pour with that change, asked again;
    rules: that speak of it, the worst first, without notes."""

    products: tuple[str, ...]
    change: dict[str, Any]
    portions: int = 1
    verdict: Answer
    rules: tuple[RuleName, ...]


class Remedy(Result):
    """A change that mends a pour. settings: what is to be set or fitted besides, or alone: words for a list; now, to:
    of the number that is changed, in its unit, null where the remedy goes by no number, or where it was not stated;
    verdict: of the worst of its buckets; acid: of a remedy with one; lost: nutrients [kg] that it leaves out;
    never_together: products of its buckets that endanger people together, for different days."""

    kind: RemedyKind
    settings: tuple[str, ...] = ()
    unit: str = ""
    now: float | None = None
    to: float | None = None
    buckets: tuple[RemedyBucket, ...]
    verdict: Answer
    acid: AcidDose | None = None
    lost: dict[str, float] = Field(default_factory=dict)
    never_together: tuple[tuple[str, str], ...] = ()


class Remedies(Result):
    """What `remedy` finds. verdict: of the pour as it is; offered: the better verdict first, among equals the smaller
    change; each was asked again; beyond: rules that speak by themselves whatever is changed here, such as a source that
    does not dissolve, empty where something is offered."""

    verdict: Answer
    offered: tuple[Remedy, ...]
    beyond: tuple[RuleName, ...] = ()


class JarSeen(Result):
    """A jar test of the same products, in the same water or in one that was not told. products: with their amounts;
    trouble: whether something was seen that blocks or endangers; agrees: whether that is what is predicted for the
    bucket, null where the prediction is open. It decides nothing."""

    id: str
    made_on: str
    by: str
    products: tuple[str, ...]
    water: str | None
    seen: tuple[str, ...]
    note: str
    trouble: bool
    agrees: bool | None


EdgeInput = Literal[
    "amount_factor",
    "injection_ratio",
    "water_calcium",
    "water_hardness",
    "water_alkalinity",
    "water_ph",
    "line_temperature",
    "bucket_temperature",
]


class Beyond(Result):
    """A value at which the verdict turns, and what it is beyond it."""

    value: float
    verdict: Answer


class Edge(Result):
    """How far one number is from where the verdict turns, with everything else as stated or swept: the nearest value
    at which it gets better and at which it gets worse; null where none was found."""

    input: EdgeInput
    unit: str
    now: float
    better: Beyond | None = None
    worse: Beyond | None = None


class PouredEcho(Result):
    """A product as it was understood: its name and id in the catalog (null where it was described in the pour), the
    amount as written, and its mass. meant: the name as written with the grade or strength that it was taken for; not
    in the JSON."""

    name: str
    meant: str = Field(default="", exclude=True)
    id: str | None
    amount: str
    mass: Number


class PourEcho(Result):
    """The pour as it was understood. volume: of the bucket, filled up to it or (made_up "added-to") taken as water;
    quantities: every number that the answer goes by, stated or swept over its range; stated: those that the pour or
    the water test states. day: that ages are reckoned to; where the pour states none (day_stated false), that of the
    program's release, and the age of a test is that at least."""

    products: tuple[PouredEcho, ...]
    volume: Number
    made_up: Literal["filled-up-to", "added-to"]
    quantities: dict[str, Number]
    stated: tuple[str, ...]
    day: str
    day_stated: bool


class Used(Result):
    """A record that the answer rests on. revision: a fingerprint of what it said, the first 12 hexadecimal digits of
    the SHA-256 of its canonical JSON, so that another answer can be traced to another record; id null for what was
    described in the pour."""

    kind: Literal["product", "well"]
    id: str | None
    name: str
    grade: str | None = None
    revision: str
    tested_on: str | None = None


class Program(Result):
    """What answered."""

    name: str
    version: str


class Verdict(Result):
    """The answer to a pour. lowered_by: whose policy made the verdict milder than the rules by themselves have it;
    edges: empty for an unknown verdict, whose decided_by says where it turns. bucket, line: null where they could not
    be solved, or were not asked for.

    >>> from pourcheck import Catalog, check
    >>> pour = {"product": [{"name": "gypsum", "amount": "1 oz"}], "bucket": {"volume": "5 gal"}}
    >>> with Catalog.open("sqlite://") as catalog:
    ...     check(pour, catalog, depth="numbers").verdict
    'stop'
    """

    schema_: str = Field(
        default=SCHEMA, alias="schema", serialization_alias="schema", json_schema_extra={"const": SCHEMA}
    )
    program: Program
    pour: PourEcho
    used: tuple[Used, ...]
    region: str | None
    verdict: Answer
    lowered_by: str | None = None
    summary: str = ""
    findings: tuple[Finding, ...]
    labels: tuple[LabelContent, ...] = ()
    water: WaterState | None = None
    bucket: SolutionState | None
    line: SolutionState | None
    decided_by: tuple[Decision, ...] = ()
    edges: tuple[Edge, ...] = ()
    swaps: tuple[Swap, ...] = ()
    splits: tuple[Split, ...] = ()
    remedies: tuple[Remedy, ...] = ()
    jars: tuple[JarSeen, ...] = ()
    assumed: tuple[Assumed, ...]

    model_config = ConfigDict(extra="forbid", frozen=True, populate_by_name=True)

    def edge(self, name: EdgeInput) -> Edge | None:
        """The edge of one number; None where none was found."""
        return next((edge for edge in self.edges if edge.input == name), None)

    def to_json(self) -> str:
        """The verdict as JSON text of the published schema; control and format characters are escaped."""
        return escaped(json.dumps(self.model_dump(mode="json", by_alias=True), indent=2, ensure_ascii=False))

    def exit_code(self, fail_on: Answer = "unknown") -> int:
        """0 or 1: 1 for a verdict as bad as `fail_on` or worse (stop > unknown > caution > clear)."""
        return int(SEVERITY.index(self.verdict) >= SEVERITY.index(fail_on))

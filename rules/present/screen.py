"""The first screen of an answer: what a grower at the bucket can act on, in at most 14 lines of 80 columns, and on a
narrow screen of 60 in as many and a few more.

In this order: the verdict with its headline; what was asked; why; what else; what to do now; how far it is from the
edge; what to wear; what is not known. Names of minerals and rules, and numbers of the chemistry, come with `--more`.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass

from rich.text import Text

from ..answer.verdict import Answer, Finding, Verdict
from ..ask.pour import Pour
from ..families.registry import rule_named
from ..judge.advice import IF_MIXED, MORE_BUCKETS_DO_NOT_HELP, PROTECT, SPLIT_UNASKED, TWO_BUCKETS
from . import offers, words
from .page import ITEM_NAME, STYLE, WIDTH, Page, wrapped

#: Lines of a screen by its columns. What endangers people is told in full even where it needs more of them.
LINES = {WIDTH: 14, 60: 16}
#: Lines more on a narrow one with words on what to wear.
_TO_WEAR = 4
#: Other findings, swaps and things not known that are named.
_NAMED, _SWAPS, _OPEN = 4, 2, 3
LABEL_FIRST = "Label, safety data sheet and local code first. More: --more"

#: What is never left out, and in which order the rest is where lines are short, the least needed first.
_NEVER = 0
_BACKFLOW, _INSTEAD, _MEND, _EDGE, _FIRE_NOTE, _JAR, _ASSUMED, _MAKE_UP = range(1, 9)
_SECOND_STEP, _OTHER_NOTE, _SECOND_EDGE, _SECOND_SWAP = range(9, 13)

#: What only spoils the feed, among the rules that keep people safe; what burns only once it is dry.
_SPOILS_FEED = frozenset({"bleach-with-feed"})
_FIRE = "oxidizer"
#: What a grower can turn; the water is another well.
_TURNED = ("amount_factor", "injection_ratio", "bucket_temperature")

_OTHERS = {"stop": "More stops", "unknown": "Also open"}


@dataclass(frozen=True)
class Part:
    """A named text of the screen. leave_out: the highest of these goes first where lines are short; 0 never does."""

    name: str
    text: str
    leave_out: int = _NEVER

    def height(self, width: int) -> int:
        """Lines that it takes."""
        return len(wrapped(self.text, width - ITEM_NAME))


def print_screen(page: Page, verdict: Verdict, pour: Pour) -> None:
    """The first screen. What it holds does not depend on the width, only where its lines break."""
    asked = words.pour_words(pour, verdict)
    parts = list(_parts(verdict, pour))
    # Around the parts: the headline, hanging behind the verdict, what was asked, and the last line.
    around = (f"{verdict.verdict}  {verdict.summary}", asked, LABEL_FIRST)
    more = _TO_WEAR if any(part.name == "Wear" for part in parts) else 0
    room = {
        width: most + (more if width < WIDTH else 0) - sum(len(wrapped(text, width)) for text in around)
        for width, most in LINES.items()
    }
    while any(_lines(parts, width) > left for width, left in room.items()):
        least_needed = max(parts, key=lambda part: part.leave_out)
        if least_needed.leave_out == _NEVER:
            break
        parts.remove(least_needed)
    headline(page, verdict, verdict.summary)
    page.line(asked)
    if _lines(parts, WIDTH) < room[WIDTH] and page.out.width >= WIDTH:
        page.line()
    last = ""
    for part in parts:
        page.item("" if part.name == last else part.name, [part.text])
        last = part.name
    page.line(LABEL_FIRST)


def headline(page: Page, verdict: Verdict, text: str) -> None:
    """The verdict and its headline."""
    word = verdict.verdict.upper()
    first, *rest = wrapped(text, page.out.width - len(word) - 2)
    page.out.print(Text.assemble((word, STYLE[verdict.verdict]), (f"  {first}", "bold")))
    for part in rest:
        page.out.print(Text(" " * (len(word) + 2) + part, style="bold"))


def _lines(parts: Iterable[Part], width: int) -> int:
    return sum(part.height(width) for part in parts)


def _parts(verdict: Verdict, pour: Pour) -> Iterator[Part]:
    lead = _lead(verdict)
    yield from _why(verdict, lead)
    yield from _to_do(verdict, pour, lead)
    yield from _jars(verdict)
    yield from _edge(verdict, pour)
    yield from _care(verdict, lead)
    yield from _not_known(verdict)


def _lead(verdict: Verdict) -> Finding | None:
    """The finding that the headline tells."""
    return next((finding for finding in verdict.findings if finding.level != "note"), None)


def _sentence(finding: Finding) -> str:
    """What happens, in plain words."""
    return words.capital(words.plainly(finding.happens))


def _dangerous(finding: Finding) -> bool:
    if finding.level == "note" or finding.rule in _SPOILS_FEED:
        return False
    return finding.where == "people" or rule_named(finding.rule).sets_gas_free


def _why(verdict: Verdict, lead: Finding | None) -> Iterator[Part]:
    """What happens, and what else would decide the same."""
    if lead is None:
        return
    in_part = lead.level == "unknown" and lead.scenarios == "some"
    yield Part(
        "Why", f"For some possible values: {words.going_on(lead.happens, verdict)}" if in_part else _sentence(lead)
    )
    if policy := words.policy_words(lead):
        yield Part("Policy", policy)
    same = [f for f in verdict.findings if f.level == lead.level and f is not lead]
    milder: list[Answer] = ["unknown", "caution"] if lead.level == "stop" else ["caution"]
    counted = [
        f"{count} {_plural(level, count)}"
        for level in milder
        if level != lead.level and (count := sum(f.level == level for f in verdict.findings))
    ]
    also = words.capital(words.and_more([f.brief or f.rule for f in same], _NAMED)) + "." if same else ""
    more = f"{' and '.join(counted)}: see --more." if counted else ""
    if also or more:
        yield Part(_OTHERS.get(lead.level, "Also") if also else "Also", " ".join(filter(None, [also, more])))


def _plural(level: Answer, count: int) -> str:
    what = {"caution": "caution", "unknown": "open question"}[level]
    return what if count == 1 else f"{what}s"


def _to_do(verdict: Verdict, pour: Pour, lead: Finding | None) -> Iterator[Part]:
    """What to do now, what to pour instead, how to make it up."""
    first = {"stop": "Do not pour this. ", "unknown": "Do not pour it yet. "}.get(verdict.verdict, "")
    cures = list(lead.cures) if lead is not None else []
    turns = verdict.decided_by or (lead.turns if lead is not None and verdict.verdict == "unknown" else ())
    if turns:
        find_out = "; ".join(dict.fromkeys(turn.find_out for turn in turns))
        yield Part("Do now", f"{first}Find out: {find_out}.")
        cures = []
    # Traces of what endangers people together are no advice for a first screen.
    parted = [one for one in verdict.splits if not one.never_together][:1]
    for one in parted:
        text = f"{offers.split_words(one)} ({one.verdict})."
        if cures and cures[0] == TWO_BUCKETS:
            cures[0] = f"Make {text}"
        else:
            yield Part("Split", f"Or {text}" if first else text, _INSTEAD)
    if first and cures and cures[0] == TWO_BUCKETS and not verdict.splits and len(pour.product) <= SPLIT_UNASKED:
        cures[0] = MORE_BUCKETS_DO_NOT_HELP
    for i, step in enumerate(cures[: 2 if lead is not None and _dangerous(lead) else 1]):
        yield Part("Do now", (first if i == 0 else "") + step, _NEVER if i == 0 else _SECOND_STEP)
    if first and not cures and not turns:
        yield Part("Do now", first.strip())
    # Acid is told with all that goes with it, on a screen of its own; nothing is left out that can be poured apart.
    passed_over = {"acid", "phosphorus-as-acid", *(("leave-out",) if parted else ())}
    for mended in [one for one in verdict.remedies if one.kind not in passed_over][:1]:
        yield Part("Mend", f"{offers.remedy_words(mended)[:-1]} ({mended.verdict}).", _MEND)
    for i, swap in enumerate(verdict.swaps[:_SWAPS]):
        text = f"{offers.swap_words(swap)} ({'sold here, ' if swap.sold_here else ''}{swap.verdict})."
        yield Part("Instead", text if i == 0 else f"Or {text}", _INSTEAD if i == 0 else _SECOND_SWAP)
    if verdict.verdict in {"clear", "caution"} and (making := words.making_words(verdict, pour)):
        yield Part("Do now" if lead is None else "Make up", making, _MAKE_UP)


def _jars(verdict: Verdict) -> Iterator[Part]:
    """The jar test that contradicts the prediction, else the newest."""
    for jar in sorted(verdict.jars, key=lambda one: (one.agrees is not False, not one.trouble))[:1]:
        yield Part("Jar test", words.jar_words(jar), _NEVER if jar.agrees is False and jar.trouble else _JAR)


def _edge(verdict: Verdict, pour: Pour) -> Iterator[Part]:
    told = [edge for edge in verdict.edges if edge.input in _TURNED] or [
        edge for edge in verdict.edges if edge.better is not None or verdict.verdict == "clear"
    ][:1]
    texts = [words.one_edge_words(edge, verdict, pour, short=True) for edge in told]
    if none := words.no_amount_words(verdict):
        texts = [none, *texts]
    for i, text in enumerate(texts[:2]):
        yield Part("Edge", text, _EDGE if i == 0 else _SECOND_EDGE)


def _care(verdict: Verdict, lead: Finding | None) -> Iterator[Part]:
    """Dangers, always in full; what to wear; what to mind at the injector."""
    told: list[str] = [] if lead is None else list(lead.cures[:1])
    for finding in verdict.findings:
        if finding is not lead and _dangerous(finding):
            steps = [IF_MIXED] if IF_MIXED in finding.cures and IF_MIXED not in told else []
            told += steps
            yield Part("Danger", " ".join([_sentence(finding), *steps]))
    notes = [f for f in verdict.findings if f.level == "note"]
    people = [f for f in notes if f.where == "people" and f.rule not in {words.LIFTING, _FIRE}]
    if any(PROTECT in text for f in verdict.findings for text in (f.happens, *f.cures)):
        yield Part("Wear", " ".join([PROTECT, *(_sentence(f).replace(PROTECT, "").strip() for f in people)]))
    elif people:
        yield Part("Mind", " ".join(_sentence(f) for f in people))
    for finding in notes:
        if finding.where == "equipment" or finding.rule == _FIRE:
            leave_out = {"backflow-preventer-missing": _BACKFLOW, _FIRE: _FIRE_NOTE}.get(finding.rule, _OTHER_NOTE)
            yield Part("Mind", _sentence(finding), leave_out)


def _not_known(verdict: Verdict) -> Iterator[Part]:
    for turn in verdict.decided_by:
        yield Part("Decides", words.decides_words(turn))
    swept = words.open_words(verdict.assumed, no_water_test=verdict.water is None)
    if swept:
        yield Part("Not known", words.capital(f"{words.and_more(swept, _OPEN)}."), _ASSUMED)

"""The rule reference as Markdown: what stands in RULES.md beside the rules."""

from __future__ import annotations

from collections.abc import Sequence

from ..judge.rule import Rule
from ..judge.turns import Turns
from .words import source_words

_FAMILIES = {
    "people": "People",
    "label": "Label",
    "bucket": "Bucket",
    "line": "Line",
    "water": "Water test",
    "equipment": "Equipment",
    "soil": "Soil and plant",
}


def reference(rules: Sequence[Rule]) -> str:
    """All rules, by family: the question, what it can say, plain words, chemistry, cure, sources."""
    lines = [
        "# The rules",
        "",
        "Written by `pourcheck rules --markdown > rules/RULES.md`; do not edit by hand. A test fails while it is not "
        "current.",
        "",
        "A rule says `note`, `caution`, `unknown` or `stop`. What is not known is swept: a rule that stops in a part "
        'of the range only is `unknown`, and names the value at which it turns. Sources: "not checked against print" '
        'was recalled and not read again, "common practice, no source" is what the trade does. "With more" tells which '
        "way a rule may turn as one number goes up and all else stays (of the injection ratio, the parts of water); "
        "with a number that is not named it does not turn.",
        "",
        f"{len(rules)} rules: "
        + ", ".join(
            f"{sum(rule.family == family for rule in rules)} of {name.lower()}" for family, name in _FAMILIES.items()
        )
        + ".",
    ]
    for family, name in _FAMILIES.items():
        lines += ["", f"## {name}"]
        for rule in rules:
            if rule.family == family:
                lines += _entry(rule)
    return "\n".join(lines) + "\n"


def _turns(turns: Turns) -> list[str]:
    """Which way a rule turns as a number goes up, as a paragraph; none where it turns with none."""
    parts = [
        f"{way} with {', '.join(lever.spoken for lever in levers)}{why and f' ({why})'}"
        for way, levers, why in (
            ("worse", turns.worse, ""),
            ("better", turns.better, ""),
            *(("either way", levers, why) for levers, why in turns.either.items()),
        )
        if levers
    ]
    words = "; ".join(parts)
    return [f"*With more.* {words[0].upper()}{words[1:]}.", ""] if parts else []


def _entry(rule: Rule) -> list[str]:
    can = ", ".join(level.name.lower() for level in sorted(rule.levels, reverse=True))
    return [
        "",
        f"### {rule.name}",
        "",
        f"{rule.asks} Can say: {can}.",
        "",
        rule.plain,
        "",
        f"*Chemistry.* {rule.chemistry}",
        "",
        f"*Cure.* {rule.cure}",
        "",
        *_turns(rule.turns),
        *(f"- {source_words(source)}" for source in rule.sources),
    ]

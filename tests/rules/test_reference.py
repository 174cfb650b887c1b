"""The rule reference that is committed beside the rules."""

from __future__ import annotations

from pathlib import Path

from pourcheck.rules.families.registry import rules
from pourcheck.rules.present.reference import reference
from pourcheck.rules.present.words import source_words

REFERENCE = Path(__file__).parent.parent.parent / "rules" / "RULES.md"


def test_the_committed_reference_is_current() -> None:
    """`pourcheck rules --markdown > rules/RULES.md` has been run since a rule changed."""
    assert reference(rules()) == REFERENCE.read_text("utf-8"), "run: pourcheck rules --markdown > rules/RULES.md"


def test_the_reference_holds_every_rule() -> None:
    """Name, question, words, chemistry, cure and each source of every rule."""
    text = reference(rules())
    for rule in rules():
        for part in (rule.name, rule.asks, rule.plain, rule.chemistry, rule.cure, *map(source_words, rule.sources)):
            assert part in text

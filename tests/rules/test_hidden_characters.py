"""Whatever is put in, nothing that a terminal acts on comes out raw, and a fault is one short line."""

from __future__ import annotations

import json
import unicodedata
from collections.abc import Callable
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from pourcheck import Catalog, InputError, Pour, check
from pourcheck.catalog import Product
from pourcheck.catalog.text import HIDDEN, escaped, one_line

#: Escape, bell, bidi override, zero width, NUL, C1, line separator.
NASTY = ("\x1b[31m", "\x07", "\u202e", "\u200b", "\x00", "\x9b2J", "\u2028")
PLACE = ("--bucket", "5 gal", "--inject", "1:100", "--water", "brook-well")

Run = Callable[..., Any]


def hidden(text: str) -> set[str]:
    """Hidden characters of a text, but for line ends."""
    return {sign for sign in text if sign != "\n" and unicodedata.category(sign) in HIDDEN}


texts = st.one_of(
    st.text(min_size=1, max_size=30),
    st.builds(lambda a, nasty, b: a + nasty + b, st.text(max_size=8), st.sampled_from(NASTY), st.text(max_size=8)),
    st.just("x" * 100_000),
).map(lambda text: text.encode("utf-8", "replace").decode("utf-8"))


@settings(
    max_examples=150, deadline=None, derandomize=True, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(name=texts, amount=st.sampled_from(["2 lb", "1 oz\x1b[2J", "5 cows", "\u202e2 lb"]), water=texts)
def test_hostile_arguments(call: Run, name: str, amount: str, water: str) -> None:
    """One line on standard error, nothing hidden in it, exit 2."""
    ran = call("check", f"zz{name}zz={amount}", "--bucket", "5 gal", "--water", f"ph=7, calcium={water}")
    assert ran.code == 2
    assert hidden(ran.err + ran.out) == set()
    assert len(ran.err.splitlines()) == 1
    assert len(ran.err) < 700
    assert "internal fault" not in ran.err


@settings(max_examples=60, deadline=None, derandomize=True, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(query=texts)
def test_hostile_searches(call: Run, query: str) -> None:
    """find, show and explain print nothing hidden."""
    for command in ("find", "show", "explain"):
        ran = call(command, f"zz{query}")
        assert ran.code in {0, 1, 2}
        assert hidden(ran.out + ran.err) == set()
        assert max(map(len, ran.out.splitlines()), default=0) <= 80


@pytest.mark.parametrize("nasty", NASTY)
@pytest.mark.parametrize("field", ["name", "amount", "grade", "derived_from"])
def test_refused_at_the_door(nasty: str, field: str) -> None:
    """A pour that holds a hidden character is refused, in whichever text."""
    product: dict[str, Any] = {"name": "jug", "amount": "2 lb", "grade": "10-0-10", "derived_from": ["urea"]}
    product[field] = [f"ur{nasty}ea"] if field == "derived_from" else f"{product[field]}{nasty}"
    with pytest.raises(InputError, match=r"character|separator") as refused:
        Pour.parse({"product": [product], "bucket": {"volume": "5 gal"}})
    assert hidden(str(refused.value)) == set()


@pytest.mark.parametrize("nasty", NASTY)
def test_products_refuse_them_too(nasty: str) -> None:
    """What cannot be saved cannot be printed."""
    with pytest.raises(InputError, match=r"character|separator"):
        Product.model_validate({"id": "jug", "name": f"j{nasty}ug", "form": "dry"})


def test_a_clear_answer_holds_none(catalog: Catalog, call: Run) -> None:
    """Neither its page nor its JSON."""
    ran = call("check", "urea=4 oz", *PLACE, "--more")
    assert ran.out.startswith("CLEAR")
    assert hidden(ran.out) == set()
    data = {"product": [{"name": "urea", "amount": "4 oz"}], "bucket": {"volume": "5 gal"}}
    assert hidden(check(data, catalog, depth="numbers").to_json()) == set()


@given(text=st.text(max_size=60))
@settings(deadline=None, derandomize=True)
def test_escaped_json_is_the_same_json(text: str) -> None:
    """Escaping changes how the text is written, not what it says."""
    clean = text.encode("utf-8", "replace").decode("utf-8")
    written = escaped(json.dumps({"a": clean}, ensure_ascii=False))
    assert json.loads(written) == {"a": clean}
    assert hidden(written) == set()


@given(text=st.text(max_size=300), most=st.integers(4, 80))
@settings(deadline=None, derandomize=True)
def test_one_line_is_one_line(text: str, most: int) -> None:
    """Never longer than asked for, and nothing hidden."""
    shown = one_line(text, most)
    assert len(shown) <= most
    assert hidden(shown) == set()
    assert "\n" not in shown

"""Jar tests beside the prediction: shown, their disagreement said, and never deciding anything."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from pourcheck import Catalog, check
from pourcheck.catalog import JarTest

Call = Callable[..., tuple[int, str, str]]


@pytest.fixture
def own(tmp_path: Path) -> Iterator[Catalog]:
    """A catalog of its own for a test."""
    with Catalog.open(str(tmp_path / "own.sqlite3"), new=True) as opened:
        yield opened


def jar(seen: str, *products: str, **more: Any) -> JarTest:
    """A jar test in which something was seen."""
    return JarTest.model_validate(
        {
            "id": f"jar-{seen}",
            "made_on": "2026-05-02",
            "by": "A. Grower",
            "product": [{"name": name, "amount": "2 g"} for name in products],
            "seen": [seen],
            **more,
        }
    )


def pour(*products: str, **more: Any) -> dict[str, Any]:
    """A pour of a pound of each product into soft water."""
    return {
        "product": [{"name": name, "amount": "2 lb"} for name in products],
        "bucket": {"volume": "5 gal", "temperature": "20 degC"},
        "injection": {"ratio": "1:100"},
        "water": {"name": "brook-well"},
        **more,
    }


STOPPED = ("calcium nitrate", "magnesium sulfate")


@pytest.mark.parametrize(
    ("seen", "products", "agrees", "says"),
    [
        ("clear", STOPPED, False, "That is not what is predicted, and lowers nothing"),
        ("settled", STOPPED, True, "settled, as predicted."),
        ("clear", ("potassium nitrate",), True, "clear, as predicted."),
        ("cloudy", ("potassium nitrate",), False, "That is not predicted: do not pour before it is known what formed."),
    ],
)
def test_a_jar_beside_the_prediction(
    own: Catalog, seen: str, products: tuple[str, ...], agrees: bool, says: str
) -> None:
    """Whether it agrees is told; the verdict is the same with it and without."""
    from pourcheck.rules.present.words import jar_words

    before = check(pour(*products), own, depth="numbers")
    own.save(jar(seen, *products))
    after = check(pour(*products), own, depth="numbers")
    assert (after.verdict, after.findings) == (before.verdict, before.findings)
    (shown,) = after.jars
    assert shown.agrees is agrees
    assert says in jar_words(shown)


@pytest.mark.parametrize(
    ("made", "shown"),
    [
        (jar("clear", *STOPPED), True),
        (jar("clear", *reversed(STOPPED)), True),
        (jar("clear", "Epsom salt", "calcium nitrate"), True),
        (jar("clear", *STOPPED, water="Brook Well"), True),
        (jar("clear", *STOPPED, water="ridge-well"), False),
        (jar("clear", "calcium nitrate"), False),
        (jar("clear", *STOPPED, "urea"), False),
        (jar("clear", "calcium nitrate", "no such thing"), False),
    ],
    ids=lambda value: "" if isinstance(value, bool) else " + ".join(part.name for part in value.product),
)
def test_which_jars_are_shown(own: Catalog, made: JarTest, shown: bool) -> None:
    """Those of exactly the same products, whatever they are called, in the same water or in one that was not told."""
    own.save(made)
    assert bool(check(pour(*STOPPED), own, depth="numbers").jars) is shown


def test_the_screen_tells_it(call: Call, own: Catalog, monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    """On the first screen in one line, with its amounts under --more, and in the JSON."""
    monkeypatch.setenv("POURCHECK_DB", str(tmp_path / "own.sqlite3"))
    own.save(jar("cloudy", "potassium nitrate", note="after an hour"))
    asked = ("check", "potassium nitrate=1 lb", "--bucket", "5 gal", "--water", "brook-well", "--inject", "1:100")
    out = call(*asked)[1]
    assert "Jar test   2026-05-02 by A. Grower: cloudy. That is not predicted: do not pour" in out
    assert len(out.splitlines()) <= 14
    assert "2 g potassium nitrate. after an hour" in call(*asked, "--more")[1]
    assert json.loads(call(*asked, "--json")[1])["jars"][0]["agrees"] is False

"""Examples in docstrings do what they say; every public name that can be called has one."""

from __future__ import annotations

import doctest
import importlib
import pkgutil

import pytest

import pourcheck

MODULES = ["pourcheck", *(m.name for m in pkgutil.walk_packages(pourcheck.__path__, "pourcheck."))]
#: Public names without an example of their own: the base of the exceptions.
NO_EXAMPLE = {"PourcheckError", "Product"}


def examples(name: str) -> list[doctest.DocTest]:
    """The examples of a module."""
    return [
        test for test in doctest.DocTestFinder(exclude_empty=True).find(importlib.import_module(name)) if test.examples
    ]


@pytest.mark.parametrize("name", MODULES)
def test_examples_hold(name: str) -> None:
    """Each gives what is printed below it."""
    runner = doctest.DocTestRunner(optionflags=doctest.NORMALIZE_WHITESPACE)
    for test in examples(name):
        said: list[str] = []
        runner.run(test, out=said.append)
        assert runner.failures == 0, "".join(said)


@pytest.mark.parametrize("name", sorted(set(pourcheck.__all__) - NO_EXAMPLE))
def test_public_names_have_an_example(name: str) -> None:
    """What is imported from pourcheck shows how it is used."""
    assert ">>>" in (getattr(pourcheck, name).__doc__ or "")

"""Asking which grade a product is, where a person sits at the terminal and its name does not tell."""

from __future__ import annotations

import sys
from collections.abc import Sequence

import typer

from ...catalog import Catalog, Product
from ...catalog.label.grades import grade_words
from ..ask.pour import Pour


def ask_grades(pour: Pour, catalog: Catalog) -> Pour:
    """The pour with the grade of every product whose name means several, as it was answered; what is not answered
    stays open. Nobody is asked unless both ends are a terminal."""
    if not (sys.stdin and sys.stdin.isatty() and sys.stdout.isatty()):
        return pour
    lines = []
    for item in pour.product:
        grades = () if item.inline else catalog.grades(item.name)
        chosen = _choose(item.name, grades) if grades else None
        lines.append(item if chosen is None else item.model_copy(update={"name": chosen.name}))
    return pour.model_copy(update={"product": tuple(lines)})


def _choose(name: str, grades: Sequence[Product]) -> Product | None:
    typer.echo(f"Which {name} is it? Read the bag or drum.", err=True)
    for i, grade in enumerate(grades, start=1):
        beware = "" if grade.dissolving == "complete" else ", field grade, not for drip"
        typer.echo(f"  {i}  {grade_words(grade)} ({grade.name}{beware})", err=True)
    while True:
        said = str(typer.prompt("Its number, or Enter if not known", default="", show_default=False, err=True)).strip()
        if not said:
            return None
        if said.isdigit() and 1 <= int(said) <= len(grades):
            return grades[int(said) - 1]
        typer.echo(f"Write a number from 1 to {len(grades)}, or nothing.", err=True)

"""A pour in which every product stands once: what is poured of it in several lines is added up."""

from __future__ import annotations

from ...catalog import Catalog
from ..ask.pour import Pour, PouredProduct
from ..ask.question import Poured, Question, ask
from .measured import metric, on_a_scale


def ask_once(pour: Pour, catalog: Catalog) -> Question:
    """The question of a pour with its lines added up. Raises: InputError: the pour is not sound."""
    question = ask(pour, catalog)
    added = added_up(question)
    return question if added is question.pour else ask(added, catalog)


def added_up(question: Question) -> Pour:
    """The pour of a question with one line for what is poured in several of the same product, in steps of a scale
    or a jug. Masses are not added to volumes."""
    pour = question.pour
    lines: list[tuple[PouredProduct, Poured]] = []
    for line, item in zip(pour.product, question.poured, strict=True):
        place = next((i for i, one in enumerate(lines) if _are_one((line, item), one)), None)
        if place is None:
            lines.append((line, item))
            continue
        first, its = lines[place]
        times = 1.0 + line.amount.low / first.amount.low
        amount = first.amount.times(times)
        if its.weight is None:
            amount = on_a_scale(amount, its.likely, times * its.mass_kg, in_metric=metric(question))
        lines[place] = PouredProduct.model_validate({**first.model_dump(exclude_none=True), "amount": amount}), its
    if len(lines) == len(pour.product):
        return pour
    return pour.model_copy(update={"product": tuple(line for line, _ in lines)})


def _are_one(one: tuple[PouredProduct, Poured], other: tuple[PouredProduct, Poured]) -> bool:
    (line, item), (other_line, other_item) = one, other
    return (
        item.product == other_item.product
        and line.amount.kind == other_line.amount.kind
        # Ounces of a liquid may be of its weight or of its volume.
        and (item.product.form == "dry" or line.amount.either_ounce == other_line.amount.either_ounce)
        and line.model_copy(update={"name": other_line.name, "amount": other_line.amount}) == other_line
    )

"""How often a process of our own collects garbage."""

import gc


def collect_seldom() -> None:
    """Have this process collect garbage seldom: it makes much that stays and little that goes round in circles (some
    90 objects a pour), and to look through all of it takes a tenth of its time."""
    gc.set_threshold(100_000, 10, 2)

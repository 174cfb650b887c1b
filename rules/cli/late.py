"""Commands whose module is imported when one of them runs: a check does not wait for those of the catalog."""

from __future__ import annotations

from collections.abc import Mapping
from importlib import import_module
from typing import Any

import typer
from typer.core import TyperGroup
from typer.main import get_command, get_group

#: Groups of commands: name -> module, its Typer, and what the group is for.
GROUPS: Mapping[str, tuple[str, str, str]] = {
    "product": ("records", "product_app", "Products of the catalog: add, edit, history."),
    "well": ("wells", "well_app", "Wells: their water tests, and what a water is by itself."),
    "region": ("regions", "region_app", "Regions: policy, list of products, table of verdicts."),
    "jar": ("jars", "jar_app", "Jar tests: what was mixed, and what was seen."),
    "catalog": ("exchanging", "catalog_app", "The catalog as a whole: import, export, backup, upgrade."),
}
#: Commands by themselves, as they are shown: name -> module in which the function of this name stands.
COMMANDS: Mapping[str, str] = {
    **dict.fromkeys(("check", "swap", "split", "remedy", "acid", "ratio"), "pouring"),
    **dict.fromkeys(("find", "show"), "lookup"),
    **dict.fromkeys(("rules", "explain", "schema"), "reference"),
}
#: Shown last.
LAST: Mapping[str, str] = {"serve": "serving"}
#: Another name of a group, not shown.
ALSO = {"water": "well"}


class LateGroup(TyperGroup):
    """The commands of the program, each from its module."""

    def list_commands(self, ctx: Any) -> list[str]:  # noqa: ARG002
        """Names of all commands, as they are shown."""
        return [*COMMANDS, *GROUPS, *LAST]

    def get_command(self, ctx: Any, cmd_name: str) -> Any:
        """A command by its name, its module imported."""
        name = ALSO.get(cmd_name, cmd_name)
        if (module := COMMANDS.get(name) or LAST.get(name)) is not None:
            alone = group_app()
            alone.command(name)(getattr(import_module(f".{module}", __package__), name))
            return get_command(alone)
        if name not in GROUPS:
            return super().get_command(ctx, cmd_name)
        module, attribute, told = GROUPS[name]
        app: typer.Typer = getattr(import_module(f".{module}", __package__), attribute)
        app.info.help = told
        group = get_group(app)
        group.name = cmd_name
        return group


def group_app() -> typer.Typer:
    """A group of commands."""
    return typer.Typer(
        no_args_is_help=True, add_completion=False, pretty_exceptions_enable=False, rich_markup_mode=None
    )

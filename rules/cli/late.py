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
#: Commands by themselves: name -> module, and its Typer with this one command.
COMMANDS: Mapping[str, tuple[str, str]] = {"serve": ("serving", "serve_app")}
#: Another name of a group, not shown.
ALSO = {"water": "well"}


class LateGroup(TyperGroup):
    """The commands of the program; those of `GROUPS` and `COMMANDS` come from modules of their own."""

    def list_commands(self, ctx: Any) -> list[str]:
        """Names of all commands, as they are shown."""
        return [*super().list_commands(ctx), *GROUPS, *COMMANDS]

    def get_command(self, ctx: Any, cmd_name: str) -> Any:
        """A command by its name, its module imported."""
        name = ALSO.get(cmd_name, cmd_name)
        if name in COMMANDS:
            module, attribute = COMMANDS[name]
            command = get_command(getattr(import_module(f".{module}", __package__), attribute))
            command.name = name
            return command
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

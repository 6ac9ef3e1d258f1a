"""The top of ``rounds``: options for all commands, and the commands of the other files in this folder."""

from __future__ import annotations

from functools import cache
from pathlib import Path

import click

from data_tools.access import Role
from data_tools.cli.frame import RoundsGroup, Station
from data_tools.cli.score import score
from model.memory import loading


class AllCommands(RoundsGroup):
    """``score``, which waits for nothing else, and the commands of the store, loaded once one is wanted."""

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        """Return the command of that name."""
        if cmd_name not in self.commands:
            self._load()
        return super().get_command(ctx, cmd_name)

    def list_commands(self, ctx: click.Context) -> list[str]:
        """Return the names of all commands."""
        self._load()
        return super().list_commands(ctx)

    def _load(self) -> None:
        for command in commands_of_the_store():
            self.add_command(command)


@cache
def commands_of_the_store() -> tuple[click.Command, ...]:
    """Load the other files of this folder, and return their commands."""
    with loading():
        from data_tools.cli import decide, demo, photos, roster, upkeep, versions
    return tuple(c for module in (roster, photos, decide, versions, upkeep, demo) for c in module.COMMANDS)


@click.group(cls=AllCommands, context_settings={"help_option_names": ["-h", "--help"]})
@click.option(
    "--workspace",
    type=click.Path(path_type=Path, file_okay=False),
    envvar="ROUNDS_WORKSPACE",
    help="Folder of the store (default: ./workspace).",
)
@click.option("--as", "name", help="Who is asking (default: the login name).")
@click.option(
    "--role", type=click.Choice([role.value for role in Role]), help="In which role (default: a setting)."
)
@click.option("--debug", is_flag=True, help="Show tracebacks and logs.")
@click.version_option(package_name="coupler-rounds")
@click.pass_context
def main(ctx: click.Context, workspace: Path | None, name: str | None, role: str | None, debug: bool) -> None:
    """Weekly photo rounds of EV charging couplers: photos, verdicts, decisions, history, trends, retraining.

    "No visible damage found" never means safe. Isolate and lock out before opening; local codes and licensed
    electricians come first.
    """
    ctx.obj = Station(workspace, name, role)


main.add_command(score)

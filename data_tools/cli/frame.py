"""What all commands share: workspace and actor, plain or JSON output, progress, exit codes."""

from __future__ import annotations

import getpass
import json
import logging
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import fields, is_dataclass
from datetime import date, datetime
from enum import Enum
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click
from click.core import ParameterSource
from tqdm import tqdm

from data_tools.access import Actor, Role
from data_tools.answers import not_in_view
from data_tools.records import WaitingEventKind
from data_tools.settings import Settings, load_settings
from model.errors import RoundsError, StorageError
from model.judgement import Judgement
from model.vocabulary import GRAVITY, LABEL_OF_KIND, Triage

if TYPE_CHECKING:  # what opens the store is loaded when it is opened: a verdict needs none
    from data_tools.waiting import WaitingEvent
    from data_tools.workspace import Workspace

EXIT_CODES: dict[int, str] = {
    0: "done; nothing needs a person",
    1: "done, but something needs a person: a file or line not taken, a problem found",
    2: "the command line itself is wrong",
    3: "refused: it does not exist, is there already, is not allowed, or cannot be used",
    4: "the store cannot be read or written: disk full, read-only, locked or damaged",
    70: "a fault of ours; nothing that was confirmed is lost (run `rounds verify`)",
    130: "interrupted; run it again, known photos are recognised",
}
ATTENTION, REFUSED, STORAGE, FAULT, INTERRUPTED = 1, 3, 4, 70, 130


class Station:
    """Where a command runs: settings, the workspace opened on first use, and who is asking."""

    def __init__(self, workspace: Path | None, name: str | None, role: str | None) -> None:
        self._workspace, self._name, self._role = workspace, name, role

    @cached_property
    def settings(self) -> Settings:
        """The settings of the workspace named on the command line or in the environment."""
        return load_settings(self._workspace)

    @cached_property
    def ws(self) -> Workspace:
        """The open workspace."""
        from data_tools.workspace import open_workspace

        return open_workspace(self.settings)

    @cached_property
    def actor(self) -> Actor:
        """Who is asking: the options, else the settings, else the login name."""
        from data_tools.people import spelled_as_before

        name = spelled_as_before(self.ws, self._name or self.settings.default_name or getpass.getuser())
        return Actor(name, Role(self._role) if self._role else self.settings.default_role)


station = click.make_pass_decorator(Station)
paths_argument = click.argument("paths", nargs=-1, required=True, type=click.Path(path_type=Path))
as_json = click.option("--json", "as_json", is_flag=True, help="Print JSON for machines.")


def refuse_unused(*names: str, why: str) -> None:
    """Refuse the options ``names`` where they were given but would change nothing, for that reason: passed
    over in silence, they would look heeded."""
    context = click.get_current_context()
    for name in names:
        if context.get_parameter_source(name) is ParameterSource.COMMANDLINE:
            raise click.UsageError(f"--{name.replace('_', '-')} {why}.", context)


class RoundsGroup(click.Group):
    """A group whose commands answer errors in words and with an exit code, never with a traceback."""

    def invoke(self, ctx: click.Context) -> Any:
        """Run the command; see ``EXIT_CODES``."""
        debug = bool(ctx.params.get("debug"))
        logging.basicConfig(level=logging.INFO if debug else logging.CRITICAL + 1, force=True)
        try:
            return super().invoke(ctx)
        except RoundsError as error:
            click.echo(f"rounds: {error}", err=True)
            ctx.exit(STORAGE if isinstance(error, StorageError) else REFUSED)
        except KeyboardInterrupt:
            click.echo("rounds: interrupted. Run it again: what is known is recognised.", err=True)
            ctx.exit(INTERRUPTED)
        except (click.ClickException, click.exceptions.Exit, click.Abort, BrokenPipeError):
            raise
        except Exception as error:
            if debug:
                raise
            _say_fault(error)
            from sqlalchemy.exc import SQLAlchemyError

            ctx.exit(STORAGE if isinstance(error, SQLAlchemyError | OSError) else FAULT)

    def format_epilog(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """Add the table of exit codes to the help."""
        with formatter.section("Exit codes"):
            formatter.write_dl([(str(code), meaning) for code, meaning in EXIT_CODES.items()])


def _say_fault(error: Exception) -> None:
    words = f"rounds: something went wrong that we did not foresee ({type(error).__name__}: {error})."
    click.echo(
        f"{words} Nothing that was confirmed is lost. Run `rounds verify`; --debug shows more.", err=True
    )


def plain(value: Any) -> Any:
    """Return records as JSON-able data."""
    if is_dataclass(value) and not isinstance(value, type):
        return {field.name: plain(getattr(value, field.name)) for field in fields(value)}
    if isinstance(value, Enum):
        return value.value
    if isinstance(value, datetime | date):
        return value.isoformat()
    if isinstance(value, dict):
        return {str(plain(key)): plain(item) for key, item in value.items()}
    if isinstance(value, list | tuple | set | frozenset):
        return [plain(item) for item in value]
    return str(value) if isinstance(value, Path) else value


def verdict_in_short(judgement: Judgement) -> str:
    """Return a verdict in a few words. Unsure is never called intact, whatever the label guesses."""
    if judgement.triage is not Triage.UNSURE:
        return str(judgement.reason or f"{judgement.label} ({judgement.triage})")
    kinds = {finding.kind for finding in judgement.findings}
    perhaps = [f"perhaps {LABEL_OF_KIND[kind]}" for kind in GRAVITY if kind in kinds]
    unseen = not_in_view(judgement.unseen)
    return ", ".join(["unsure", *perhaps, *([unseen] if unseen else [])])


def verdict_alone(judgement: Judgement) -> str:
    """Return the same with what to do where nothing else is known of the coupler."""
    if judgement.triage is not Triage.UNSURE:
        return verdict_in_short(judgement)
    todo = "take another photo" if judgement.in_part else "a technician must look"
    return f"{verdict_in_short(judgement)}, {todo}"


def waiting_event_line(event: WaitingEvent) -> str:
    """Return in words who set a waiting photo aside or brought it back."""
    aside = event.kind is WaitingEventKind.SET_ASIDE
    did = f"set {event.file_name} aside while it waited" if aside else f"brought {event.file_name} back"
    return f"{event.done_by} {did}" + (f": {event.reason}" if event.reason else "")


def say(as_json: bool, value: Any, lines: Callable[[], Iterator[str]] | str) -> None:
    """Print ``value`` as one line of JSON, or the ``lines`` for people."""
    if as_json:
        click.echo(json.dumps(plain(value), ensure_ascii=False))
        return
    for line in [lines] if isinstance(lines, str) else lines():
        click.echo(one_line(line))


def one_line(text: str) -> str:
    """Return ``text`` without control characters, so that a file name cannot play with the terminal."""
    return "".join(c if c.isprintable() else "\N{REPLACEMENT CHARACTER}" for c in text)


@contextmanager
def bar(title: str, total: int | None = None, unit: str = "photo") -> Iterator[Callable[[int, str], None]]:
    """Show a progress bar on stderr (only on a terminal); yields a function for (count done, name)."""
    with tqdm(total=total, desc=title, unit=unit, file=sys.stderr, disable=None, leave=False) as shown:

        def update(done: int, name: str) -> None:
            shown.set_postfix_str(one_line(name)[:40], refresh=False)
            shown.update(done - shown.n)

        yield update


@contextmanager
def share_bar(title: str) -> Iterator[Callable[[float, str], None]]:
    """Show a progress bar in per cent on stderr; yields a function for (share 0..1, stage)."""
    with tqdm(total=100, desc=title, unit="%", file=sys.stderr, disable=None, leave=False) as shown:

        def update(share: float, stage: str) -> None:
            shown.set_description_str(stage, refresh=False)
            shown.update(round(100 * share) - shown.n)

        yield update

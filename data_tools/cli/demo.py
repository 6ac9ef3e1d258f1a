"""The command that makes the demo."""

from __future__ import annotations

from pathlib import Path

import click

from data_tools.cli.frame import as_json, say, share_bar

SAMPLES = Path(__file__).resolve().parents[2] / "synthetic_samples"


@click.command()
@click.argument("folder", type=click.Path(path_type=Path, file_okay=False))
@click.option(
    "--samples",
    type=click.Path(path_type=Path, file_okay=False),
    default=SAMPLES,
    help="Labelled photos to play it with (default: those of the repository).",
)
@as_json
def demo(folder: Path, samples: Path, as_json: bool) -> None:
    """Make the demo, an invented operator, in FOLDER; harmless where it is there already."""
    from data_tools.demo import is_there, make_demo

    made = not is_there(folder)
    with share_bar("making the demo") as progress:
        make_demo(folder, samples, progress=progress).close()
    words = f"The demo is made in {folder}." if made else f"The demo was there already in {folder}."
    say(as_json, {"workspace": str(folder), "made": made}, words)


COMMANDS: tuple[click.Command, ...] = (demo,)

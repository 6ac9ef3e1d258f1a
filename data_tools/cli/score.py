"""The command that judges photos without a store: nothing that opens one is loaded for it."""

from __future__ import annotations

import json
from pathlib import Path

import click

from data_tools.cli.frame import bar, one_line, paths_argument, verdict_alone
from data_tools.model_side import load_judge
from data_tools.scoring import BATCH, expand_paths, score_files


@click.command()
@paths_argument
@click.option("--json", "as_json", is_flag=True, help="One JSON object a line, in the order given.")
@click.option(
    "--model", "artefact", type=click.Path(path_type=Path, dir_okay=False), help="Model file to use."
)
@click.option(
    "--batch", type=click.IntRange(1, 256), default=BATCH, show_default=True, help="Photos judged at once."
)
def score(paths: tuple[Path, ...], as_json: bool, artefact: Path | None, batch: int) -> None:
    """Judge photos without a store. Folders give the pictures in them.

    Exit code 0 once every file has its line, whatever the line says.
    """
    judge = load_judge(artefact)
    files = expand_paths(paths)
    with bar("scoring", len(files)) as progress:
        for done, (path, judgement) in enumerate(score_files(judge, files, batch=batch), 1):
            words = one_line(f"{path}: {verdict_alone(judgement)}")
            click.echo(json.dumps(judgement.to_json(str(path))) if as_json else words)
            progress(done, path.name)

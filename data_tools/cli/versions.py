"""Commands about models: retrain, promote, go back, judge again, drift, what to review, train anew."""

from __future__ import annotations

from pathlib import Path

import click

from data_tools import drift_watch, registry
from data_tools import rescore as rescoring
from data_tools import retrain as retraining
from data_tools.cli.frame import ATTENTION, Station, as_json, bar, say, share_bar, station
from data_tools.limit_needs import limit_needs
from data_tools.next_photos import next_photos
from data_tools.records import ModelVersion


@click.command()
@click.option("--job", type=int, hidden=True, help="Report to this job's row.")
@click.option("--seed", type=int, default=0, show_default=True)
@as_json
@click.pass_context
def retrain(ctx: click.Context, job: int | None, seed: int, as_json: bool) -> None:
    """Learn from what people confirmed; goes live only if nothing gets worse."""
    at = ctx.ensure_object(Station)
    if job is not None:
        outcome = retraining.run_job(at.ws, at.actor, job, seed=seed)
    else:
        with share_bar("retraining") as progress:
            outcome = retraining.retrain(at.ws, at.actor, progress=progress, seed=seed)
    say(as_json, outcome, lambda: outcome.lines)
    ctx.exit(0 if outcome.promoted else ATTENTION)


@click.group(invoke_without_command=True)
@as_json
@click.pass_context
def models(ctx: click.Context, as_json: bool) -> None:
    """List the model versions; subcommands add, promote and go back."""
    if ctx.invoked_subcommand is None:
        at = ctx.ensure_object(Station)
        found = registry.list_versions(at.ws, at.actor)
        say(as_json, found, lambda: (f"{v.version}  {v.status}  {v.note}" for v in found))
    elif as_json:  # said before the subcommand, it is meant for the subcommand
        ctx.default_map = {name: {"as_json": True} for name in models.commands}


def _said(as_json: bool, version: ModelVersion) -> None:
    say(as_json, version, f"{version.version}: {version.status}. {version.note}")


@models.command("add")
@click.argument("artefact", type=click.Path(path_type=Path, exists=True, dir_okay=False))
@click.option("--note", required=True)
@as_json
@station
def models_add(at: Station, artefact: Path, note: str, as_json: bool) -> None:
    """Enter the model file ARTEFACT; the live version stays as it is."""
    _said(as_json, registry.register(at.ws, at.actor, artefact, note))


@models.command("promote")
@click.argument("version")
@click.option("--why", required=True)
@as_json
@station
def models_promote(at: Station, version: str, why: str, as_json: bool) -> None:
    """Make VERSION the live one."""
    _said(as_json, registry.promote(at.ws, at.actor, version, why))


@models.command("back")
@click.option("--why", required=True)
@as_json
@station
def models_back(at: Station, why: str, as_json: bool) -> None:
    """Go back to the version that was live before."""
    _said(as_json, registry.go_back(at.ws, at.actor, why))


@click.command()
@click.option("--round", "round_id", type=int, help="Only the photos of this round.")
@click.option("--job", type=int, hidden=True, help="Report to this job's row.")
@station
def rescore(at: Station, round_id: int | None, job: int | None) -> None:
    """Judge kept photos again with the live version; adds verdicts, changes none."""
    if job is not None:
        done = rescoring.run_job(at.ws, at.actor, job, round_id)
    else:
        with bar("judging again") as progress:
            done = rescoring.rescore(at.ws, at.actor, round_id=round_id, progress=progress)
    click.echo(done.words)
    click.get_current_context().exit(ATTENTION if done.lost else 0)


@click.command()
@click.option("--job", type=int, hidden=True, help="Report to this job's row.")
@as_json
@click.pass_context
def drift(ctx: click.Context, job: int | None, as_json: bool) -> None:
    """Compare the last week's photos with those before, by site and phone model; run it weekly."""
    at = ctx.ensure_object(Station)
    if job is not None:
        found = drift_watch.run_job(at.ws, at.actor, job)
    else:
        with share_bar("looking") as progress:
            found = drift_watch.look_for_drift(at.ws, at.actor, progress=progress)
    say(as_json, found, lambda: iter((found.words, *found.notices)))
    ctx.exit(ATTENTION if found.notices else 0)


@click.command("next-photos")
@click.option("--limit", type=click.IntRange(1), default=20, show_default=True)
@as_json
@station
def next_to_review(at: Station, limit: int, as_json: bool) -> None:
    """List the photos to review next so that the next retrain gains most."""
    found = next_photos(at.ws, at.actor, limit)
    say(as_json, found, lambda: (f"{p.id}  {p.unit_key}  {p.position}  {p.file_name}" for p in found))


@models.command("limits")
@as_json
@station
def models_limits(at: Station, as_json: bool) -> None:
    """Say how many damaged couplers the limits between clear and unsure still need."""
    found = limit_needs(at.ws, at.actor)
    say(as_json, found, lambda: (need.words for need in found))


@click.command(context_settings={"ignore_unknown_options": True, "help_option_names": []})
@click.argument("arguments", nargs=-1, type=click.UNPROCESSED)
def render(arguments: tuple[str, ...]) -> None:
    """Render labelled photos (see `rounds render --help`; needs the render extra)."""
    from data_tools.rendering.produce import main as produce

    produce(list(arguments), prog_name="rounds render", standalone_mode=False)


@click.command()
@click.argument("manifest", type=click.Path(path_type=Path, exists=True, dir_okay=False))
@click.argument("out", type=click.Path(path_type=Path, file_okay=False))
@click.option("--seed", type=int, default=0, show_default=True)
def train(manifest: Path, out: Path, seed: int) -> None:
    """Train the networks anew on the labelled photos of MANIFEST, into the folder OUT."""
    from model.config import TrainConfig
    from model.train import train as train_networks

    train_networks(TrainConfig(seed=seed), manifest, out, log=lambda line: click.echo(line, err=True))
    click.echo(f"Trained: {out}.")


@click.command()
@click.argument("folder", type=click.Path(path_type=Path, exists=True))
@click.option("--split", help="test, stress, ..., or all; default: test where the labels name it, else all.")
@click.option(
    "--model", "artefact", type=click.Path(path_type=Path, dir_okay=False), help="Default: the shipped one."
)
@click.option(
    "--out",
    type=click.Path(path_type=Path, file_okay=False),
    default=Path("model_card"),
    show_default=True,
    help="Folder for card.md, card.json and the plots.",
)
@click.option(
    "--baseline",
    type=click.Path(path_type=Path, exists=True, dir_okay=False),
    multiple=True,
    help="Answers of the plain way (python -m model.baseline), to be set beside ours.",
)
@as_json
def evaluate(
    folder: Path,
    split: str | None,
    artefact: Path | None,
    out: Path,
    baseline: tuple[Path, ...],
    as_json: bool,
) -> None:
    """Measure the model on a labelled FOLDER (or a saved book) and write its model card."""
    from model.evaluate import evaluate_file
    from model.model_card import summary_lines, write_card

    with bar("judging") as update:
        report = evaluate_file(
            artefact, folder, split=split, baseline=baseline, progress=lambda done, _: update(done, "")
        )
    write_card(report, out)
    say(as_json, report, lambda: iter([*summary_lines(report), f"Model card: {out / 'card.md'}"]))


COMMANDS: tuple[click.Command, ...] = (
    retrain,
    models,
    rescore,
    drift,
    next_to_review,
    render,
    train,
    evaluate,
)

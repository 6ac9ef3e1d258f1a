"""Half of what was learnt: between the live weights and a candidate's lies a version that forgets less.

On the straight line between the two what is gained falls slower than what is lost (Wortsman et al. 2022,
arXiv 2109.01903), so that a candidate held for a photo or two may have a half that loses none.
"""

from __future__ import annotations

import argparse
import copy
from dataclasses import replace
from pathlib import Path

import torch

from model.artefact import Model, load_model, save_model
from model.errors import told_plainly
from model.network import ConditionNet

HALF = 0.5


def half_way(live: Path, candidate: Path, out: Path) -> Path:
    """Write a model file that lies ``HALF`` of the way from ``live`` to ``candidate``, and return ``out``.

    Its card is the candidate's, limits and all. It is written whole or not at all.

    Raises:
        ArtefactError: a file that cannot be used.
        StorageError: the disk has no room for it.
    """
    known, taught = load_model(live), load_model(candidate)
    between = {
        name: _between(known.networks[name], network)
        for name, network in taught.networks.items()
        if isinstance(network, ConditionNet) and name in known.networks
    }
    half: Model = replace(taught, **between)  # type: ignore[arg-type]  # its networks
    save_model(out, half)
    return out


def _between(known: torch.nn.Module, taught: ConditionNet) -> ConditionNet:
    result, start = copy.deepcopy(taught), known.state_dict()
    mixed = {
        key: torch.lerp(start[key], value, HALF) if value.is_floating_point() else value
        for key, value in taught.state_dict().items()
    }
    result.load_state_dict(mixed)
    return result.eval()


@told_plainly()
def main() -> None:
    """Command line: ``python -m model.half_way LIVE CANDIDATE OUT``; ``model.assemble`` sets its limits."""
    parser = argparse.ArgumentParser(description=main.__doc__)
    for name in ("live", "candidate", "out"):
        parser.add_argument(name, type=Path)
    a = parser.parse_args()
    print(load_model(half_way(a.live, a.candidate, a.out)).card.version)


if __name__ == "__main__":
    main()

"""A test that computes on more cores leaves the next one with as many as before.

With two workers on two cores, a worker that goes on with two threads takes up to ten times as long.
"""

import torch

THREADS = torch.get_num_threads()


def test_one_test_takes_more_cores() -> None:
    torch.set_num_threads(THREADS + 1)
    assert torch.get_num_threads() == THREADS + 1


def test_the_next_one_does_not_have_them() -> None:
    assert torch.get_num_threads() == THREADS

"""Two pieces of work at the same time give what they give one after the other."""

from __future__ import annotations

import threading
from collections.abc import Callable
from typing import Any
from unittest.mock import patch

import numpy as np
import pytest

from crosscellar.contract import Contract
from crosscellar.effects import effects_of_readings, together


@pytest.mark.parametrize("readings", [1, 10**6])
def test_both_results_come_back_in_their_order(readings: int) -> None:
    assert together.together(lambda: "one", lambda: 2, readings=readings) == ("one", 2)


def test_many_readings_are_shared_with_a_second_thread_and_few_are_not() -> None:
    for readings, threads in ((1, 1), (10**6, 2)):
        assert (
            len(set(together.together(threading.get_ident, threading.get_ident, readings=readings)))
            == threads
        )


@pytest.mark.parametrize("faulty", [0, 1])
def test_a_fault_of_either_is_raised(faulty: int) -> None:
    def fails() -> int:
        raise KeyError("gone")

    work: list[Callable[[], int]] = [lambda: 1, lambda: 2]
    work[faulty] = fails
    with pytest.raises(KeyError, match="gone"):
        together.together(*work, readings=10**6)


def test_effects_are_the_same_by_one_thread_and_by_two(
    network_of: Callable[..., Any], contract: Contract
) -> None:
    rng = np.random.default_rng(4)
    trials = {
        f"T{trial}": {arm: rng.uniform(5, 7, (3, 2)).round(2).tolist() for arm in ("control", "stirred")}
        for trial in range(8)
    }
    network = network_of(trials)
    alone = effects_of_readings(*network, contract)
    assert alone["usable"].all()
    with patch.object(together, "_MANY", 0):
        assert effects_of_readings(*network, contract).equals(alone)

"""Two pieces of work at once: the same answers in one process or two, errors told, a lost copy made good."""

import os
import warnings
from types import MappingProxyType

import numpy as np
import pytest

from workbench import apart, cumulative_incidence
from workbench.estimate.turnbull import interval_masses
from workbench.lives import Lives


@pytest.mark.parametrize("room", [False, True])
def test_both_are_done_and_errors_of_either_are_told(room, monkeypatch):
    monkeypatch.setattr(apart, "_has_room", lambda: room)
    assert apart.both(lambda: np.arange(3).sum(), lambda: {"a": 1.5}) == (3, {"a": 1.5})
    with pytest.raises(ZeroDivisionError):
        apart.both(lambda: 1, lambda: 1 // 0)
    with pytest.raises(ZeroDivisionError):
        apart.both(lambda: 1 // 0, lambda: 1)


def test_a_copy_that_is_lost_or_cannot_be_made_is_made_good(monkeypatch):
    monkeypatch.setattr(apart, "_has_room", lambda: True)
    here = os.getpid()
    assert apart.both(lambda: 1, lambda: 2 if os.getpid() == here else os._exit(3)) == (1, 2)

    def refuse():
        raise OSError("no more processes")

    monkeypatch.setattr(os, "fork", refuse)
    assert apart.both(lambda: 1, lambda: 2) == (1, 2)


def test_a_copy_says_nothing(monkeypatch, capfd):
    monkeypatch.setattr(apart, "_has_room", lambda: True)

    def said():
        print("seen", flush=True)
        warnings.warn("heard", stacklevel=1)
        return os.getpid()

    with warnings.catch_warnings():
        warnings.simplefilter("always")
        _, copy = apart.both(lambda: None, said)
    assert copy != os.getpid() and capfd.readouterr() == ("", "")


def test_what_cannot_be_changed_cannot_be_changed_when_it_comes_from_a_copy(monkeypatch):
    monkeypatch.setattr(apart, "_has_room", lambda: True)
    here = os.getpid()

    def made():
        assert os.getpid() != here
        days = np.array([3.0, 5.0])
        days.flags.writeable = False
        return MappingProxyType({"days": days, "same": days, "names": np.array(["a", "b"], dtype=object)})

    _, found = apart.both(lambda: None, made)
    assert found["days"].tolist() == [3.0, 5.0] and found["days"] is found["same"]
    with pytest.raises(ValueError, match="read-only"):
        found["days"][0] = 4.0
    with pytest.raises(TypeError):
        found["days"] = found["names"]
    found["names"][0] = "c"


def test_limits_found_in_two_processes_are_those_found_in_one(monkeypatch):
    rng = np.random.default_rng(5)
    first = np.floor(rng.weibull(1.5, 150) * 90)
    lives = Lives.from_arrays(
        lower=first, upper=first + 1 + rng.integers(1, 30, 150), cause=rng.choice(["wet", "cells"], 150).tolist()
    )
    found = {}
    for fewest in (1, 10**6):
        monkeypatch.setattr(apart, "_has_room", lambda: True)
        monkeypatch.setattr(interval_masses, "_FEWEST_APART", fewest)
        found[fewest] = cumulative_incidence(lives).table
    assert found[1].equals(found[10**6]) and found[1]["lower"].notna().any()

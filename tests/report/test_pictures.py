"""Pictures drawn in two processes are those drawn in one, and what cannot be drawn is told by this process."""

import os

import numpy as np
import pytest

from workbench import apart
from workbench.errors import UsageError
from workbench.report.basis import Drawing
from workbench.report.decks import pictures
from workbench.report.figures import Dots

pytestmark = pytest.mark.slow

INCHES = (3.0, 2.0)


def _jobs(count):
    values = [
        Dots(columns={"label": np.array(["a", "b"]), "value": np.array([1.0, k])}, axis="days") for k in range(count)
    ]
    return {f"life.{k}": (Drawing(result=dots, alt=f"Days by {k} groups"), INCHES) for k, dots in enumerate(values)}


def test_pictures_drawn_apart_are_those_drawn_here(monkeypatch):
    jobs, begun = _jobs(pictures.FEWEST_APART), []
    begin = apart._begun
    monkeypatch.setattr(apart, "_begun", lambda work: begun.append(work) or begin(work))
    drawn = {}
    for room in (False, True):
        monkeypatch.setattr(apart, "_has_room", lambda room=room: room)
        drawn[room] = pictures.drawn_pictures(jobs)

    assert len(begun) == 1
    assert list(jobs) == sorted(drawn[True])
    for name, (drawing, _) in jobs.items():
        assert drawn[True][name].data == drawn[False][name].data
        assert drawn[True][name].alt == drawing.alt
        assert drawn[True][name].chart is drawing.result
    assert len({picture.data for picture in drawn[True].values()}) == len(jobs)


def test_what_cannot_be_drawn_is_told_by_this_process(monkeypatch):
    monkeypatch.setattr(apart, "_has_room", lambda: True)
    jobs = _jobs(pictures.FEWEST_APART)
    jobs["life.1"] = (Drawing(result="no result", alt="It cannot be drawn"), INCHES)

    with pytest.raises(UsageError, match="draw\\(\\) takes"):
        pictures.drawn_pictures(jobs)


def test_another_process_that_is_lost_leaves_all_to_this_one(monkeypatch):
    monkeypatch.setattr(apart, "_has_room", lambda: True)
    here, bytes_of = os.getpid(), pictures._bytes_of
    monkeypatch.setattr(pictures, "_bytes_of", lambda *job: bytes_of(*job) if os.getpid() == here else os._exit(3))

    assert all(p.data[:4] == b"\x89PNG" for p in pictures.drawn_pictures(_jobs(pictures.FEWEST_APART)).values())

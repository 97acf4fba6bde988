"""Linear algebra is held on one thread while a function runs, whatever was loaded since the last one did."""

import sys
import types

import numpy as np
import threadpoolctl

from workbench.threads import on_one_thread


def _threads():
    return [library["num_threads"] for library in threadpoolctl.threadpool_info()]


def test_libraries_are_held_at_one_thread_and_let_go():
    np.linalg.eigvalsh(np.eye(2))
    before = _threads()
    assert on_one_thread(lambda least: [*_threads(), least])(1) == [1] * (len(before) + 1)
    assert _threads() == before


def test_libraries_are_looked_for_again_only_when_modules_were_loaded(monkeypatch):
    looks, found = [], threadpoolctl.ThreadpoolController
    monkeypatch.setattr(threadpoolctl, "ThreadpoolController", lambda: looks.append(1) or found())
    monkeypatch.setitem(sys.modules, "a_module_loaded_now", types.ModuleType("a_module_loaded_now"))
    held = on_one_thread(lambda: len(looks))
    assert held() == held() == held() == 1
    monkeypatch.setitem(sys.modules, "another_module", types.ModuleType("another_module"))
    assert held() == 2

"""Law of commands: on any season a command ends in 0, 1 or 2, in words, without a traceback."""

import argparse

import pytest

from tests.studies.commands import COMMANDS, NOT_TRIED, SLOW, run_command, write_season
from workbench.cli import build_parser

SEASONS = 30
FEW = 12
"""Units at most in the seasons of commands that are slow."""
COMMON = {"--help", "--settings", "--mission", "--seed", "--json", "--all", "--strict"}

_QUICK = [(command, options) for command in COMMANDS if command not in SLOW for options in COMMANDS[command]]
_SLOW = [(command, COMMANDS[command][0]) for command in SLOW]
TRIED = [*_SLOW, *(_QUICK[k % len(_QUICK)] for k in range(SEASONS - len(_SLOW)))]


@pytest.mark.slow
@pytest.mark.parametrize("number", range(SEASONS))
def test_a_command_ends_in_words(number, tmp_path):
    command, options = TRIED[number]
    log = write_season(number, tmp_path, **({"most": FEW} if command in SLOW else {}))
    wrong = run_command(command, options, log)
    assert not wrong, f"{command} {' '.join(options)} on season {number}\n{wrong}"


def test_every_option_is_tried():
    commands = next(a for a in build_parser()._actions if isinstance(a, argparse._SubParsersAction)).choices
    assert set(commands) == set(COMMANDS)
    spread = {option for variants in COMMANDS.values() for options in variants for option in options}
    assert COMMON - {"--help"} <= spread
    for name, parser in commands.items():
        known = {a.option_strings[-1] for a in parser._actions if a.option_strings} - COMMON - NOT_TRIED
        assert known <= {option for options in COMMANDS[name] for option in options}, name

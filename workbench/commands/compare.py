"""compare: levels of one choice side by side, share lasting the mission and days before any test."""

import argparse
import math
import time
from typing import TYPE_CHECKING, Any

from workbench.commands.counting import add_step, counted
from workbench.commands.permits import add_replace, permit_of
from workbench.printing import json_text, say, say_aside

if TYPE_CHECKING:
    from workbench.filing import Permit
    from workbench.report.basis import ChoiceComparison, SeasonData

RAW_ANSWER = (
    "Raw comparison of the units that carried each level: what goes together need not be cause and effect. 'rank' asks "
    "another question and may give other shares: what the whole fleet would do had every unit carried the level, the "
    "rest held equal, by a curve that also runs through spans in which nobody looked."
)

HELP = "compare the levels of one choice: share lasting the mission, days, differences and a test"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add this command's own arguments to its parser."""
    parser.add_argument("log", metavar="LOG", help="log file or folder")
    parser.add_argument(
        "--by", metavar="COLUMN", required=True, help="choice to compare, such as lid_seal, or its heading"
    )
    parser.add_argument("--within", metavar="COLUMN", help="repeat the test inside each value of this column")
    add_step(parser)
    parser.add_argument("--figure", metavar="FILE.png", help="write the curves as a picture")
    add_replace(parser)


def run(args: argparse.Namespace) -> int:
    """Print the comparison; 1 when rows were set aside and --strict was given."""
    from workbench.checks import check_columns
    from workbench.errors import EstimateError
    from workbench.filing import check_target
    from workbench.log.dictionary import column_named
    from workbench.log.sources import settings_for
    from workbench.report.basis import FEWEST_UNITS, compare_choice
    from workbench.report.making import season_data

    permit = permit_of(args)
    if args.figure:
        check_target(args.figure, (".png",), permit)
    started = time.monotonic()
    settings, _ = settings_for(args.log, args.settings)
    args.by, args.within = (name and column_named(name, settings) for name in (args.by, args.within))
    columns = [name for name in (args.by, args.within) if name]
    log = counted(args, lambda roles: columns) or args.log
    data = season_data(log, settings=args.settings, mission=args.mission, seed=args.seed)
    check_columns(columns, data.lives.covariates.columns, "column")
    if len(data.levels(args.by)) < 2:
        raise EstimateError(f"{args.by} has fewer than two levels carried by at least {FEWEST_UNITS} units each")
    if time.monotonic() - started > 1:
        say_aside("comparing")
    choice = compare_choice(data, args.by, within=args.within)
    if args.figure:
        _write_figure(args.figure, choice, data, permit=permit)
    if args.json:
        say(json_text(_as_json(choice, data)))
    else:
        say("\n".join(_lines(choice, data, within=args.within or "environment")))
    return 1 if args.strict and data.log.rows_set_aside else 0


def _write_figure(path: str, choice: "ChoiceComparison", data: "SeasonData", *, permit: "Permit") -> None:
    from workbench.filing import check_target, write_file
    from workbench.report.figures import draw, figure_png, new_axes, theme

    with theme():
        ax = new_axes()
        names = {level: share.name for level, share in choice.shares.items()}
        draw(choice.curve, ax, mission=data.mission, labels=names, unit=data.lives.unit)
        png = figure_png(ax.figure.get_figure(root=True))
    write_file(check_target(path, (".png",), permit), png, permit)
    say_aside(f"figure written: {path}")


def _number(value: Any) -> float | None:
    return float(value) if math.isfinite(float(value)) else None


def _difference(level: str, choice: "ChoiceComparison") -> dict[str, Any]:
    found: dict[str, Any] = {"level": level, "reference": choice.reference}
    for name, source in (("share", choice.differences), ("days", choice.days)):
        estimate, lower, upper = (_number(v) for v in source[level])
        found |= {f"{name}_difference": estimate, f"{name}_lower": lower, f"{name}_upper": upper}
    adjusted = choice.test.adjusted.get(level, math.nan)
    inside = choice.inside.get(level, (math.nan, math.nan, math.nan, 0))
    for name, value in zip(("difference", "lower", "upper"), inside[:3], strict=True):
        found[f"share_{name}_within"] = _number(value)
    return found | {"p_adjusted": _number(adjusted)}


def _as_json(choice: "ChoiceComparison", data: "SeasonData") -> dict[str, Any]:
    means = choice.means.table.set_index("group")
    groups = []
    for level, share in choice.shares.items():
        days = {k: _number(means.loc[level, c]) for k, c in
                (("days", "restricted_mean"), ("days_lower", "lower"), ("days_upper", "upper"))}  # fmt: skip
        groups.append(
            {
                "level": level,
                "units": share.units,
                "failures": share.failures,
                "may_have_failed": share.may_have,
                "share": _number(share.share),
                "lower": _number(share.lower),
                "upper": _number(share.upper),
                **days,
            }
        )
    tests = {"all": choice.test, "within": choice.within}
    return {
        "by": choice.column,
        "mission": data.mission,
        "confidence": data.confidence,
        "reference": choice.reference,
        "groups": groups,
        "differences": [_difference(level, choice) for level in choice.levels if level != choice.reference],
        "tests": {k: {"method": t.method, "p_value": _number(t.p_value)} for k, t in tests.items() if t is not None},
        "left_out": list(choice.left_out),
        "notes": [*data.said_first, *choice.notes],
    }


def _lines(choice: "ChoiceComparison", data: "SeasonData", *, within: str) -> list[str]:
    from workbench.report.words import (
        days_sentence,
        detectable_sentence,
        difference_sentence,
        inside_sentence,
        share_sentence,
        shown_name,
        test_sentence,
    )
    from workbench.wording import count_of

    mission, confidence = data.mission_text, data.confidence
    means = choice.means.table.set_index("group")
    width = max(len(s.name) for s in choice.shares.values())
    lines = [*data.said_first, *([""] if data.said_first else [])]
    lines += [f"{shown_name(choice.column)}, {mission}, reference {choice.shares[choice.reference].name}", ""]
    lines.append(f"{'':{width}}  units  failed  lasted {mission}        mean days worked")
    for level, share in choice.shares.items():
        mean, low, high = (float(means.loc[level, c]) for c in ("restricted_mean", "lower", "upper"))
        lines.append(
            f"{share.name:{width}}  {share.units:5d}  {share.failures:6d} "
            f" {_range(share.share, share.lower, share.upper, scale=100, sign=' %', is_open=bool(share.may_have))} "
            f"  {_range(mean, low, high, scale=1, is_open=bool(share.may_have))}"
        )
    lines.append("")
    lines += [share_sentence(s, mission, confidence) for s in choice.shares.values() if s.failures == 0 or s.may_have]
    base = choice.shares[choice.reference]
    for level in choice.levels:
        if level != choice.reference:
            share = choice.shares[level]
            lines.append(
                difference_sentence(share, base, choice.differences[level], mission=mission, confidence=confidence)
            )
            lines.append(days_sentence(share, base, choice.days[level], horizon=mission, confidence=confidence))
    lines += ["", test_sentence(choice.test.p_value, method=choice.test.method, levels=len(choice.levels))]
    if choice.within is not None:
        lines.append(test_sentence(choice.within.p_value, method=choice.within.method, levels=len(choice.levels)))
        for level, inside in choice.inside.items():
            share = choice.shares[level]
            lines.append(inside_sentence(share, base, inside, within=shown_name(within), confidence=confidence))
    units, failures = choice.counts
    lines.append(detectable_sentence(failures, base.units / units))
    if choice.unrecorded:
        lines.append(f"{count_of(choice.unrecorded, 'unit')} without a value left out.")
    if choice.left_out:
        lines.append("Too few units to compare: " + ", ".join(choice.left_out) + ".")
    return [*lines, *choice.notes, RAW_ANSWER]


def _range(value: float, lower: float, upper: float, *, scale: float, sign: str = "", is_open: bool = False) -> str:
    """A value with its limits; with only its limits where failures may lie on either side of the mission."""
    shown = "   ?" if is_open else f"{scale * value:4.0f}"
    text = f"{shown} ({scale * lower:3.0f} to {scale * upper:3.0f}){sign}"
    return text if math.isfinite(value) else f"{'   not known':{len('1234 (123 to 123)' + sign)}}"

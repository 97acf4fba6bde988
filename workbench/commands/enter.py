"""enter: take what a form saved into the tables beside a log; show first what is new and what contradicts."""

import argparse
from dataclasses import replace
from typing import TYPE_CHECKING, Any

from workbench.commands.permits import add_replace, permit_of
from workbench.printing import Part, json_text, progress, say, say_aside, show_answer
from workbench.wording import count_of

if TYPE_CHECKING:
    from workbench.teardown.form import FormEntry

HELP = "take what a teardown or visit form saved into the tables beside a log, or undo that"

MOST = 8
"""Values of a kind that are listed without --all."""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add this command's own arguments to its parser."""
    parser.add_argument("log", metavar="LOG", help="log file or folder; it is never written to")
    parser.add_argument("entries", metavar="FILE.csv", nargs="?", help="the table that the form saved")
    parser.add_argument("--undo", action="store_true", help="put back what stood beside the log before the last entry")
    add_replace(parser)


def run(args: argparse.Namespace) -> int:
    """Show what a form adds and write it; 1 when rows were set aside and --strict was given."""
    from workbench.errors import UsageError
    from workbench.filing import home_of
    from workbench.teardown.form import ENTERED, enter_rows, undo_entry, write_entry

    if args.undo == bool(args.entries):
        raise UsageError("give the table that the form saved, or --undo; one of the two")
    permit = permit_of(args)
    permit = replace(permit, inputs=tuple(p for p in permit.inputs if p.name not in ENTERED))
    home = home_of(args.log)
    if args.undo:
        say_aside(f"put back: {undo_entry(home, permit)}")
        if args.json:
            say(json_text({"undone": True}))
        return 0
    with progress("holding the form against the log"):
        entry = enter_rows(args.log, args.entries, args.settings)
        judged = _judged(entry)
    place = write_entry(entry, home, permit)
    say_aside(f"entered: {place} ('workbench enter LOG --undo' puts back what was there)")
    if args.json:
        lists = {name: list(getattr(entry, name)) for name in ("new", "changed", "contradictions")}
        say(json_text({"table": entry.name, **lists, "verdicts": judged}))
    else:
        show_answer(_blocks(entry, judged, args), everything=args.everything)
    return 1 if args.strict and entry.log.rows_set_aside else 0


def _blocks(entry: "FormEntry", judged: list[str], args: argparse.Namespace) -> list[Part]:
    told = (
        f"{count_of(len(entry.new), 'value')} new, {len(entry.changed)} changed, "
        f"{len(entry.contradictions)} against the log or not usable."
    )
    parts = [Part(sentences=[told])]
    for title, lines, tone in (
        ("Against the log: its own values stay in use", entry.contradictions, "warning"),
        ("Changed", entry.changed, ""),
        ("Verdicts beside what the signs suggest", judged, ""),
        ("New", entry.new, ""),
    ):
        most = len(lines) if args.everything else MOST
        more = [[(f"and {len(lines) - most} more with --all", "faint")]] if len(lines) > most else []
        parts.append(Part(title=title, sentences=[*([(line, tone)] for line in lines[:most]), *more]))
    return parts


def _judged(entry: "FormEntry") -> list[str]:
    """Each verdict that was entered, and only then what the signs suggest."""
    from workbench.lives import UNDETERMINED
    from workbench.teardown.mechanisms import mechanism_words, suggest_mechanism
    from workbench.wording import percent_text

    if entry.name != "teardowns.csv" or "mechanism" not in entry.table:
        return []
    given = {
        (str(r["unit_id"]), str(r.get("deployment"))) for r in entry.table.to_dict("records") if _is(r["mechanism"])
    }
    said = []
    for row in suggest_mechanism(entry.log).table.to_dict("records"):
        if (row["unit_id"], str(row["deployment"])) in given or (row["unit_id"], "nan") in given:
            chance = "" if row["mechanism"] == UNDETERMINED else f" ({percent_text(row['probability'])})"
            own = mechanism_words(row["verdict"]) or "no verdict in use"
            said.append(
                f"{row['unit_id']}: you say {own}; the signs suggest {mechanism_words(row['mechanism'])}{chance}."
            )
    return said


def _is(value: Any) -> bool:
    return isinstance(value, str) and bool(value)

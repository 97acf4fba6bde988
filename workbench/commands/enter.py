"""enter: take what a form saved, or a person confirms of the notes, into the tables beside a log; or undo that."""

import argparse
import sys
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from workbench.commands.permits import add_replace, permit_of
from workbench.printing import Part, json_text, progress, say, say_aside, show_answer, visible
from workbench.wording import count_of

if TYPE_CHECKING:
    from workbench.filing import Permit
    from workbench.teardown.form import FormEntry, Proposal

HELP = "take what a form saved, or signs that notes propose, into the tables beside a log, or undo that"

MOST = 8
"""Values of a kind that are listed without --all."""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add this command's own arguments to its parser."""
    parser.add_argument("log", metavar="LOG", help="log file or folder; it is never written to")
    parser.add_argument(
        "entries", metavar="FILE.csv", nargs="?", help="the table that the form saved, or the list of --list, answered"
    )
    parser.add_argument("--undo", action="store_true", help="put back what stood beside the log before the last entry")
    parser.add_argument(
        "--notes",
        action="store_true",
        help="signs that notes propose: asks for each in a terminal, else lists them; they count once confirmed",
    )
    parser.add_argument("--list", metavar="FILE.csv", help="with --notes: write them as a table to answer and enter")
    add_replace(parser)


def run(args: argparse.Namespace) -> int:
    """Show what is entered and write it; 1 when rows were set aside and --strict was given."""
    from workbench.errors import UsageError
    from workbench.filing import home_of
    from workbench.teardown.form import ENTERED, enter_rows, undo_entry

    if bool(args.entries) + args.undo + args.notes != 1:
        raise UsageError("give the table that the form saved, --notes or --undo; one of the three")
    if args.list and not args.notes:
        raise UsageError("--list writes what notes propose; give --notes too")
    permit = permit_of(args)
    permit = replace(permit, inputs=tuple(p for p in permit.inputs if p.name not in ENTERED))
    if args.undo:
        say_aside(f"put back: {undo_entry(home_of(args.log), permit)}")
        if args.json:
            say(json_text({"undone": True}))
        return 0
    if args.notes:
        entry = _confirmed(args)
    else:
        with progress("holding the form against the log"):
            entry = enter_rows(args.log, args.entries, args.settings)
    return 0 if entry is None else _write(entry, args, permit)


def _write(entry: "FormEntry", args: argparse.Namespace, permit: "Permit") -> int:
    """Write an entry beside the log and show what it adds."""
    from workbench.filing import home_of
    from workbench.teardown.form import write_entry

    judged = _judged(entry)
    place = write_entry(entry, home_of(args.log), permit)
    say_aside(f"entered: {place} ('workbench enter LOG --undo' puts back what was there)")
    if args.json:
        lists = {name: list(getattr(entry, name)) for name in ("new", "changed", "contradictions")}
        proposed = [p._asdict() for p in entry.proposals]
        say(json_text({"table": entry.name, **lists, "verdicts": judged, "proposals": proposed}))
    else:
        show_answer(_blocks(entry, judged, args), everything=args.everything)
    return 1 if args.strict and entry.log.rows_set_aside else 0


def _confirmed(args: argparse.Namespace) -> "FormEntry | None":
    """Ask for each sign that notes propose; None where nobody can be asked, or nothing was confirmed."""
    from workbench.filing import check_target, write_file
    from workbench.log.season_log import read_log
    from workbench.log.writing import beside_csv
    from workbench.teardown.form import enter_confirmed, proposal_table, proposals_of

    if args.list:
        check_target(args.list, (".csv",), permit_of(args))
    proposals = proposals_of(read_log(args.log, args.settings))
    if args.list:
        write_file(Path(args.list), beside_csv(proposal_table(proposals)), permit_of(args))
        say_aside(f"{count_of(len(proposals), 'proposal')} written: {args.list}; answer them there, then enter it")
        return None
    if args.json:
        say(json_text({"proposals": [p._asdict() for p in proposals]}))
        return None
    if not (sys.stdin.isatty() and sys.stdout.isatty()):
        show_answer(_listed(proposals, args.everything), everything=args.everything)
        return None
    confirmed = [p for number, p in enumerate(proposals, start=1) if _ask(p, number, len(proposals))]
    if not confirmed:
        say("Nothing was confirmed, so nothing was written.")
        return None
    return enter_confirmed(args.log, confirmed, args.settings)


def _ask(proposal: "Proposal", number: int, of: int) -> bool:
    """Ask a person whether a sign that a note proposes was seen; Enter leaves it open."""
    from workbench.errors import UsageError

    while True:
        say(f"{number} of {of}  {visible(proposal.sentence)}?")
        try:
            typed = input("  y: seen   n: not meant   [Enter: leave it open] ").strip().casefold()
        except EOFError:
            raise UsageError("the answers ended before the questions; nothing was written") from None
        if typed in ("", "y", "yes", "n", "no"):
            return typed in ("y", "yes")
        say(f"    {typed!r} is none of the choices: give y, n or Enter")


def _listed(proposals: Sequence["Proposal"], everything: bool) -> list[Part]:
    """What notes propose, one line each, and how to confirm it."""
    if not proposals:
        return [Part(sentences=["No note proposes a sign that is not settled already."])]
    told = f"Notes propose {count_of(len(proposals), 'sign')}; none counts until a person confirms it."
    how = "Confirm in a terminal, or with --list FILE.csv: write yes in its last column, then enter that file."
    return [
        Part(sentences=[told, how]),
        *_lists([("Proposed", [p.sentence for p in proposals], "")], everything=everything),
    ]


def _blocks(entry: "FormEntry", judged: list[str], args: argparse.Namespace) -> list[Part]:
    told = (
        f"{count_of(len(entry.new), 'value')} new, {len(entry.changed)} changed, "
        f"{len(entry.contradictions)} against the log or not usable."
    )
    proposed = [p.sentence for p in entry.proposals]
    lists = [
        ("Against the log: its own values stay in use", entry.contradictions, "warning"),
        ("Changed", entry.changed, ""),
        ("Verdicts beside what the signs suggest", judged, ""),
        ("Notes propose; counts for nothing until confirmed: workbench enter LOG --notes", proposed, ""),
        ("New", entry.new, ""),
    ]
    return [Part(sentences=[told]), *_lists(lists, everything=args.everything)]


def _lists(lists: Sequence[tuple[str, Sequence[str], str]], *, everything: bool) -> list[Part]:
    """Lists of lines with their titles and tones, each cut after some lines."""
    parts = []
    for title, lines, tone in lists:
        most = len(lines) if everything else MOST
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

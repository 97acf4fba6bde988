"""notebooks: run a season folder's notebooks, verify them against accepted outputs, or accept the present ones."""

import argparse
from collections.abc import Sequence
from pathlib import Path

from workbench.printing import Grid, Part, Words, json_text, progress, say, show_answer
from workbench.wording import by_number, count_of

MOST_NUMBERS = 8
"""Changed numbers that are listed without --all."""

HELP = "run a season folder's notebooks; verify or accept their answers"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add this command's own arguments to its parser."""
    parser.add_argument("folder", metavar="DIR", help="season folder")
    choice = parser.add_mutually_exclusive_group()
    choice.add_argument("--verify", action="store_true", help="run again and compare; changes nothing")
    choice.add_argument(
        "--accept", action="store_true", help="show what changed, then make the present outputs the accepted ones"
    )
    parser.add_argument(
        "--trust",
        action="store_true",
        help="run notebooks that came from elsewhere: programs, whose code you have read",
    )


def run(args: argparse.Namespace) -> int:
    """Run, verify or accept; 1 when something failed or differs."""
    folder = Path(args.folder)
    if args.verify:
        return _verify(args, folder)
    if args.accept:
        from workbench.notebook import accept_notebooks

        with progress("accepting") as tell:
            accepted = accept_notebooks(folder, say=tell, trust=args.trust)
        if args.json:
            _say_json([(v.name, True, v.sentences if not v.same else (f"{v.name}: accepted.",)) for v in accepted])
            return 0
        changed = [sentence for v in accepted if not v.same for sentence in v.sentences]
        first = f"{count_of(len(accepted), 'notebook')} accepted" + (f", {len(changed)} changes:" if changed else ".")
        show_answer([Part(sentences=[first, *changed])], everything=args.everything)
        return 0
    from workbench.notebook import run_notebooks

    with progress("running the notebooks") as tell:
        runs = run_notebooks(folder, say=tell, trust=args.trust)
    failed = [r for r in runs if r.problem]
    if args.json:
        told = [(f"{r.name}: {r.problem or f'{r.checks} checks held'} ({r.seconds:.0f} s)",) for r in runs]
        _say_json([(r.name, not r.problem, said) for r, said in zip(runs, told, strict=True)])
        return int(bool(failed))
    rows: list[tuple[Words, ...]] = [
        (r.name, [(r.problem, "error")] if r.problem else f"{r.checks} checks held", f"{r.seconds:.0f} s") for r in runs
    ]
    held = sum(r.checks for r in runs)
    first = f"{len(runs) - len(failed)} of {count_of(len(runs), 'notebook')} ran, {held} checks held."
    grid = Grid(headings=("notebook", "how it went", "time"), rows=rows)
    show_answer([Part(sentences=[first]), Part(grid=grid)], everything=args.everything)
    return int(bool(failed))


def _verify(args: argparse.Namespace, folder: Path) -> int:
    """What changed since the notebooks were accepted: the log, then conclusions, then numbers."""
    from workbench.notebook import changes_sentences, log_changes, single_unit_sentence, verify_notebooks

    with progress("verifying the notebooks") as tell:
        verdicts = verify_notebooks(folder, say=tell, trust=args.trust)
        changes = log_changes(folder)
    code = int(not all(v.same for v in verdicts))
    if args.json:
        _say_json([(v.name, v.same, v.sentences) for v in verdicts])
        return code
    differing = [v for v in verdicts if not v.same]
    whole = count_of(len(verdicts), "notebook")
    first: Words = [(f"{whole} verified: every number and text is as accepted.", "good")]
    if differing:
        verb = by_number(len(differing), "differs", "differ")
        first = [(f"{len(differing)} of {whole} {verb} from what was accepted.", "warning")]
    broken = [f"{v.name}: It did not run through: {v.problem}." for v in verdicts if v.problem]
    # a conclusion stands in several notebooks and is said once
    grades = dict.fromkeys(grade for v in verdicts for grade in v.differences.grades)
    said = dict.fromkeys(sentence for v in verdicts for sentence in v.differences.conclusions)
    single = single_unit_sentence(changes, verdicts)
    inputs = dict.fromkeys(sentence for v in verdicts for sentence in v.differences.inputs)
    numbers = [f"{v.name}: {sentence}" for v in verdicts for sentence in v.differences.outputs]
    versions = dict.fromkeys(v.versions for v in differing if v.versions)
    show_answer(
        [
            Part(sentences=[first, *broken, *inputs]),
            Part(sentences=changes_sentences(changes)),
            Part(title="Conclusions that changed", sentences=[*grades, *([single] if single else []), *said]),
            Part(title="Numbers that changed", sentences=[*numbers[:MOST_NUMBERS], *versions]),
            Part(title="Every number", sentences=numbers[MOST_NUMBERS:], is_detail=True),
        ],
        everything=args.everything,
    )
    return code


def _say_json(lines: Sequence[tuple[str, bool, Sequence[str]]]) -> None:
    say(json_text([{"notebook": n, "as_accepted": same, "sentences": list(s)} for n, same, s in lines]))

"""Study on demand: does anything seen in one simulated unit contradict itself?  python -m tests.studies.signs [SEASONS]

Ends with 1 and names the units when a sign is said to speak for and against the same suggestion, when two signs or
measurements of one unit exclude each other, or when the settings of the teardown refuse what the bench wrote down.
"""

import sys

from workbench.simulate import simulate_season
from workbench.teardown.mechanisms.mechanism import suggest_from_records


def contradictions(seed: int, units: int = 168) -> list[str]:
    """Return a sentence for each thing in one season that cannot be."""
    log, _ = simulate_season(units, seed=seed, refit_share=0.02, redeployed_share=0.03)
    found = suggest_from_records(log)
    said = [
        f"season {seed}, {log['unit_id'][p.row]}: {p.field} {p.value}: {p.reason}"
        for p in found.teardowns.problems.itertuples()
    ]
    for row in found.table.to_dict("records"):
        both = set(_names(row["for"])) & set(_names(row["against"]))
        said += [f"season {seed}, {row['unit_id']}: {sign} speaks for and against" for sign in sorted(both)]
    return said


def _names(text: str) -> list[str]:
    return [sign.removeprefix("no ") for sign in text.split(", ") if sign]


def main(seasons: int = 200) -> int:
    """Print what cannot be in so many seasons; 1 when there is anything."""
    said = [line for seed in range(seasons) for line in contradictions(seed)]
    print("\n".join([*said[:40], f"{len(said)} contradictions in {seasons} seasons"]))
    return 1 if said else 0


if __name__ == "__main__":
    sys.exit(main(*(int(a) for a in sys.argv[1:2])))

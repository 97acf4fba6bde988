"""Study on demand: thousands of damaged logs, each read within its time limit; prints what happened to each kind.

Run with `python -m tests.studies.damage 10000 [FIRST_SEED]`; about 15 logs a second. Every third log has a damaged
settings file. Ends with 1 when any log led to a traceback, took too long, lost a row or named an address that does not
exist.
"""

import sys
import tempfile
import time
import traceback
from collections import Counter
from collections.abc import Callable
from pathlib import Path

from tests.damage import SECONDS_A_FILE, TooSlow, examine, examine_settings, time_limit
from tests.spoilt_files import write_damaged, write_damaged_settings


def main(number: int = 10_000, first: int = 0) -> int:
    """Try the logs and print the counts; 1 when any broke a rule."""
    counts: Counter[tuple[str, str]] = Counter()
    broken: dict[str, list[int]] = {}
    slowest, begun = (0.0, -1), time.monotonic()

    def tried(seed: int, look: Callable[[], str]) -> str:
        nonlocal slowest
        start = time.process_time()
        try:
            with time_limit(SECONDS_A_FILE):
                verdict = look()
        except (Exception, TooSlow) as error:
            place = traceback.extract_tb(error.__traceback__)[-1]
            key = f"{type(error).__name__}: {str(error)[:150]} ({Path(place.filename).name}:{place.lineno})"
            broken.setdefault(key, []).append(seed)
            verdict = "broke a rule"
        slowest = max(slowest, (time.process_time() - start, seed))
        return verdict

    for seed in range(first, first + number):
        with tempfile.TemporaryDirectory() as folder:
            path, what = write_damaged(seed, Path(folder))
            kind = what.rpartition(" ")[2]
            counts[kind, tried(seed, lambda: examine(path, seed, whole=seed % 3 == 0))] += 1  # noqa: B023
            if seed % 3 == 0:
                toml = write_damaged_settings(seed, Path(folder))
                counts["settings", tried(seed, lambda: examine_settings(toml))] += 1  # noqa: B023
    for (kind, verdict), count in sorted(counts.items()):
        print(f"{kind:8s} {verdict:12s} {count}")
    print(f"{number} logs in {time.monotonic() - begun:.0f} s; the slowest took {slowest[0]:.1f} s (seed {slowest[1]})")
    for key, seeds in sorted(broken.items(), key=lambda item: -len(item[1])):
        print(f"{len(seeds):5d} x  {key}  seeds {seeds[:8]}")
    return 1 if broken else 0


if __name__ == "__main__":
    sys.exit(main(*(int(a) for a in sys.argv[1:3])))

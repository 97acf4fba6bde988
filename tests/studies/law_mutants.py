"""Study on demand: which law notices a wrong sign, a weight that is dropped, a wrong tail, an entry forgotten?

    python -m tests.studies.law_mutants                     # all areas
    python -m tests.studies.law_mutants means incidence     # some areas
    python -m tests.studies.law_mutants means 3             # one change, by its number

Each change is made in a copy of the project in a temporary folder; the laws that reach its area are asked, until the
first notices. One line a change is printed: its number, the test that noticed it, or "survived".
"""

import os
import shutil
import sys
import tempfile
import time
from dataclasses import dataclass
from pathlib import Path

from tests.studies.mutants import LEARNT, PATIENCE, PRELOADED, ROOT, apart, run_tests

__all__ = ["AREAS", "MUTANTS", "Mutant"]

AREAS = {
    "distributions": "weibull or lognormal or gamma or test_fits",
    "curves": "curve",
    "means": "mean",
    "comparisons": "[test or trend or permuted",
    "incidence": "incidence",
    "planning": "test_plans or [plan or [trial or [visits or [rounds",
}
"""The areas and the laws that reach them, as an expression over names of tests."""

FIRST = ("complete", "fits", "plans", "glimpses")
"""Laws that are asked first, since they are quick and notice most."""

LONGEST = 1200.0  # seconds for the laws of one change


@dataclass(frozen=True)
class Mutant:
    """One change: in a module of an area, a piece of text that stands there once, and what stands there instead."""

    area: str
    module: str
    before: str
    after: str

    @property
    def told(self) -> str:
        """The change in one line."""
        return f"{Path(self.module).stem}: {' '.join(self.before.split())}  ->  {' '.join(self.after.split())}"


def _of(area: str, room: str, *changes: tuple[str, str, str]) -> tuple[Mutant, ...]:
    return tuple(Mutant(area, f"workbench/{room}/{module}.py", before, after) for module, before, after in changes)


MUTANTS: tuple[Mutant, ...] = (
    *_of(
        "distributions",
        "estimate",
        ("life/distributions", "chdtri(1, 1.0 - confidence)", "chdtri(2, 1.0 - confidence)"),
        ("life/distributions", "free = len(rows) - (shape is not None)", "free = len(rows)"),
        ("life/distributions", "lives.lower, lives.upper, lives.entry, columns=np.zeros",
         "lives.lower, lives.upper, 0.0 * lives.entry, columns=np.zeros"),
        ("life/distributions", "weights = lives.weight.astype(float)", "weights = np.ones(len(lives))"),
        ("life/distributions", "-np.log1p(-confidence))", "-np.log1p(-(1.0 + confidence) / 2.0))"),
        ("life/life_forms", '"weibull": (("shape", 1, -1.0, True)', '"weibull": (("shape", 1, 1.0, True)'),
        ("likelihood/aft_likelihood", "total = value.sum(axis=1) + failures * np.log(a)", "total = value.sum(axis=1)"),
        ("likelihood/aft_likelihood", "d11 + 2.0 * d12 + d22", "d11 + d12 + d22"),
    ),
    *_of(
        "curves",
        "estimate",
        ("curves/curves", "d / (n.astype(float) * (n - d))", "d / (n.astype(float) * n)"),
        ("steps/step_limits", "inv_cdf(0.5 + 0.5 * confidence)", "inv_cdf(confidence)"),
        ("steps/step_limits", "tail = 0.5 - 0.5 * confidence", "tail = 1.0 - confidence"),
        ("steps/step_limits", "(a - la) ** 2 + (ub - b) ** 2", "(a - la) ** 2 + (b - lb) ** 2"),
        ("steps/risk_sets", 'np.searchsorted(late_time[g], days[rows], side="left")',
         'np.searchsorted(late_time[g], days[rows], side="right")'),
        ("steps/curve_results", '"lower": lower, "upper": upper}', '"lower": lower, "upper": lower}'),
        ("steps/curve_results", 'row = np.searchsorted(self.columns["time"][rows], times, side="right")',
         'row = np.searchsorted(self.columns["time"][rows], times, side="left")'),
        ("turnbull/interval_curves", "count = np.bincount(place, weights=weight)", "count = np.bincount(place)"),
    ),
    *_of(
        "means",
        "estimate",
        ("curves/means", "used = time < horizon", "used = time <= horizon"),
        ("curves/means", "np.append(1.0, survival[used])", "np.append(survival[:1], survival[used])"),
        ("curves/means", "right = mean - np.cumsum(areas)[:-1]", "right = np.cumsum(areas)[:-1]"),
        ("curves/means", "f / (y * np.maximum(y - f, 1.0))", "f / (y * y)"),
        ("curves/means", "lives.lower, lives.failed, lives.entry, weight",
         "lives.lower, lives.failed, 0 * lives.entry, weight"),
        ("steps/differences", "np.hypot(error_a, error_b)", "error_a + error_b"),
        ("turnbull/interval_means", "before * 0.5 * (low + high)", "before * low"),
        ("turnbull/interval_means", "mean * (variance * widening) ** 0.5", "mean * variance * widening"),
    ),
    *_of(
        "comparisons",
        "estimate",
        ("rank_tests/counted_tests", "(n - d) / (np.maximum(n - 1.0, 1.0) * n)", "(n - d) / (n * n)"),
        ("rank_tests/counted_tests", "chdtrc(degrees, values)", "1.0 - chdtrc(degrees, values)"),
        ("rank_tests/comparisons", "chi_square(statistic, degrees)", "chi_square(statistic, degrees + 1)"),
        ("rank_tests/comparisons", "time, lives.failed, lives.entry, weight=lives.weight",
         "time, lives.failed, lives.entry, weight=np.ones_like(lives.weight)"),
        ("rank_tests/comparisons", "time, lives.failed, lives.entry, weight=lives.weight",
         "time, lives.failed, 0 * lives.entry, weight=lives.weight"),
        ("rank_tests/permutation_tests", "@ weight) / (m - 1)", "@ weight) / m"),
        ("rank_tests/permutation_tests", "return (1 + as_large) / (1 + resamples)", "return as_large / resamples"),
        ("shared/multiplicity", "np.arange(order.size, 0, -1)", "order.size"),
    ),
    *_of(
        "incidence",
        "estimate",
        ("steps_by_cause/aalen_johansen", "np.cumsum(before * d)", "np.cumsum(after * d)"),
        ("steps_by_cause/aalen_johansen", "variance = c0 - 2 * c1 * t + c2 * t**2", "variance = c0"),
        ("steps_by_cause/aalen_johansen", "(std_error / np.where(other > 0, other, 1.0)) ** 2", "std_error**2"),
        ("steps_by_cause/step_incidence", "(place, cause[mine]), lives.weight[mine])", "(place, cause[mine]), 1)"),
        ("steps_by_cause/step_incidence", "scores, variance = scores + more, variance + spread",
         "scores, variance = more, spread"),
        ("steps_by_cause/gray", "share = size * (1.0 - incidence)", "share = size"),
        ("steps_by_cause/gray", "chdtrc(rank, max(", "chdtrc(rank + 1, max("),
        ("turnbull/interval_incidence", "_joined(entered[late], -weight[late]",
         "_joined(entered[late], 0.0 * weight[late]"),
    ),
    *_of(
        "planning",
        "planning",
        ("season_plan", "np.array([(1 - confidence) / 2, (1 + confidence) / 2])",
         "np.array([1 - confidence, confidence])"),
        ("season_plan", "lost = 1.0 - (1.0 - failed) * (1.0 - missing)", "lost = failed"),
        ("going_missing", "rng.beta(units * gone + 0.5, units * (1.0 - gone) + 0.5,",
         "rng.beta(units * (1.0 - gone) + 0.5, units * gone + 0.5,"),
        ("visit_plan", "_normal_quantile((1.0 + check_confidence(confidence)) / 2.0)",
         "_normal_quantile(check_confidence(confidence))"),
        ("visit_plan", "rounds = np.ceil(mission / np.array(gaps))", "rounds = np.floor(mission / np.array(gaps))"),
        ("rounds", "working[i] * alive / alive[0]", "working[i] * alive"),
        ("trial_seasons", "threshold = ndtri(1.0 - significance / 2.0)", "threshold = ndtri(1.0 - significance)"),
        ("trial_seasons", "-self.scale * math.log(hazard_ratio)", "self.scale * math.log(hazard_ratio)"),
    ),
)  # fmt: skip


class FirstToNotice:
    """Plugin of the test runner: writes down the first test that fails."""

    def __init__(self, written: Path):
        self.written = written

    def note(self, what: str) -> None:
        """Write down a test, unless one stands there."""
        if not self.written.read_text(encoding="utf-8"):
            self.written.write_text(what, encoding="utf-8")

    def pytest_runtest_logreport(self, report):
        """A test has run."""
        if report.failed:
            self.note(report.nodeid.removeprefix("tests/laws/test_"))

    def pytest_collectreport(self, report):
        """A file was read."""
        if report.failed:
            self.note("import")


def ask_laws(copy: Path, names: str) -> int:
    """Ask the laws, those of commands apart, until the first notices."""
    told = FirstToNotice(copy / LEARNT)
    paths = [*(f"tests/laws/test_{name}.py" for name in FIRST), "tests/laws"]
    return run_tests(copy, paths, told, "-x", "-k", names, "--ignore-glob=*/test_commands.py")


def noticed_by(copy: Path, mutant: Mutant | None, area: str) -> str:
    """The first test that notices a change, or none; without a change, the first that fails anyway."""
    path, source = copy / "workbench/__init__.py", ""
    if mutant is not None:
        path = copy / mutant.module
        source = path.read_text(encoding="utf-8")
        assert source.count(mutant.before) == 1, f"{mutant.told}: stands there {source.count(mutant.before)} times"
        path.write_text(source.replace(mutant.before, mutant.after), encoding="utf-8")
    (copy / LEARNT).write_text("", encoding="utf-8")
    failed = apart(ask_laws, copy, AREAS[area], seconds=LONGEST / PATIENCE)
    if source:
        path.write_text(source, encoding="utf-8")
    return (copy / LEARNT).read_text(encoding="utf-8") or ("takes too long" if failed else "")


def main(*wanted: str) -> int:
    """Ask the laws of the wanted areas, or of all; 1 when a change survived."""
    for name in PRELOADED:
        __import__(name)
    numbers = {int(w) for w in wanted if w.isdigit()}
    areas = [w for w in wanted if not w.isdigit()] or list(AREAS)
    survived, sys.dont_write_bytecode = 0, True
    with tempfile.TemporaryDirectory(dir=os.environ.get("TMPDIR")) as scratch:
        copy = Path(scratch).resolve()
        for name in ("workbench", "tests", "sample_data"):
            shutil.copytree(ROOT / name, copy / name, ignore=shutil.ignore_patterns("__pycache__"))
        shutil.copy(ROOT / "pyproject.toml", copy)
        for area in areas:
            if not numbers:
                begun, already = time.monotonic(), noticed_by(copy, None, area)
                took = time.monotonic() - begun
                print(f"{area}: laws run in {took:.0f} s {already and 'and fail: ' + already}", flush=True)
            for number, mutant in enumerate((m for m in MUTANTS if m.area == area), start=1):
                if numbers and number not in numbers:
                    continue
                begun, law = time.monotonic(), noticed_by(copy, mutant, area)
                survived += not law
                took = time.monotonic() - begun
                print(f"  {number} {mutant.told}\n      {law or 'SURVIVED'} ({took:.0f} s)", flush=True)
    return 1 if survived else 0


if __name__ == "__main__":
    sys.exit(main(*sys.argv[1:]))

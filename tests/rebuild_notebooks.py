"""Build the shipped notebooks from their stories and run them on the sample: python -m tests.rebuild_notebooks."""

import sys
from pathlib import Path

from workbench.notebook.building import build_notebooks
from workbench.notebook.running import run_notebooks, write_notebook

ROOT = Path(__file__).parents[1]
SAMPLE_LOG = "../sample_data/lantern_moor_2025.csv"


def main() -> int:
    """Write and run the notebooks; 1 when one of them fails."""
    folder = ROOT / "notebooks"
    for name, notebook in build_notebooks(SAMPLE_LOG).items():
        write_notebook(notebook, folder / name)
    runs = run_notebooks(folder, say=print, trust=True)
    for run in runs:
        print(f"{run.name}: {run.problem or f'{run.checks} checks held'} ({run.seconds:.1f} s)")
    return int(any(run.problem for run in runs))


if __name__ == "__main__":
    sys.exit(main())

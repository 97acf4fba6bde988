"""`python -m workbench.scenario.lantern_moor FOLDER` writes the sample seasons again."""

import sys

from workbench.scenario.lantern_moor.sample_seasons import write_samples

for made in write_samples(sys.argv[1] if len(sys.argv) > 1 else "sample_data"):
    print(made)

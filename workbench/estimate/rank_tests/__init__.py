"""Do groups differ by more than chance?"""

from workbench.estimate.rank_tests.comparisons import compare_groups

__all__ = ["compare_groups"]

"""How is a review made and put in place whole?"""

from workbench.report.making.review import review, season_data

__all__ = ["review", "season_data"]

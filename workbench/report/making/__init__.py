"""How is a review made and put in place whole?"""

from workbench.report.making.assembly import review, season_data

__all__ = ["review", "season_data"]

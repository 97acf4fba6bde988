"""How is a review made and put in place whole?"""

from workbench.report.making.assembly import review, season_data, settle_findings, write_review

__all__ = ["review", "season_data", "settle_findings", "write_review"]

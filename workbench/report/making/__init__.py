"""How is a review made and put in place whole?"""

from workbench.report.making.assembly import Review, review, season_data, settle_findings, write_review

__all__ = ["Review", "review", "season_data", "settle_findings", "write_review"]

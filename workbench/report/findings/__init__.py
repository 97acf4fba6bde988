"""What does the season say, as findings?"""

from workbench.report.findings.findings_planning import planning_findings
from workbench.report.findings.second_opinion import opinion_findings

__all__ = ["opinion_findings", "planning_findings"]

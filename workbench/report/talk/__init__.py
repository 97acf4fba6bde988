"""What is told at the review, in which order, with which picture?"""

from workbench.report.talk.decisions import action_state
from workbench.report.talk.telling import talk_findings
from workbench.report.talk.told import TOPICS

__all__ = ["TOPICS", "action_state", "talk_findings"]

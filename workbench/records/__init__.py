"""What do the units' own data files say: when did each stop, and what did it feel before?"""

from workbench.records.early_warning import Warnings
from workbench.records.record_survey import RecordSurvey, survey_records

__all__ = ["RecordSurvey", "Warnings", "survey_records"]

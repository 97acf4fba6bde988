"""What do the units' own data files say: when did each stop, and what did it feel before?"""

from workbench.records.data_files import RECORDS_FOLDER, UNIT_PATTERN, find_data_files
from workbench.records.early_warning import Warnings
from workbench.records.record_survey import RecordSurvey, survey_records

__all__ = ["RECORDS_FOLDER", "UNIT_PATTERN", "RecordSurvey", "Warnings", "find_data_files", "survey_records"]

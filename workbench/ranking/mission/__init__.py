"""Can units that fail within the mission be told beforehand?"""

from workbench.ranking.mission.mission_labels import life_curve, mission_labels, share_failed
from workbench.ranking.mission.mission_result import MissionSkill

__all__ = ["MissionSkill", "life_curve", "mission_labels", "share_failed"]

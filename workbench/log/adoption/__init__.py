"""Which settings does a foreign log need?"""

from workbench.log.adoption.adopt import default_target, starter_settings

__all__ = ["default_target", "starter_settings"]

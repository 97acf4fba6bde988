"""Which settings does a foreign log need?"""

from workbench.log.adoption.adopt import Adoption, adopt_log, default_target, starter_settings
from workbench.log.adoption.questions import Answer, Query, answer_to, prompt_text, question_text, take_proposal

__all__ = [
    "Adoption",
    "Answer",
    "Query",
    "adopt_log",
    "answer_to",
    "default_target",
    "prompt_text",
    "question_text",
    "starter_settings",
    "take_proposal",
]

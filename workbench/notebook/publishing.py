"""Publish one output with its numbers: to the notebook's front end when there is one, else as text."""

import sys
from collections.abc import Mapping
from typing import Any

from workbench.printing import say

__all__ = ["publish"]


def publish(data: Mapping[str, Any], metadata: Mapping[str, Any]) -> None:
    """Show an output."""
    text = data["text/plain"]
    shell = sys.modules["IPython"].get_ipython() if "IPython" in sys.modules else None
    if shell is None or not hasattr(shell, "kernel"):
        say(text)
        return
    shell.display_pub.publish(data=dict(data), metadata=dict(metadata))

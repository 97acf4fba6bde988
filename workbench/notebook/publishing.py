"""Publish one output with its numbers: to the notebook's front end when there is one, else as text."""

import sys
from collections.abc import Mapping
from typing import Any

__all__ = ["publish"]


def publish(data: Mapping[str, Any], metadata: Mapping[str, Any]) -> None:
    """Show an output.

    Parameters
    ----------
    data : mapping of MIME type to content
        Holds "text/plain" at least.
    metadata : mapping
        Stored beside the output and never shown; the key "workbench" holds the numbers behind it.

    Returns
    -------
    None
        The output is displayed, or its text printed when no notebook is running.

    Raises
    ------
    KeyError
        If there is no plain text.
    """
    text = data["text/plain"]
    shell = sys.modules["IPython"].get_ipython() if "IPython" in sys.modules else None
    if shell is None or not hasattr(shell, "kernel"):
        print(text)
        return
    shell.display_pub.publish(data=dict(data), metadata=dict(metadata))

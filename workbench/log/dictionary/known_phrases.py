"""Which words of a note tell of which sign? Data beside it, one line per phrase."""

from functools import cache

from workbench.log.dictionary.data_rows import data_rows

__all__ = ["phrase_rows"]


@cache
def phrase_rows() -> tuple[dict[str, str], ...]:
    """Return the phrases in their order: the words to stand near each other, and the sign that they propose."""
    return tuple(data_rows("phrases.csv"))
